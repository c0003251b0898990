"""The event's schema describes exactly what the store writes."""

from __future__ import annotations

import json
from dataclasses import fields
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from referencing import Registry, Resource

from service.domain.access import ROLES
from service.domain.events import TYPES, Event
from service.domain.ports import EventFilter
from service.persistence.store import SqlStore
from tests.contract.acts import append, hanger_record, inspection, line_record, plant_record

SCHEMAS = Path(__file__).resolve().parents[2] / "schemas"


def schema(name: str) -> dict[str, Any]:
    document: dict[str, Any] = json.loads((SCHEMAS / f"{name}.schema.json").read_text("utf-8"))
    return document


@pytest.fixture(scope="module")
def validator() -> jsonschema.Draft202012Validator:
    common = Resource.from_contents(schema("common"))
    registry: Registry[Any] = Registry().with_resource(common.contents["$id"], common)
    return jsonschema.Draft202012Validator(
        schema("event"), registry=registry, format_checker=jsonschema.FormatChecker()
    )


def test_the_envelope_is_closed_and_has_the_keys_of_an_event() -> None:
    event = schema("event")
    names = {field.name for field in fields(Event)} - {"leaf_hash"}
    assert event["additionalProperties"] is False
    assert set(event["properties"]) == set(event["required"]) == names
    assert event["properties"]["type"]["enum"] == list(TYPES)
    assert event["properties"]["role"]["enum"] == list(ROLES)


def test_the_example_is_valid(validator: jsonschema.Draft202012Validator) -> None:
    [example] = schema("event")["examples"]
    validator.validate(example)
    for name in example:
        with pytest.raises(jsonschema.ValidationError):
            validator.validate({key: value for key, value in example.items() if key != name})
    with pytest.raises(jsonschema.ValidationError):
        validator.validate({**example, "leaf_hash": "00" * 32})
    with pytest.raises(jsonschema.ValidationError):
        validator.validate({**example, "recorded_at": "2026-05-04T06:31:07Z"})
    with pytest.raises(jsonschema.ValidationError):
        validator.validate({**example, "subject": "service/doors"})


def test_every_stored_event_is_valid(store: SqlStore, validator: jsonschema.Draft202012Validator) -> None:
    append(
        store,
        "Works-1",
        plant_record(),
        line_record("A", extensions={"filler": "x" * 20_000}),
        hanger_record("H1", "A"),
        inspection("H1", "A", in_place=True, texts={"note": "seen"}, client_event_id="tablet-1"),
        inspection("H1", "A", in_place=False, texts={"reason": "misread"}, corrects=3),
    )
    with store.read("Works-1") as reader, store.read_service() as service:
        stored = [*reader.events(EventFilter(), 0, 100), *service.events(EventFilter(), 0, 100)]
    assert len(stored) == 7
    for each in stored:
        validator.validate(json.loads(each.body))
