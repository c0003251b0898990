"""Worked mechanics cases K1, E1, E2, F1, A1, V1 and B2: by the planner's formulas, and on the line itself.

Source: computed with a 2-D beam, slot and friction simulation made for this purpose; the order case confirmed
with another frame package. Line:
horizontal, fixed at x = 0 and 54 m, hangers H1..H5 every 9 m, EI = 40,182,429 N m2, no shear, rods
and steel rigid; M24 turnbuckle of opposite hands, 6 mm a turn; slot 4 mm. The tolerances are the
source's own: 1e-3 unless said, and half of the last digit printed for turns.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from service.engineering.frames.solution import factorise
from service.engineering.nut_plans import (
    EasingCase,
    Interval,
    constant_positioning_turns,
    easing_turns,
    rod_load_after_n,
    series_stiffness_n_per_m,
    sign_from_face,
    sign_from_imbalance,
    slot_factor,
    variable_correction,
)
from service.engineering.states.bands import friction_bands
from service.engineering.states.laws import (
    LOWER_WALL,
    UPPER_WALL,
    Hanger,
    rigid,
)
from service.engineering.states.tracing import Line, State
from service.engineering.states.turning import turn_effects
from tests.lines.base import straight_frame, weight_case
from tests.simulation.beam import stiffness_seen, support_stiffness
from tests.simulation.pin_in_slot import PinInSlot

LEAD_M = 6e-3
SLOT_M = 4e-3
WEIGHT_SHARE_N = 14787.938
ALL_LOCKED_N_PER_M = 793_727.0
HALF_DIGIT = 5.1e-4  # turns are printed with three decimals

K1 = [
    # id, released (place from 0), k N/mm, load a turn N, friction window turns at 4 %, slot turns
    ("all locked", [], 793.727, 4762.4, 0.248, 0.6667),
    ("H2", [1], 355.68, 2134.1, 0.554, 0.6667),
    ("H2 H4", [1, 3], 124.02, 744.1, 1.59, 0.6667),
    ("H1 H2 H4 H5", [0, 1, 3, 4], 48.995, 294.0, 4.024, 0.6667),
]


def h3(rod_load_n: float, friction: float, stiffness_n_per_m: float = ALL_LOCKED_N_PER_M) -> EasingCase:
    return EasingCase(
        spring_load_n=Interval.exact(WEIGHT_SHARE_N),
        rod_load_n=Interval.exact(rod_load_n),
        friction_n=friction * WEIGHT_SHARE_N,
        stiffness_n_per_m=Interval.exact(stiffness_n_per_m),
        lead_m=LEAD_M,
        slot_clearance_m=SLOT_M,
        linkage_ratio=1.0,
        spring_rate_n_per_m=None,
    )


@pytest.mark.parametrize(
    ("case", "released", "k", "per_turn", "window", "slot"), K1, ids=[row[0] for row in K1]
)
def test_k1_friction_window_and_slot_in_turns(
    case: str, released: list[int], k: float, per_turn: float, window: float, slot: float
) -> None:
    plan = easing_turns(h3(12406.8, 0.04, k * 1e3), 1)
    free_of_friction = easing_turns(h3(12406.8, 0.0, k * 1e3), 1)
    assert 1.0 / (free_of_friction.moves_off.low / (WEIGHT_SHARE_N - 12406.8)) == pytest.approx(
        per_turn, rel=1e-3
    )
    assert plan.moves_off.low - plan.earliest == pytest.approx(window, rel=2e-3)
    assert plan.other_face.low - plan.moves_off.low == pytest.approx(slot, rel=1e-3)


@pytest.mark.parametrize(
    ("case", "released", "k", "per_turn", "window", "slot"), K1, ids=[row[0] for row in K1]
)
def test_k1_the_given_stiffness_is_that_of_the_given_beam(
    case: str, released: list[int], k: float, per_turn: float, window: float, slot: float
) -> None:
    at_supports = support_stiffness(40_182_429.0, 9.0, 6)
    line = stiffness_seen(at_supports, 2, released)
    assert line == pytest.approx(k * 1e3, rel=1e-4)
    assert series_stiffness_n_per_m(1.0 / line) == pytest.approx(k * 1e3, rel=1e-4)


@pytest.mark.parametrize(
    ("friction", "earliest", "moves", "centred", "other", "load_at_centre"),
    [
        pytest.param(0.0, 0.5, 0.5, 0.833, 1.167, 14787.9, id="E1"),
        pytest.param(0.04, 0.376, 0.624, 0.958, 1.291, 15379.5, id="E2"),
    ],
)
def test_e1_e2_turns_and_load_of_h3(
    friction: float, earliest: float, moves: float, centred: float, other: float, load_at_centre: float
) -> None:
    assert sign_from_face("upper", "rod_tension_rises") == 1  # shorten
    case = h3(12406.8, friction)
    assert sign_from_imbalance(case.imbalance_n) == 1
    plan = easing_turns(case, 1)
    assert plan.earliest == pytest.approx(earliest, abs=HALF_DIGIT)
    assert plan.moves_off.low == pytest.approx(moves, abs=HALF_DIGIT)
    assert plan.centred.low == pytest.approx(centred, abs=HALF_DIGIT)
    assert plan.aim == pytest.approx(centred, abs=HALF_DIGIT)
    assert plan.latest == pytest.approx(other, abs=HALF_DIGIT)
    assert rod_load_after_n(case, 1, plan.aim).low == pytest.approx(load_at_centre, rel=1e-3)


@pytest.mark.parametrize(
    ("friction", "turns", "indicator_mm", "load_n", "pipe_mm"),
    [
        pytest.param(0.0, 0.8333, 5.0, 14787.9, 0.0, id="E1"),
        pytest.param(0.04, 0.9583, 4.25, 14196.4, -0.75, id="E2"),
    ],
)
def test_e1_e2_the_nut_back_to_zero_undoes_the_height(
    friction: float, turns: float, indicator_mm: float, load_n: float, pipe_mm: float
) -> None:
    """The simulation gives the source's numbers after easing, withdrawing and turning all the way back."""
    support = PinInSlot(
        12406.8, WEIGHT_SHARE_N, ALL_LOCKED_N_PER_M, LEAD_M, SLOT_M, friction * WEIGHT_SHARE_N
    )
    support.turn(turns)
    before = support.rod_load
    support.withdraw()
    assert support.rod_load == pytest.approx(before, rel=1e-9)  # no change of load on withdrawal
    support.turn(-turns, pieces=400)
    assert support.height_m * 1e3 == pytest.approx(indicator_mm, rel=2e-3)
    assert support.rod_load == pytest.approx(load_n, rel=1e-3)
    assert (support.rod_load - WEIGHT_SHARE_N) / ALL_LOCKED_N_PER_M * 1e3 == pytest.approx(pipe_mm, abs=0.01)


