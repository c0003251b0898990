"""Plans proved against a simulation of the pin that knows nothing of the planner's formulas."""

from __future__ import annotations

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from service.engineering.nut_plans import (
    EasingCase,
    Interval,
    break_away,
    constant_positioning_turns,
    easing_turns,
    friction_relief_turns,
    load_change_for_turns_n,
    narrow_by_face,
    rod_load_after_n,
    rod_load_before_n,
    sign_from_face,
    sign_from_imbalance,
)
from tests.simulation.pin_in_slot import PinInSlot

PART = 1e-6  # how close beside a threshold is looked, as a share of the turns to the other face


@st.composite
def supports(draw: st.DrawFn, *, friction: bool) -> PinInSlot:
    """A locked support with the pin on a face: either kind, either linkage, too little or too much load."""
    spring = draw(st.floats(1e3, 2e5))
    return PinInSlot(
        rod_load_n=spring * draw(st.floats(0.3, 1.7)),
        spring_load_n=spring,
        stiffness_n_per_m=draw(st.floats(2e4, 5e6)),
        lead_m=draw(st.floats(1e-3, 13e-3)),
        clearance_m=draw(st.floats(0.5e-3, 12e-3)),
        friction_n=spring * draw(st.floats(0.005, 0.08)) if friction else 0.0,
        linkage_ratio=draw(st.sampled_from([1.0, 0.4, 2.5])),
        spring_rate_n_per_m=draw(st.one_of(st.just(0.0), st.floats(5e3, 1e6))),
        inverted=draw(st.booleans()),
    )


def case_of(support: PinInSlot) -> EasingCase:
    return EasingCase(
        spring_load_n=Interval.exact(support.spring_load_n),
        rod_load_n=Interval.exact(support.rod_load_n),
        friction_n=support.friction_n,
        stiffness_n_per_m=Interval.exact(support.stiffness_n_per_m),
        lead_m=support.lead_m,
        slot_clearance_m=support.clearance_m,
        linkage_ratio=support.linkage_ratio,
        spring_rate_n_per_m=support.spring_rate_n_per_m or None,
    )


def turned(support: PinInSlot, turns: float) -> PinInSlot:
    copy = PinInSlot(
        support.rod_load_n,
        support.spring_load_n,
        support.stiffness_n_per_m,
        support.lead_m,
        support.clearance_m,
        support.friction_n,
        support.linkage_ratio,
        support.spring_rate_n_per_m,
        support.inverted,
    )
    copy.turn(turns)
    return copy


@given(supports(friction=False))
def test_without_friction_the_pin_is_free_strictly_inside_the_interval_and_on_a_face_outside(
    support: PinInSlot,
) -> None:
    case = case_of(support)
    sign = sign_from_imbalance(case.imbalance_n)
    assume(sign is not None and abs(case.imbalance_n.low) > 1e-3 * support.spring_load_n)
    assert sign is not None
    plan = easing_turns(case, sign)
    beside = PART * plan.latest
    assert plan.earliest == plan.moves_off.low
    assert turned(support, plan.earliest - beside).surely_pressed
    assert turned(support, plan.earliest - beside).face == support.face
    for inside in (plan.earliest + beside, plan.aim, plan.latest - beside):
        assert turned(support, inside).face == "none"
    after = turned(support, plan.latest + beside)
    assert after.surely_pressed
    assert {after.face, support.face} == {"upper", "lower"}
    assert turned(support, plan.aim).height_m == pytest.approx(0.0, abs=1e-6 * support.clearance_m)


@given(supports(friction=True))
def test_with_friction_the_pin_is_pressed_before_may_be_free_and_moves_off_where_the_plan_says(
    support: PinInSlot,
) -> None:
    case = case_of(support)
    sign = sign_from_imbalance(case.imbalance_n)
    assume(sign is not None and abs(case.imbalance_n.low) > 1e-3 * support.spring_load_n)
    assert sign is not None
    plan = easing_turns(case, sign)
    beside = PART * plan.latest
    if plan.earliest != 0.0:
        assert turned(support, plan.earliest - beside).surely_pressed
    # From may be free to moves off the pin stands at the face, but friction alone can hold it there.
    between = turned(support, (plan.earliest + plan.moves_off.low) / 2.0)
    assert between.face == support.face
    assert not between.surely_pressed
    assert turned(support, plan.moves_off.low - beside).face == support.face
    for inside in (plan.moves_off.low + beside, plan.aim, plan.latest - beside):
        assert turned(support, inside).face == "none"
    after = turned(support, plan.latest + beside)
    assert after.surely_pressed
    assert {after.face, support.face} == {"upper", "lower"}
    assert turned(support, plan.aim).height_m == pytest.approx(0.0, abs=1e-6 * support.clearance_m)


