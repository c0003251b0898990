"""States of lines: against every combination of contacts tried, and as properties of what they mean."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from service.engineering.states.laws import (
    LOWER_WALL,
    RISING,
    SLACK,
    STUCK,
    UPPER_WALL,
    Hanger,
    rigid,
)
from service.engineering.states.tracing import (
    Line,
    NotAtRest,
    NoVerticalStiffness,
    State,
    verify,
)
from tests.unit.engineering.states.random_lines import beam, by_trial, hangers

ENDS = [(True, True), (True, False), (False, False)]


def offsets(state: State) -> np.ndarray:
    return np.array([each.offset_m for each in state.hangers])


@pytest.mark.parametrize("seed", range(40))
def test_a_state_without_friction_is_the_one_that_trying_every_contact_finds(seed: int) -> None:
    rng = np.random.default_rng(seed)
    left, right = ENDS[seed % 3]
    count = int(rng.integers(2, 5))
    stiffness, load = beam(rng, count, left=left, right=right)
    given = hangers(rng, count)
    expected = by_trial(stiffness, load, given)
    if expected is None:
        with pytest.raises(NoVerticalStiffness):
            Line(stiffness).start(given, load)
        return
    state = Line(stiffness).start(given, load)
    movement, force = expected
    assert state.movement_m == pytest.approx(movement, abs=1e-8)
    assert state.force_n == pytest.approx(force, rel=1e-7, abs=1e-3)


def test_among_the_random_lines_every_part_of_the_graph_is_met() -> None:
    met: set[int] = set()
    for seed in range(40):
        rng = np.random.default_rng(seed)
        stiffness, load = beam(rng, 3)
        met |= set(Line(stiffness).start(hangers(rng, 3, friction=0.05), load).parts)
    assert {LOWER_WALL, STUCK, RISING, UPPER_WALL} <= met


@pytest.mark.parametrize("seed", range(30))
def test_without_friction_the_state_does_not_depend_on_the_way_to_it(seed: int) -> None:
    rng = np.random.default_rng(100 + seed)
    count = int(rng.integers(3, 9))
    stiffness, load = beam(rng, count)
    given = hangers(rng, count)
    line = Line(stiffness)
    straight = line.start(given, load)
    # Another way: begun with other heights under another load, then turned at one after the other.
    elsewhere = tuple(replace(each, offset_m=each.offset_m + rng.normal() * 5e-3) for each in given)
    state = line.start(elsewhere, load * rng.uniform(0.2, 2.0))
    for place in rng.permutation(count):
        goal = offsets(state)
        goal[place] = given[place].offset_m
        state = line.follow(state, offset_m=goal)
    state = line.follow(state, load)
    assert state.movement_m == pytest.approx(straight.movement_m, abs=1e-9)
    assert state.force_n == pytest.approx(straight.force_n, rel=1e-8, abs=1e-3)


@pytest.mark.parametrize("seed", range(20))
def test_without_friction_the_slider_that_a_hanger_names_does_not_count(seed: int) -> None:
    rng = np.random.default_rng(200 + seed)
    stiffness, load = beam(rng, 4)
    given = hangers(rng, 4, kinds="cvCV")
    moved = tuple(each.stuck_at(rng.uniform(each.low_m, each.high_m)) for each in given)
    straight, other = Line(stiffness).start(given, load), Line(stiffness).start(moved, load)
    assert other.movement_m == pytest.approx(straight.movement_m, abs=1e-10)


@pytest.mark.parametrize("seed", range(20))
def test_releasing_stops_one_by_one_ends_where_a_start_without_them_ends(seed: int) -> None:
    rng = np.random.default_rng(300 + seed)
    count = int(rng.integers(2, 7))
    stiffness, load = beam(rng, count)
    given = hangers(rng, count, kinds="cv")
    line = Line(stiffness)
    state = line.start(given, load)
    for place in rng.permutation(count):
        state = line.released(state, int(place), -0.04, 0.04)
    free = line.start(tuple(replace(each, low_m=-0.04, high_m=0.04) for each in given), load)
    assert state.movement_m == pytest.approx(free.movement_m, abs=1e-9)
    assert state.force_n == pytest.approx(free.force_n, rel=1e-8, abs=1e-3)


@pytest.mark.parametrize("seed", range(20))
def test_twice_the_stiffness_under_twice_the_load_moves_as_far_and_bears_twice(seed: int) -> None:
    rng = np.random.default_rng(400 + seed)
    stiffness, load = beam(rng, 5)
    given = hangers(rng, 5, friction=0.04)
    doubled = tuple(
        replace(
            each,
            load_n=2.0 * each.load_n,
            rate_n_per_m=2.0 * each.rate_n_per_m,
            friction_n=2.0 * each.friction_n,
            series_n_per_m=2.0 * each.series_n_per_m,
        )
        for each in given
    )
    one, two = Line(stiffness).start(given, load), Line(2.0 * stiffness).start(doubled, 2.0 * load)
    assert two.movement_m == pytest.approx(one.movement_m, abs=1e-10)
    assert two.force_n == pytest.approx(2.0 * one.force_n, rel=1e-9, abs=1e-3)


@pytest.mark.parametrize("seed", range(20))
def test_a_turn_up_and_down_again_leaves_no_trace_without_friction(seed: int) -> None:
    rng = np.random.default_rng(500 + seed)
    stiffness, load = beam(rng, 5)
    line = Line(stiffness)
    state = line.start(hangers(rng, 5), load)
    place, turned = int(rng.integers(5)), offsets(state)
    turned[place] += 0.02
    back = line.follow(line.follow(state, offset_m=turned), offset_m=offsets(state))
    assert back.movement_m == pytest.approx(state.movement_m, abs=1e-10)
    assert back.pin_m == pytest.approx(state.pin_m, abs=1e-10)


@pytest.mark.parametrize("seed", range(20))
def test_with_friction_a_turn_up_and_down_again_takes_work_and_never_gives_any(seed: int) -> None:
    """The area of the loop: force at the turned hanger times its offset, by the path's exact corners."""
    rng = np.random.default_rng(600 + seed)
    stiffness, load = beam(rng, 5)
    line = Line(stiffness)
    state = line.start(hangers(rng, 5, friction=0.05, kinds="rcvCV"), load)
    place, seen = int(rng.integers(5)), [state]
    for way in (0.03, -0.03, 0.03, -0.03):
        goal = offsets(seen[-1])
        goal[place] += way
        line.follow(seen[-1], offset_m=goal, watch=seen.append)
    # A loop closes once the second turn up begins where the first one ended.
    at = np.array([each.hangers[place].offset_m for each in seen])
    force = np.array([each.force_n[place] for each in seen])
    last = next(number for number in range(len(at) - 2, 0, -1) if at[number] >= at[-1] + 0.03 - 1e-12)
    first = next(number for number in range(len(at)) if at[number] >= at[-1] + 0.03 - 1e-12)
    ways, forces = at[first : last + 1], force[first : last + 1]
    area = float(np.sum((forces[1:] + forces[:-1]) / 2.0 * np.diff(ways)))
    assert area >= -1e-9 * float(np.abs(force).max())


