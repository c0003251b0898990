"""Rebuilding: every projection made again from the log's stored bytes, and compared row by row.

On the way the log itself is checked: dense places, hashes, each subject's chain, the tree and its
checkpoints, the columns beside the bytes, the documents and the words. The work is done in short
transactions without any lock; only the last few events and the comparison are done under the write
lock, so that the service goes on.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import (
    Column,
    Connection,
    Index,
    MetaData,
    PrimaryKeyConstraint,
    Table,
    delete,
    insert,
    select,
)

from service.config import Settings
from service.domain.events import Event
from service.errors import LogCorrupt, ServiceError
from service.ledger.chain import LogCheck
from service.persistence import engines
from service.persistence.appending import full_document
from service.persistence.entry_checks import ENTRIES, check_words, checked_document, stated, words_of
from service.persistence.faults import translated
from service.persistence.log_reading import Head, StoredLog
from service.persistence.projector import ProjectionTables, Projector
from service.persistence.store import CHUNK, SqlStore, open_store
from service.persistence.tables import PROJECTIONS, logs
from service.persistence.tree_checks import TreeCheck

_PREFIX: Final = "rebuilt_"


@dataclass(frozen=True)
class Difference:
    """One row of a projection that the log does not bear out.

    plant: key of the plant. table: the projection. key: its primary key within the plant.
    stored: the row as it is, None where it is missing. rebuilt: as the log gives it, None where
    there should be none.
    """

    plant: str
    table: str
    key: tuple[Any, ...]
    stored: Mapping[str, Any] | None
    rebuilt: Mapping[str, Any] | None


def rebuild(source: Settings | SqlStore, *, write: bool) -> list[Difference]:
    """Makes every projection of every plant again, and tells what differs.

    Args:
        source: an open store, or the settings to open one by
        write: replace what differs

    Returns:
        every difference found, also those then replaced; none for a healthy store

    Raises:
        LogCorrupt: the log itself disagrees; facts `plant` (None for the service's log), `position`
            and `reason`. Nothing is replaced in that log.
    """
    if isinstance(source, SqlStore):
        return _rebuild(source, write)
    store = open_store(source)
    try:
        return _rebuild(store, write)
    finally:
        store.close()


def _rebuild(store: SqlStore, write: bool) -> list[Difference]:
    with translated(), store.engine.connect() as connection, connection.begin():
        plants: Sequence[str | None] = (
            connection.execute(select(logs.c.plant).order_by(logs.c.log)).scalars().all()
        )
    differences: list[Difference] = []
    for plant in plants:
        try:
            with translated(), _Rebuilding.of(store, plant) as rebuilding:
                differences += rebuilding.run(write)
        except LogCorrupt as error:
            raise LogCorrupt(error.detail, **{**error.facts, "plant": plant}) from error
    return differences


class _Rebuilding:
    """One log's rebuild, in temporary tables of one connection."""

    def __init__(self, store: SqlStore, connection: Connection, plant: str | None, head: Head) -> None:
        self._store = store
        self._connection = connection
        self._plant = plant
        self._log = StoredLog(connection, head)
        self._check = LogCheck(head.log_id)
        self._tree = TreeCheck(head.log, keys=None)
        self._copies = {table.name: _copy(table, MetaData()) for table in PROJECTIONS}
        self._projector = (
            None
            if plant is None
            else Projector(connection, head.log, plant, store.folds, ProjectionTables(**self._copies))
        )

    @classmethod
    @contextmanager
    def of(cls, store: SqlStore, plant: str | None) -> Iterator[_Rebuilding]:
        """The rebuild of a plant's log, or of the service's for None."""
        with store.engine.connect() as connection:
            connection.detach()  # closed at the end, and its temporary tables with it
            with connection.begin():
                head = store.head(connection, plant)
                rebuilding = cls(store, connection, plant, head)
                for copy in rebuilding._copies.values():
                    copy.create(connection)
            yield rebuilding

    def run(self, write: bool) -> list[Difference]:
        """Goes through the log, compares and, where asked, replaces."""
        more = True
        while more:
            with self._connection.begin():
                more = self._take_chunk()
        with self._store.alone():
            self._connection.execution_options(**{engines.WRITE: True})
            with self._connection.begin():
                head = self._store.locked_head(self._connection, self._plant)
                while self._take_chunk():
                    pass
                summary = self._check.finish(head.next_sequence)
                if summary.last_recorded_at != head.last_recorded_at:
                    raise LogCorrupt(
                        "The log does not end where its head says.",
                        position=head.next_sequence,
                        reason="head",
                    )
                self._tree.finish(head)
                differences = [each for table in PROJECTIONS for each in self._differences(table)]
                if write:
                    self._replace({each.table for each in differences})
        return differences

    # --- the log -------------------------------------------------------------------------------------
    def _take_chunk(self) -> bool:
        """Takes in at most 1,000 more events; False when there are none."""
        start = self._check.size
        end = self._store.head(self._connection, self._plant).frontier_size or 0
        rows = self._connection.execute(
            ENTRIES, {"log": self._log.log, "start": start, "end": start + CHUNK}
        ).all()
        if not rows:
            return False
        words = words_of(self._connection, self._log.log, rows[0].sequence, rows[-1].sequence)
        for row in rows:
            document = self._check.accept(row.sequence, row.body, row.leaf_hash)
            event = stated(row, document)
            check_words(event, words.get(row.sequence, {}))
            beside = checked_document(self._connection, self._log.log, event)
            if self._projector is not None:
                self._project(self._projector, event, beside)
        self._tree.accept(self._connection, [bytes(row.leaf_hash) for row in rows], end)
        return True

    def _project(self, projector: Projector, event: Event, beside: bytes | None) -> None:
        try:
            plan = projector.plan(
                event,
                full_document(event.data, beside),
                lambda: self._log.subject_events(event.subject, event.sequence),
            )
        except (ServiceError, ValueError, KeyError, TypeError) as error:
            raise LogCorrupt(
                "An entry cannot follow from those before it.", position=event.sequence, reason="projection"
            ) from error
        projector.apply(plan)

    # --- the projections -------------------------------------------------------------------------------
    def _differences(self, table: Table) -> Iterator[Difference]:
        copy = self._copies[table.name]
        stored = self._rows_only_in(table, copy)
        rebuilt = self._rows_only_in(copy, table)
        for key in sorted(stored.keys() | rebuilt.keys()):
            yield Difference(str(self._plant), table.name, key, stored.get(key), rebuilt.get(key))

    def _rows_only_in(self, table: Table, other: Table) -> dict[tuple[Any, ...], Mapping[str, Any]]:
        mine = select(table).where(table.c.log == self._log.log)
        others = select(other).where(other.c.log == self._log.log)
        key_names = [column.name for column in table.primary_key if column.name != "log"]
        rows = self._connection.execute(mine.except_(others)).mappings()
        return {tuple(row[name] for name in key_names): dict(row) for row in rows}

    def _replace(self, names: set[str]) -> None:
        for table in PROJECTIONS:
            if table.name in names:
                copy = self._copies[table.name]
                self._connection.execute(delete(table).where(table.c.log == self._log.log))
                self._connection.execute(insert(table).from_select(list(table.c.keys()), select(copy)))


def _copy(table: Table, metadata: MetaData) -> Table:
    """A temporary table of the same columns, key and indexes."""
    copy = Table(
        _PREFIX + table.name,
        metadata,
        *(Column(column.name, column.type, nullable=column.nullable) for column in table.columns),
        PrimaryKeyConstraint(*(column.name for column in table.primary_key)),
        prefixes=["TEMPORARY"],
        sqlite_with_rowid=False,
    )
    for index in table.indexes:
        columns = (copy.c[column.name] for column in index.columns)
        Index(f"{_PREFIX}{index.name}", *columns, unique=index.unique, **index.dialect_kwargs)
    return copy