@given(supports(friction=True), st.floats(0.0, 1.3))
def test_the_predicted_rod_load_is_the_simulated_one(support: PinInSlot, part: float) -> None:
    case = case_of(support)
    sign = sign_from_imbalance(case.imbalance_n)
    assume(sign is not None)
    assert sign is not None
    turns = part * easing_turns(case, sign).latest
    predicted = rod_load_after_n(case, sign, turns)
    assert predicted.low == predicted.high
    slack = 1e-7 * support.spring_load_n
    assert predicted.low == pytest.approx(turned(support, turns).rod_load, rel=1e-7, abs=slack)


@given(supports(friction=True))
def test_the_bearing_face_gives_the_direction_that_frees_the_pin(support: PinInSlot) -> None:
    moves = "rod_tension_falls" if support.inverted else "rod_tension_rises"
    sign = sign_from_face(support.face, moves)  # type: ignore[arg-type]
    assert sign in (1, -1)
    case = case_of(support)
    imbalance = narrow_by_face(case.imbalance_n, sign, support.friction_n)
    assert imbalance is not None
    plan = easing_turns(case, sign, imbalance)
    assert turned(support, plan.aim).face == "none"
    # The other way only presses it harder.
    wrong = turned(support, -plan.aim)
    assert wrong.face == support.face
    assert abs(wrong.stop_force_n) > abs(support.stop_force_n)


@given(
    supports(friction=True),
    st.floats(0.0, 0.1),
    st.floats(0.0, 0.1),
    st.floats(0.0, 1.0),
    st.floats(0.0, 1.0),
)
@example(PinInSlot(12406.8, 14787.9, 793727.0, 6e-3, 4e-3, 591.5), 0.02, 0.05, 0.0, 1.0)
def test_whatever_the_truth_inside_the_estimates_the_pin_is_free_where_the_plan_is_sure(
    support: PinInSlot, load_error: float, stiffness_error: float, load_at: float, stiffness_at: float
) -> None:
    true_rod, true_stiffness = support.rod_load_n, support.stiffness_n_per_m
    rod_low = true_rod * (1.0 - load_error * load_at)
    k_low = true_stiffness * (1.0 - stiffness_error * stiffness_at)
    estimated = EasingCase(
        spring_load_n=Interval.exact(support.spring_load_n),
        rod_load_n=Interval(rod_low, true_rod * (1.0 + load_error * (1.0 - load_at))),
        friction_n=support.friction_n,
        stiffness_n_per_m=Interval(k_low, true_stiffness * (1.0 + stiffness_error * (1.0 - stiffness_at))),
        lead_m=support.lead_m,
        slot_clearance_m=support.clearance_m,
        linkage_ratio=support.linkage_ratio,
        spring_rate_n_per_m=support.spring_rate_n_per_m or None,
    )
    sign = sign_from_imbalance(estimated.imbalance_n)
    assume(sign is not None)
    assert sign is not None
    plan = easing_turns(estimated, sign)
    beside = PART * abs(plan.latest)
    assert turned(support, sign * (abs(plan.latest) + beside)).surely_pressed
    if abs(plan.earliest) > beside:
        assert turned(support, sign * (abs(plan.earliest) - beside)).surely_pressed
    if plan.free_for_all is not None:
        for part in (0.001, 0.5, 0.999):
            span = plan.free_for_all.high - plan.free_for_all.low
            assert turned(support, plan.free_for_all.low + part * span).face == "none"
    load = rod_load_after_n(estimated, sign, plan.aim)
    slack = 1e-7 * support.spring_load_n
    assert load.low - slack <= turned(support, plan.aim).rod_load <= load.high + slack


