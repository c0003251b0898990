"""A streaming standby of a PostgreSQL server that the tests started: a real replica, read-only."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import psycopg
from sqlalchemy import make_url

from tests import postgres

START_LIMIT_S = 60.0


@contextlib.contextmanager
def standby_of(server_url: str) -> Iterator[str]:
    """The URL of a standby's `postgres` database; it follows the server until the end of the block.

    server_url: a server on a socket folder, whose superuser may replicate.

    Raises:
        PostgresUnavailable: no programs, or they did not start
    """
    programs = postgres.find_programs()
    if programs is None or not (programs / "pg_basebackup").is_file():
        raise postgres.PostgresUnavailable("no pg_basebackup found")
    account = postgres._unprivileged_account() if os.geteuid() == 0 else None
    folder = postgres._fresh_folder()
    try:
        if account is not None:
            programs = postgres._reachable_programs(programs, folder)
            os.chown(folder, account.pw_uid, account.pw_gid)
        _copy(programs, server_url, folder, postgres._as_account(account, folder))
        server = _start(programs, folder, postgres._as_account(account, folder))
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise
    try:
        yield server.url
    finally:
        server.stop()


def at(server_url: str, database_url: str) -> str:
    """The database of `database_url` as it is found at another server."""
    url = make_url(server_url).set(database=make_url(database_url).database)
    return url.render_as_string(hide_password=False)


def wait_for(server_url: str, standby_url: str) -> None:
    """Until the standby has replayed all that the server has written by now."""
    with psycopg.connect(postgres.conninfo(server_url), autocommit=True) as connection:
        [written] = connection.execute("SELECT pg_current_wal_lsn()::text").fetchone() or ("",)
    deadline = time.monotonic() + START_LIMIT_S
    with psycopg.connect(postgres.conninfo(standby_url), autocommit=True) as connection:
        while True:
            row = connection.execute("SELECT pg_last_wal_replay_lsn() >= %s::pg_lsn", (written,)).fetchone()
            if row is not None and row[0]:
                return
            assert time.monotonic() < deadline, "the standby does not follow"
            time.sleep(0.02)


def _copy(programs: Path, server_url: str, folder: Path, how: dict[str, object]) -> None:
    made = subprocess.run(
        [
            str(programs / "pg_basebackup"),
            f"--dbname={postgres.conninfo(server_url)}",
            f"--pgdata={folder / 'data'}",
            "--checkpoint=fast",
            "--wal-method=stream",
            "--write-recovery-conf",
            "--no-sync",
        ],
        capture_output=True,
        timeout=START_LIMIT_S,
        check=False,
        **how,  # type: ignore[call-overload]
    )
    if made.returncode != 0:
        raise postgres.PostgresUnavailable(f"pg_basebackup failed: {made.stderr.decode(errors='replace')}")


def _start(programs: Path, folder: Path, how: dict[str, object]) -> postgres.Server:
    log = folder / "log"
    # A query that stands in the way of what is replayed is cancelled soon: the tests want to see it.
    options = ("listen_addresses=", "max_standby_streaming_delay=100ms", "fsync=off")
    with log.open("wb") as output:
        process = subprocess.Popen(
            [
                str(programs / "postgres"),
                *("-D", str(folder / "data"), "-k", str(folder)),
                *(item for option in options for item in ("-c", option)),
            ],
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=subprocess.STDOUT,
            preexec_fn=postgres._dies_with_parent(),  # noqa: PLW1509 - one system call, no lock
            start_new_session=True,
            **how,  # type: ignore[call-overload]
        )
    url = f"postgresql+psycopg://{postgres.SUPERUSER}@/postgres?host={folder}"
    try:
        postgres._wait_until_ready(url, process, log)
    except BaseException:
        postgres._end(process)
        raise
    return postgres.Server(url, process, folder)
