"""Corrections: what takes the place of what, what they undo, and what was known before them."""

from __future__ import annotations

from typing import Any

import pytest

from service.errors import GuardNotMet, InvalidDocument
from tests.application.conftest import SiteAt
from tests.application.plant import q
from tests.application.site import Site

WHY = "written down wrongly"


def _last(site: Site, type: str, subject: str, **data: Any) -> Any:
    """The last event of a type and subject whose data has these members."""
    found = [
        event
        for event in site.events()
        if event.type == type and event.subject == subject and data.items() <= event.data.items()
    ]
    return found[-1]


def _lacks_of_hold(receipt: dict[str, Any]) -> set[str]:
    (event,) = [
        each for each in receipt["consequences"] if each["data"].get("transition") == "hold"
    ]  # fmt: skip
    assert event["data"]["cause"] == "correction"
    assert event["data"]["caused_by"] == receipt["event"]["sequence"]
    return {lack["code"] for lack in event["data"]["lacks"]}


def test_a_corrected_inspection_of_the_line_takes_readiness_away(engine_site_at: SiteAt) -> None:
    site = engine_site_at("cleared")
    seen = _last(site, "line-inspected", "line/LA")
    size = site.size() - 1
    fields = dict(seen.data)
    receipt = site.later().do(
        "inspect line", "inspector", "LA", at=seen.occurred_at, corrects=seen.sequence, reason=WHY,
        **{**fields, "insulation": "incomplete"},
    )  # fmt: skip
    assert set(site.states("LA").values()) == {"locked"}
    assert receipt["event"]["corrects"] == seen.sequence
    assert site.readiness("LA")["ready"] is False
    assert site.readiness("LA", as_of=size)["ready"] is True
    assert site.state("A-1", as_of=size) == "cleared"
    assert site.differences() == []


def test_a_count_corrected_after_withdrawal_puts_the_hanger_on_hold(engine_site_at: SiteAt) -> None:
    site = engine_site_at("stops_out")
    counted = _last(site, "hanger-inspected", "hanger/A-1", stops_counted=2)
    size = site.size() - 1
    told = site.release("A-1")
    data = dict(counted.data)
    receipt = site.later().do(
        "inspect", "inspector", "A-1", at=counted.occurred_at, corrects=counted.sequence, reason=WHY,
        **{**data, "stops_counted": 1},
    )  # fmt: skip
    assert receipt["state"] == "on_hold"
    assert _lacks_of_hold(receipt) == {"stop-count-not-as-drawn"}
    assert site.release("A-1")["held_from"] == "stops_out"
    assert site.release("A-1", as_of=size) == told
    assert site.differences() == []


def test_a_stop_that_was_not_free_after_all_puts_the_hanger_on_hold(site_at: SiteAt) -> None:
    site = site_at("stops_out")
    seen = _last(site, "stop-noted", "hanger/A-1", act="observed", stop=2)
    receipt = site.later().do(
        "stop", "fitter", "A-1", at=seen.occurred_at, corrects=seen.sequence, reason=WHY, assembly=1, stop=2,
        act="observed", bearing_face="upper", free_by_hand=False,
    )  # fmt: skip
    assert receipt["state"] == "on_hold"
    assert _lacks_of_hold(receipt) == {"stop-not-free"}
    # Looking at it never puts it back.
    stops = site.release("A-1")["assemblies"][0]["stops"]
    assert [stop["position"] for stop in stops] == ["stowed", "stowed"]
    assert site.differences() == []


def test_a_withdrawn_observation_puts_the_hanger_on_hold(site_at: SiteAt) -> None:
    site = site_at("stops_out")
    seen = _last(site, "stop-noted", "hanger/A-1", act="observed", stop=1)
    receipt = site.later().do(
        "stop", "fitter", "A-1", corrects=seen.sequence, withdraws=True, reason="another hanger was meant"
    )
    assert receipt["state"] == "on_hold"
    assert _lacks_of_hold(receipt) == {"stop-not-free"}
    assert site.differences() == []


