"""Safety fields: which the schemas mark, what counts as a change, and what it undoes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.release.safety_fields import changed_safety_fields, effect, invalidates, safety_pointers

SCHEMAS = Path(__file__).resolve().parents[4] / "schemas"
SCHEMA: dict[str, Any] = {
    "properties": {
        "kind": {"x-safety": True},
        "name": {},
        "list": {"x-safety": True, "items": {"properties": {"a": {}}}},
        "whole": {"x-safety": True, "properties": {"inner": {"x-safety": True}}},
        "part": {"properties": {"load": {"x-safety": True}, "note": {}, "a/b~c": {"x-safety": True}}},
    }
}


def test_a_marked_part_counts_as_a_whole() -> None:
    assert safety_pointers(SCHEMA) == ("/kind", "/list", "/whole", "/part/load", "/part/a~1b~0c")


# Read off the schema's text by a way of its own: every marked property, outermost only.
def marked(part: Any, here: str = "") -> list[str]:
    found: list[str] = []
    for name, inner in part.get("properties", {}).items():
        found += [f"{here}/{name}"] if inner.get("x-safety") is True else marked(inner, f"{here}/{name}")
    return found


@pytest.mark.parametrize(
    ("name", "some"),
    [
        (
            "hanger-record",
            {"/kind", "/assemblies", "/design/operating_load", "/indicator", "/adjuster/engagement"},
        ),
        ("line-record", {"/supports_expected", "/connected_lines", "/weight_basis", "/cold_range"}),
    ],
)
def test_the_schemas_mark_what_a_release_rests_on(name: str, some: set[str]) -> None:
    schema = json.loads((SCHEMAS / f"{name}.schema.json").read_text(encoding="utf-8"))
    pointers = safety_pointers(schema)
    assert list(pointers) == marked(schema)
    assert some <= set(pointers)
    assert not {"/external_ids", "/designations", "/extensions", "/description"} & set(pointers)


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ({}, {}, ()),
        ({"kind": "a"}, {"kind": "b"}, ("/kind",)),
        ({"kind": "a"}, {}, ("/kind",)),
        ({}, {"kind": "a"}, ("/kind",)),
        ({"name": "a"}, {"name": "b"}, ()),
        ({"kind": 1}, {"kind": 1.0}, ()),
        ({"kind": 1}, {"kind": True}, ("/kind",)),
        ({"kind": False}, {"kind": None}, ("/kind",)),
        ({"list": [{"a": 1}]}, {"list": [{"a": 1.0}]}, ()),
        ({"list": [{"a": 1}]}, {"list": [{"a": 1}, {"a": 1}]}, ("/list",)),
        ({"list": [1, 2]}, {"list": [2, 1]}, ("/list",)),
        ({"list": [1]}, {"list": {"0": 1}}, ("/list",)),
        ({"whole": {"x": 1}}, {"whole": {"x": 1, "y": 2}}, ("/whole",)),
        ({"whole": {"x": 1, "y": 2}}, {"whole": {"y": 2, "x": 1}}, ()),
        (
            {"part": {"load": {"value": 1, "unit": "kN"}}},
            {"part": {"load": {"value": 1000, "unit": "N"}}},
            ("/part/load",),
        ),
        ({"part": {"load": 1}}, {"part": {"load": 1, "note": "x"}}, ()),
        ({"part": {"load": 1}}, {}, ("/part/load",)),
        ({"part": "odd"}, {"part": {"a/b~c": 1}}, ("/part/a~1b~0c",)),
    ],
)
def test_what_counts_as_a_change(old: dict[str, Any], new: dict[str, Any], expected: tuple[str, ...]) -> None:
    assert changed_safety_fields(old, new, SCHEMA) == expected


def test_only_the_pointers_asked_for_are_compared() -> None:
    assert invalidates({"a": 1, "b": 1}, {"a": 2, "b": 2}, ["/b"]) == ("/b",)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-3, 3) | st.text(max_size=2),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=2), inner, max_size=3),
    max_leaves=6,
)


@given(JSON, JSON)
def test_a_change_is_what_makes_the_texts_differ(one: Any, other: Any) -> None:
    same = json.dumps(one, sort_keys=True) == json.dumps(other, sort_keys=True)
    assert invalidates({"a": one}, {"a": other}, ["/a"]) == (() if same else ("/a",))


@pytest.mark.parametrize(
    ("state", "step"),
    [
        ("locked", None),
        ("cleared", "lapse"),
        ("easing", "hold"),
        ("stops_out", "hold"),
        ("positioning", "hold"),
        ("released", "hold"),
        ("proved", "hold"),
        ("on_hold", None),
    ],
)
def test_what_a_change_undoes(state: str, step: str | None) -> None:
    assert effect(state) == step
