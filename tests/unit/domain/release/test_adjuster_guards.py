"""Guards of turns: limits, engagement at each end with the right sign, pairs, and the load adjuster.

Expected engagements are worked by hand: M36 has a pitch of 4 mm, so a turn moves each end by 4 mm.
"""

from __future__ import annotations

from typing import Any

import pytest

from tests.unit.domain.release.support import (
    CREW,
    ENGINEER,
    RIGID,
    Site,
    constant,
    instant,
    mm,
    spring,
    trapeze,
)


def easing(record: dict[str, Any] | None = None) -> Site:
    site = Site(A=record or spring())
    site.bring("A", "easing")
    return site


def engaged(end: str, measured: float | None = None, full: bool | None = None) -> list[dict[str, Any]]:
    found: dict[str, Any] = {"end": end}
    if measured is not None:
        found["measured"] = mm(measured)
    if full is not None:
        found["full"] = full
    return [found]


# --- where a turn is open -------------------------------------------------------------------------------
@pytest.mark.parametrize("state", ["locked", "cleared", "stops_out", "released", "proved"])
def test_the_adjuster_is_not_turned_elsewhere(state: str) -> None:
    site = Site(A=spring())
    site.bring("A", state)
    assert site.turn_lacks("A", 0.5) == ["turn-not-open"]


@pytest.mark.parametrize("state", ["easing", "positioning"])
def test_the_adjuster_is_turned_in_easing_and_positioning(state: str) -> None:
    site = Site(A=spring())
    site.bring("A", state)
    assert site.turn_lacks("A", 0.5) == []
    assert site.turn_lacks("A", -0.5) == []


def test_on_hold_what_was_turned_already_is_written_down() -> None:
    site = easing()
    site.inspect("A", engagement=engaged("upper", full=False))
    site.step("A", "hold", reason="went too far")
    assert site.turn_lacks("A", -30, by=ENGINEER) == []
    assert site.turn_lacks("A", 0.5, 2) == ["no-such-assembly"]
    assert site.turn_lacks("A", 0.5, device="load_adjuster") == ["no-load-adjuster"]


def test_turns_of_an_earlier_cycle_do_not_enter_the_ledger() -> None:
    site = Site(A=spring())
    site.bring("A", "proved")
    site.made("A", "relock", "locked", by=ENGINEER, role="engineer")
    site.bring("A", "easing")
    assert site.turn_lacks("A", 0.5, at=instant(1)) == ["before-cycle"]
    site.made("A", "hold", "on_hold")
    assert site.turn_lacks("A", 0.5, at=instant(1)) == ["before-cycle"]
    assert site.turn_lacks("A", 0.5) == []


def test_a_correction_of_a_turn_is_judged_by_its_form_alone() -> None:
    site = Site(A=spring())
    site.bring("A", "released")
    assert site.turn_lacks("A", 30, corrects=5) == []
    assert site.turn_lacks("A", 30, 2, corrects=5) == ["no-such-assembly"]


def test_an_assembly_is_one_of_the_record() -> None:
    assert easing().turn_lacks("A", 0.5, 2) == ["no-such-assembly"]
    assert Site(A=RIGID).turn_lacks("A", 0.5) == ["nothing-to-release"]


def test_only_a_constant_support_has_a_load_adjuster() -> None:
    assert easing().turn_lacks("A", 1, device="load_adjuster") == ["no-load-adjuster"]
    assert easing(constant()).turn_lacks("A", 1, device="load_adjuster") == []
    assert easing(constant()).turn_lacks("A", 40, device="load_adjuster") == []