def test_a_cold_reading_corrected_out_of_tolerance_puts_a_released_hanger_on_hold(site_at: SiteAt) -> None:
    site = site_at("released")
    read = _last(site, "reading-taken", "hanger/A-1")
    fields = {name: read.data[name] for name in ("condition", "elevation", "line_temperature", "legible")}
    receipt = site.later().do(
        "read", "fitter", "A-1", at=read.occurred_at, corrects=read.sequence, reason=WHY, assembly=1,
        position=q(15, "mm"), **fields,
    )  # fmt: skip
    assert receipt["flags"] == []
    assert receipt["event"]["data"]["release_state"] == "positioning"
    assert _lacks_of_hold(receipt) == {"reading-off-expected"}
    assert site.differences() == []


def test_a_correction_within_tolerance_changes_the_reading_and_holds_nobody(site_at: SiteAt) -> None:
    site = site_at("released")
    read = _last(site, "reading-taken", "hanger/A-1")
    receipt = site.later().do(
        "read", "fitter", "A-1", at=read.occurred_at, corrects=read.sequence, reason=WHY,
        **{**{name: value for name, value in read.data.items() if name not in ("release_state", "flags")},
           "position": q(56, "mm")},
    )  # fmt: skip
    assert (receipt["state"], receipt["consequences"]) == ("released", [])


def test_a_turn_is_corrected_though_the_ledger_of_today_would_refuse_it(site_at: SiteAt) -> None:
    site = site_at("released")
    turned = _last(site, "adjuster-turned", "hanger/A-1", turns=0.5)
    fields = {"assembly": 1, "engagement": [{"end": end, "full": True} for end in ("upper", "lower")]}
    receipt = site.later().do(
        "turn",
        "fitter",
        "A-1",
        at=turned.occurred_at,
        corrects=turned.sequence,
        reason=WHY,
        turns=4.0,
        **fields,
    )
    assert site.release("A-1")["assemblies"][0]["ledger"]["net_turns"] == 3.5
    # Confirmed with net turns beyond the limit of 3: it stands on hold, with what is lacking.
    assert _lacks_of_hold(receipt) == {"turn-limit"}
    assert site.differences() == []


def test_a_withdrawn_turn_leaves_the_ledger(site_at: SiteAt) -> None:
    site = site_at("easing")
    turned = _last(site, "adjuster-turned", "hanger/A-1")
    site.later().do("turn", "fitter", "A-1", corrects=turned.sequence, withdraws=True, reason="not made")
    assert site.release("A-1")["assemblies"][0]["ledger"]["net_turns"] == 0.0
    assert site.differences() == []


def test_hardware_that_was_verified_by_the_performer_after_all_puts_on_hold(site_at: SiteAt) -> None:
    site = site_at("released")
    seen = _last(site, "hanger-inspected", "hanger/A-1", adjuster_locked=True)
    receipt = site.later().do(
        "inspect", "inspector", "A-1", at=seen.occurred_at, corrects=seen.sequence, reason=WHY,
        performed_by="pr_" + "3".zfill(26), **seen.data,
    )  # fmt: skip
    assert _lacks_of_hold(receipt) == {"verifier-performed"}


def test_an_inspection_of_the_line_corrected_after_work_holds_what_rested_on_it(site_at: SiteAt) -> None:
    site = site_at("released")
    # Every hanger was confirmed on the cold line that its own reading showed; the correction of that
    # of the line changes nothing of it.
    seen = _last(site, "line-inspected", "line/LA")
    receipt = site.later().do(
        "inspect line", "inspector", "LA", at=seen.occurred_at, corrects=seen.sequence, reason=WHY,
        **{**seen.data, "line_temperature": q(60, "degC")},
    )  # fmt: skip
    assert receipt["consequences"] == []


def test_only_the_newest_version_is_corrected(site_at: SiteAt) -> None:
    site = site_at("erected")
    first = _last(site, "hanger-inspected", "hanger/A-1")
    second = site.later().do(
        "inspect", "inspector", "A-1", corrects=first.sequence, reason=WHY, assembly=1, rod_slack=True
    )["event"]["sequence"]
    with site.refused(InvalidDocument) as refusal:
        site.do(
            "inspect", "inspector", "A-1", corrects=first.sequence, reason=WHY, assembly=1, rod_slack=False
        )
    assert refusal.rules == [("/corrects", "newest-version")]
    assert refusal.error.errors[0].accepted == second
    third = site.do("inspect", "inspector", "A-1", corrects=second, withdraws=True, reason=WHY)
    with site.refused(InvalidDocument) as refusal:
        site.do(
            "inspect", "inspector", "A-1", corrects=third["event"]["sequence"], reason=WHY, assembly=1,
            rod_slack=False,
        )  # fmt: skip
    assert refusal.rules == [("/corrects", "not-withdrawn")]
    # Withdrawn with all that it had shown.
    assert ("rod-slack", "hanger/A-1/assembly/1") in site.blockers("LA")
    assert site.differences() == []


