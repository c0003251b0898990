"""The store: transactions over both engines, each one consistent and none longer than it must be.

A reader sees one state (a snapshot) and never waits for a writer. A writer is alone with its log:
on SQLite behind the write lock and BEGIN IMMEDIATE, on PostgreSQL by the locked row of its log.
"""

from __future__ import annotations

import os
import secrets
import weakref
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import replace
from datetime import UTC, datetime
from types import ModuleType
from typing import Any, Final

from sqlalchemy import Connection, Engine, exc, func, select

from service.config import Settings
from service.domain.access import Principal
from service.domain.ports import EventFilter
from service.errors import LogCorrupt, NotFound, ServiceError, StoreBusy
from service.persistence import engines, filters
from service.persistence.access import StoredService, find_caller
from service.persistence.faults import meaning, translated
from service.persistence.folding import FoldTable, release_folds
from service.persistence.identifiers import Clock, RandomBytes
from service.persistence.locks import WriteLock
from service.persistence.log_reading import Head, head_query
from service.persistence.plant_reading import StoredPlant
from service.persistence.schema import is_current
from service.persistence.tables import events, logs
from service.persistence.writing import PlantWriting, ServiceWriting, Writing

LOCK_FILE: Final = "write.lock"
CHUNK: Final = 1_000
UNKNOWN_OUTCOME: Final = (
    "The connection was lost while committing, so that the outcome is not known here. "
    "Repeat the request with the same idempotency key to learn it."
)


def _now() -> datetime:
    return datetime.now(UTC)


def open_store(
    settings: Settings, *, clock: Clock = _now, random_bytes: RandomBytes = secrets.token_bytes
) -> SqlStore:
    """The store that the settings name; nothing is connected before it is used.

    clock: the present time, with offset. random_bytes: as many unpredictable bytes as asked for.
    """
    return SqlStore(settings, release_folds(), clock, random_bytes)