def test_e1_from_the_nut_back_at_zero_the_reading_leads_back_to_the_expected_one() -> None:
    """Indicator 5 mm with the nut at zero, expected 0: the 0.833 turns that eased it."""
    assert constant_positioning_turns(5e-3, 0.0, LEAD_M, "rises") == pytest.approx(0.833, abs=HALF_DIGIT)
    assert constant_positioning_turns(-5e-3, 0.0, LEAD_M, "falls") == pytest.approx(0.833, abs=HALF_DIGIT)


def f1_rod_load_n() -> float:
    """H3 5 mm low with the pin up by half the slot, H2 3 mm high, the others as drawn."""
    at_supports = support_stiffness(40_182_429.0, 9.0, 6)
    return float(WEIGHT_SHARE_N + at_supports[2, 2] * (-5e-3 + SLOT_M / 2.0) + at_supports[2, 1] * 3e-3)


def test_f1_turns_of_h3_to_centre() -> None:
    assert easing_turns(h3(f1_rod_load_n(), 0.0), 1).aim == pytest.approx(1.22, rel=0.02)


@pytest.mark.parametrize(
    ("turns_at_h2", "face", "stop_n", "indicator_mm"),
    [
        (-0.25, "none", 0.0, -1.17),
        (-0.5, "lower", 238.0, -2.0),
        (-1.0, "lower", 2024.0, -2.0),
        (-1.5, "lower", 3810.0, -2.0),
    ],
)
def test_f1_a_turn_at_the_neighbour_makes_the_bearing_face_stale(
    turns_at_h2: float, face: str, stop_n: float, indicator_mm: float
) -> None:
    """The stop's force grows by 1786 N for half a turn at H2, so one turn there is worth -3572 N here.

    H3 stands 7.3 mm up (1.2167 turns; the source prints 1.22). The new face asks for the other direction.
    """
    support = PinInSlot(f1_rod_load_n(), WEIGHT_SHARE_N, ALL_LOCKED_N_PER_M, LEAD_M, SLOT_M)
    support.turn(7.3 / 6.0)
    assert support.face == "none"
    support.disturb(-3572.0 * turns_at_h2)
    assert support.face == face
    assert support.stop_force_n == pytest.approx(stop_n, rel=0.02, abs=1e-6)
    assert support.height_m * 1e3 == pytest.approx(indicator_mm, rel=0.02)
    if face == "lower":
        assert sign_from_face("lower", "rod_tension_rises") == -1


