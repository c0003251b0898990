"""Operations: one declaration per route serves the request and describes it.

`operation(...)` puts a view behind the edge's checks, always in this order: token, path,
representation asked for, query, headers, body. It hands the view a `Call`, and hands the same
declaration to the description of the interface, so that the two cannot drift apart.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from flask import Response, g, request
from flask_smorest import Blueprint

from service.application.context import Context, IdempotencyKey
from service.application.preconditions import Precondition
from service.domain.access import Principal
from service.errors import Finding, InvalidParameter, MalformedRequest
from service.http import bodies
from service.http.attempts import Attempts
from service.http.authentication import authenticate
from service.http.documents import Document
from service.http.idempotency import key_of
from service.http.negotiation import choose
from service.http.preconditions import precondition_of
from service.http.queries import KEY_PATTERN, Query, StrictParser, refuse_repeated
from service.http.state import edge, request_id
from service.http.wording import KEY_WORDS

PRINCIPAL_PATTERN: Final = r"pr_[0-9a-hjkmnp-tv-z]{26}"
TOKEN_PART: Final = r"tk_[0-9a-hjkmnp-tv-z]{26}"  # noqa: S105 - the form of an id, no secret
NUMBER_PATTERN: Final = r"0|[1-9][0-9]{0,14}"


@dataclass(frozen=True)
class PathPart:
    """A part of the path: its pattern in full, in words, its description and an example."""

    pattern: str
    accepted: str
    description: str
    example: Any
    schema: Mapping[str, Any]


def _key_part(description: str, example: str) -> PathPart:
    return PathPart(
        KEY_PATTERN, KEY_WORDS, description, example, {"$ref": "schemas/common.schema.json#/$defs/key"}
    )


def _text_part(pattern: str, accepted: str, description: str, example: str) -> PathPart:
    return PathPart(pattern, accepted, description, example, {"type": "string", "pattern": f"^{pattern}$"})


def _number_part(description: str, least: int, example: int) -> PathPart:
    schema = {"type": "integer", "minimum": least, "maximum": 999_999_999_999_999}
    return PathPart(NUMBER_PATTERN, f"a whole number in digits, from {least}", description, example, schema)


PATH_PARTS: Final[Mapping[str, PathPart]] = {
    "plant": _key_part("Key of the plant; letter case does not matter.", "demo"),
    "line": _key_part("Key of the line; letter case does not matter.", "MS-1"),
    "mark": _key_part("Mark of the hanger; letter case does not matter.", "MS-1-H03"),
    "revision": _number_part("Number of the revision, from 1.", 0, 1),
    "sequence": _number_part("Place of the event in its log, from 0.", 0, 4),
    "level": _text_part(
        r"(?:[0-9]|[1-5][0-9]|6[0-3])", "a whole number in digits, from 0 to 63", "Level of the tile.", "0"
    ),
    # The path of a tile goes on over slashes, which a parameter of OpenAPI cannot hold: what is
    # described is the form of one segment, and in words how it goes on.
    "tile": PathPart(
        r"(?:x(?:00[1-9]|0[1-9][0-9]|[1-9][0-9]{2})/(?:x[0-9]{3}/){0,3})?[0-9]{3}"
        r"(?:\.p/(?:[1-9][0-9]?|1[0-9][0-9]|2[0-4][0-9]|25[0-5]))?",
        "an index in groups of three digits, all but the last behind an x, as x001/x234/067; "
        "for a partial tile its width after it, as 067.p/12",
        "Index of the tile in its level, in three digits. As C2SP tlog-tiles writes it, the path goes on in "
        "further segments for a greater index (`x001/x234/067`) and for a partial tile (`000.p/12`).",
        "000",
        {"type": "string", "pattern": "^[0-9]{3}$"},
    ),
    "principal": _text_part(
        PRINCIPAL_PATTERN,
        "a principal's id: pr_ and 26 characters",
        "Id of the principal.",
        "pr_00000000000000000000000001",
    ),
    # Not `token`: nobody shall take the path for a place to put the token itself.
    "token_id": _text_part(
        TOKEN_PART,
        "a token's id (never the token): tk_ and 26 characters",
        "Id of the token; never the token itself.",
        "tk_00000000000000000000000001",
    ),
    "webhook": _text_part(
        r"wh_[0-9a-hjkmnp-tv-z]{26}",
        "a webhook's id: wh_ and 26 characters",
        "Id of the webhook.",
        "wh_00000000000000000000000001",
    ),
    "file": _text_part(
        r"[a-zA-Z0-9][a-zA-Z0-9.-]{0,99}", "a file's name", "Name of the file.", "common.schema.json"
    ),
    "code": _text_part(r"[a-z][a-z0-9-]{1,60}", "a problem's code", "Code of the problem.", "not-found"),
}


@dataclass(frozen=True)
class Reply:
    """One answer that is no problem: what it means, its media types with their schemas, its headers.

    content: media type -> Document, a plain schema, or None for bytes of another format.
    links: name -> link object, for readers and for tests that walk.
    """

    description: str
    content: Mapping[str, Document | Mapping[str, Any] | None] = field(default_factory=dict)
    headers: Sequence[str] = ()
    links: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)


@dataclass(frozen=True)
class Operation:
    """One route and method, as served and as described.

    body: the document that it reads, or None. body_limit: in bytes. media: the body's media type.
    writes: a POST that writes and so wants an Idempotency-Key. conditional: a PUT with
    preconditions. public: no token is asked for. errors: problem codes beyond those that follow
    from the declaration. formats: media types offered, the first one by default. headers: request
    headers that it reads besides, by the name of the parameter that describes them.
    """

    id: str
    method: str
    rule: str
    summary: str
    description: str
    replies: Mapping[int, Reply]
    tag: str = ""
    query: type[Query] = Query
    body: Document | Mapping[str, Any] | None = None
    body_limit: int = bodies.ACT_BYTES
    body_media: str = bodies.JSON
    writes: bool = False
    conditional: bool = False
    public: bool = False
    errors: Sequence[str] = ()
    formats: Sequence[str] = ("application/json",)
    headers: Sequence[str] = ()

    @property
    def parts(self) -> list[str]:
        """Names of the path's parts, in order."""
        return re.findall(r"<(?:path:)?([a-z_]+)>", self.rule)

    @property
    def path(self) -> str:
        """The path as OpenAPI writes it."""
        return re.sub(r"<(?:path:)?([a-z_]+)>", r"{\1}", self.rule)


