"""Engines: how each database is opened so that what was acknowledged is never lost.

SQLite library versions from 3.7.0 to 3.51.2 can lose committed rows in WAL mode when two
connections write and checkpoint at the same instant (fixed in 3.51.3, and in 3.50.7 and 3.44.6 for
their series). On a fixed library the journal is WAL with synchronous=FULL; on any other it is the
rollback journal with synchronous=EXTRA. Both are set and read back on every connection.

On PostgreSQL every wait has a bound: for a connection, for a lock, for a statement, and for a
transaction whose process stands still, so that a machine that vanishes holds up the others for
seconds only. A thread holds one connection at a time; `connections` says how many a process may open.
"""

from __future__ import annotations

import sqlite3
from types import ModuleType
from typing import Any, Final

from sqlalchemy import Connection, Engine, create_engine, event, make_url

from service.config import Settings
from service.errors import ConfigurationError

LEAST_SQLITE: Final = (3, 38, 0)  # partial indexes, WITHOUT ROWID, errors by name
_FULL, _EXTRA = 2, 3  # PRAGMA synchronous
WRITE: Final = "service_write"  # execution options of a connection
PLAIN: Final = "service_plain"
_SPARE_CONNECTIONS: Final = 4
_PAGE_BYTES: Final = 8_192
_LEAST_IDLE_MS: Final = 5_000
_REPLICA_CONNECT_S: Final = 2  # libpq takes no less
_KEEPALIVE: Final = {"keepalives": 1, "keepalives_idle": 30, "keepalives_interval": 10, "keepalives_count": 3}


def wal_is_safe(version: tuple[int, ...]) -> bool:
    """Whether this SQLite library keeps every committed row in WAL mode."""
    if version >= (3, 51, 3):
        return True
    return (3, 50, 7) <= version < (3, 51) or (3, 44, 6) <= version < (3, 45)


def choose_sqlite() -> ModuleType:
    """The SQLite driver to use: the packaged library where it is importable and fixed, else Python's own."""
    try:
        from pysqlite3 import dbapi2 as packaged
    except ImportError:
        return sqlite3
    return packaged if wal_is_safe(packaged.sqlite_version_info) else sqlite3


def connections(settings: Settings) -> int:
    """The most connections that one process opens to its database: one a thread, and four to spare.

    A replica gets as many again of its own.
    """
    return settings.threads + _SPARE_CONNECTIONS


def open_engine(settings: Settings, *, sqlite_module: ModuleType | None = None) -> Engine:
    """The engine for the settings' database; nothing is connected yet.

    sqlite_module: another SQLite driver than the one chosen.

    Raises:
        ConfigurationError: the SQLite library is too old to be used at all.
    """
    if settings.uses_sqlite:
        return _sqlite(settings, sqlite_module or choose_sqlite(), _pool(settings))
    connect_s = max(2, int(settings.write_lock_timeout_s))
    return _postgresql(settings, settings.database_url, connect_s, {"isolation_level": "READ COMMITTED"})


def open_replica(settings: Settings) -> Engine | None:
    """The engine of the read-only copy, or None where the settings name none; nothing is connected yet.

    Each of its transactions sees one state and may write nothing. A copy that does not answer is given
    up after two seconds: there is the database itself to ask.
    """
    if settings.replica_database_url is None:
        return None
    options = {"isolation_level": "REPEATABLE READ", "execution_options": {"postgresql_readonly": True}}
    return _postgresql(settings, settings.replica_database_url, _REPLICA_CONNECT_S, options)


def _pool(settings: Settings) -> dict[str, Any]:
    return {
        "pool_size": connections(settings),
        "max_overflow": 0,
        "pool_timeout": settings.write_lock_timeout_s,
    }


def _sqlite(settings: Settings, module: ModuleType, pool: dict[str, Any]) -> Engine:
    version: tuple[int, ...] = module.sqlite_version_info
    if version < LEAST_SQLITE:
        raise ConfigurationError(
            f"The SQLite library {module.sqlite_version} is too old.",
            given=module.sqlite_version,
            accepted="3.38.0 or newer",
        )
    safe = wal_is_safe(version)
    journal, synchronous = ("wal", _FULL) if safe else ("delete", _EXTRA)
    engine = create_engine(
        settings.database_url,
        module=module,
        hide_parameters=True,  # an error's text goes into the log, and words must not
        connect_args={"timeout": settings.write_lock_timeout_s, "check_same_thread": False},
        **pool,
    )

    @event.listens_for(engine, "connect")
    def prepare(connection: Any, _record: Any) -> None:
        # Transactions are begun by the listener below and by nothing else.
        connection.isolation_level = None
        cursor = connection.cursor()
        try:
            # Of a new file only, which an older one keeps: a row of the log is over a kilobyte, and with
            # pages of 4 KiB each would have a page of its own for its end.
            cursor.execute(f"PRAGMA page_size = {_PAGE_BYTES}").fetchall()
            for name, value, expected in (
                ("journal_mode", journal, journal),
                ("synchronous", synchronous, synchronous),
                ("recursive_triggers", "ON", 1),
                ("foreign_keys", "ON", 1),
                ("trusted_schema", "OFF", 0),
                ("cell_size_check", "ON", 1),
                ("secure_delete", "ON", 1),  # what is erased is overwritten in the file
            ):
                cursor.execute(f"PRAGMA {name} = {value}").fetchall()
                found = cursor.execute(f"PRAGMA {name}").fetchone()[0]
                if found != expected:
                    raise ConfigurationError(
                        f"SQLite did not take {name} = {value}.", given=str(found), accepted=str(expected)
                    )
        finally:
            cursor.close()

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        options = connection.get_execution_options()
        if not options.get(PLAIN):
            connection.exec_driver_sql("BEGIN IMMEDIATE" if options.get(WRITE) else "BEGIN")

    return engine


def _postgresql(settings: Settings, url: str, connect_s: int, options: dict[str, Any]) -> Engine:
    """connect_s: longest wait for a connection, for each address of the URL [s]. options: the engine's."""
    wait_ms = int(settings.write_lock_timeout_s * 1000)
    stop_ms = settings.request_timeout_s * 1000
    idle_ms = min(stop_ms, max(wait_ms, _LEAST_IDLE_MS))
    bounds = {"connect_timeout": connect_s, "tcp_user_timeout": stop_ms, **_KEEPALIVE}
    stated = make_url(url).query  # what the operator's URL states stands
    engine = create_engine(
        url,
        hide_parameters=True,
        pool_pre_ping=True,
        connect_args={name: value for name, value in bounds.items() if name not in stated},
        **options,
        **_pool(settings),
    )

    @event.listens_for(engine, "connect")
    def prepare(connection: Any, _record: Any) -> None:
        # Bounds for whatever happens: a lock that is never let go, a statement that hangs, a
        # transaction whose process stands still. A commit is on disk before it is acknowledged.
        with connection.cursor() as cursor:
            for name, value in (
                ("lock_timeout", str(wait_ms)),
                ("statement_timeout", str(stop_ms)),
                ("idle_in_transaction_session_timeout", str(idle_ms)),
                ("client_encoding", "UTF8"),
            ):
                cursor.execute("SELECT set_config(%s, %s, false)", (name, value))
            cursor.execute("SHOW synchronous_commit")
            if cursor.fetchone()[0] == "off":
                cursor.execute("SELECT set_config('synchronous_commit', 'on', false)")
        connection.commit()

    return engine
