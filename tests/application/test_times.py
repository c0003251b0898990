"""Times: what lies ahead is refused, what was written late counts where it belongs, readings are weighed."""

from __future__ import annotations

import pytest

from service.application import acts, questions
from service.errors import (
    DuplicateKey,
    FutureTime,
    GuardNotMet,
    InvalidDocument,
    InvalidParameter,
    OutOfRange,
)
from tests.application.conftest import SiteAt
from tests.application.plant import PLANT, q


@pytest.mark.parametrize(
    ("act", "who", "subject", "fields"),
    [
        ("inspect", "inspector", "A-1", {"assembly": 1, "in_place": True}),
        ("read", "fitter", "A-1", {"assembly": 1, "condition": "cold", "legible": False}),
        ("turn", "fitter", "A-1", {"assembly": 1, "turns": 0.1}),
        ("stop", "fitter", "A-1", {"assembly": 1, "stop": 1, "act": "observed"}),
        ("step", "fitter", "A-1", {"transition": "hold", "reason": "x"}),
        ("inspect line", "inspector", "LA", {"contents": "empty"}),
        ("authorise", "engineer", "LB", {}),
        ("transfer", "engineer", "A-1", {"to_line": "LB", "reason": "x"}),
        ("retire", "engineer", "A-1", {"reason": "x"}),
    ],
)
def test_an_act_more_than_five_minutes_ahead_is_refused(
    site_at: SiteAt, act: str, who: str, subject: str, fields: dict[str, object]
) -> None:
    site = site_at("easing")
    with site.refused(FutureTime) as refusal:
        site.do(act, who, subject, at=site.stamp(5.01), **fields)
    assert refusal.rules == [("/occurred_at", "not-in-the-future")]
    site.do(act, who, subject, at=site.stamp(4.9), **fields)


def test_a_step_that_the_service_takes_never_lies_before_the_last_one(site_at: SiteAt) -> None:
    site = site_at("cleared")
    ahead = site.stamp(4)
    site.do("step", "fitter", "A-1", transition="ease", at=ahead)
    written = site.revise_hanger("A-1", acts_from="below")
    hold = next(event for event in written.consequences if event["subject"] == "hanger/A-1")
    assert hold["occurred_at"] == ahead


@pytest.mark.parametrize("text", ["2026-05-04T06:00:60Z", "2026-05-04T06:00:00", "0001-01-01T00:00:00+23:59"])
def test_a_time_that_names_no_instant_is_refused(site_at: SiteAt, text: str) -> None:
    site = site_at("erected")
    document = {"occurred_at": text, "assembly": 1, "in_place": True}
    with site.refused(InvalidDocument) as refusal:
        acts.inspect_hanger(site.context("inspector"), PLANT, "A-1", document)
    assert refusal.rules == [("/occurred_at", "instant")]


def test_a_reading_outside_the_span_is_refused_and_at_its_ends_taken(site_at: SiteAt) -> None:
    site = site_at("erected")
    for position in (-0.01, 140.01):
        with site.refused(OutOfRange) as refusal:
            site.do("read", "fitter", "A-1", assembly=1, condition="cold", position=q(position, "mm"))
        assert refusal.rules == [("/position", "within-the-span")]
    for position in (q(0, "mm"), q(140, "mm"), q(5.511811023622047, "in")):
        site.do("read", "fitter", "A-1", assembly=1, condition="cold", position=position)


def test_an_end_of_the_span_is_taken_in_any_unit(site_at: SiteAt) -> None:
    site = site_at("registered")
    for low, high, first, last in ((0.27, 5.5, 6.858, 139.7), (0.09, 0.13, 2.286, 3.302)):
        span = {"low": q(low, "in"), "high": q(high, "in")}
        site.revise_hanger("A-1", indicator__span=span)
        for position in (first, last):
            site.do("read", "fitter", "A-1", assembly=1, condition="cold", position=q(position, "mm"))


def test_a_reading_that_jumps_is_kept_and_flagged(site_at: SiteAt) -> None:
    site = site_at("released")

    def read(position: float, condition: str = "cold") -> list[str]:
        receipt = site.later().do(
            "read", "fitter", "A-1", assembly=1, condition=condition, position=q(position, "mm")
        )
        assert receipt["event"]["data"]["flags"] == receipt["flags"]
        return list(receipt["flags"])

    # Last read at 55 mm; a quarter of the 140 mm of total travel is 35 mm.
    assert read(90) == []
    assert read(54.9) == ["jump"]
    assert read(54.9) == []
    assert read(120, "hot") == []
    receipt = site.do("read", "fitter", "A-1", assembly=1, condition="cold", legible=False)
    assert receipt["flags"] == ["not-legible"]


