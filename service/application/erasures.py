"""Erasing a person's name or words: an act of its own, in the log for ever, that takes nothing from it.

The leaf of an event holds salted digests of its free texts, and an opaque id for each person. What is
erased stands beside the log; every receipt and proof stays valid.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from service.application.access import principal_document, whole_service
from service.application.context import (
    Answer,
    Context,
    answered,
    line_in_scope,
    nothing_there,
    plant_in_scope,
    recall,
    require,
)
from service.application.drafts import consequence, receipt
from service.domain.events import FREE_TEXT_FIELDS
from service.domain.instants import format_instant
from service.domain.ports import StoredEvent
from service.errors import Conflict, Finding, InvalidDocument


def erase_words(context: Context, plant: str, sequence: int, document: Mapping[str, Any]) -> Answer:
    """Erase free texts of one event: the named fields, or all of them.

    Writes `text-erased` under the event's own subject and line.

    Errors: NotFound, InvalidDocument for a field that the event never had, Conflict where nothing is left
    to erase, StoreBusy when the words are erased but a reader keeps the database's journal in use.
    """
    require(context, "erase")
    plant_in_scope(context, plant)
    with context.store.write(plant) as writer:
        stored = writer.event(sequence)
        if stored is None:
            raise nothing_there()
        line_in_scope(context, plant, stored.event.line)
        answer = recall(context, writer)
        if answer is None:
            fields = to_be_erased(stored, document.get("fields"))
            data = {"sequence": sequence, "fields": fields, "why": document["why"]}
            now = format_instant(context.now)
            event = writer.append(
                consequence(context, "text-erased", stored.event.subject, stored.event.line, now, data)
            )
            writer.erase_words(sequence, stored.event.id, fields)
            answer = answered(context, writer, receipt(context, event))
    if not context.dry_run:
        context.store.forget_traces()
    return answer


def to_be_erased(stored: StoredEvent, named: Sequence[str] | None) -> list[str]:
    """The fields to erase: those named, or every one that still has its words.

    Errors: InvalidDocument, Conflict.
    """
    had = [field for field in FREE_TEXT_FIELDS if _is_digest(stored.event.data.get(field))]
    left = [field for field in had if field in stored.texts]
    strangers = [
        Finding("body", "known-field", "the event has no such text", f"/fields/{place}", accepted=had)
        for place, field in enumerate(named or ())
        if field not in had
    ]
    if strangers:
        raise InvalidDocument("The event has no such text.", errors=strangers)
    chosen = left if named is None else [field for field in had if field in named]
    gone = [field for field in chosen if field not in left]
    if gone or not chosen:
        raise Conflict(
            "The words were erased before." if had else "The event has no words of its own.",
            erased=[field for field in had if field not in left],
            left=left,
        )
    return chosen


def _is_digest(value: Any) -> bool:
    return isinstance(value, Mapping) and value.keys() == {"sha256"}


def erase_name(context: Context, identifier: str) -> Answer:
    """Erase the display name of a principal. Writes `name-erased` in the service's log.

    Errors: NotFound, Conflict where there is no name, StoreBusy as `erase_words`.
    """
    whole_service(context, "erase")
    with context.store.write_service() as service:
        row = service.principal(identifier)
        if row is None:
            raise nothing_there()
        answer = recall(context, service)
        if answer is None:
            if row.display_name is None:
                raise Conflict("This principal has no name, or it was erased before.")
            now = format_instant(context.now)
            service.append(
                consequence(
                    context, "name-erased", "service/principals", None, now, {"principal": identifier}
                )
            )
            service.erase_name(identifier)
            answer = answered(context, service, principal_document(replace(row, display_name=None)))
    if not context.dry_run:
        context.store.forget_traces()
    return answer
