"""Unit factors against libraries of constants made by others.

Source: scipy.constants (exact definitions and CODATA) and fluids.constants (general-purpose engineering
library). The factors rounded to seven figures are those of handbooks: 1 lbf = 4.4482216 N, 1 lbf/in =
0.1751268 N/mm, 1 psi = 6.894757 kPa.
"""

from __future__ import annotations

import pytest
from fluids import constants as fluids_constants
from scipy import constants as scipy_constants

from service.units import Dimension, to_si

CASES = [
    ("lbf", Dimension.FORCE, scipy_constants.lbf, fluids_constants.pound_force),
    ("kgf", Dimension.FORCE, scipy_constants.kgf, fluids_constants.kilogram_force),
    ("in", Dimension.LENGTH, scipy_constants.inch, fluids_constants.inch),
    ("ft", Dimension.LENGTH, scipy_constants.foot, fluids_constants.foot),
    ("psi", Dimension.STRESS, scipy_constants.psi, fluids_constants.psi),
    ("bar", Dimension.PRESSURE, scipy_constants.bar, fluids_constants.bar),
    ("lb", Dimension.MASS, scipy_constants.pound, fluids_constants.pound),
    ("t", Dimension.MASS, scipy_constants.metric_ton, fluids_constants.metric_ton),
    ("deg", Dimension.ANGLE, scipy_constants.degree, fluids_constants.degree),
    ("in2", Dimension.AREA, scipy_constants.inch**2, fluids_constants.inch**2),
]


@pytest.mark.parametrize(
    ("unit", "dimension", "scipy_value", "fluids_value"), CASES, ids=[case[0] for case in CASES]
)
def test_a_factor_is_that_of_two_libraries(
    unit: str, dimension: Dimension, scipy_value: float, fluids_value: float
) -> None:
    assert to_si(1.0, unit, dimension) == pytest.approx(scipy_value, rel=1e-14)
    assert to_si(1.0, unit, dimension) == pytest.approx(fluids_value, rel=1e-14)


@pytest.mark.parametrize("degrees", [-40.0, 0.0, 70.0, 650.0, 1000.0])
def test_a_temperature_is_that_of_the_library(degrees: float) -> None:
    for unit, name in (("degF", "Fahrenheit"), ("degC", "Celsius")):
        expected = scipy_constants.convert_temperature(degrees, name, "Kelvin")
        assert to_si(degrees, unit, Dimension.TEMPERATURE) == pytest.approx(expected, rel=1e-14)


@pytest.mark.parametrize(
    ("unit", "dimension", "handbook"),
    [
        ("lbf", Dimension.FORCE, 4.4482216),
        ("lbf/in", Dimension.STIFFNESS, 175.1268),
        ("psi", Dimension.STRESS, 6894.757),
        ("kgf", Dimension.FORCE, 9.80665),
    ],
)
def test_a_factor_is_that_of_the_handbooks(unit: str, dimension: Dimension, handbook: float) -> None:
    assert to_si(1.0, unit, dimension) == pytest.approx(handbook, rel=3e-7)
