"""Every step of the release through the use cases, forward and back, against a table written by hand."""

from __future__ import annotations

from typing import Any

import pytest

from service.errors import Conflict, GuardNotMet, InvalidDocument, NotPermitted, NotReady, OutOfOrder
from tests.application.conftest import SiteAt
from tests.application.plant import sprung
from tests.application.site import Site

# Steps that can be asked for, by the state that they start from. Everything else is out of order.
POSSIBLE = {
    "locked": {"hold"},
    "cleared": {"ease", "hold"},
    "easing": {"withdraw", "abandon", "hold"},
    "stops_out": {"position", "reinsert", "hold"},
    "positioning": {"confirm", "reinsert", "hold"},
    "released": {"prove", "reposition", "relock", "hold"},
    "proved": {"reposition", "relock", "hold"},
    "on_hold": {"dispose"},
}
STEPS = {
    "ease", "withdraw", "position", "confirm", "prove", "abandon", "reinsert", "reposition", "relock", "hold",
    "dispose",
}  # fmt: skip
STAGE_OF = {"locked": "erected", "on_hold": "cleared"}
WORDS: dict[str, dict[str, Any]] = {
    "withdraw": {"stops_withdrawn": [{"assembly": 1, "count": 2}]},
    "relock": {"purpose": "repair"},
    "dispose": {"to": "resume"},
}


def _in(site_at: SiteAt, state: str) -> Site:
    site = site_at(STAGE_OF.get(state, state))
    if state == "on_hold":
        site.step("A-1", "hold", reason="plate bent")
    assert site.state("A-1") == state
    return site


@pytest.mark.parametrize("state", sorted(POSSIBLE))
def test_a_step_out_of_order_is_refused_with_what_is_possible(site_at: SiteAt, state: str) -> None:
    site = _in(site_at, state)
    for step in sorted(STEPS - POSSIBLE[state]):
        with site.refused(OutOfOrder) as refusal:
            site.step("A-1", step, "engineer", reason="because", **WORDS.get(step, {}))
        named = {each["transition"] for each in refusal.error.facts["possible"]}
        assert named - {"clear"} == POSSIBLE[state], step
        assert refusal.error.facts["state"] == state
    assert site.state("A-1") == state


@pytest.mark.parametrize("state", sorted(set(POSSIBLE) - {"on_hold"}))
def test_a_hold_from_anywhere_goes_back_to_where_it_was(site_at: SiteAt, state: str) -> None:
    site = _in(site_at, state)
    answer = site.step("A-1", "hold", "inspector", reason="rod touches steel")
    assert answer["state"] == "on_hold"
    assert site.release("A-1")["held_from"] == state
    assert ("on-hold", "hanger/A-1") in site.blockers("LA")
    answer = site.step("A-1", "dispose", "engineer", to="resume", reason="clear of steel again")
    # Of a cleared hanger the line's authorisation still stands, unless others lapsed with it.
    assert answer["state"] == ("locked" if state == "cleared" else state)


@pytest.mark.parametrize("state", ["locked", "cleared", "easing"])
def test_a_hold_may_end_in_locked_while_every_stop_is_in(site_at: SiteAt, state: str) -> None:
    site = _in(site_at, state)
    site.step("A-1", "hold", reason="rod touches steel")
    assert site.step("A-1", "dispose", "engineer", to="locked", reason="start anew")["state"] == "locked"
    assert site.release("A-1")["authorisation"] is None


@pytest.mark.parametrize("state", ["stops_out", "positioning", "released", "proved"])
def test_a_hold_never_ends_in_locked_while_a_stop_is_out(site_at: SiteAt, state: str) -> None:
    site = _in(site_at, state)
    site.step("A-1", "hold", reason="rod touches steel")
    with site.refused(GuardNotMet) as refusal:
        site.step("A-1", "dispose", "engineer", to="locked", reason="start anew")
    assert "stop-not-in" in refusal.lacks


def test_a_hold_wants_a_reason_and_a_disposition_an_engineer(site_at: SiteAt) -> None:
    site = site_at("easing")
    with site.refused(GuardNotMet) as refusal:
        site.step("A-1", "hold")
    assert refusal.lacks == {"reason-missing"}
    site.step("A-1", "hold", "robot", reason="load cell alarm")
    with site.refused(NotPermitted):
        site.step("A-1", "dispose", "fitter", to="resume", reason="fine")


def test_easing_may_be_abandoned_and_the_hanger_authorised_anew(site_at: SiteAt) -> None:
    site = site_at("easing")
    assert site.step("A-1", "abandon")["state"] == "locked"
    release = site.release("A-1")
    assert release["authorisation"] is None
    seen = release["assemblies"][0]["stops"]
    assert [(stop["position"], stop["bearing_face"]) for stop in seen] == [("in", None)] * 2
    assert release["assemblies"][0]["ledger"]["net_turns"] == 0.5
    with site.refused(OutOfOrder):
        site.step("A-1", "ease")
    # Its nut was turned, so that its hardware has to be looked at again before anybody goes on.
    assert site.codes("LA") == {"retaining-hardware-missing", "adjuster-not-locked"}
    assert site.state("A-2") == "locked"
    site.later().look("A-1")
    site.authorise("LA")
    assert site.state("A-1") == "cleared"
    site.step("A-1", "ease")


