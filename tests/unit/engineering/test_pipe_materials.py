"""Modulus and expansion of pipe steels between the rows of their tables, and at their ends."""

from __future__ import annotations

import pytest

from service.engineering.pipes import PipeSteel, expansion, modulus_pa
from service.errors import OutOfRange


def test_the_modulus_is_linear_between_two_rows() -> None:
    # 198 GPa at 100 and 192 at 200 degC: 196.5 at 125.
    assert modulus_pa("carbon_steel", 398.15) == pytest.approx(196.5e9, rel=1e-12)


def test_the_mean_coefficient_is_linear_between_two_rows() -> None:
    # 7.9 at 900 and 8.1 at 1000 degF: 7.98 at 940, for 870 degF of difference from 70.
    hot = (940.0 - 32.0) / 1.8 + 273.15
    cold = (70.0 - 32.0) / 1.8 + 273.15
    assert expansion("low_chrome", cold, hot) == pytest.approx(7.98e-6 * 870.0, rel=1e-9)


def test_growth_from_20_degc_is_a_hair_more_than_from_70_degf() -> None:
    from_20 = expansion("low_chrome", 293.15, 813.15)
    from_70 = expansion("low_chrome", (70.0 - 32.0) / 1.8 + 273.15, 813.15)
    # 68 to 70 degF at 6.4e-6/degF.
    assert from_20 - from_70 == pytest.approx(2.0 * 6.4e-6, rel=1e-6)


@pytest.mark.parametrize("steel", ["carbon_steel", "low_chrome", "chrome_9"])
def test_there_and_back_is_nothing(steel: PipeSteel) -> None:
    assert expansion(steel, 300.0, 700.0) == pytest.approx(-expansion(steel, 700.0, 300.0), rel=1e-14)
    assert expansion(steel, 500.0, 500.0) == 0.0


@pytest.mark.parametrize(
    ("steel", "celsius"),
    [
        ("carbon_steel", -1.0),
        ("carbon_steel", 551.0),
        ("low_chrome", 601.0),
        ("chrome_9", 601.0),
    ],
)
def test_the_modulus_is_refused_beyond_its_table(steel: PipeSteel, celsius: float) -> None:
    with pytest.raises(OutOfRange, match="runs from 0 to"):
        modulus_pa(steel, celsius + 273.15)


@pytest.mark.parametrize(
    ("steel", "celsius"),
    [("carbon_steel", -1.0), ("low_chrome", 649.0), ("chrome_9", -1.0), ("chrome_9", 601.0)],
)
def test_expansion_is_refused_beyond_its_table(steel: PipeSteel, celsius: float) -> None:
    with pytest.raises(OutOfRange):
        expansion(steel, 293.15, celsius + 273.15)
    with pytest.raises(OutOfRange):
        expansion(steel, celsius + 273.15, 293.15)


def test_the_ends_of_a_table_belong_to_it() -> None:
    assert modulus_pa("carbon_steel", 273.15) == pytest.approx(203e9)
    assert modulus_pa("chrome_9", 873.15) == pytest.approx(168e9)
    assert expansion("low_chrome", 273.15, (1200.0 - 32.0) / 1.8 + 273.15) > 0.0
