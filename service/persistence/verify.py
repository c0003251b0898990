"""Verifying: each log's stored bytes against their hashes, places and chains, without any projection."""

from __future__ import annotations

from collections.abc import Iterator

from sqlalchemy import select

from service.config import Settings
from service.errors import LogCorrupt
from service.ledger.chain import verify_log
from service.persistence.faults import translated
from service.persistence.log_reading import head_query
from service.persistence.store import CHUNK, SqlStore, open_store
from service.persistence.tables import events, logs


def verify_logs(source: Settings | SqlStore) -> list[tuple[str, int]]:
    """Checks every log as it stands at the call.

    Args:
        source: an open store, or the settings to open one by

    Returns:
        each log's plant (`service` for the service's own) with the number of events found good

    Raises:
        LogCorrupt: facts `plant` (None for the service's log), `position` and `reason`
    """
    if isinstance(source, SqlStore):
        return list(_verify(source))
    store = open_store(source)
    try:
        return list(_verify(store))
    finally:
        store.close()


def _verify(store: SqlStore) -> Iterator[tuple[str, int]]:
    with translated(), store.engine.connect() as connection, connection.begin():
        plants = connection.execute(select(logs.c.plant).order_by(logs.c.log)).scalars().all()
    for plant in plants:
        try:
            yield plant or "service", _verify_one(store, plant)
        except LogCorrupt as error:
            raise LogCorrupt(error.detail, **{**error.facts, "plant": plant}) from error


def _verify_one(store: SqlStore, plant: str | None) -> int:
    with translated(), store.engine.connect() as connection, connection.begin():
        head = connection.execute(head_query(plant)).one()
    return verify_log(_entries(store, head.log, head.next_sequence), head.next_sequence, head.log_id).size


def _entries(store: SqlStore, log: int, end: int) -> Iterator[tuple[int, bytes, bytes]]:
    """Entries before `end`, in chunks, each read in a short transaction of its own."""
    start = 0
    while start < end:
        with translated(), store.engine.connect() as connection, connection.begin():
            rows = connection.execute(
                select(events.c.sequence, events.c.body, events.c.leaf_hash)
                .where(events.c.log == log, events.c.sequence >= start, events.c.sequence < end)
                .order_by(events.c.sequence)
                .limit(CHUNK)
            ).all()
        if not rows:
            return
        yield from ((row.sequence, bytes(row.body), bytes(row.leaf_hash)) for row in rows)
        start = rows[-1].sequence + 1
