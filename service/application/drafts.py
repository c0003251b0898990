"""From an act's document to an event without a place, and from an event to the answer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from service.application.context import Context
from service.domain.events import FREE_TEXT_FIELDS, Event, NewEvent
from service.domain.instants import parse_instant
from service.domain.ports import PlantReader
from service.errors import DuplicateKey, Finding, FutureTime, InvalidDocument

# Site clocks run ahead a little; more than this is a mistake.
AHEAD: Final = timedelta(minutes=5)
ENVELOPE: Final = ("occurred_at", "performed_by", "client_event_id", "corrects")


@dataclass(frozen=True)
class Performer:
    """Who did the act on site: principal id, and whether it is a person or a system."""

    id: str
    kind: str


def occurred(context: Context, document: Mapping[str, Any]) -> datetime:
    """When the act happened, in UTC. Errors: FutureTime, InvalidDocument."""
    moment = parse_instant(document["occurred_at"])
    if moment > context.now + AHEAD:
        raise FutureTime(
            "occurred_at lies more than five minutes ahead of the service's clock.",
            errors=[
                Finding(
                    "body",
                    "not-in-the-future",
                    "the act has not happened yet by the service's clock",
                    pointer="/occurred_at",
                    accepted=f"at most {(context.now + AHEAD).isoformat()}",
                )
            ],
        )
    return moment


def performer_of(context: Context, document: Mapping[str, Any]) -> Performer:
    """Who performed the act: the caller, or the person that the document names.

    A named performer must be a person known to the service. Errors: InvalidDocument.
    """
    named = document.get("performed_by")
    if named is None or named == context.principal.id:
        return Performer(context.principal.id, context.principal.kind)
    with context.store.read_service() as service:
        row = service.principal(named)
    if row is None or row.kind != "person":
        raise InvalidDocument(
            "performed_by must name a person known to the service.",
            errors=[
                Finding(
                    "body",
                    "known-person",
                    "no person has this id; a system performs nothing on site",
                    pointer="/performed_by",
                    accepted="the id of a registered person",
                )
            ],
        )
    return Performer(row.id, row.kind)


def unused_client_event(context: Context, reader: PlantReader, document: Mapping[str, Any]) -> None:
    """A client's own event id is unique for ever.

    Errors: DuplicateKey, naming the event that has it where the caller may see that event.
    """
    identifier = document.get("client_event_id")
    stored = None if identifier is None else reader.event_by_client_id(identifier)
    if stored is None:
        return
    visible = context.principal.sees_line(reader.plant, stored.event.line)
    raise DuplicateKey(
        "This client_event_id names an event already.",
        errors=[
            Finding("body", "unique", "used before", "/client_event_id", accepted="an id not used before")
        ],
        sequence=stored.event.sequence if visible else None,
    )


def draft(
    context: Context,
    type: str,
    subject: str,
    line: str | None,
    document: Mapping[str, Any],
    performer: Performer | None = None,
    **server_fields: Any,
) -> NewEvent:
    """The event that records this act. Free text is taken apart; server_fields are added to data."""
    hidden = (*ENVELOPE, *FREE_TEXT_FIELDS)
    data = {name: value for name, value in document.items() if name not in hidden}
    data.update(server_fields)
    return NewEvent(
        type=type,
        subject=subject,
        line=line,
        occurred_at=document["occurred_at"],
        actor=context.principal.id,
        performed_by=performer.id if performer else context.principal.id,
        role=context.principal.role,
        data=data,
        texts={name: document[name] for name in FREE_TEXT_FIELDS if name in document},
        corrects=document.get("corrects"),
        client_event_id=document.get("client_event_id"),
        request_id=context.request_id,
    )


def consequence(
    context: Context, type: str, subject: str, line: str | None, occurred_at: str, data: Mapping[str, Any]
) -> NewEvent:
    """An event that the service writes because of an act; its actor is whose act caused it."""
    return NewEvent(
        type=type,
        subject=subject,
        line=line,
        occurred_at=occurred_at,
        actor=context.principal.id,
        performed_by=context.principal.id,
        role=context.principal.role,
        data=data,
        request_id=context.request_id,
    )


def receipt(
    context: Context,
    event: Event,
    consequences: Sequence[Event] = (),
    *,
    state: str | None = None,
    flags: Sequence[str] = (),
) -> dict[str, Any]:
    """The answer to an act: what was recorded, and what followed from it."""
    return {
        "event": event.as_document(),
        "leaf_hash": event.leaf_hash,
        "state": state,
        "flags": list(flags),
        "consequences": [caused.as_document() for caused in consequences],
        "dry_run": context.dry_run,
    }