V1_RATE_N_PER_M = 60e3


def test_v1_turns_to_zero_of_h3_with_the_others_locked() -> None:
    """17,187.938 N locked against the weight share: 2,400 N out of balance by design."""
    case = EasingCase(
        spring_load_n=Interval.exact(17187.938),
        rod_load_n=Interval.exact(WEIGHT_SHARE_N),
        friction_n=0.0,
        stiffness_n_per_m=Interval.exact(ALL_LOCKED_N_PER_M),
        lead_m=LEAD_M,
        slot_clearance_m=SLOT_M,
        linkage_ratio=1.0,
        spring_rate_n_per_m=V1_RATE_N_PER_M,
    )
    assert case.imbalance_n.low == pytest.approx(2400.0)
    plan = easing_turns(case, 1)
    assert plan.moves_off.low == pytest.approx(0.504, abs=HALF_DIGIT)
    # The slot takes (k_spring + k)/k of what it takes at a constant support: 0.6667 turns there.
    factor = slot_factor(ALL_LOCKED_N_PER_M, V1_RATE_N_PER_M)
    assert factor == pytest.approx(1.0 + 60.0 / 793.727, rel=1e-9)
    assert plan.latest - plan.moves_off.low == pytest.approx(0.6667 * factor, rel=1e-3)


@pytest.mark.parametrize(
    ("place", "out_of_balance_n", "turns"), [(0, 600.0, 0.096), (1, 1500.0, 0.309), (2, 2400.0, 0.504)]
)
def test_v1_turns_to_zero_of_each_with_the_others_locked(
    place: int, out_of_balance_n: float, turns: float
) -> None:
    seen = stiffness_seen(support_stiffness(40_182_429.0, 9.0, 6), place, [])
    assert out_of_balance_n / (seen * LEAD_M) == pytest.approx(turns, abs=HALF_DIGIT)


@pytest.mark.parametrize(
    ("off_mark_mm", "cold_load_n", "vs_preset", "hot_error"),
    [
        (7.49, 15387.938, -0.0292, 0.0304),
        (20.34, 16287.938, -0.0749, 0.0825),
        (26.53, 17187.938, -0.0926, 0.1077),
    ],
)
def test_v1_setting_the_cold_mark_after_release_is_a_load_error_when_hot(
    off_mark_mm: float, cold_load_n: float, vs_preset: float, hot_error: float
) -> None:
    """Off its mark by x the spring has k x less load cold, and k x too much hot if brought to the mark."""
    spring_force = V1_RATE_N_PER_M * off_mark_mm * 1e-3
    assert -spring_force / cold_load_n == pytest.approx(vs_preset, abs=6e-5)
    assert spring_force / WEIGHT_SHARE_N == pytest.approx(hot_error, abs=6e-5)
    to_the_mark = variable_correction(
        spring_force, V1_RATE_N_PER_M, Interval.exact(ALL_LOCKED_N_PER_M), LEAD_M
    )
    assert to_the_mark.plate_movement_m * 1e3 == pytest.approx(-off_mark_mm, rel=1e-9)
    assert to_the_mark.aim > off_mark_mm * 1e-3 / LEAD_M


