"""Order of release: the search beside every order there is, and beside the path follower."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from service.domain.balance.analysis import Analysis
from service.engineering.frames.frame import ROTATION, TRANSLATION
from service.engineering.frames.solution import factorise
from service.engineering.release_order.search import Search, TooManyWays
from service.engineering.release_order.steps import BEYOND, LEAVE, RETURN, Support, Yard
from service.engineering.states.laws import Hanger
from service.engineering.states.tracing import Line, NoVerticalStiffness, State
from tests.lines.base import LEAD_M, base_line, straight_frame, weight_case
from tests.unit.engineering.release_order.lines import random_yard

Ways = Iterator[tuple[tuple[int, ...], float, float]]
SINGLE = [(place,) for place in range(8)]


def every_order(
    yard: Yard, state: State, units: list[tuple[int, ...]], rule: str = RETURN, permitted=lambda order: True
) -> Ways:
    """Every order with its peak and turns, step by step with the path follower alone."""

    def onward(order: tuple[int, ...], now: State, peak: float, turns: float) -> Ways:
        if len(order) == len(units):
            yield order, peak, turns
            return
        out = frozenset(place for unit in order for place in units[unit])
        for unit in range(len(units)):
            if unit in order or not permitted((*order, unit)):
                continue
            try:
                step = yard.take(now, out, units[unit], rule)
            except NoVerticalStiffness:
                continue
            made = sum(abs(each) for each in step.turns)
            yield from onward((*order, unit), step.after, max(peak, step.peak.utilisation), turns + made)

    yield from onward((), state, yard.peak(state, frozenset()).utilisation, 0.0)


def best_of(ways: Ways) -> tuple[float, float]:
    found = list(ways)
    least = min(peak for _, peak, _ in found)
    return least, min(turns for _, peak, turns in found if peak <= least * (1.0 + 1e-6))


def assert_best(search: Search, ways: Ways) -> None:
    plan, (peak, turns) = search.best(), best_of(ways)
    assert plan.complete
    assert plan.exact
    assert plan.peak.utilisation == pytest.approx(peak, rel=2e-6)
    assert plan.turns == pytest.approx(turns, rel=1e-6, abs=1e-6)
    assert plan.bound == pytest.approx(peak, rel=2e-6)


# --- the worked case --------------------------------------------------------------------------------
@pytest.fixture(scope="module")
def worked() -> tuple[Search, Yard, State]:
    """4 % heavy, no clearance, nuts returned; rods 20,120 N, stops 2,800 N."""
    analysis = Analysis(base_line(factor=1.04, slot_clearance_m=0.0))
    support = Support(-0.06, 0.04, LEAD_M, 1.0, 20120.0, np.inf, 2800.0, 2800.0, 20.0, 20.0)
    yard = Yard(analysis.line("present"), [support] * 5, np.zeros(5))
    state = analysis.state("present")
    return Search(yard, state, SINGLE[:5]), yard, state


def test_the_record_order_of_the_worked_case_overloads_the_last_stop(worked) -> None:
    plan = worked[0].follow(range(5))
    assert plan.peak.utilisation == pytest.approx(1.1408, rel=5e-3)
    assert (plan.peak.place, plan.peak.cause) == (4, "stop_down")
    assert plan.turns == pytest.approx(4.99, rel=5e-3)
    assert [each.turns[0] for each in plan.steps] == pytest.approx(
        [-0.095, -0.409, -0.95, -1.669, -1.863], abs=1e-3
    )


def test_the_best_order_of_the_worked_case_keeps_below_one(worked) -> None:
    plan = worked[0].best()
    assert plan.order == (1, 0, 3, 4, 2)
    assert plan.exact
    assert plan.peak.utilisation == pytest.approx(0.8232, rel=5e-3)
    assert plan.turns == pytest.approx(6.84, rel=5e-3)
    assert [each.turns[0] for each in plan.steps] == pytest.approx(
        [-0.122, -0.353, -0.031, -0.298, -6.036], abs=1e-3
    )


def test_forty_eight_of_the_worked_orders_overload_something(worked) -> None:
    peaks = [peak for _, peak, _ in every_order(worked[1], worked[2], SINGLE[:5])]
    assert len(peaks) == 120
    assert sum(peak > 1.0 for peak in peaks) == 48


# --- beside every order -------------------------------------------------------------------------------
@pytest.mark.parametrize("seed", range(12))
def test_the_search_finds_the_best_of_all_orders_of_a_random_line(seed: int) -> None:
    count = 4 + seed % 2
    yard, state = random_yard(count, seed)
    assert_best(Search(yard, state, SINGLE[:count]), every_order(yard, state, SINGLE[:count]))


@pytest.mark.parametrize("seed", [101])
def test_the_search_finds_the_best_of_all_orders_of_six(seed: int) -> None:
    yard, state = random_yard(6, seed)
    assert_best(Search(yard, state, SINGLE[:6]), every_order(yard, state, SINGLE[:6]))


@pytest.mark.parametrize("seed", range(20, 26))
def test_the_search_agrees_where_heights_leave_rods_slack(seed: int) -> None:
    yard, state = random_yard(4, seed, height_m=0.015)
    assert_best(Search(yard, state, SINGLE[:4]), every_order(yard, state, SINGLE[:4]))


@pytest.mark.parametrize("seed", range(30, 36))
def test_the_search_agrees_where_ends_of_travel_are_near(seed: int) -> None:
    yard, state = random_yard(4, seed, travel_m=0.012)
    assert_best(Search(yard, state, SINGLE[:4]), every_order(yard, state, SINGLE[:4]))


@pytest.mark.parametrize("seed", range(40, 44))
def test_the_search_agrees_with_a_rigid_hanger_and_a_pair(seed: int) -> None:
    yard, state = random_yard(5, seed, rigid_place=2)
    units = [(0, 1), (3,), (4,)]
    assert_best(Search(yard, state, units), every_order(yard, state, units))


@pytest.mark.parametrize("seed", range(50, 56))
def test_nuts_left_where_they_are_are_searched_way_by_way(seed: int) -> None:
    yard, state = random_yard(4, seed)
    search = Search(yard, state, SINGLE[:4], rule=LEAVE)
    assert_best(search, every_order(yard, state, SINGLE[:4], LEAVE))


@pytest.mark.parametrize("seed", range(60, 64))
def test_precedence_and_stages_are_kept(seed: int) -> None:
    yard, state = random_yard(5, seed)

    def permitted(order: tuple[int, ...]) -> bool:
        unit, earlier = order[-1], set(order[:-1])
        if unit == 0 and 1 not in earlier:
            return False
        return unit not in (2, 4) or {0, 1, 3} <= earlier

    before = {0: frozenset({1})}
    search = Search(yard, state, SINGLE[:5], before, [frozenset({0, 1, 3}), frozenset({2, 4})])
    assert_best(search, every_order(yard, state, SINGLE[:5], permitted=permitted))
    assert permitted(search.best().order)
    assert search.permits((1, 0, 3, 2, 4))
    assert not search.permits((0, 1, 3, 2, 4))
    assert not search.permits((1, 0, 2, 3, 4))


def test_a_stop_holds_up_the_springs_push_and_down_the_rods_pull(worked) -> None:
    # 4 % heavy: every rod carries more than its spring, which only the capacity downward is asked for.
    _, yard, state = worked
    assert (state.force_n > 14787.938).all()
    for field, cause in (("stop_capacity_up_n", "rod"), ("stop_capacity_down_n", "stop_down")):
        weak = Yard(yard.line, [replace(yard.supports[0], **{field: 10.0})] * 5, yard.base_m)
        assert weak.peak(state, frozenset()).cause == cause
        assert Search(weak, state, SINGLE[:5]).best().peak.cause == cause
    # 1.2 % light everywhere, with rods that carry less than their springs.
    light = yard.line.start(state.hangers, 0.95 * state.load_n)
    for field, cause in (("stop_capacity_up_n", "stop_up"), ("stop_capacity_down_n", "rod")):
        weak = Yard(yard.line, [replace(yard.supports[0], **{field: 10.0})] * 5, yard.base_m)
        assert weak.peak(light, frozenset()).cause == cause
        plan = Search(weak, light, SINGLE[:5]).best()
        assert plan.steps[0].before_n[0] < 0.0
        assert (plan.peak.cause == "stop_up") == (cause == "stop_up")


def test_locked_assemblies_are_weighed_while_their_stops_are_in(worked) -> None:
    _, yard, state = worked
    support = replace(yard.supports[0], locked_capacity_n=10000.0)
    weak = Yard(yard.line, [support] * 5, yard.base_m)
    peak = weak.peak(state, frozenset())
    assert peak.cause == "locked"
    assert peak.utilisation == pytest.approx(float(state.force_n.max()) / 10000.0)
    search = Search(weak, state, SINGLE[:5])
    assert search.best().peak.cause == "locked"
    assert search.best().peak.utilisation == pytest.approx(best_of(every_order(weak, state, SINGLE[:5]))[0])
    assert search.best().steps[-1].peak.utilisation < search.best().peak.utilisation
    assert weak.peak(search.best().steps[-1].after, frozenset(range(5))).cause == "rod"


def hung_yard(rates: list[float], seed: int) -> tuple[Yard, State]:
    """A line that its four hangers alone hold up: free to rise and to tilt at both ends."""
    chance = np.random.default_rng(seed)
    frame = straight_frame(5, 2)
    tilting = [(TRANSLATION, (0.0, 0.0, 1.0)), (ROTATION, (0.0, 1.0, 0.0))]
    loose = [each for each in frame.restraints if (each.kind, each.direction) not in tilting]
    frame = replace(frame, restraints=loose)
    condensed = factorise(frame).condense([weight_case(frame, per_span=2)])
    share = -float(condensed.loads.sum()) / 4.0
    hangers = tuple(
        Hanger(
            share * (1.0 + chance.uniform(-0.02, 0.02)), rate, 0.0, -0.001, 0.001, chance.normal(0.0, 0.001)
        )
        for rate in rates
    )
    support = Support(-0.3, 0.3, LEAD_M, 1.0, 40000.0, np.inf, 9000.0, 9000.0, 20.0, 20.0)
    line = Line(condensed.stiffness)
    state = line.start(hangers, condensed.loads[:, 0])
    return Yard(line, [support] * 4, np.array([each.offset_m for each in hangers])), state


@pytest.mark.parametrize("seed", range(3))
def test_a_line_held_up_by_its_hangers_alone_is_searched_alike(seed: int) -> None:
    yard, state = hung_yard([2e5, 0.0, 0.0, 1e5], seed)
    assert_best(Search(yard, state, SINGLE[:4]), every_order(yard, state, SINGLE[:4]))


@pytest.mark.parametrize("seed", range(3))
def test_a_line_that_constants_alone_would_hold_up_is_never_complete_below_an_end(seed: int) -> None:
    yard, state = hung_yard([0.0, 0.0, 0.0, 0.0], seed)
    plan = Search(yard, state, SINGLE[:4]).best()
    reached = [peak for _, peak, _ in every_order(yard, state, SINGLE[:4])]
    assert min(reached, default=BEYOND) >= BEYOND
    assert not plan.complete or plan.peak.utilisation >= BEYOND


# --- limits of the search ------------------------------------------------------------------------------
def test_more_units_than_can_be_searched_exactly_get_a_bound() -> None:
    yard, state = random_yard(16, 7)
    search = Search(yard, state, [(place,) for place in range(16)])
    plan = search.best()
    assert plan.complete
    assert not plan.exact
    assert 0.0 < plan.bound <= plan.peak.utilisation * (1.0 + 1e-9)
    assert plan.peak.utilisation <= search.follow(range(16)).peak.utilisation + 1e-9


def test_the_beam_is_no_better_than_the_best_and_its_bound_no_higher(monkeypatch) -> None:
    yard, state = random_yard(6, 3)
    exact = Search(yard, state, SINGLE[:6]).best()
    monkeypatch.setattr("service.engineering.release_order.search.EXACT_UNITS", 3)
    beam = Search(yard, state, SINGLE[:6]).best()
    assert not beam.exact
    assert beam.bound <= exact.peak.utilisation * (1.0 + 1e-9)
    assert beam.peak.utilisation >= exact.peak.utilisation * (1.0 - 1e-9)


def test_too_many_nuts_left_where_they_are_are_refused() -> None:
    yard, state = random_yard(8, 1)
    with pytest.raises(TooManyWays) as refused:
        Search(yard, state, SINGLE, rule=LEAVE).best()
    assert refused.value.facts == {"units": 8, "most": 7}


def test_an_end_of_travel_counts_beyond_every_load() -> None:
    yard, state = random_yard(4, 9, travel_m=0.002, height_m=0.008)
    plan = Search(yard, state, SINGLE[:4]).best()
    assert plan.complete
    assert plan.peak.utilisation == BEYOND
    assert plan.peak.cause == "end_of_travel"


def test_friction_never_lowers_the_worst_of_a_set() -> None:
    yard, state = random_yard(5, 4, height_m=0.001)
    free = Search(yard, state, SINGLE[:5]).best()
    loads = np.array([each.load_n for each in state.hangers])
    charged = Search(yard, state, SINGLE[:5], friction_n=0.01 * loads).best()
    assert charged.bound > free.bound


def test_soft_springs_that_may_hang_empty_are_searched_alike() -> None:
    yard, state = random_yard(4, 12, height_m=0.02, travel_m=0.4)
    soft = tuple(
        replace(each, rate_n_per_m=1e5, load_n=6000.0) if place in (1, 2) else each
        for place, each in enumerate(state.hangers)
    )
    begun = yard.line.start(soft, state.load_n)
    assert_best(Search(yard, begun, SINGLE[:4]), every_order(yard, begun, SINGLE[:4]))
