"""Corrections: which are refused, and which steps would not have been passed without the mistake."""

from __future__ import annotations

from typing import Any

import pytest

from service.domain.release import corrections
from service.errors import InvalidDocument, Lack
from tests.unit.domain.release.support import CHECKER, ENGINEER, Site, celsius, instant, metres, mm, spring


def check(site: Site, type: str, corrects: int, subject: str = "hanger/A", **more: Any) -> None:
    act = {"corrects": corrects, "reason": "read the wrong line", **more}
    corrections.check(site.of(subject), type, subject, act)


def refused(site: Site, type: str, corrects: int, subject: str = "hanger/A", **more: Any) -> str:
    with pytest.raises(InvalidDocument) as caught:
        check(site, type, corrects, subject, **more)
    return caught.value.errors[0].rule


def test_the_newest_version_of_a_recorded_act_is_corrected() -> None:
    site = Site(A=spring())
    site.turn("A", 1)
    check(site, "adjuster-turned", 0)
    site.turn("A", 0.5, corrects=0)
    check(site, "adjuster-turned", 1)


def test_only_an_event_of_the_same_subject_is_corrected() -> None:
    site = Site(A=spring(), B=spring())
    site.turn("B", 1)
    assert refused(site, "adjuster-turned", 0) == "same-subject"
    assert refused(site, "adjuster-turned", 9, "hanger/B") == "same-subject"
    with pytest.raises(InvalidDocument):
        corrections.check(site.events, "adjuster-turned", "hanger/A", {"corrects": 0, "reason": "x"})


def test_only_an_event_of_the_same_type_is_corrected() -> None:
    site = Site(A=spring())
    site.turn("A", 1)
    assert refused(site, "reading-taken", 0) == "same-type"


def test_a_transition_is_not_corrected() -> None:
    site = Site(A=spring())
    site.made("A", "hold", "on_hold")
    assert refused(site, "transition-made", 0) == "correctable"


def test_an_older_version_is_not_corrected_and_the_newest_is_named() -> None:
    site = Site(A=spring())
    site.turn("A", 1)
    site.turn("A", 2, corrects=0)
    site.turn("A", 3, corrects=1)
    with pytest.raises(InvalidDocument) as caught:
        check(site, "adjuster-turned", 0)
    finding = caught.value.errors[0]
    assert (finding.rule, finding.pointer, finding.accepted) == ("newest-version", "/corrects", 2)


def test_what_was_withdrawn_is_not_corrected() -> None:
    site = Site(A=spring())
    site.turn("A", 1)
    site.post("adjuster-turned", "hanger/A", {"withdraws": True}, corrects=0)
    assert refused(site, "adjuster-turned", 1) == "not-withdrawn"


def test_a_correction_says_why() -> None:
    site = Site(A=spring())
    site.turn("A", 1)
    assert refused(site, "adjuster-turned", 0, reason="") == "reason-given"


# --- steps examined again ---------------------------------------------------------------------------------
def again(site: Site, *, line: bool = False) -> list[Lack]:
    return corrections.reexamine(
        site.of("hanger/A"),
        lambda sequence: site.line(as_of=sequence),
        site.view("A"),
        site.criteria,
        {"line/L-1": site.of("line/L-1")} if line else {},
    )


def found(site: Site, **options: Any) -> list[tuple[str, str]]:
    return [(lack.facts["transition"], lack.code) for lack in again(site, **options)]


def last(site: Site, type: str) -> int:
    return max(event.sequence for event in site.events if event.type == type)


def test_without_a_correction_nothing_is_found() -> None:
    site = Site(A=spring())
    for state in ("locked", "cleared", "easing", "stops_out", "positioning", "released", "proved"):
        site.bring("A", state)
        assert again(site) == []


