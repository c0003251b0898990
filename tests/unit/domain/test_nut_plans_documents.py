"""Nut plan documents: schemas, examples, units, symmetry, and requests that lack or exaggerate."""

from __future__ import annotations

from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.nut_plans import plan_nut
from service.errors import OutOfRange
from tests.unit.domain.nut_plan_samples import (
    ANSWER,
    DOCUMENTS,
    REQUEST,
    Document,
    adjuster,
    codes,
    constant,
    correction,
    easing,
    planned,
    positioning,
    q,
    variable,
    way_back,
    without,
)


# --- documents -------------------------------------------------------------------------------------
def test_the_schemas_are_schemas_and_their_examples_valid() -> None:
    for name, validator in (("nut-plan-request", REQUEST), ("nut-plan", ANSWER)):
        schema = DOCUMENTS[f"{name}.schema.json"]
        jsonschema.Draft202012Validator.check_schema(schema)
        assert len(schema["examples"]) >= 8
        for example in schema["examples"]:
            validator.validate(example)


def test_every_example_request_gets_the_example_answer_beside_it() -> None:
    requests = DOCUMENTS["nut-plan-request.schema.json"]["examples"]
    answers = DOCUMENTS["nut-plan.schema.json"]["examples"]
    assert [planned(request) for request in requests] == answers
    assert {answer["status"] for answer in answers} == {
        "planned",
        "one_flat_and_look",
        "take_up_slack",
        "nothing_to_turn",
        "refused",
        "cannot_say",
    }
    assert {answer["purpose"] for answer in answers} == {
        "easing",
        "load_correction",
        "load_adjuster",
        "positioning",
        "way_back",
    }


def test_the_schemas_close_every_object() -> None:
    def objects(node: Any) -> Any:
        if isinstance(node, dict):
            if node.get("type") == "object":
                yield node
            for key, value in node.items():
                if key != "examples":
                    yield from objects(value)
        elif isinstance(node, list):
            for value in node:
                yield from objects(value)

    for name in ("nut-plan-request.schema.json", "nut-plan.schema.json"):
        for found in objects(DOCUMENTS[name]):
            assert found["additionalProperties"] is False


@pytest.mark.parametrize(
    "wrong",
    [
        {"purpose": "loosen"},
        {"purpose": "easing", "unknown": 1},
        {"purpose": "easing", "stops_in": "yes"},
        {
            "purpose": "easing",
            "rod_load": {"at": "spring", "basis": "measured", "load": {"value": q(1, "kg")}},
        },
        {"purpose": "easing", "rod_load": {"at": "spring", "basis": "measured", "load": {"low": q(1, "kN")}}},
        {
            "purpose": "easing",
            "spring_load": {"value": q(1, "kN"), "low": q(1, "kN"), "high": q(1, "kN")},
        },
        {"purpose": "easing", "stiffness": {"seen": {"value": q(0, "N/mm")}}},
        {"purpose": "easing", "bearing_face": "left"},
        {"purpose": "way_back", "ledger": ["1"]},
    ],
)
def test_a_request_that_breaks_the_schema_is_refused_by_it(wrong: Document) -> None:
    assert not REQUEST.is_valid(wrong)


# --- units, symmetry, robustness ----------------------------------------------------------------------
FACTORS = {
    "N": ("lbf", 1 / 4.4482216152605),
    "kN": ("lbf", 1000 / 4.4482216152605),
    "mm": ("in", 1 / 25.4),
    "N/mm": ("lbf/in", 25.4 / 4.4482216152605),
}


def in_us_units(node: Any) -> Any:
    if isinstance(node, dict):
        if node.keys() == {"value", "unit"} and node["unit"] in FACTORS:
            unit, factor = FACTORS[node["unit"]]
            return {"value": node["value"] * factor, "unit": unit}
        return {key: in_us_units(value) for key, value in node.items()}
    return [in_us_units(value) for value in node] if isinstance(node, list) else node


def assert_same_turns(one: Document, other: Document) -> None:
    assert one["status"] == other["status"]
    assert one["direction"] == other["direction"]
    assert one["rotation"] == other["rotation"]
    assert codes(one) == codes(other)
    assert (one["refusal"] or {}).get("code") == (other["refusal"] or {}).get("code")
    if one["turns"] is not None:
        assert one["turns"] == pytest.approx(other["turns"], rel=1e-9, abs=1e-12)
        assert [h["turns"] for h in one["holds"]] == pytest.approx(
            [h["turns"] for h in other["holds"]], rel=1e-9
        )
        assert [h["reason"] for h in one["holds"]] == [h["reason"] for h in other["holds"]]


