"""Domain documents against their JSON Schemas: one helper, and findings that people can use.

The schemas are those of the folder `schemas/`. All are loaded before the first request and
nothing is ever fetched. `Document("hanger-record")` validates a body and writes the reference
into the description of the interface; nothing else here knows the shape of a document.
"""

from __future__ import annotations

import functools
from collections.abc import Iterable, Mapping
from typing import Any, Final

import jsonschema_rs

from service.errors import Finding, InvalidDocument, MassForForce, UnknownUnit
from service.http.wording import accepted_pattern
from service.schema_files import SUFFIX, load_schemas
from service.units import Dimension, accepted_units
from service.units.symbols import MASS_RATE_SPELLINGS, MASS_SPELLINGS

MOST_FINDINGS: Final = 50

# Members that the service alone writes; a body that carries one gets told so.
SERVER_SET: Final = frozenset(
    {
        "actor",
        "changed",
        "cycle",
        "event",
        "id",
        "leaf_hash",
        "log_id",
        "previous",
        "recorded_at",
        "release_state",
        "request_id",
        "revision",
        "role",
        "schema_version",
        "sequence",
        "state",
        "status",
        "subject",
        "subject_sequence",
        "flags",
        "revoked_at",
        "created_at",
        "token",
    }
)

MASS_HINT: Final = (
    "A mass is not a force: give kgf or lbf, or multiply the mass by standard gravity (9.80665 m/s2)."
)


def _refuse_retrieval(uri: str) -> Any:
    raise ValueError(f"no schema is fetched from elsewhere: {uri}")


@functools.cache
def _registry() -> jsonschema_rs.Registry:
    schemas = load_schemas()
    return jsonschema_rs.Registry(
        [(str(schema["$id"]), dict(schema)) for schema in schemas.values()], retriever=_refuse_retrieval
    )


@functools.cache
def _validator(name: str) -> Any:
    return jsonschema_rs.Draft202012Validator(
        dict(load_schemas()[name]), registry=_registry(), validate_formats=True, retriever=_refuse_retrieval
    )


class Document:
    """One kind of document: its validator, its reference and its examples.

    name: the schema's file name without `.schema.json`.
    """

    def __init__(self, name: str) -> None:
        self.name = name

    @property
    def reference(self) -> dict[str, str]:
        """The reference that openapi.yaml carries, relative to its folder."""
        return {"$ref": f"schemas/{self.name}{SUFFIX}"}

    @property
    def examples(self) -> list[Any]:
        """The worked examples of the schema."""
        return list(load_schemas()[self.name].get("examples", ()))

    def validate(self, value: Any, base: str = "") -> Any:
        """The value itself when it meets the schema.

        Args:
            value: parsed JSON
            base: JSON pointer of the value in the request's body

        Raises:
            MassForForce, UnknownUnit, InvalidDocument: a finding for each fault; the first two
                when every fault is of that sort
        """
        if _validator(self.name).is_valid(value):
            return value
        findings = findings_of(_validator(self.name).iter_errors(value), value, base)
        raise refusal(self.name, findings)


def refusal(name: str, findings: list[Finding]) -> InvalidDocument:
    """The error for a list of findings: the most telling class that fits all of them."""
    count = len(findings)
    shown = findings[:MOST_FINDINGS]
    rules = {finding.rule for finding in findings}
    faults = "1 fault" if count == 1 else f"{count} faults"
    detail = f"The document has {faults} against {name}."
    facts: dict[str, Any] = {"schema": f"/schemas/{name}{SUFFIX}", "faults": count}
    if rules == {"mass-for-force"}:
        return MassForForce(f"{detail} {MASS_HINT}", errors=shown, **facts)
    if rules == {"unit"}:
        return UnknownUnit(detail, errors=shown, **facts)
    return InvalidDocument(detail, errors=shown, **facts)


def pointer_of(path: Iterable[str | int], base: str = "") -> str:
    """A JSON pointer (RFC 6901) of path parts."""
    return base + "".join("/" + str(part).replace("~", "~0").replace("/", "~1") for part in path)


def findings_of(errors: Iterable[Any], document: Any, base: str = "") -> list[Finding]:
    """The findings for a validator's errors, in the order of the document's faults."""
    found: list[Finding] = []
    for error in errors:
        found.extend(_findings(error, document, base))
        if len(found) >= 10 * MOST_FINDINGS:
            break
    unique = {(finding.pointer, finding.rule, finding.detail): finding for finding in found}
    return list(unique.values())


def _findings(error: Any, document: Any, base: str) -> list[Finding]:
    rule = error.kind.name
    facts: Mapping[str, Any] = error.kind.as_dict()
    path = list(error.instance_path)
    if rule in ("anyOf", "oneOf"):
        return _alternatives(error, facts, document, base)
    if rule == "additionalProperties":
        return [_unexpected(name, pointer_of([*path, name], base)) for name in facts["unexpected"]]
    pointer = pointer_of(path, base)
    if rule == "required":
        name = facts["property"]
        return [Finding("body", "required", f"{name!r} is missing.", pointer=pointer_of([*path, name], base))]
    if rule == "enum" and path and path[-1] == "unit":
        return [_unit(error.instance, list(facts["options"]), pointer)]
    return [
        Finding(
            "body",
            rule,
            _detail(rule, facts, error.instance),
            pointer=pointer,
            accepted=_accepted(rule, facts),
        )
    ]


