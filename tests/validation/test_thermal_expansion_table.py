"""Thermal expansion and modulus of pipe steels against published tables.

Sources: ASME II-D Table TE-1 (2001/2003), Group 1, growth C in inches for 100 ft from 70 degF, printed to
0.1 in (coefficients B to 0.1e-6/degF); Piping Handbook, App. E8: 2.35 in for
100 ft from 70 to 350 degF, carbon steel and 2 1/4Cr-1Mo, and 0.0209 in/ft for 9Cr-1Mo; TE-1 coefficients of
9Cr up to 250 degF; EN 10216-2 for 9Cr above (from memory). Moduli: B31.1 Table C-1 in US units (from memory,
within 2 GPa) and carbon steel at 100 degC as seen in its SI table.
"""

from __future__ import annotations

import pytest

from service.engineering.pipes import PipeSteel, expansion, modulus_pa
from service.engineering.tables.loader import load_table

INCH_PER_100_FT = 1200.0


def kelvin(fahrenheit: float) -> float:
    """Kelvin of degrees Fahrenheit, by the definition of the scale."""
    return (fahrenheit - 32.0) / 1.8 + 273.15


GROWTH = [
    (200, 1.0),
    (300, 1.9),
    (400, 2.8),
    (500, 3.7),
    (600, 4.7),
    (700, 5.7),
    (800, 6.8),
    (900, 7.9),
    (1000, 9.0),
    (1050, 9.6),
    (1100, 10.1),
    (1200, 11.3),
]


@pytest.mark.parametrize(("fahrenheit", "inches"), GROWTH)
@pytest.mark.parametrize("steel", ["carbon_steel", "low_chrome"])
def test_growth_from_70_degf_is_that_of_the_table(steel: PipeSteel, fahrenheit: float, inches: float) -> None:
    found = expansion(steel, kelvin(70), kelvin(fahrenheit)) * INCH_PER_100_FT
    # Both columns are rounded: half of 0.1 in, and half of 0.1e-6 over the difference in temperature.
    rounding = 0.05 + 0.05e-6 * (fahrenheit - 70) * INCH_PER_100_FT
    assert found == pytest.approx(inches, abs=rounding)


def test_the_packaged_table_holds_the_published_growth() -> None:
    rows = load_table("expansion_carbon_low_chrome.csv").rows
    packaged = {
        int(row["temperature_f"]): float(row["growth_in_per_100_ft"])
        for row in rows
        if row["growth_in_per_100_ft"]
    }
    assert packaged == {70: 0.0, **dict(GROWTH)}


def test_30_m_of_low_chrome_steel_grow_by_226_mm_to_1000_degf() -> None:
    assert expansion("low_chrome", kelvin(70), kelvin(1000)) * 30_000 == pytest.approx(226.0, abs=0.5)


@pytest.mark.parametrize("steel", ["carbon_steel", "low_chrome"])
def test_growth_to_350_degf_is_that_of_a_second_book(steel: PipeSteel) -> None:
    # 2.35 in for 100 ft; the coefficient of TE-1 between two of its rows is rounded to 0.1e-6, 1.4 %.
    assert expansion(steel, kelvin(70), kelvin(350)) * INCH_PER_100_FT == pytest.approx(2.35, rel=0.015)


def test_nine_chrome_grows_to_350_degf_as_a_second_book_says() -> None:
    assert expansion("chrome_9", kelvin(70), kelvin(350)) * 12.0 == pytest.approx(0.0209, rel=0.02)


@pytest.mark.parametrize(("fahrenheit", "coefficient"), [(100, 5.9), (150, 5.9), (200, 6.0), (250, 6.1)])
def test_nine_chrome_agrees_with_the_asme_values_seen(fahrenheit: float, coefficient: float) -> None:
    found = expansion("chrome_9", kelvin(70), kelvin(fahrenheit)) / (fahrenheit - 70)
    assert found == pytest.approx(coefficient * 1e-6, rel=0.02)


@pytest.mark.parametrize(
    ("celsius", "coefficient"), [(100, 10.9), (200, 11.3), (300, 11.7), (400, 12.0), (500, 12.3), (600, 12.6)]
)
def test_nine_chrome_has_the_mean_coefficients_of_its_standard(celsius: float, coefficient: float) -> None:
    found = expansion("chrome_9", 293.15, celsius + 273.15) / (celsius - 20.0)
    assert found == pytest.approx(coefficient * 1e-6, rel=1e-9)


def test_at_550_degc_nine_chrome_grows_less_than_low_chrome() -> None:
    # 6.6 against 7.7 mm/m.
    assert expansion("chrome_9", 293.15, 823.15) * 1000 == pytest.approx(6.6, abs=0.05)
    assert expansion("low_chrome", 293.15, 823.15) * 1000 == pytest.approx(7.7, abs=0.05)


@pytest.mark.parametrize(
    ("fahrenheit", "msi"),
    [
        (70, 29.4),
        (200, 28.8),
        (300, 28.3),
        (400, 27.9),
        (500, 27.3),
        (600, 26.5),
        (700, 25.5),
        (800, 24.2),
        (900, 22.5),
        (1000, 20.4),
    ],
)
def test_the_modulus_of_carbon_steel_is_that_of_the_us_table(fahrenheit: float, msi: float) -> None:
    # Both are from memory within 2 GPa, and rows of one lie between rows of the other.
    assert modulus_pa("carbon_steel", kelvin(fahrenheit)) / 1e9 == pytest.approx(msi * 6.894757, abs=2.5)


def test_the_modulus_of_carbon_steel_at_100_degc_is_the_one_seen() -> None:
    assert modulus_pa("carbon_steel", 373.15) == pytest.approx(198e9, rel=1e-12)


@pytest.mark.parametrize(
    ("steel", "values"),
    [("low_chrome", (206, 199, 191, 183, 174, 169)), ("chrome_9", (208, 201, 195, 187, 179, 174))],
)
def test_the_moduli_of_chrome_steels_are_those_of_the_table(
    steel: PipeSteel, values: tuple[int, ...]
) -> None:
    for celsius, expected in zip((100, 200, 300, 400, 500, 550), values, strict=True):
        assert modulus_pa(steel, celsius + 273.15) == pytest.approx(expected * 1e9, rel=1e-12)
