"""A refused document names every fault by pointer, and says what would be accepted."""

from __future__ import annotations

import copy
from typing import Any

import jsonschema_rs
import pytest

from service.errors import InvalidDocument, MassForForce, UnknownUnit
from service.http.documents import MASS_HINT, MOST_FINDINGS, Document
from service.schema_files import load_schemas
from tests.http.running import Caller, hanger, inspection, problem_of

KEY_FORM = "1 to 64 letters, digits, dots, low lines and hyphens; the first and the last a letter or digit"
FORCES = ["N", "kN", "MN", "lbf", "kgf", "[lbf_av]"]
LOAD = {"value": 14.5, "unit": "kN"}


def design(**values: Any) -> dict[str, Any]:
    return hanger(design={"operating_load": LOAD, **values})


# document of H-1, pointer, rule, accepted
FAULTS: dict[str, tuple[dict[str, Any], str, str, Any]] = {
    "mark with a line break at its end": (hanger("H-1\n"), "/mark", "pattern", KEY_FORM),
    "mark with a blank": (hanger("H 1"), "/mark", "pattern", KEY_FORM),
    "mark with a slash": (hanger("H/1"), "/mark", "pattern", KEY_FORM),
    "mark that ends in a dot": (hanger("H-1."), "/mark", "pattern", KEY_FORM),
    "mark of another alphabet": (hanger("\u041d-1"), "/mark", "pattern", KEY_FORM),
    "empty mark": (hanger(""), "/mark", "pattern", KEY_FORM),
    "mark that is a number": (hanger(mark=1), "/mark", "type", ["string"]),  # type: ignore[arg-type]
    "unknown key": (
        hanger(colour="red"),
        "/colour",
        "unknown-key",
        "the keys of the schema; data of others goes under extensions",
    ),
    "unknown key inside": (
        design(colour="red"),
        "/design/colour",
        "unknown-key",
        "the keys of the schema; data of others goes under extensions",
    ),
    "unknown key with a slash and a tilde": (
        hanger(**{"a/b~c": 1}),
        "/a~1b~0c",
        "unknown-key",
        "the keys of the schema; data of others goes under extensions",
    ),
    "unknown kind": (hanger(kind="spring"), "/kind", "enum", ["variable", "constant", "rigid"]),
    "missing unit": (design(total_travel={"value": 80}), "/design/total_travel/unit", "required", None),
    "text for a number": (
        design(total_travel={"value": "80", "unit": "mm"}),
        "/design/total_travel/value",
        "type",
        ["number"],
    ),
    "truth for a number": (
        design(total_travel={"value": True, "unit": "mm"}),
        "/design/total_travel/value",
        "type",
        ["number"],
    ),
    "null for a number": (
        design(total_travel={"value": None, "unit": "mm"}),
        "/design/total_travel/value",
        "type",
        ["number"],
    ),
    "bare number for a quantity": (design(total_travel=80), "/design/total_travel", "type", ["object"]),
    "negative load": (
        design(operating_load={"value": -1, "unit": "kN"}),
        "/design/operating_load/value",
        "exclusiveMinimum",
        "more than 0",
    ),
    "load of zero": (
        design(operating_load={"value": 0, "unit": "kN"}),
        "/design/operating_load/value",
        "exclusiveMinimum",
        "more than 0",
    ),
    "too many assemblies": (
        hanger(assemblies=[{"stops": 1}] * 9),
        "/assemblies",
        "maxItems",
        "at most 8 items",
    ),
    "a fraction of a stop": (hanger(assemblies=[{"stops": 1.5}]), "/assemblies/0/stops", "type", ["integer"]),
    "the same external id twice": (
        hanger(external_ids=[{"source": "m", "id": "1"}] * 2),
        "/external_ids",
        "uniqueItems",
        "items that differ",
    ),
    "length in a unit of force": (
        design(total_travel={"value": 80, "unit": "kN"}),
        "/design/total_travel/unit",
        "unit",
        ["mm", "cm", "m", "in", "ft", "[in_i]", "[ft_i]"],
    ),
    "force in a unit of length": (
        design(operating_load={"value": 1, "unit": "mm"}),
        "/design/operating_load/unit",
        "unit",
        FORCES,
    ),
    "unit in another letter case": (
        design(operating_load={"value": 1, "unit": "KN"}),
        "/design/operating_load/unit",
        "unit",
        FORCES,
    ),
    "unit with a blank": (
        design(operating_load={"value": 1, "unit": "kN "}),
        "/design/operating_load/unit",
        "unit",
        FORCES,
    ),
    "expression for a unit": (
        design(operating_load={"value": 1, "unit": "9**9**9"}),
        "/design/operating_load/unit",
        "unit",
        FORCES,
    ),
    "value and unit in one text": (
        design(operating_load={"value": 1, "unit": "nan kN"}),
        "/design/operating_load/unit",
        "unit",
        FORCES,
    ),
}