@pytest.mark.parametrize("seed", range(20))
def test_breakaway_both_ways_gives_the_friction(seed: int) -> None:
    """Half the difference between the forces at which the pin moves down and up is f, whatever the line."""
    rng = np.random.default_rng(700 + seed)
    stiffness, load = beam(rng, 4)
    given = list(hangers(rng, 4, kinds="r"))
    band = rng.uniform(200.0, 900.0)
    given[1] = Hanger(9000.0, 0.0, band, -0.08, 0.08, given[1].offset_m)
    line = Line(stiffness)
    state = line.start(tuple(given), load)
    forces = []
    for way in (0.03, -0.06):
        goal = offsets(state)
        goal[1] += way
        state = line.follow(state, offset_m=goal)
        forces.append(float(state.force_n[1]))
    assert (forces[0] - forces[1]) / 2.0 == pytest.approx(band, rel=1e-9)
    assert (forces[0] + forces[1]) / 2.0 == pytest.approx(9000.0, rel=1e-9)


@pytest.mark.parametrize("seed", range(20))
def test_easing_one_hanger_follows_the_hand_formulas(seed: int) -> None:
    """n_earliest = (B - s f)/(k p), n_moves = (B + s f)/(k p), then half and the whole slot times q.

    B: spring less rod; k: stiffness of the line at the hanger with the others held, in series with the rod.
    """
    rng = np.random.default_rng(800 + seed)
    stiffness, load = beam(rng, 3)
    lead, clearance = 6e-3, rng.uniform(2e-3, 6e-3)
    rate = float(rng.choice([0.0, 8e4]))
    series = float(rng.choice([np.inf, 3e7]))
    line_n_per_m = float(stiffness[1, 1])
    k = 1.0 / (1.0 / line_n_per_m + 1.0 / series)
    rod = -load[1]  # with every hanger at its reference height the rod bears this
    band = rng.uniform(50.0, 500.0)
    sign = float(rng.choice([-1.0, 1.0]))
    surplus = sign * rng.uniform(1.5, 4.0) * band
    # The pin stands on the face that the surplus drives it to; the offset makes the rod's load what it is.
    face = sign * clearance / 2.0
    spring_at_face = rod + surplus
    offset = rod / series - face
    eased = Hanger(
        spring_at_face + rate * face, rate, band, -clearance / 2.0, clearance / 2.0, offset, series
    )
    # The pin stood there before: friction has no say in it.
    eased = eased.stuck_at(face)
    line = Line(stiffness)
    state = line.start((rigid(), eased, rigid()), load)
    assert state.force_n[1] == pytest.approx(rod, rel=1e-9)
    q = 1.0 if rate == 0.0 else (rate + k) / k
    earliest = (surplus - sign * band) / (k * lead)
    moves = (surplus + sign * band) / (k * lead)
    centre = moves + sign * (clearance / 2.0) * q / lead
    other = moves + sign * clearance * q / lead

    def at(turns: float) -> State:
        goal = offsets(state)
        goal[1] += turns * lead
        return line.follow(state, offset_m=goal)

    assert sign * at(earliest * 0.999).stop_n()[1] < 0.0
    assert at(earliest * 1.001).stop_n()[1] == 0.0
    assert at(moves * 0.9999).pin_m[1] == pytest.approx(face, abs=1e-12)
    assert sign * (at(moves * 1.001).pin_m[1] - face) < 0.0
    assert at(centre).pin_m[1] == pytest.approx(0.0, abs=1e-10)
    assert at(other).pin_m[1] == pytest.approx(-face, abs=1e-10)
    assert sign * at(other + sign * 0.01).stop_n()[1] > 0.0
    end, turned = line.turn_until(state, 1, int(sign), 1.0, pin_m=0.0)
    assert turned / lead == pytest.approx(centre, rel=1e-9)
    assert end.pin_m[1] == pytest.approx(0.0, abs=1e-12)


