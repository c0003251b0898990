"""The store on Python's own SQLite with the rollback journal: slower, and as safe."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from service.config import Settings
from service.persistence import engines
from service.persistence.folding import release_folds
from service.persistence.migrate import migrate
from service.persistence.rebuild import rebuild
from service.persistence.store import SqlStore
from tests.contract.acts import append, inspection, line_record, open_plant


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[SqlStore]:
    monkeypatch.setattr(engines, "choose_sqlite", lambda: sqlite3)
    monkeypatch.setattr(engines, "wal_is_safe", lambda version: False)
    settings = Settings.from_environment({"DATA_DIR": str(tmp_path / "data"), "WRITE_LOCK_TIMEOUT_S": "5"})
    migrate(settings)
    store = SqlStore(settings, release_folds())
    open_plant(store, "Works-1")
    with store.engine.connect() as connection:
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "delete"
    yield store
    store.close()


def test_threads_append_and_read_without_losing_an_event(store: SqlStore) -> None:
    places: list[int] = []
    faults: list[BaseException] = []

    def work() -> None:
        try:
            for _ in range(8):
                places.extend(append(store, "Works-1", inspection("H1", "A", in_place=True)))
                with store.read("Works-1") as reader:
                    assert reader.hanger_view("H1") is None
        except BaseException as error:
            faults.append(error)
            raise

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert faults == []
    assert sorted(places) == list(range(32))
    assert rebuild(store, write=False) == []


def test_replacement_is_refused_here_too(store: SqlStore) -> None:
    append(store, "Works-1", line_record("A"))
    with store.engine.connect() as connection:
        raw: Any = connection.connection.dbapi_connection
        with pytest.raises(sqlite3.IntegrityError, match="a row is added once"):
            raw.execute("INSERT OR REPLACE INTO events SELECT * FROM events WHERE log = 1")
