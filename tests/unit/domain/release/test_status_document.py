"""The status document: what it says, in figures worked by hand, and that its schema holds it."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from referencing import Registry, Resource

from service.domain.release.status_document import status_document
from service.errors import Lack
from tests.unit.domain.release.support import (
    CREW,
    ENGINEER,
    MATE,
    RIGID,
    Site,
    constant,
    mm,
    principal,
    spring,
    trapeze,
)

SCHEMAS = Path(__file__).resolve().parents[4] / "schemas"
SCHEMA = json.loads((SCHEMAS / "release-status.schema.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def validator() -> jsonschema.Draft202012Validator:
    registry: Registry[Any] = Registry()
    for name in ("common", "quantity", "release-status"):
        text = (SCHEMAS / f"{name}.schema.json").read_text(encoding="utf-8")
        registry = Resource.from_contents(json.loads(text)) @ registry
    return jsonschema.Draft202012Validator(
        SCHEMA, registry=registry, format_checker=jsonschema.Draft202012Validator.FORMAT_CHECKER
    )


def document(
    site: Site, mark: str = "A", role: str = "recorder", blockers: Any = None, after: int = 1
) -> Any:
    at = site.now + timedelta(minutes=after)
    return status_document(site.view(mark), site.line(), site.criteria, principal(CREW, role), at, blockers)


def step(found: Any, name: str, to: str | None = None) -> Any:
    rows = [row for row in found["possible"] if row["transition"] == name and to in (None, row["to"])]
    assert len(rows) == 1
    return rows[0]


STATES = ("locked", "cleared", "easing", "stops_out", "positioning", "released", "proved")


@pytest.mark.parametrize("record", [spring(), constant(), trapeze()], ids=["spring", "constant", "trapeze"])
def test_in_every_state_the_document_is_of_its_schema(
    record: dict[str, Any], validator: jsonschema.Draft202012Validator
) -> None:
    site = Site(A=record, B=spring())
    for state in STATES:
        if state == "positioning":
            site.bring("B", "stops_out")
        site.bring("A", state)
        found = document(site, blockers=[] if state == "cleared" else None)
        validator.validate(json.loads(json.dumps(found)))
        assert found["state"] == state
        held = Site(A=record)
        held.events, held.facts, held.now = (
            list(site.events),
            {k: dict(v) for k, v in site.facts.items()},
            site.now,
        )
        held.step("A", "hold", reason="doubt")
        found = document(held)
        validator.validate(json.loads(json.dumps(found)))
        assert (found["state"], found["held_from"]) == ("on_hold", state)


def test_the_examples_are_of_the_schema(validator: jsonschema.Draft202012Validator) -> None:
    assert len(SCHEMA["examples"]) == 3
    for example in SCHEMA["examples"]:
        validator.validate(example)


def test_the_schema_is_closed(validator: jsonschema.Draft202012Validator) -> None:
    def objects(part: Any) -> Any:
        if isinstance(part, dict):
            if part.get("type") == "object":
                yield part
            for name, inner in part.items():
                if name != "examples":
                    yield from objects(inner)
        elif isinstance(part, list):
            for inner in part:
                yield from objects(inner)

    found = list(objects(SCHEMA))
    assert len(found) > 8
    assert all(part["additionalProperties"] is False for part in found)
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


def test_a_newly_erected_hanger() -> None:
    found = document(Site(A=spring()))
    assert (found["plant"], found["line"], found["mark"], found["kind"]) == ("P-1", "L-1", "A", "variable")
    assert (found["state"], found["cycle"], found["cycle_started_at"]) == ("locked", 1, None)
    assert (found["authorisation"], found["pair"], found["disturbance"]) == (None, None, None)
    assert (found["revision"], found["sequence"]) == (1, -1)
    assembly = found["assemblies"][0]
    assert [stop["position"] for stop in assembly["stops"]] == [None, None]
    assert assembly["stops"][0]["fresh"] is None
    assert assembly["ledger"]["net_turns"] == 0.0
    assert assembly["ledger"]["way_back"] == {"turns": 0.0, "direction": None}
    assert step(found, "clear")["lacks"][0]["code"] == "line-authorisation-needed"


def test_a_rigid_hanger_takes_no_step_and_a_silent_record_has_no_assemblies() -> None:
    site = Site(A=RIGID, B=spring(assemblies=None))
    assert document(site)["possible"] == []
    assert document(site, "B")["assemblies"] == []


def test_lacks_are_of_the_facts_whoever_asks() -> None:
    site = Site(A=spring())
    site.bring("A", "easing")
    for role in ("reader", "recorder", "engineer"):
        found = document(site, role=role)
        assert [lack["code"] for lack in step(found, "withdraw")["lacks"]] == [
            "stop-not-free",
            "stop-not-free",
        ]
        assert step(found, "withdraw")["permitted"] is (role != "reader")
    site.see_free("A")
    assert step(document(site), "withdraw")["lacks"] == []


def test_steps_say_what_they_want_who_may_and_who_may_not() -> None:
    site = Site(A=spring())
    site.bring("A", "easing")
    data = {
        "purpose": "release",
        "code": "x",
        "subject": "hanger/A",
        "evidence_sequence": 0,
        "expires_at": "2026-06-01T00:00:00Z",
    }
    site.post("concession-granted", "line/L-1", data, by=MATE)
    found = document(site)
    withdraw = step(found, "withdraw")
    assert withdraw["to"] == "stops_out"
    assert withdraw["wants"] == ["stops_withdrawn"]
    assert withdraw["roles"] == ["recorder", "engineer", "integrator"]
    assert withdraw["not_by"] == sorted([ENGINEER, MATE])
    assert step(found, "hold")["wants"] == ["reason"]
    assert step(found, "hold")["not_by"] == []
    assert step(found, "abandon")["wants"] == []
    site.bring("A", "released")
    assert step(document(site), "relock")["roles"] == ["engineer"]
    assert step(document(site), "relock")["wants"] == ["purpose"]
    assert step(document(site), "relock")["permitted"] is False
    assert step(document(site, role="engineer"), "relock")["permitted"] is True


def test_with_separate_persons_off_nobody_is_barred() -> None:
    site = Site({"separate_persons": False}, A=spring())
    site.bring("A", "easing")
    assert step(document(site), "withdraw")["not_by"] == []


def test_nobody_is_barred_from_a_hanger_that_nobody_authorised() -> None:
    site = Site(A=spring())
    site.made("A", "x", "easing")
    assert step(document(site), "withdraw")["not_by"] == []


def test_a_disposition_is_shown_both_ways() -> None:
    site = Site(A=spring())
    site.bring("A", "stops_out")
    site.step("A", "hold", reason="doubt")
    found = document(site)
    assert step(found, "dispose", "stops_out")["lacks"] == []
    assert [lack["code"] for lack in step(found, "dispose", "locked")["lacks"]] == [
        "stop-not-in",
        "stop-not-in",
    ]
    assert step(found, "dispose", "locked")["wants"] == ["to", "reason"]


def test_readiness_is_shown_for_a_cleared_hanger() -> None:
    site = Site(A=spring())
    site.bring("A", "cleared")
    assert [lack["code"] for lack in step(document(site), "ease")["lacks"]] == ["readiness-not-known"]
    assert step(document(site, blockers=[]), "ease")["lacks"] == []
    row = {"code": "rod-slack", "detail": "slack", "subject": "hanger/A/assembly/1", "shown_by": 3}
    for blocker in (row, Lack(**row)):
        lack = step(document(site, blockers=[blocker]), "ease")["lacks"][0]
        assert (lack["code"], lack["shown_by"]) == ("line-not-ready", 3)
        assert lack["known"] == [{"code": "rod-slack", "subject": "hanger/A/assembly/1"}]


def test_the_authorisation_and_whether_it_holds() -> None:
    site = Site(A=spring())
    site.bring("A", "easing")
    found = document(site)["authorisation"]
    assert found == {"sequence": 1, "authorised_by": ENGINEER, "in_force": True}
    site.post("authorisation-ended", "line/L-1", {"authorisation": 1, "cause": "transfer"})
    assert document(site)["authorisation"]["in_force"] is False


def test_a_pair_in_easing_is_no_lack_of_the_other() -> None:
    site = Site(A=spring(), B=spring())
    site.bring("A", "cleared")
    site.bring("B", "cleared")
    site.step("A", "ease", paired_with=["B"])
    assert document(site)["paired_with"] == ["B"]
    assert step(document(site, "B", blockers=[]), "ease")["lacks"] == []


def test_the_ledger_with_the_way_back_and_what_is_left() -> None:
    site = Site(A=constant(adjuster__turn_limit_raise=3, adjuster__turn_limit_lower=20))
    site.bring("A", "easing")
    site.turn("A", 1.5)
    site.turn("A", -4)
    event = site.turn("A", 0.5, device="load_adjuster")
    ledger = document(site)["assemblies"][0]["ledger"]
    assert (ledger["net_turns"], ledger["turned_raise"], ledger["turned_lower"]) == (-2.5, 1.5, 4.0)
    assert ledger["way_back"] == {"turns": 2.5, "direction": "raise"}
    assert ledger["way_back_in_cycle"] == {"turns": 2.5, "direction": "raise"}
    assert ledger["load_adjuster_way_back"] == {"turns": 0.5, "direction": "lower"}
    # Raising: 3 + 2.5 turns to the limit. Lowering: 60 - 2.5 x 4 = 50 mm, 14 mm to 36 mm, 3.5 turns.
    assert ledger["remaining_raise"] == {"turns": 5.5, "limited_by": "turn_limit"}
    assert ledger["remaining_lower"]["turns"] == pytest.approx(3.5)
    assert ledger["remaining_lower"]["limited_by"] == "engagement_lower"
    assert ledger["shown_by"] == event.sequence


def test_engagement_now_by_what_was_seen_and_turned_since() -> None:
    site = Site(A=spring())
    site.bring("A", "easing")
    site.turn("A", -2.5)
    upper, lower = document(site)["assemblies"][0]["engagement"]
    assert (upper["end"], lower["end"]) == ("upper", "lower")
    assert upper["measured"] == mm(60)
    assert upper["predicted_least"] == mm(50)
    assert upper["margin"] == mm(14)
    assert upper["least_allowed"] == mm(36)
    assert (upper["net_turns_when_seen"], upper["short"]) == (0.0, False)
    site.inspect("A", engagement=[{"end": "lower", "full": False}])
    lower = document(site)["assemblies"][0]["engagement"][1]
    assert (lower["full"], lower["short"]) == (False, True)
    assert document(site)["assemblies"][0]["ledger"]["remaining_lower"]["turns"] == 0.0


def test_turns_since_that_leave_too_little_are_shown_short() -> None:
    site = Site(A=spring())
    site.bring("A", "easing")
    site.turn("A", -7)
    upper = document(site)["assemblies"][0]["engagement"][0]
    assert (upper["margin"], upper["short"]) == (mm(-4), True)
    ledger = document(site)["assemblies"][0]["ledger"]
    assert ledger["remaining_lower"] == {"turns": 0.0, "limited_by": "engagement_lower"}


def test_what_cannot_be_reckoned_is_null() -> None:
    site = Site(A=spring(adjuster__thread=None))
    site.made("A", "x", "easing")
    site.turn("A", 1)
    assembly = document(site)["assemblies"][0]
    assert assembly["engagement"][0]["predicted_least"] is None
    assert assembly["engagement"][0]["short"] is None
    assert assembly["ledger"]["remaining_raise"] == {"turns": None, "limited_by": None}
    silent = Site(A=spring(adjuster__turn_limit_raise=None))
    ledger = document(silent)["assemblies"][0]["ledger"]
    assert ledger["remaining_raise"] == {"turns": None, "limited_by": None}
    assert ledger["remaining_lower"]["turns"] == 6.0
    assert document(Site(A=spring(adjuster=None)))["assemblies"][0]["engagement"] == []


def test_full_engagement_seen_has_a_margin_but_no_length_without_a_least() -> None:
    ends = [{"end": "upper"}]
    site = Site(A=spring(adjuster__thread=None, adjuster__hands="single", adjuster__engagement=ends))
    site.inspect("A", engagement=[{"end": "upper", "full": True}])
    upper = document(site)["assemblies"][0]["engagement"][0]
    assert (upper["margin"], upper["predicted_least"], upper["short"]) == (mm(0), None, False)


def test_freshness_of_what_was_seen_of_a_stop() -> None:
    site = Site(A=spring(), B=spring())
    site.bring("A", "easing")
    site.see_free("A")
    assert [stop["fresh"] for stop in document(site)["assemblies"][0]["stops"]] == [True, True]
    assert [stop["fresh"] for stop in document(site, after=60)["assemblies"][0]["stops"]] == [False, True]
    event = site.turn("B", 0.5)
    found = document(site)
    assert [stop["fresh"] for stop in found["assemblies"][0]["stops"]] == [False, False]
    assert found["disturbance"] == {
        "what": "turn",
        "subject": "hanger/B",
        "occurred_at": event.occurred_at,
        "sequence": event.sequence,
        "shown_by": event.sequence,
    }


def test_the_register_shows_where_each_stop_is() -> None:
    site = Site(A=spring())
    site.bring("A", "stops_out")
    site.stop("A", "stowed", 1, stowed_at="bag 14")
    site.stop("A", "observed", 3)
    stops = document(site)["assemblies"][0]["stops"]
    assert [(stop["stop"], stop["position"], stop["stowed_at"]) for stop in stops] == [
        (1, "stowed", "bag 14"),
        (2, "out", None),
        (3, "in", None),
    ]


def test_a_trapeze_shows_how_far_its_assemblies_were_turned_apart() -> None:
    site = Site(A=trapeze())
    site.bring("A", "easing")
    site.turn("A", 0.5, 1)
    assert document(site)["pair"] == {"net_turns_difference": 0.5, "limit": 0.5, "within": True}
    site.turn("A", -0.25, 2)
    assert document(site)["pair"] == {"net_turns_difference": 0.75, "limit": 0.5, "within": False}
