"""Reading one log: its head, its events with their exact bytes, and the words kept beside them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import orjson
from sqlalchemy import ColumnElement, Connection, Row, Select, bindparam, func, select

from service.canonical import parse_canonical
from service.domain.events import Event
from service.domain.ports import EventFilter, KeptText, LogFault, StoredCheckpoint, StoredEvent
from service.errors import LogCorrupt
from service.ledger.hashing import HASH_BYTES
from service.persistence import filters
from service.persistence.tables import checkpoints, documents, events, logs, texts, tree_hashes

_STORED = (events.c.sequence, events.c.body, events.c.leaf_hash)


@dataclass(frozen=True)
class Head:
    """A log's row: where it ends. plant: as first spelt, None for the service's log.

    frontier, frontier_size: right edge of the tree over the first frontier_size leaves, None before
    the first write by a release that signs. fault: why the log is closed to writes, None while open.
    """

    log: int
    log_id: str
    plant: str | None
    next_sequence: int
    last_recorded_at: str | None
    origin: str
    frontier: bytes | None
    frontier_size: int | None
    fault: LogFault | None

    @classmethod
    def of(cls, row: Row[Any], log_origin: str) -> Head:
        """The head that a row of `head_row` states. log_origin: first part of a new log's origin."""
        origin = row.origin or origin_of(log_origin, row.log_id)
        return cls(
            row.log,
            row.log_id,
            row.plant,
            row.next_sequence,
            row.last_recorded_at,
            origin,
            row.frontier,
            row.frontier_size,
            fault_from_text(row.fault),
        )


def origin_of(log_origin: str, log_id: str) -> str:
    """The name under which a new log signs its checkpoints."""
    return f"{log_origin}/{log_id}"


def fault_text(fault: LogFault) -> str:
    """A fault as it is stored."""
    return orjson.dumps(
        {"position": fault.position, "reason": fault.reason, "found_at": fault.found_at}
    ).decode("ascii")


def fault_from_text(text: str | None) -> LogFault | None:
    """The fault that a stored text states, or None."""
    return None if text is None else LogFault(**orjson.loads(text))


def _of_log(plant_key: str | None) -> ColumnElement[bool]:
    return logs.c.kind == "service" if plant_key is None else logs.c.plant_key == bindparam(plant_key)


def _ends() -> tuple[ColumnElement[Any], ...]:
    """Where the log's events and its newest checkpoint are: for a comparison with its row."""
    last = select(events.c.sequence).where(events.c.log == logs.c.log).order_by(events.c.sequence.desc())
    newest = [
        select(column).where(checkpoints.c.log == logs.c.log).order_by(checkpoints.c.size.desc())
        for column in (checkpoints.c.size, checkpoints.c.root)
    ]
    return (
        func.coalesce(last.limit(1).scalar_subquery(), -1).label("last"),
        newest[0].limit(1).scalar_subquery().label("signed_size"),
        newest[1].limit(1).scalar_subquery().label("signed_root"),
    )


# Made once: making a statement anew costs more than running it.
_HEAD: Final = (
    logs.c.log,
    logs.c.log_id,
    logs.c.plant,
    logs.c.next_sequence,
    logs.c.last_recorded_at,
    logs.c.origin,
    logs.c.frontier,
    logs.c.frontier_size,
    logs.c.fault,
)
_KEYS: Final = (None, "plant_key")
_HEADS: Final = {key: select(*_HEAD).where(_of_log(key)) for key in _KEYS}
_WHOLE: Final = {key: select(*_HEAD, *_ends()).where(_of_log(key)) for key in _KEYS}
_LOCK: Final = {key: select(logs.c.log).where(_of_log(key)).with_for_update() for key in _KEYS}
EVERY_END: Final = select(logs.c.log, logs.c.next_sequence, *_ends())


def head_row(connection: Connection, plant: str | None) -> Row[Any] | None:
    """The row of a log: a plant's, or the service's own for None."""
    return _one(connection, _HEADS, plant)


def whole_head_row(connection: Connection, plant: str | None) -> Row[Any] | None:
    """As `head_row`, with `last`, `signed_size` and `signed_root`: where events and checkpoints end."""
    return _one(connection, _WHOLE, plant)