# --- the same cases on the line itself: frame, then states -------------------------------------------------
FRAME = straight_frame()
FACTORISED = factorise(FRAME)
TRAVEL_M = (-0.06, 0.04)


def condensed(bare_spans: tuple[int, ...] = (), factor: float = 1.0) -> tuple[Line, np.ndarray]:
    """The line and the loads at its hangers."""
    found = FACTORISED.condense([weight_case(FRAME, bare_spans, factor)])
    return Line(found.stiffness), found.loads[:, 0]


def offsets(state: State) -> np.ndarray:
    return np.array([each.offset_m for each in state.hangers])


def turned(line: Line, state: State, place: int, turns: float) -> State:
    goal = offsets(state)
    goal[place] += turns * LEAD_M
    return line.follow(state, offset_m=goal)


def face(state: State, place: int) -> str:
    if state.parts[place] == UPPER_WALL:
        return "upper"
    return "lower" if state.parts[place] == LOWER_WALL else "none"


def others_locked(
    heights_m: tuple[float, ...], friction: float, slot_m: float = SLOT_M
) -> tuple[Line, State]:
    """H3 in its slot, the others locked without clearance; the pin of H3 held where it stands at first.

    The slot of the others would move under them, which the source leaves out.
    """
    line, load = condensed()
    given = [Hanger(WEIGHT_SHARE_N, 0.0, 0.0, 0.0, 0.0, height) for height in heights_m]
    given[2] = Hanger(
        WEIGHT_SHARE_N, 0.0, friction * WEIGHT_SHARE_N, -slot_m / 2.0, slot_m / 2.0, heights_m[2]
    )
    return line, line.start(tuple(given), load)


@pytest.mark.parametrize(
    ("case", "released", "k", "per_turn", "window", "slot"), K1, ids=[row[0] for row in K1]
)
def test_k1_on_the_line(
    case: str, released: list[int], k: float, per_turn: float, window: float, slot: float
) -> None:
    """One turn at H3, locked, with the neighbours on their constant loads."""
    line, load = condensed()
    given = [
        Hanger(WEIGHT_SHARE_N, 0.0, 0.0, *TRAVEL_M) if place in released else rigid() for place in range(5)
    ]
    effects = turn_effects(line, line.start(tuple(given), load))
    assert effects.force_n_per_m[2, 2] == pytest.approx(k * 1e3, rel=1e-3)
    assert effects.force_n_per_m[2, 2] * LEAD_M == pytest.approx(per_turn, rel=1e-3)
    # The friction window is 2 f over the load a turn, the slot its clearance over the lead.
    given[2] = Hanger(WEIGHT_SHARE_N, 0.0, 0.04 * WEIGHT_SHARE_N, -SLOT_M / 2.0, SLOT_M / 2.0)
    state = turned(line, line.start(tuple(given), load), 2, -2.0 * window - 1.0)
    at_rest = float(state.force_n[2])
    assert at_rest <= 0.96 * WEIGHT_SHARE_N * (1.0 + 1e-9)
    to_release = (0.96 * WEIGHT_SHARE_N - at_rest) / (per_turn)
    end, moved = line.turn_until(state, 2, 1, 1.0, pin_m=0.0)
    assert end.force_n[2] == pytest.approx(1.04 * WEIGHT_SHARE_N, rel=1e-6)
    assert moved / LEAD_M - to_release == pytest.approx(window + slot / 2.0, rel=2e-3)