# --- turn limits ----------------------------------------------------------------------------------------
def test_the_net_turns_stay_within_the_limit_in_their_direction() -> None:
    record = spring(adjuster__turn_limit_raise=2, adjuster__turn_limit_lower=1)
    site = easing(record)
    assert site.turn_lacks("A", 2) == []
    assert site.turn_lacks("A", 2.01) == ["turn-limit"]
    assert site.turn_lacks("A", -1) == []
    assert site.turn_lacks("A", -1.01) == ["turn-limit"]
    site.turn("A", 1.5)
    assert site.turn_lacks("A", 0.5) == []
    assert site.turn_lacks("A", 0.6) == ["turn-limit"]
    assert site.turn_lacks("A", -2.5) == []


def test_a_limit_passed_on_hold_may_be_undone() -> None:
    site = easing(spring(adjuster__turn_limit_raise=2))
    site.turn("A", 4)
    assert site.turn_lacks("A", 0.1) == ["turn-limit"]
    assert site.turn_lacks("A", -1) == []


@pytest.mark.parametrize(("direction", "turns"), [("raise", 0.1), ("lower", -0.1)])
def test_a_limit_that_is_not_stated_is_not_kept(direction: str, turns: float) -> None:
    site = easing(spring(**{f"adjuster__turn_limit_{direction}": None}))
    assert site.turn_lacks("A", turns) == ["turn-limit-not-stated"]
    assert site.turn_lacks("A", -turns) == []


# --- engagement: the sign by form ---------------------------------------------------------------------------
LIMITS = {"adjuster__turn_limit_raise": 100, "adjuster__turn_limit_lower": 100}
ONE_END = [{"end": "lower", "as_drawn": mm(60), "least_allowed": mm(36)}]


def turned(record: dict[str, Any]) -> Site:
    site = Site(A=record)
    site.made("A", "ease", "easing")
    return site


def test_a_turnbuckle_loses_thread_at_both_ends_when_lowering() -> None:
    site = turned(spring(**LIMITS))
    # 60 mm drawn, 36 mm wanted, 4 mm a turn: 6 turns down and not more; up without end.
    assert site.turn_lacks("A", -6) == []
    assert site.turn_lacks("A", -6.01) == ["engagement-too-short", "engagement-too-short"]
    assert site.turn_lacks("A", 50) == []


def test_a_nut_loses_thread_when_lowering() -> None:
    record = spring(**LIMITS, adjuster__form="nut", adjuster__hands="single", adjuster__engagement=ONE_END)
    site = turned(record)
    assert site.turn_lacks("A", -6) == []
    assert site.turn_lacks("A", -6.01) == ["engagement-too-short"]
    assert site.turn_lacks("A", 50) == []


@pytest.mark.parametrize("acts_from", ["below", None])
def test_a_load_column_loses_thread_when_raising(acts_from: str | None) -> None:
    record = spring(
        **LIMITS,
        acts_from=acts_from,
        adjuster__form="load_column",
        adjuster__hands="single",
        adjuster__engagement=ONE_END,
    )
    site = turned(record)
    assert site.turn_lacks("A", 6) == []
    assert site.turn_lacks("A", 6.01) == ["engagement-too-short"]
    assert site.turn_lacks("A", -50) == []


def test_a_coupler_of_one_hand_is_taken_at_the_worse_end() -> None:
    # M36x4 and M36x3: raising, the coarse end gains 4 mm and the fine one loses 3; which is which is unknown.
    record = spring(**LIMITS, adjuster__form="coupling", adjuster__hands="same_hand_coupler")
    record["adjuster"]["second_thread"] = "M36x3"
    site = turned(record)
    assert site.turn_lacks("A", 8) == []
    assert site.turn_lacks("A", 8.01) == ["engagement-too-short", "engagement-too-short"]
    assert site.turn_lacks("A", -6) == []
    assert site.turn_lacks("A", -6.01) == ["engagement-too-short", "engagement-too-short"]