def _unexpected(name: str, pointer: str) -> Finding:
    if name in SERVER_SET:
        return Finding(
            "body", "set-by-the-service", f"{name!r} is set by the service alone.", pointer=pointer
        )
    return Finding(
        "body",
        "unknown-key",
        f"{name[:80]!r} is not a key of this object.",
        pointer=pointer,
        accepted="the keys of the schema; data of others goes under extensions",
    )


def _unit(given: Any, options: list[Any], pointer: str) -> Finding:
    """A unit outside its list; a mass where a force or a rate is wanted gets the hint."""
    masses = {
        frozenset(accepted_units(Dimension.FORCE)): MASS_SPELLINGS,
        frozenset(accepted_units(Dimension.STIFFNESS)): MASS_RATE_SPELLINGS,
    }.get(frozenset(options), frozenset())
    shown = str(given)[:40]
    if isinstance(given, str) and given in masses:
        return Finding(
            "body",
            "mass-for-force",
            f"{shown} is a unit of mass. {MASS_HINT}",
            pointer=pointer,
            accepted=options,
        )
    return Finding(
        "body", "unit", f"{shown!r} is not a unit of this quantity.", pointer=pointer, accepted=options
    )


def _alternatives(error: Any, facts: Mapping[str, Any], document: Any, base: str) -> list[Finding]:
    """For a choice between forms: what is wrong with the form that comes nearest."""
    branches = [list(branch) for branch in facts.get("context", ())]
    pointer = pointer_of(error.instance_path, base)
    named = [_needs(branch) for branch in branches]
    accepted = [needs for needs in named if needs] or None
    if not branches:
        return [
            Finding("body", error.kind.name, "More than one form fits.", pointer=pointer, accepted=accepted)
        ]
    # Each form that fails by its type alone is further away than one that fails inside.
    nearest = min(branches, key=lambda branch: (any(_at(each, error) for each in branch), len(branch)))
    inner = findings_of(nearest, document, base)
    if accepted is None:
        return inner
    return [
        Finding(
            "body",
            finding.rule,
            finding.detail,
            pointer=finding.pointer,
            accepted=finding.accepted or accepted,
        )
        for finding in inner
    ]


def _at(inner: Any, outer: Any) -> bool:
    """Whether an error inside a form is one of type at the very place where the choice stands."""
    return inner.kind.name == "type" and list(inner.instance_path) == list(outer.instance_path)


def _needs(branch: list[Any]) -> str:
    """The keys that a form still wants, in words."""
    keys = [each.kind.as_dict()["property"] for each in branch if each.kind.name == "required"]
    return "with " + ", ".join(keys) if keys else ""


_WORDS: Final[Mapping[str, str]] = {
    "maxItems": "Has more than {limit} items.",
    "minItems": "Has fewer than {limit} items.",
    "maxLength": "Is longer than {limit} characters.",
    "minLength": "Is shorter than {limit} characters.",
    "maxProperties": "Has more than {limit} keys.",
    "minProperties": "Has fewer than {limit} keys.",
    "maximum": "Is more than {limit}.",
    "minimum": "Is less than {limit}.",
    "exclusiveMaximum": "Is not less than {limit}.",
    "exclusiveMinimum": "Is not more than {limit}.",
    "multipleOf": "Is not a multiple of {multiple_of}.",
    "uniqueItems": "Has the same item twice.",
    "propertyNames": "Has a key that is not accepted.",
    "not": "Is of a form that is excluded.",
}

_BOUNDS: Final[Mapping[str, str]] = {
    "maxItems": "at most {limit} items",
    "minItems": "at least {limit} items",
    "maxLength": "at most {limit} characters",
    "minLength": "at least {limit} characters",
    "maxProperties": "at most {limit} keys",
    "minProperties": "at least {limit} keys",
    "maximum": "at most {limit}",
    "minimum": "at least {limit}",
    "exclusiveMaximum": "less than {limit}",
    "exclusiveMinimum": "more than {limit}",
    "uniqueItems": "items that differ",
}


def _shown(value: Any) -> str:
    if isinstance(value, str):
        return repr(value if len(value) <= 80 else value[:77] + "...")
    if value is None or isinstance(value, bool):
        return {None: "null", True: "true", False: "false"}[value]
    if isinstance(value, int | float):
        return repr(value)
    return "an object" if isinstance(value, dict) else "a list"


def _detail(rule: str, facts: Mapping[str, Any], instance: Any) -> str:
    if rule in _WORDS:
        return _WORDS[rule].format(**facts)
    if rule == "type":
        return f"Is {_shown(instance)}, which is not of the type wanted."
    if rule == "enum":
        return f"{_shown(instance)} is not one of the accepted values."
    if rule == "const":
        return f"{_shown(instance)} is not the one accepted value."
    if rule == "format":
        return f"{_shown(instance)} is not a {facts['format']}."
    if rule == "pattern":
        return f"{_shown(instance)} is not of the form wanted."
    return f"Breaks the rule {rule}."


def _accepted(rule: str, facts: Mapping[str, Any]) -> Any:
    if rule in _BOUNDS:
        return _BOUNDS[rule].format(**facts)
    if rule == "type":
        return list(facts["types"])
    if rule == "enum":
        return list(facts["options"])
    if rule == "const":
        return facts.get("expected_value", facts.get("value"))
    if rule == "format":
        return {
            "date-time": "RFC 3339 with offset, as 2026-05-04T08:30:00+02:00",
            "uri": "an absolute URI",
        }.get(facts["format"], facts["format"])
    if rule == "pattern":
        return accepted_pattern(facts["pattern"])
    return None
