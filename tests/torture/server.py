"""A server for the harness: the service's own commands, with a clock that can be set and points to die at.

Usage: python -m tests.torture.server NAME ORDERS [COMMAND ...], with the service's settings in the
environment. Without a command it migrates and serves, and the relay that it starts beside itself comes
through here as well. Nothing of the service is changed; some of what it calls is wrapped from here.
"""

from __future__ import annotations

import ctypes
import os
import re
import signal
import sys
import threading
from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from flask import Flask, Response, request
from sqlalchemy import Engine, event

from service import bootstrap, cli
from service.config import Settings
from service.persistence.store import SqlStore, open_store
from service.relay import process
from tests.torture import sabotage
from tests.torture.points import Orders

_STATEMENT = re.compile(r"\s*(INSERT INTO|UPDATE|DELETE FROM)\s+\"?(\w+)", re.IGNORECASE)
PROJECTIONS = frozenset({"records", "hangers", "external_ids", "memberships", "facts"})
BEFORE = {
    "events": "before-event-row",
    "checkpoints": "before-checkpoint-row",
    "deliveries": "before-delivery-row",
}
AFTER = {
    "events": "after-event-row",
    "documents": "after-document-row",
    "texts": "after-words-row",
    "tree_hashes": "after-tree-row",
    "checkpoints": "after-checkpoint-row",
    "logs": "after-head-row",
    "deliveries": "after-delivery-row",
    "webhooks": "after-cursor-row",
}
PR_SET_PDEATHSIG = 1  # prctl(2)
EMPTYING = "PRAGMA wal_checkpoint"
KEYS = "idempotency_keys"


class SteppedClock:
    """The machine's clock, set off by as many seconds as a file says."""

    def __init__(self, file: Path) -> None:
        self._file = file

    def __call__(self) -> datetime:
        try:
            offset = float(self._file.read_text("utf-8"))
        except (OSError, ValueError):
            offset = 0.0
        return datetime.now(UTC) + timedelta(seconds=offset)


def watch_statements(engine: Engine, passed: Callable[[str], None]) -> None:
    """Passes a point before and after the statements that write, and around the commit of a write."""
    thread = threading.local()  # a transaction stays in its thread

    @event.listens_for(engine, "before_cursor_execute")
    def before(_connection: Any, _cursor: Any, statement: str, *_: Any) -> None:
        if statement.startswith(EMPTYING):
            passed("before-emptying")
        match = _STATEMENT.match(statement)
        if match is None:
            return
        table = match[2].lower()
        if table in BEFORE:
            passed(BEFORE[table])
        elif table == KEYS and match[1].upper() == "INSERT INTO":
            passed("before-key-row")

    @event.listens_for(engine, "after_cursor_execute")
    def after(_connection: Any, _cursor: Any, statement: str, *_: Any) -> None:
        if statement.startswith(EMPTYING):
            passed("after-emptying")
        match = _STATEMENT.match(statement)
        if match is None:
            return
        table = match[2].lower()
        thread.wrote = True
        if table in AFTER:
            passed(AFTER[table])
        elif table in PROJECTIONS:
            passed("during-projection")
        elif table == KEYS and match[1].upper() == "INSERT INTO":
            passed("after-key-row")

    @event.listens_for(engine, "rollback")
    def rollback(_connection: Any) -> None:
        thread.wrote = False

    @event.listens_for(engine, "commit")
    def commit(_connection: Any) -> None:
        thread.committing, thread.wrote = getattr(thread, "wrote", False), False
        if thread.committing:
            passed("before-commit")

    do_commit = engine.dialect.do_commit

    def committed(connection: Any) -> None:
        do_commit(connection)
        if getattr(thread, "committing", False):
            thread.committing = False
            passed("after-commit")

    engine.dialect.do_commit = committed  # type: ignore[method-assign]


def watch_witness(passed: Callable[[str], None]) -> None:
    """Passes a point before and after a checkpoint takes its place beside the database."""
    replace = os.replace

    def replaced(source: Any, target: Any, **options: Any) -> None:
        is_witness = os.fspath(target).endswith(".checkpoint")
        if is_witness:
            passed("before-witness")
        replace(source, target, **options)
        if is_witness:
            passed("after-witness")

    os.replace = replaced


def watch_answers(app: Flask, passed: Callable[[str], None]) -> None:
    """Passes a point when a write is done and not yet answered, and in the middle of a stream."""

    def before_answer(response: Response) -> Response:
        if request.method in ("POST", "PUT") and response.status_code < 300:
            passed("before-answer")
        return response

    app.after_request(before_answer)
    answer = app.wsgi_app

    def watched(environ: Any, start_response: Any) -> Iterable[bytes]:
        found = answer(environ, start_response)
        streams = environ["REQUEST_METHOD"] == "GET" and environ["PATH_INFO"].endswith("/events")
        return _Watched(found, passed) if streams else found

    app.wsgi_app = watched  # type: ignore[method-assign]


class _Watched:
    """A body whose every piece but the first passes a point before it is given."""

    def __init__(self, body: Iterable[bytes], passed: Callable[[str], None]) -> None:
        self._body, self._passed = body, passed

    def __iter__(self) -> Iterator[bytes]:
        for number, piece in enumerate(self._body):
            if number:
                self._passed("during-stream")
            yield piece

    def close(self) -> None:
        close = getattr(self._body, "close", None)
        if close is not None:
            close()


def wrap(name: str, folder: Path) -> None:
    """Puts the clock and the points into this process."""
    orders = Orders(folder, name)
    clock = SteppedClock(folder / f"{name}.clock")
    make_app = bootstrap.make_app

    def watched_store(settings: Settings) -> SqlStore:
        store = open_store(settings, clock=clock)
        watch_statements(store.engine, orders.passed)
        return store

    def watched_app(settings: Settings | None = None) -> Flask:
        orders.passed("during-start")
        app = make_app(settings)
        watch_answers(app, orders.passed)
        return app

    bootstrap.now = clock
    bootstrap.open_store = watched_store
    bootstrap.make_app = watched_app
    relay = ("-m", "tests.torture.server", name, str(folder), "relay")
    process.start_beside.__defaults__ = (relay,)
    watch_witness(orders.passed)
    sabotage.put_in()


def end_with_the_harness() -> None:
    """On Linux: asks the kernel to end this server should the harness be killed before it can."""
    if sys.platform.startswith("linux"):
        ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, int(signal.SIGTERM), 0, 0, 0)


def main(name: str, folder: Path, command: list[str]) -> int:
    """Runs a command of the service; without one it migrates and serves, as `make serve` does."""
    wrap(name, folder)
    if command:
        return cli.main(command)
    end_with_the_harness()
    return cli.main(["migrate"]) or cli.main(["serve"])


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], Path(sys.argv[2]), sys.argv[3:]))