@pytest.mark.parametrize(
    "changes",
    [
        {"acts_from": "above", "adjuster__form": "load_column"},
        {"acts_from": None},
    ],
    ids=["contradiction", "silent"],
)
def test_where_the_record_does_not_tell_both_directions_lose(changes: dict[str, Any]) -> None:
    record = spring(**LIMITS, **{"adjuster__hands": "single", "adjuster__engagement": ONE_END, **changes})
    site = turned(record)
    assert site.turn_lacks("A", 6) == []
    assert site.turn_lacks("A", 6.01) == ["engagement-too-short"]
    assert site.turn_lacks("A", -6.01) == ["engagement-too-short"]


@pytest.mark.parametrize(
    "changes",
    [
        {"adjuster__thread": None},
        {"adjuster__thread": "M36 or so"},
        {"adjuster__hands": None},
        {"adjuster__hands": "same_hand_coupler"},
        {"adjuster__second_thread": "left"},
        {
            "adjuster__engagement": [
                {"end": "upper", "least_allowed": mm(36)},
                {"end": "lower", "least_allowed": mm(36)},
            ]
        },
    ],
    ids=["no-thread", "unreadable", "no-hands", "no-second", "unreadable-second", "not-drawn"],
)
def test_what_cannot_be_reckoned_does_not_pass(changes: dict[str, Any]) -> None:
    record = spring(**LIMITS, **changes)
    site = turned(record)
    assert site.turn_lacks("A", 0.1) == ["engagement-not-shown", "engagement-not-shown"]
    assert site.turn_lacks("A", 0.0) == []


def test_an_adjuster_without_ends_does_not_pass() -> None:
    site = turned(spring(adjuster__engagement=None, adjuster__hands="single"))
    assert site.turn_lacks("A", 0.1) == ["engagement-not-shown"]
    site = turned(spring(adjuster=None))
    assert site.turn_lacks("A", 0.1) == ["turn-limit-not-stated", "engagement-not-shown"]


def test_an_end_that_the_form_has_but_the_record_does_not_state_does_not_pass() -> None:
    site = turned(spring(adjuster__engagement=ONE_END))
    assert site.turn_lacks("A", 0.1) == ["engagement-not-shown"]


def test_the_least_engagement_comes_from_the_criteria_where_the_record_has_none() -> None:
    ends = [{"end": "lower", "as_drawn": mm(60)}]
    site = turned(spring(**LIMITS, adjuster__hands="single", adjuster__engagement=ends))
    # One diameter of M36: 36 mm.
    assert site.turn_lacks("A", -6) == []
    assert site.turn_lacks("A", -6.01) == ["engagement-too-short"]


# --- engagement: measured, full, short -------------------------------------------------------------------
def test_what_was_measured_counts_with_the_turns_since() -> None:
    site = turned(spring(**LIMITS))
    site.turn("A", -2)
    site.inspect("A", engagement=engaged("upper", 44) + engaged("lower", 60))
    # 44 mm now: two turns to 36 mm.
    assert site.turn_lacks("A", -2) == []
    assert site.turn_lacks("A", -2.01) == ["engagement-too-short"]
    site.turn("A", -1)
    assert site.turn_lacks("A", -1) == []
    assert site.turn_lacks("A", -1.01) == ["engagement-too-short"]


def test_full_engagement_seen_counts_as_the_least_allowed() -> None:
    ends = [{"end": "upper", "least_allowed": mm(36)}]
    site = turned(spring(**LIMITS, adjuster__hands="single", adjuster__engagement=ends))
    assert site.turn_lacks("A", 1) == ["engagement-not-shown"]
    site.inspect("A", engagement=engaged("upper", full=True))
    assert site.turn_lacks("A", 1) == []
    assert site.turn_lacks("A", -0.1) == ["engagement-too-short"]


def test_full_engagement_seen_and_the_drawing_are_both_lower_bounds() -> None:
    site = turned(spring(**LIMITS))
    site.inspect("A", engagement=engaged("upper", full=True) + engaged("lower", full=True))
    assert site.turn_lacks("A", -6) == []
    assert site.turn_lacks("A", -6.01) == ["engagement-too-short", "engagement-too-short"]


