"""Verifying: each log's stored bytes against their hashes, places and chains, and all that rests on them.

Hashes are computed from the bytes, the tree from the hashes; every stored tile and checkpoint, the
columns by which entries are found, documents and words must agree. No projection is looked at.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from sqlalchemy import Connection, select

from service.config import Settings
from service.errors import LogCorrupt
from service.ledger.chain import LogCheck
from service.persistence.entry_checks import CHUNK, ENTRIES, check_words, checked_document, stated, words_of
from service.persistence.faults import translated
from service.persistence.log_reading import Head
from service.persistence.store import SqlStore, open_store
from service.persistence.tables import logs
from service.persistence.tree_checks import TreeCheck, check_extent, check_listed_keys, listed_keys


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
    for plant in plants_of(store):
        try:
            yield plant or "service", verify_one(store, plant)
        except LogCorrupt as error:
            raise LogCorrupt(error.detail, **{**error.facts, "plant": plant}) from error


def plants_of(store: SqlStore) -> list[str | None]:
    """Every plant that has a log; None stands for the service's own."""
    with translated(), store.engine.connect() as connection, connection.begin():
        return list(connection.execute(select(logs.c.plant).order_by(logs.c.log)).scalars())


def verify_one(store: SqlStore, plant: str | None) -> int:
    """Checks one log as it stands at the call; its number of events.

    Raises:
        LogCorrupt: facts `position` and `reason`
    """
    with translated(), store.readers.connect() as connection, connection.begin():
        head = store.head(connection, plant)
        keys = listed_keys(connection)
        check_extent(connection, head)
        if plant is None:
            check_listed_keys(connection, head.log)
    order, tree = LogCheck(head.log_id), TreeCheck(head.log, keys)
    while order.size < head.next_sequence:
        with translated(), store.engine.connect() as connection, connection.begin():
            if not _take_chunk(connection, head, order, tree):
                break
    summary = order.finish(head.next_sequence)
    if summary.last_recorded_at != head.last_recorded_at:
        raise LogCorrupt(
            "The log does not end where its head says.", position=head.next_sequence, reason="head"
        )
    tree.finish(head)
    with translated(), store.readers.connect() as connection, connection.begin():
        store.whole_head(connection, plant)
    return order.size


def _take_chunk(connection: Connection, head: Head, order: LogCheck, tree: TreeCheck) -> bool:
    """Checks the next entries, read in a short transaction of their own; False when there are none."""
    span = {"log": head.log, "start": order.size, "end": min(order.size + CHUNK, head.next_sequence)}
    rows: list[Any] = list(connection.execute(ENTRIES, span))
    if not rows:
        return False
    words = words_of(connection, head.log, rows[0].sequence, rows[-1].sequence)
    leaves = []
    for row in rows:
        document = order.accept(row.sequence, bytes(row.body), bytes(row.leaf_hash))
        leaves.append(bytes(row.leaf_hash))  # which was found to be that of the bytes
        event = stated(row, document)
        check_words(event, words.get(row.sequence, {}))
        checked_document(connection, head.log, event)
    tree.accept(connection, leaves, head.frontier_size or 0)
    return True