def test_a_bearing_face_corrected_after_the_withdrawal_fails_it() -> None:
    site = Site(A=spring())
    site.bring("A", "stops_out")
    seen = site.events[last(site, "stop-noted")]
    site.stop(
        "A",
        "observed",
        2,
        bearing_face="lower",
        free_by_hand=False,
        corrects=seen.sequence,
        at=seen.occurred_at,
    )
    lacks = again(site)
    assert found(site) == [("withdraw", "stop-not-free")]
    step = last(site, "transition-made")
    assert lacks[0].facts == {"transition": "withdraw", "sequence": step}
    assert lacks[0].detail.startswith(f"withdraw at sequence {step}: ")
    assert lacks[0].shown_by == len(site.events) - 1


def test_a_turn_corrected_to_a_later_time_makes_what_was_seen_stale() -> None:
    site = Site(A=spring())
    site.bring("A", "easing")
    turn = site.turn("A", 0.5)
    site.bring("A", "stops_out")
    site.turn("A", 0.5, corrects=turn.sequence, at=site.now)
    assert ("withdraw", "observation-stale") in found(site)


def test_a_harmless_correction_finds_nothing() -> None:
    site = Site(A=spring())
    site.bring("A", "easing")
    turn = site.turn("A", 0.5)
    site.bring("A", "stops_out")
    site.turn("A", 0.25, corrects=turn.sequence, at=turn.occurred_at)
    assert again(site) == []


def test_engagement_corrected_to_short_fails_the_withdrawal() -> None:
    site = Site(A=spring())
    site.bring("A", "stops_out")
    seen = site.events[last(site, "hanger-inspected")]
    data = {**seen.data, "engagement": [{"end": "upper", "full": False}]}
    site.post("hanger-inspected", "hanger/A", data, corrects=seen.sequence, at=seen.occurred_at)
    assert ("withdraw", "engagement-too-short") in found(site)


def test_a_withdrawn_reading_fails_the_confirmation_and_no_other_step() -> None:
    site = Site(A=spring())
    site.bring("A", "released")
    reading = last(site, "reading-taken")
    site.post("reading-taken", "hanger/A", {"withdraws": True}, corrects=reading)
    assert {step for step, _ in found(site)} == {"confirm"}
    assert ("confirm", "cold-reading-missing") in found(site)


def test_a_corrected_hot_reading_fails_the_proof() -> None:
    site = Site(A=spring())
    site.bring("A", "proved")
    seen = site.events[last(site, "reading-taken")]
    data = {**seen.data, "position": mm(60)}
    site.post("reading-taken", "hanger/A", data, corrects=seen.sequence, at=seen.occurred_at)
    assert {step for step, _ in found(site)} == {"prove"}


def test_what_was_disposed_of_before_is_not_found_again() -> None:
    site = Site(A=spring())
    site.bring("A", "released")
    reading = site.events[last(site, "reading-taken")]
    data = {**reading.data, "position": mm(95)}
    site.post("reading-taken", "hanger/A", data, corrects=reading.sequence, at=reading.occurred_at)
    assert found(site) == [("confirm", "reading-off-expected")]
    site.made("A", "hold", "on_hold", caused_by=len(site.events) - 1)
    site.step("A", "dispose", by=ENGINEER, to="resume", reason="accepted as it stands")
    verified = site.events[last(site, "hanger-inspected")]
    site.inspect(
        "A", **{**verified.data, "by": CHECKER, "at": verified.occurred_at, "corrects": verified.sequence}
    )
    assert again(site) == []


def test_only_the_path_since_locked_is_examined() -> None:
    site = Site(A=spring())
    site.bring("A", "stops_out")
    seen = last(site, "stop-noted")
    site.put_back("A")
    site.step("A", "reinsert")
    site.stop("A", "observed", 2, bearing_face="lower", corrects=seen, at=instant(1))
    assert again(site) == []
    assert corrections.passed_steps(site.of("hanger/A")) == []


def test_holds_and_dispositions_are_not_judged_by_facts() -> None:
    site = Site(A=spring())
    site.bring("A", "easing")
    site.step("A", "hold", reason="doubt")
    site.step("A", "dispose", by=ENGINEER, to="resume", reason="seen")
    assert [event.data["transition"] for event in corrections.passed_steps(site.of("hanger/A"))] == ["ease"]


