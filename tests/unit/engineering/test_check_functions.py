"""The checks as functions of SI floats: pass, fail, attention, and a limit met exactly."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.engineering import checks
from service.engineering.checks import Verdict

# id, function of the value under test, value that meets the limit exactly, step that breaks it
EXACT: list[tuple[str, Callable[[float], Verdict], float, float]] = [
    ("variability", lambda rate: checks.variability_of_spring(rate, 0.04, 10_000.0, 0.25), 62_500.0, 1.0),
    (
        "variability-down",
        lambda rate: checks.variability_of_spring(rate, -0.04, 10_000.0, 0.25),
        62_500.0,
        1.0,
    ),
    ("deviation", lambda found: checks.constant_deviation(found, None, 0.06), 0.06, 0.0001),
    ("deviation-by-friction", lambda found: checks.constant_deviation(0.01, found, 0.06), 0.06, 0.0001),
    ("total-travel", lambda total: checks.total_travel(total, -0.13, 0.2, 0.025), 0.156, -0.0001),
    ("rod-load", lambda load: checks.rod_load(load, 100e6, 100e-6, 2), 20_000.0, 1.0),
    (
        "rod-swing",
        lambda h: checks.rod_swing(h, 0.0, 1.5, math.radians(4.0)),
        1.5 * math.tan(math.radians(4.0)),
        1e-5,
    ),
    ("engagement", lambda length: checks.engagement(length, 0.03), 0.03, -1e-5),
    ("agreement", lambda found: checks.agreement(found, 10_000.0, 0.01), 10_100.0, 1.0),
    ("agreement-below", lambda found: checks.agreement(found, 10_000.0, 0.01), 9_900.0, -1.0),
    ("lengths", lambda found: checks.lengths_agree(found, 0.04, 0.01, 0.001), 0.041, 1e-5),
    ("lengths-share", lambda found: checks.lengths_agree(found, -0.4, 0.01, 0.001), -0.404, -1e-5),
    ("dimension-above", lambda found: checks.dimension_as_drawn(found, 1.85, 0.01, 0.005), 1.86, 1e-5),
    ("dimension-below", lambda found: checks.dimension_as_drawn(found, 1.85, 0.01, 0.005), 1.845, -1e-5),
    ("elevation-above", lambda found: checks.elevation(found, 12.4, 0.006, 0.012), 12.406, 1e-5),
    ("elevation-below", lambda found: checks.elevation(found, -12.4, 0.006, 0.012), -12.406, -1e-5),
    (
        "rod-offset",
        lambda found: checks.rod_off_drawn(found, 0.03, 2.0, math.radians(1.0)),
        0.03 + 2.0 * math.tan(math.radians(1.0)),
        1e-5,
    ),
    ("load-above", lambda load: checks.load_off_expected(load, 10_000.0, 0.05, 0.1), 10_500.0, 1.0),
    ("load-below", lambda load: checks.load_off_expected(load, 10_000.0, 0.05, 0.1), 9_500.0, -1.0),
    ("load-one-limit", lambda load: checks.load_off_expected(load, 10_000.0, 0.02), 10_200.0, 1.0),
    (
        "position-least",
        lambda found: checks.position_off_expected(found, 0.1, 0.04, 0.1, 0.006, 2.0),
        0.106,
        1e-5,
    ),
    (
        "position-share",
        lambda found: checks.position_off_expected(found, 0.1, -0.1, 0.1, 0.006, 2.0),
        0.09,
        -1e-5,
    ),
    ("travel-low", lambda found: checks.travel_ratio(found, -0.1, 0.8, 1.2, 0.6, 1.4), -0.08, 1e-5),
    ("travel-high", lambda found: checks.travel_ratio(found, 0.1, 0.8, 1.2, 0.6, 1.4), 0.12, 1e-5),
    ("reserve-high", lambda found: checks.travel_reserve([0.05, found], 0.2, 0.2, 0.1, 0.005), 0.18, 1e-5),
    ("reserve-low", lambda found: checks.travel_reserve([0.05, found], 0.0, -0.2, 0.1, 0.005), 0.02, -1e-5),
    ("range-low", lambda load: checks.working_range(load, 10e3, 22e3, 60e3, 0.1, 0.005), 11_200.0, -1.0),
    ("range-high", lambda load: checks.working_range(load, 10e3, 22e3, 60e3, 0.1, 0.005), 20_800.0, 1.0),
]


@pytest.mark.parametrize(
    ("function", "exact", "step"), [case[1:] for case in EXACT], ids=[case[0] for case in EXACT]
)
def test_a_limit_met_exactly_passes_and_one_step_beyond_does_not(
    function: Callable[[float], Verdict], exact: float, step: float
) -> None:
    met = function(exact)
    assert met.status == "pass"
    assert met.margin >= 0.0
    assert met.margin == pytest.approx(0.0, abs=1e-6 * max(1.0, abs(met.limit)))
    beyond = function(exact + step)
    assert beyond.status in ("attention", "fail")
    assert beyond.margin < 0.0
    assert function(exact - step).margin > 0.0


ATTENTION: list[tuple[str, Callable[[float], Verdict], float, float]] = [
    # id, function, last value for attention, first value that fails
    ("elevation", lambda found: checks.elevation(found, 12.4, 0.006, 0.012), 12.412, 12.41201),
    ("load", lambda load: checks.load_off_expected(load, 10_000.0, 0.05, 0.1), 9_000.0, 8_999.0),
    (
        "position",
        lambda found: checks.position_off_expected(found, 0.1, 0.04, 0.1, 0.006, 2.0),
        0.112,
        0.11201,
    ),
    ("travel-low", lambda found: checks.travel_ratio(found, 0.1, 0.8, 1.2, 0.6, 1.4), 0.06, 0.05999),
    ("travel-high", lambda found: checks.travel_ratio(found, 0.1, 0.8, 1.2, 0.6, 1.4), 0.14, 0.14001),
    ("reserve", lambda found: checks.travel_reserve([found], 0.2, 0.2, 0.1, 0.005), 0.1999, 0.2),
    ("range", lambda load: checks.working_range(load, 10e3, 22e3, 60e3, 0.1, 0.005), 10_000.0, 9_999.0),
]


@pytest.mark.parametrize(
    ("function", "last", "first"), [case[1:] for case in ATTENTION], ids=[case[0] for case in ATTENTION]
)
def test_between_acceptance_and_failure_lies_attention(
    function: Callable[[float], Verdict], last: float, first: float
) -> None:
    assert function(last).status == "attention"
    assert function(first).status == "fail"


def test_a_dimension_without_tolerance_passes_only_as_drawn() -> None:
    assert checks.dimension_as_drawn(1.85, 1.85, 0.0, 0.0).status == "pass"
    assert checks.dimension_as_drawn(1.850001, 1.85, 0.0, 0.0).status == "fail"
    assert checks.dimension_as_drawn(1.849999, 1.85, 0.0, 0.0).status == "fail"


def test_the_reserve_is_that_of_the_worst_position() -> None:
    verdict = checks.travel_reserve([0.05, 0.19, 0.1], 0.2, 0.2, 0.1, 0.005)
    assert verdict.found == pytest.approx(0.01)
    assert verdict.limit == pytest.approx(0.02)


def test_a_position_beyond_the_end_has_a_negative_reserve_and_fails() -> None:
    verdict = checks.travel_reserve([0.21], 0.2, 0.2, 0.1, 0.005)
    assert verdict.found == pytest.approx(-0.01)
    assert verdict.status == "fail"


@pytest.mark.parametrize(
    ("measured", "design", "status"),
    [
        (0.03, 0.04, "pass"),
        (-0.03, -0.04, "pass"),
        (-0.03, 0.04, "fail"),
        (0.03, -0.04, "fail"),
        (0.0, 0.04, "fail"),
        (0.0, -0.04, "fail"),
    ],
)
def test_the_wrong_direction_or_none_fails(measured: float, design: float, status: str) -> None:
    assert checks.travel_direction(measured, design).status == status


@pytest.mark.parametrize("design", [0.1, -0.1])
def test_a_travel_against_the_design_has_a_negative_ratio(design: float) -> None:
    verdict = checks.travel_ratio(-design, design, 0.8, 1.2, 0.6, 1.4)
    assert verdict.found == pytest.approx(-1.0)
    assert verdict.status == "fail"


def test_equal_figures_agree_even_when_zero() -> None:
    assert checks.agreement(0.0, 0.0, 0.01).status == "pass"
    assert checks.agreement(1.0, 0.0, 0.01).found == pytest.approx(1.0)
    assert checks.agreement(1.0, 0.0, 0.01).status == "fail"


def test_a_movement_with_the_wrong_sign_does_not_agree() -> None:
    assert checks.lengths_agree(-0.04, 0.04, 0.01, 0.001).status == "fail"


def test_a_range_whose_reserves_overlap_holds_no_load_without_attention() -> None:
    verdicts = {
        checks.working_range(load, 10e3, 10.4e3, 60e3, 0.1, 0.005).status for load in (10e3, 10.2e3, 10.4e3)
    }
    assert verdicts == {"attention"}


FINITE = st.floats(min_value=-1e6, max_value=1e6)


@given(FINITE, FINITE, st.floats(min_value=0.0, max_value=1e6))
def test_a_smaller_value_is_never_worse_against_an_upper_limit(
    found: float, limit: float, less: float
) -> None:
    rank = {"fail": 0, "attention": 1, "pass": 2}
    more = checks.upper(found, limit, limit + 10.0)
    fewer = checks.upper(found - less, limit, limit + 10.0)
    assert rank[fewer.status] >= rank[more.status]
    assert fewer.margin >= more.margin


@given(FINITE, FINITE)
def test_a_lower_limit_mirrors_an_upper_one(found: float, limit: float) -> None:
    low, high = checks.lower(found, limit, limit - 5.0), checks.upper(-found, -limit, -limit + 5.0)
    assert low.status == high.status
    assert low.margin == high.margin


@given(FINITE, FINITE)
def test_the_worse_of_two_verdicts_does_not_depend_on_their_order(first: float, second: float) -> None:
    one, other = checks.upper(first, 0.0, 10.0), checks.upper(second, 0.0, 10.0)
    assert checks.worse(one, other).status == checks.worse(other, one).status
    assert checks.worse(one, other).margin == checks.worse(other, one).margin


def test_between_shows_the_limit_that_is_broken_or_nearer() -> None:
    assert checks.between(9.0, 0.0, 10.0).limit == 10.0
    assert checks.between(1.0, 0.0, 10.0).limit == 0.0
    assert checks.between(-1.0, 0.0, 10.0).limit == 0.0
    assert checks.between(-1.0, 0.0, 10.0, -2.0, 12.0).status == "attention"
    assert checks.between(-3.0, 0.0, 10.0, -2.0, 12.0).status == "fail"


def test_not_a_number_never_passes_a_check() -> None:
    assert checks.upper(math.nan, 1.0).status == "fail"
    assert checks.between(math.nan, 0.0, 1.0).status == "fail"
