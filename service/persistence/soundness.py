"""Examination: whether tables, log, tree, checkpoints and witness agree, and closing what does not.

In brief, at each start: the log's row, last event, tree and newest checkpoint belong together, the last
thousand entries have the hashes that are stored for them, and the last checkpoint that this machine
acknowledged is of a beginning of the log. In full, by command: everything is computed again from the
stored bytes. A log in which something disagrees takes no more writes; it goes on being read, marked.
"""

from __future__ import annotations

from contextlib import suppress
from typing import Final

from sqlalchemy import bindparam, select

from service.domain.ports import LogFault, StoredCheckpoint
from service.errors import LogCorrupt, StoreBusy
from service.ledger.hashing import leaf_hash
from service.ledger.tree import root
from service.ledger.verifier import Checkpoint
from service.persistence.faults import translated
from service.persistence.identifiers import comparable
from service.persistence.log_reading import StoredLog
from service.persistence.schema import is_current
from service.persistence.sealing import fault_of
from service.persistence.store import SqlStore
from service.persistence.tables import checkpoints, events
from service.persistence.tree_checks import (
    check_extent,
    check_note,
    is_former,
    listed_keys,
    opened,
    unvouched,
)
from service.persistence.verify import plants_of, verify_one

TAIL: Final = 1_000  # entries at the end whose bytes a brief examination hashes again

_TAIL: Final = (
    select(events.c.sequence, events.c.body, events.c.leaf_hash, events.c.recorded_at)
    .where(
        events.c.log == bindparam("log"),
        events.c.sequence >= bindparam("start"),
        events.c.sequence < bindparam("end"),
    )
    .order_by(events.c.sequence)
)
_FIRST_FROM: Final = (
    select(checkpoints.c.size, checkpoints.c.root, checkpoints.c.note)
    .where(
        checkpoints.c.log == bindparam("log"),
        checkpoints.c.size >= bindparam("low"),
        checkpoints.c.size < bindparam("end"),
    )
    .order_by(checkpoints.c.size)
    .limit(1)
)


def examine(store: SqlStore, *, full: bool) -> list[tuple[str | None, LogFault]]:
    """Examines every log, closes those with a fault to writes, and after a full one opens those without.

    Args:
        full: compute everything again from the bytes; else in brief, as at each start

    Returns:
        each log with a fault: its plant (None for the service's own) and the fault; also a fault that
        was found before, which a brief examination cannot lift. Nothing for a store that has not
        been migrated: it cannot be written either.

    Raises:
        StoreBusy: the database cannot be reached
    """
    with translated(), store.engine.connect() as connection, connection.begin():
        if not is_current(connection):
            return []
    found = []
    for plant in plants_of(store):
        fault = _examined(store, plant, full=full)
        if fault is not None:
            found.append((plant, fault))
    return found


def examine_before_writing(store: SqlStore) -> None:
    """Has every log examined in brief before this process writes: now, or once the database is there."""
    store.first_examination = lambda: examine(store, full=False)
    with suppress(StoreBusy):
        store.examine_first()


def _examined(store: SqlStore, plant: str | None, *, full: bool) -> LogFault | None:
    known: LogFault | None = None
    try:
        known = _examine_in_brief(store, plant)
        if full:
            verify_one(store, plant)
    except LogCorrupt as error:
        fault = fault_of(error, comparable(store.clock()))
        store.close_to_writes(plant, fault)
        return known or fault
    if full and known is not None:
        store.open_to_writes(plant, known)
        return None
    return known


def _examine_in_brief(store: SqlStore, plant: str | None) -> LogFault | None:
    """The fault that the log's row states, if what can be looked at quickly shows none.

    Raises:
        LogCorrupt: facts `position` and `reason`
    """
    with translated(), store.readers.connect() as connection:
        with connection.begin():
            log_id = store.head(connection, plant).log_id
        # The witness first: it is never ahead of what the transaction after it sees.
        note = store.witness.read(log_id)
        with connection.begin():
            head = store.whole_head(connection, plant)
            log = StoredLog(connection, head)
            keys = listed_keys(connection)
            check_extent(connection, head)
            newest = log.checkpoint()
            if newest is not None:
                checkpoint = check_note(newest, keys)
                if checkpoint.origin != log.origin:
                    raise LogCorrupt(
                        "The newest checkpoint names another log.", position=newest.size, reason="other-log"
                    )
                _check_stored_tree(log, newest)
            _check_tail(log)
            if note is not None:
                _check_witness(log, newest, opened(note, keys))
    if newest is not None:
        store.witness.advance(log_id, newest.size, newest.note)
    return head.fault


def _check_stored_tree(log: StoredLog, newest: StoredCheckpoint) -> None:
    """The tree of the stored hashes has the newest checkpoint's root; else the first place that it lost."""
    if root(log, newest.size) != newest.root:
        raise LogCorrupt(
            "The stored tree is not that of the newest checkpoint.",
            position=_first_unvouched(log, newest.size),
            reason="altered",
        )


def _check_tail(log: StoredLog) -> None:
    start = max(0, log.size - TAIL)
    rows = log.connection.execute(_TAIL, {"log": log.log, "start": start, "end": log.size}).all()
    for place, row in enumerate(rows, start):
        if row.sequence != place:
            raise LogCorrupt("The log has a gap.", position=place, reason="position")
        if leaf_hash(bytes(row.body)) != bytes(row.leaf_hash):
            raise LogCorrupt("An entry's bytes differ from their hash.", position=place, reason="leaf-hash")
    last = rows[-1].recorded_at if rows else None
    if last != log.head.last_recorded_at:
        raise LogCorrupt("The log does not end where its head says.", position=log.size, reason="head")


def _check_witness(log: StoredLog, newest: StoredCheckpoint | None, witness: Checkpoint) -> None:
    """The last checkpoint acknowledged here is of a beginning of the log."""
    size = 0 if newest is None else newest.size
    if witness.origin != log.origin:
        if not is_former(witness.origin, log.origin):
            raise LogCorrupt(
                "The witness is of another log.", position=min(witness.size, size), reason="other-log"
            )
        if witness.size > size:
            return  # what it vouches for was declared lost, under the log's new origin
    if witness.size > size:
        raise LogCorrupt("The log ends before its last witness.", position=size, reason="cut-off")
    if root(log, witness.size) != witness.root:
        raise LogCorrupt(
            "The log is another one than its last witness saw.",
            position=_first_unvouched(log, witness.size),
            reason="forked",
        )


def _first_unvouched(log: StoredLog, size: int) -> int:
    def first_from(low: int, end: int) -> StoredCheckpoint | None:
        row = log.connection.execute(_FIRST_FROM, {"log": log.log, "low": low, "end": end}).one_or_none()
        return None if row is None else StoredCheckpoint(row.size, bytes(row.root), bytes(row.note))

    return unvouched(lambda each: root(log, each), first_from, size)
