"""The log: pages for people and programs, exact bytes for whoever keeps a copy."""

from __future__ import annotations

from typing import Any

from flask import Response

from service.application import log
from service.domain.ports import EventFilter, StoredEvent
from service.http import answers
from service.http.bodies import JSON, NDJSON
from service.http.documents import Document
from service.http.operations import Call, EdgeBlueprint, Operation, Reply, operation
from service.http.queries import EventPageQuery
from service.http.replies import document_reply, link

blueprint = EdgeBlueprint("events", __name__, description="The plant's append-only log.")


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
        "sequence to ask from (null at the end of the log). As NDJSON (Accept: application/x-ndjson): the "
        "exact bytes stored, "
        "one event a line, to the end of the log as it stood at the request; free text is not part of them. "
        "No event is ever skipped: sequences have no gap, and one that has been read does not change. "
        "Roles: engineer, integrator, auditor; a token scoped to lines sees their events alone.",
        {
            200: Reply(
                "Events in order.",
                {JSON: Document("page-events"), NDJSON: Document("event")},
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
        formats=(JSON, NDJSON),
        errors=("not-permitted",),
    ),
)
def list_events(call: Call, plant: str) -> Response:
    """Events in order, as a page or as a stream of exact bytes."""
    wanted, start = filter_of(call.query), call.query["start"]
    if call.media == NDJSON:
        return answers.stream_answer(log.stream_events(call.context, plant, wanted, start))
    page = log.list_events(call.context, plant, wanted, start, call.query["limit"])
    return events_page(page)


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
