"""Density of water and steam against published values.

Source: IAPWS-IF97 values at 101.325 kPa below 100 degC and of saturated liquid above, as steam tables print
them; verification values of IF97 (release of 2007, Tables 5 and 15: v at 300 K and 3 MPa, and at 700 K and
30 MPa; from memory).
"""

from __future__ import annotations

import pytest

from service.engineering.contents import saturated_density_kg_per_m3, water_density_kg_per_m3

ATMOSPHERE_PA = 101325.0


@pytest.mark.parametrize(
    ("celsius", "density"),
    [
        (4, 999.98),
        (10, 999.70),
        (15, 999.10),
        (20, 998.21),
        (25, 997.05),
        (40, 992.22),
        (60, 983.21),
        (80, 971.80),
    ],
)
def test_water_under_the_atmosphere_has_the_published_density(celsius: float, density: float) -> None:
    found = water_density_kg_per_m3(celsius + 273.15, ATMOSPHERE_PA)
    assert found == pytest.approx(density, abs=0.006)


@pytest.mark.parametrize(
    ("celsius", "density"), [(100, 958.35), (150, 917.01), (200, 864.67), (250, 798.89), (300, 712.14)]
)
def test_saturated_water_has_the_published_density(celsius: float, density: float) -> None:
    assert saturated_density_kg_per_m3(celsius + 273.15, "liquid") == pytest.approx(density, abs=0.006)


@pytest.mark.parametrize(("celsius", "megapascal", "density"), [(541, 16.5, 49.3), (565, 25.0, 75.9)])
def test_steam_has_the_published_density(celsius: float, megapascal: float, density: float) -> None:
    found = water_density_kg_per_m3(celsius + 273.15, megapascal * 1e6)
    assert found == pytest.approx(density, abs=0.06)


@pytest.mark.parametrize(
    ("kelvin", "pascal", "specific_volume"), [(300.0, 3e6, 0.100215168e-2), (700.0, 30e6, 0.542946619e-2)]
)
def test_the_formulation_gives_its_verification_values(
    kelvin: float, pascal: float, specific_volume: float
) -> None:
    assert 1.0 / water_density_kg_per_m3(kelvin, pascal) == pytest.approx(specific_volume, rel=1e-8)


def test_feedwater_at_200_degc_weighs_13_percent_less_than_at_20() -> None:
    hot = saturated_density_kg_per_m3(473.15, "liquid")
    cold = water_density_kg_per_m3(293.15, ATMOSPHERE_PA)
    assert 1.0 - hot / cold == pytest.approx(0.13, abs=0.005)
