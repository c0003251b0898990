"""Guards through the use cases: for each step what it lacks when one thing, or everything, is wrong."""

from __future__ import annotations

from typing import Any

import pytest

from service.errors import GuardNotMet
from tests.application.conftest import SiteAt
from tests.application.plant import HANGERS, PEOPLE, q
from tests.application.site import Site

SYSTEM, CONCEDER = "engineering system", "other engineer"
COUNTED = [{"assembly": 1, "count": 2}]
WORDS: dict[str, dict[str, Any]] = {
    "withdraw": {"stops_withdrawn": COUNTED},
    "reposition": {"reason": "drifts"},
    "relock": {"purpose": "repair"},
    "dispose": {"to": "resume", "reason": "seen"},
}


def _lacking(site: Site, step: str, who: str = "fitter", mark: str = "A-1", **fields: Any) -> set[str]:
    with site.refused(GuardNotMet) as refusal:
        site.step(mark, step, who, **{**WORDS.get(step, {}), **fields})
    return refusal.lacks


def _conceded(site: Site) -> Site:
    """Somebody other than the authoriser accepts something at A-5 for a day."""
    slack = site.do("inspect", "inspector", "A-5", assembly=1, rod_slack=True)
    site.later().do(
        "concede", CONCEDER, "LA", purpose="release", code="rod-slack", subject="hanger/A-5/assembly/1",
        evidence_sequence=slack["event"]["sequence"], reason="carries when hot",
        expires_at=site.stamp(60 * 24),
    )  # fmt: skip
    return site


# --- persons -----------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("stage", "step"),
    [("cleared", "ease"), ("easing", "withdraw"), ("easing", "abandon"), ("stops_out", "position"),
     ("stops_out", "reinsert"), ("positioning", "confirm"), ("released", "prove"), ("released", "reposition"),
     ("proved", "relock")],
)  # fmt: skip
def test_no_step_is_a_systems(site_at: SiteAt, stage: str, step: str) -> None:
    assert "performer-not-a-person" in _lacking(site_at(stage), step, SYSTEM)


def test_no_disposition_is_a_systems(site_at: SiteAt) -> None:
    site = site_at("easing")
    site.step("A-1", "hold", "robot", reason="load cell alarm")
    assert _lacking(site, "dispose", SYSTEM) == {"performer-not-a-person"}


@pytest.mark.parametrize(
    ("stage", "step"),
    [("easing", "withdraw"), ("stops_out", "position"), ("positioning", "confirm"),
     ("released", "reposition")],
)  # fmt: skip
def test_who_authorised_or_conceded_takes_no_performing_step(site_at: SiteAt, stage: str, step: str) -> None:
    site = _conceded(site_at(stage))
    assert "performer-authorised-the-release" in _lacking(site, step, "engineer")
    assert "performer-granted-a-concession" in _lacking(site, step, CONCEDER)
    by = {"performed_by": PEOPLE[CONCEDER][0]}
    assert "performer-granted-a-concession" in _lacking(site, step, "integrator", **by)


# --- withdraw ----------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("seen", "code"),
    [({"stops_counted": 1}, "stop-count-not-as-drawn"), ({"stops_damaged": 1}, "stop-damaged"),
     ({"engagement": [{"end": "lower", "full": False}]}, "engagement-too-short")],
)  # fmt: skip
def test_a_withdrawal_wants_whole_stops_as_drawn_and_enough_thread(
    site_at: SiteAt, seen: dict[str, Any], code: str
) -> None:
    site = site_at("easing")
    site.later().do("inspect", "inspector", "A-1", assembly=1, **seen)
    site.see_free("A-1")
    assert _lacking(site, "withdraw") == {code}


def test_a_withdrawal_wants_the_thread_to_have_been_seen(site_at: SiteAt) -> None:
    site = site_at("easing")
    looked = [event for event in site.events(hanger="A-1") if "engagement" in event.data]
    for event in looked:
        act, who = ("inspect", "inspector") if event.type == "hanger-inspected" else ("turn", "fitter")
        fields = {
            name: value for name, value in event.data.items() if name not in ("engagement", "release_state")
        }
        site.later().do(
            act, who, "A-1", at=event.occurred_at, corrects=event.sequence, reason="not looked at", **fields
        )
    assert _lacking(site, "withdraw") == {"engagement-not-shown"}