class SqlStore:
    """The store on SQLite or PostgreSQL. Implements `ports.Store`."""

    def __init__(
        self,
        settings: Settings,
        folds: FoldTable,
        clock: Clock = _now,
        random_bytes: RandomBytes = secrets.token_bytes,
        sqlite_module: ModuleType | None = None,
    ) -> None:
        """folds: how events change facts. sqlite_module: another SQLite driver than the one chosen."""
        self.engine = engines.open_engine(settings, sqlite_module=sqlite_module)
        self.folds = folds
        self._clock = clock
        self._random_bytes = random_bytes
        self._lock: WriteLock | None = None
        self._readers: Engine = self.engine
        if settings.uses_sqlite:
            self._lock = WriteLock(settings.data_directory / LOCK_FILE, settings.write_lock_timeout_s)
            self._plain: Engine = self.engine.execution_options(**{engines.PLAIN: True})
            self._writers: Engine = self.engine.execution_options(**{engines.WRITE: True})
        else:
            self._readers = self.engine.execution_options(
                isolation_level="REPEATABLE READ", postgresql_readonly=True
            )
            self._plain = self.engine.execution_options(isolation_level="AUTOCOMMIT")
            self._writers = self.engine
        # A connection must not be used on both sides of a fork, nor a lock be waited for whose
        # holder exists in the parent alone.
        itself = weakref.ref(self)
        os.register_at_fork(after_in_child=lambda: _forked(itself()))

    def close(self) -> None:
        """Closes every connection that is not in use; the store may be used again afterwards."""
        self.engine.dispose()

    def forget_connections(self) -> None:
        """In a child process just forked: leaves the parent's connections and locks to the parent."""
        self.engine.dispose(close=False)
        if self._lock is not None:
            self._lock.forget()

    # --- callers and plants ---------------------------------------------------------------------------
    def authenticate(self, token_hash: str, now: datetime) -> Principal | None:
        """The principal of a token that is neither expired nor revoked; looked up each time."""
        with translated(), self._plain.connect() as connection:
            return find_caller(connection, token_hash, now)

    def plants(self, after: str, limit: int, scope: frozenset[str] | None) -> list[str]:
        """Keys of plants in scope with folded key above `after`, ascending, as first spelt."""
        query = select(logs.c.plant).where(logs.c.kind == "plant", logs.c.plant_key > after)
        if scope is not None:
            query = query.where(logs.c.plant_key.in_(filters.folded(scope)))
        with translated(), self._plain.connect() as connection:
            rows = connection.execute(query.order_by(logs.c.plant_key).limit(limit)).scalars()
            return [plant for plant in rows if plant is not None]

    # --- transactions -----------------------------------------------------------------------------------
    @contextmanager
    def read(self, plant: str) -> Iterator[StoredPlant]:
        """One plant in one state. Raises NotFound when there is no such plant."""
        with translated(), self._readers.connect() as connection, connection.begin():
            yield StoredPlant(connection, self.head(connection, plant))

    @contextmanager
    def read_service(self) -> Iterator[StoredService]:
        """The service log, principals and tokens in one state."""
        with translated(), self._readers.connect() as connection, connection.begin():
            yield StoredService(connection, self.head(connection, None))

    @contextmanager
    def write(self, plant: str) -> Iterator[PlantWriting]:
        """One plant for one writer: committed at the end, undone by an error or `rollback_only`.

        Raises:
            NotFound: there is no such plant
            StoreBusy: the lock could not be had in time
            StoreFull: there is no room
            LogCorrupt: the log and its head disagree; nothing may be written
        """
        with translated(), self.alone(), self._writers.connect() as connection:
            head = self.locked_head(connection, plant)
            writer = PlantWriting(connection, head, self.folds, self._clock, self._random_bytes)
            with _ended(connection, writer):
                yield writer

    @contextmanager
    def write_service(self) -> Iterator[ServiceWriting]:
        """The service log for one writer; as `write`."""
        with translated(), self.alone(), self._writers.connect() as connection:
            head = self.locked_head(connection, None)
            writer = ServiceWriting(connection, head, self._clock, self._random_bytes)
            with _ended(connection, writer):
                yield writer

    def stream(
        self, plant: str, wanted: EventFilter, start: int, end: int | None
    ) -> Iterator[list[tuple[int, bytes]]]:
        """Chunks of at most 1,000 (sequence, exact bytes): events [start, end) that the filter lets through.

        `end` None is the end of the log as it is now. Each chunk is read in a transaction of its own,
        so that a slow reader of the stream holds nothing up. Raises NotFound at once, not at the
        first chunk.
        """
        with self.read(plant) as reader:
            bound = reader.size if end is None else min(end, reader.size)
            start, bound = filters.event_range(reader.connection, reader.log, wanted, max(start, 0), bound)
        # What the bounds say need not be asked again with each chunk.
        return self._chunks(plant, replace(wanted, since=None, until=None), start, bound)

    def _chunks(
        self, plant: str, wanted: EventFilter, start: int, end: int
    ) -> Iterator[list[tuple[int, bytes]]]:
        while start < end:
            with self.read(plant) as reader:
                rows = reader.connection.execute(
                    select(events.c.sequence, events.c.body)
                    .where(*filters.event_conditions(reader.log, wanted, start, end))
                    .order_by(events.c.sequence)
                    .limit(CHUNK)
                ).all()
            chunk = [(row.sequence, row.body) for row in rows]
            if chunk:
                yield chunk
            if len(chunk) < CHUNK:
                return
            start = chunk[-1][0] + 1

    # --- health -----------------------------------------------------------------------------------------
    def ready(self) -> None:
        """Whether the store can serve.

        Raises:
            StoreBusy: the database cannot be reached, or has not been migrated to this version
            LogCorrupt: a log's head and its last event disagree
        """
        with translated(), self._readers.connect() as connection, connection.begin():
            if not is_current(connection):
                raise StoreBusy("The database has not been migrated to this version of the service.")
            ends = select(logs.c.log, logs.c.next_sequence, _last_sequence().label("last"))
            for row in connection.execute(ends):
                if row.next_sequence != row.last + 1:
                    raise _head_corrupt(row.next_sequence)

    # --- parts of a transaction ----------------------------------------------------------------------
    def alone(self) -> AbstractContextManager[None]:
        """Holds the write lock of an SQLite store; nothing on PostgreSQL, where the log's row is locked."""
        return nullcontext() if self._lock is None else self._lock.held()

    @staticmethod
    def head(connection: Connection, plant: str | None) -> Head:
        """A log's head as the transaction sees it; plant None for the service's log. Raises NotFound."""
        row = connection.execute(head_query(plant)).one_or_none()
        if row is None:
            raise _no_log(plant)
        return Head(*row)

    def locked_head(self, connection: Connection, plant: str | None) -> Head:
        """A log's head, read in a write transaction and locked until its end.

        plant: None for the service's log.

        Raises:
            NotFound: there is no such plant
            LogCorrupt: the log and its head disagree
        """
        query = head_query(plant, _last_sequence().label("last"))
        if self._lock is None:
            # The row lock first and the rest in a statement after it: one that began before the
            # lock was had would still see the log as it was then.
            connection.execute(head_query(plant).with_for_update())
        row = connection.execute(query).one_or_none()
        if row is None:
            raise _no_log(plant)
        *head, last = row
        if row.next_sequence != last + 1:
            raise _head_corrupt(row.next_sequence)
        return Head(*head)


def _forked(store: SqlStore | None) -> None:
    if store is not None:
        store.forget_connections()


def _last_sequence() -> Any:
    return (
        select(func.coalesce(func.max(events.c.sequence), -1))
        .where(events.c.log == logs.c.log)
        .scalar_subquery()
    )


def _no_log(plant: str | None) -> Exception:
    if plant is None:
        return StoreBusy("The database has not been migrated to this version of the service.")
    return NotFound("There is no such plant.", plant=plant)


def _head_corrupt(position: int) -> LogCorrupt:
    return LogCorrupt("The log does not end where its head says.", position=position, reason="head")


@contextmanager
def _ended(connection: Connection, writer: Writing) -> Iterator[None]:
    """Commits at the end, or undoes everything: after an error, a spoilt append, or on request."""
    try:
        yield
        if writer.appender.spoilt:
            raise StoreBusy("An append failed half-way, so that all of it was undone. Try again.")
        if writer.undone:
            connection.rollback()
            return
        writer.appender.finish()
    except BaseException:
        connection.rollback()
        raise
    try:
        connection.commit()
    except exc.DBAPIError as error:
        fault = meaning(error)
        unknown = error.connection_invalidated or fault.code == ServiceError.code
        connection.rollback()
        raise (StoreBusy(UNKNOWN_OUTCOME) if unknown else fault) from error
