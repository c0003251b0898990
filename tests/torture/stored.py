"""Reading the store by plain SQL, once the service stands still."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, inspect, text

from service.config import Settings
from service.errors import ServiceError
from service.persistence.rebuild import rebuild
from service.persistence.store import SqlStore, open_store
from service.persistence.verify import verify_logs
from tests.torture.history import SERVICE
from tests.torture.truth import StoredLog, Truth


def read_truth(settings: Settings, witness_folders: Iterable[Path] = ()) -> Truth:
    """The store as it stands, with what a rebuild of its projections and its own check find wrong."""
    store = open_store(settings)
    try:
        with store.engine.connect() as connection, connection.begin():
            truth = _tables(connection)
        truth.differences = _differences(store)
    finally:
        store.close()
    for folder in witness_folders:
        for file in sorted(folder.glob("*.checkpoint")):
            truth.witnesses[f"{folder.parent.name}:{file.stem}"] = file.read_text("utf-8")
    return truth


def _tables(connection: Connection) -> Truth:
    tables = set(inspect(connection).get_table_names())
    truth = Truth()
    for log in connection.execute(text("SELECT * FROM logs ORDER BY log")).mappings().all():
        number = {"log": log["log"]}
        rows = connection.execute(
            text("SELECT sequence, body, leaf_hash FROM events WHERE log = :log ORDER BY sequence"), number
        )
        stored = StoredLog(
            log["log_id"],
            log["next_sequence"],
            log["last_recorded_at"],
            [(row.sequence, bytes(row.body), bytes(row.leaf_hash)) for row in rows],
            log.get("origin"),
            log.get("fault"),
        )
        if "checkpoints" in tables:
            stored.signed = True
            found = connection.execute(
                text("SELECT size, root, note FROM checkpoints WHERE log = :log ORDER BY size"), number
            )
            stored.checkpoints = [(row.size, bytes(row.root), _text(row.note)) for row in found]
        if "tree_hashes" in tables:
            found = connection.execute(
                text("SELECT level, position, hash FROM tree_hashes WHERE log = :log"), number
            )
            stored.tiles = {(row.level, row.position): bytes(row.hash) for row in found}
        words = connection.execute(
            text("SELECT sequence, salt, text FROM texts WHERE log = :log AND field = 'note'"), number
        )
        for row in words:
            erased = row.text is None and row.salt is None
            stored.notes[row.sequence] = None if erased else bytes(row.text or b"").decode("utf-8")
        truth.logs[log["plant_key"] or SERVICE] = stored
    for scope, answer in connection.execute(text("SELECT scope, answer FROM idempotency_keys")):
        truth.kept[scope] = json.loads(answer)
    for identifier, name in connection.execute(text("SELECT id, display_name FROM principals")):
        truth.names[identifier] = name
    return truth


def _text(note: Any) -> str:
    return note if isinstance(note, str) else bytes(note).decode("utf-8")


def _differences(store: SqlStore) -> list[str]:
    found = []
    try:
        found += [f"projection: {difference}" for difference in rebuild(store, write=False)]
    except ServiceError as error:
        found.append(f"rebuild: {error.detail} {dict(error.facts)}")
    try:
        verify_logs(store)
    except ServiceError as error:
        found.append(f"verify: {error.detail} {dict(error.facts)}")
    return found
