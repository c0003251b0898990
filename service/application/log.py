"""Reading the log: pages, streams of exact bytes, and single events."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from service.application.context import Context, Page, line_in_scope, nothing_there, plant_in_scope, require
from service.domain.ports import EventFilter, StoredEvent
from service.errors import Finding, InvalidParameter, LogCorrupt


def _wanted(context: Context, wanted: EventFilter) -> EventFilter:
    return replace(wanted, lines=context.principal.lines)


def _start(start: int, size: int) -> None:
    """A start beyond the end is a mistake of the caller's bookkeeping, never an empty page.

    `size` itself is the place of the next event and is accepted. Errors: InvalidParameter.
    """
    if start > size:
        raise InvalidParameter(
            "from lies beyond the end of the log.",
            errors=[
                Finding("query", "within-the-log", "not reached yet", name="from", accepted=f"0 to {size}")
            ],
        )


def list_events(context: Context, plant: str, wanted: EventFilter, start: int, limit: int) -> Page:
    """A page of events in order. following is the sequence after the last one given, or None at the end."""
    require(context, "read_log")
    plant_in_scope(context, plant)
    with context.store.read(plant) as reader:
        _start(start, reader.size)
        rows = reader.events(_wanted(context, wanted), start, limit + 1)
    following = rows[limit - 1].event.sequence + 1 if len(rows) > limit else None
    return Page(rows[:limit], following)


def stream_events(context: Context, plant: str, wanted: EventFilter, start: int) -> Iterator[bytes]:
    """Exact stored bytes, one event a line, up to the end of the log as it stood at the call."""
    require(context, "read_log")
    plant_in_scope(context, plant)
    with context.store.read(plant) as reader:
        size = reader.size
        _start(start, size)
    return _lines(context, plant, _wanted(context, wanted), start, size)


def _lines(context: Context, plant: str, wanted: EventFilter, start: int, size: int) -> Iterator[bytes]:
    for chunk in context.store.stream(plant, wanted, start, size):
        yield b"".join(body + b"\n" for _, body in chunk)


def get_event(context: Context, plant: str, sequence: int) -> StoredEvent:
    """One event with its exact bytes."""
    require(context, "read_log")
    plant_in_scope(context, plant)
    with context.store.read(plant) as reader:
        stored = reader.event(sequence)
    if stored is None:
        raise nothing_there()
    line_in_scope(context, plant, stored.event.line)
    return stored


def get_event_document(context: Context, plant: str, sequence: int) -> tuple[str, bytes]:
    """Media type and exact bytes of the document that an event names by its digest.

    A large document is kept beside the log: the leaf holds its SHA-256. Errors: NotFound when the event
    names none.
    """
    digest = get_event(context, plant, sequence).event.data.get("document_sha256")
    if digest is None:
        raise nothing_there()
    with context.store.read(plant) as reader:
        document = reader.document(digest)
    if document is None:
        raise LogCorrupt("The document that the event names is not in the store.", position=sequence)
    return document