@pytest.mark.parametrize(
    ("friction", "earliest", "moves", "centred", "other", "load_at_centre", "pipe_mm"),
    [
        pytest.param(0.0, 0.5, 0.5, 0.833, 1.167, 14787.9, 0.0, id="E1"),
        pytest.param(0.04, 0.376, 0.624, 0.958, 1.291, 15379.5, 0.75, id="E2"),
    ],
)
def test_e1_e2_easing_h3_on_the_line(
    friction: float,
    earliest: float,
    moves: float,
    centred: float,
    other: float,
    load_at_centre: float,
    pipe_mm: float,
) -> None:
    line, state = others_locked((0.0, 0.0, -5e-3, 0.0, 0.0), friction)
    assert state.force_n[2] == pytest.approx(12406.8, rel=1e-3)
    assert face(state, 2) == "upper"
    assert turned(line, state, 2, earliest - HALF_DIGIT).stop_n()[2] < 0.0
    assert turned(line, state, 2, earliest + HALF_DIGIT).stop_n()[2] == 0.0
    assert turned(line, state, 2, moves - HALF_DIGIT).pin_m[2] == pytest.approx(SLOT_M / 2.0)
    assert turned(line, state, 2, moves + HALF_DIGIT).pin_m[2] < SLOT_M / 2.0
    centre, moved = line.turn_until(state, 2, 1, 0.1, pin_m=0.0)
    assert moved / LEAD_M == pytest.approx(centred, abs=HALF_DIGIT)
    assert face(centre, 2) == "none"
    assert centre.force_n[2] == pytest.approx(load_at_centre, rel=1e-3)
    assert centre.movement_m[2] * 1e3 == pytest.approx(pipe_mm, abs=0.006)
    assert turned(line, state, 2, other - HALF_DIGIT).pin_m[2] > -SLOT_M / 2.0
    assert turned(line, state, 2, other + HALF_DIGIT).pin_m[2] == pytest.approx(-SLOT_M / 2.0)


@pytest.mark.parametrize(
    ("friction", "turns", "load_left", "indicator_mm", "load_n", "pipe_mm"),
    [
        pytest.param(0.0, 0.8333, 14787.9, 5.0, 14787.9, 0.0, id="E1"),
        pytest.param(0.04, 0.9583, 15379.5, 4.25, 14196.4, -0.75, id="E2"),
    ],
)
def test_e1_e2_withdrawal_and_the_nut_back_at_zero_on_the_line(
    friction: float, turns: float, load_left: float, indicator_mm: float, load_n: float, pipe_mm: float
) -> None:
    line, state = others_locked((0.0, 0.0, -5e-3, 0.0, 0.0), friction)
    centre, moved = line.turn_until(state, 2, 1, 0.1, pin_m=0.0)
    free = line.released(centre, 2, *TRAVEL_M)
    assert free.force_n[2] == pytest.approx(float(centre.force_n[2]), rel=1e-9)
    assert free.force_n[2] == pytest.approx(load_left, rel=1e-3)
    assert free.pin_m[2] == pytest.approx(0.0, abs=1e-9)
    back = turned(line, free, 2, -moved / LEAD_M)
    assert back.pin_m[2] * 1e3 == pytest.approx(indicator_mm, abs=0.006)
    assert back.force_n[2] == pytest.approx(load_n, rel=1e-3)
    assert back.movement_m[2] * 1e3 == pytest.approx(pipe_mm, abs=0.006)


