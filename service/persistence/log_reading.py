"""Reading one log: its head, its events with their exact bytes, and the words kept beside them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, Select, select

from service.canonical import parse_canonical
from service.domain.events import Event
from service.domain.ports import EventFilter, StoredEvent
from service.persistence import filters
from service.persistence.tables import documents, events, logs, texts

_STORED = (events.c.sequence, events.c.body, events.c.leaf_hash)


@dataclass(frozen=True)
class Head:
    """A log's row: where it ends. plant: as first spelt, None for the service's log."""

    log: int
    log_id: str
    plant: str | None
    next_sequence: int
    last_recorded_at: str | None


def head_query(plant: str | None, *more: Any) -> Select[Any]:
    """The query for a log's head: a plant's, or the service's own. more: further columns."""
    wanted = logs.c.kind == "service" if plant is None else logs.c.plant_key == plant.casefold()
    return select(
        logs.c.log, logs.c.log_id, logs.c.plant, logs.c.next_sequence, logs.c.last_recorded_at, *more
    ).where(wanted)


class StoredLog:
    """One log within one transaction. Implements `ports.LogReader`."""

    def __init__(self, connection: Connection, head: Head) -> None:
        """connection: in a transaction that sees one state. head: as that transaction reads it."""
        self.connection = connection
        self.head = head

    @property
    def log(self) -> int:
        """The log's number in the tables."""
        return self.head.log

    @property
    def log_id(self) -> str:
        """The log's random id, which each of its leaves carries."""
        return self.head.log_id

    @property
    def size(self) -> int:
        """Number of events; the next sequence."""
        return self.head.next_sequence

    def event(self, sequence: int) -> StoredEvent | None:
        """The event at this place, or None."""
        if not 0 <= sequence < self.size:
            return None
        return self._first(events.c.sequence == sequence)

    def event_by_client_id(self, client_event_id: str) -> StoredEvent | None:
        """The event that a caller gave this id, or None."""
        return self._first(events.c.client_event_id == client_event_id)

    def events(self, wanted: EventFilter, start: int, limit: int) -> Sequence[StoredEvent]:
        """At most `limit` events from sequence `start` on that the filter lets through, in order."""
        first, end = filters.event_range(self.connection, self.log, wanted, max(start, 0), self.size)
        if limit < 1 or first >= end:
            return []
        rows = self.connection.execute(
            select(*_STORED)
            .where(*filters.event_conditions(self.log, wanted, first, end))
            .order_by(events.c.sequence)
            .limit(limit)
        ).all()
        return self._with_texts(rows)

    def document(self, sha256: str) -> tuple[str, bytes] | None:
        """Media type and exact bytes of a document kept beside this log, by digest (hex), or None."""
        row = self.connection.execute(
            select(documents.c.media_type, documents.c.bytes).where(
                documents.c.log == self.log, documents.c.sha256 == sha256
            )
        ).one_or_none()
        return None if row is None else (row.media_type, bytes(row.bytes))

    def subject_events(self, subject: str, before: int | None = None) -> Sequence[Event]:
        """All events of one subject with sequence < before (all when None), in order."""
        query = select(*_STORED).where(events.c.log == self.log, events.c.subject == subject.casefold())
        if before is not None:
            query = query.where(events.c.sequence < before)
        rows = self.connection.execute(query.order_by(events.c.sequence))
        return [_event(row) for row in rows]

    def _first(self, condition: Any) -> StoredEvent | None:
        rows = self.connection.execute(select(*_STORED).where(events.c.log == self.log, condition)).all()
        return next(iter(self._with_texts(rows)), None)

    def _with_texts(self, rows: Sequence[Row[*tuple[Any, ...]]]) -> list[StoredEvent]:
        if not rows:
            return []
        words: dict[int, dict[str, str]] = {}
        for sequence, field, content in self.connection.execute(
            select(texts.c.sequence, texts.c.field, texts.c.text)
            .where(
                texts.c.log == self.log,
                texts.c.sequence.in_([row.sequence for row in rows]),
                texts.c.text.is_not(None),
            )
            .order_by(texts.c.sequence, texts.c.field)
        ):
            words.setdefault(sequence, {})[field] = content.decode("utf-8")
        return [
            StoredEvent(_event(row), row.body, row.leaf_hash.hex(), words.get(row.sequence, {}))
            for row in rows
        ]


def _event(row: Row[*tuple[Any, ...]]) -> Event:
    return Event.from_document(parse_canonical(row.body), row.leaf_hash.hex())