def test_what_stands_beyond_a_nut_is_known_from_the_drawing() -> None:
    record = spring(**LIMITS, adjuster__form="nut", adjuster__hands="single", adjuster__engagement=ONE_END)
    site = turned(record)
    site.inspect("A", engagement=engaged("lower", 36, True))
    assert site.turn_lacks("A", -6) == []
    assert site.turn_lacks("A", -6.01) == ["engagement-too-short"]
    site.inspect("A", engagement=engaged("lower", 35))
    assert site.turn_lacks("A", -0.1) == ["engagement-too-short", "engagement-too-short"]


@pytest.mark.parametrize(
    "seen", [engaged("upper", full=False), engaged("upper", 35), engaged("upper", 50, False)]
)
def test_after_a_failed_look_only_turns_that_restore_are_made(seen: list[dict[str, Any]]) -> None:
    site = turned(spring(**LIMITS))
    site.inspect("A", engagement=seen)
    assert "engagement-too-short" in site.turn_lacks("A", -0.5)
    assert site.turn_lacks("A", 0.5) == []
    assert site.turn_lacks("A", 0.0) == []
    site.turn("A", 3)
    assert "engagement-too-short" in site.turn_lacks("A", -0.5)
    site.inspect("A", engagement=engaged("upper", 48, True))
    assert site.turn_lacks("A", -0.5) == []


def test_a_load_adjuster_restores_no_thread() -> None:
    site = turned(constant(**LIMITS))
    site.inspect("A", engagement=engaged("upper", full=False))
    assert site.turn_lacks("A", 1, device="load_adjuster") == ["engagement-too-short"]


def test_a_turn_that_gains_thread_is_made_although_the_ledger_is_past_the_limit() -> None:
    site = turned(spring(**LIMITS))
    site.turn("A", -10)
    assert site.turn_lacks("A", 1) == []
    assert site.turn_lacks("A", -0.1) == ["engagement-too-short", "engagement-too-short"]


# --- pairs -----------------------------------------------------------------------------------------------
def test_the_assemblies_of_a_trapeze_are_turned_alike() -> None:
    site = easing(trapeze())
    assert site.turn_lacks("A", 0.5, 1) == []
    assert site.turn_lacks("A", 0.51, 1) == ["pair-turns-apart"]
    site.turn("A", 0.5, 1)
    assert site.turn_lacks("A", 0.1, 1) == ["pair-turns-apart"]
    assert site.turn_lacks("A", 1.0, 2) == []
    assert site.turn_lacks("A", 1.1, 2) == ["pair-turns-apart"]


def test_a_difference_that_is_too_large_may_shrink() -> None:
    site = easing(trapeze())
    site.turn("A", 3, 1)
    assert site.turn_lacks("A", 0.5, 2) == []
    assert site.turn_lacks("A", -0.5, 2) == ["pair-turns-apart"]


# --- as it stands: withdraw, reinsert, abandon -----------------------------------------------------------
COUNTS = [{"assembly": 1, "count": 2}]


def withdraw(site: Site) -> list[str]:
    site.see_free("A")
    return site.lacks("A", "withdraw", stops_withdrawn=COUNTS)


def test_no_stop_is_drawn_while_engagement_is_not_known() -> None:
    site = easing()
    assert withdraw(site) == []
    site.turn("A", 0.5)
    assert withdraw(site) == []
    del site.facts["hanger/A"]["assembly/1/engagement/upper"]
    assert withdraw(site) == ["engagement-not-shown"]


def test_a_look_that_says_nothing_shows_no_engagement() -> None:
    site = easing()
    site.inspect("A", engagement=engaged("lower"))
    assert withdraw(site) == ["engagement-not-shown"]


def test_an_adjuster_without_ends_shows_no_engagement() -> None:
    site = turned(spring(adjuster=None))
    site.inspect("A", stops_counted=2, stops_damaged=0)
    assert withdraw(site) == ["engagement-not-shown"]


