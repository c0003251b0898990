"""The description of the interface: made from the routes and the schemas, never typed by hand.

`build` gives the document that openapi.yaml holds, with references to the files in schemas/;
`bundle` puts every schema inside it. Both are deterministic.
"""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import yaml
from flask import Flask

from service.http import examples, idempotency, problems
from service.http.documents import Document
from service.http.operations import NUMBER_PATTERN, PATH_PARTS, Operation, Reply
from service.http.preconditions import ETAG_WORDS
from service.http.replies import HEADERS
from service.schema_files import SUFFIX, load_schemas

TITLE: Final = "Spring support release"
DESCRIPTION: Final = """\
Takes the spring supports of hot piping from erected and locked to released and proved hot.

**Signs.** Up is positive. Movement is from cold to hot. Turns are positive when they raise the load on
the pipe.

**Quantities** are objects `{"value": 12.5, "unit": "kN"}` in a closed list of units for each dimension;
they are kept and returned as given, and converted with `units=si` or `units=us`. A mass is refused where a
force is wanted.

**What is missing** is never guessed: a check or verdict that needs it answers `cannot_say` and names it.

**Writing.** PUT wants `If-Match` with the entity tag that was read, or `If-None-Match: *` to create. Every
POST that writes wants an `Idempotency-Key`; the same key with the same request does nothing twice, with
another request it is refused. `dry_run=true` runs every check and writes nothing.

**Problems** are RFC 9457 documents; `code` is stable, `errors` points at each fault and says what is
accepted.

**Hidden and missing** are one answer, 404.
"""

METHODS: Final = ("get", "put", "post")
_LOG_FAULTS: Final = ("store-full", "write-conflict", "log-sealed", "log-corrupt")
_AT_ONCE: Final = {
    "body": ("malformed-request", "unsupported-media-type", "too-large"),
    "document": ("invalid-document", "unknown-unit", "mass-for-force"),
    "secured": ("not-authenticated", "internal", "store-busy"),
    "parts": ("invalid-parameter", "malformed-request", "not-found"),
    "writes": ("invalid-parameter", "idempotency-key-reused", *_LOG_FAULTS),
    "conditional": ("invalid-parameter", "precondition-required", "precondition-failed", *_LOG_FAULTS),
}


@dataclass(frozen=True)
class Described:
    """The description in its forms: with references to files, complete in itself, and as YAML text."""

    document: dict[str, Any]
    bundled: dict[str, Any]
    text: str


def described(app: Flask) -> Described:
    """The description of an application, made once."""
    kept: Described | None = app.extensions.get("service-description")
    if kept is None:
        document = build(app)
        kept = Described(document, bundle(document), as_yaml(document))
        app.extensions["service-description"] = kept
    return kept


def operations_of(app: Flask) -> list[Operation]:
    """Every operation that the application serves, by path and method."""
    found = [view.operation for view in app.view_functions.values() if hasattr(view, "operation")]
    return sorted(found, key=lambda each: (each.path, METHODS.index(each.method.lower())))


def build(app: Flask) -> dict[str, Any]:
    """The OpenAPI 3.1 document of an application's routes."""
    (api,) = [entry["ext_obj"] for entry in app.extensions["flask-smorest"]["apis"].values()]
    found = api.spec.to_dict()
    paths: dict[str, Any] = {}
    for declared in operations_of(app):
        made = found["paths"][declared.path][declared.method.lower()]
        path = paths.setdefault(declared.path, {})
        path[declared.method.lower()] = _operation(declared, made)
    return {
        "openapi": "3.1.0",
        "info": {"title": TITLE, "version": found["info"]["version"], "description": DESCRIPTION},
        "servers": [{"url": "/", "description": "The service itself."}],
        "security": [{"token": []}],
        "tags": [{"name": tag["name"], "description": tag["description"]} for tag in found["tags"]],
        "paths": paths,
        "components": {
            "securitySchemes": {
                "token": {
                    "type": "http",
                    "scheme": "bearer",
                    "description": "A token as `python -m service token` or POST /v1/tokens gives it.",
                }
            },
            "headers": {name: dict(header) for name, header in HEADERS.items()},
            "parameters": _parameters(),
        },
    }


