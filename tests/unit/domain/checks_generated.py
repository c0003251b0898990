"""Any document that a schema of this project accepts, for the subset of JSON Schema that they keep to."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from hypothesis import strategies as st

SCHEMAS = Path(__file__).parents[3] / "schemas"
_READ: dict[str, Any] = {}


def _schema(name: str) -> Any:
    if name not in _READ:
        _READ[name] = json.loads((SCHEMAS / name).read_text())
    return _READ[name]


def _referred(reference: str, home: str) -> tuple[Any, str]:
    name, _, pointer = reference.partition("#")
    found = _schema(name or home)
    for part in pointer.split("/")[1:]:
        found = found[part]
    return found, name or home


def _number(schema: dict[str, Any]) -> st.SearchStrategy[float]:
    low, high = schema.get("minimum", schema.get("exclusiveMinimum")), schema.get("maximum")
    whole = st.floats(
        low, high, allow_nan=False, allow_infinity=False, exclude_min="exclusiveMinimum" in schema
    )
    sensible = st.floats(max(low, -300.0), min(high, 300.0), exclude_min="exclusiveMinimum" in schema)
    return sensible | whole


def _object(schema: dict[str, Any], home: str) -> st.SearchStrategy[dict[str, Any]]:
    properties = {
        name: documents(part, home) for name, part in schema["properties"].items() if name != "extensions"
    }
    required = schema.get("required", ())
    return st.fixed_dictionaries(
        {name: part for name, part in properties.items() if name in required},
        optional={name: part for name, part in properties.items() if name not in required},
    )


def documents(schema: Any, home: str) -> st.SearchStrategy[Any]:
    """Documents that a schema accepts; home: the file in which its references are looked up."""
    if "$ref" in schema:
        return documents(*_referred(schema["$ref"], home))
    if "enum" in schema:
        return st.sampled_from(schema["enum"])
    kind = schema["type"]
    if kind == "object":
        return _object(schema, home)
    if kind == "array":
        return st.lists(
            documents(schema["items"], home),
            min_size=schema.get("minItems", 0),
            max_size=min(schema["maxItems"], 3),
        )
    if kind == "boolean":
        return st.booleans()
    if kind == "integer":
        return st.integers(schema["minimum"], min(schema["maximum"], 100))
    if kind == "number":
        return _number(schema)
    if schema.get("description", "").startswith("Thread as"):
        return st.sampled_from(["M24", "M24x3", "3/4-10 UNC", "1 1/4-7 UNC-2A", "M25", "any text", "M48x3"])
    return st.sampled_from(["A-1", "unknown", "L1"])


def hanger_records() -> st.SearchStrategy[dict[str, Any]]:
    """Hanger records, sensible and absurd, complete and bare."""
    name = "hanger-record.schema.json"
    return documents(_schema(name), name)
