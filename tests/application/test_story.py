"""The story of one line from posted records to proved, through the use cases, on each engine."""

from __future__ import annotations

from typing import Any

from service.errors import NoStop
from tests.application.conftest import SiteAt
from tests.application.plant import PEOPLE, sprung
from tests.application.site import STAGES, Site, bring

# What the verdict for each purpose has to be after each stage, worked out by hand.
# not_ready: something known stands in the way; cannot_say: nothing known does, but something is unknown.
VERDICTS = {
    "registered": {"release": "cannot_say", "heat_up": "not_ready", "acceptance": "not_ready"},
    "erected": {"release": "ready", "heat_up": "not_ready", "acceptance": "not_ready"},
    "cleared": {"release": "ready", "heat_up": "not_ready", "acceptance": "not_ready"},
    "easing": {"release": "ready", "heat_up": "not_ready", "acceptance": "not_ready"},
    "stops_out": {"release": "ready", "heat_up": "not_ready", "acceptance": "not_ready"},
    "positioning": {"heat_up": "not_ready", "acceptance": "not_ready"},
    "released": {"heat_up": "ready", "acceptance": "not_ready"},
    "proved": {"acceptance": "ready"},
}
# The state of A-1, and of the other springs of the line.
STATES = {
    "registered": ("locked", "locked"),
    "erected": ("locked", "locked"),
    "cleared": ("cleared", "cleared"),
    "easing": ("easing", "cleared"),
    "stops_out": ("stops_out", "cleared"),
    "positioning": ("positioning", "positioning"),
    "released": ("released", "released"),
    "proved": ("proved", "proved"),
}


def _answers(site: Site, as_of: int | None = None) -> dict[str, Any]:
    told: dict[str, Any] = {hanger.mark: site.release(hanger.mark, as_of) for hanger in sprung("LA")}
    for purpose in ("pressure_test", "release", "heat_up", "acceptance"):
        told[purpose] = site.readiness("LA", purpose, as_of)
    return told


def test_a_line_goes_from_records_to_proved_and_the_past_is_answered_as_it_was(
    engine_site_at: SiteAt,
) -> None:
    site = engine_site_at("empty")
    told: list[tuple[int, dict[str, Any]]] = []
    for stage in STAGES[1:]:
        bring(site, stage)
        states = site.states("LA")
        first, others = states.pop("A-1"), set(states.values())
        assert (first, others) == (STATES[stage][0], {STATES[stage][1]}), stage
        answers = _answers(site)
        for purpose, verdict in VERDICTS[stage].items():
            assert answers[purpose]["verdict"] == verdict, (stage, purpose, answers[purpose]["blockers"])
        told.append((site.size() - 1, answers))
    for sequence, answers in told:
        assert _answers(site, sequence) == answers, sequence
    assert site.differences() == []


def test_every_past_place_tells_the_state_that_was_answered_then(site_at: SiteAt) -> None:
    site = site_at("erected")
    told: list[tuple[int, dict[str, str]]] = []
    site.authorise("LA")
    told.append((site.size() - 1, site.states("LA")))
    for hanger in sprung("LA"):
        for work in (site.ease, site.draw, site.stow):
            work(hanger.mark)
            told.append((site.size() - 1, site.states("LA")))
    for sequence, states in told:
        assert {mark: site.state(mark, sequence) for mark in states} == states


def test_the_past_by_time_is_the_past_by_place(site_at: SiteAt) -> None:
    site = site_at("erected")
    before = site.clock()
    site.authorise("LA")
    assert site.state("A-1", before) == "locked"
    assert site.state("A-1", site.clock()) == "cleared"


def test_the_log_tells_who_did_what_and_why_the_service_took_a_step(site_at: SiteAt) -> None:
    site = site_at("erected")
    receipt = site.authorise("LA")
    cleared = [event for event in receipt["consequences"] if event["type"] == "transition-made"]
    assert [event["subject"] for event in cleared] == [f"hanger/{hanger.mark}" for hanger in sprung("LA")]
    for event in cleared:
        assert event["data"]["caused_by"] == receipt["event"]["sequence"]
        assert event["data"]["cause"] == "line-authorised"
        assert event["actor"] == event["performed_by"] == PEOPLE["engineer"][0]
    assert receipt["event"]["data"]["hangers"] == [hanger.mark for hanger in sprung("LA")]


def test_a_rigid_support_takes_no_step_and_no_turn(site_at: SiteAt) -> None:
    site = site_at("cleared")
    with site.refused(NoStop):
        site.step("A-5", "ease")
    with site.refused(NoStop):
        site.do("turn", "fitter", "A-5", assembly=1, turns=0.5)
    with site.refused(NoStop):
        site.do("stop", "fitter", "A-5", assembly=1, stop=1, act="observed")