@given(
    kind=st.sampled_from(["constant", "variable"]),
    rod=st.floats(2000.0, 26_000.0),
    friction=st.floats(0.0, 6.0),
    k=st.floats(30.0, 2000.0),
    face=st.sampled_from(["upper", "lower", "none", "unknown"]),
    basis=st.sampled_from(["measured", "estimated"]),
)
def test_the_same_document_in_pounds_and_inches_gives_the_same_turns(
    kind: str, rod: float, friction: float, k: float, face: str, basis: str
) -> None:
    record = constant() if kind == "constant" else variable()
    record["design"]["friction"] = q(friction, "%")
    request = easing(record, rod=rod, stiffness={"seen": {"value": q(k, "N/mm")}}, bearing_face=face)
    request["rod_load"]["basis"] = basis
    us = in_us_units(request)
    assert us["hanger"]["design"]["operating_load"]["unit"] == "lbf"
    assert_same_turns(plan_nut(request), plan_nut(us))
    assert_same_turns(plan_nut(request), planned(request, units="us"))


@given(
    rod=st.floats(9000.0, 14_700.0),
    friction=st.floats(0.0, 6.0),
    k=st.floats(200.0, 2000.0),
    lead=st.sampled_from(["M24", "M30", "1-8 UNC"]),
)
def test_mirrored_loads_give_mirrored_turns(rod: float, friction: float, k: float, lead: str) -> None:
    record = constant()
    record["design"]["friction"] = q(friction, "%")
    record["adjuster"] |= {"thread": lead, "turn_limit_raise": 50, "turn_limit_lower": 50}
    ends = [{"end": end, "measured": q(500, "mm")} for end in ("upper", "lower")]
    stiffness = {"seen": {"value": q(k, "N/mm")}}
    up = plan_nut(easing(record, rod=rod, stiffness=stiffness, engagement=ends))
    down = plan_nut(easing(record, rod=2 * 14787.938 - rod, stiffness=stiffness, engagement=ends))
    assert up["status"] == down["status"] == "planned"
    assert (up["direction"], down["direction"]) == ("raise", "lower")
    for name in ("earliest", "aim", "latest"):
        assert up["turns"][name] == pytest.approx(-down["turns"][name], rel=1e-6, abs=1e-9)
    assert len(up["holds"]) == len(down["holds"])


@given(
    st.dictionaries(
        st.sampled_from(["operating_load", "hardware_weight", "calibrated_load", "friction"]),
        st.sampled_from([1e-300, 1e-9, 1.0, 1e12]),
    ),
    st.sampled_from([1e-300, 1e-9, 1.0, 1e12]),
    st.sampled_from([1e-300, 1e-9, 1.0, 1e12]),
    st.sampled_from(["easing", "positioning", "way_back", "load_adjuster", "load_correction"]),
    st.lists(st.floats(-1000.0, 1000.0), max_size=3),
    st.booleans(),
)
def test_extreme_numbers_give_a_valid_plan_or_a_plain_refusal(
    design: dict[str, float], k: float, slot: float, purpose: str, ledger: list[float], stops_in: bool
) -> None:
    record = constant() if purpose != "load_correction" else variable()
    for name, value in design.items():
        record["design"][name] = q(value, "1" if name == "friction" else "N")
    record["stop"]["slot_clearance"] = q(slot, "mm")
    request = easing(record, purpose=purpose, stops_in=stops_in, ledger=ledger)
    request |= {"stiffness": {"seen": {"value": q(k, "N/mm")}}, "load_change": q(slot, "N")}
    request |= {"reading": q(slot, "mm"), "elevation_difference": q(0, "mm")}
    request["load_adjuster"] = {"setting": q(0, "%"), "wanted": q(slot, "%")}
    request["observed"] = {"free_at_turns": 1.0}
    try:
        planned(request)
    except OutOfRange as error:
        assert error.detail


def test_every_field_taken_away_alone_still_gives_a_valid_plan() -> None:
    def pointers(node: Any, at: str = "") -> Any:
        if isinstance(node, dict) and node.keys() != {"value", "unit"}:
            for key, value in node.items():
                if key not in ("line", "mark", "purpose"):
                    yield f"{at}/{key}"
                    yield from pointers(value, f"{at}/{key}")

    for request in (
        easing(),
        easing(variable(), rod=15_000.0),
        correction(),
        adjuster(),
        positioning(),
        way_back([1.0]),
    ):
        for pointer in pointers(request):
            lacking = without(request, pointer)
            if REQUEST.is_valid(lacking):
                planned(lacking)


@pytest.mark.parametrize("lead_mm", [1e-12, 1e-30])
def test_numbers_beyond_binary_floats_are_out_of_range_and_no_crash(lead_mm: float) -> None:
    """The nearest turns would be 7 kN over 1e-312 N a turn, or over a load a turn that rounds to nothing."""
    request = correction(change=8000.0)
    request["hanger"]["design"]["spring_rate"] = q(1e-300, "N/mm")
    request["hanger"]["adjuster"] |= {"thread": "coarse", "lead_per_turn": q(lead_mm, "mm")}
    with pytest.raises(OutOfRange):
        plan_nut(request)


def test_a_result_beyond_what_a_quantity_may_hold_is_out_of_range() -> None:
    request = adjuster(0.0, 1e12)
    request["hanger"]["design"]["calibrated_load"] = q(1e12, "N")
    with pytest.raises(OutOfRange):
        plan_nut(request)
