"""What the log is measured beside: bare commits of the same bytes, and the eventsourcing package."""

from __future__ import annotations

import importlib.util
import uuid
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import orjson
import psycopg
from eventsourcing.application import Application
from eventsourcing.domain import Aggregate, event
from eventsourcing.persistence import StoredEvent
from sqlalchemy import make_url

from benchmarks.measure import Nonsense
from service.ledger.hashing import leaf_hash
from service.persistence.engines import choose_sqlite, wal_is_safe

FULL: Final = 2  # PRAGMA synchronous


class RawSqlite:
    """A table of places, bytes and hashes on SQLite, with the service's own journal and durability."""

    def __init__(self, file: Path) -> None:
        """file: made anew."""
        module = choose_sqlite()
        if not wal_is_safe(module.sqlite_version_info):
            raise Nonsense(f"SQLite {module.sqlite_version} is not used with WAL: nothing to compare")
        self.version = module.sqlite_version
        self._connection: Any = module.connect(str(file), isolation_level=None)
        for pragma in ("journal_mode = wal", "synchronous = full"):
            self._connection.execute(f"PRAGMA {pragma}").fetchall()
        self._connection.execute(
            "CREATE TABLE raw (log INTEGER NOT NULL, sequence INTEGER NOT NULL, body BLOB NOT NULL, "
            "leaf_hash BLOB NOT NULL, PRIMARY KEY (log, sequence)) WITHOUT ROWID"
        )
        self._next = 0

    def commit(self, transactions: int, bodies: Sequence[bytes]) -> int:
        """Inserts all the bodies in so many transactions."""
        each = len(bodies) // transactions
        for number in range(transactions):
            self._connection.execute("BEGIN IMMEDIATE")
            rows = self._rows(bodies[number * each : (number + 1) * each])
            self._connection.executemany("INSERT INTO raw VALUES (1, ?, ?, ?)", rows)
            self._connection.execute("COMMIT")
        return transactions * each

    def _rows(self, bodies: Sequence[bytes]) -> list[tuple[int, bytes, bytes]]:
        first, self._next = self._next, self._next + len(bodies)
        return [(first + place, body, leaf_hash(body)) for place, body in enumerate(bodies)]

    def close(self) -> None:
        """Closes the connection."""
        self._connection.close()


class RawPostgresql:
    """The same table on PostgreSQL; a commit is on disk before it is acknowledged."""

    def __init__(self, url: str) -> None:
        """url: of an empty database, in SQLAlchemy's form."""
        self._connection = psycopg.connect(conninfo(url))
        with self._connection.cursor() as cursor:
            durable = [cursor.execute(f"SHOW {name}").fetchone() for name in ("fsync", "synchronous_commit")]
            if durable != [("on",), ("on",)]:
                raise Nonsense(f"PostgreSQL does not keep what it acknowledges: {durable}")
            found = cursor.execute("SHOW server_version").fetchone()
            self.version = str(found[0]) if found else "unknown"
            cursor.execute(
                "CREATE TABLE raw (log integer NOT NULL, sequence bigint NOT NULL, body bytea NOT NULL, "
                "leaf_hash bytea NOT NULL, PRIMARY KEY (log, sequence))"
            )
        self._connection.commit()
        self._next = 0

    def commit(self, transactions: int, bodies: Sequence[bytes]) -> int:
        """Inserts all the bodies in so many transactions."""
        each = len(bodies) // transactions
        with self._connection.cursor() as cursor:
            for number in range(transactions):
                rows = self._rows(bodies[number * each : (number + 1) * each])
                statement = "INSERT INTO raw VALUES (1, %s, %s, %s)"
                if len(rows) == 1:
                    cursor.execute(statement, rows[0])
                else:
                    cursor.executemany(statement, rows)
                self._connection.commit()
        return transactions * each

    def _rows(self, bodies: Sequence[bytes]) -> list[tuple[int, bytes, bytes]]:
        first, self._next = self._next, self._next + len(bodies)
        return [(first + place, body, leaf_hash(body)) for place, body in enumerate(bodies)]

    def close(self) -> None:
        """Closes the connection."""
        self._connection.close()


