"""Worked mechanics cases: K1, E1, E2, F1 and the numbers of V1 that need no frame.

Source: worked cases computed once with a separate slot-and-friction beam simulation. Line:
horizontal, fixed at x = 0 and 54 m, hangers H1..H5 every 9 m, EI = 40,182,429 N m2, no shear, rods
and steel rigid; M24 turnbuckle of opposite hands, 6 mm a turn; slot 4 mm. The tolerances are the
source's own: 1e-3 unless said, and half of the last digit printed for turns.
"""

from __future__ import annotations

import pytest

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