def _parameters() -> dict[str, Any]:
    """Header parameters, by the name under which operations refer to them."""
    # Lists of tags and weak tags are read too, as RFC 9110 wants; clients of this service need neither.
    tags = {"type": "string", "pattern": r'^(\*|"r[0-9]{1,9}(-si|-us)?")$'}
    return {
        "IdempotencyKey": {
            "name": idempotency.HEADER,
            "in": "header",
            "required": True,
            "description": (
                "Names this request, so that a repeat does nothing twice. Kept for 90 days for each "
                "principal, method and path. Quoted or bare."
            ),
            "schema": {"type": "string", "pattern": rf'^("{idempotency.PATTERN}"|{idempotency.PATTERN})$'},
            "example": "6f1c2a9e-turn-041",
        },
        "IfMatch": {
            "name": "If-Match",
            "in": "header",
            "required": False,
            "description": f"The revision that is to be replaced: {ETAG_WORDS}.",
            "schema": tags,
            "example": '"r1"',
        },
        "IfNoneMatchAny": {
            "name": "If-None-Match",
            "in": "header",
            "required": False,
            "description": "`*` to create: there must be nothing here yet.",
            "schema": {"type": "string", "enum": ["*"]},
        },
        "LastEventId": {
            "name": "Last-Event-ID",
            "in": "header",
            "required": False,
            "description": (
                "Id of the last server-sent event that the client had: the stream goes on after it, whatever "
                "`from` says. Read for text/event-stream alone, and refused where it is no sequence."
            ),
            "schema": {"type": "string", "pattern": f"^(?:{NUMBER_PATTERN})$"},
            "example": "41",
        },
        "IfNoneMatch": {
            "name": "If-None-Match",
            "in": "header",
            "required": False,
            "description": f"The representation that the caller holds: {ETAG_WORDS}.",
            "schema": tags,
            "example": '"r1"',
        },
    }


def _operation(declared: Operation, made: Mapping[str, Any]) -> dict[str, Any]:
    """One operation as the document holds it."""
    shown: dict[str, Any] = {
        "operationId": declared.id,
        "summary": declared.summary,
        "description": declared.description,
        "tags": list(made["tags"]),
        "parameters": [*_path_parameters(declared), *_query_parameters(made), *_header_parameters(declared)],
        "responses": _responses(declared),
    }
    if declared.public:
        shown["security"] = []
    if declared.body is not None:
        shown["requestBody"] = {"required": True, "content": {declared.body_media: _body(declared)}}
    if not shown["parameters"]:
        del shown["parameters"]
    return shown


def _path_parameters(declared: Operation) -> list[dict[str, Any]]:
    return [
        {
            "name": name,
            "in": "path",
            "required": True,
            "description": PATH_PARTS[name].description,
            "schema": dict(PATH_PARTS[name].schema),
            "example": PATH_PARTS[name].example,
        }
        for name in declared.parts
    ]


