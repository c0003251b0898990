"""What a revision of a record or of the criteria undoes, and what the answer says of it."""

from __future__ import annotations

from typing import Any

import pytest

from service.errors import GuardNotMet
from tests.application.conftest import SiteAt
from tests.application.plant import ANY, hanger_document, line_document, q
from tests.application.site import Site

# State of A-1 -> where a changed x-safety field of its record takes it, written by hand.
AFTER = {
    "erected": "locked",
    "cleared": "locked",
    "easing": "on_hold",
    "stops_out": "on_hold",
    "positioning": "on_hold",
    "released": "on_hold",
    "proved": "on_hold",
}


def _types(written: Any) -> list[tuple[str, str]]:
    return [(event["type"], event["subject"]) for event in written.consequences]


@pytest.mark.parametrize("stage", sorted(AFTER))
def test_a_changed_safety_field_undoes_what_rests_on_it(site_at: SiteAt, stage: str) -> None:
    site = site_at(stage)
    before = site.states("LA")
    authorised = site.readiness("LA")["authorisation"]
    written = site.later().revise_hanger("A-1", design__operating_load=q(14.6, "kN"))
    assert site.state("A-1") == AFTER[stage]
    assert written.safety_fields == ["/design/operating_load"]
    if stage == "erected":
        assert written.consequences == []
        return
    ended = written.consequences[0]
    assert (ended["type"], ended["subject"]) == ("authorisation-ended", "line/LA")
    assert ended["data"]["authorisation"] == authorised["sequence"]
    assert ended["data"]["cause"] == "record-changed"
    assert ended["data"]["caused_by"] == written.sequence
    now = site.readiness("LA")["authorisation"]
    assert (now["valid"], now["ended_by"]) == (False, ended["sequence"])
    for mark, state in before.items():
        if mark != "A-1":
            assert site.state(mark) == ("locked" if state == "cleared" else state)
    assert ("transition-made", "hanger/A-1") in _types(written)
    assert site.differences() == []


@pytest.mark.parametrize("stage", ["erected", "cleared", "easing", "released"])
def test_a_field_that_no_safety_rests_on_undoes_nothing(site_at: SiteAt, stage: str) -> None:
    site = site_at(stage)
    before = site.states("LA")
    written = site.revise_hanger("A-1", drawing_mark="H 1", location__description="north of the column")
    assert (written.safety_fields, written.consequences) == ([], [])
    assert site.states("LA") == before


def test_what_a_safety_field_undid_is_disposed_of_by_an_engineer(site_at: SiteAt) -> None:
    site = site_at("easing")
    site.later().revise_hanger("A-1", adjuster__turn_limit_raise=2)
    answer = site.step("A-1", "dispose", "engineer", to="resume", reason="limit read again on the drawing")
    assert answer["state"] == "easing"
    # What was seen before the hold is stale.
    with site.refused(GuardNotMet) as refusal:
        site.draw("A-1")
    assert "observation-stale" in refusal.lacks


@pytest.mark.parametrize(
    ("change", "proof_too"),
    [
        ({"weight_basis": {"contents": "operating", "insulation": "complete"}}, True),
        ({"cold_range": {"low": q(5, "degC"), "high": q(35, "degC")}}, True),
        ({"design_temperature": q(560, "degC")}, True),
        ({"connected_lines": ["LB"]}, False),
        ({"pressure_test_required": False}, False),
        ({"chemical_clean_required": True}, False),
    ],
)
def test_a_changed_safety_field_of_the_line_ends_its_authorisation_and_holds_work(
    site_at: SiteAt, change: dict[str, Any], proof_too: bool
) -> None:
    site = site_at("easing")
    written = site.later().put_line("LA", line_document("LA", **change), ANY)
    assert site.states("LA") == {"A-1": "on_hold", "A-2": "locked", "A-3": "locked", "A-4": "locked"}
    assert written.safety_fields == [f"/{name}" for name in change]
    assert _types(written)[0] == ("authorisation-ended", "line/LA")
    released = site_at("released")
    released.later().put_line("LA", line_document("LA", **change), ANY)
    assert set(released.states("LA").values()) == {"on_hold" if proof_too else "released"}


