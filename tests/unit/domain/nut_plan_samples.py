"""Requests and records from which the nut plan tests start; every plan made here is validated."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import jsonschema
from referencing import Registry, Resource

from service.domain.nut_plans import plan_nut

SCHEMAS = Path(__file__).parents[3] / "schemas"
DOCUMENTS = {path.name: json.loads(path.read_text()) for path in SCHEMAS.glob("*.schema.json")}
REGISTRY: Registry[Any] = Registry().with_resources(
    (document["$id"], Resource.from_contents(document)) for document in DOCUMENTS.values()
)
REQUEST = jsonschema.Draft202012Validator(DOCUMENTS["nut-plan-request.schema.json"], registry=REGISTRY)
ANSWER = jsonschema.Draft202012Validator(DOCUMENTS["nut-plan.schema.json"], registry=REGISTRY)

Document = dict[str, Any]


def q(value: float, unit: str) -> Document:
    return {"value": value, "unit": unit}


def constant() -> Document:
    """M24 turnbuckle, 6 mm a turn, slot 4 mm, no friction: the worked case E1."""
    return {
        "line": "L-1",
        "mark": "H-3",
        "kind": "constant",
        "acts_from": "above",
        "line_of_action": "vertical",
        "assemblies": [{"stops": 1}],
        "design": {
            "operating_load": q(14.5, "kN"),
            "hardware_weight": q(287.938, "N"),
            "calibrated_load": q(14787.938, "N"),
            "load_adjustability": {"raise": q(10, "%"), "lower": q(10, "%"), "load_per_turn": q(150, "N")},
            "friction": q(0, "%"),
        },
        "indicator": {
            "span": {"low": q(-60, "mm"), "high": q(40, "mm")},
            "rises_when_pipe": "rises",
            "expected_released_cold": q(0, "mm"),
        },
        "adjuster": {
            "form": "turnbuckle",
            "thread": "M24",
            "hands": "opposite_hands",
            "flats": 6,
            "clockwise_raises": True,
            "seen_from": "below",
            "engagement": [
                {"end": end, "as_drawn": q(36, "mm"), "least_allowed": q(24, "mm")}
                for end in ("upper", "lower")
            ],
            "turn_limit_raise": 8,
            "turn_limit_lower": 5,
        },
        "stop": {
            "slot_clearance": q(4, "mm"),
            "pin_moves_down_when": "rod_tension_rises",
            "linkage_ratio": 1,
        },
    }


def variable() -> Document:
    record = constant()
    record["kind"] = "variable"
    design = record["design"]
    del design["calibrated_load"], design["load_adjustability"]
    design["locked_position"] = {"load": q(17187.938, "N")}
    design["spring_rate"] = q(60, "N/mm")
    design["working_range"] = {"minimum_load": q(10, "kN"), "maximum_load": q(22, "kN")}
    return record


def easing(record: Document | None = None, rod: float = 12406.8, **more: Any) -> Document:
    return {
        "purpose": "easing",
        "hanger": constant() if record is None else record,
        "stops_in": True,
        "rod_slack": False,
        "rod_load": {"at": "spring", "basis": "measured", "load": {"value": q(rod, "N")}},
        "stiffness": {"seen": {"value": q(793.727, "N/mm")}},
        "neighbours": [],
        "ledger": [],
        "engagement": [{"end": end, "measured": q(36, "mm")} for end in ("upper", "lower")],
        **more,
    }


def without(document: Document, *pointers: str) -> Document:
    document = copy.deepcopy(document)
    for pointer in pointers:
        *path, last = pointer.strip("/").split("/")
        inner: Any = document
        for part in path:
            inner = inner[part]
        del inner[last]
    return document


def planned(request: Document, **arguments: Any) -> Document:
    """Plan a valid request; the plan is valid and survives a round through JSON."""
    REQUEST.validate(request)
    before = copy.deepcopy(request)
    plan = plan_nut(request, **arguments)
    assert request == before
    ANSWER.validate(plan)
    assert json.loads(json.dumps(plan, allow_nan=False)) == plan
    return plan


def codes(plan: Document, name: str = "cautions") -> list[str]:
    return [entry["code"] for entry in plan[name]]


def correction(record: Document | None = None, change: float = 1500.0, **more: Any) -> Document:
    return {
        "purpose": "load_correction",
        "hanger": variable() if record is None else record,
        "stops_in": False,
        "load_change": q(change, "N"),
        "spring_load": {"value": q(15, "kN")},
        "stiffness": {"seen": {"value": q(656, "N/mm")}},
        "neighbours": [],
        "ledger": [],
        **more,
    }


def adjuster(setting: float = 4.0, wanted: float = 0.0, **more: Any) -> Document:
    return {
        "purpose": "load_adjuster",
        "hanger": constant(),
        "stops_in": False,
        "stiffness": {"seen": {"value": q(124.02, "N/mm")}},
        "load_adjuster": {"setting": q(setting, "%"), "wanted": q(wanted, "%")},
        **more,
    }


def positioning(record: Document | None = None, reading: float = 5.0, **more: Any) -> Document:
    return {
        "purpose": "positioning",
        "hanger": constant() if record is None else record,
        "stops_in": False,
        "reading": q(reading, "mm"),
        "elevation_difference": q(0, "mm"),
        "ledger": [],
        "neighbours": [],
        **more,
    }


def way_back(ledger: list[float], **more: Any) -> Document:
    return {
        "purpose": "way_back",
        "hanger": constant(),
        "stops_in": True,
        "ledger": ledger,
        "stiffness": {"seen": {"value": q(793.727, "N/mm")}},
        "neighbours": [],
        **more,
    }