def test_a_rod_never_pushes_and_hangs_loose_by_what_the_pipe_stands_above_it() -> None:
    stiffness, load = np.array([[4e6]]), np.array([-8000.0])
    state = Line(stiffness).start((rigid(-0.01),), load)
    assert state.parts == (SLACK,)
    assert state.force_n[0] == 0.0
    assert state.movement_m[0] == pytest.approx(-8000.0 / 4e6)
    assert state.movement_m[0] - state.hangers[0].offset_m == pytest.approx(0.008)


def test_a_base_spring_lets_the_pipe_go_and_takes_it_up_again() -> None:
    line, load = Line(np.array([[4e6]])), np.array([-8000.0])
    state = line.start((Hanger(3000.0, 1e5, 0.0, -0.05, 0.05),), load)
    lifted = line.follow(state, np.array([+4e6 * 0.06]))
    assert lifted.parts == (SLACK,)
    assert lifted.force_n[0] == 0.0
    assert lifted.pin_m[0] == pytest.approx(3000.0 / 1e5)  # the spring has no force left there
    back = line.follow(lifted, load)
    assert back.force_n == pytest.approx(state.force_n)


def test_a_rough_spring_lets_go_when_its_load_less_its_friction_is_gone() -> None:
    line, load = Line(np.array([[4e6]])), np.array([-8000.0])
    state = line.start((Hanger(3000.0, 1e5, 200.0, -0.05, 0.05),), load)
    lifted = line.follow(state, np.array([4e6 * 0.06]))
    assert lifted.parts == (SLACK,)
    assert lifted.pin_m[0] == pytest.approx(2800.0 / 1e5)
    # On the way back the pin stays until the pipe presses by the spring's load there and its friction.
    held = line.follow(lifted, np.array([4e6 * 0.028 - 399.0]))
    assert held.pin_m[0] == pytest.approx(2800.0 / 1e5)
    assert held.force_n[0] == pytest.approx(399.0)
    moved = line.follow(lifted, np.array([4e6 * 0.028 - 500.0]))
    assert moved.pin_m[0] < 2800.0 / 1e5 - 1e-6


def test_a_rod_with_its_stop_in_that_hung_loose_is_taken_up_by_its_spring_when_released() -> None:
    line, load = Line(np.array([[4e6]])), np.array([-8000.0])
    locked = line.start((Hanger(6000.0, 0.0, 0.0, -0.001, 0.001, -0.01),), load)
    assert locked.parts == (SLACK,)
    assert locked.stop_n()[0] == pytest.approx(-6000.0)
    free = line.released(locked, 0, -0.05, 0.05)
    assert free.force_n[0] == pytest.approx(6000.0)
    assert free.pin_m[0] == pytest.approx((6000.0 - 8000.0) / 4e6 + 0.01)


