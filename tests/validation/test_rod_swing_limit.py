"""Swing of hanger rods.

Source: MSS SP-58 (from memory): 4 degrees from the vertical. Geometry by hand: tan 4 degrees = 0.0699268;
a rod of 1,500 mm reaches the limit at 104.9 mm.
"""

from __future__ import annotations

import math

import pytest

from service.engineering import rods
from service.engineering.checks import rod_swing

LIMIT = math.radians(4)


@pytest.mark.parametrize(("offset_mm", "degrees", "status"), [(100, 3.81, "pass"), (105, 4.004, "fail")])
def test_a_rod_of_one_and_a_half_metres(offset_mm: float, degrees: float, status: str) -> None:
    verdict = rod_swing(offset_mm / 1000, 0.0, 1.5, LIMIT)
    assert math.degrees(verdict.found) == pytest.approx(degrees, abs=0.006)
    assert verdict.status == status


def test_the_limit_lies_at_104_9_mm() -> None:
    assert rod_swing(0.1048, 0.0, 1.5, LIMIT).status == "pass"
    assert rod_swing(0.1050, 0.0, 1.5, LIMIT).status == "fail"
    assert rods.swing_angle_rad(0.06993, 1.0) == pytest.approx(LIMIT, rel=1e-4)


def test_half_the_movement_as_offset_halves_the_tangent() -> None:
    verdict = rod_swing(0.2, 0.1, 1.5, LIMIT)
    assert math.tan(verdict.found) == pytest.approx(0.1 / 1.5)


def test_what_a_swing_of_four_degrees_does() -> None:
    """A rod of 1,500 mm lifts its lower end by 3.65 mm and pulls with 7 % of its load."""
    assert rods.rise_of_lower_end_m(LIMIT, 1.5) * 1000 == pytest.approx(3.65, abs=0.006)
    assert rods.horizontal_force_n(1000.0, LIMIT) == pytest.approx(70.0, abs=0.1)
