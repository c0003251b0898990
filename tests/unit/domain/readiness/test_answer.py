"""The answer as a document: its verdicts, what it lists, and that its schema holds."""

from __future__ import annotations

import json
import time
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator, FormatChecker
from referencing import Registry, Resource

from service.domain.readiness import BLOCKER_CODES, PURPOSES, assess, assess_plant, blockers
from service.domain.views import LineView
from service.errors import InvalidParameter
from tests.unit.domain.readiness.support import (
    AT,
    CRITERIA,
    OTHER,
    answer,
    good_line,
    locked_line,
    q,
    released_line,
    status,
    with_fact,
    with_line_fact,
    with_line_record,
    with_record,
    without_fact,
    without_line_fact,
)

SCHEMAS = Path(__file__).parents[4] / "schemas"


def _validator(name: str) -> Draft202012Validator:
    documents = {path.name: json.loads(path.read_text("utf-8")) for path in SCHEMAS.glob("*.schema.json")}
    registry: Registry[Any] = Registry().with_resources(
        [(document["$id"], Resource.from_contents(document)) for document in documents.values()]
    )
    schema = documents[f"{name}.schema.json"]
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema, registry=registry, format_checker=FormatChecker())


READINESS = _validator("readiness")
PLANT = _validator("plant-readiness")


def _everything_wrong() -> LineView:
    """A line with blockers of both kinds, a concession, a register change, an ended authorisation."""
    line = with_fact(locked_line(), "V-1", "assembly/1/pipe_to_support_dimension", q(1862, "mm"), 41)
    line = with_fact(line, "V-1", "status", status("on_hold", held_from="easing"), 60)
    line = with_record(line, "V-1", "indicator.hot_mark", q(181, "mm"))
    line = without_fact(without_line_fact(line, "contents"), "C-2", "assembly/1/stop/1")
    line = with_line_fact(line, "register_change/40", {"change": "retired", "mark": "V-0"}, 40)
    line = with_line_fact(line, "register_change/12", {"change": "transferred_in", "mark": "C-2"}, 12)
    line = with_line_fact(
        line,
        "authorisation",
        {
            "sequence": 55,
            "authorised_by": OTHER,
            "stage": ["V-1"],
            "valid": False,
            "ended_by": 61,
            "cause": "retirement",
            "earlier": [],
        },
        61,
    )
    return with_line_fact(
        line,
        "concession/47",
        {
            "sequence": 47,
            "purpose": "release",
            "code": "dimension-not-as-drawn",
            "subject": "hanger/V-1/assembly/1",
            "evidence_sequence": 41,
            "expires_at": "2026-06-30T00:00:00+02:00",
            "granted_by": OTHER,
            "granted_at": "2026-05-05T07:00:00+02:00",
        },
        47,
    )


@pytest.mark.parametrize("explain", [True, False])
@pytest.mark.parametrize("purpose", PURPOSES)
@pytest.mark.parametrize("wrong", [True, False])
def test_every_answer_is_valid_by_its_schema(purpose: str, explain: bool, wrong: bool) -> None:
    line = _everything_wrong() if wrong else good_line(purpose)
    READINESS.validate(answer(line, purpose, explain=explain))


@pytest.mark.parametrize("validator", [READINESS, PLANT], ids=["readiness", "plant-readiness"])
def test_the_examples_of_the_schemas_are_valid(validator: Draft202012Validator) -> None:
    assert isinstance(validator.schema, dict)
    assert validator.schema["examples"]
    for example in validator.schema["examples"]:
        validator.validate(example)


def test_the_schemas_are_closed() -> None:
    def objects(node: Any) -> list[Any]:
        inner = node.values() if isinstance(node, dict) else node if isinstance(node, list) else []
        here = [node] if isinstance(node, dict) and node.get("type") == "object" else []
        return here + [found for entry in inner for found in objects(entry)]

    for validator in (READINESS, PLANT):
        found = objects({key: part for key, part in dict(validator.schema).items() if key != "examples"})
        assert len(found) > 3
        assert all(entry["additionalProperties"] is False for entry in found)


def test_the_schema_lists_the_published_codes() -> None:
    assert isinstance(READINESS.schema, dict)
    assert READINESS.schema["$defs"]["code"]["enum"] == list(BLOCKER_CODES)