@pytest.mark.parametrize(("document", "pointer", "rule", "accepted"), FAULTS.values(), ids=FAULTS)
def test_a_fault_in_a_record_is_named_by_pointer_with_what_is_accepted(
    engineer: Caller, document: dict[str, Any], pointer: str, rule: str, accepted: Any
) -> None:
    response = engineer.revise("/v1/plants/P/hangers/H-1", document)
    assert response.status_code == 422, response.data
    (finding,) = response.json["errors"]
    assert (finding["in"], finding["pointer"], finding["rule"], finding.get("accepted")) == (
        "body",
        pointer,
        rule,
        accepted,
    )
    assert finding["detail"]


@pytest.mark.parametrize("unit", ["kg", "t", "lb", "[lb_av]", "lbs", "lbm", "g", "tonne", "ton"])
def test_a_mass_for_a_force_has_its_own_code_and_hint(engineer: Caller, unit: str) -> None:
    response = engineer.revise(
        "/v1/plants/P/hangers/H-1", design(operating_load={"value": 1450, "unit": unit})
    )
    document = problem_of(response, 422, "mass-for-force")
    (finding,) = document["errors"]
    assert finding["rule"] == "mass-for-force"
    assert finding["pointer"] == "/design/operating_load/unit"
    assert finding["accepted"] == FORCES
    assert "9.80665" in finding["detail"]
    assert MASS_HINT in document["detail"]


def test_a_mass_for_a_force_in_a_rate_has_the_hint_too(engineer: Caller) -> None:
    record = design(spring_rate={"value": 6, "unit": "kg/mm"})
    problem_of(engineer.revise("/v1/plants/P/hangers/H-1", record), 422, "mass-for-force")


def test_a_mass_for_a_length_is_a_wrong_unit_and_no_mass_for_a_force() -> None:
    with pytest.raises(UnknownUnit) as caught:
        Document("hanger-record").validate(design(total_travel={"value": 1, "unit": "kg"}))
    assert type(caught.value) is UnknownUnit


def test_faults_of_several_sorts_are_all_told_and_the_code_is_the_general_one() -> None:
    record = design(
        operating_load={"value": 1, "unit": "kg"}, total_travel={"value": 1, "unit": "furlong"}, colour=1
    )
    with pytest.raises(InvalidDocument) as caught:
        Document("hanger-record").validate(record)
    assert type(caught.value) is InvalidDocument
    assert [finding.rule for finding in caught.value.errors] == ["mass-for-force", "unit", "unknown-key"]
    assert caught.value.facts["faults"] == 3


def test_two_masses_for_forces_are_still_a_mass_for_force() -> None:
    record = design(operating_load={"value": 1, "unit": "kg"}, hardware_weight={"value": 1, "unit": "lb"})
    with pytest.raises(MassForForce) as caught:
        Document("hanger-record").validate(record)
    assert len(caught.value.errors) == 2


@pytest.mark.parametrize("name", ["revision", "state", "sequence", "recorded_at", "actor", "id", "status"])
def test_a_field_that_only_the_server_sets_is_refused_and_told_so(engineer: Caller, name: str) -> None:
    response = engineer.revise("/v1/plants/P/hangers/H-1", hanger(**{name: 1}))
    (finding,) = problem_of(response, 422, "invalid-document")["errors"]
    assert (finding["rule"], finding["pointer"]) == ("set-by-the-service", f"/{name}")


@pytest.mark.parametrize(
    "name", ["actor", "recorded_at", "release_state", "flags", "sequence", "role", "subject"]
)
def test_a_field_that_only_the_server_sets_is_refused_in_an_act(engineer: Caller, name: str) -> None:
    response = engineer.post("/v1/plants/P/hangers/H-1/inspections", inspection(**{name: "x"}))
    assert problem_of(response, 422, "invalid-document")["errors"][0]["rule"] == "set-by-the-service"


def test_hundreds_of_faults_are_counted_and_the_first_are_told() -> None:
    with pytest.raises(InvalidDocument) as caught:
        Document("hanger-record").validate(hanger(**{f"unknown_{number}": 1 for number in range(300)}))
    assert len(caught.value.errors) == MOST_FINDINGS
    assert caught.value.facts["faults"] == 300


