"""The log: pages for people and programs, exact bytes for whoever keeps a copy, events as they come."""

from __future__ import annotations

import re
from typing import Any, Final

from flask import Response, g, request

from service.application import log, proofs
from service.application.log import Export
from service.application.streams import LAST_EVENT, Following, no_such_event
from service.domain.ports import EventFilter, StoredEvent
from service.errors import Finding, InvalidParameter
from service.http import answers, event_streams
from service.http.bodies import JSON, NDJSON
from service.http.documents import Document
from service.http.log_queries import EventPageQuery, SizeQuery
from service.http.operations import (
    NUMBER_PATTERN,
    Call,
    EdgeBlueprint,
    Operation,
    Reply,
    operation,
)
from service.http.replies import document_reply, link
from service.http.state import edge

blueprint = EdgeBlueprint("events", __name__, description="The plant's append-only log.")

TEXT: Final = "text/plain"


def event_item(stored: StoredEvent) -> dict[str, Any]:
    """An event as pages show it: the leaf, its hash, and the free text kept beside it."""
    return {"event": stored.event.as_document(), "leaf_hash": stored.leaf_hash, "texts": dict(stored.texts)}


def filter_of(query: Any) -> EventFilter:
    """The filter that a query states."""
    return EventFilter(
        line=query.get("line"),
        hanger=query.get("hanger"),
        type=query.get("type"),
        since=query.get("since"),
        until=query.get("until"),
        occurred_since=query.get("occurred_since"),
        occurred_until=query.get("occurred_until"),
    )


@operation(
    blueprint,
    Operation(
        "listEvents",
        "GET",
        "/v1/plants/<plant>/events",
        "Read the log",
        "Events in order of sequence from `from` on; filters combine. As JSON: a page, with `next` the "
        "sequence to ask from (null at the end). As NDJSON (Accept: application/x-ndjson): the exact bytes "
        "stored, one event a line, to `to` or the end of the log as it stood at the request, then the "
        "trailer: a line with a signed checkpoint and a signed seal that states how many events were given "
        "and the root of their hashes. As server-sent events (Accept: text/event-stream): each event with "
        "its sequence as id, its type and its exact bytes, and those to come as they are recorded; a "
        "heartbeat every 15 seconds moves the id on; the stream ends after 15 minutes or when the token no "
        "longer counts, and is taken up again with Last-Event-ID. Free text is no part of the bytes. No "
        "event is ever skipped: sequences have no gap, and one that has been read does not change. "
        "Roles: engineer, integrator, auditor; a token scoped to lines sees their events alone.",
        {
            200: Reply(
                "Events in order.",
                {
                    JSON: Document("page-events"),
                    NDJSON: Document("export-line"),
                    event_streams.MEDIA: {"type": "string"},
                },
                headers=("Link",),
                links={
                    "event": link(
                        "getEvent",
                        "One of them.",
                        plant="$request.path.plant",
                        sequence="$response.body#/items/0/event/sequence",
                    )
                },
            )
        },
        query=EventPageQuery,
        formats=(JSON, NDJSON, event_streams.MEDIA),
        headers=("LastEventId",),
        errors=("not-permitted",),
    ),
)
def list_events(call: Call, plant: str) -> Response:
    """Events in order: a page, an export of exact bytes, or a stream of those to come."""
    wanted, start, end = filter_of(call.query), call.query["start"], call.query.get("to")
    last = _last_event()
    if call.media == event_streams.MEDIA:
        return _follow(call, plant, wanted, start, last)
    if call.media == NDJSON:
        form = Export(call.query["trailer"], call.query["documents"], call.query["texts"])
        return answers.stream_answer(log.export_events(call.context, plant, wanted, start, end, form))
    page = log.list_events(call.context, plant, wanted, start, end, call.query["limit"])
    return events_page(page)


def _last_event() -> int | None:
    """The sequence in Last-Event-ID, or None without the header. Errors: InvalidParameter."""
    given = request.headers.get(LAST_EVENT)
    if given is None:
        return None
    if re.fullmatch(NUMBER_PATTERN, given) is None:
        raise no_such_event("form", "is no sequence", "the id of an event, a whole number in digits")
    return int(given)


def _follow(call: Call, plant: str, wanted: EventFilter, start: int, last: int | None) -> Response:
    """An open answer that goes on with the log."""
    if "to" in call.query:
        raise InvalidParameter(
            "A stream of events has no end.",
            errors=[
                Finding("query", "without-end", "is not for server-sent events", name="to", accepted=[NDJSON])
            ],
        )
    at_hand, digest = edge(), g.token_digest
    return at_hand.streams.answer(
        Following(call.context, plant, wanted, start, last),
        lambda: at_hand.store.authenticate(digest, at_hand.clock()) is not None,
        request.environ,
        head=request.method == "HEAD",
    )


def events_page(page: Any) -> Response:
    """A page of events; `next` is the sequence to ask from."""
    document = {"items": [event_item(stored) for stored in page.items], "next": page.following}
    headers = (
        {"Link": answers.next_link(**{"from": str(page.following)})} if page.following is not None else {}
    )
    return answers.json_answer(document, headers=headers)


@operation(
    blueprint,
    Operation(
        "getEvent",
        "GET",
        "/v1/plants/<plant>/events/<sequence>",
        "Read one event",
        "One event with its leaf hash and the free text kept beside it. Roles: engineer, integrator, "
        "auditor.",
        {200: document_reply("event-item", "The event.")},
        errors=("not-permitted",),
    ),
)
def get_event(call: Call, plant: str, sequence: int) -> Response:
    """One event."""
    return answers.json_answer(event_item(log.get_event(call.context, plant, sequence)))


@operation(
    blueprint,
    Operation(
        "getEventDocument",
        "GET",
        "/v1/plants/<plant>/events/<sequence>/document",
        "Read the document that an event names",
        "A large document is kept beside the log; its event holds `document_sha256`, `bytes` and "
        "`media_type`. The answer is the exact bytes, to be hashed and compared. 404 when the event carries "
        "its document itself. Roles: engineer, integrator, auditor.",
        {200: Reply("The exact bytes.", {JSON: None})},
        errors=("not-permitted",),
    ),
)
def get_event_document(call: Call, plant: str, sequence: int) -> Response:
    """The exact bytes of a document beside the log."""
    media_type, body = log.get_event_document(call.context, plant, sequence)
    return Response(body, mimetype=media_type)


@operation(
    blueprint,
    Operation(
        "getEventReceipt",
        "GET",
        "/v1/plants/<plant>/events/<sequence>/receipt",
        "Read an event's receipt",
        "A C2SP tlog-proof that is verified offline with the log's key alone: the event's exact bytes "
        "(base64, behind `extra`), its index, its proof of inclusion, and a signed checkpoint, the newest "
        "one or that of `size`. Keep it with the papers of the act. Roles: engineer, integrator, auditor; a "
        "token scoped to lines for their events alone.",
        {200: Reply("The receipt.", {TEXT: {"type": "string"}}, headers=("Content-Disposition",))},
        query=SizeQuery,
        formats=(TEXT,),
        errors=("not-permitted",),
    ),
)
def get_event_receipt(call: Call, plant: str, sequence: int) -> Response:
    """A receipt that is verified offline."""
    name, body = proofs.get_receipt(call.context, plant, sequence, call.query.get("size"))
    response = answers.text_answer(body)
    response.headers["Content-Disposition"] = f'attachment; filename="{name}.tlog-proof"'
    return response