def test_no_stop_comes_out_before_it_was_seen(site_at: SiteAt) -> None:
    site = site_at("easing")
    early = site.stamp(-0.25)
    assert "observation-later-than-act" in _lacking(site, "withdraw", at=early)


def test_a_stop_that_a_revised_drawing_shows_no_more_keeps_the_others_in(site_at: SiteAt) -> None:
    site = site_at("easing")
    site.later().revise_hanger("A-1", assemblies=[{"stops": 1}])
    site.step("A-1", "dispose", "engineer", to="resume", reason="drawing revised")
    site.later().do("inspect", "inspector", "A-1", assembly=1, stops_counted=1)
    site.later().do(
        "stop", "fitter", "A-1", assembly=1, stop=1, act="observed", bearing_face="none", free_by_hand=True
    )
    assert _lacking(site, "withdraw", stops_withdrawn=[{"assembly": 1, "count": 1}]) == {
        "stop-count-not-as-drawn"
    }


# --- abandon, reinsert ---------------------------------------------------------------------------------
def test_easing_is_not_abandoned_on_stops_that_are_missing_or_on_too_little_thread(site_at: SiteAt) -> None:
    site = site_at("easing")
    ends = [{"end": "lower", "full": False}]
    site.later().do("inspect", "inspector", "A-1", assembly=1, stops_counted=1, engagement=ends)
    assert _lacking(site, "abandon") == {"stop-count-not-as-drawn", "engagement-too-short"}


def test_stops_are_not_put_back_on_too_little_thread(site_at: SiteAt) -> None:
    site = site_at("stops_out")
    site.put_back("A-1")
    site.later().do("inspect", "inspector", "A-1", assembly=1, engagement=[{"end": "lower", "full": False}])
    assert _lacking(site, "reinsert") == {"engagement-too-short"}


# --- confirm -----------------------------------------------------------------------------------------
def test_a_confirmation_wants_everything_put_away_read_and_verified(site_at: SiteAt) -> None:
    site = site_at("cleared")
    for mark in ("A-1", "A-2", "A-3", "A-4"):
        site.ease(mark)
        site.draw(mark)
    site.step("A-1", "position")
    wanted = {
        "stop-not-stowed", "cold-reading-missing", "elevation-not-known", "retaining-hardware-missing",
        "adjuster-not-locked", "line-not-cold",
    }  # fmt: skip
    assert _lacking(site, "confirm") == wanted
    site.stow("A-1")
    site.verify("A-1")
    assert site.step("A-1", "confirm")["state"] == "released"


def test_a_confirmation_wants_a_cold_line(site_at: SiteAt) -> None:
    site = site_at("positioning")
    site.verify("A-1")
    site.later().do("inspect line", "inspector", "LA", line_temperature=q(41, "degC"))
    assert _lacking(site, "confirm") == {"line-not-cold"}
    site.later().do("inspect line", "inspector", "LA", line_temperature=q(40, "degC"))
    assert site.step("A-1", "confirm")["state"] == "released"


def test_a_confirmation_wants_thread_that_nobody_found_short(site_at: SiteAt) -> None:
    site = site_at("positioning")
    site.verify("A-1")
    site.later().do("inspect", "inspector", "A-1", assembly=1, engagement=[{"end": "upper", "full": False}])
    assert _lacking(site, "confirm") == {"engagement-too-short"}


def test_a_confirmation_wants_margins_to_both_ends_cold_and_hot(site_at: SiteAt) -> None:
    """A tenth of the 140 mm span has to be left; the reading rises by 40 mm from cold to hot."""
    for expected, kept in ((86, True), (86.5, False), (14, True), (13.5, False)):
        site = site_at("positioning")
        site.verify("A-1")
        site.revise_hanger("A-1", indicator__expected_released_cold=q(expected, "mm"))
        site.step("A-1", "dispose", "engineer", to="resume", reason="drawing revised")
        site.read("A-1", "cold", expected)
        if kept:
            assert site.step("A-1", "confirm")["state"] == "released"
        else:
            assert _lacking(site, "confirm") == {"margin-not-kept"}