ACTS: dict[str, tuple[str, dict[str, Any], str, str]] = {
    "an act without its assembly": ("turns", {"turns": 1}, "/assembly", "required"),
    "a turn without turns": ("turns", {"assembly": 1}, "/turns", "required"),
    "a text for turns": ("turns", {"assembly": 1, "turns": "1"}, "/turns", "type"),
    "too many turns": ("turns", {"assembly": 1, "turns": 1001}, "/turns", "maximum"),
    "assembly 0": ("turns", {"assembly": 0, "turns": 1}, "/assembly", "minimum"),
    "an unknown face": (
        "stops",
        {"assembly": 1, "stop": 1, "act": "observed", "bearing_face": "left"},
        "/bearing_face",
        "enum",
    ),
    "a text for a truth": (
        "stops",
        {"assembly": 1, "stop": 1, "act": "observed", "free_by_hand": "yes"},
        "/free_by_hand",
        "type",
    ),
    "a transition that the service makes": ("transitions", {"transition": "clear"}, "/transition", "enum"),
    "force as a transition": ("transitions", {"transition": "hammer"}, "/transition", "enum"),
    "withdraws without a correction": ("turns", {"withdraws": True}, "/assembly", "required"),
    "withdraws that is false": (
        "turns",
        {"corrects": 1, "withdraws": False, "reason": "x", "assembly": 1, "turns": 1},
        "/withdraws",
        "const",
    ),
    "month 13": (
        "turns",
        {"assembly": 1, "turns": 1, "occurred_at": "2026-13-05T08:10:00Z"},
        "/occurred_at",
        "format",
    ),
    "no offset": (
        "turns",
        {"assembly": 1, "turns": 1, "occurred_at": "2026-05-05T08:10:00"},
        "/occurred_at",
        "format",
    ),
    "an empty note": ("turns", {"assembly": 1, "turns": 1, "note": ""}, "/note", "minLength"),
    "a blank note": ("turns", {"assembly": 1, "turns": 1, "note": "  "}, "/note", "pattern"),
    "an evidence digest in capitals": (
        "turns",
        {
            "assembly": 1,
            "turns": 1,
            "evidence": [{"uri": "https://e.example/a", "sha256": "A" * 64, "media_type": "image/jpeg"}],
        },
        "/evidence/0/sha256",
        "pattern",
    ),
    "a performer that is no id": (
        "turns",
        {"assembly": 1, "turns": 1, "performed_by": "Miller"},
        "/performed_by",
        "pattern",
    ),
}


@pytest.mark.parametrize(("act", "fields", "pointer", "rule"), ACTS.values(), ids=ACTS)
def test_a_fault_in_an_act_is_named_by_pointer(
    engineer: Caller, act: str, fields: dict[str, Any], pointer: str, rule: str
) -> None:
    document = {"occurred_at": "2026-05-04T05:00:00Z", **fields}
    response = engineer.post(f"/v1/plants/P/hangers/H-1/{act}", document)
    findings = problem_of(response, 422, "invalid-document")["errors"]
    assert (pointer, rule) in [(finding["pointer"], finding["rule"]) for finding in findings]


def test_a_choice_between_forms_says_what_each_wants(engineer: Caller) -> None:
    document = {"occurred_at": "2026-05-04T05:00:00Z"}
    findings = problem_of(engineer.post("/v1/plants/P/hangers/H-1/turns", document), 422, "invalid-document")[
        "errors"
    ]
    assert [finding["pointer"] for finding in findings] == ["/assembly", "/turns"]
    assert findings[0]["accepted"] == ["with assembly, turns", "with corrects, withdraws, reason"]


@pytest.mark.parametrize("value", ["15", True, None, [15], {"value": "15", "unit": "%"}])
def test_a_limit_that_is_no_quantity_is_refused_inside_the_choice(engineer: Caller, value: Any) -> None:
    limit = {"value": value, "source": "plant specification", "source_status": "plant"}
    response = engineer.put(
        "/v1/plants/P/criteria", {"limits": {"variability_max": limit}}, {"If-Match": '"r0"'}
    )
    assert response.status_code == 422, response.data
    assert response.json["errors"][0]["pointer"].startswith("/limits/variability_max/value")


@pytest.mark.parametrize(
    "load", ["14.5", {"value": "14.5", "unit": "kN"}, {"least": {"value": "1", "unit": "kN"}, "most": LOAD}]
)
def test_a_text_for_a_number_is_refused_inside_one_of_two_forms(engineer: Caller, load: Any) -> None:
    response = engineer.post("/v1/nut-plans", {"hanger": hanger(), "spring_load": load})
    assert response.status_code == 422, response.data
    assert response.json["errors"][0]["pointer"].startswith("/spring_load")


def test_pointers_into_a_list_of_documents_name_the_place(engineer: Caller) -> None:
    bodies = [{"hanger": hanger()}, {"hanger": hanger("H 2")}, {"hangar": hanger()}]
    findings = problem_of(engineer.post("/v1/checks", bodies), 422, "invalid-document")["errors"]
    assert [finding["pointer"] for finding in findings] == ["/1/hanger/mark", "/2/hangar", "/2/hanger"]


@pytest.mark.parametrize("count", [0, 101])
def test_a_list_of_none_or_of_too_many_documents_is_refused(engineer: Caller, count: int) -> None:
    response = engineer.post("/v1/checks", [{"hanger": hanger()}] * count)
    assert problem_of(response, 422, "invalid-document")["errors"][0]["accepted"] == "1 to 100"


@pytest.mark.parametrize("name", sorted(load_schemas()))
def test_every_schema_is_read_by_the_validator_and_its_examples_hold(name: str) -> None:
    kind = Document(name)
    for example in kind.examples:
        assert kind.validate(copy.deepcopy(example)) == example


def test_no_schema_is_ever_fetched() -> None:
    with pytest.raises((jsonschema_rs.ReferencingError, ValueError)):
        jsonschema_rs.Draft202012Validator(
            {"$ref": "https://hangers.example/schemas/unheard-of.schema.json"},
            retriever=_refuse,
        )


def _refuse(uri: str) -> Any:
    raise ValueError(uri)
