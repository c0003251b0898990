"""Adjusting-nut planning: intervals, faces, easing, engagement, holds, corrections, findings."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from service.engineering.nut_plans import (
    MOST_HOLDS,
    EasingCase,
    EngagementChange,
    HoldLimits,
    Influence,
    Interval,
    Step,
    ThreadEnd,
    break_away,
    constant_positioning_turns,
    easing_turns,
    engagement_change,
    explained_turns,
    friction_relief_turns,
    hold_points,
    imbalance_n,
    largest_step,
    lead_per_turn_m,
    load_adjustment,
    load_change_for_turns_n,
    narrow_by_face,
    net_turns,
    reach,
    reading_change_per_turn_m,
    rod_load_after_n,
    rod_load_before_n,
    rod_stiffness_n_per_m,
    series_stiffness_interval,
    series_stiffness_n_per_m,
    sign_from_face,
    sign_from_imbalance,
    slot_factor,
    turns_for_load_change,
    variable_correction,
    way_back_turns,
    whole_flats,
    within_reach,
)
from service.errors import OutOfRange


def exact_case(rod: float = 9000.0, *, rate: float | None = None, friction: float = 200.0) -> EasingCase:
    return EasingCase(
        spring_load_n=Interval.exact(10_000.0),
        rod_load_n=Interval.exact(rod),
        friction_n=friction,
        stiffness_n_per_m=Interval.exact(400e3),
        lead_m=5e-3,
        slot_clearance_m=4e-3,
        linkage_ratio=0.5,
        spring_rate_n_per_m=rate,
    )


# --- intervals -------------------------------------------------------------------------------------
def test_bounds_in_the_wrong_order_or_not_finite_are_refused() -> None:
    with pytest.raises(OutOfRange):
        Interval(2.0, 1.0)
    with pytest.raises(OutOfRange):
        Interval(0.0, math.inf)
    with pytest.raises(OutOfRange):
        Interval(math.nan, 1.0)


def test_the_middle_the_mirror_image_and_the_meeting_of_intervals() -> None:
    assert Interval(1.0, 4.0).middle == 2.5
    assert Interval(1.0, 4.0).times_sign(-1) == Interval(-4.0, -1.0)
    assert Interval(1.0, 4.0).times_sign(1) == Interval(1.0, 4.0)
    assert Interval(1.0, 4.0).meet(3.0, math.inf) == Interval(3.0, 4.0)
    assert Interval(1.0, 4.0).meet(5.0, math.inf) is None
    assert Interval.exact(3.0).is_exact
    assert not Interval(3.0, 3.5).is_exact


# --- stiffness -------------------------------------------------------------------------------------
def test_a_rod_of_100_mm2_and_2_m_is_10150_n_per_mm() -> None:
    """203 GPa times 100 mm2 over 2 m, by hand."""
    assert rod_stiffness_n_per_m(100e-6, 2.0) == pytest.approx(10.15e6)
    assert rod_stiffness_n_per_m(100e-6, 2.0, number=2) == pytest.approx(20.3e6)


def test_stiffness_in_series_by_hand() -> None:
    """1/800 + 1/2400 + 1/1200 + 1/1200 = 4/1200 mm per N... so 300 N/mm."""
    whole = series_stiffness_n_per_m(
        1 / 800e3, rod_n_per_m=2400e3, steel_n_per_m=1200e3, assembly_n_per_m=1200e3
    )
    assert whole == pytest.approx(300e3)
    assert series_stiffness_n_per_m(1 / 800e3) == pytest.approx(800e3)
    found = series_stiffness_interval(Interval(800e3, 900e3), Interval.exact(2400e3), None)
    assert found.low == pytest.approx(600e3)
    assert found.high == pytest.approx(1 / (1 / 900e3 + 1 / 2400e3))


@pytest.mark.parametrize("bad", [0.0, -1.0, math.inf, math.nan])
def test_a_stiffness_that_is_no_positive_number_is_refused(bad: float) -> None:
    with pytest.raises(OutOfRange):
        series_stiffness_n_per_m(1e-6, rod_n_per_m=bad)
    with pytest.raises(OutOfRange):
        series_stiffness_n_per_m(bad)
    with pytest.raises(OutOfRange):
        rod_stiffness_n_per_m(bad, 1.0)


# --- faces -----------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("face", "moves", "sign"),
    [
        ("upper", "rod_tension_rises", 1),
        ("lower", "rod_tension_rises", -1),
        ("upper", "rod_tension_falls", -1),
        ("lower", "rod_tension_falls", 1),
        ("none", "rod_tension_rises", 0),
        ("none", "rod_tension_falls", 0),
        ("none", None, 0),
        ("upper", None, None),
        ("lower", None, None),
        ("unknown", "rod_tension_rises", None),
        ("unknown", None, None),
    ],
)
def test_a_bearing_face_tells_the_direction_only_with_the_drawing(face, moves, sign) -> None:  # type: ignore[no-untyped-def]
    assert sign_from_face(face, moves) == sign


def test_a_bearing_face_narrows_the_imbalance_by_the_friction() -> None:
    wide = Interval(-500.0, 800.0)
    assert narrow_by_face(wide, 1, 100.0) == Interval(-100.0, 800.0)
    assert narrow_by_face(wide, -1, 100.0) == Interval(-500.0, 100.0)
    assert narrow_by_face(wide, 0, 100.0) == Interval(-100.0, 100.0)
    assert narrow_by_face(Interval(-500.0, -200.0), 1, 100.0) is None
    assert narrow_by_face(Interval(200.0, 500.0), -1, 100.0) is None


# --- easing ----------------------------------------------------------------------------------------
def test_the_turns_of_a_constant_support_by_hand() -> None:
    """B = 1000 N, f = 200 N, k p = 2000 N a turn, slot 4 mm / 0.5 / 5 mm = 1.6 turns."""
    plan = easing_turns(exact_case(), 1)
    assert plan.earliest == pytest.approx(0.4)
    assert plan.moves_off.low == pytest.approx(0.6)
    assert plan.centred.low == pytest.approx(1.4)
    assert plan.aim == pytest.approx(1.4)
    assert plan.latest == pytest.approx(2.2)


def test_a_variable_spring_takes_longer_across_the_slot_by_hand() -> None:
    """k_spring 100 N/mm beside k 400 N/mm: the slot takes 1.25 times the 1.6 turns."""
    assert slot_factor(400e3, 100e3) == pytest.approx(1.25)
    assert slot_factor(400e3, None) == 1.0
    plan = easing_turns(exact_case(rate=100e3), 1)
    assert plan.moves_off.low == pytest.approx(0.6)
    assert plan.latest == pytest.approx(2.6)
    assert plan.aim == pytest.approx(1.6)


def test_inside_the_friction_band_the_pin_may_be_free_at_once() -> None:
    plan = easing_turns(exact_case(9900.0), 1)
    assert plan.earliest == 0.0
    assert plan.moves_off.low == pytest.approx(0.15)


def test_too_much_on_the_rod_is_the_mirror_image() -> None:
    up, down = easing_turns(exact_case(9000.0), 1), easing_turns(exact_case(11_000.0), -1)
    assert down.earliest == -up.earliest
    assert down.aim == -up.aim
    assert down.latest == -up.latest
    assert down.moves_off == up.moves_off.times_sign(-1)


def test_both_signs_in_the_imbalance_leave_the_direction_unknown() -> None:
    assert sign_from_imbalance(Interval(-1.0, 2.0)) is None
    assert sign_from_imbalance(Interval(0.0, 2.0)) is None
    assert sign_from_imbalance(Interval(-2.0, 0.0)) is None
    assert sign_from_imbalance(Interval(1.0, 2.0)) == 1
    assert sign_from_imbalance(Interval(-2.0, -1.0)) == -1
    assert imbalance_n(Interval(9.0, 11.0), Interval(10.0, 10.5)) == Interval(-1.5, 1.0)


def test_an_imbalance_of_the_other_sign_is_refused() -> None:
    with pytest.raises(OutOfRange):
        easing_turns(exact_case(11_000.0), 1)
    with pytest.raises(OutOfRange):
        easing_turns(exact_case(9000.0), -1)


@pytest.mark.parametrize(
    "change",
    [
        {"lead_m": 0.0},
        {"linkage_ratio": 0.0},
        {"friction_n": -1.0},
        {"slot_clearance_m": -1.0},
        {"stiffness_n_per_m": Interval(0.0, 1.0)},
        {"rod_load_n": Interval(-1.0, 1.0)},
        {"spring_rate_n_per_m": 0.0},
        {"spring_load_n": Interval(0.0, 1.0)},
    ],
)
def test_an_impossible_case_is_refused(change: dict[str, object]) -> None:
    good = exact_case()
    values = {name: getattr(good, name) for name in good.__dataclass_fields__}
    with pytest.raises(OutOfRange):
        EasingCase(**{**values, **change})


unit = st.floats(0.0, 1.0)


@given(
    st.tuples(st.floats(5e3, 5e4), st.floats(0.0, 0.2)),
    st.floats(0.1, 1.9),
    st.floats(0.0, 0.1),
    st.tuples(st.floats(5e4, 2e6), st.floats(0.0, 0.5)),
    st.one_of(st.none(), st.floats(1e4, 1e6)),
    st.lists(st.tuples(unit, unit, unit), min_size=1, max_size=20),
)
def test_the_hull_holds_every_member_of_the_box_and_its_corners_are_reached(
    spring: tuple[float, float],
    share: float,
    friction: float,
    k: tuple[float, float],
    rate: float | None,
    places: list[tuple[float, float, float]],
) -> None:
    box = [Interval(base, base * (1.0 + width)) for base, width in (spring, (spring[0] * share, 0.1), k)]

    def case(spring_load: Interval, rod: Interval, stiffness: Interval) -> EasingCase:
        return EasingCase(spring_load, rod, friction * spring[0], stiffness, 5e-3, 4e-3, 1.0, rate)

    whole = case(*box)
    sign = sign_from_imbalance(whole.imbalance_n)
    assume(sign is not None)
    assert sign is not None
    hull = easing_turns(whole, sign)
    seen: dict[str, list[float]] = {
        name: [] for name in ("may_be_free", "moves_off", "centred", "other_face")
    }
    corners = list(itertools.product((0.0, 1.0), repeat=3))
    for place in [*places, *corners]:
        member = case(
            *(
                Interval.exact(side.low + at * (side.high - side.low))
                for side, at in zip(box, place, strict=True)
            )
        )
        turns = easing_turns(member, sign)
        after = rod_load_after_n(whole, sign, hull.aim)
        exact = rod_load_after_n(member, sign, hull.aim)
        slack = 1e-9 * spring[0]
        assert after.low - slack <= exact.low <= exact.high <= after.high + slack
        for name, found in seen.items():
            found.append(getattr(turns, name).low)
    for name, found in seen.items():
        side = getattr(hull, name)
        assert side.low == pytest.approx(min(found), rel=1e-9, abs=1e-12)
        assert side.high == pytest.approx(max(found), rel=1e-9, abs=1e-12)


@given(st.floats(100.0, 5e3), st.floats(1.01, 3.0), st.floats(0.0, 0.9))
def test_more_imbalance_needs_more_turns_and_more_stiffness_fewer(
    imbalance: float, factor: float, friction: float
) -> None:
    def plan(b: float, k: float, f: float) -> tuple[float, float, float, float]:
        case = EasingCase(
            Interval.exact(2e4), Interval.exact(2e4 - b), f, Interval.exact(k), 6e-3, 4e-3, 1.0, 60e3
        )
        turns = easing_turns(case, 1)
        return turns.earliest, turns.moves_off.low, turns.aim, turns.latest

    f = friction * imbalance
    base = plan(imbalance, 5e5, f)
    more = plan(imbalance * factor, 5e5, f)
    stiffer = plan(imbalance, 5e5 * factor, f)
    stickier = plan(imbalance, 5e5, f * factor)
    assert all(one < other for one, other in zip(base, more, strict=True))
    assert all(one >= other for one, other in zip(base, stiffer, strict=True))
    assert base[0] >= stickier[0]
    assert base[1] <= stickier[1]


def test_uncertain_inputs_aim_into_the_part_that_is_free_for_all_of_them() -> None:
    """B 1000 to 1200 N, k 400 N/mm, f 0: free from 0.6 for all, to 0.5 + 1.6 for all; aim 1.35."""
    case = EasingCase(
        Interval.exact(10_000.0), Interval(8800.0, 9000.0), 0.0, Interval.exact(400e3), 5e-3, 4e-3, 0.5, None
    )
    plan = easing_turns(case, 1)
    assert plan.free_for_all is not None
    assert plan.free_for_all.low == pytest.approx(0.6)
    assert plan.free_for_all.high == pytest.approx(2.1)
    assert plan.aim == pytest.approx(1.35)


def test_where_nothing_is_free_for_all_the_aim_is_the_smallest_centre() -> None:
    case = EasingCase(
        Interval.exact(10_000.0), Interval(5000.0, 9000.0), 0.0, Interval.exact(400e3), 5e-3, 1e-3, 1.0, None
    )
    plan = easing_turns(case, 1)
    assert plan.free_for_all is None
    assert plan.aim == pytest.approx(0.6)


# --- engagement ------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("hands", "pitch", "second", "lead"),
    [
        ("single", 3e-3, None, 3e-3),
        ("opposite_hands", 3e-3, None, 6e-3),
        ("opposite_hands", 3e-3, 2e-3, 5e-3),
        ("same_hand_coupler", 3e-3, 2e-3, 1e-3),
        ("same_hand_coupler", 2e-3, 3e-3, 1e-3),
        ("same_hand_coupler", 3e-3, 3e-3, 0.0),
    ],
)
def test_the_lead_of_one_turn(hands, pitch, second, lead) -> None:  # type: ignore[no-untyped-def]
    assert lead_per_turn_m(hands, pitch, second) == pytest.approx(lead)


@pytest.mark.parametrize(
    ("hands", "acts_from", "pitch", "second", "on_raise", "on_lower"),
    [
        ("single", "above", 3e-3, None, 3e-3, -3e-3),
        ("opposite_hands", "above", 3e-3, None, 3e-3, -3e-3),
        ("opposite_hands", "above", 3e-3, 2e-3, 2e-3, -3e-3),
        ("same_hand_coupler", "above", 3e-3, 2e-3, -2e-3, -3e-3),
        ("single", "below", 3e-3, None, -3e-3, 3e-3),
        ("same_hand_coupler", "below", 3e-3, 2e-3, -3e-3, -2e-3),
        ("single", None, 3e-3, None, -3e-3, -3e-3),
        ("same_hand_coupler", None, 3e-3, 2e-3, -3e-3, -3e-3),
    ],
)
def test_what_a_turn_does_to_the_engagement(hands, acts_from, pitch, second, on_raise, on_lower) -> None:  # type: ignore[no-untyped-def]
    """Worse end of both. A coupler of one hand loses thread at one end whichever way it is turned."""
    change = engagement_change(hands, acts_from, pitch, second)
    assert change == EngagementChange(on_raise, on_lower)


TURNBUCKLE = EngagementChange(3e-3, -3e-3)


def test_a_hanging_turnbuckle_gains_thread_when_raised_and_loses_it_when_lowered() -> None:
    end = ThreadEnd("upper", 24e-3, TURNBUCKLE, measured_m=33e-3)
    assert end.after_m(2.0) == pytest.approx(39e-3)
    assert end.after_m(-2.0) == pytest.approx(27e-3)
    assert end.turns_left(-1) == pytest.approx(3.0)
    assert end.turns_left(1) == math.inf
    assert not end.is_short


def test_the_drawing_knows_where_the_way_back_ends() -> None:
    """A coupler loses thread either way, yet back at zero net turns it is as drawn."""
    coupler = EngagementChange(-2e-3, -3e-3)
    end = ThreadEnd("lower", 24e-3, coupler, drawn_m=30e-3, net_turns=2.0)
    assert end.after_m(0.0) == pytest.approx(26e-3)
    assert end.after_m(-2.0) == pytest.approx(30e-3)
    assert end.turns_left(1) == pytest.approx(1.0)
    assert end.turns_left(-1) == pytest.approx(4.0)


def test_a_measured_engagement_that_is_short_decides_against_the_drawing() -> None:
    end = ThreadEnd("lower", 24e-3, TURNBUCKLE, measured_m=20e-3, drawn_m=40e-3)
    assert end.is_short
    assert ThreadEnd("lower", 24e-3, TURNBUCKLE, drawn_m=25e-3, net_turns=-1.0).is_short
    assert not ThreadEnd("lower", 24e-3, TURNBUCKLE, measured_m=24e-3).is_short
    with pytest.raises(OutOfRange):
        ThreadEnd("lower", 24e-3, TURNBUCKLE)


def test_the_reach_is_the_first_limit_and_a_limit_met_exactly_is_within() -> None:
    ends = (
        ThreadEnd("upper", 24e-3, TURNBUCKLE, measured_m=33e-3),
        ThreadEnd("lower", 24e-3, TURNBUCKLE, measured_m=30e-3),
    )
    assert reach(-1, ends, 0.0, None).limited_by == "engagement_lower"
    assert reach(-1, ends, 0.0, None).turns == pytest.approx(2.0)
    assert reach(-1, ends, -4.5, 5.0).limited_by == "turn_limit"
    assert reach(-1, ends, -4.5, 5.0).turns == pytest.approx(0.5)
    assert reach(1, ends, 1.0, 6.0).turns == pytest.approx(5.0)
    assert reach(1, ends, 9.0, 6.0).turns == 0.0
    assert reach(1, ends, 9.0, None).limited_by is None
    assert within_reach(-2.0 * (1 + 1e-12), reach(-1, ends, 0.0, None))
    assert not within_reach(-2.0001, reach(-1, ends, 0.0, None))


@given(st.floats(-10.0, 10.0), st.floats(0.0, 10.0), st.floats(0.0, 10.0))
def test_inside_the_reach_neither_engagement_nor_turn_limit_is_passed(
    net: float, limit: float, drawn_turns: float
) -> None:
    end = ThreadEnd("upper", 24e-3, TURNBUCKLE, drawn_m=24e-3 + 3e-3 * drawn_turns, net_turns=net)
    assume(not end.is_short and abs(net) <= limit)
    for sign in (1, -1):
        allowed = reach(sign, (end,), net, limit).turns
        assert end.after_m(sign * allowed) >= end.least_m - 1e-12
        assert abs(net + sign * allowed) <= max(limit, abs(net)) + 1e-9
        just_beyond = sign * (allowed + 1e-6)
        short = end.after_m(just_beyond) < end.least_m
        assert short or sign * (net + just_beyond) > limit


# --- holds -----------------------------------------------------------------------------------------
def test_the_tightest_limit_makes_the_step() -> None:
    """Lead 6 mm: 6 mm of rod is one turn; 10 % of 15 kN at 4.8 kN a turn is 0.3125 turns."""
    limits = HoldLimits()
    assert largest_step(limits, 6e-3, None) == Step(1.0, "rod_movement")
    here = Influence("", 15e3, 4.8e3)
    assert largest_step(limits, 6e-3, here).turns == pytest.approx(0.3125)
    neighbour = Influence("H2", 10e3, -5e3)
    found = largest_step(limits, 6e-3, here, [neighbour])
    assert found.reason == "load_at_neighbour"
    assert found.mark == "H2"
    assert found.turns == pytest.approx(0.2)
    quarter = largest_step(HoldLimits(part_of_total=0.25), 6e-3, here, (), -0.4)
    assert quarter.reason == "part_of_total"
    assert quarter.turns == pytest.approx(0.1)
    assert largest_step(limits, 6e-3, Influence("", 1e3, 0.0)).reason == "rod_movement"


def test_a_step_is_cut_to_whole_flats_where_it_holds_one() -> None:
    assert whole_flats(0.34, 6) == pytest.approx(2 / 6)
    assert whole_flats(1 / 3, 6) == pytest.approx(2 / 6)
    assert whole_flats(0.1, 6) == 0.1
    assert whole_flats(0.34, None) == 0.34


def test_hold_points_stand_a_step_apart_then_close_where_the_pin_may_be_free() -> None:
    holds = hold_points(-1.4, Step(0.5, "load_here"), None, free_from=-0.8, look=0.3)
    assert holds is not None
    assert [hold.turns for hold in holds] == pytest.approx([-0.5, -0.8, -1.1, -1.4])
    assert [hold.reason for hold in holds] == ["load_here", "pin_may_be_free", "pin_may_be_free", "aim"]
    assert [hold.number for hold in holds] == [1, 2, 3, 4]


def test_a_plan_of_too_many_holds_is_not_made() -> None:
    assert hold_points(1e6, Step(1e-3, "load_here"), None) is None
    assert hold_points(1.0, Step(1e-320, "load_here"), 6) is None


@given(
    st.floats(1e-3, 30.0),
    st.floats(1e-2, 5.0),
    st.one_of(st.none(), st.integers(2, 12)),
    st.one_of(st.none(), st.floats(0.0, 1.2)),
    st.one_of(st.none(), st.floats(1e-2, 5.0)),
    st.sampled_from([1, -1]),
)
def test_no_two_holds_are_further_apart_than_allowed(
    total: float, step: float, flats: int | None, part: float | None, look: float | None, sign: int
) -> None:
    free = None if part is None else part * total
    holds = hold_points(
        sign * total, Step(step, "load_here"), flats, None if free is None else sign * free, look
    )
    if holds is None:
        smallest = min(step, look or step)
        assert total / smallest * 2.0 > MOST_HOLDS - 4
        return
    places = [0.0, *(sign * hold.turns for hold in holds)]
    assert places[-1] == total
    for before, after in itertools.pairwise(places):
        assert 0.0 < after - before <= step * (1 + 1e-6)
        if free is not None and look is not None and before >= free:
            assert after - before <= look * (1 + 1e-6)
    if free is not None and 0.0 < free < total * (1 - 1e-6):
        assert any(place == pytest.approx(free) for place in places)


# --- corrections -----------------------------------------------------------------------------------
def test_reference_case_raise_by_1500_n() -> None:
    """k_s 100, line 656 N/mm: take-up 17.29 mm; M24 nut 5.76 turns, turnbuckle 2.88 turns."""
    nut = turns_for_load_change(1500.0, 100e3, 656e3, 3e-3)
    assert nut * 3.0 == pytest.approx(17.29, abs=5e-3)
    assert nut == pytest.approx(5.76, abs=5e-3)
    assert turns_for_load_change(1500.0, 100e3, 656e3, 6e-3) == pytest.approx(2.88, abs=5e-3)


def test_reference_case_two_turns_of_an_m24_nut() -> None:
    """k_s 100, line 200 N/mm: +400 N; pipe up 2.0 mm; indicator 4.0 mm."""
    assert load_change_for_turns_n(2.0, 100e3, 200e3, 3e-3) == pytest.approx(400.0)
    found = variable_correction(400.0, 100e3, Interval.exact(200e3), 3e-3)
    assert found.aim == pytest.approx(2.0)
    assert found.pipe_movement_m.low == pytest.approx(2e-3)
    assert found.plate_movement_m == pytest.approx(-4e-3)


@given(st.floats(-5e3, 5e3), st.floats(1e4, 1e6), st.floats(1e4, 5e6), st.floats(1e-3, 1e-2))
def test_turns_and_load_change_are_inverse_and_the_movements_add_up_to_the_take_up(
    change: float, rate: float, k: float, lead: float
) -> None:
    turns = turns_for_load_change(change, rate, k, lead)
    assert load_change_for_turns_n(turns, rate, k, lead) == pytest.approx(change)
    found = variable_correction(change, rate, Interval.exact(k), lead)
    assert found.pipe_movement_m.low - found.plate_movement_m == pytest.approx(turns * lead, abs=1e-15)
    assert (turns > 0) == (change > 0)


def test_an_uncertain_stiffness_aims_at_the_fewest_turns() -> None:
    up = variable_correction(400.0, 100e3, Interval(200e3, 400e3), 3e-3)
    assert up.turns.low == pytest.approx(5 / 3)
    assert up.turns.high == pytest.approx(2.0)
    assert up.aim == up.turns.low
    down = variable_correction(-400.0, 100e3, Interval(200e3, 400e3), 3e-3)
    assert down.aim == pytest.approx(-5 / 3)


def test_the_load_adjuster_stays_within_its_adjustability() -> None:
    found = load_adjustment(20_000.0, 0.04, 0.0, 0.10, 0.10, 100.0)
    assert found.load_change_n == pytest.approx(-800.0)
    assert found.turns == pytest.approx(-8.0)
    assert found.within
    beyond = load_adjustment(20_000.0, 0.0, 0.12, 0.10, 0.10, None)
    assert not beyond.within
    assert beyond.nearest_setting == 0.10
    assert beyond.turns is None
    assert load_adjustment(20_000.0, 0.0, 0.10, 0.1, 0.1, None).within
    below = load_adjustment(20_000.0, 0.0, -0.12, 0.10, 0.05, None)
    assert not below.within
    assert below.nearest_setting == -0.10


# --- positioning and ledger ------------------------------------------------------------------------
def test_two_turns_at_a_released_constant_support_move_its_indicator_6_mm() -> None:
    """M24 nut: load unchanged, indicator 6 mm, down on a scale that rises with the pipe."""
    assert 2.0 * reading_change_per_turn_m(3e-3, "rises") == pytest.approx(-6e-3)
    assert 2.0 * reading_change_per_turn_m(3e-3, "falls") == pytest.approx(6e-3)
    assert constant_positioning_turns(6e-3, 0.0, 3e-3, "rises") == pytest.approx(2.0)
    assert constant_positioning_turns(6e-3, 0.0, 3e-3, "falls") == pytest.approx(-2.0)


def test_the_relief_goes_against_the_last_movement() -> None:
    assert friction_relief_turns(1, 300.0, Interval.exact(100e3), 6e-3).low == pytest.approx(-0.5)
    assert friction_relief_turns(-1, 300.0, Interval.exact(100e3), 6e-3).low == pytest.approx(0.5)


def test_the_ledger_is_summed_exactly_and_led_back() -> None:
    assert net_turns([0.1] * 10) == 1.0
    assert net_turns([]) == 0.0
    assert net_turns([0.1] * 10 + [-1.0]) == 0.0
    assert net_turns([1e-3, -2e-3]) == -1e-3
    assert way_back_turns([0.5, 0.25, -1.0]) == 0.25
    assert math.copysign(1.0, way_back_turns([])) == 1.0


# --- findings --------------------------------------------------------------------------------------
def test_turns_to_freedom_give_the_rod_load_before_by_hand() -> None:
    """S 10 kN, k p 2000 N, free at 0.5 turns: 9000 N within 200 N; and with k 10 % uncertain, 100 N more."""
    found = rod_load_before_n(0.5, Interval.exact(10e3), Interval.exact(400e3), 5e-3, 200.0)
    assert (found.low, found.high) == pytest.approx((8800.0, 9200.0))
    wide = rod_load_before_n(0.5, Interval.exact(10e3), Interval(360e3, 440e3), 5e-3, 200.0)
    assert (wide.low, wide.high) == pytest.approx((8700.0, 9300.0))


def test_break_away_both_ways_by_hand() -> None:
    """Raising at 0.6, lowering at 0.4 turns of 2000 N: f = 200 N, rod load 9000 N."""
    found = break_away(0.6, 0.4, Interval.exact(10e3), Interval.exact(400e3), 5e-3)
    assert found.friction_n.low == pytest.approx(200.0)
    assert found.rod_load_n.low == pytest.approx(9000.0)
    with pytest.raises(OutOfRange):
        break_away(0.4, 0.6, Interval.exact(10e3), Interval.exact(400e3), 5e-3)


def test_turns_explained_by_hand() -> None:
    """B 400 N, f 200 N, k p 2000 N; heights 3 mm and readings 1 mm over 5 mm; half slot 0.4 turns."""
    found = explained_turns(400.0, 200.0, 3e-3, 1e-3, Interval.exact(400e3), 5e-3, 0.4)
    assert found is not None
    assert found.high == pytest.approx(0.3 + 0.8 + 0.4)
    assert found.low == pytest.approx(0.1 - 0.8 - 0.4)


def test_an_uncertain_stiffness_explains_less_and_at_last_nothing() -> None:
    found = explained_turns(4000.0, 0.0, 3e-3, 0.0, Interval(400e3, 800e3), 5e-3, 0.0)
    assert found is not None
    assert found.high == pytest.approx(1.0 + 0.6)
    assert found.low == pytest.approx(2.0 - 0.6)
    assert explained_turns(4000.0, 0.0, 1e-3, 0.0, Interval(400e3, 800e3), 5e-3, 0.0) is None