def test_full_engagement_seen_before_turns_that_cannot_be_reckoned_shows_none() -> None:
    site = turned(spring(adjuster__thread=None))
    full = engaged("upper", full=True) + engaged("lower", full=True)
    site.inspect("A", stops_counted=2, stops_damaged=0, engagement=full)
    assert withdraw(site) == []
    site.turn("A", 0.5)
    assert withdraw(site) == ["engagement-not-shown", "engagement-not-shown"]


@pytest.mark.parametrize("seen", [engaged("lower", full=False), engaged("lower", 35)])
def test_no_stop_is_drawn_after_a_failed_look(seen: list[dict[str, Any]]) -> None:
    site = easing()
    site.inspect("A", engagement=seen)
    assert withdraw(site) == ["engagement-too-short"]
    site.turn("A", 2)
    assert withdraw(site) == ["engagement-too-short"]
    site.inspect("A", engagement=engaged("lower", 44, True))
    assert withdraw(site) == []


def test_no_stop_is_drawn_when_the_turns_since_leave_too_little() -> None:
    site = easing()
    site.turn("A", -7)
    assert withdraw(site) == ["engagement-too-short", "engagement-too-short"]


def test_locking_again_wants_the_thread_to_hold() -> None:
    site = easing()
    site.inspect("A", engagement=engaged("lower", full=False))
    assert site.lacks("A", "abandon") == ["engagement-too-short"]
    site = Site(A=spring())
    site.bring("A", "stops_out")
    site.put_back("A")
    assert site.lacks("A", "reinsert") == []
    site.inspect("A", engagement=engaged("lower"))
    assert site.lacks("A", "reinsert") == ["engagement-not-shown"]
    site.inspect("A", engagement=engaged("lower", 30))
    assert site.lacks("A", "reinsert") == ["engagement-too-short"]


def test_a_turn_is_a_persons() -> None:
    assert easing().turn_lacks("A", 0.5, by=CREW, kind="system") == ["performer-not-a-person"]


# --- the way back with the stops out ----------------------------------------------------------------------
def eased_by(turns: float, **others: Any) -> Site:
    """A hanger whose nut was turned in easing and whose stops are out."""
    site = Site(A=spring(), **others)
    site.bring("A", "easing")
    site.turn("A", turns)
    site.see_free("A")
    site.bring("A", "stops_out")
    return site


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_with_the_stops_out_the_nut_goes_back_to_where_it_was_and_no_further(sign: float) -> None:
    site = eased_by(0.5 * sign)
    for back in (-0.25, -0.5):
        assert site.turn_lacks("A", back * sign) == []
    for other in (-0.75, 0.25):
        assert site.turn_lacks("A", other * sign) == ["turn-not-open"]
    site.turn("A", -0.5 * sign)
    assert site.turn_lacks("A", -0.25 * sign) == ["turn-not-open"]


def test_the_nut_does_not_go_back_while_another_hanger_is_eased() -> None:
    site = eased_by(0.5, B=spring())
    site.bring("B", "easing")
    assert site.turn_lacks("A", -0.5) == ["another-in-easing"]


def test_the_load_adjuster_does_not_go_back_there() -> None:
    site = Site(A=constant())
    site.bring("A", "easing")
    site.turn("A", 0.5)
    site.see_free("A")
    site.bring("A", "stops_out")
    assert "turn-not-open" in site.turn_lacks("A", -0.5, device="load_adjuster")


def test_turns_of_an_earlier_cycle_are_not_turned_back_with_the_stops_out() -> None:
    site = Site(A=spring())
    site.bring("A", "easing")
    site.turn("A", 0.5)
    site.bring("A", "proved")
    site.read_cold("A")
    site.put_back("A")
    site.step("A", "relock", by=ENGINEER, purpose="repair")
    site.bring("A", "stops_out")
    assert site.turn_lacks("A", -0.5) == ["turn-not-open"]
