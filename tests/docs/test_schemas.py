"""schemas/ before a validator that the service does not use: well formed, closed, examples hold."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from referencing import Registry, Resource

FOLDER = Path(__file__).resolve().parents[2] / "schemas"
SCHEMAS = {path.name: json.loads(path.read_text(encoding="utf-8")) for path in sorted(FOLDER.glob("*.json"))}
REGISTRY: Any = Registry().with_resources(
    [(schema["$id"], Resource.from_contents(schema)) for schema in SCHEMAS.values()]
)
# Data of events and of others, facts of a problem, and the parts of a quantity's choice have no fixed keys.
OPEN = {"extensions", "data", "facts"}


def independent(name: str) -> Draft202012Validator:
    """The independent validator of one schema, formats on."""
    return Draft202012Validator(
        SCHEMAS[name], registry=REGISTRY, format_checker=Draft202012Validator.FORMAT_CHECKER
    )


def test_there_are_schemas() -> None:
    assert {"hanger-record.schema.json", "line-record.schema.json", "event.schema.json"} <= SCHEMAS.keys()


@pytest.mark.parametrize("name", SCHEMAS)
def test_a_schema_is_well_formed_and_says_what_it_is(name: str) -> None:
    schema = SCHEMAS[name]
    Draft202012Validator.check_schema(schema)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert schema["$id"] == f"https://hangers.example/schemas/{name}"
    assert schema["title"]
    assert schema["description"]


@pytest.mark.parametrize("name", SCHEMAS)
def test_every_example_passes_the_independent_validator(name: str) -> None:
    validator = independent(name)
    for example in SCHEMAS[name].get("examples", ()):
        assert [error.message for error in validator.iter_errors(example)] == []


def _objects(schema: Any, where: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
    if isinstance(schema, dict):
        if schema.get("type") == "object" and "properties" in schema:
            yield where, schema
        for key, part in schema.items():
            if key not in ("examples", "enum", "const"):
                yield from _objects(part, f"{where}/{key}")
    elif isinstance(schema, list):
        for place, part in enumerate(schema):
            yield from _objects(part, f"{where}/{place}")


@pytest.mark.parametrize("name", SCHEMAS)
def test_every_object_with_named_properties_is_closed(name: str) -> None:
    still_open = [
        where
        for where, schema in _objects(SCHEMAS[name])
        if schema.get("additionalProperties") is not False and where.rpartition("/")[2] not in OPEN
    ]
    assert still_open == []


def test_an_example_of_each_kind_of_support_stands_in_the_record() -> None:
    examples = SCHEMAS["hanger-record.schema.json"]["examples"]
    assert {example["kind"] for example in examples} == {"variable", "constant", "rigid"}
    assert {example["acts_from"] for example in examples} == {"above", "below"}


def test_the_independent_validator_refuses_what_it_should() -> None:
    validator = independent("hanger-record.schema.json")
    good = {"line": "L-1", "mark": "H-1", "kind": "rigid"}
    assert validator.is_valid(good)
    for wrong in ({"marks": 1}, {"kind": "spring"}, {"mark": "H 1"}, {"design": {"operating_load": 3}}):
        assert not validator.is_valid({**good, **wrong})
