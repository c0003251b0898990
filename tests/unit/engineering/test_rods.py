"""Rods: what they carry and how far they swing."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.engineering import rods
from service.errors import OutOfRange

LENGTHS = st.floats(min_value=0.2, max_value=10.0)
OFFSETS = st.floats(min_value=0.0, max_value=0.5)


def test_the_load_is_stress_on_the_root_areas() -> None:
    assert rods.allowable_load_n(100e6, 200e-6, 2) == pytest.approx(40_000.0)
    assert rods.allowable_load_n(100e6, 200e-6) == pytest.approx(20_000.0)


def test_threads_reduce_the_allowable_by_a_quarter() -> None:
    assert rods.threaded_allowable_stress_pa(100e6, 0.25) == pytest.approx(75e6)


@given(OFFSETS, LENGTHS)
def test_a_swing_has_no_side(offset: float, length: float) -> None:
    assert rods.swing_angle_rad(offset, length) == rods.swing_angle_rad(-offset, length) >= 0.0


@given(OFFSETS, LENGTHS)
def test_half_the_movement_as_offset_swings_least(movement: float, length: float) -> None:
    half = rods.largest_swing_rad(movement, movement / 2, length)
    assert half == pytest.approx(rods.swing_angle_rad(movement / 2, length))
    for offset in (0.0, movement / 4, movement):
        assert rods.largest_swing_rad(movement, offset, length) >= half - 1e-12


def test_an_offset_larger_than_the_movement_swings_most_cold() -> None:
    assert rods.largest_swing_rad(0.05, 0.1, 1.0) == pytest.approx(math.atan(0.1))


@pytest.mark.parametrize("length", [0.0, -1.0, math.nan])
def test_a_rod_without_length_is_refused(length: float) -> None:
    with pytest.raises(OutOfRange):
        rods.swing_angle_rad(0.1, length)


@given(st.floats(min_value=0.001, max_value=0.5), LENGTHS)
def test_a_swinging_rod_lifts_its_end_and_pulls_sideways(angle: float, length: float) -> None:
    rise = rods.rise_of_lower_end_m(angle, length)
    assert rise == pytest.approx(2 * length * math.sin(angle / 2) ** 2, rel=1e-6)
    assert rods.horizontal_force_n(1000.0, angle) == pytest.approx(1000.0 * math.sin(angle) / math.cos(angle))
