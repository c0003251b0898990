"""What must not change what a line is, and what no document may do to the builder."""

from __future__ import annotations

import copy
import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from service.domain.balance.analysis import Analysis
from service.domain.line_models.builder import build_line
from service.domain.line_models.built import CASES, BuiltLine
from service.errors import InvalidDocument
from service.units import convert_document
from tests.lines.models import Document, q, riser_model, riser_records

SCHEMAS = Path(__file__).parents[4] / "schemas"


def same(one: BuiltLine, other: BuiltLine, rel: float) -> None:
    """What the hangers feel of both is the same."""
    first, second = Analysis(one), Analysis(other)
    for case in CASES:
        stiffness = first.condensed(case).stiffness
        assert np.allclose(second.condensed(case).stiffness, stiffness, rtol=rel, atol=rel * stiffness.max())
        load = first.load_n(case)
        assert np.allclose(second.load_n(case), load, rtol=rel, atol=rel * np.abs(load).max())


@pytest.mark.parametrize("system", ["si", "us"])
def test_a_line_in_other_units_is_the_same_line(system: Any) -> None:
    expected = build_line(riser_model(), riser_records())
    records = {mark: convert_document(record, system) for mark, record in riser_records().items()}
    found = build_line(convert_document(riser_model(), system), records)
    same(expected, found, 1e-6)
    for one, other in zip(expected.hangers, found.hangers, strict=True):
        for name, value in vars(one).items():
            if isinstance(value, float):
                assert getattr(other, name) == pytest.approx(value, rel=1e-9, abs=1e-12), name
    for one_item, other_item in zip(expected.items, found.items, strict=True):
        assert other_item.weight_n == pytest.approx(one_item.weight_n, rel=1e-9)


def _turned(entry: Document, angle: float) -> None:
    """Turns x and y of an entry about the vertical."""
    x, y = entry["x"], entry["y"]
    cosine, sine = math.cos(angle), math.sin(angle)
    entry["x"] = q(x["value"] * cosine - y["value"] * sine, x["unit"])
    entry["y"] = q(x["value"] * sine + y["value"] * cosine, y["unit"])


@pytest.mark.parametrize("degrees", [90.0, 37.0])
def test_a_line_turned_about_the_vertical_is_the_same_line(degrees: float) -> None:
    angle = math.radians(degrees)
    model = copy.deepcopy(riser_model())
    for entry in model["nodes"]:
        _turned(entry, angle)
    for segment in model["segments"]:
        if "bend" in segment:
            _turned(segment["bend"]["corner"], angle)
    _turned(model["nozzles"][0]["movement"], angle)
    _turned(model["nozzles"][0]["rotation"], angle)
    model["guides"][0]["directions"] = [
        {"x": math.cos(angle), "y": math.sin(angle), "z": 0},
        {"x": -math.sin(angle), "y": math.cos(angle), "z": 0},
    ]
    same(build_line(riser_model(), riser_records()), build_line(model, riser_records()), 1e-7)


def test_segments_drawn_from_the_other_end_make_the_same_line() -> None:
    model = copy.deepcopy(riser_model())
    for segment in model["segments"]:
        segment["from"], segment["to"] = segment["to"], segment["from"]
    same(build_line(riser_model(), riser_records()), build_line(model, riser_records()), 1e-9)


def test_a_straight_cut_in_two_makes_the_same_line() -> None:
    model = copy.deepcopy(riser_model())
    run = model["segments"][7]
    model["nodes"].append({"id": "cut", "x": q(8, "m"), "y": q(2, "m"), "z": q(10, "m")})
    model["segments"].append({**run, "id": "rest", "from": "cut"})
    run["to"] = "cut"
    same(build_line(riser_model(), riser_records()), build_line(model, riser_records()), 1e-7)


def _numbers(document: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    if isinstance(document, dict):
        for key, part in document.items():
            yield from _numbers(part, (*path, key))
    elif isinstance(document, list):
        for place, part in enumerate(document):
            yield from _numbers(part, (*path, place))
    elif isinstance(document, int | float) and not isinstance(document, bool):
        yield path


def _with(document: Document, path: tuple[Any, ...], value: float) -> Document:
    changed: Any = copy.deepcopy(document)
    target = changed
    for part in path[:-1]:
        target = target[part]
    target[path[-1]] = value
    return changed  # type: ignore[no-any-return]


EXAMPLES = json.loads((SCHEMAS / "line-model.schema.json").read_text())["examples"]
RECORDS = {
    record["mark"]: record
    for record in json.loads((SCHEMAS / "hanger-record.schema.json").read_text())["examples"]
}


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda example: example["line"])
@pytest.mark.parametrize("value", [5e-324, 1e12, -1e12, 0.0])
def test_no_number_brings_the_builder_down(example: Document, value: float) -> None:
    """Each number of a model in turn made extreme: a line, or a refusal that names its faults."""
    refusals = 0
    for path in _numbers(example):
        try:
            build_line(_with(example, path, value), RECORDS)
        except InvalidDocument as error:
            refusals += 1
            assert error.errors, path
            assert all(finding.pointer is not None for finding in error.errors), path
    assert refusals


@pytest.mark.parametrize("value", [5e-324, 1e12])
def test_no_quantity_of_a_record_brings_the_builder_down(value: float) -> None:
    model = riser_model()
    for mark in ("HP-2-4", "HP-2-5"):
        record = riser_records()[mark]
        for path in (path for path in _numbers(record) if path[-1] == "value"):
            built = build_line(model, {**riser_records(), mark: _with(record, path, value)})
            assert len(built.hangers) == 6