def test_a_trapeze_is_confirmed_level(site_at: SiteAt) -> None:
    site = site_at("positioning")
    site.verify("A-3")
    for assembly, position in ((1, 56), (2, 62.5)):
        site.later().do(
            "read", "fitter", "A-3", assembly=assembly, condition="cold", position=q(position, "mm"),
            elevation=q(18.0, "m"), line_temperature=q(21, "degC"),
        )  # fmt: skip
    assert _lacking(site, "confirm", mark="A-3") == {"pair-readings-apart"}


def test_turns_written_down_on_hold_keep_the_ledger_true_and_open_nothing(site_at: SiteAt) -> None:
    site = site_at("positioning")
    site.step("A-1", "hold", reason="nut found moved")
    site.later().do("turn", "fitter", "A-1", assembly=1, turns=3.5)
    site.step("A-3", "hold", reason="nut found moved")
    site.later().do("turn", "fitter", "A-3", assembly=2, turns=0.75)
    for mark, code in (("A-1", "turn-limit"), ("A-3", "pair-turns-apart")):
        site.step(mark, "dispose", "engineer", to="resume", reason="to be turned back")
        site.verify(mark)
        assert _lacking(site, "confirm", mark=mark) == {code}


# --- prove, relock ---------------------------------------------------------------------------------------
def test_a_proof_wants_a_hot_reading_that_passes(site_at: SiteAt) -> None:
    site = site_at("released")
    assert "hot-reading-missing" in _lacking(site, "prove", "engineer")
    site.heat()
    site.read("A-1", "hot", HANGERS["A-1"].hot_mark + 30)
    assert _lacking(site, "prove", "engineer") == {"hot-check-not-passed"}
    site.read("A-1", "hot", HANGERS["A-1"].hot_mark)
    assert site.step("A-1", "prove", "engineer")["state"] == "proved"


def test_a_hot_reading_from_before_the_confirmation_proves_nothing(site_at: SiteAt) -> None:
    site = site_at("positioning")
    site.read("A-1", "hot", HANGERS["A-1"].hot_mark)
    site.confirm("A-1")
    site.heat()
    assert "hot-reading-missing" in _lacking(site, "prove", "engineer")


def test_locking_again_wants_a_purpose_a_cold_line_and_its_cold_position(site_at: SiteAt) -> None:
    site = site_at("proved")
    site.put_back("A-1")
    assert _lacking(site, "relock", "engineer") == {"line-not-cold", "cold-reading-missing"}
    site.read("A-1", "cold", 55)
    with site.refused(GuardNotMet) as refusal:
        site.later().do("step", "engineer", "A-1", transition="relock")
    assert refusal.lacks == {"purpose-missing"}
    assert site.step("A-1", "relock", "engineer", purpose="repair")["state"] == "locked"


def test_locking_again_wants_the_stops_counted_after_the_last_went_in(site_at: SiteAt) -> None:
    site = site_at("proved")
    site.later().do("inspect", "inspector", "A-1", assembly=1, stops_counted=2)
    site.each_stop("A-1", "inserted")
    site.read("A-1", "cold", 55)
    assert _lacking(site, "relock", "engineer") == {"stop-count-not-as-drawn"}


# --- dispose -----------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("words", "code"),
    [({"reason": "seen"}, "disposition-missing"), ({"to": "resume"}, "reason-missing")],
)
def test_a_disposition_says_where_to_and_why(site_at: SiteAt, words: dict[str, str], code: str) -> None:
    site = site_at("easing")
    site.step("A-1", "hold", reason="alarm")
    with site.refused(GuardNotMet) as refusal:
        site.later().do("step", "engineer", "A-1", transition="dispose", **words)
    assert refusal.lacks == {code}


def test_a_hanger_goes_back_only_where_its_stops_stand_as_they_did(site_at: SiteAt) -> None:
    site = site_at("stops_out")
    site.step("A-1", "hold", reason="rod touches steel")
    site.put_back("A-1")
    assert _lacking(site, "dispose", "engineer") == {"stops-differ-from-state"}
    answer = site.step("A-1", "dispose", "engineer", to="locked", reason="stops are in and counted")
    assert answer["state"] == "locked"