@pytest.mark.parametrize("missing", ["subject", "type", "reason", "sequence", "step"])
def test_a_correction_names_an_act_of_its_own_kind_and_a_reason(site_at: SiteAt, missing: str) -> None:
    site = site_at("easing")
    inspected = _last(site, "hanger-inspected", "hanger/A-1").sequence
    seen = {"assembly": 1, "rod_slack": False}
    cases: dict[str, tuple[str, dict[str, Any], tuple[str, str]]] = {
        "subject": ("A-2", {"corrects": inspected, "reason": WHY}, ("/corrects", "same-subject")),
        "type": (
            "A-1",
            {"corrects": _last(site, "adjuster-turned", "hanger/A-1").sequence, "reason": WHY},
            ("/corrects", "same-type"),
        ),
        "reason": ("A-1", {"corrects": inspected}, ("/reason", "reason-given")),
        "sequence": ("A-1", {"corrects": 9999, "reason": WHY}, ("/corrects", "same-subject")),
        "step": (
            "A-1",
            {"corrects": _last(site, "transition-made", "hanger/A-1").sequence, "reason": WHY},
            ("/corrects", "correctable"),
        ),
    }
    mark, fields, rule = cases[missing]
    with site.refused(InvalidDocument) as refusal:
        site.do("inspect", "inspector", mark, **seen, **fields)
    assert refusal.rules == [rule]


def test_a_correction_of_what_no_guard_rested_on_holds_nobody(site_at: SiteAt) -> None:
    site = site_at("stops_out")
    seen = _last(site, "hanger-inspected", "hanger/A-1")
    receipt = site.later().do(
        "inspect", "inspector", "A-1", at=seen.occurred_at, corrects=seen.sequence, reason=WHY,
        **{**seen.data, "elevation": q(20.001, "m")},
    )  # fmt: skip
    assert (receipt["state"], receipt["consequences"]) == ("stops_out", [])


def test_a_held_hanger_that_was_disposed_of_is_not_held_again_for_the_same(site_at: SiteAt) -> None:
    site = site_at("stops_out")
    seen = _last(site, "stop-noted", "hanger/A-1", act="observed", stop=2)
    site.later().do("stop", "fitter", "A-1", corrects=seen.sequence, withdraws=True, reason=WHY)
    site.step("A-1", "dispose", "engineer", to="resume", reason="stops are out; nothing moved")
    assert site.state("A-1") == "stops_out"
    other = _last(site, "hanger-inspected", "hanger/A-1")
    receipt = site.later().do(
        "inspect", "inspector", "A-1", at=other.occurred_at, corrects=other.sequence, reason=WHY, **other.data
    )
    assert receipt["consequences"] == []


def test_a_neighbour_whose_guard_fails_by_a_correction_is_held_too(site_at: SiteAt) -> None:
    """A-2's stops came out on what was seen after A-1's turn; that turn now lies after it."""
    site = site_at("cleared")
    site.step("A-1", "ease", paired_with=["A-2"])
    site.step("A-2", "ease", paired_with=["A-1"])
    site.turn("A-1", 0.5)
    site.see_free("A-2")
    later = site.stamp()
    site.draw("A-2")
    turned = _last(site, "adjuster-turned", "hanger/A-1")
    site.later().do(
        "turn", "fitter", "A-1", at=later, corrects=turned.sequence, reason=WHY, assembly=1, turns=0.5
    )
    assert site.state("A-2") == "on_hold"


def test_a_correction_by_a_system_that_says_a_stop_was_free_is_refused(site_at: SiteAt) -> None:
    site = site_at("easing")
    seen = _last(site, "stop-noted", "hanger/A-1", act="observed", stop=2)
    with site.refused(GuardNotMet) as refusal:
        site.do(
            "stop", "robot", "A-1", corrects=seen.sequence, reason=WHY, assembly=1, stop=2, act="observed",
            bearing_face="none", free_by_hand=True,
        )  # fmt: skip
    assert refusal.lacks == {"performer-not-a-person"}
