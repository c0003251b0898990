"""Density of water and steam at the limits of what can be said."""

from __future__ import annotations

import pytest

from service.engineering.contents import saturated_density_kg_per_m3, water_density_kg_per_m3
from service.errors import OutOfRange


@pytest.mark.parametrize(
    ("kelvin", "pascal"),
    [(200.0, 1e5), (3000.0, 1e5), (300.0, 2e8), (1100.0, 5.1e7), (300.0, 0.0), (300.0, 1e300)],
)
def test_a_state_outside_the_formulation_is_refused(kelvin: float, pascal: float) -> None:
    with pytest.raises(OutOfRange, match="reaches"):
        water_density_kg_per_m3(kelvin, pascal)


@pytest.mark.parametrize("kelvin", [260.0, 648.0, 700.0])
def test_saturation_outside_its_range_is_refused(kelvin: float) -> None:
    with pytest.raises(OutOfRange):
        saturated_density_kg_per_m3(kelvin, "liquid")


def test_boiling_water_is_neither_water_nor_steam_until_it_is_said() -> None:
    with pytest.raises(OutOfRange, match="boils"):
        water_density_kg_per_m3(373.15, 101325.0)
    assert water_density_kg_per_m3(373.15, 105000.0) > 900.0
    assert water_density_kg_per_m3(373.15, 98000.0) < 1.0


def test_saturated_vapour_is_light_and_saturated_liquid_heavy() -> None:
    assert saturated_density_kg_per_m3(473.15, "vapour") == pytest.approx(7.86, abs=0.01)
    assert saturated_density_kg_per_m3(473.15, "liquid") == pytest.approx(864.67, abs=0.01)
