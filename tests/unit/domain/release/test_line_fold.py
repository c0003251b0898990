"""Folding of a line: what was seen of it, authorisations, concessions and changes of the register."""

from __future__ import annotations

from tests.unit.domain.release.support import ENGINEER, Site, instant, spring


def test_a_line_inspection_states_only_what_was_seen() -> None:
    site = Site(A=spring())
    site.inspect_line(insulation="complete", temporary_supports=0, at=instant(20))
    site.inspect_line(insulation="incomplete", at=instant(10))
    assert {name: fact.value for name, fact in site.line_facts().items()} == {
        "insulation": "complete",
        "temporary_supports": 0,
    }


def test_only_other_contents_disturb_the_line() -> None:
    site = Site(A=spring())
    first = site.inspect_line(contents="empty")
    site.inspect_line(contents="empty")
    fact = site.line_facts()["disturbance"]
    assert fact.value == {"what": "contents", "latest_occurred_at": first.occurred_at}
    assert fact.sequence == 0
    site.inspect_line(contents="water", at=instant(0))
    assert site.line_facts()["disturbance"].sequence == 2
    assert site.line_facts()["disturbance"].value["latest_occurred_at"] == first.occurred_at
    assert site.line_facts()["contents"].value == "empty"


def test_an_authorisation_is_kept_with_those_that_still_stand() -> None:
    site = Site(A=spring(), B=spring(), C=spring())
    site.authorise("A", stage=["A"])
    site.authorise("B", stage=["B"])
    site.authorise("C")
    fact = site.line_facts()["authorisation"]
    assert fact.value == {
        "sequence": 4,
        "authorised_by": ENGINEER,
        "stage": None,
        "valid": True,
        "ended_by": None,
        "cause": None,
        "earlier": [{"sequence": 0, "stage": ["A"]}, {"sequence": 2, "stage": ["B"]}],
    }
    site.post("authorisation-ended", "line/L-1", {"authorisation": 2, "cause": "transfer", "caused_by": 1})
    assert site.line_facts()["authorisation"].value["earlier"] == [{"sequence": 0, "stage": ["A"]}]
    assert site.line_facts()["authorisation"].value["valid"] is True
    site.post(
        "authorisation-ended", "line/L-1", {"authorisation": 4, "cause": "record-changed", "caused_by": 1}
    )
    ended = site.line_facts()["authorisation"].value
    assert (ended["valid"], ended["ended_by"], ended["cause"], ended["earlier"]) == (
        False,
        7,
        "record-changed",
        [],
    )
    site.authorise("C")
    assert site.line_facts()["authorisation"].value["earlier"] == []


def test_an_end_without_an_authorisation_changes_nothing() -> None:
    site = Site(A=spring())
    site.post("authorisation-ended", "line/L-1", {"authorisation": 2, "cause": "transfer", "caused_by": 1})
    assert site.line_facts() == {}


def test_concessions_and_register_changes_stay_listed() -> None:
    site = Site(A=spring())
    site.post("line-recorded", "line/L-1", {"revision": 1, "document": {}})
    data = {
        "purpose": "release",
        "code": "x",
        "subject": "hanger/A",
        "evidence_sequence": 0,
        "expires_at": "2026-06-01T00:00:00Z",
        "shown": {},
    }
    event = site.post("concession-granted", "line/L-1", data, by=ENGINEER)
    site.post("register-changed", "line/L-1", {"change": "retired", "mark": "A", "caused_by": 0})
    assert site.line_facts()["concession/1"].value == {
        "sequence": 1,
        "purpose": "release",
        "code": "x",
        "subject": "hanger/A",
        "evidence_sequence": 0,
        "expires_at": "2026-06-01T00:00:00Z",
        "granted_by": ENGINEER,
        "granted_at": event.occurred_at,
    }
    assert site.line_facts()["register_change/2"].value == {"change": "retired", "mark": "A"}


def test_what_is_present_is_kept_by_part_and_the_later_look_holds() -> None:
    site = Site(A=spring())
    site.inspect_line(
        segments_present=[
            {"segment": "S3", "insulation": 0, "jacketing": 0},
            {"segment": "S4", "insulation": 0.5},
        ],
        masses_present=[{"mass": "Valve-1", "share": 1}],
        at=instant(10),
    )
    site.inspect_line(segments_present=[{"segment": "s3", "insulation": 1}], at=instant(20))
    site.inspect_line(segments_present=[{"segment": "S3", "insulation": 0.25}], at=instant(15))
    assert {name: fact.value for name, fact in site.line_facts().items()} == {
        "present/segment/s3/insulation": 1,
        "present/segment/s3/jacketing": 0,
        "present/segment/s4/insulation": 0.5,
        "present/mass/valve-1/share": 1,
    }
