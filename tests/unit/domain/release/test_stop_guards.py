"""Guards of the travel stops: withdrawal by hand, positioning, putting back, and single stop acts."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from service.domain.release.guards import lacks, stop_lacks
from tests.unit.domain.release.support import RIGID, Site, codes, mm, spring, trapeze

COUNTS = [{"assembly": 1, "count": 2}]


def eased(**records: Any) -> Site:
    """A line whose first hanger is in easing with every stop just seen free."""
    site = Site(**(records or {"A": spring()}))
    site.bring("A", "easing")
    site.see_free("A")
    return site


def withdraw(site: Site, **options: Any) -> list[str]:
    return site.lacks("A", "withdraw", stops_withdrawn=options.pop("stops_withdrawn", COUNTS), **options)


def test_stops_just_seen_free_may_be_drawn() -> None:
    assert withdraw(eased()) == []


# --- free, and seen since --------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("face", "free"),
    [("upper", True), ("lower", True), ("unknown", True), ("none", False), ("none", None), (None, True)],
)
def test_every_stop_is_seen_with_no_face_bearing_and_free_by_hand(
    face: str | None, free: bool | None
) -> None:
    site = eased()
    seen = {
        key: value for key, value in (("bearing_face", face), ("free_by_hand", free)) if value is not None
    }
    site.stop("A", "observed", 2, **seen)
    lack = site.lacking("A", "withdraw", stops_withdrawn=COUNTS)[0]
    assert withdraw(site) == ["stop-not-free"]
    assert lack.known == {"bearing_face": face, "free_by_hand": free}
    assert lack.subject == "hanger/A/assembly/1"


def test_a_stop_never_looked_at_is_not_free() -> None:
    site = Site(A=spring())
    site.bring("A", "easing")
    lack = site.lacking("A", "withdraw", stops_withdrawn=COUNTS)[0]
    assert withdraw(site) == ["stop-not-free", "stop-not-free"]
    assert lack.known is None


def test_a_turn_of_this_hanger_makes_what_was_seen_stale() -> None:
    site = eased()
    event = site.turn("A", 0.25)
    lack = site.lacking("A", "withdraw", stops_withdrawn=COUNTS)[0]
    assert withdraw(site) == ["observation-stale", "observation-stale"]
    assert lack.shown_by == event.sequence
    site.see_free("A")
    assert withdraw(site) == []


def test_a_turn_of_a_neighbour_makes_what_was_seen_stale() -> None:
    site = eased(A=spring(), B=spring())
    site.made("B", "x", "positioning")
    site.see_free("A")
    assert withdraw(site) == []
    site.turn("B", 0.25)
    assert withdraw(site) == ["observation-stale", "observation-stale"]


def test_a_stop_put_back_at_a_neighbour_makes_it_stale() -> None:
    site = eased(A=spring(), B=spring())
    site.stop("B", "inserted")
    assert withdraw(site) == ["observation-stale", "observation-stale"]


def test_a_step_of_a_neighbour_makes_it_stale() -> None:
    site = eased(A=spring(), B=spring())
    site.made("B", "confirm", "released")
    assert withdraw(site) == ["observation-stale", "observation-stale"]


def test_a_change_of_contents_makes_it_stale() -> None:
    site = eased()
    site.inspect_line(contents="water")
    assert withdraw(site) == ["observation-stale", "observation-stale"]
    site.see_free("A")
    site.inspect_line(contents="water")
    assert withdraw(site) == []


def test_a_stop_seen_or_stowed_elsewhere_disturbs_nothing() -> None:
    site = eased(A=spring(), B=spring())
    site.stop("B", "observed", bearing_face="upper", free_by_hand=False)
    site.stop("B", "stowed")
    site.inspect("B", rod_slack=False)
    site.read("B", "cold", 80)
    assert withdraw(site) == []


def test_what_was_seen_before_the_turn_but_written_down_after_it_is_stale() -> None:
    site = eased()
    before = site.now
    turn = site.turn("A", 0.25)
    site.see_free("A", at=before)
    assert withdraw(site) == ["observation-stale", "observation-stale"]
    site.see_free("A", at=turn.occurred_at)
    assert withdraw(site) == ["observation-stale", "observation-stale"]


def test_what_was_written_down_before_a_turn_of_earlier_time_is_stale_too() -> None:
    site = eased()
    seen = site.now
    site.turn("A", 0.25, at=seen - timedelta(minutes=5))
    assert withdraw(site) == ["observation-stale", "observation-stale"]


# --- how long it counts ----------------------------------------------------------------------------------
def test_what_was_seen_counts_for_the_stated_time() -> None:
    site = Site({"bearing_valid_minutes": 30}, A=spring(assemblies=[{"stops": 1}]))
    site.bring("A", "easing")
    site.see_free("A")
    seen, one = site.now, [{"assembly": 1, "count": 1}]
    half_hour, second = timedelta(minutes=30), timedelta(seconds=1)
    assert withdraw(site, at=seen + half_hour, stops_withdrawn=one) == []
    late = seen + half_hour + second
    assert withdraw(site, at=late, stops_withdrawn=one) == ["observation-too-old"]
    # Dated back into the half hour, but told to the service after it.
    assert withdraw(site, at=seen, now=late, stops_withdrawn=one) == ["observation-too-old"]
    # Dated a little ahead of the service's clock, as site clocks run.
    assert withdraw(site, at=late, now=seen, stops_withdrawn=one) == ["observation-too-old"]


def test_no_stop_is_seen_in_after_it_was_drawn() -> None:
    site = eased()
    assert withdraw(site, at=site.now - timedelta(seconds=30)) == ["observation-later-than-act"]
    assert withdraw(site, at=site.now) == []


# --- counted, in, undamaged -------------------------------------------------------------------------------
def test_the_stops_are_counted_and_as_many_as_drawn() -> None:
    site = eased()
    site.inspect("A", stops_counted=1)
    lack = site.lacking("A", "withdraw", stops_withdrawn=COUNTS)[0]
    assert (lack.code, lack.expected, lack.known) == ("stop-count-not-as-drawn", 2, 1)
    assert withdraw(site) == ["stop-count-not-as-drawn"]


def test_stops_never_counted_are_not_drawn() -> None:
    site = eased()
    del site.facts["hanger/A"]["assembly/1/stops_counted"]
    assert withdraw(site) == ["stop-count-not-as-drawn"]


def test_a_record_silent_about_its_stops_opens_nothing() -> None:
    site = Site(A=spring(assemblies=[{}]))
    site.made("A", "ease", "easing")
    site.inspect("A", stops_counted=2, stops_damaged=0, engagement=full())
    assert withdraw(site, stops_withdrawn=[]) == ["stop-count-not-as-drawn", "withdrawn-count-not-as-drawn"]
    site = Site(A=spring(assemblies=None))
    site.made("A", "ease", "easing")
    assert withdraw(site, stops_withdrawn=[]) == ["assemblies-not-stated"]


def full() -> list[dict[str, Any]]:
    return [{"end": end, "measured": mm(60), "full": True} for end in ("upper", "lower")]


def test_a_stop_beyond_the_drawing_is_a_wrong_count() -> None:
    site = eased()
    site.stop("A", "observed", 3, bearing_face="none", free_by_hand=True)
    lack = site.lacking("A", "withdraw", stops_withdrawn=COUNTS)[0]
    assert withdraw(site) == ["stop-count-not-as-drawn"]
    assert (lack.expected, lack.known) == (2, 3)


@pytest.mark.parametrize("damaged", [1, None])
def test_no_stop_is_damaged_and_somebody_looked(damaged: int | None) -> None:
    site = eased()
    if damaged is None:
        del site.facts["hanger/A"]["assembly/1/stops_damaged"]
    else:
        site.inspect("A", stops_damaged=damaged)
    assert withdraw(site) == ["stop-damaged"]


def test_every_stop_has_to_be_in() -> None:
    site = eased()
    fact = site.facts["hanger/A"]["assembly/1/stop/2"]
    fact.value["position"] = "out"
    assert withdraw(site) == ["stop-not-in"]
    del site.facts["hanger/A"]["assembly/1/stop/2"]
    assert withdraw(site) == ["stop-not-in", "stop-not-free"]


@pytest.mark.parametrize(
    "counts",
    [
        [],
        [{"assembly": 1, "count": 1}],
        [{"assembly": 1, "count": 3}],
        [{"assembly": 2, "count": 2}],
        [{"assembly": 1, "count": 2}, {"assembly": 2, "count": 0}],
        [{"assembly": 1, "count": 2}, {"assembly": 1, "count": 2}],
    ],
)
def test_every_stop_that_came_out_is_counted_in_the_hand(counts: list[dict[str, int]]) -> None:
    assert withdraw(eased(), stops_withdrawn=counts) == ["withdrawn-count-not-as-drawn"]


def test_both_assemblies_of_a_trapeze_have_to_be_free() -> None:
    site = Site(A=trapeze())
    site.bring("A", "easing")
    site.see_free("A")
    counts = [{"assembly": 1, "count": 1}, {"assembly": 2, "count": 1}]
    assert withdraw(site, stops_withdrawn=counts) == []
    site.stop("A", "observed", 1, 2, bearing_face="lower", free_by_hand=False)
    lack = site.lacking("A", "withdraw", stops_withdrawn=counts)[0]
    assert withdraw(site, stops_withdrawn=counts) == ["stop-not-free"]
    assert lack.subject == "hanger/A/assembly/2"


# --- position ------------------------------------------------------------------------------------------
def test_a_hanger_is_positioned_when_every_stop_of_the_line_is_out() -> None:
    site = Site(A=spring(), B=spring(), R=RIGID)
    site.bring("A", "stops_out")
    site.erected("B")
    lack = site.lacking("A", "position")[0]
    assert site.lacks("A", "position") == ["stop-still-in", "stop-still-in"]
    assert (lack.subject, lack.known) == ("hanger/B/assembly/1", "in")
    site.bring("B", "stops_out")
    assert site.lacks("A", "position") == []
    site.stow("B")
    assert site.lacks("A", "position") == []


def test_a_stop_of_its_own_that_is_back_in_bars_positioning() -> None:
    site = Site(A=spring())
    site.bring("A", "stops_out")
    site.stop("A", "inserted", 1)
    assert site.lacks("A", "position") == ["stop-still-in"]


def test_a_stage_is_positioned_by_itself() -> None:
    site = Site(A=spring(), B=spring(), C=spring())
    site.erected("A")
    site.authorise("A", stage=["a"])
    site.erected("C")
    site.authorise("C", stage=["C"])
    site.bring("A", "stops_out")
    assert site.lacks("A", "position") == []


def test_an_authorisation_that_is_not_known_any_more_means_the_whole_line() -> None:
    site = Site(A=spring(), B=spring())
    site.erected("A")
    event = site.authorise("A", stage=["A"])
    site.bring("A", "stops_out")
    site.post("authorisation-ended", "line/L-1", {"authorisation": event.sequence, "cause": "transfer"})
    assert site.lacks("A", "position") == []
    site.authorise("B", stage=["B"])
    assert site.lacks("A", "position") == ["stop-still-in", "stop-still-in"]
    site.facts["line/L-1"].clear()
    assert site.lacks("A", "position") == ["stop-still-in", "stop-still-in"]


@pytest.mark.parametrize("record", [spring(assemblies=None), spring(assemblies=[{"stops": 1}, {}])])
def test_a_neighbour_whose_stops_are_not_stated_is_not_out(record: dict[str, Any]) -> None:
    site = Site(A=spring(), B=record)
    site.bring("A", "stops_out")
    lack = site.lacking("A", "position")[0]
    assert site.lacks("A", "position") == ["stop-still-in"]
    assert (lack.subject, lack.known) == ("hanger/B", None)


def test_a_neighbour_whose_stops_nobody_saw_is_not_out() -> None:
    site = Site(A=spring(), B=spring())
    site.bring("A", "stops_out")
    assert site.lacks("A", "position") == ["stop-still-in", "stop-still-in"]


def test_a_retired_neighbour_bars_nothing() -> None:
    site = Site(A=spring(), B=spring())
    site.bring("A", "stops_out")
    site.retired.add("B")
    line = replace(site.line(), hangers=(site.view("A"), site.view("B")))
    assert codes(lacks("position", replace(site.situation("A", {}), line=line))) == []


# --- back to locked ---------------------------------------------------------------------------------------
def test_easing_is_abandoned_with_every_stop_in() -> None:
    site = Site(A=spring())
    site.bring("A", "easing")
    assert site.lacks("A", "abandon") == []
    site.facts["hanger/A"]["assembly/1/stop/1"].value["position"] = "out"
    assert site.lacks("A", "abandon") == ["stop-not-in"]
    site.inspect("A", stops_counted=1)
    assert site.lacks("A", "abandon") == ["stop-count-not-as-drawn", "stop-not-in", "stop-not-in"]
    assert Site(A=spring(assemblies=None)).lacks("A", "abandon") == ["assemblies-not-stated"]


@pytest.mark.parametrize("state", ["stops_out", "positioning"])
def test_stops_are_put_back_one_by_one_and_counted(state: str) -> None:
    site = Site(A=spring())
    site.bring("A", state)
    assert site.lacks("A", "reinsert") == ["stop-count-not-as-drawn", "stop-not-in", "stop-not-in"]
    site.stop("A", "inserted", 1)
    site.inspect("A", stops_counted=2)
    assert site.lacks("A", "reinsert") == ["stop-not-in"]
    site.stop("A", "inserted", 2)
    assert site.lacks("A", "reinsert") == ["stop-count-not-as-drawn"]
    site.inspect("A", stops_counted=1)
    assert site.lacks("A", "reinsert") == ["stop-count-not-as-drawn"]
    site.inspect("A", stops_counted=2)
    site.step("A", "reinsert")
    assert site.view("A").state == "locked"


def test_a_record_without_assemblies_shows_nothing_put_back() -> None:
    site = Site(A=spring(assemblies=None))
    site.made("A", "x", "stops_out")
    assert site.lacks("A", "reinsert") == ["assemblies-not-stated"]


def test_a_count_of_a_hanger_whose_stops_are_not_stated_proves_nothing() -> None:
    site = Site(A=spring(assemblies=[{}]))
    site.made("A", "x", "stops_out")
    site.inspect("A", stops_counted=2, engagement=full())
    assert site.lacks("A", "reinsert") == ["stop-count-not-as-drawn"]


# --- single stop acts -----------------------------------------------------------------------------------
IN_STATES = ("locked", "cleared", "easing")
OUT_STATES = ("stops_out", "positioning", "released", "proved")


@pytest.mark.parametrize("state", IN_STATES)
def test_while_stops_are_in_they_are_only_looked_at(state: str) -> None:
    site = Site(A=spring())
    site.bring("A", state)
    assert site.stop_lacks("A", "observed") == []
    assert site.stop_lacks("A", "stowed") == ["stop-act-not-open"]
    assert site.stop_lacks("A", "inserted") == ["stop-act-not-open"]


@pytest.mark.parametrize("state", OUT_STATES)
def test_stops_that_are_out_are_stowed_or_put_back(state: str) -> None:
    site = Site(A=spring())
    site.bring("A", state)
    assert site.stop_lacks("A", "observed") == ["stop-act-not-open"]
    assert site.stop_lacks("A", "stowed") == []
    assert site.stop_lacks("A", "inserted") == []
    site.stop("A", "inserted", 1)
    assert site.stop_lacks("A", "observed") == []
    assert site.stop_lacks("A", "stowed") == ["stop-act-not-open"]
    assert site.stop_lacks("A", "inserted") == ["stop-act-not-open"]


def test_a_stop_nobody_counted_may_be_looked_at_where_stops_are_in() -> None:
    site = Site(A=spring())
    assert site.stop_lacks("A", "observed") == []
    site.made("A", "x", "stops_out")
    assert site.stop_lacks("A", "observed") == ["stop-act-not-open"]


def test_on_hold_what_was_done_is_written_down() -> None:
    site = Site(A=spring())
    site.bring("A", "stops_out")
    site.step("A", "hold", reason="doubt")
    assert site.stop_lacks("A", "stowed") == []
    assert site.stop_lacks("A", "inserted") == []
    site.stop("A", "inserted", 1)
    assert site.stop_lacks("A", "observed", 1) == []
    assert site.stop_lacks("A", "observed", 2) == ["stop-act-not-open"]


def test_a_stop_is_one_of_the_drawing() -> None:
    site = Site(A=spring(), B=spring(assemblies=[{}]), R=RIGID)
    assert site.stop_lacks("A", "observed", 3) == ["no-such-stop"]
    assert site.stop_lacks("A", "observed", 1, 2) == ["no-such-assembly"]
    assert site.stop_lacks("B", "observed", 1) == ["no-such-stop"]
    assert site.stop_lacks("R", "observed", 1) == ["nothing-to-release"]


def test_a_correction_is_not_judged_by_where_the_stop_stands_now() -> None:
    site = Site(A=spring())
    site.bring("A", "stops_out")
    assert site.stop_lacks("A", "observed", corrects=4) == []
    assert site.stop_lacks("A", "observed", 3, corrects=4) == ["no-such-stop"]


def test_no_act_and_no_step_puts_force_on_a_stop() -> None:
    # A stop that is not free has no act that would take it out: it is looked at again, or the nut is turned.
    site = eased()
    site.stop("A", "observed", 1, bearing_face="upper", free_by_hand=False)
    situation = site.situation("A", {"assembly": 1, "stop": 1, "act": "observed"})
    assert stop_lacks(situation) == []
    for act in ("stowed", "inserted"):
        assert site.stop_lacks("A", act) == ["stop-act-not-open"]
    assert withdraw(site) == ["stop-not-free"]


def test_a_system_has_seen_no_stop() -> None:
    site = Site(A=spring())
    site.bring("A", "easing")
    seen = {"assembly": 1, "stop": 1, "act": "observed", "bearing_face": "none", "free_by_hand": True}
    assert codes(stop_lacks(site.situation("A", seen, kind="system"))) == ["performer-not-a-person"]
    assert codes(stop_lacks(site.situation("A", seen))) == []
