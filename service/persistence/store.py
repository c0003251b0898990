"""The store: transactions over both engines, each one consistent and none longer than it must be.

A reader sees one state (a snapshot) and never waits for a writer. A writer is alone with its log:
on SQLite behind the write lock and BEGIN IMMEDIATE, on PostgreSQL by the locked row of its log.
"""

from __future__ import annotations

import os
import secrets
import weakref
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext, suppress
from dataclasses import replace
from datetime import UTC, datetime
from types import ModuleType
from typing import Any, Final, TypeVar

from sqlalchemy import Connection, Engine, Row, or_, select

from service.config import Settings
from service.domain.access import Principal
from service.domain.ports import EventFilter, LogFault, StoredCheckpoint
from service.errors import LogCorrupt, LogSealed, NotFound, ServiceError, StoreBusy, StoreFull, WriteConflict
from service.ledger.notes import signed_note
from service.persistence import engines, filters
from service.persistence.access import StoredService, find_caller
from service.persistence.committing import committed
from service.persistence.erasure import empty_journal
from service.persistence.faults import translated
from service.persistence.folding import FoldTable, release_folds
from service.persistence.growing import GrowingTree
from service.persistence.identifiers import Clock, RandomBytes, comparable
from service.persistence.key_files import KeyFile, Signing
from service.persistence.locks import WriteLock
from service.persistence.log_reading import (
    EVERY_END,
    Head,
    StoredLog,
    head_row,
    lock_head,
    whole_head_row,
)
from service.persistence.plant_reading import StoredPlant
from service.persistence.replica import Replica
from service.persistence.schema import is_current
from service.persistence.sealing import (
    Seals,
    fault_of,
    refuse_another_end,
    refuse_another_last,
    refuse_another_past,
    sealed,
)
from service.persistence.tables import events, logs
from service.persistence.witness import Witness
from service.persistence.writing import PlantWriting, ServiceWriting

LOCK_FILE: Final = "write.lock"
STILL_IN_JOURNAL: Final = (
    "The words are erased, but the database's journal could not be emptied and may still hold them. "
    "Repeat the request with the same idempotency key."
)
CHUNK: Final = 1_000
PART: Final = 50_000  # events that one transaction takes into a tree which is behind

Made = TypeVar("Made")


def now() -> datetime:
    """The present, UTC."""
    return datetime.now(UTC)