@dataclass(frozen=True)
class Call:
    """One admitted request: everything in it was read and found in order.

    raw: the body's bytes for a bulk request, else empty. media: the representation chosen.
    """

    operation: Operation
    context: Context
    query: Mapping[str, Any]
    body: Any
    raw: bytes
    precondition: Precondition
    media: str

    @property
    def principal(self) -> Principal:
        """Who calls."""
        return self.context.principal

    @property
    def units(self) -> Any:
        """System of units asked for, or None."""
        return self.query.get("units")


NOBODY: Final = Principal(
    id="", kind="system", role="reader", token_id="", plants=frozenset(), lines=frozenset()
)

View = Callable[..., Response]


class EdgeBlueprint(Blueprint):
    """A blueprint whose query strings are read strictly."""

    ARGUMENTS_PARSER = StrictParser()


def operation(blueprint: EdgeBlueprint, declared: Operation) -> Callable[[View], View]:
    """Serve a view under the declaration, and describe it in the blueprint's documentation."""

    def register(view: View) -> View:
        def admitted(query: Mapping[str, Any], **parts: str) -> Response:
            call, converted = _call(declared, query), _converted(parts)
            # The body is read by now and kept in the call, so that the view may run again.
            return call.context.again(lambda: view(call, **converted))

        reading = blueprint.arguments(declared.query(), location="query", error_status_code=400)(admitted)

        def admit(**parts: str) -> Response:
            if not declared.public:
                g.principal = authenticate(request)
            check_parts(parts)
            g.media = choose(request, declared.formats)
            refuse_repeated(request)
            return reading(**parts)

        admit.__name__ = declared.id
        admit._apidoc = reading._apidoc  # type: ignore[attr-defined]
        described = blueprint.doc(operationId=declared.id, **{"x-operation": declared.id})(admit)
        described.operation = declared
        blueprint.route(declared.rule, methods=[declared.method], endpoint=declared.id)(described)
        return view

    return register


def refuse_slashes() -> None:
    """Refuse an encoded slash or back slash in the path: it would name another resource than it shows.

    Raises:
        MalformedRequest: always 400
    """
    environ = request.environ
    raw = str(environ.get("RAW_URI") or environ.get("REQUEST_URI") or "").partition("?")[0].lower()
    if "%2f" in raw or "%5c" in raw or "\\" in raw:
        raise MalformedRequest(
            "The path holds an encoded slash.",
            errors=[Finding("path", "no-slash", "a slash inside a part of the path", accepted=KEY_WORDS)],
        )


def check_parts(parts: Mapping[str, str]) -> None:
    """Refuse a path part that is not of its form.

    Raises:
        InvalidParameter: naming each
    """
    findings = [
        Finding(
            "path", "form", f"{value[:80]!r} is not of the form wanted", name=name, accepted=part.accepted
        )
        for name, value in parts.items()
        if re.fullmatch((part := PATH_PARTS[name]).pattern, value) is None
    ]
    if findings:
        raise InvalidParameter("A part of the path is not of its form.", errors=findings)


def _converted(parts: Mapping[str, str]) -> dict[str, Any]:
    return {
        name: int(value) if PATH_PARTS[name].pattern == NUMBER_PATTERN else value
        for name, value in parts.items()
    }


def _call(declared: Operation, query: Mapping[str, Any]) -> Call:
    """The admitted request: headers and body are read here."""
    at_hand = edge()
    raw = b""
    body: Any = None
    precondition = precondition_of(request) if declared.conditional else Precondition()
    key: IdempotencyKey | None = None
    if declared.body is not None:
        bodies.require_body_media(request, declared.body_media)
        raw = bodies.read_bytes(request, _limit(declared))
        if declared.writes:
            key = key_of(request, raw)
        if declared.body_media == bodies.JSON:
            body = bodies.parse_json(raw)
            if isinstance(declared.body, Document):
                declared.body.validate(body)
    elif declared.method in ("POST", "PUT"):
        bodies.refuse_body(request)
        if declared.writes:
            key = key_of(request, b"")
    context = Context(
        store=at_hand.store,
        now=g.now,
        new_id=at_hand.new_id,
        principal=g.get("principal", NOBODY),
        request_id=request_id(),
        key=key,
        dry_run=bool(query.get("dry_run", False)),
        service_version=at_hand.service_version,
        again=Attempts(at_hand.settings.write_lock_timeout_s).of,
    )
    return Call(declared, context, query, body, raw, precondition, g.media)


def _limit(declared: Operation) -> int:
    """The body's limit: the operation's own, never beyond the service's setting."""
    settings = edge().settings
    most = settings.max_bulk_bytes if declared.body_media == bodies.NDJSON else settings.max_body_bytes
    return min(declared.body_limit, most)