def test_f1_on_the_line() -> None:
    """The source's 238 N belong to 7.3 mm of the nut (1.2166 turns), its printed 1.22 turns would give 254 N.

    The exact centre is at 7.25 mm: 1.2083 turns, 1 % from what is printed. All are within its 2 %, but half a
    turn at H2 leaves little on the stop, and 0.05 mm of the nut are 40 N there.
    """
    line, state = others_locked((0.0, 3e-3, -5e-3, 0.0, 0.0), 0.0)
    centre, moved = line.turn_until(state, 2, 1, 0.1, pin_m=0.0)
    assert moved / LEAD_M == pytest.approx(1.22, rel=0.02)
    assert face(centre, 2) == "none"
    eased = turned(line, state, 2, 7.3e-3 / LEAD_M)
    assert turned(line, turned(line, state, 2, 1.22), 1, -0.5).stop_n()[2] == pytest.approx(254.0, rel=1e-3)
    found = [turned(line, eased, 1, turns) for turns in (-0.25, -0.5, -1.0, -1.5)]
    assert [face(each, 2) for each in found] == ["none", "lower", "lower", "lower"]
    assert [float(each.stop_n()[2]) for each in found] == pytest.approx(
        [0.0, 238.0, 2024.0, 3810.0], rel=0.02
    )
    assert [each.pin_m[2] * 1e3 for each in found] == pytest.approx([-1.17, -2.0, -2.0, -2.0], rel=0.02)


def test_a1_locked_and_with_unlimited_travel_on_the_line() -> None:
    line, load = condensed((3,))
    assert pytest.approx(3133.2, abs=0.05) == 9.0 * 35.5 * 9.80665
    state = line.start(tuple(Hanger(WEIGHT_SHARE_N, 0.0, 0.0, 0.0, 0.0) for _ in range(5)), load)
    assert state.force_n == pytest.approx([15073.1, 13006.4, 13012.4, 15055.1, 14711.6], rel=1e-5)
    for place in range(5):
        state = line.released(state, place, -1.0, 1.0)
    assert state.pin_m * 1e3 == pytest.approx([17.98, 48.33, 58.03, 40.09, 13.6], rel=1e-2)


@pytest.mark.parametrize(
    ("friction", "indicator_mm", "load_n", "tolerance"),
    [
        (0.0, [13.3, 35.0, 40.0, 26.7, 8.9], [14788.0, 14788.0, 13905.0, 14788.0, 14788.0], 0.01),
        (0.02, [12.4, 34.0, 39.9, 25.8, 8.0], [14492.0] * 5, 0.05),
        (0.05, [4.1, 12.9, 13.3, 4.9, 0.0], [14049.0, 14049.0, 14049.0, 14049.0, 14156.0], 0.05),
    ],
)
def test_a1_released_with_ends_of_travel_on_the_line(
    friction: float, indicator_mm: list[float], load_n: list[float], tolerance: float
) -> None:
    line, load = condensed((3,))
    band = friction * WEIGHT_SHARE_N
    state = line.start(tuple(Hanger(WEIGHT_SHARE_N, 0.0, band, 0.0, 0.0) for _ in range(5)), load)
    for place in range(5):
        state = line.released(state, place, *TRAVEL_M)
    assert state.pin_m * 1e3 == pytest.approx(indicator_mm, rel=tolerance, abs=0.05)
    assert state.force_n == pytest.approx(load_n, rel=tolerance)
    assert (state.parts[2] == UPPER_WALL) is (friction == 0.0)


def test_a1_the_verdict_is_will_without_friction_and_may_with_it() -> None:
    line, load = condensed((3,))

    def verdicts(friction: float) -> list[str]:
        band = friction * WEIGHT_SHARE_N
        given = tuple(Hanger(WEIGHT_SHARE_N, 0.0, band, *TRAVEL_M) for _ in range(5))
        return [friction_bands(line, given, load).reaches_an_end(place) for place in range(5)]

    assert verdicts(0.0) == ["will_not", "will_not", "will", "will_not", "will_not"]
    assert verdicts(0.02)[2] == "may"
    assert verdicts(0.05)[2] == "may"


V1_MOVEMENT_M = np.array([10.0, 25.0, 40.0, 25.0, 10.0]) * 1e-3
V1_COLD_N = np.array([15387.938, 16287.938, 17187.938, 16287.938, 15387.938])


def v1_hangers(heights_m: np.ndarray) -> tuple[Hanger, ...]:
    return tuple(
        Hanger(float(cold), V1_RATE_N_PER_M, 0.0, -0.1, 0.1, float(height))
        for cold, height in zip(V1_COLD_N, heights_m, strict=True)
    )


