"""Pipe sections; the shear area has its source in tests/validation/test_frame_shear_deflection.py."""

from __future__ import annotations

import math

import pytest

from service.engineering.frames.sections import pipe_section
from service.errors import OutOfRange


def test_a_pipe_of_nps_12_standard_wall_weighs_and_bends_as_its_table_says() -> None:
    """73.86 kg/m of steel at 7,850 kg/m^3 and 11,626.8 cm^4 with a wall of 9.53 mm."""
    section = pipe_section(0.3238, 0.00953)
    assert section.area_m2 * 7850.0 == pytest.approx(73.86, abs=0.01)
    assert section.second_moment_m4 * 1e8 == pytest.approx(11626.8, rel=5e-4)


def test_a_round_section_twists_about_twice_its_bending_moment_of_area() -> None:
    section = pipe_section(0.5, 0.02)
    assert section.torsion_m4 == 2.0 * section.second_moment_m4


def test_a_solid_bar_is_a_pipe_whose_wall_is_half_its_diameter() -> None:
    section = pipe_section(0.1, 0.05)
    assert section.area_m2 == pytest.approx(math.pi * 0.05**2)
    assert section.second_moment_m4 == pytest.approx(math.pi * 0.05**4 / 4.0)


@pytest.mark.parametrize(
    ("diameter", "wall"),
    [(0.0, 0.01), (-0.1, 0.01), (0.1, 0.0), (0.1, 0.0501), (math.nan, 0.01), (0.1, math.nan)],
)
def test_dimensions_that_make_no_pipe_are_refused(diameter: float, wall: float) -> None:
    with pytest.raises(OutOfRange):
        pipe_section(diameter, wall)