def test_no_jump_follows_where_the_nut_was_turned_between(site_at: SiteAt) -> None:
    site = site_at("positioning")
    site.read("A-1", "cold", 54)
    site.turn("A-1", 0.1)
    assert site.read("A-1", "cold", 100)["flags"] == []


def test_a_reading_written_late_bears_the_state_in_which_it_was_taken(site_at: SiteAt) -> None:
    site = site_at("easing")
    taken = site.stamp()
    site.draw("A-1")
    receipt = site.later().do(
        "read", "fitter", "A-1", at=taken, assembly=1, condition="cold", position=q(50, "mm")
    )
    assert receipt["event"]["data"]["release_state"] == "easing"
    receipt = site.later().do("read", "fitter", "A-1", assembly=1, condition="cold", position=q(50, "mm"))
    assert receipt["event"]["data"]["release_state"] == "stops_out"


def test_what_happened_before_the_cycle_is_kept_and_feeds_no_guard(site_at: SiteAt) -> None:
    site = site_at("released")
    early = site.stamp()
    for mark in ("A-1", "A-2", "A-3", "A-4"):
        site.later(60).read(mark, "cold", {"A-1": 55, "A-2": 18, "A-3": 60, "A-4": 71}[mark])
        site.put_back(mark)
        site.step(mark, "relock", "engineer", purpose="repair")
    receipt = site.later().do(
        "read", "fitter", "A-1", at=early, assembly=1, condition="cold", position=q(55, "mm")
    )
    assert "before-cycle" in receipt["flags"]
    assert receipt["event"]["data"]["release_state"] == "released"
    site.do("inspect", "inspector", "A-1", at=early, assembly=1, stops_counted=2, adjuster_locked=True)
    assert {"stop-count-not-as-drawn", "adjuster-not-locked"} <= {
        code for code, subject in site.blockers("LA") if subject == "hanger/A-1/assembly/1"
    }
    assert site.differences() == []


def test_turns_of_an_earlier_cycle_enter_no_ledger_on_hold(site_at: SiteAt) -> None:
    site = site_at("released")
    early = site.stamp()
    site.later(60).read("A-1", "cold", 55)
    site.put_back("A-1")
    site.step("A-1", "relock", "engineer", purpose="repair")
    site.step("A-1", "hold", reason="nut found moved")
    with site.refused(GuardNotMet) as refusal:
        site.do("turn", "fitter", "A-1", at=early, assembly=1, turns=0.5)
    assert refusal.lacks == {"before-cycle"}


def test_the_future_and_the_unreached_cannot_be_asked_for(site_at: SiteAt) -> None:
    site = site_at("erected")
    for as_of in (site.size(), -1):
        with site.refused(InvalidParameter):
            site.readiness("LA", as_of=as_of)
    ahead = site.later().clock()
    site.clock.advance(-1)
    with site.refused(InvalidParameter):
        questions.plant_readiness(site.context("reader"), PLANT, "release", ahead)


def test_the_plant_as_a_list_says_what_each_line_says(site_at: SiteAt) -> None:
    site = site_at("cleared")
    answer = questions.plant_readiness(site.context("reader"), PLANT, "release")
    assert {row["line"]: row["verdict"] for row in answer["lines"]} == {"LA": "ready", "LB": "ready"}
    scoped = questions.plant_readiness(site.context("reader", lines=["LB"]), PLANT, "release")
    assert [row["line"] for row in scoped["lines"]] == ["LB"]
    past = questions.plant_readiness(site.context("reader"), PLANT, "release", 3)
    assert {row["verdict"] for row in past["lines"]} == {"not_ready"}


def test_a_client_event_id_is_unique_for_ever(site_at: SiteAt) -> None:
    site = site_at("erected")
    first = site.do("inspect", "inspector", "A-1", assembly=1, in_place=True, client_event_id="tablet-7-1")
    again = {"client_event_id": "tablet-7-1"}
    for act, who, subject, fields in (
        ("inspect", "inspector", "A-1", {"assembly": 1, "in_place": True}),
        ("read", "fitter", "B-1", {"assembly": 1, "condition": "cold", "legible": False}),
        ("step", "fitter", "A-1", {"transition": "hold", "reason": "x"}),
        ("inspect line", "inspector", "LA", {"contents": "empty"}),
        ("authorise", "engineer", "LA", {}),
        ("transfer", "engineer", "A-1", {"to_line": "LB", "reason": "x"}),
        ("retire", "engineer", "A-1", {"reason": "x"}),
    ):
        with site.refused(DuplicateKey) as refusal:
            site.do(act, who, subject, **fields, **again)
        assert refusal.error.facts["sequence"] == first["event"]["sequence"]
    with site.refused(DuplicateKey) as refusal:
        site.do("read", "fitter", "B-1", assembly=1, condition="cold", legible=False, lines=["LB"], **again)
    assert refusal.error.facts["sequence"] is None