def test_v1_locked_and_eased_one_by_one_on_the_line() -> None:
    line, load = condensed()
    locked = tuple(Hanger(float(cold), V1_RATE_N_PER_M, 0.0, 0.0, 0.0) for cold in V1_COLD_N)
    state = line.start(locked, load)
    assert -state.stop_n() == pytest.approx([600.0, 1500.0, 2400.0, 1500.0, 600.0], rel=1e-3)
    found = [line.turn_until(state, place, 1, 0.1, pin_m=0.0)[1] / LEAD_M for place in range(5)]
    assert found == pytest.approx([0.096, 0.309, 0.504, 0.309, 0.096], abs=HALF_DIGIT)


def test_v1_released_at_zero_net_turns_the_line_is_off_its_cold_marks_and_right_when_hot() -> None:
    line, load = condensed()
    cold = line.start(v1_hangers(np.zeros(5)), load)
    assert cold.pin_m * 1e3 == pytest.approx([7.49, 20.34, 26.53, 20.34, 7.49], rel=1e-3)
    off = (cold.force_n / V1_COLD_N - 1.0) * 100.0
    assert off == pytest.approx([-2.92, -7.49, -9.26, -7.49, -2.92], abs=5.1e-3)
    # Growth lifts the line's own shape by the movements: what it presses with changes by K times them.
    hot = line.follow(cold, load + line.stiffness @ V1_MOVEMENT_M)
    assert hot.force_n == pytest.approx([WEIGHT_SHARE_N] * 5, rel=1e-6)
    assert hot.pin_m == pytest.approx(V1_MOVEMENT_M, abs=1e-7)


def test_v1_the_nuts_that_set_the_cold_marks_make_the_line_wrong_when_hot() -> None:
    line, load = condensed()
    turns = np.array([4.84, 13.0, 16.78, 13.0, 4.84])
    cold = line.start(v1_hangers(turns * LEAD_M), load)
    # Turns are printed to a hundredth: 0.03 mm of the nut.
    assert cold.pin_m * 1e3 == pytest.approx([0.0] * 5, abs=0.06)
    hot = line.follow(cold, load + line.stiffness @ V1_MOVEMENT_M)
    errors = (hot.force_n / WEIGHT_SHARE_N - 1.0) * 100.0
    assert errors == pytest.approx([3.04, 8.25, 10.77, 8.25, 3.04], abs=0.03)
    off = (hot.pin_m - V1_MOVEMENT_M) * 1e3
    assert off == pytest.approx([-7.49, -20.34, -26.53, -20.34, -7.49], abs=0.06)


ROD_CAPACITY_N, STOP_CAPACITY_N = 20120.0, 2800.0

# By release: hanger (from 1), turns to ease, rod loads N, stop reactions N, indicators mm, peak utilisation.
B2_RECORD = [
    (1, -0.095, [14788, 15754, 15229, 15420, 15368], [0, 966, 441, 632, 580], [-0.6, 0, 0, 0, 0], 0.783),
    (2, -0.409, [14788, 14788, 16278, 14919, 15511], [0, 0, 1490, 131, 723], [-2.1, -2.5, 0, 0, 0], 0.809),
    (3, -0.95, [14788, 14788, 14788, 16945, 14394], [0, 0, 0, 2157, -394], [-4.6, -8.6, -5.7, 0, 0], 0.8422),
    (
        4,
        -1.669,
        [14788, 14788, 14788, 14788, 17982],
        [0, 0, 0, 0, 3194],
        [-7.9, -18.2, -19.3, -10, 0],
        1.1408,
    ),
    (5, -1.863, [14788] * 5, [0] * 5, [-11.2, -28.6, -36.2, -28.6, -11.2], 0.735),
]
B2_BEST = [
    (2, -0.122, [15859, 14788, 15815, 15197, 15432], [1071, 0, 1027, 409, 644], [0, -0.7, 0, 0, 0], 0.7882),
    (1, -0.353, [14788, 14788, 16278, 14919, 15511], [0, 0, 1490, 131, 723], [-2.1, -2.5, 0, 0, 0], 0.809),
    (4, -0.031, [14788, 14788, 16345, 14788, 15629], [0, 0, 1557, 0, 841], [-2.1, -2.4, 0, -0.2, 0], 0.8124),
    (5, -0.298, [14788, 14788, 16562, 14788, 14788], [0, 0, 1775, 0, 0], [-1.8, -1.8, 0, -1.8, -1.8], 0.8232),
    (3, -6.036, [14788] * 5, [0] * 5, [-11.2, -28.6, -36.2, -28.6, -11.2], 0.735),
]


