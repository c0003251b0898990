"""The table of rules, the shape of its rows, and checks of posted documents."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from referencing import Registry, Resource

from service.domain.checks import (
    BY_CODE,
    GROUPS,
    LINE_RULES,
    RULES,
    STATUSES,
    check_request,
    line_sums,
    run_checks,
    run_document_checks,
    summary,
)
from service.domain.checks.look import Look, Subject
from service.domain.checks.run import apply
from service.domain.checks.table import Basis, Rule
from service.domain.criteria import DIMENSIONS, Criteria
from service.errors import InvalidDocument
from service.units import convert_document
from tests.unit.domain.checks_samples import (
    BASE,
    CONSTANT,
    RIGID,
    VARIABLE,
    Document,
    changed,
    constant_facts,
    line_of,
    q,
    row,
    variable_facts,
    view,
)
from tests.unit.domain.weighings import hanger, weighing

SCHEMAS = Path(__file__).parents[3] / "schemas"
DOCUMENTS = [json.loads(path.read_text()) for path in sorted(SCHEMAS.glob("*.json"))]
REGISTRY: Registry[Any] = Registry().with_resources(
    [(document["$id"], Resource.from_contents(document)) for document in DOCUMENTS]
)

HANGERS = [
    (VARIABLE, variable_facts()),
    (CONSTANT, constant_facts()),
    (RIGID, {}),
    (BASE, {}),
    ({"line": "L-1", "mark": "X", "kind": "constant"}, {}),
]


def validator(name: str) -> Draft202012Validator:
    schema = json.loads((SCHEMAS / f"{name}.schema.json").read_text())
    return Draft202012Validator(schema, registry=REGISTRY)


# The purposes by hand: which rules a line must pass for what.
PURPOSES = {
    "pressure_test": {
        "form-agrees",
        "load-shares-agree",
        "rod-load-locked",
        "rod-load-test",
        "engagement-drawn-upper",
        "engagement-drawn-lower",
        "locked-capacity",
        "stop-capacity-up",
        "stop-capacity-down",
        "stops-counted",
        "stops-undamaged",
        "engagement-found-upper",
        "engagement-found-lower",
        "locked-load-balance",
        "locked-load-test-balance",
        "rod-load-balance",
        "rod-load-test-balance",
        "stop-force-up-balance",
        "stop-force-down-balance",
        "stop-force-test-balance",
    },
    "release": {
        "variability",
        "constant-deviation",
        "constant-total-travel",
        "reserve-upper-end",
        "reserve-lower-end",
        "working-range-cold",
        "working-range-hot",
        "load-rate-travel",
        "calibrated-load-agrees",
        "form-agrees",
        "threads-known",
        "lead-agrees",
        "marks-agree",
        "marks-in-span",
        "span-agrees",
        "working-range-agrees",
        "load-shares-agree",
        "nameplate-record-agrees",
        "locked-position-agrees",
        "rod-load-operation",
        "rod-load-cold",
        "rod-load-locked",
        "rod-swing",
        "engagement-drawn-upper",
        "engagement-drawn-lower",
        "stop-capacity-up",
        "nameplate-as-drawn",
        "pipe-to-support-dimension",
        "elevation",
        "stops-counted",
        "stops-undamaged",
        "rod-offset",
        "rod-angle",
        "engagement-found-upper",
        "engagement-found-lower",
        "locked-load-balance",
        "rod-load-balance",
        "stop-force-up-balance",
        "stop-force-down-balance",
        "end-of-travel-cold",
        "end-of-travel-hot",
        "rod-load-released-balance",
        "movement-balance",
        "expected-reading-balance",
        "design-sum",
    },
    "heat_up": {
        "adjuster-locked",
        "cold-reading",
        "margin-upper-end",
        "margin-lower-end",
        "cold-load-inferred",
        "reading-jump",
        "reading-in-span",
        "pair-readings",
        "variable-sum-cold",
        "end-of-travel-hot",
        "rod-load-released-balance",
        "expected-reading-balance",
    },
    "acceptance": {
        "adjuster-locked",
        "load-setting",
        "hot-reading",
        "travel-direction",
        "travel-size",
        "margin-upper-end",
        "margin-lower-end",
        "hot-load-inferred",
        "reading-jump",
        "reading-in-span",
        "pair-readings",
        "variable-sum-hot",
    },
}
PURPOSES["chemical_clean"] = PURPOSES["pressure_test"]


@pytest.mark.parametrize("purpose", PURPOSES)
def test_a_purpose_is_fed_by_the_rules_written_here_by_hand(purpose: Any) -> None:
    every = [*RULES, *LINE_RULES]
    assert {rule.code for rule in every if purpose in rule.purposes} == PURPOSES[purpose]


def test_a_rule_that_can_never_be_answered_feeds_no_purpose() -> None:
    assert BY_CODE["deviation-as-read"].purposes == ()


def test_rules_have_codes_of_their_own_and_known_limits() -> None:
    every = [*RULES, *LINE_RULES]
    assert len({rule.code for rule in every}) == len(every)
    for rule in every:
        assert rule.group in GROUPS
        assert rule.limits or rule.basis
        assert set(rule.limits) <= set(DIMENSIONS)
        assert rule.title


def test_a_rule_compares_with_no_limit_that_it_does_not_list(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: dict[str, set[str]] = {}
    plain = Look.limit

    def watched(look: Look, name: str) -> float:
        asked.setdefault(look.rule.code, set()).add(name)
        return plain(look, name)

    monkeypatch.setattr(Look, "limit", watched)
    for record, facts in HANGERS:
        weighed = weighing(hanger(record["mark"], thermal_movement_m=0.04))
        run_checks(view(record, facts), Criteria(), weighing=weighed)
        line_sums(line_of(view(record, facts)), Criteria(), weighing=weighed)
    listed = {rule.code: set(rule.limits) for rule in [*RULES, *LINE_RULES]}
    assert asked["variability"] == {"variability_max"}
    for code, names in asked.items():
        assert names <= listed[code], code


@pytest.mark.parametrize(("record", "facts"), HANGERS)
def test_every_row_is_valid_by_its_schema(record: Document, facts: Any) -> None:
    weighed = weighing(hanger(record["mark"]))
    found = run_checks(view(record, facts), Criteria(), weighing=weighed)
    found += line_sums(line_of(view(record, facts)), Criteria(), weighing=weighed)
    check = validator("check-result")
    for entry in found:
        check.validate(entry)
        check.validate(convert_document(entry, "us"))
    validator("check-results").validate(
        {
            "plant": "P",
            "mark": record["mark"],
            "revision": 1,
            "criteria_revision": 0,
            "sequence": 30,
            "checks": found,
            "line_checks": [],
            "summary": summary(found),
        }
    )


@pytest.mark.parametrize(("record", "facts"), HANGERS)
def test_every_rule_answers_once_a_hanger_or_once_an_assembly(record: Document, facts: Any) -> None:
    found = run_checks(view(record, facts), Criteria(), weighing=weighing(hanger(record["mark"])))
    for rule in RULES:
        numbers = [entry["assembly"] for entry in found if entry["rule"] == rule.code]
        assert numbers == [None] or numbers == list(range(1, len(record.get("assemblies", ())) + 1))


@pytest.mark.parametrize("record", [VARIABLE, CONSTANT])
def test_a_sound_hanger_is_sound_in_every_rule(record: Document) -> None:
    facts = variable_facts() if record is VARIABLE else constant_facts()
    weighed = weighing(hanger("V-1"), hanger("C-1", expected_released_cold_m=6.5 * 0.0254))
    found = [
        entry
        for entry in run_checks(view(record, facts), Criteria(), weighing=weighed)
        if entry["rule"] != "deviation-as-read"
    ]
    assert {entry["status"] for entry in found} == {"pass", "not_applicable"}


def test_a_rigid_hanger_is_checked_in_what_concerns_it_alone() -> None:
    found = {
        entry["rule"]: entry["status"] for entry in run_checks(view(RIGID), Criteria(), groups=("design",))
    }
    applicable = {rule for rule, status in found.items() if status != "not_applicable"}
    assert applicable == {
        "form-agrees",
        "threads-known",
        "load-shares-agree",
        "rod-load-operation",
        "rod-load-test",
        "rod-swing",
    }


def test_the_groups_asked_for_are_the_groups_answered() -> None:
    for group in GROUPS:
        found = run_checks(view(VARIABLE), Criteria(), groups=(group,), weighing=weighing(hanger("V-1")))
        assert {BY_CODE[entry["rule"]].group for entry in found} == {group}


def test_a_record_of_nothing_but_its_kind_passes_nothing_that_needs_a_figure() -> None:
    found = run_checks(view({"line": "L", "mark": "X", "kind": "variable"}), Criteria())
    assert [entry["rule"] for entry in found if entry["status"] == "pass"] == ["form-agrees"]
    assert not [entry for entry in found if entry["status"] in ("attention", "fail")]
    assert all(entry["missing"] for entry in found if entry["status"] == "cannot_say")


def test_a_rule_that_passes_with_something_missing_is_turned_into_cannot_say() -> None:
    def careless(look: Look) -> dict[str, Any]:
        look.value("/design/nowhere")
        return look.row("pass", "It will do.")

    rule = Rule("careless", "design", "A careless rule", careless, basis=Basis("none", None, "memory"))
    found = apply(rule, Subject(VARIABLE, {}, None, None, Criteria()), None)
    assert found["status"] == "cannot_say"
    assert found["missing"] == ["/design/nowhere"]
    assert found["basis"] == {"source": "none", "paragraph": None, "status": "memory"}


def test_a_rule_is_listed_as_a_document() -> None:
    assert BY_CODE["variability"].as_document() == {
        "rule": "variability",
        "group": "design",
        "title": "Variability of a variable spring",
        "kinds": ["variable"],
        "limits": ["variability_max"],
        "purposes": ["release"],
    }


# --- units ------------------------------------------------------------------------------------------
def verdicts(found: list[Document]) -> list[tuple[Any, ...]]:
    return [(entry["rule"], entry["assembly"], entry["status"]) for entry in found]


@pytest.mark.parametrize(("record", "facts"), HANGERS)
@pytest.mark.parametrize("system", ["si", "us"])
def test_the_same_hanger_in_other_units_gets_the_same_verdicts(
    record: Document, facts: Any, system: Any
) -> None:
    def converted(value: Any) -> Any:
        return convert_document(value, system)

    other = {
        name: type(known)(**{**vars(known), "value": converted(known.value)}) for name, known in facts.items()
    }
    before = run_checks(view(record, facts), Criteria())
    after = run_checks(view(converted(record), other), Criteria(convert_document(_defaults(), system)))
    assert verdicts(before) == verdicts(after)


def _defaults() -> Document:
    from service.domain.criteria import default_criteria

    return default_criteria()


LOADS = st.floats(min_value=1.0, max_value=60.0).map(lambda value: round(value, 3))
LENGTHS = st.floats(min_value=-250.0, max_value=250.0).map(lambda value: round(value, 2))


@settings(max_examples=60, deadline=None)
@given(LOADS, LOADS, LENGTHS, st.floats(min_value=1.0, max_value=500.0), LENGTHS, LENGTHS)
def test_a_generated_hanger_gets_the_same_verdicts_in_pounds_and_inches(
    hot: float, cold: float, movement: float, rate: float, cold_mark: float, hot_mark: float
) -> None:
    record = copy.deepcopy(VARIABLE)
    record["design"] |= {
        "operating_load": q(hot, "kN"),
        "installed_load": q(cold, "kN"),
        "vertical_movement": q(movement, "mm"),
        "spring_rate": q(rate, "N/mm"),
    }
    record["indicator"] |= {"cold_mark": q(cold_mark, "mm"), "hot_mark": q(hot_mark, "mm")}
    before = run_checks(view(record), Criteria(), groups=("design",))
    after = run_checks(view(convert_document(record, "us")), Criteria(), groups=("design",))
    assert verdicts(before) == verdicts(after)
    for one, other in zip(before, after, strict=True):
        if one["margin"] is not None and isinstance(one["margin"], dict):
            assert other["margin"]["value"] == pytest.approx(one["margin"]["value"], rel=1e-6, abs=1e-6)


@settings(max_examples=40, deadline=None)
@given(LOADS, st.floats(min_value=0.0, max_value=30.0))
def test_more_load_never_helps_a_rod(load: float, more: float) -> None:
    rank = {"fail": 0, "pass": 1}
    lighter = row(changed(VARIABLE, "/design/operating_load", q(load, "kN")), "rod-load-operation")
    heavier = row(changed(VARIABLE, "/design/operating_load", q(load + more, "kN")), "rod-load-operation")
    assert rank[heavier["status"]] <= rank[lighter["status"]]
    assert heavier["margin"]["value"] <= lighter["margin"]["value"] + 1e-9


@settings(max_examples=40, deadline=None)
@given(st.floats(min_value=1.0, max_value=200.0).map(lambda value: round(value, 2)))
def test_the_direction_of_the_movement_does_not_change_the_variability(movement: float) -> None:
    up = row(changed(VARIABLE, "/design/vertical_movement", q(movement, "mm")), "variability")
    down = row(changed(VARIABLE, "/design/vertical_movement", q(-movement, "mm")), "variability")
    assert (up["status"], up["found"]) == (down["status"], down["found"])


# --- posted documents -------------------------------------------------------------------------------
REQUEST: Document = {
    "hanger": VARIABLE,
    "inspections": [
        {
            "occurred_at": "2026-05-04T09:30:00+02:00",
            "assembly": 1,
            "stops_counted": 2,
            "line_temperature": q(21, "degC"),
            "elevation": q(12.402, "m"),
            "engagement": [{"end": "upper", "measured": q(46, "mm")}, {"end": "lower", "full": True}],
        },
        {"occurred_at": "2026-05-04T06:30:00Z", "assembly": 1, "stops_counted": 1},
    ],
    "readings": [
        {
            "reading": {
                "occurred_at": "2026-05-05T09:10:00+02:00",
                "assembly": 1,
                "condition": "cold",
                "position": q(100, "mm"),
            },
            "stops_out": True,
        }
    ],
}


def posted(request: Document, rule: str) -> Document:
    validator("check-request").validate(request)
    found: list[Document] = [entry for entry in check_request(request)["checks"] if entry["rule"] == rule]
    return found[0]


def test_a_posted_record_is_checked_as_designed() -> None:
    answer = check_request({"hanger": VARIABLE})
    validator("check-results").validate(answer)
    assert answer["mark"] == "V-1"
    assert {BY_CODE[entry["rule"]].group for entry in answer["checks"]} == {"design"}
    assert set(answer["summary"]) == set(STATUSES)
    assert sum(answer["summary"].values()) == len(answer["checks"])


def test_a_posted_record_and_a_stored_one_get_the_same_rows() -> None:
    assert run_document_checks(VARIABLE, Criteria()) == run_checks(
        view(VARIABLE), Criteria(), groups=("design",)
    )


def test_posted_inspections_and_readings_are_used_and_named() -> None:
    counted = posted(REQUEST, "stops-counted")
    assert counted["status"] == "pass"  # the later of the two, in whatever zone it was written
    assert counted["inputs"] == ["/assemblies/0/stops", "/inspections/0"]
    assert posted(REQUEST, "elevation")["status"] == "pass"
    assert posted(REQUEST, "engagement-found-upper")["status"] == "pass"
    reading = posted(REQUEST, "cold-reading")
    assert reading["status"] == "pass"
    assert "/readings/0/reading" in reading["inputs"]


@pytest.mark.parametrize("stops_out", [False, None])
def test_a_posted_reading_counts_only_with_the_stops_out(stops_out: bool | None) -> None:
    request = copy.deepcopy(REQUEST)
    if stops_out is None:
        del request["readings"][0]["stops_out"]
    else:
        request["readings"][0]["stops_out"] = stops_out
    assert posted(request, "cold-reading")["status"] == "cannot_say"


def test_posted_criteria_groups_and_line_are_used() -> None:
    request = copy.deepcopy(REQUEST) | {
        "criteria": {
            "limits": {"variability_max": {"value": q(15, "%"), "source": "plant", "source_status": "plant"}}
        },
        "line": {"cold_range": {"low": q(25, "degC"), "high": q(40, "degC")}},
    }
    assert posted(request, "variability")["status"] == "fail"
    assert posted(request, "elevation")["status"] == "cannot_say"
    chosen = check_request(request | {"groups": ["read"]})
    assert {BY_CODE[entry["rule"]].group for entry in chosen["checks"]} == {"read"}


@pytest.mark.parametrize(
    ("where", "pointer"),
    [("inspections", "/inspections/0/withdraws"), ("readings", "/readings/0/reading/withdraws")],
)
def test_a_withdrawal_is_refused_where_nothing_is_stored(where: str, pointer: str) -> None:
    withdrawal = {
        "occurred_at": "2026-05-04T09:30:00Z",
        "corrects": 3,
        "withdraws": True,
        "reason": "misread",
    }
    posted_there = [withdrawal if where == "inspections" else {"reading": withdrawal, "stops_out": True}]
    request = {"hanger": VARIABLE, where: posted_there}
    validator("check-request").validate(request)
    with pytest.raises(InvalidDocument) as refused:
        check_request(request)
    assert refused.value.errors[0].pointer == pointer
