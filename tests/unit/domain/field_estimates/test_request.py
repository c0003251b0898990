"""Requests and answers: what is refused, what is missing, and the documents' schemas."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from referencing import Registry, Resource

from service.domain.balance.analysis import Analysis
from service.domain.field_estimates.estimate import field_estimate
from service.errors import InvalidDocument
from tests.lines.base import MARKS, base_line
from tests.unit.domain.field_estimates.site import RISES, UNSURVEYED, exact

SCHEMAS = Path(__file__).parents[4] / "schemas"
DOCUMENTS = {path.name: json.loads(path.read_text()) for path in SCHEMAS.glob("*.schema.json")}
REGISTRY: Registry[Any] = Registry().with_resources(
    (document["$id"], Resource.from_contents(document)) for document in DOCUMENTS.values()
)
REQUEST = jsonschema.Draft202012Validator(DOCUMENTS["field-estimate-request.schema.json"], registry=REGISTRY)
ANSWER = jsonschema.Draft202012Validator(DOCUMENTS["field-estimate.schema.json"], registry=REGISTRY)
WORKED = {mark: {"slot_clearance_m": 0.0} for mark in MARKS if mark != "H3"}
FREED: dict[str, Any] = {
    "kind": "turns_to_free",
    "mark": "H3",
    "turns_bearing": 0.5,
    "turns_free": 0.5,
    "bearing_face": "upper",
    "pin_moves_down_when": RISES,
    "stops_out": [],
    "net_turns": [],
}


def worked(**fields: Any) -> Analysis:
    """The line of the worked case: a slot at H3 alone, heights not surveyed."""
    hangers = {**WORKED, "H3": fields}
    return Analysis(base_line(hangers=hangers, **UNSURVEYED))


def ask(request: dict[str, Any], analysis: Analysis | None = None) -> dict[str, Any]:
    """An estimate whose request and answer keep to their schemas."""
    REQUEST.validate(request)
    document = field_estimate(analysis or worked(), request)
    ANSWER.validate(document)
    return document


def test_half_a_turn_gives_the_worked_rod_load_and_its_combined_misfit() -> None:
    height = {"value": 6, "unit": "mm"}
    document = ask({"observations": [FREED], "assumptions": exact(height_uncertainty=height)})
    said = document["observations"][0]
    assert said["rod_load"]["low"]["value"] == pytest.approx(12.4068, abs=1e-4)
    assert said["rod_load"]["high"]["value"] == pytest.approx(12.4068, abs=1e-4)
    assert said["stiffness_seen"] == {"value": pytest.approx(793.727, rel=1e-6), "unit": "N/mm"}
    assert said["rod_load_expected"]["value"] == pytest.approx(14.787938, rel=1e-6)
    assert said["combined_misfit"]["low"]["value"] == pytest.approx(-2.3812, abs=1e-4)
    outlook = next(row for row in document["predictions"] if row["mark"] == "H3")
    assert outlook["after"]["direction"] == "raise"
    assert outlook["after"]["turns_to_free"]["low"] == pytest.approx(0.5, abs=1e-4)
    assert outlook["before"]["direction"] == "not_known"
    assert document["split"]["status"] == "cannot_say"
    assert document["indicative"] is True
    assert [each["from"] for each in document["taken"]] == ["request", "assumed", "request"]


def test_break_away_in_both_directions_measures_friction_and_the_rod_load() -> None:
    seen = {"kind": "break_away", "mark": "H3", "turns_raising": 0.624, "turns_lowering": 0.376}
    request = {
        "observations": [{**seen, "stops_out": [], "net_turns": []}],
        "assumptions": exact(height_uncertainty={"value": 6, "unit": "mm"}),
    }
    said = ask(request, worked(friction_n=None))["observations"][0]
    # f = 793.727 N/mm x 6 mm x 0.248 / 2; the middle is half a turn, as in the worked case.
    assert said["friction"]["low"]["value"] * 1e3 == pytest.approx(793.727 * 6 * 0.124, rel=1e-6)
    assert said["rod_load"]["high"]["value"] == pytest.approx(12.4068, abs=1e-4)
    assert said["status"] == "used"


def test_friction_measured_above_the_record_is_used_and_said() -> None:
    seen = {"kind": "break_away", "mark": "H3", "turns_raising": 0.7, "turns_lowering": 0.3}
    request = {"observations": [{**seen, "stops_out": [], "net_turns": []}], "assumptions": exact()}
    codes = [each["code"] for each in ask(request, worked(friction_n=100.0))["cautions"]]
    assert "friction-above-record" in codes


def test_a_face_without_the_stops_drawing_says_nothing_and_asks_for_it() -> None:
    look = {"kind": "bearing_face", "mark": "H3", "bearing_face": "upper", "stops_out": [], "net_turns": []}
    document = ask({"observations": [look]})
    assert document["observations"][0]["status"] == "cannot_say"
    assert document["missing"] == ["/observations/0/pin_moves_down_when"]
    assert document["status"] == "nothing_observed"
    assert document["misfit"][0]["after"] is None


def test_a_record_without_its_lead_or_friction_is_named_and_the_rest_stands() -> None:
    document = ask({"observations": [FREED]}, worked(lead_m=None))
    assert document["missing"] == ["/hangers/H3/adjuster/lead_per_turn"]
    assert document["predictions"][2]["before"]["turns_to_free"] is None
    document = ask({"observations": [FREED]}, worked(friction_n=None, missing=("/design/friction",)))
    assert "/hangers/H3/design/friction" in document["missing"]
    assert document["predictions"] == []


def test_a_pin_found_free_without_an_earlier_look_bounds_to_the_friction_band_alone() -> None:
    free = {key: FREED[key] for key in ("kind", "mark", "turns_free", "stops_out", "net_turns")}
    document = ask({"observations": [free], "assumptions": exact()}, worked(friction_n=300.0))
    assert document["observations"][0]["status"] == "used"
    assert document["observations"][0]["rod_load"] is None
    assert "friction" in document["observations"][0]["text"]


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"observations": [{**FREED, "mark": "H9"}]}, "/observations/0/mark"),
        ({"observations": [{**FREED, "stops_out": ["H9"]}]}, "/observations/0/stops_out/0"),
        ({"observations": [{**FREED, "stops_out": ["H3"]}]}, "/observations/0/stops_out"),
        ({"observations": [{**FREED, "id": "a"}, {**FREED, "id": "a"}]}, "/observations/1/id"),
        (
            {"observations": [{**FREED, "net_turns": [{"mark": "H1", "turns": 1}] * 2}]},
            "/observations/0/net_turns/1/mark",
        ),
        ({"weight_groups": [{"name": "all", "owners": ["S9"]}]}, "/weight_groups/0/owners/0"),
        ({"weight_groups": [{"name": "S2", "owners": ["S1"]}]}, "/weight_groups"),
        (
            {"assumptions": {"stiffness_uncertainty": {"value": 100, "unit": "%"}}},
            "/assumptions/stiffness_uncertainty",
        ),
    ],
)
def test_what_does_not_fit_the_line_is_refused_with_its_pointer(change: dict[str, Any], pointer: str) -> None:
    request = {"observations": [FREED], **change}
    REQUEST.validate(request)
    with pytest.raises(InvalidDocument) as refused:
        field_estimate(worked(), request)
    assert [finding.pointer for finding in refused.value.errors] == [pointer]


def test_a_face_seen_on_either_side_at_one_occasion_contradicts_itself() -> None:
    look = {**FREED, "kind": "bearing_face", "occasion": "morning"}
    for key in ("turns_bearing", "turns_free"):
        del look[key]
    other = {**look, "bearing_face": "lower"}
    document = ask({"observations": [look, other]}, worked(friction_n=300.0))
    assert document["contradictions"][0]["observations"] == ["1", "2"]
    assert document["indicative"] is True