def lock_head(connection: Connection, plant: str | None) -> None:
    """Locks the row of a log until the end of the transaction, on PostgreSQL."""
    _one(connection, _LOCK, plant)


def _one(connection: Connection, of: Mapping[str | None, Select[Any]], plant: str | None) -> Row[Any] | None:
    if plant is None:
        return connection.execute(of[None]).one_or_none()
    return connection.execute(of["plant_key"], {"plant_key": plant.casefold()}).one_or_none()


_SPAN: Final = (
    events.c.log == bindparam("log"),
    events.c.sequence >= bindparam("start"),
    events.c.sequence < bindparam("end"),
)
_EVENTS: Final = select(*_STORED).where(events.c.log == bindparam("log"))
_BY_SEQUENCE: Final = _EVENTS.where(events.c.sequence == bindparam("sequence"))
_BY_CLIENT_ID: Final = _EVENTS.where(events.c.client_event_id == bindparam("client_event_id"))
_OF_SUBJECT: Final = _EVENTS.where(events.c.subject == bindparam("subject")).order_by(events.c.sequence)
_OF_SUBJECT_BEFORE: Final = _OF_SUBJECT.where(events.c.sequence < bindparam("before"))
_LEAVES: Final = select(events.c.sequence, events.c.leaf_hash).where(*_SPAN).order_by(events.c.sequence)
_BODIES: Final = select(events.c.sequence, events.c.body).where(*_SPAN).order_by(events.c.sequence)
_TILES: Final = (
    select(tree_hashes.c.position, tree_hashes.c.hash)
    .where(
        tree_hashes.c.log == bindparam("log"),
        tree_hashes.c.level == bindparam("level"),
        tree_hashes.c.position >= bindparam("start"),
        tree_hashes.c.position < bindparam("end"),
    )
    .order_by(tree_hashes.c.position)
)
_DOCUMENT: Final = select(documents.c.media_type, documents.c.bytes).where(
    documents.c.log == bindparam("log"), documents.c.sha256 == bindparam("sha256")
)
_TEXTS: Final = (
    select(texts.c.sequence, texts.c.field, texts.c.text)
    .where(
        texts.c.log == bindparam("log"),
        texts.c.sequence.in_(bindparam("sequences", expanding=True)),
        texts.c.text.is_not(None),
    )
    .order_by(texts.c.sequence, texts.c.field)
)


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

    @property
    def origin(self) -> str:
        """The name under which the log signs its checkpoints."""
        return self.head.origin

    @property
    def fault(self) -> LogFault | None:
        """Why the log is closed to writes, or None while it is open."""
        return self.head.fault

    def checkpoint(self, size: int | None = None) -> StoredCheckpoint | None:
        """The newest stored checkpoint, or the one stored for exactly this size; None when there is none."""
        query = select(checkpoints.c.size, checkpoints.c.root, checkpoints.c.note).where(
            checkpoints.c.log == self.log
        )
        if size is not None:
            query = query.where(checkpoints.c.size == size)
        row = self.connection.execute(query.order_by(checkpoints.c.size.desc()).limit(1)).one_or_none()
        return None if row is None else StoredCheckpoint(row.size, bytes(row.root), bytes(row.note))

    def checkpoint_covering(self, size: int) -> StoredCheckpoint | None:
        """The stored checkpoint of least size that covers this many events; None when none does yet."""
        row = self.connection.execute(
            select(checkpoints.c.size, checkpoints.c.root, checkpoints.c.note)
            .where(checkpoints.c.log == self.log, checkpoints.c.size >= size)
            .order_by(checkpoints.c.size)
            .limit(1)
        ).one_or_none()
        return None if row is None else StoredCheckpoint(row.size, bytes(row.root), bytes(row.note))

    def hashes(self, level: int, start: int, end: int) -> Sequence[bytes]:
        """Hashes [start, end) of the full subtrees of 256**level leaves, as they are stored.

        Raises:
            LogCorrupt: one is missing; facts `position` (the first leaf below it) and `reason`
        """
        span = {"log": self.log, "start": start, "end": end}
        if level == 0:
            rows = self.connection.execute(_LEAVES, span).all()
        else:
            rows = self.connection.execute(_TILES, {**span, "level": level}).all()
        _refuse_gaps([row[0] for row in rows], start, end, 256**level)
        hashes = [bytes(row[1]) for row in rows]
        for place, each in enumerate(hashes, start):
            if len(each) != HASH_BYTES:
                raise LogCorrupt("A stored hash is none.", position=place * 256**level, reason="leaf-hash")
        return hashes

    def bodies(self, start: int, end: int) -> Sequence[bytes]:
        """Exact stored bytes of the events [start, end), in order.

        Raises:
            LogCorrupt: one is missing; facts `position` and `reason`
        """
        rows = self.connection.execute(_BODIES, {"log": self.log, "start": start, "end": end}).all()
        _refuse_gaps([row.sequence for row in rows], start, end, 1)
        return [bytes(row.body) for row in rows]

    def kept_texts(self, start: int, end: int) -> Sequence[KeptText]:
        """Words not erased of the events [start, end), by sequence and field."""
        rows = self.connection.execute(
            select(texts.c.sequence, texts.c.field, texts.c.salt, texts.c.text)
            .where(
                texts.c.log == self.log,
                texts.c.sequence >= start,
                texts.c.sequence < end,
                texts.c.text.is_not(None),
            )
            .order_by(texts.c.sequence, texts.c.field)
        )
        return [
            KeptText(row.sequence, row.field, bytes(row.salt), bytes(row.text).decode("utf-8"))
            for row in rows
        ]

    def event(self, sequence: int) -> StoredEvent | None:
        """The event at this place, or None."""
        if not 0 <= sequence < self.size:
            return None
        return self._first(_BY_SEQUENCE, {"sequence": sequence})

    def event_by_client_id(self, client_event_id: str) -> StoredEvent | None:
        """The event that a caller gave this id, or None."""
        return self._first(_BY_CLIENT_ID, {"client_event_id": client_event_id})

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
        row = self.connection.execute(_DOCUMENT, {"log": self.log, "sha256": sha256}).one_or_none()
        return None if row is None else (row.media_type, bytes(row.bytes))

    def subject_events(self, subject: str, before: int | None = None) -> Sequence[Event]:
        """All events of one subject with sequence < before (all when None), in order."""
        wanted: dict[str, Any] = {"log": self.log, "subject": subject.casefold()}
        if before is None:
            rows = self.connection.execute(_OF_SUBJECT, wanted)
        else:
            rows = self.connection.execute(_OF_SUBJECT_BEFORE, {**wanted, "before": before})
        return [_event(row) for row in rows]

    def _first(self, query: Select[Any], wanted: Mapping[str, Any]) -> StoredEvent | None:
        rows = self.connection.execute(query, {"log": self.log, **wanted}).all()
        return next(iter(self._with_texts(rows)), None)

    def _with_texts(self, rows: Sequence[Row[*tuple[Any, ...]]]) -> list[StoredEvent]:
        if not rows:
            return []
        words: dict[int, dict[str, str]] = {}
        wanted = {"log": self.log, "sequences": [row.sequence for row in rows]}
        for sequence, field, content in self.connection.execute(_TEXTS, wanted):
            words.setdefault(sequence, {})[field] = content.decode("utf-8")
        return [
            StoredEvent(_event(row), row.body, row.leaf_hash.hex(), words.get(row.sequence, {}))
            for row in rows
        ]


def _event(row: Row[*tuple[Any, ...]]) -> Event:
    return Event.from_document(parse_canonical(row.body), row.leaf_hash.hex())


def _refuse_gaps(found: Sequence[int], start: int, end: int, leaves: int) -> None:
    """Refuses rows that are not exactly [start, end). leaves: of the log below each."""
    if len(found) == max(end - start, 0):  # keys are unique, so that the count tells
        return
    there = set(found)
    missing = next(place for place in range(start, end) if place not in there)
    raise LogCorrupt("The log has a gap.", position=missing * leaves, reason="position")
