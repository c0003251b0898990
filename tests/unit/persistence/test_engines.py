"""How SQLite is opened: which library versions may use WAL, and what each connection is made to do."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from service.config import Settings
from service.errors import ConfigurationError
from service.persistence import engines
from service.persistence.engines import choose_sqlite, open_engine, wal_is_safe
from service.persistence.folding import release_folds
from service.persistence.migrate import migrate
from service.persistence.store import SqlStore


# Fixed in 3.51.3, with backports 3.50.7 and 3.44.6; the fault came with WAL itself in 3.7.0.
@pytest.mark.parametrize(
    ("version", "safe"),
    [
        ((3, 7, 0), False),
        ((3, 40, 1), False),
        ((3, 44, 5), False),
        ((3, 44, 6), True),
        ((3, 44, 9), True),
        ((3, 45, 0), False),
        ((3, 50, 6), False),
        ((3, 50, 7), True),
        ((3, 51, 0), False),
        ((3, 51, 2), False),
        ((3, 51, 3), True),
        ((3, 52, 0), True),
        ((4, 0, 0), True),
    ],
)
def test_wal_is_used_on_fixed_libraries_only(version: tuple[int, ...], safe: bool) -> None:
    assert wal_is_safe(version) is safe


def settings_in(folder: Path) -> Settings:
    return Settings.from_environment({"DATA_DIR": str(folder)})


def pragmas(settings: Settings, module: Any) -> dict[str, Any]:
    settings.data_directory.mkdir(exist_ok=True)
    engine = open_engine(settings, sqlite_module=module)
    try:
        with engine.connect() as one, engine.connect() as two:
            found = [
                {
                    name: connection.exec_driver_sql(f"PRAGMA {name}").scalar()
                    for name in ("journal_mode", "synchronous", "recursive_triggers", "foreign_keys")
                }
                for connection in (one, two)
            ]
    finally:
        engine.dispose()
    assert found[0] == found[1]
    return found[0]


def disguised(module: Any, version: tuple[int, int, int], **changed: Any) -> Any:
    """The module under another version, as a fixed or an unfixed library would present itself."""
    names = {name: getattr(module, name) for name in dir(module) if not name.startswith("__")}
    text = ".".join(map(str, version))
    return SimpleNamespace(**{**names, "sqlite_version_info": version, "sqlite_version": text, **changed})


def test_a_fixed_library_gets_wal_and_full_synchronisation(tmp_path: Path) -> None:
    found = pragmas(settings_in(tmp_path / "data"), disguised(sqlite3, (3, 51, 3)))
    assert found == {"journal_mode": "wal", "synchronous": 2, "recursive_triggers": 1, "foreign_keys": 1}


def test_any_other_library_gets_the_rollback_journal_and_extra_synchronisation(tmp_path: Path) -> None:
    found = pragmas(settings_in(tmp_path / "data"), disguised(sqlite3, (3, 51, 2)))
    assert found == {"journal_mode": "delete", "synchronous": 3, "recursive_triggers": 1, "foreign_keys": 1}


def test_a_library_that_is_too_old_stops_the_start(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match="too old"):
        open_engine(settings_in(tmp_path), sqlite_module=disguised(sqlite3, (3, 37, 2)))


def test_a_database_that_does_not_take_its_settings_is_not_used(tmp_path: Path) -> None:
    class Stubborn(sqlite3.Cursor):
        def execute(self, statement: str, *given: Any) -> sqlite3.Cursor:
            return super().execute("PRAGMA synchronous = OFF" if "synchronous = " in statement else statement)

    class Connection(sqlite3.Connection):
        def cursor(self, *given: Any) -> Any:
            return super().cursor(Stubborn)

    def connect(*given: Any, **named: Any) -> sqlite3.Connection:
        return sqlite3.connect(*given, **named, factory=Connection)

    engine = open_engine(settings_in(tmp_path), sqlite_module=disguised(sqlite3, (3, 51, 3), connect=connect))
    with pytest.raises(ConfigurationError, match="synchronous"):
        engine.connect()
    engine.dispose()


def test_the_packaged_library_is_taken_where_it_is_fixed(monkeypatch: pytest.MonkeyPatch) -> None:
    packaged = pytest.importorskip("pysqlite3.dbapi2")
    assert wal_is_safe(packaged.sqlite_version_info)
    assert choose_sqlite() is packaged
    monkeypatch.setattr(packaged, "sqlite_version_info", (3, 46, 0))
    assert choose_sqlite() is sqlite3


def test_pythons_own_library_serves_where_no_other_is(monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "pysqlite3", None)
    assert choose_sqlite() is sqlite3


def test_a_write_begins_at_once_and_a_read_when_it_reads(tmp_path: Path) -> None:
    settings = settings_in(tmp_path / "data")
    migrate(settings)
    store = SqlStore(settings, release_folds())
    begun: list[str] = []
    from sqlalchemy import event

    def note(_connection: Any, _cursor: Any, statement: str, *_rest: Any) -> None:
        if statement.startswith("BEGIN"):
            begun.append(statement)

    event.listen(store.engine, "before_cursor_execute", note)
    with store.read_service():
        pass
    with store.write_service():
        pass
    assert store.authenticate("0" * 64, cast(Any, None)) is None
    store.close()
    assert begun == ["BEGIN", "BEGIN IMMEDIATE"]
    assert sqlite3.sqlite_version_info >= engines.LEAST_SQLITE
