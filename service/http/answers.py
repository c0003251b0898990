"""Answers: how documents, pages, receipts and streams leave the service."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any, Final
from urllib.parse import quote, urlencode

import orjson
from flask import Response, request, stream_with_context

from service.application.context import Answer, Page
from service.application.records import Written
from service.domain.ports import Record
from service.errors import ServiceError
from service.http import logs
from service.http.bodies import JSON, NDJSON
from service.http.operations import Call
from service.http.preconditions import etag, unchanged
from service.http.state import edge, request_id
from service.units import convert_document

REPLAYED: Final = "Idempotent-Replayed"
FAULT_LOG: Final = logging.getLogger(logs.FAULTS)


def json_answer(
    document: Any, status: int = 200, media: str = JSON, headers: Mapping[str, str] | None = None
) -> Response:
    """A JSON answer, kept by no cache."""
    response = Response(orjson.dumps(document), status=status, content_type=media)
    response.headers["Cache-Control"] = "no-store"
    response.headers.update(headers or {})
    return response


def text_answer(body: bytes) -> Response:
    """Plain text that may change: kept by no cache without asking again."""
    response = Response(body, content_type="text/plain; charset=utf-8")
    response.headers["Cache-Control"] = "private, no-cache"
    response.headers["Vary"] = "Authorization"
    return response


def in_units(call: Call, document: Any) -> Any:
    """The document with its quantities in the system asked for, or as it is."""
    return convert_document(document, call.units) if call.units else document


def record_answer(call: Call, record: Record) -> Response:
    """A record alone, with its entity tag; 304 when the caller holds this representation."""
    tag = etag(record.revision, call.units)
    if unchanged(request, tag):
        response = Response(status=304)
    else:
        response = json_answer(in_units(call, dict(record.document)))
    response.headers["ETag"] = tag
    response.headers["Cache-Control"] = "private, no-cache"
    response.headers["Vary"] = "Authorization"
    return response


def written_answer(call: Call, written: Written) -> Response:
    """The receipt of a PUT: 201 with the place of a new record, else 200."""
    document = {
        "record": dict(written.document),
        "revision": written.revision,
        "sequence": written.sequence,
        "changed": written.changed,
        "safety_fields": list(written.safety_fields),
        "consequences": list(written.consequences),
        "dry_run": call.context.dry_run,
    }
    created = written.created and not call.context.dry_run
    response = json_answer(document, 201 if created else 200, headers={"ETag": etag(written.revision, None)})
    if created:
        response.headers["Location"] = quote(request.path)
    if not call.context.dry_run:
        _name_receipt(response, written.sequence, written.leaf_hash)
    return response


def act_answer(call: Call, answer: Answer, location: str | None = None) -> Response:
    """The answer to a POST that writes: 201, or 200 for a trial; a repeat is marked as such.

    location: path of what was made; that of the event in the plant's log when None.
    """
    status = 200 if call.context.dry_run else 201
    response = json_answer(answer.document, status)
    if answer.replayed:
        response.headers[REPLAYED] = "true"
    if status == 201:
        response.headers["Location"] = location or _event_path(answer.document["event"]["sequence"])
        if "event" in answer.document:
            _name_receipt(response, answer.document["event"]["sequence"], answer.document["leaf_hash"])
    return response


def _event_path(sequence: int) -> str:
    plant = str(request.view_args["plant"]) if request.view_args else ""
    return f"/v1/plants/{quote(plant)}/events/{sequence}"


def _name_receipt(response: Response, sequence: int | None, leaf_hash: str | None) -> None:
    """Name the event that was written in a plant's log by its hash, and where its receipt is."""
    if sequence is not None and leaf_hash is not None and "plant" in (request.view_args or {}):
        response.headers["Log-Leaf-Hash"] = leaf_hash
        response.headers["Log-Receipt"] = f"{_event_path(sequence)}/receipt"


def start_of_page(call: Call) -> Any:
    """The place at which the page asked for begins, or None for the first page."""
    cursor = call.query.get("cursor")
    if cursor is None:
        return None
    return edge().cursors.read(cursor, path=request.path, filters=_filters(call), principal=call.principal.id)


def _filters(call: Call) -> dict[str, Any]:
    return {name: value for name, value in call.query.items() if name not in ("limit", "cursor")}


def page_answer(call: Call, page: Page, shape: Callable[[Any], dict[str, Any]]) -> Response:
    """A page: its items, and the cursor of the next one in `next` and in the Link header."""
    document: dict[str, Any] = {"items": [in_units(call, shape(item)) for item in page.items], "next": None}
    response_headers: dict[str, str] = {}
    if page.following is not None:
        cursor = edge().cursors.make(
            page.following, path=request.path, filters=_filters(call), principal=call.principal.id
        )
        document["next"] = cursor
        response_headers["Link"] = next_link(cursor=cursor)
    return json_answer(document, headers=response_headers)


def next_link(**changed: str) -> str:
    """The Link header of the next page: the same request with some parameters changed."""
    given = {**request.args.to_dict(), **changed}
    return f'<{quote(request.path)}?{urlencode(given)}>; rel="next"'


def revision_item(record: Record) -> dict[str, Any]:
    """One revision of a record as lists show it; the defaults of the criteria have no place in the log."""
    written = record.sequence >= 0
    return {
        "kind": record.kind,
        "key": record.key,
        "line": record.line,
        "revision": record.revision,
        "sequence": record.sequence if written else None,
        "until": record.until,
        "recorded_at": record.recorded_at if written else None,
        "record": dict(record.document),
    }


def stream_answer(rows: Iterable[bytes], media: str = NDJSON) -> Response:
    """A streamed answer. What can fail at once has failed before the first byte.

    An error after it is logged and cuts the answer off: the client sees no proper end.
    """
    source = iter(rows)
    first = next(source, b"")

    def sent() -> Iterator[bytes]:
        if first:
            yield first
        try:
            yield from source
        except ServiceError as error:
            fields = {"request_id": request_id(), "code": error.code, **error.facts}
            FAULT_LOG.error("an answer was cut off", exc_info=error, extra={"fields": fields})
            raise

    response = Response(stream_with_context(sent()), content_type=media)
    response.headers["Cache-Control"] = "no-store"
    response.headers["X-Accel-Buffering"] = "no"
    return response
