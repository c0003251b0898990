"""A pipe on two supports with a spring under its middle.

Source: the deflections of a simple beam under uniform load and under a force at its middle, Roark's
Formulas for Stress and Strain (from memory), superposed: R = (5 w L/8)/(1 + 48 E I/(k L^3)).
"""

from __future__ import annotations

import pytest

from tests.lines.beam_checks import elastic_support


def by_formula(stiffness_n_per_m: float) -> float:
    """NPS 12 standard wall over 12 m at 1.5 kN/m, E I = 23.602 MN m^2 [N]."""
    return (5.0 * 1500.0 * 12.0 / 8.0) / (1.0 + 48.0 * 23.602e6 / (stiffness_n_per_m * 12.0**3))


@pytest.mark.parametrize(("stiffness_n_per_m", "printed"), [(50e3, 797.2), (100e3, 1488.8), (200e3, 2629.7)])
def test_a_spring_takes_the_share_that_its_stiffness_earns(stiffness_n_per_m: float, printed: float) -> None:
    assert by_formula(stiffness_n_per_m) == pytest.approx(printed, rel=5e-5)
    found = elastic_support(stiffness_n_per_m)
    assert found.kept, found


def test_a_spring_as_stiff_as_a_wall_takes_what_a_rigid_support_takes() -> None:
    assert by_formula(1e15) == pytest.approx(5.0 / 8.0 * 1500.0 * 12.0)
    found = elastic_support(1e9)
    assert found.kept, found