def test_contents_of_the_line_corrected_in_their_place_fail_the_withdrawal() -> None:
    site = Site(A=spring())
    site.bring("A", "easing")
    first = site.inspect_line(contents="empty", line_temperature=celsius(20))
    site.see_free("A")
    second = site.inspect_line(insulation="complete")
    site.step("A", "withdraw", stops_withdrawn=site.counts("A"))
    site.inspect_line(contents="water", corrects=second.sequence, at=second.occurred_at)
    assert found(site) == []
    assert found(site, line=True) == [("withdraw", "observation-stale"), ("withdraw", "observation-stale")]
    assert first.sequence < second.sequence


def test_a_step_on_a_line_that_did_not_exist_then_is_not_judged() -> None:
    site = Site(A=spring())
    site.bring("A", "stops_out")
    seen = last(site, "stop-noted")
    site.stop("A", "observed", 2, bearing_face="lower", corrects=seen, at=instant(1))
    assert (
        corrections.reexamine(site.of("hanger/A"), lambda sequence: None, site.view("A"), site.criteria) == []
    )


def test_a_hanger_that_stood_on_another_line_then_is_judged_by_itself() -> None:
    site = Site(A=spring(), B=spring())
    site.bring("A", "stops_out")
    seen = site.events[last(site, "stop-noted")]
    site.stop("A", "observed", 2, bearing_face="lower", corrects=seen.sequence, at=seen.occurred_at)
    view = site.view("A")
    site.retired.add("A")
    lacks = corrections.reexamine(
        site.of("hanger/A"), lambda sequence: site.line(as_of=sequence), view, site.criteria
    )
    assert [lack.code for lack in lacks] == ["stop-not-free"]


def test_an_elevation_corrected_within_tolerance_finds_nothing() -> None:
    site = Site(A=spring())
    site.bring("A", "released")
    reading = site.events[last(site, "reading-taken")]
    data = {**reading.data, "elevation": metres(12.404)}
    site.post("reading-taken", "hanger/A", data, corrects=reading.sequence, at=reading.occurred_at)
    assert again(site) == []


# --- neighbours -------------------------------------------------------------------------------------------
def of_a_neighbour(site: Site) -> list[tuple[str, str]]:
    """What A's passed steps lack by the newest correction at B."""
    lacks = corrections.reexamine(
        site.of("hanger/A"),
        lambda sequence: site.line(as_of=sequence),
        site.view("A"),
        site.criteria,
        {"hanger/B": site.of("hanger/B")},
    )
    return [(lack.facts["transition"], lack.code) for lack in lacks]


def pair_with_a_drawn() -> tuple[Site, int, str]:
    """A and B eased as a pair; B turned, then A seen free and drawn. Returns B's turn and A's last look."""
    site = Site(A=spring(), B=spring())
    for mark in ("A", "B"):
        site.erected(mark)
    site.authorise("A", "B")
    site.step("A", "ease", paired_with=["B"])
    site.step("B", "ease", paired_with=["A"])
    turn = site.turn("B", 0.25)
    site.see_free("A")
    seen = site.events[last(site, "stop-noted")]
    site.step("A", "withdraw", stops_withdrawn=site.counts("A"))
    return site, turn.sequence, seen.occurred_at


def test_a_neighbours_turn_corrected_to_a_later_time_fails_the_withdrawal_here() -> None:
    site, turn, _ = pair_with_a_drawn()
    assert of_a_neighbour(site) == []
    drawn = site.events[last(site, "transition-made")].occurred_at
    site.turn("B", 0.25, corrects=turn, at=drawn)
    assert set(of_a_neighbour(site)) == {("withdraw", "observation-stale")}


def test_a_neighbours_turn_corrected_in_its_size_alone_fails_nothing_here() -> None:
    site, turn, _ = pair_with_a_drawn()
    site.turn("B", 0.5, corrects=turn, at=site.events[turn].occurred_at)
    assert of_a_neighbour(site) == []
