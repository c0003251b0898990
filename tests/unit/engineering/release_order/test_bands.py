"""What friction may add, beside states that friction really leaves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from service.engineering.release_order.bands import Margins, margins
from service.engineering.release_order.field import Field, Rests
from service.engineering.release_order.search import Search
from service.engineering.release_order.steps import RETURN, Yard
from service.engineering.states.tracing import Line, State
from tests.unit.engineering.release_order.lines import random_yard

COUNT = 5
SHARE = 0.02


def sets(yard: Yard, state: State) -> list[tuple[frozenset[int], State]]:
    """The line with nothing, some and everything out, without friction."""
    found = [(frozenset[int](), state)]
    out: frozenset[int] = frozenset()
    for place in (1, 3, 0, 2, 4):
        state = yard.take(state, out, (place,), RETURN).after
        out |= {place}
        found.append((out, state))
    return found


def rubbed(yard: Yard, state: State, out: frozenset[int], seed: int) -> State:
    """The same line with friction, after its loads and nuts went up and down at random and came back."""
    chance = np.random.default_rng(seed)
    hangers = tuple(
        replace(
            each,
            friction_n=SHARE * each.load_n,
            slider_m=float(chance.uniform(max(each.low_m, -0.005), min(each.high_m, 0.005))),
        )
        for each in state.hangers
    )
    line: Line = yard.line
    now = line.start(hangers, state.load_n)
    base = np.array([each.offset_m for each in hangers])
    for _ in range(3):
        now = line.follow(
            now,
            state.load_n * (1.0 + chance.uniform(-0.05, 0.05)),
            base + chance.normal(0.0, 0.002, len(base)),
        )
    return line.follow(now, state.load_n, base)


def assert_within(field: Field, rests: Rests, more: Margins, real: State, out: frozenset[int]) -> None:
    assert (real.force_n <= rests.force[0] + more.force_up[0] + 1e-3).all()
    assert (real.force_n >= rests.force[0] - more.force_down[0] - 1e-3).all()
    assert (real.pin_m <= rests.pin[0] + more.pin_up[0] + 1e-8).all()
    assert (real.pin_m >= rests.pin[0] - more.pin_down[0] - 1e-8).all()
    locked = np.array([place not in out for place in range(COUNT)])
    stop, least = real.stop_n(), rests.force[0] - (field.load - field.rate * rests.pin[0])
    assert (stop <= np.maximum(least + more.bears_up[0], 0.0) + 1e-3)[locked].all()
    assert (-stop <= np.maximum(-least + more.bears_down[0], 0.0) + 1e-3)[locked].all()


@pytest.mark.parametrize("height_m", [0.0, 0.001, 0.004])
@pytest.mark.parametrize("seed", range(5))
def test_whatever_friction_leaves_lies_within_the_margins(seed: int, height_m: float) -> None:
    yard, state = random_yard(COUNT, seed, height_m=height_m, travel_m=0.6)
    field = Field(yard, state)
    bounds = 0
    for out, now in sets(yard, state):
        rests = field.of_state(now, out)
        more = margins(field, rests, SHARE * field.load, strict=True)
        if not more.bound[0]:
            continue
        bounds += 1
        for history in range(4):
            assert_within(field, rests, more, rubbed(yard, now, out, 10 * seed + history), out)
    assert bounds >= 4


def test_simulated_histories_stay_below_the_worst_case() -> None:
    bounds = 0
    for seed in range(6):
        yard, state = random_yard(COUNT, seed, height_m=0.001, travel_m=0.6)
        friction = np.array([SHARE * each.load_n for each in state.hangers])
        search = Search(yard, state, [(place,) for place in range(COUNT)], friction_n=friction)
        plan = search.best()
        likely, bound = search.worst_case(plan)
        assert likely >= plan.peak.utilisation
        rubbing = tuple(replace(each, friction_n=SHARE * each.load_n, slider_m=0.0) for each in state.hangers)
        simulated = search.follow(plan.order, start=yard.line.start(rubbing, state.load_n))
        assert simulated.complete
        if bound is not None:
            bounds += 1
            assert simulated.peak.utilisation <= bound * (1.0 + 1e-9)
            assert likely <= bound * (1.0 + 1e-9)
    assert bounds >= 3


def test_without_friction_there_is_nothing_to_add() -> None:
    yard, state = random_yard(COUNT, 1)
    field = Field(yard, state)
    more = margins(field, field.of_state(state, frozenset()), np.zeros(COUNT))
    assert not more.force_up.any()
    assert not more.force_down.any()
    assert not more.pin_up.any()
    search = Search(yard, state, [(place,) for place in range(COUNT)])
    plan = search.best()
    assert search.worst_case(plan) == (plan.peak.utilisation, plan.peak.utilisation)


@pytest.mark.parametrize("seed", range(4))
def test_the_likely_margin_is_the_worst_corner_of_the_bands(seed: int) -> None:
    yard, state = random_yard(COUNT, seed, height_m=0.001)
    field = Field(yard, state)
    friction = 0.003 * field.load
    for out, now in sets(yard, state):
        rests = field.of_state(now, out)
        more = margins(field, rests, friction)
        worst = np.zeros(COUNT)
        for corner in range(2**COUNT):
            signs = np.array([1.0 if corner >> place & 1 else -1.0 for place in range(COUNT)])
            shifted = Field(yard, state)
            shifted.load = field.load + signs * friction
            found = shifted.rest(rests.out, rests.parts, rests.offsets)
            worst = np.maximum(worst, (found.force - rests.force)[0])
        np.testing.assert_allclose(worst, more.force_up[0], rtol=1e-9, atol=1e-6)
        # Friction that helped the stop may turn and load it.
        np.testing.assert_allclose(more.bears_up - more.force_up, friction[None], rtol=1e-9)
        np.testing.assert_allclose(more.bears_down - more.force_down, friction[None], rtol=1e-9)
