"""What one turn does to all hangers: against turns really made, and as properties."""

from __future__ import annotations

import numpy as np
import pytest

from service.engineering.states.laws import SLACK, Hanger, rigid
from service.engineering.states.tracing import Line, State
from service.engineering.states.turning import turn_effects
from tests.unit.engineering.states.random_lines import beam, hangers


def turned(line: Line, state: State, place: int, offset_m: float) -> State:
    goal = np.array([each.offset_m for each in state.hangers])
    goal[place] += offset_m
    return line.follow(state, offset_m=goal)


@pytest.mark.parametrize("seed", range(15))
def test_a_turn_within_its_bound_changes_everything_in_proportion(seed: int) -> None:
    rng = np.random.default_rng(seed)
    count = int(rng.integers(2, 8))
    stiffness, load = beam(rng, count)
    line = Line(stiffness)
    state = line.start(hangers(rng, count), load)
    effects = turn_effects(line, state)
    for place in range(count):
        for sign, until in ((1.0, effects.raise_until_m), (-1.0, effects.lower_until_m)):
            way = sign * min(float(until[place]) * 0.999, 0.02)
            after = turned(line, state, place, way)
            assert after.parts == state.parts or way == 0.0
            assert after.force_n - state.force_n == pytest.approx(
                effects.force_n_per_m[:, place] * way, rel=1e-6, abs=1e-4
            )
            assert after.movement_m - state.movement_m == pytest.approx(
                effects.movement_m_per_m[:, place] * way, rel=1e-6, abs=1e-11
            )
            assert after.pin_m - state.pin_m == pytest.approx(
                effects.pin_m_per_m[:, place] * way, rel=1e-6, abs=1e-11
            )


@pytest.mark.parametrize("seed", range(15))
def test_beyond_the_bound_some_contact_has_changed(seed: int) -> None:
    rng = np.random.default_rng(50 + seed)
    stiffness, load = beam(rng, 5)
    line = Line(stiffness)
    state = line.start(hangers(rng, 5), load)
    effects = turn_effects(line, state)
    for place in range(5):
        until = float(effects.raise_until_m[place])
        if np.isfinite(until) and until > 1e-9:
            assert turned(line, state, place, until * 1.001).parts != state.parts


@pytest.mark.parametrize("seed", range(10))
def test_the_effect_of_each_hanger_on_the_other_is_the_same_both_ways(seed: int) -> None:
    """Reciprocity (Maxwell and Betti)."""
    rng = np.random.default_rng(80 + seed)
    stiffness, load = beam(rng, 6)
    line = Line(stiffness)
    force = turn_effects(line, line.start(hangers(rng, 6), load)).force_n_per_m
    assert force == pytest.approx(force.T, rel=1e-9, abs=1e-6 * float(np.abs(force).max()))


def test_with_all_stops_in_the_effects_are_the_line_and_its_rods_alone() -> None:
    stiffness, load = beam(np.random.default_rng(5), 3)
    line = Line(stiffness)
    stiff = turn_effects(line, line.start((rigid(), rigid(), rigid()), load)).force_n_per_m
    assert stiff == pytest.approx(stiffness)
    rods = np.array([2e7, 3e7, 4e7])
    soft = turn_effects(line, line.start(tuple(rigid(0.0, each) for each in rods), load)).force_n_per_m
    together = np.linalg.inv(np.linalg.inv(stiffness) + np.diag(1.0 / rods))
    assert soft == pytest.approx(together, rel=1e-9)


def test_turning_a_slack_rod_does_nothing_until_it_is_taut() -> None:
    line, load = Line(np.array([[4e6]])), np.array([-8000.0])
    state = line.start((rigid(-0.01),), load)
    assert state.parts == (SLACK,)
    effects = turn_effects(line, state)
    assert effects.force_n_per_m[0, 0] == 0.0
    assert effects.raise_until_m[0] == pytest.approx(0.008)
    assert np.isinf(effects.lower_until_m[0])


def test_a_pin_that_slid_holds_at_once_when_it_is_turned_back() -> None:
    line, load = Line(np.array([[4e6]])), np.array([-8000.0])
    state = line.start((Hanger(9000.0, 0.0, 200.0, -0.05, 0.05),), load)
    effects = turn_effects(line, state)
    # It rose under more spring than load; raising the nut drives it down, and friction turns round.
    assert effects.force_n_per_m[0, 0] == 0.0
    assert effects.raise_until_m[0] == 0.0
    assert effects.lower_until_m[0] > 0.01
    fell = turn_effects(line, line.start((Hanger(7000.0, 0.0, 200.0, -0.05, 0.05),), load))
    assert fell.raise_until_m[0] > 0.01
    assert fell.lower_until_m[0] == 0.0
