"""Folding: what each event makes known, what it leaves alone, and what comes late."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.release.fold import fold_hanger, fold_line, newest_versions, refold_hanger, refold_line
from service.domain.views import INITIAL_STATUS
from service.errors import LogCorrupt
from tests.unit.domain.release.support import (
    CHECKER,
    CREW,
    ENGINEER,
    MATE,
    SYSTEM,
    Site,
    celsius,
    constant,
    instant,
    mm,
    spring,
)


def value(site: Site, name: str, mark: str = "A") -> Any:
    fact = site.hanger_facts(mark).get(name)
    return None if fact is None else fact.value


# --- inspections -------------------------------------------------------------------------------------
def test_an_inspection_states_only_what_was_seen() -> None:
    site = Site(A=spring())
    event = site.inspect("A", in_place=True, rod_slack=False, line_temperature=celsius(20))
    assert {name: fact.value for name, fact in site.hanger_facts("A").items()} == {
        "assembly/1/in_place": True,
        "assembly/1/rod_slack": False,
        "assembly/1/inspected_temperature": celsius(20),
    }
    fact = site.hanger_facts("A")["assembly/1/in_place"]
    assert (fact.sequence, fact.shown_by, fact.occurred_at, fact.performed_by) == (
        0,
        0,
        event.occurred_at,
        CREW,
    )


def test_an_inspection_entered_late_does_not_cover_a_newer_one() -> None:
    site = Site(A=spring())
    site.inspect("A", rod_slack=False, at=instant(30))
    site.inspect("A", rod_slack=True, in_place=True, at=instant(20))
    assert value(site, "assembly/1/rod_slack") is False
    assert value(site, "assembly/1/in_place") is True


def test_of_two_looks_at_the_same_moment_the_later_place_wins() -> None:
    site = Site(A=spring())
    site.inspect("A", rod_slack=False, at=instant(30))
    site.inspect("A", rod_slack=True, at=instant(30))
    assert value(site, "assembly/1/rod_slack") is True


def test_moments_are_compared_and_not_texts() -> None:
    site = Site(A=spring())
    site.inspect("A", rod_slack=False, at="2026-05-05T09:00:00+02:00")
    site.inspect("A", rod_slack=True, at="2026-05-05T08:00:00Z")
    assert value(site, "assembly/1/rod_slack") is True
    site.inspect("A", rod_slack=False, at="2026-05-05T09:30:00+02:00")
    assert value(site, "assembly/1/rod_slack") is True


@pytest.mark.parametrize("state", ["locked", "cleared", "easing"])
def test_a_count_while_stops_are_in_marks_them_in(state: str) -> None:
    site = Site(A=spring(assemblies=[{"stops": 3}]))
    site.made("A", "x", state)
    site.inspect("A", stops_counted=3)
    assert [value(site, f"assembly/1/stop/{n}")["position"] for n in (1, 2, 3)] == ["in", "in", "in"]
    assert value(site, "assembly/1/stop/4") is None


def test_a_count_after_the_stops_came_out_marks_nothing() -> None:
    site = Site(A=spring())
    site.made("A", "x", "stops_out")
    site.inspect("A", stops_counted=2)
    assert value(site, "assembly/1/stop/1") is None
    assert value(site, "assembly/1/stops_counted") == 2


def test_a_lower_count_forgets_stops_that_nobody_looked_at() -> None:
    site = Site(A=spring(assemblies=[{"stops": 3}]))
    site.inspect("A", stops_counted=3)
    site.stop("A", "observed", 3, bearing_face="upper", free_by_hand=False)
    site.inspect("A", stops_counted=1)
    assert value(site, "assembly/1/stop/1")["position"] == "in"
    assert value(site, "assembly/1/stop/2") is None
    assert value(site, "assembly/1/stop/3")["position"] == "in"


def test_a_count_leaves_stops_alone_that_are_known() -> None:
    site = Site(A=spring())
    site.stop("A", "observed", 1, bearing_face="none", free_by_hand=True)
    site.inspect("A", stops_counted=2)
    assert value(site, "assembly/1/stop/1")["bearing_face"] == "none"


def test_an_old_count_entered_late_changes_no_stop() -> None:
    site = Site(A=spring())
    site.inspect("A", stops_counted=1, at=instant(30))
    site.inspect("A", stops_counted=2, at=instant(20))
    assert value(site, "assembly/1/stop/2") is None


def test_verifications_keep_who_stands_behind_them() -> None:
    site = Site(A=spring())
    site.inspect("A", adjuster_locked=True, by=CHECKER, actor=MATE)
    assert value(site, "verifiers") == {"retaining_hardware": [], "adjuster_locked": sorted([CHECKER, MATE])}
    assert value(site, "assembly/1/verified_by/adjuster_locked") == sorted([CHECKER, MATE])
    site.inspect("A", adjuster_locked=True, by=CREW, actor=SYSTEM, role="integrator")
    assert value(site, "assembly/1/verified_by/adjuster_locked") == [CREW]
    assert value(site, "verifiers")["adjuster_locked"] == sorted([CHECKER, MATE, CREW])


# --- turns and engagement ------------------------------------------------------------------------------
def test_the_ledger_counts_turns_both_ways() -> None:
    site = Site(A=spring())
    for turns in (0.5, 0.25, -1.0):
        site.turn("A", turns)
    ledger = value(site, "assembly/1/ledger")
    assert ledger["net_turns"] == -0.25
    assert ledger["cycle_net_turns"] == -0.25
    assert (ledger["turned_up"], ledger["turned_down"], ledger["entries"]) == (0.75, 1.0, 3)
    assert ledger["load_adjuster_turns"] == 0.0


def test_tenths_of_a_turn_come_back_to_zero() -> None:
    site = Site(A=spring())
    for turns in (0.1, 0.2, -0.3):
        site.turn("A", turns)
    assert value(site, "assembly/1/ledger")["net_turns"] == 0.0
    assert str(value(site, "assembly/1/ledger")["net_turns"]) == "0.0"


def test_the_ledger_is_dated_by_its_latest_turn() -> None:
    site = Site(A=spring())
    site.turn("A", 1, at=instant(30))
    site.turn("A", 1, at=instant(20))
    fact = site.hanger_facts("A")["assembly/1/ledger"]
    assert (fact.occurred_at, fact.sequence) == (instant(30).isoformat(), 1)


def test_turns_of_the_load_adjuster_leave_the_rod_alone() -> None:
    site = Site(A=constant())
    site.made("A", "ease", "easing")
    site.turn("A", 2, device="load_adjuster")
    ledger = value(site, "assembly/1/ledger")
    assert (ledger["net_turns"], ledger["load_adjuster_turns"], ledger["entries"]) == (0.0, 2.0, 1)
    assert ledger["load_adjuster_eased"] is True
    assert value(site, "assembly/1/unmeasured_turns") is None


@pytest.mark.parametrize(
    ("path", "eased"), [(("easing", "on_hold"), True), (("positioning", "on_hold"), False)]
)
def test_on_hold_the_load_adjuster_counts_as_where_it_was_held(path: tuple[str, str], eased: bool) -> None:
    site = Site(A=constant())
    site.made("A", "x", path[0])
    site.made("A", "hold", path[1])
    site.turn("A", 2, device="load_adjuster")
    assert value(site, "assembly/1/ledger")["load_adjuster_eased"] is eased


def test_engagement_keeps_the_net_turns_of_its_moment() -> None:
    site = Site(A=spring())
    site.turn("A", 1, at=instant(10))
    site.turn("A", 2, at=instant(20), engagement=[{"end": "upper", "measured": mm(70)}])
    assert value(site, "assembly/1/engagement/upper") == {"measured": mm(70), "full": None, "net_turns": 3.0}


def test_engagement_entered_late_does_not_count_turns_made_after_it() -> None:
    site = Site(A=spring())
    site.turn("A", 1, at=instant(10))
    site.turn("A", 2, at=instant(30))
    site.inspect("A", engagement=[{"end": "lower", "full": True}], at=instant(20))
    assert value(site, "assembly/1/engagement/lower") == {"measured": None, "full": True, "net_turns": 1.0}
    assert value(site, "assembly/1/engagement/upper") is None


def test_a_turn_entered_late_is_already_in_what_was_measured_after_it() -> None:
    site = Site(A=spring())
    site.inspect("A", engagement=[{"end": "upper", "measured": mm(50)}], at=instant(20))
    site.turn("A", -1, at=instant(10))
    assert value(site, "assembly/1/engagement/upper")["net_turns"] == -1.0
    site.turn("A", -2, at=instant(30))
    assert value(site, "assembly/1/engagement/upper")["net_turns"] == -1.0
    assert value(site, "assembly/1/ledger")["net_turns"] == -3.0


def test_engagement_older_than_the_known_one_changes_nothing() -> None:
    site = Site(A=spring())
    site.inspect("A", engagement=[{"end": "upper", "measured": mm(50)}], at=instant(20))
    site.turn("A", 1, at=instant(30))
    site.inspect("A", engagement=[{"end": "upper", "measured": mm(40)}], at=instant(10))
    assert value(site, "assembly/1/engagement/upper") == {"measured": mm(50), "full": None, "net_turns": 0.0}


# --- stops ---------------------------------------------------------------------------------------------
def test_an_observation_is_kept_with_its_place_and_time() -> None:
    site = Site(A=spring())
    event = site.stop("A", "observed", bearing_face="lower", free_by_hand=False)
    assert value(site, "assembly/1/stop/1") == {
        "position": "in",
        "bearing_face": "lower",
        "free_by_hand": False,
        "observed_sequence": 0,
        "observed_at": event.occurred_at,
        "stowed_at": None,
    }
    assert value(site, "disturbance") is None


def test_a_withdrawal_takes_out_as_many_as_it_counted() -> None:
    site = Site(A=spring(assemblies=[{"stops": 2}, {"stops": 1}]))
    counts = [{"assembly": 1, "count": 2}, {"assembly": 2, "count": 1}]
    site.made("A", "withdraw", "stops_out", stops_withdrawn=counts)
    names = ("assembly/1/stop/1", "assembly/1/stop/2", "assembly/2/stop/1")
    assert [value(site, name)["position"] for name in names] == ["out"] * 3
    assert value(site, "assembly/2/stop/2") is None
    assert value(site, "withdrawal") == {"stops_withdrawn": counts}


def test_looking_at_a_stop_never_puts_it_back() -> None:
    site = Site(A=spring())
    site.made("A", "withdraw", "stops_out", stops_withdrawn=[{"assembly": 1, "count": 1}])
    site.stop("A", "stowed", stowed_at="bag 1")
    site.stop("A", "observed", bearing_face="none", free_by_hand=True)
    seen = value(site, "assembly/1/stop/1")
    assert (seen["position"], seen["stowed_at"]) == ("stowed", "bag 1")


def test_an_inserted_stop_is_in_and_disturbs() -> None:
    site = Site(A=spring())
    site.made("A", "withdraw", "stops_out", stops_withdrawn=[{"assembly": 1, "count": 1}])
    event = site.stop("A", "inserted")
    assert value(site, "assembly/1/stop/1")["position"] == "in"
    assert value(site, "disturbance") == {"what": "stop", "latest_occurred_at": event.occurred_at}


# --- readings --------------------------------------------------------------------------------------------
def test_a_reading_keeps_state_flags_and_cycle() -> None:
    site = Site(A=spring())
    site.read("A", "cold", 81, flags=["jump"], last_movement="rising")
    assert value(site, "assembly/1/reading/cold") == {
        "position": mm(81),
        "load_indicator": None,
        "elevation": None,
        "line_temperature": None,
        "legible": None,
        "last_movement": "rising",
        "reading_resolution": None,
        "release_state": "locked",
        "flags": ["jump"],
        "cycle": 1,
    }


def test_readings_of_different_conditions_stand_side_by_side() -> None:
    site = Site(A=spring())
    site.read("A", "cold", 80, at=instant(10))
    site.read("A", "hot", 120, at=instant(20))
    site.read("A", "cold", 90, at=instant(5))
    assert value(site, "assembly/1/reading/cold")["position"] == mm(80)
    assert value(site, "assembly/1/reading/hot")["position"] == mm(120)


# --- disturbances and persons ----------------------------------------------------------------------------
def test_a_disturbance_keeps_the_latest_time_and_the_last_place() -> None:
    site = Site(A=spring())
    site.turn("A", 1, at=instant(30))
    site.turn("A", 1, at=instant(20))
    fact = site.hanger_facts("A")["disturbance"]
    assert fact.value == {"what": "turn", "latest_occurred_at": instant(30).isoformat()}
    assert fact.sequence == 1


def test_performers_are_who_did_it_and_who_entered_it() -> None:
    site = Site(A=spring())
    site.turn("A", 1, by=CREW, actor=MATE)
    site.turn("A", 1, by=CREW)
    site.made("A", "ease", "easing", by=CREW)
    site.stop("A", "inserted", by=MATE)
    site.stop("A", "stowed", by=MATE)
    site.stop("A", "observed", by=CHECKER)
    assert value(site, "performers") == {CREW: ["turn", "ease"], MATE: ["turn", "insert", "stow"]}


def test_steps_that_the_service_makes_have_no_performer() -> None:
    site = Site(A=spring())
    site.made("A", "clear", "cleared", by=ENGINEER, caused_by=0)
    site.made("A", "hold", "on_hold", by=ENGINEER, reason="doubt")
    site.made("A", "abandon", "locked", by=ENGINEER, caused_by=1)
    assert value(site, "performers") is None


# --- status and cycles -------------------------------------------------------------------------------------
def test_a_new_hanger_has_no_status_fact() -> None:
    site = Site(A=spring())
    site.post("hanger-recorded", "hanger/A", {"revision": 1, "document": {}})
    site.post("hanger-transferred", "hanger/A", {"from_line": "L-0", "to_line": "L-1"})
    assert site.hanger_facts("A") == {}
    assert site.view("A").status == INITIAL_STATUS


def test_a_retirement_is_a_fact() -> None:
    site = Site(A=spring())
    site.post("hanger-retired", "hanger/A", {})
    assert value(site, "retired") == {"sequence": 0}


def test_clearing_keeps_the_authorisation_and_who_gave_it() -> None:
    site = Site(A=spring())
    site.authorise("A")
    status = value(site, "status")
    assert (status["state"], status["authorisation"], status["authorised_by"]) == ("cleared", 0, ENGINEER)


def test_a_hold_remembers_where_it_held() -> None:
    site = Site(A=spring())
    site.bring("A", "easing")
    site.made("A", "hold", "on_hold")
    assert value(site, "status")["held_from"] == "easing"
    site.made("A", "dispose", "easing")
    assert (value(site, "status")["state"], value(site, "status")["held_from"]) == ("easing", None)
    site.made("A", "hold", "on_hold")
    site.made("A", "dispose", "resume")
    assert value(site, "status")["state"] == "easing"


@pytest.mark.parametrize("step", ["lapse", "abandon", "reinsert", "dispose"])
def test_going_back_to_locked_ends_the_authorisation_and_forgets_what_was_seen(step: str) -> None:
    site = Site(A=spring())
    site.bring("A", "easing")
    site.see_free("A")
    site.made("A", "withdraw", "stops_out", stops_withdrawn=[])
    site.made("A", "confirm", "released")
    site.made("A", step, "locked")
    status = value(site, "status")
    assert (status["authorisation"], status["authorised_by"], status["paired_with"]) == (None, None, [])
    assert status["cycle"] == 1
    stop = value(site, "assembly/1/stop/1")
    assert (stop["position"], stop["bearing_face"], stop["observed_sequence"]) == ("in", None, None)
    assert value(site, "withdrawal") is None
    assert value(site, "confirmation") is None
    assert value(site, "assembly/1/stops_counted") == 2


def test_locking_again_opens_the_next_cycle_with_what_it_keeps() -> None:
    site = Site(A=constant())
    site.inspect("A", in_place=True, nameplate={"legible": True}, pipe_to_support_dimension=mm(1850))
    site.bring("A", "easing")
    site.turn("A", 0.5)
    site.turn("A", 1, device="load_adjuster")
    site.turn("A", -1, device="load_adjuster")
    site.bring("A", "released")
    event = site.made("A", "relock", "locked", by=ENGINEER, role="engineer", purpose="repair")
    status = value(site, "status")
    assert (status["state"], status["cycle"]) == ("locked", 2)
    assert (status["cycle_started_at"], status["cycle_started_sequence"]) == (
        event.occurred_at,
        event.sequence,
    )
    assert sorted(site.hanger_facts("A")) == [
        "assembly/1/engagement/lower",
        "assembly/1/engagement/upper",
        "assembly/1/in_place",
        "assembly/1/ledger",
        "assembly/1/nameplate",
        "assembly/1/pipe_to_support_dimension",
        "disturbance",
        "status",
    ]
    ledger = value(site, "assembly/1/ledger")
    assert (ledger["net_turns"], ledger["cycle_net_turns"]) == (0.5, 0.0)
    assert (ledger["entries"], ledger["load_adjuster_eased"]) == (3, False)


def test_what_happened_before_the_cycle_changes_no_fact_of_it() -> None:
    site = Site(A=spring())
    site.bring("A", "released")
    before = site.now
    site.made("A", "relock", "locked", by=ENGINEER, role="engineer")
    known = dict(site.hanger_facts("A"))
    site.inspect("A", stops_counted=2, in_place=True, at=before)
    site.read("A", "cold", 80, at=before)
    site.turn("A", 1, at=before)
    site.stop("A", "observed", at=before)
    assert site.hanger_facts("A") == known
    site.inspect("A", stops_counted=2)
    assert value(site, "assembly/1/stops_counted") == 2


def test_a_step_of_the_service_counts_although_its_cause_is_dated_before_the_cycle() -> None:
    site = Site(A=spring())
    site.bring("A", "released")
    before = site.now
    site.made("A", "relock", "locked", by=ENGINEER, role="engineer")
    site.made("A", "hold", "on_hold", caused_by=0, at=before)
    assert value(site, "status")["state"] == "on_hold"


# --- folding again -----------------------------------------------------------------------------------------
@pytest.mark.parametrize("fold", [fold_hanger, fold_line])
def test_a_correction_is_not_folded_by_itself(fold: Any) -> None:
    site = Site(A=spring())
    site.turn("A", 1)
    event = site.turn("A", 2, corrects=0)
    with pytest.raises(ValueError, match="fold the whole history"):
        fold({}, event)


def test_a_correction_counts_where_the_mistake_stood() -> None:
    site = Site(A=spring())
    site.turn("A", 5)
    site.inspect("A", engagement=[{"end": "upper", "measured": mm(50)}])
    site.turn("A", 0.5, corrects=0, at=instant(1))
    site.turn("A", 0.25, corrects=2, at=instant(1))
    fact = site.hanger_facts("A")["assembly/1/ledger"]
    assert (fact.value["net_turns"], fact.value["entries"]) == (0.25, 1)
    assert (fact.sequence, fact.shown_by) == (0, 3)
    assert value(site, "assembly/1/engagement/upper")["net_turns"] == 0.25


def test_a_withdrawn_event_counts_no_more() -> None:
    site = Site(A=spring())
    site.turn("A", 5)
    site.turn("A", 1)
    site.post("adjuster-turned", "hanger/A", {"withdraws": True}, corrects=0)
    ledger = value(site, "assembly/1/ledger")
    assert (ledger["net_turns"], ledger["entries"]) == (1.0, 1)


def test_a_correction_of_an_earlier_cycle_stays_in_it() -> None:
    site = Site(A=spring())
    site.inspect("A", in_place=True, stops_counted=2)
    site.bring("A", "released")
    site.made("A", "relock", "locked", by=ENGINEER, role="engineer")
    site.inspect("A", in_place=False, stops_counted=1, corrects=0, at=instant(1))
    assert value(site, "assembly/1/in_place") is False
    assert value(site, "assembly/1/stops_counted") is None


def test_a_line_is_folded_again_likewise() -> None:
    site = Site(A=spring())
    site.inspect_line(contents="water")
    site.inspect_line(insulation="complete")
    site.inspect_line(contents="empty", corrects=0, at=instant(1))
    assert site.line_facts()["contents"].value == "empty"
    assert site.line_facts()["contents"].sequence == 0
    assert site.line_facts()["disturbance"].shown_by == 2


def test_a_correction_of_nothing_is_a_corrupt_log() -> None:
    site = Site(A=spring())
    event = site.turn("A", 1)
    with pytest.raises(LogCorrupt):
        newest_versions([event, replace(event, sequence=1, corrects=7)])


def test_folding_again_up_to_a_place_takes_in_later_corrections() -> None:
    site = Site(A=spring())
    site.turn("A", 5)
    site.turn("A", 1)
    site.turn("A", 2, corrects=0, at=instant(1))
    facts = refold_hanger(site.events, before=1)
    assert facts["assembly/1/ledger"].value["net_turns"] == 2.0
    assert refold_line([], before=1) == {}


ACTS = st.lists(
    st.tuples(
        st.sampled_from(["inspect", "turn", "stop", "read", "step", "line"]),
        st.integers(0, 40),
        st.integers(1, 2),
        st.sampled_from([-1.0, -0.3, 0.1, 0.5]),
    ),
    max_size=25,
)


@given(ACTS)
def test_without_corrections_folding_again_gives_the_same_facts(
    acts: list[tuple[str, int, int, float]],
) -> None:
    site = Site(A=spring(assemblies=[{"stops": 2}, {"stops": 2}]))
    steps = [("ease", "easing"), ("withdraw", "stops_out"), ("hold", "on_hold"), ("relock", "locked")]
    for kind, minute, number, turns in acts:
        at = instant(minute)
        if kind == "inspect":
            site.inspect(
                "A", number, stops_counted=number, engagement=[{"end": "upper", "full": True}], at=at
            )
        elif kind == "turn":
            site.turn("A", turns, number, at=at)
        elif kind == "stop":
            site.stop("A", ["observed", "stowed", "inserted"][minute % 3], number, at=at)
        elif kind == "read":
            site.read("A", "cold", minute, number, at=at)
        elif kind == "step":
            name, target = steps[minute % 4]
            site.made("A", name, target, at=at, stops_withdrawn=[{"assembly": 1, "count": 2}])
        else:
            site.inspect_line(contents=["empty", "water"][number - 1], at=at)
    assert refold_hanger(site.of("hanger/A")) == site.hanger_facts("A")
    assert refold_line(site.of("line/L-1")) == site.line_facts()
