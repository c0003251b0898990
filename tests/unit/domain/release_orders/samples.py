"""Orders of release from which the tests start; every document made here is held against its schema."""

from __future__ import annotations

import copy
from typing import Any

import jsonschema

from service.domain.balance.analysis import Analysis
from service.domain.release_orders import next_step, release_order
from tests.lines.base import MARKS, base_line
from tests.unit.domain.nut_plan_samples import DOCUMENTS, REGISTRY

Document = dict[str, Any]


def validator(name: str) -> jsonschema.Draft202012Validator:
    return jsonschema.Draft202012Validator(DOCUMENTS[f"{name}.schema.json"], registry=REGISTRY)


REQUEST, ANSWER = validator("release-order-request"), validator("release-order")
PROGRESS, NEXT = validator("release-order-progress"), validator("release-order-next")

RECORD: Document = {
    "adjuster": {"clockwise_raises": True, "seen_from": "below", "flats": 6},
    "stop": {"pin_moves_down_when": "rod_tension_rises"},
}
RECORDS: dict[str, Document] = {mark.lower(): RECORD for mark in MARKS}


def q(value: float, unit: str) -> Document:
    return {"value": value, "unit": unit}


def ordered(
    request: Document | None = None, *, records: Any = None, progress: Any = None, **line: Any
) -> Document:
    """The order for the line of the worked cases; `line` goes to base_line."""
    asked = request or {}
    REQUEST.validate(asked)
    answer = release_order(
        Analysis(base_line(**line)), asked, records=RECORDS if records is None else records, progress=progress
    )
    ANSWER.validate(answer)
    return answer


def heavy(request: Document | None = None, **more: Any) -> Document:
    """The worked case: 4 % heavy, no clearance, stops of 2,800 N."""
    return ordered(request, factor=1.04, slot_clearance_m=0.0, **more)


def nothing_done() -> Document:
    """Progress with every stop in and nothing turned."""
    return {
        "sequence": 10,
        "hangers": [
            {
                "mark": mark,
                "state": "cleared",
                "stops": "in",
                "withdrawn_at": None,
                "net_turns": 0.0,
                "turned_up": 0.0,
                "turned_down": 0.0,
                "face": None,
                "reading": None,
            }
            for mark in MARKS
        ],
    }


def done(changes: dict[str, Document]) -> Document:
    """Progress with the fields of some hangers changed."""
    progress = copy.deepcopy(nothing_done())
    for each in progress["hangers"]:
        each.update(changes.get(each["mark"], {}))
    return progress


def out(turned: float, sequence: int = 20) -> Document:
    """A hanger whose stops came out after lowering turns, its nut back."""
    return {
        "state": "stops_out",
        "stops": "out",
        "withdrawn_at": sequence,
        "turned_down": turned,
        "turned_up": turned,
    }


def following(document: Document, progress: Document) -> Document:
    PROGRESS.validate(progress)
    answer = next_step(document, progress)
    NEXT.validate(answer)
    return answer


def codes(entries: list[Document]) -> list[str]:
    return [entry["code"] for entry in entries]