def test_the_published_list_tells_why_a_code_is_never_conceded() -> None:
    listed = BLOCKER_CODES["stop-damaged"].as_document()
    assert listed == {
        "code": "stop-damaged",
        "title": "A travel stop is damaged.",
        "about": "assembly",
        "purposes": ["pressure_test", "chemical_clean", "release"],
        "concedable": False,
        "never": "a damaged stop is never relied upon",
    }


def test_an_unknown_purpose_is_refused_with_those_that_are_known() -> None:
    with pytest.raises(InvalidParameter) as caught:
        answer(locked_line(), "start_up")
    assert caught.value.facts["accepted"] == [
        "pressure_test",
        "chemical_clean",
        "release",
        "heat_up",
        "acceptance",
    ]
    with pytest.raises(InvalidParameter):
        blockers(locked_line(), "start_up", CRITERIA, at=AT)


def test_the_answer_names_what_was_evaluated_and_with_what() -> None:
    there = datetime(2026, 5, 5, 14, 0, tzinfo=timezone(timedelta(hours=2)))
    found = assess(
        locked_line(),
        "release",
        CRITERIA,
        at=there,
        explain=False,
        criteria_revision=7,
        service_version="9.9",
    )
    assert found["evaluated"] == {
        "sequence": 90,
        "at": "2026-05-05T12:00:00.000000Z",
        "criteria_revision": 7,
        "service_version": "9.9",
    }
    assert (found["plant"], found["line"], found["purpose"]) == ("P1", "MS-1", "release")


def test_only_unknown_blockers_make_the_verdict_that_nothing_can_be_said() -> None:
    unknown = without_line_fact(locked_line(), "welds")
    assert answer(unknown, "release")["verdict"] == "cannot_say"
    known = with_line_fact(unknown, "jacketing", "incomplete")
    assert answer(known, "release")["verdict"] == "not_ready"


def test_conditions_that_are_met_are_listed_only_where_asked_for_with_the_event_that_shows_each() -> None:
    assert "satisfied" not in answer(locked_line(), "release")
    found = answer(locked_line(), "release", explain=True)
    shown = {(entry["code"], entry["subject"]): entry["shown_by"] for entry in found["satisfied"]}
    assert shown[("welds-incomplete", "line/MS-1")] == 20
    assert shown[("stop-count-not-as-drawn", "hanger/V-1/assembly/1")] == 30
    assert shown[("stop-not-in", "hanger/C-2/assembly/2")] == 31
    assert shown[("not-in-place", "hanger/R-3/assembly/1")] == 32
    assert shown[("check-failed", "hanger/V-1/assembly/1/check/variability")] == 2


def test_a_condition_is_either_met_or_a_blocker() -> None:
    found = answer(_everything_wrong(), "release", explain=True)
    met = {(entry["code"], entry["subject"]) for entry in found["satisfied"]}
    blocking = [(entry["code"], entry["subject"]) for entry in [*found["blockers"], *found["conceded"]]]
    assert met.isdisjoint(blocking)
    assert len(blocking) == len(set(blocking))


def test_hangers_are_listed_with_state_and_number_of_blockers() -> None:
    line = with_fact(locked_line(), "C-2", "status", status("cleared"), 60)
    line = with_fact(
        with_fact(line, "C-2", "assembly/1/rod_slack", True), "C-2", "assembly/2/rod_slack", True
    )
    assert answer(line, "release")["hangers"] == [
        {"mark": "V-1", "kind": "variable", "state": "locked", "blockers": 0},
        {"mark": "C-2", "kind": "constant", "state": "cleared", "blockers": 2},
        {"mark": "R-3", "kind": "rigid", "state": None, "blockers": 0},
    ]


def test_register_changes_are_listed_in_order_and_the_authorisation_with_what_ended_it() -> None:
    found = answer(_everything_wrong(), "heat_up")
    assert [(entry["sequence"], entry["change"], entry["mark"]) for entry in found["register_changes"]] == [
        (12, "transferred_in", "C-2"),
        (40, "retired", "V-0"),
    ]
    assert found["authorisation"] == {
        "sequence": 55,
        "authorised_by": OTHER,
        "stage": ["V-1"],
        "valid": False,
        "ended_by": 61,
        "cause": "retirement",
    }
    assert answer(locked_line(), "release")["authorisation"] is None


@pytest.mark.parametrize("purpose", PURPOSES)
def test_the_answer_says_what_it_does_not_weigh(purpose: str) -> None:
    found = answer(good_line(purpose), purpose)
    assert [entry["matter"] for entry in found["not_weighed"]] == [
        "load-balance",
        "end-of-travel",
        "load-path",
    ]
    assert all("no model of the line" in entry["detail"] for entry in found["not_weighed"])