def test_a_line_description_undoes_nothing(site_at: SiteAt) -> None:
    site = site_at("easing")
    before = site.states("LA")
    written = site.put_line("LA", line_document("LA", description="renamed"), ANY)
    assert (written.changed, written.consequences) == (True, [])
    assert site.states("LA") == before


def test_criteria_that_take_readiness_away_end_the_authorisation(site_at: SiteAt) -> None:
    site = site_at("cleared")
    written = site.later().put_criteria(cold_range_high=q(10, "degC"))
    assert _types(written)[0] == ("authorisation-ended", "line/LA")
    assert set(site.states("LA").values()) == {"locked"}
    assert {code for code, _ in site.blockers("LA")} == {"line-not-cold"}
    assert site.differences() == []


def test_criteria_that_leave_the_line_ready_leave_its_authorisation(site_at: SiteAt) -> None:
    site = site_at("cleared")
    written = site.put_criteria(cold_range_high=q(45, "degC"))
    assert written.consequences == []
    assert set(site.states("LA").values()) == {"cleared"}


def _lapsed(site: Site, cause: str, caused_by: int) -> None:
    assert set(site.states("LA").values()) <= {"locked", "on_hold"}
    authorisation = site.readiness("LA")["authorisation"]
    assert authorisation["valid"] is False
    assert authorisation["cause"] == cause
    ended = site.events()[authorisation["ended_by"]]
    assert ended.data["caused_by"] == caused_by


def test_readiness_lost_by_an_inspection_of_the_line_lapses_what_was_cleared(site_at: SiteAt) -> None:
    site = site_at("cleared")
    receipt = site.later().do("inspect line", "inspector", "LA", insulation="incomplete")
    _lapsed(site, "readiness-lost", receipt["event"]["sequence"])
    assert {event["type"] for event in receipt["consequences"]} == {"authorisation-ended", "transition-made"}


def test_readiness_lost_by_an_inspection_of_a_hanger_lapses_what_was_cleared(site_at: SiteAt) -> None:
    site = site_at("cleared")
    receipt = site.later().do("inspect", "inspector", "A-5", assembly=1, in_place=False)
    _lapsed(site, "readiness-lost", receipt["event"]["sequence"])


def test_a_hold_elsewhere_lapses_what_was_cleared_and_not_what_is_at_work(site_at: SiteAt) -> None:
    site = site_at("easing")
    receipt = site.step("A-4", "hold", reason="base plate cracked")
    _lapsed_states = site.states("LA")
    assert _lapsed_states == {"A-1": "easing", "A-2": "locked", "A-3": "locked", "A-4": "on_hold"}
    assert receipt["state"] == "on_hold"


def test_a_hanger_registered_late_lapses_what_was_cleared(site_at: SiteAt) -> None:
    site = site_at("cleared")
    written = site.later().put_hanger("A-9", hanger_document("A-9", like="A-1"))
    _lapsed(site, "readiness-lost", written.sequence or -1)


def test_an_inspection_that_was_written_late_bears_on_what_is_cleared_now(site_at: SiteAt) -> None:
    site = site_at("cleared")
    site.later(60)
    receipt = site.do("inspect line", "inspector", "LA", at=site.stamp(-30), insulation="incomplete")
    # The service's own steps bear the time at which it took them, never one before the last step.
    times = {event["occurred_at"] for event in receipt["consequences"]}
    assert times == {site.clock().strftime("%Y-%m-%dT%H:%M:%S.%fZ")}
    _lapsed(site, "readiness-lost", receipt["event"]["sequence"])


def test_a_cleared_hanger_whose_concession_ran_out_is_not_eased(site_at: SiteAt) -> None:
    site = site_at("erected")
    slack = site.do("inspect", "inspector", "A-1", assembly=1, rod_slack=True)
    site.later().do(
        "concede", "other engineer", "LA", purpose="release", code="rod-slack",
        subject="hanger/A-1/assembly/1", evidence_sequence=slack["event"]["sequence"],
        reason="taken up on first easing", expires_at=site.stamp(30),
    )  # fmt: skip
    site.authorise("LA")
    site.later(40)
    with site.refused(GuardNotMet) as refusal:
        site.step("A-2", "ease")
    assert refusal.lacks == {"line-not-ready"}
    # The next thing that is written down takes the clearance away.
    site.look_at_line("LA")
    assert set(site.states("LA").values()) == {"locked"}