def b2_peak(state: State) -> float:
    rods = float(state.force_n.max()) / ROD_CAPACITY_N
    held = [each.low_m == each.high_m for each in state.hangers]
    return max(rods, float(np.abs(state.stop_n()[held]).max(initial=0.0)) / STOP_CAPACITY_N)


def b2_step(line: Line, state: State, place: int) -> tuple[State, float, float]:
    """Eases, withdraws and returns the nut; the state, the turns and the peak of eased and returned."""
    way = 1 if state.stop_n()[place] < 0.0 else -1
    eased, moved = line.turn_until(state, place, way, 1.0, pin_m=0.0)
    free = line.released(eased, place, *TRAVEL_M)
    after = turned(line, free, place, -moved / LEAD_M)
    return after, moved / LEAD_M, max(b2_peak(eased), b2_peak(after))


def b2_start() -> tuple[Line, State]:
    line, load = condensed((), 1.04)
    return line, line.start(tuple(Hanger(WEIGHT_SHARE_N, 0.0, 0.0, 0.0, 0.0) for _ in range(5)), load)


@pytest.mark.parametrize(
    ("steps", "peak", "turns"),
    [pytest.param(B2_RECORD, 1.1408, 4.99, id="record"), pytest.param(B2_BEST, 0.8232, 6.84, id="best")],
)
def test_b2_each_step_of_both_orders_on_the_line(
    steps: list[tuple[int, float, list[int], list[int], list[float], float]], peak: float, turns: float
) -> None:
    line, state = b2_start()
    assert b2_peak(state) == pytest.approx(0.7644, rel=5e-3)
    peaks, efforts = [b2_peak(state)], []
    for mark, eased, rods, stops, indicators, utilisation in steps:
        state, moved, reached = b2_step(line, state, mark - 1)
        peaks.append(reached)
        efforts.append(abs(moved))
        assert moved == pytest.approx(eased, abs=HALF_DIGIT)
        assert state.force_n == pytest.approx(rods, abs=1.0)
        assert state.stop_n() == pytest.approx(stops, abs=1.0)
        assert state.pin_m * 1e3 == pytest.approx(indicators, abs=0.051)
        assert b2_peak(state) == pytest.approx(utilisation, rel=5e-3)
    assert max(peaks) == pytest.approx(peak, rel=5e-3)
    assert sum(efforts) == pytest.approx(turns, rel=5e-3)


def test_b2_of_the_120_orders_48_go_over_a_capacity_and_none_stays_below_the_best() -> None:
    line, state = b2_start()
    steps: dict[tuple[frozenset[int], int], tuple[State, float, float]] = {}
    states: dict[frozenset[int], State] = {frozenset(): state}
    peaks = []
    for order in itertools.permutations(range(5)):
        out, worst = frozenset[int](), b2_peak(state)
        for place in order:
            if (out, place) not in steps:
                steps[out, place] = b2_step(line, states[out], place)
            after, _, reached = steps[out, place]
            worst, out = max(worst, reached), out | {place}
            states.setdefault(out, after)
        peaks.append(worst)
    assert len(peaks) == 120
    assert sum(each > 1.0 for each in peaks) == 48
    assert min(peaks) == pytest.approx(0.8232, rel=5e-3)