@pytest.mark.parametrize("state", ["stops_out", "positioning"])
def test_stops_put_back_lock_the_hanger_once_they_are_counted(site_at: SiteAt, state: str) -> None:
    site = _in(site_at, state)
    with site.refused(GuardNotMet) as refusal:
        site.step("A-1", "reinsert")
    assert {"stop-not-in", "stop-count-not-as-drawn"} <= refusal.lacks
    site.each_stop("A-1", "inserted")
    with site.refused(GuardNotMet) as refusal:
        site.step("A-1", "reinsert")
    assert refusal.lacks == {"stop-count-not-as-drawn"}
    site.later().look("A-1")
    assert site.step("A-1", "reinsert")["state"] == "locked"
    assert site.release("A-1")["authorisation"] is None


@pytest.mark.parametrize("state", ["released", "proved"])
def test_a_released_hanger_is_repositioned_for_a_reason(site_at: SiteAt, state: str) -> None:
    site = _in(site_at, state)
    with site.refused(GuardNotMet) as refusal:
        site.step("A-1", "reposition")
    assert refusal.lacks == {"reason-missing"}
    assert site.step("A-1", "reposition", reason="drifts")["state"] == "positioning"
    site.turn("A-1", 0.25)
    with site.refused(GuardNotMet) as refusal:
        site.step("A-1", "confirm")
    assert {"cold-reading-missing", "retaining-hardware-missing", "adjuster-not-locked"} <= refusal.lacks
    site.look_at_line("LA")
    assert site.confirm("A-1")["state"] == "released"


@pytest.mark.parametrize("state", ["released", "proved"])
def test_locking_again_opens_a_cycle_in_which_all_is_wanted_anew(site_at: SiteAt, state: str) -> None:
    site = _in(site_at, state)
    for hanger in sprung("LA"):
        with site.refused(GuardNotMet) as refusal:
            site.step(hanger.mark, "relock", "engineer", purpose="pressure_test")
        assert "stop-not-in" in refusal.lacks
        site.later(60 * 48).read(hanger.mark, "cold", hanger.expected_mm + 2)
        site.put_back(hanger.mark)
        answer = site.step(hanger.mark, "relock", "engineer", purpose="pressure_test")
        assert answer["state"] == "locked"
    release = site.release("A-1")
    assert release["cycle"] == 2
    assert {"stop-count-not-as-drawn", "retaining-hardware-missing"} <= site.codes("LA")
    site.erect("LA")
    assert site.readiness("LA")["verdict"] == "ready"
    site.authorise("LA")
    site.nets.clear()
    site.release_line("LA")
    assert set(site.states("LA").values()) == {"released"}
    assert site.release("A-1")["assemblies"][0]["ledger"]["cycle_net_turns"] == 0.0
    assert site.differences() == []


def test_only_one_hanger_of_a_line_is_in_easing_unless_a_pair_is_named_both_ways(site_at: SiteAt) -> None:
    site = site_at("cleared")
    site.step("A-1", "ease", paired_with=["A-2"])
    with site.refused(GuardNotMet) as refusal:
        site.step("A-3", "ease", paired_with=["A-1"])
    assert refusal.lacks == {"another-in-easing"}
    with site.refused(GuardNotMet) as refusal:
        site.step("A-2", "ease")
    assert refusal.lacks == {"another-in-easing"}
    assert site.step("A-2", "ease", paired_with=["a-1"])["state"] == "easing"


def test_positioning_waits_until_every_stop_of_the_line_is_out(site_at: SiteAt) -> None:
    site = site_at("stops_out")
    with site.refused(GuardNotMet) as refusal:
        site.step("A-1", "position")
    assert refusal.lacks == {"stop-still-in"}


def test_of_a_stage_only_its_own_stops_are_waited_for(site_at: SiteAt) -> None:
    site = site_at("erected")
    answer = site.authorise("LA", stage=["a-1", "A-2"])
    assert answer["event"]["data"]["stage"] == ["A-1", "A-2"]
    assert site.states("LA") == {"A-1": "cleared", "A-2": "cleared", "A-3": "locked", "A-4": "locked"}
    site.take_out("A-1")
    with site.refused(GuardNotMet):
        site.step("A-1", "position")
    site.take_out("A-2")
    site.position("A-1")
    assert site.state("A-1") == "positioning"


def test_a_stage_names_hangers_of_the_line_and_something_to_clear(site_at: SiteAt) -> None:
    site = site_at("erected")
    with site.refused(InvalidDocument) as refusal:
        site.authorise("LA", stage=["A-1", "B-1"])
    assert refusal.rules == [("/stage", "on-this-line")]
    with site.refused(Conflict):
        site.authorise("LA", stage=["A-5"])


def test_no_hanger_is_cleared_before_its_last_step(site_at: SiteAt) -> None:
    site = site_at("easing")
    early = site.stamp(-30)
    site.step("A-1", "abandon")
    site.later().look("A-1")
    with site.refused(Conflict) as refusal:
        site.authorise("LA", at=early)
    assert refusal.rules == [("/occurred_at", "after-last-step")]


@pytest.mark.parametrize(
    ("state", "step"),
    sorted((state, step) for state in set(POSSIBLE) - {"locked"} for step in POSSIBLE[state]),
)
def test_a_step_never_lies_before_the_last_one(site_at: SiteAt, state: str, step: str) -> None:
    site = _in(site_at, state)
    with site.refused(GuardNotMet) as refusal:
        site.step("A-1", step, "engineer", at="2026-05-04T06:00:00Z", reason="late", **WORDS.get(step, {}))
    assert "before-last-transition" in refusal.lacks


def test_a_line_that_is_not_ready_is_not_authorised(site_at: SiteAt) -> None:
    site = site_at("erected")
    site.look_at_line("LA", insulation="incomplete")
    with site.refused(NotReady) as refusal:
        site.authorise("LA")
    assert {blocker["code"] for blocker in refusal.error.facts["blockers"]} == {"insulation-incomplete"}