def open_store(
    settings: Settings, *, clock: Clock = now, random_bytes: RandomBytes = secrets.token_bytes
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
        clock: Clock = now,
        random_bytes: RandomBytes = secrets.token_bytes,
        sqlite_module: ModuleType | None = None,
    ) -> None:
        """folds: how events change facts. sqlite_module: another SQLite driver than the one chosen."""
        self.engine = engines.open_engine(settings, sqlite_module=sqlite_module)
        self.folds = folds
        self.key_file = KeyFile(settings.signing_key_file)
        self.signing = Signing(settings.log_origin, self.key_file)
        self.witness = Witness(settings.witness_directory)
        self.clock = clock
        self._random_bytes = random_bytes
        self._lock: WriteLock | None = None
        self.readers: Engine = self.engine
        if settings.uses_sqlite:
            self._lock = WriteLock(settings.data_directory / LOCK_FILE, settings.write_lock_timeout_s)
            self._plain: Engine = self.engine.execution_options(**{engines.PLAIN: True})
            self._writers: Engine = self.engine.execution_options(**{engines.WRITE: True})
        else:
            self.readers = self.engine.execution_options(
                isolation_level="REPEATABLE READ", postgresql_readonly=True
            )
            self._plain = self.engine.execution_options(isolation_level="AUTOCOMMIT")
            self._writers = self.engine
        self._seals = Seals(self._plain)
        self.first_examination: Callable[[], object] | None = None
        copy = engines.open_replica(settings)
        self._replica = None if copy is None else Replica(copy, self.readers, self._plant)
        # A connection must not be used on both sides of a fork, nor a lock be waited for whose
        # holder exists in the parent alone.
        itself = weakref.ref(self)
        os.register_at_fork(after_in_child=lambda: _forked(itself()))

    def close(self) -> None:
        """Closes every connection that is not in use; the store may be used again afterwards."""
        self.engine.dispose()
        if self._replica is not None:
            self._replica.close()

    def forget_traces(self) -> None:
        """After an erasure: empties the database's own journal of the pages before it.

        Raises:
            StoreFull, StoreBusy: the words are erased, but the journal could not be emptied: no room, a
                reader that keeps it in use, or the lock not had in time
        """
        try:
            with translated(), self.alone():
                emptied = empty_journal(self._plain)
        except ServiceError as error:
            # The erasure itself is committed: "nothing was written" would be false.
            raise (StoreFull if isinstance(error, StoreFull) else StoreBusy)(STILL_IN_JOURNAL) from error
        if not emptied:
            raise StoreBusy(STILL_IN_JOURNAL)

    def forget_connections(self) -> None:
        """In a child process just forked: leaves the parent's connections and locks to the parent."""
        self.engine.dispose(close=False)
        if self._replica is not None:
            self._replica.forget()
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
        with translated(), self.readers.connect() as connection, connection.begin():
            yield self._plant(connection, plant)

    @contextmanager
    def pull(self, plant: str, start: int = 0) -> Iterator[StoredPlant]:
        """One plant in one state, of the replica where there is one that holds `start`.

        Raises:
            NotFound: there is no such plant
            WriteConflict: the replica failed while it was read; the next read is of the database itself
        """
        if self._replica is not None:
            with translated(), self._replica.read(plant, start) as reader:
                if reader is not None:
                    yield reader
                    return
        with self.read(plant) as reader:
            yield reader

    @contextmanager
    def read_service(self) -> Iterator[StoredService]:
        """The service log, principals and tokens in one state."""
        with translated(), self.readers.connect() as connection, connection.begin():
            yield StoredService(connection, self.head(connection, None))

    @contextmanager
    def write(self, plant: str) -> Iterator[PlantWriting]:
        """One plant for one writer: committed at the end, undone by an error or `rollback_only`.

        Raises:
            NotFound: there is no such plant
            StoreBusy: the lock could not be had in time
            StoreFull: there is no room
            LogSealed: the log is closed to writes, or is found to disagree with itself now
        """
        self.examine_first()
        with translated(), self.alone(), self._writers.connect() as connection:
            writer = self._opened(
                connection,
                plant,
                lambda head: PlantWriting(
                    connection, head, self.folds, self.signing, self.clock, self._random_bytes
                ),
            )
            with committed(connection, writer) as ended:
                yield writer
        self._acknowledge(writer.log_id, ended.checkpoint)

    @contextmanager
    def write_service(self) -> Iterator[ServiceWriting]:
        """The service log for one writer; as `write`."""
        self.examine_first()
        with translated(), self.alone(), self._writers.connect() as connection:
            writer = self._opened(
                connection,
                None,
                lambda head: ServiceWriting(connection, head, self.signing, self.clock, self._random_bytes),
            )
            with committed(connection, writer) as ended:
                yield writer
        self._acknowledge(writer.log_id, ended.checkpoint)

    def catch_up(self) -> None:
        """Takes into each log's tree what a release that does not sign has appended, a part at a time.

        A log that is closed to writes, or disagrees with itself now, stays as it is.
        """
        with translated(), self._plain.connect() as connection:
            behind = select(logs.c.plant).where(
                or_(logs.c.frontier_size.is_(None), logs.c.frontier_size < logs.c.next_sequence)
            )
            plants = connection.execute(behind.order_by(logs.c.log)).scalars().all()
        for plant in plants:
            with suppress(LogSealed):
                while self._take_in_part(plant):
                    pass

    def _take_in_part(self, plant: str | None) -> bool:
        """Takes some more events of a log into its tree, under a checkpoint; whether there are more."""
        with translated(), self.alone(), self._writers.connect() as connection:
            tree = self._opened(
                connection,
                plant,
                lambda head: GrowingTree(
                    connection,
                    head,
                    self.signing.signers,
                    min(head.next_sequence, (head.frontier_size or 0) + PART),
                ),
            )
            checkpoint = tree.finish(comparable(self.clock()))
            connection.commit()
        self._acknowledge(tree.log_id, checkpoint)
        return tree.size < tree.log_size

    def stream(
        self, plant: str, wanted: EventFilter, start: int, end: int | None
    ) -> Iterator[list[tuple[int, bytes]]]:
        """Chunks of at most 1,000 (sequence, exact bytes): events [start, end) that the filter lets through.

        `end` None is the end of the log as it is now. Each chunk is read in a transaction of its own,
        so that a slow reader of the stream holds nothing up, and of the replica where that holds them all.
        Raises NotFound at once, not at the first chunk.
        """
        with self.read(plant) if end is None else self.pull(plant, end - 1) as reader:
            bound = reader.size if end is None else min(end, reader.size)
            start, bound = filters.event_range(reader.connection, reader.log, wanted, max(start, 0), bound)
        # What the bounds say need not be asked again with each chunk.
        return self._chunks(plant, replace(wanted, since=None, until=None), start, bound)

    def _chunks(
        self, plant: str, wanted: EventFilter, start: int, end: int
    ) -> Iterator[list[tuple[int, bytes]]]:
        while start < end:
            try:
                chunk = self._chunk(plant, wanted, start, end)
            except WriteConflict:  # the replica failed, and is left alone for a while
                chunk = self._chunk(plant, wanted, start, end)
            if chunk:
                yield chunk
            if len(chunk) < CHUNK:
                return
            start = chunk[-1][0] + 1

    def _chunk(self, plant: str, wanted: EventFilter, start: int, end: int) -> list[tuple[int, bytes]]:
        with self.pull(plant, end - 1) as reader:
            rows = reader.connection.execute(
                select(events.c.sequence, events.c.body)
                .where(*filters.event_conditions(reader.log, wanted, start, end))
                .order_by(events.c.sequence)
                .limit(CHUNK)
            ).all()
            return [(row[0], row[1]) for row in rows]

    def signed(self, text: str, name: str) -> bytes:
        """A note: the text, signed under this key name by every key that signs now.

        Raises:
            ConfigurationError: the keys cannot be read, or one is not listed
        """
        with translated(), self._plain.connect() as connection:
            return signed_note(text, name, self.signing.signers(connection))

    def fault(self, plant: str) -> LogFault | None:
        """Why a plant's log is closed to writes, as known two seconds ago at most; None while open."""
        with translated():
            return self._seals.ask(plant)

    # --- health -----------------------------------------------------------------------------------------
    def ready(self) -> None:
        """Whether the store can serve.

        Raises:
            StoreBusy: the database cannot be reached, or has not been migrated to this version
            LogCorrupt: a log's head and its last event disagree
        """
        with translated(), self.readers.connect() as connection, connection.begin():
            if not is_current(connection):
                raise StoreBusy("The database has not been migrated to this version of the service.")
            for row in connection.execute(EVERY_END):
                refuse_another_last(row.next_sequence, row.last)

    # --- parts of a transaction ----------------------------------------------------------------------
    def alone(self) -> AbstractContextManager[None]:
        """Holds the write lock of an SQLite store; nothing on PostgreSQL, where the log's row is locked."""
        return nullcontext() if self._lock is None else self._lock.held()

    def _plant(self, connection: Connection, plant: str) -> StoredPlant:
        return StoredPlant(connection, self.head(connection, plant))

    def head(self, connection: Connection, plant: str | None) -> Head:
        """A log's head as the transaction sees it; plant None for the service's log. Raises NotFound."""
        return self._head(plant, head_row(connection, plant))

    def _head(self, plant: str | None, row: Row[Any] | None) -> Head:
        if row is None:
            raise _no_log(plant)
        head = Head.of(row, self.signing.log_origin)
        fault = self._seals.known(plant, head.fault)
        return head if fault is head.fault else replace(head, fault=fault)

    def locked_head(self, connection: Connection, plant: str | None) -> Head:
        """A log's head, read in a write transaction and locked until its end.

        plant: None for the service's log.

        Raises:
            NotFound: there is no such plant
            LogCorrupt: row, last event, tree and newest checkpoint of the log disagree
        """
        if self._lock is None:
            # The row lock first and the rest in a statement after it: one that began before the
            # lock was had would still see the log as it was then.
            lock_head(connection, plant)
        return self.whole_head(connection, plant, self._seals.given)

    def whole_head(
        self,
        connection: Connection,
        plant: str | None,
        given: Callable[[str], StoredCheckpoint | None] = lambda log_id: None,
    ) -> Head:
        """A log's head, if it, the last event, the tree and the newest checkpoint belong together.

        connection: in a transaction that sees one state. given: the last checkpoint given of a log.

        Raises:
            NotFound: there is no such plant
            LogCorrupt: they do not; facts `position` and `reason`
        """
        row: Any = whole_head_row(connection, plant)
        head = self._head(plant, row)
        before = given(head.log_id)
        refuse_another_end(head, row.last, row.signed_size, row.signed_root, before)
        if before is not None and before.size < row.signed_size:  # another process wrote meanwhile
            refuse_another_past(before, StoredLog(connection, head).checkpoint(before.size))
        return head

    def examine_first(self) -> None:
        """Does the examination that this process owes before it writes, if it still owes one.

        Raises:
            StoreBusy: the database cannot be reached
        """
        if self.first_examination is not None:
            self.first_examination()
            self.first_examination = None

    # --- closing a log -------------------------------------------------------------------------------------
    def close_to_writes(self, plant: str | None, fault: LogFault) -> None:
        """Closes a log to writes; where its row cannot be reached, to this process alone."""
        try:
            with translated(), self.alone(), self._writers.connect() as connection:
                self._seals.seal(connection, plant, fault)
        except ServiceError:
            self._seals.remember(plant, fault)

    def open_to_writes(self, plant: str | None, fault: LogFault) -> None:
        """Opens a log again that was examined in full; `fault` is what its row stated before.

        Raises:
            StoreBusy: its row cannot be reached
        """
        with translated(), self.alone(), self._writers.connect() as connection:
            self._seals.open(connection, plant, fault)

    def _opened(self, connection: Connection, plant: str | None, made: Callable[[Head], Made]) -> Made:
        """The writer of a log that is open to writes. connection: under the write lock.

        Raises:
            NotFound: there is no such plant
            LogSealed: the log is closed to writes, or was found now to disagree with itself
        """
        try:
            head = self.locked_head(connection, plant)
            if head.fault is None:
                return made(head)
        except LogCorrupt as error:
            connection.rollback()
            fault = fault_of(error, comparable(self.clock()))
            self._seals.seal(connection, plant, fault)
            raise sealed(plant, fault) from error
        raise sealed(plant, head.fault)

    def _acknowledge(self, log_id: str, checkpoint: StoredCheckpoint | None) -> None:
        """Takes note of what was committed, before anybody is told of it."""
        if checkpoint is not None:
            self._seals.gave(log_id, checkpoint)
            self.witness.advance(log_id, checkpoint.size, checkpoint.note)


def _forked(store: SqlStore | None) -> None:
    if store is not None:
        store.forget_connections()


def _no_log(plant: str | None) -> Exception:
    if plant is None:
        return StoreBusy("The database has not been migrated to this version of the service.")
    return NotFound("There is no such plant.", plant=plant)