def test_a_line_on_constant_supports_alone_has_no_height() -> None:
    stiffness, load = beam(np.random.default_rng(2), 3, left=False, right=False)
    given = tuple(Hanger(-each, 0.0, 0.0, -0.05, 0.05) for each in load)
    with pytest.raises(NoVerticalStiffness) as caught:
        Line(stiffness).start(given, load)
    assert caught.value.facts["hangers"] == [0, 1, 2]


@pytest.mark.parametrize("share", [0.9, 0.999999, 1.000001, 1.1])
def test_a_line_that_falls_on_its_stops_or_rises_to_them_is_found(share: float) -> None:
    """Held by constant supports alone, it passes a moment at which nothing fixes its height."""
    stiffness, load = beam(np.random.default_rng(2), 3, left=False, right=False)
    given = tuple(Hanger(-share * each, 0.0, 0.0, -0.002, 0.002) for each in load)
    state = Line(stiffness).start(given, load)
    expected = by_trial(stiffness, load, given)
    assert expected is not None
    assert state.movement_m == pytest.approx(expected[0], abs=1e-8)
    assert set(state.parts) <= ({LOWER_WALL, RISING} if share < 1.0 else {UPPER_WALL, RISING})


def test_a_state_that_was_altered_is_not_verified() -> None:
    stiffness, load = beam(np.random.default_rng(3), 4)
    line = Line(stiffness)
    state = line.start(hangers(np.random.default_rng(3), 4, friction=0.04), load)
    assert verify(line, state).balance <= 1e-12
    push = np.array([0.0, 1e-7, 0.0, 0.0])
    for altered in (
        replace(state, force_n=state.force_n * (1.0 + push)),
        replace(state, movement_m=state.movement_m + 1e-3 * push),
        replace(state, pin_m=state.pin_m + push),
        replace(state, load_n=state.load_n * (1.0 + push)),
        replace(state, force_n=state.force_n * np.nan),
    ):
        with pytest.raises(NotAtRest):
            verify(line, altered)


def test_a_force_outside_the_friction_band_is_not_verified_though_it_balances() -> None:
    line, load = Line(np.array([[4e6]])), np.array([-8000.0])
    state = line.start((Hanger(7900.0, 0.0, 200.0, -0.05, 0.05),), load)
    assert state.parts == (STUCK,)
    narrow = replace(state.hangers[0], friction_n=99.0)
    with pytest.raises(NotAtRest) as caught:
        verify(line, replace(state, hangers=(narrow,)))
    assert caught.value.facts["hanger"] == 0
    assert caught.value.facts["law"] == pytest.approx(1.0 / 8000.0)


def test_a_spring_that_must_push_a_slack_rod_is_not_verified() -> None:
    line = Line(np.array([[4e6]]))
    pushed = State((rigid(),), (LOWER_WALL,), np.zeros(1), np.array([-5.0]), np.zeros(1), np.array([5.0]))
    with pytest.raises(NotAtRest):
        verify(line, pushed)


def test_a_rod_that_hangs_loose_below_its_own_length_is_not_verified() -> None:
    line = Line(np.array([[4e6]]))
    low = State((rigid(),), (SLACK,), np.array([-1e-3]), np.zeros(1), np.zeros(1), np.array([-4e3]))
    with pytest.raises(NotAtRest) as caught:
        verify(line, low)
    assert caught.value.facts["law"] == pytest.approx(1.0)


def test_a_line_without_hangers_is_at_rest() -> None:
    line = Line(np.zeros((0, 0)))
    assert verify(line, line.start((), np.zeros(0))).balance == 0.0


@pytest.mark.parametrize("seed", range(3))
def test_a_long_line_is_followed_from_state_to_state_and_stays_verified(seed: int) -> None:
    rng = np.random.default_rng(900 + seed)
    stiffness, load = beam(rng, 80)
    line = Line(stiffness)
    state = line.start(hangers(rng, 80, friction=0.04), load)
    for _ in range(12):
        goal = offsets(state)
        goal[int(rng.integers(80))] += rng.normal() * 0.01
        state = line.follow(state, offset_m=goal)
        found = verify(line, state)
        assert max(found.balance, found.law) <= 1e-10
