"""The two engines: where a round's store lies, and how a PostgreSQL of its own is harmed and brought back."""

from __future__ import annotations

import contextlib
import os
import pwd
import signal
import subprocess
import threading
import time
from pathlib import Path
from random import Random

import psycopg
from psycopg import sql
from sqlalchemy import make_url

from tests import postgres


class SqliteStore:
    """An SQLite file in the data folder, which both servers share."""

    name = "sqlite"

    def __init__(self, folder: Path) -> None:
        self.data = folder

    def environment(self, _server: str) -> dict[str, str]:
        """Settings of a server."""
        return {"DATA_DIR": str(self.data)}

    def folders(self) -> list[Path]:
        """Data folders, one for each machine."""
        return [self.data]

    def close(self) -> None:
        """Nothing runs beside the servers."""


class PostgresStore:
    """A database of its own, and a data folder for each server as if on two machines with the same keys."""

    name = "postgresql"

    def __init__(self, server: PostgresServer, folder: Path, tablespace: Path | None) -> None:
        """tablespace: an empty folder of the server's account in which the database shall lie."""
        self._server = server
        self._space = f"space_{os.getpid()}_{time.monotonic_ns()}" if tablespace is not None else None
        with psycopg.connect(postgres.conninfo(server.url), autocommit=True) as connection:
            self._database = f"test_{time.monotonic_ns():x}"
            statement = sql.SQL("CREATE DATABASE {} TEMPLATE template0").format(
                sql.Identifier(self._database)
            )
            if self._space is not None:
                connection.execute(
                    sql.SQL("CREATE TABLESPACE {} LOCATION {}").format(
                        sql.Identifier(self._space), sql.Literal(str(tablespace))
                    )
                )
                statement += sql.SQL(" TABLESPACE {}").format(sql.Identifier(self._space))
            connection.execute(statement)
        url = make_url(server.url).set(drivername="postgresql", database=self._database)
        self.url = url.render_as_string(hide_password=False)
        self._folder = folder

    def environment(self, server: str) -> dict[str, str]:
        """Settings of a server: its own data folder, and the keys that all machines share."""
        first = self._folder / "one" / "keys"
        shared = {
            "CURSOR_SECRET_FILE": first / "cursor-secret",
            "SIGNING_KEY_FILE": first / "log-signing-keys.pem",
            "WEBHOOK_SECRET_FILE": first / "webhook-secret",
        }
        found = {"DATA_DIR": str(self._folder / server), "DATABASE_URL": self.url}
        if server != "one":
            found |= {name: str(file) for name, file in shared.items() if file.exists()}
        return found

    def folders(self) -> list[Path]:
        """Data folders, one for each machine."""
        return [self._folder / "one", self._folder / "two"]

    def close(self) -> None:
        """Drops the database and its tablespace."""
        postgres.drop_database(
            make_url(self.url).set(drivername="postgresql+psycopg").render_as_string(False)
        )
        if self._space is not None:
            with psycopg.connect(postgres.conninfo(self._server.url), autocommit=True) as connection:
                connection.execute(sql.SQL("DROP TABLESPACE {}").format(sql.Identifier(self._space)))


class PostgresServer:
    """A PostgreSQL that may be killed: the tests' own, started again on the data that it left."""

    def __init__(self) -> None:
        self._server = postgres.start_server()
        self.url = self._server.url
        self._lock = threading.Lock()

    @property
    def account(self) -> int | None:
        """Uid that it runs as, where that is not this process's own."""
        uid = os.stat(self._server.folder / "data").st_uid
        return uid if uid != os.geteuid() else None

    def backends(self) -> list[int]:
        """Ids of the processes that serve clients."""
        try:
            with psycopg.connect(
                postgres.conninfo(self.url), autocommit=True, connect_timeout=5
            ) as connection:
                rows = connection.execute(
                    "SELECT pid FROM pg_stat_activity WHERE backend_type = 'client backend' "
                    "AND pid <> pg_backend_pid() ORDER BY pid"
                ).fetchall()
        except psycopg.Error:
            return []
        return [row[0] for row in rows]

    def kill_backend(self, chance: Random) -> None:
        """Kills one backend by force: the server resets itself and recovers."""
        found = self.backends()
        if found:
            with contextlib.suppress(ProcessLookupError):
                os.kill(chance.choice(found), signal.SIGKILL)

    def terminate_backend(self, chance: Random) -> None:
        """Ends one connection as an administrator does."""
        found = self.backends()
        if found:
            with contextlib.suppress(ProcessLookupError):
                os.kill(chance.choice(found), signal.SIGTERM)

    def crash(self, down_s: float) -> None:
        """Kills the server itself, and starts it again after a while."""
        with self._lock:
            process = self._server.process
            process.kill()
            process.wait(30)
            time.sleep(down_s)
            self._start_again()

    def _start_again(self) -> None:
        log = self._server.folder / "log"
        uid = self.account
        account = pwd.getpwuid(uid) if uid is not None else None
        deadline = time.monotonic() + 60
        while True:
            with log.open("ab") as output:
                process = subprocess.Popen(
                    self._server.process.args,
                    stdin=subprocess.DEVNULL,
                    stdout=output,
                    stderr=subprocess.STDOUT,
                    start_new_session=True,
                    **postgres._as_account(account, self._server.folder),  # type: ignore[call-overload]
                )
            try:
                postgres._wait_until_ready(self.url, process, log)
            except postgres.PostgresUnavailable:
                # What the one before left in shared memory goes when its last backend has.
                if time.monotonic() > deadline:
                    raise
                process.wait(30)
                time.sleep(0.2)
                continue
            self._server.process = process
            return

    def wait_ready(self) -> None:
        """Waits until a connection can be had: a reset takes a moment."""
        with self._lock:
            deadline = time.monotonic() + 60
            while True:
                try:
                    psycopg.connect(postgres.conninfo(self.url), connect_timeout=5).close()
                    return
                except psycopg.OperationalError:
                    if time.monotonic() > deadline:
                        raise
                    time.sleep(0.1)

    def stop(self) -> None:
        """Ends it and removes its data."""
        with self._lock:
            self._server.stop()