class Readings(Aggregate):
    """A hanger as the package keeps one: a thing that changes by events."""

    @event("Registered")
    def __init__(self, mark: str) -> None:
        """mark: of the hanger."""
        self.mark = mark
        self.latest: dict[str, Any] = {}

    @event("ReadingTaken")
    def take(self, reading: dict[str, Any]) -> None:
        """Keeps the newest reading."""
        self.latest = reading


class Packaged:
    """The eventsourcing package: its application with aggregates, and its recorder with ready bytes."""

    def __init__(self, environ: dict[str, str]) -> None:
        """environ: the package's own variables."""
        self._application: Application[uuid.UUID] = Application(env=environ)
        self._hanger = Readings(mark="MS-10-01")
        self._application.save(self._hanger)
        self._subject = uuid.uuid4()
        self._version = 0

    @classmethod
    def on_sqlite(cls, file: Path) -> Packaged:
        """On an SQLite file, by the same library and with the same durability as the service."""
        import eventsourcing.sqlite

        eventsourcing.sqlite.sqlite3 = choose_sqlite()  # type: ignore[assignment]
        made = cls({"PERSISTENCE_MODULE": "eventsourcing.sqlite", "SQLITE_DBNAME": str(file)})
        datastore: Any = made._application.factory.datastore  # type: ignore[attr-defined]
        with datastore.transaction(commit=False) as cursor:
            for name, wanted in (("journal_mode", "wal"), ("synchronous", FULL)):
                cursor.execute(f"PRAGMA {name}")
                found = cursor.fetchone()[0]
                if found != wanted:
                    raise Nonsense(f"the eventsourcing package runs with {name} = {found}")
        return made

    @classmethod
    def on_postgresql(cls, url: str) -> Packaged:
        """On an empty database of PostgreSQL, by its database functions: the faster of its two ways.

        The other one never ends where a transaction is larger than the socket's buffer. url: in
        SQLAlchemy's form.
        """
        parts = make_url(url)
        query = parts.query.get("host", "")
        return cls(
            {
                "PERSISTENCE_MODULE": "eventsourcing.postgres",
                "POSTGRES_ENABLE_DB_FUNCTIONS": "yes",
                "POSTGRES_DBNAME": parts.database or "",
                "POSTGRES_HOST": parts.host or (query if isinstance(query, str) else query[0]),
                "POSTGRES_PORT": str(parts.port or 5432),
                "POSTGRES_USER": parts.username or "",
                "POSTGRES_PASSWORD": str(parts.password or "-"),
            }
        )

    def save(self, transactions: int, bodies: Sequence[bytes]) -> int:
        """Takes what the bodies state as events of an aggregate, and saves it in so many transactions."""
        each = len(bodies) // transactions
        for number in range(transactions):
            for body in bodies[number * each : (number + 1) * each]:
                self._hanger.take(orjson.loads(body))
            self._application.save(self._hanger)
        return transactions * each

    def record(self, transactions: int, bodies: Sequence[bytes]) -> int:
        """Has the package's recorder store the very bytes in so many transactions."""
        each = len(bodies) // transactions
        for number in range(transactions):
            rows = [
                StoredEvent(self._subject, self._version + place, "reading-taken:1", body)
                for place, body in enumerate(bodies[number * each : (number + 1) * each])
            ]
            self._application.recorder.insert_events(rows)
            self._version += each
        return transactions * each

    def stored(self) -> int:
        """How many events the package holds."""
        return int(self._application.recorder.max_notification_id() or 0)

    def close(self) -> None:
        """Closes the package's connections."""
        self._application.close()


def packaged_needs() -> str | None:
    """What the package lacks for PostgreSQL, or None."""
    return None if importlib.util.find_spec("psycopg_pool") else "psycopg_pool is not installed"


def conninfo(url: str) -> str:
    """An SQLAlchemy URL in the form that psycopg reads."""
    return make_url(url).set(drivername="postgresql").render_as_string(hide_password=False)