def _query_parameters(made: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The query parameters that the library made of the query's fields, in order of declaration."""
    return [dict(parameter) for parameter in made.get("parameters", ()) if parameter["in"] == "query"]


def _header_parameters(declared: Operation) -> list[dict[str, str]]:
    names = []
    if declared.writes:
        names.append("IdempotencyKey")
    if declared.conditional:
        names += ["IfMatch", "IfNoneMatchAny"]
    if any("ETag" in reply.headers for reply in declared.replies.values()) and declared.method == "GET":
        names.append("IfNoneMatch")
    names += declared.headers
    return [{"$ref": f"#/components/parameters/{name}"} for name in names]


def _schema(content: Document | Mapping[str, Any]) -> dict[str, Any]:
    return content.reference if isinstance(content, Document) else dict(content)


def _body(declared: Operation) -> dict[str, Any]:
    assert declared.body is not None
    shown: dict[str, Any] = {"schema": _schema(declared.body)}
    replayed = examples.requests(declared.id)
    written = declared.body.examples if isinstance(declared.body, Document) else []
    if replayed:
        shown["examples"] = {name: {"value": value} for name, value in replayed.items()}
    elif written:
        shown["examples"] = {f"example_{number}": {"value": value} for number, value in enumerate(written, 1)}
    return shown


def codes_of(declared: Operation) -> dict[int, list[str]]:
    """The problem codes that an operation can answer with, by status."""
    codes = set(declared.errors) | {"not-acceptable", "invalid-parameter", "internal"}
    if not declared.public:
        codes.update(_AT_ONCE["secured"])
    if declared.parts:
        codes.update(_AT_ONCE["parts"])
    if declared.body is not None:
        codes.update(_AT_ONCE["body"])
    elif declared.method in ("PUT", "POST"):
        codes.update(("malformed-request", "too-large"))
    if isinstance(declared.body, Document):
        codes.update(_AT_ONCE["document"])
    if declared.writes:
        codes.update(_AT_ONCE["writes"])
    if declared.conditional:
        codes.update(_AT_ONCE["conditional"])
    by_status: dict[int, list[str]] = {}
    for code in sorted(codes):
        by_status.setdefault(problems.STATUS[problems.CATALOGUE[code]], []).append(code)
    return dict(sorted(by_status.items()))


def _responses(declared: Operation) -> dict[str, Any]:
    shown: dict[str, Any] = {}
    for status, reply in sorted(declared.replies.items()):
        shown[str(status)] = _reply(declared, status, reply)
    for status, codes in codes_of(declared).items():
        shown[str(status)] = _refusal(declared, status, codes)
    return dict(sorted(shown.items()))


def _reply(declared: Operation, status: int, reply: Reply) -> dict[str, Any]:
    shown: dict[str, Any] = {"description": reply.description}
    headers = [*reply.headers]
    if declared.method == "GET" and "plant" in declared.parts:
        headers.append("Log-Fault")
    if headers:
        shown["headers"] = {name: {"$ref": f"#/components/headers/{name}"} for name in headers}
    if reply.content:
        shown["content"] = {}
        for media, content in reply.content.items():
            entry: dict[str, Any] = {"schema": _schema(content)} if content is not None else {}
            found = examples.answers(declared.id, status, media)
            if found:
                entry["examples"] = {name: {"value": value} for name, value in found.items()}
            shown["content"][media] = entry
    if reply.links:
        shown["links"] = {name: dict(link) for name, link in reply.links.items()}
    return shown


def _refusal(declared: Operation, status: int, codes: list[str]) -> dict[str, Any]:
    titles = "; ".join(
        f"`{code}`: {problems.CATALOGUE[code].title[0].lower()}{problems.CATALOGUE[code].title[1:]}"
        for code in codes
    )
    content: dict[str, Any] = {"schema": Document("problem").reference}
    found = examples.answers(declared.id, status, problems.MEDIA_TYPE)
    if found:
        content["examples"] = {name: {"value": value} for name, value in found.items()}
    return {
        "description": f"{titles[0].upper()}{titles[1:]}." if titles else "",
        "content": {problems.MEDIA_TYPE: content},
    }


# --- one document with everything in it ------------------------------------------------------------
_FILE_REFERENCE: Final = re.compile(rf"(?:schemas/)?([a-z0-9-]+){re.escape(SUFFIX)}(?:#(/.*)?)?")


def bundle(document: Mapping[str, Any]) -> dict[str, Any]:
    """The description with every schema under components, so that nothing outside is referred to."""
    whole: dict[str, Any] = _inside(document, None)
    whole["components"]["schemas"] = {
        name: {
            key: value
            for key, value in _inside(schema, name).items()
            if key not in ("$schema", "$id", "examples")
        }
        for name, schema in load_schemas().items()
    }
    return whole


def _inside(value: Any, schema: str | None) -> Any:
    """A value with its references turned inward; `schema` is the schema that it stands in."""
    if isinstance(value, Mapping):
        return {
            key: _turned(item, schema) if key == "$ref" and isinstance(item, str) else _inside(item, schema)
            for key, item in value.items()
        }
    if isinstance(value, list | tuple):
        return [_inside(item, schema) for item in value]
    return value


def _turned(reference: str, schema: str | None) -> str:
    if reference.startswith("#"):
        return reference if schema is None else f"#/components/schemas/{schema}{reference[1:]}"
    match = _FILE_REFERENCE.fullmatch(reference)
    if match is None:
        raise ValueError(f"a reference that leads out of the project: {reference}")
    return f"#/components/schemas/{match[1]}{match[2] or ''}"


# --- the file -----------------------------------------------------------------------------------------
class _Dumper(yaml.SafeDumper):
    """YAML without aliases, with long texts as blocks."""

    def ignore_aliases(self, data: Any) -> bool:
        """Never write an alias: each place stands for itself."""
        return True


def _text(dumper: yaml.SafeDumper, value: str) -> yaml.Node:
    style = "|" if "\n" in value else None
    return dumper.represent_scalar("tag:yaml.org,2002:str", value, style=style)


_Dumper.add_representer(str, _text)

HEAD: Final = "# Made from the routes and schemas by `make openapi`; not edited by hand.\n"


def as_yaml(document: Mapping[str, Any]) -> str:
    """The document as the text of openapi.yaml."""
    plain = json.loads(json.dumps(document))
    return HEAD + yaml.dump(plain, Dumper=_Dumper, sort_keys=False, allow_unicode=True, width=110)


def write_openapi(app: Flask, path: Path) -> None:
    """Write openapi.yaml."""
    path.write_text(as_yaml(build(app)), encoding="utf-8")


def check_openapi(app: Flask, path: Path) -> list[str]:
    """The lines in which openapi.yaml differs from the routes and schemas; none when it agrees."""
    held = path.read_text(encoding="utf-8") if path.exists() else ""
    made = as_yaml(build(app))
    if held == made:
        return []
    return list(_differences(held, made, path.name))


def _differences(held: str, made: str, name: str) -> Iterator[str]:
    yield from difflib.unified_diff(
        held.splitlines(), made.splitlines(), name, f"{name} as it should be", lineterm="", n=1
    )


__all__ = [
    "Described",
    "as_yaml",
    "build",
    "bundle",
    "check_openapi",
    "codes_of",
    "described",
    "operations_of",
    "write_openapi",
]
