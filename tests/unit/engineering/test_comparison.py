"""The one comparison: a limit met exactly passes, in any unit and of either sign."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.engineering.comparison import at_least, at_most, margin_above, margin_below

NUMBERS = st.floats(min_value=-1e9, max_value=1e9, allow_nan=False)
SIZES = st.floats(min_value=1e-6, max_value=1e9)


@given(NUMBERS)
def test_a_limit_met_exactly_passes_from_both_sides(limit: float) -> None:
    assert at_most(limit, limit)
    assert at_least(limit, limit)


@given(NUMBERS, NUMBERS)
def test_the_lower_limit_mirrors_the_upper(found: float, limit: float) -> None:
    assert at_least(found, limit) is at_most(-found, -limit)
    assert margin_above(found, limit) == margin_below(-found, -limit)


@given(SIZES, st.sampled_from([1.0, -1.0]))
def test_the_slack_is_a_billionth_of_the_limit_and_no_more(size: float, sign: float) -> None:
    limit = sign * size
    assert at_most(limit + 0.9e-9 * size, limit)
    assert not at_most(limit + 1.2e-9 * size, limit)
    assert at_least(limit - 0.9e-9 * size, limit)
    assert not at_least(limit - 1.2e-9 * size, limit)


def test_a_zero_limit_has_no_slack_unless_a_scale_is_given() -> None:
    assert at_most(0.0, 0.0)
    assert not at_most(1e-15, 0.0)
    assert at_most(1e-15, 0.0, scale=1.0)
    assert at_most(1e-15, 0.0, scale=-1.0)
    assert not at_least(-1e-15, 0.0)
    assert at_least(-1e-15, 0.0, scale=1.0)


def test_a_difference_of_large_numbers_is_compared_on_their_scale() -> None:
    assert at_most(abs(12.406 - 12.4), 0.006, scale=12.4)


@given(SIZES, st.floats(min_value=1e-6, max_value=1e6))
def test_the_unit_does_not_matter(limit: float, factor: float) -> None:
    assert at_most(limit * factor, limit * factor)
    assert at_most(limit * factor / factor, limit)


def test_not_a_number_never_passes() -> None:
    assert not at_most(math.nan, 1.0)
    assert not at_least(math.nan, 1.0)
    assert math.isnan(margin_below(math.nan, 1.0))


@given(NUMBERS, NUMBERS)
def test_a_margin_is_negative_exactly_where_the_limit_is_broken(found: float, limit: float) -> None:
    assert (margin_below(found, limit) < 0.0) is not at_most(found, limit)
    assert (margin_above(found, limit) < 0.0) is not at_least(found, limit)


def test_a_margin_is_what_is_left() -> None:
    assert margin_below(3.0, 5.0) == pytest.approx(2.0)
    assert margin_below(5.0, 3.0) == pytest.approx(-2.0)
    assert margin_above(5.0, 3.0) == pytest.approx(2.0)
    assert margin_below(1.0 + 1e-12, 1.0) == 0.0
