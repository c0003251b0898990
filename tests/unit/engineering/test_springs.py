"""Loads, variability, deviation and travel of springs."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.engineering import springs
from service.errors import OutOfRange

LOADS = st.floats(min_value=100.0, max_value=1e6)
RATES = st.floats(min_value=1e3, max_value=1e6)
MOVEMENTS = st.floats(min_value=-0.3, max_value=0.3)


def test_the_spring_carries_its_share_of_pipe_and_hardware() -> None:
    assert springs.spring_load_n(10_000.0, 400.0, 0.5) == pytest.approx(5200.0)


@given(LOADS, RATES, MOVEMENTS)
def test_cold_and_hot_load_are_inverse(hot: float, rate: float, movement: float) -> None:
    cold = springs.cold_load_n(hot, rate, movement)
    assert springs.hot_load_n(cold, rate, movement) == pytest.approx(hot, rel=1e-9, abs=1e-6)


@given(LOADS, RATES, st.floats(min_value=1e-4, max_value=0.3))
def test_a_pipe_that_rises_loses_spring_load(hot: float, rate: float, rise: float) -> None:
    assert springs.cold_load_n(hot, rate, rise) > hot > springs.cold_load_n(hot, rate, -rise)
    assert springs.load_at_position_n(hot, rate, rise) < hot < springs.load_at_position_n(hot, rate, -rise)


@given(LOADS, RATES, MOVEMENTS)
def test_variability_does_not_depend_on_the_direction(hot: float, rate: float, movement: float) -> None:
    assert springs.variability(rate, movement, hot) == springs.variability(rate, -movement, hot) >= 0.0


@given(LOADS, RATES, st.floats(min_value=1e-3, max_value=0.3))
def test_the_largest_rate_meets_the_limit_exactly(hot: float, rate: float, movement: float) -> None:
    largest = springs.largest_rate_n_per_m(0.25, hot, movement)
    assert springs.variability(largest, movement, hot) == pytest.approx(0.25)
    assert springs.largest_rate_n_per_m(0.25, hot, -movement) == largest


@pytest.mark.parametrize("hot", [0.0, -1.0, float("nan")])
def test_variability_without_a_hot_load_is_refused(hot: float) -> None:
    with pytest.raises(OutOfRange):
        springs.variability(1e5, 0.01, hot)


def test_the_largest_rate_without_movement_is_refused() -> None:
    with pytest.raises(OutOfRange):
        springs.largest_rate_n_per_m(0.25, 1e4, 0.0)


@given(st.floats(min_value=0.0, max_value=0.2), LOADS)
def test_both_forms_of_the_deviation_agree_about_the_rated_load(deviation: float, rated: float) -> None:
    high, low = rated * (1 + deviation), rated * (1 - deviation)
    assert springs.deviation_about_mean(high, low) == pytest.approx(deviation, abs=1e-12)
    assert springs.deviation_about_rated(high, low, rated) == pytest.approx(deviation, abs=1e-12)
    assert springs.largest_single_deviation(high, low, rated) == pytest.approx(deviation, abs=1e-12)


@pytest.mark.parametrize(
    ("movement", "expected"), [(0.1, 0.125), (-0.1, 0.125), (0.125, 0.15), (0.2, 0.24), (0.0, 0.025)]
)
def test_the_required_total_travel_takes_the_larger_allowance(movement: float, expected: float) -> None:
    assert springs.required_total_travel_m(movement, 0.2, 0.025) == pytest.approx(expected)


@pytest.mark.parametrize(("travel", "expected"), [(0.04, 0.005), (-0.04, 0.005), (0.05, 0.005), (0.2, 0.02)])
def test_the_required_reserve_is_the_larger_of_share_and_length(travel: float, expected: float) -> None:
    assert springs.required_reserve_m(travel, 0.1, 0.005) == pytest.approx(expected)


def test_a_rise_follows_the_sense_of_the_scale() -> None:
    assert springs.rise_from_reading_m(0.12, 0.08, True) == pytest.approx(0.04)
    assert springs.rise_from_reading_m(0.12, 0.08, False) == pytest.approx(-0.04)