def _cautions(found: dict[str, Any]) -> list[str]:
    return [caution["code"] for caution in found["cautions"]]


def test_before_heat_up_the_crew_is_told_to_see_every_hanger_move() -> None:
    found = answer(good_line("heat_up"), "heat_up")
    assert _cautions(found) == ["see-every-hanger-move"]
    assert "2 mm" in found["cautions"][0]["detail"]


def test_before_release_the_crew_is_told_that_force_is_never_a_step() -> None:
    assert _cautions(answer(locked_line(), "release")) == ["no-force-on-a-stop"]


def test_a_line_whose_stops_are_all_out_is_told_so() -> None:
    assert _cautions(answer(released_line(), "release")) == ["no-force-on-a-stop", "nothing-to-release"]


def test_a_line_of_rigid_hangers_is_not_told_so() -> None:
    line = replace(locked_line(), hangers=locked_line().hangers[2:])
    line = with_line_record(line, supports_expected={"marks": ["R-3"], "drawing": "P-1001"})
    found = answer(line, "release")
    assert found["ready"] is True
    assert _cautions(found) == ["no-force-on-a-stop"]


@pytest.mark.parametrize("purpose", ["pressure_test", "chemical_clean", "acceptance"])
def test_other_purposes_have_no_caution_of_their_own(purpose: str) -> None:
    assert _cautions(answer(good_line(purpose), purpose)) == []


def test_persons_are_separate_unless_the_criteria_say_otherwise() -> None:
    assert answer(locked_line(), "release")["separate_persons_off"] is False


# --- the plant ----------------------------------------------------------------------------------------
def _plant(lines: list[LineView], purpose: str = "release") -> dict[str, Any]:
    return assess_plant(
        "P1", lines, purpose, CRITERIA, sequence=90, at=AT, criteria_revision=0, service_version="0.1.0"
    )


def test_a_plant_is_a_list_of_lines_with_verdict_and_counts() -> None:
    conceded = with_fact(locked_line(), "V-1", "assembly/1/pipe_to_support_dimension", q(1862, "mm"), 41)
    conceded = with_line_fact(conceded, "concession/47", _everything_wrong().facts["concession/47"].value, 47)
    lines = [
        replace(locked_line(), line="A"),
        replace(conceded, line="B"),
        replace(without_line_fact(locked_line(), "welds"), line="C"),
        replace(with_line_fact(without_line_fact(locked_line(), "welds"), "contents", "water"), line="D"),
    ]
    found = _plant(lines)
    PLANT.validate(found)
    rows = [
        (row["line"], row["verdict"], row["ready"], row["hangers"], row["blockers"], row["conceded"])
        for row in found["lines"]
    ]
    assert rows == [
        ("A", "ready", True, 3, {"known": 0, "unknown": 0}, 0),
        ("B", "ready_with_concessions", True, 3, {"known": 0, "unknown": 0}, 1),
        ("C", "cannot_say", False, 3, {"known": 0, "unknown": 1}, 0),
        ("D", "not_ready", False, 3, {"known": 1, "unknown": 1}, 0),
    ]
    assert found["counts"] == {"ready": 1, "ready_with_concessions": 1, "not_ready": 1, "cannot_say": 1}


def test_a_plant_without_lines_has_an_empty_list() -> None:
    found = _plant([])
    PLANT.validate(found)
    assert (found["lines"], found["counts"]["ready"]) == ([], 0)


# --- size ---------------------------------------------------------------------------------------------
def test_a_line_of_sixty_hangers_is_answered_quickly() -> None:
    """A few tens of milliseconds are usual; the bound leaves room for a loaded machine."""
    line = locked_line()
    hangers = tuple(
        replace(view, mark=f"{view.mark}-{number}") for number in range(20) for view in line.hangers
    )
    marks = [view.mark for view in hangers]
    line = with_line_record(
        replace(line, hangers=hangers), supports_expected={"marks": marks, "drawing": "P-1001"}
    )
    taken = []
    for _ in range(3):
        begun = time.perf_counter()
        found = answer(line, "release")
        taken.append(time.perf_counter() - begun)
    assert found["ready"] is True
    assert len(found["hangers"]) == 60
    assert min(taken) < 0.5