@given(supports(friction=True), st.floats(0.0, 1.0))
def test_turns_to_freedom_measure_the_rod_load_before_within_friction(
    support: PinInSlot, where: float
) -> None:
    case = case_of(support)
    sign = sign_from_imbalance(case.imbalance_n)
    assume(sign is not None and support.spring_rate_n_per_m == 0.0)
    assert sign is not None
    plan = easing_turns(case, sign)
    # Wherever friction lets the stop come free, from the earliest turns to where the pin moves off.
    found = rod_load_before_n(
        plan.earliest + where * (plan.moves_off.low - plan.earliest),
        case.spring_load_n,
        case.stiffness_n_per_m,
        case.lead_m,
        support.friction_n,
    )
    slack = 1e-9 * support.spring_load_n
    assert found.low - slack <= support.rod_load_n <= found.high + slack
    assert found.high - found.low == pytest.approx(2.0 * support.friction_n, rel=1e-6)


@given(supports(friction=True))
def test_break_away_in_both_directions_gives_the_friction(support: PinInSlot) -> None:
    case = case_of(support)
    sign = sign_from_imbalance(case.imbalance_n)
    assume(sign is not None and support.spring_rate_n_per_m == 0.0)
    assert sign is not None
    there = easing_turns(case, sign).aim
    back = turned(support, there)
    start = back.height_m
    # From the middle of the slot, turn back by small pieces until the pin begins to move.
    piece = -sign * support.friction_n / (support.stiffness_n_per_m * support.lead_m) / 500.0
    count = 0
    while abs(back.height_m - start) < 1e-12 and count < 5000:
        back.turn(piece, pieces=1)
        count += 1
    raising, lowering = (0.0, count * piece) if sign > 0 else (count * piece, 0.0)
    found = break_away(raising, lowering, case.spring_load_n, case.stiffness_n_per_m, case.lead_m)
    assert found.friction_n.low == pytest.approx(support.friction_n, rel=5e-3)


@given(supports(friction=True), st.floats(-0.04, 0.04), st.sampled_from(["rises", "falls"]))
def test_a_released_constant_support_reaches_its_reading_and_relief_leaves_friction_unbiased(
    support: PinInSlot, off_m: float, sense: str
) -> None:
    assume(abs(off_m) > 1e-3)
    support.spring_rate_n_per_m = 0.0
    support.withdraw()
    way = 1.0 if sense == "rises" else -1.0
    reading = way * support.height_m
    expected = reading + way * off_m
    turns = constant_positioning_turns(reading, expected, support.lead_m, sense)  # type: ignore[arg-type]
    sign = 1 if turns > 0 else -1
    # First take up the friction band, so that the pin follows the nut.
    support.turn(sign * 4.0 * support.friction_n / (support.stiffness_n_per_m * support.lead_m))
    turns = constant_positioning_turns(way * support.height_m, expected, support.lead_m, sense)  # type: ignore[arg-type]
    assume((1 if turns > 0 else -1) == sign)
    support.turn(turns)
    assert way * support.height_m == pytest.approx(expected, abs=1e-9)
    assert support.rod_load == pytest.approx(support.spring_load_n + sign * support.friction_n, rel=1e-9)
    relief = friction_relief_turns(
        sign, support.friction_n, Interval.exact(support.stiffness_n_per_m), support.lead_m
    )
    support.turn(relief.low)
    assert way * support.height_m == pytest.approx(expected, abs=1e-9)
    assert support.rod_load == pytest.approx(support.spring_load_n, rel=1e-9)


@given(supports(friction=False), st.floats(-3.0, 3.0))
def test_turns_of_a_released_variable_support_change_its_load_as_springs_in_series(
    support: PinInSlot, turns: float
) -> None:
    assume(support.spring_rate_n_per_m > 0.0)
    support.withdraw()
    before = support.rod_load
    support.turn(turns)
    predicted = load_change_for_turns_n(
        turns, support.spring_rate_n_per_m, support.stiffness_n_per_m, support.lead_m
    )
    assert support.rod_load - before == pytest.approx(predicted, rel=1e-6, abs=1e-6 * before)


@given(supports(friction=False))
def test_a_variable_support_brought_back_by_its_net_turns_is_where_a_direct_release_leaves_it(
    support: PinInSlot,
) -> None:
    assume(support.spring_rate_n_per_m > 0.0)
    case = case_of(support)
    sign = sign_from_imbalance(case.imbalance_n)
    assume(sign is not None)
    assert sign is not None
    direct = turned(support, 0.0)
    direct.withdraw()
    eased = turned(support, easing_turns(case, sign).aim)
    eased.withdraw()
    eased.turn(-easing_turns(case, sign).aim)
    assert eased.rod_load == pytest.approx(direct.rod_load, rel=1e-7)
    assert eased.height_m == pytest.approx(direct.height_m, abs=1e-6 * support.clearance_m + 1e-9)
