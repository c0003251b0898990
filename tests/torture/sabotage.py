"""Faults put into running servers on purpose, to see that the harness finds them: `--sabotage NAME`."""

from __future__ import annotations

import itertools
import os
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from sqlalchemy import Connection

from service.ledger import notes
from service.persistence.keys import StoredKeys
from service.persistence.projector import Projector
from service.persistence.store import SqlStore

VARIABLE = "TORTURE_SABOTAGE"


def forget_keys() -> None:
    """No answer is kept under its key: a repeat writes once more."""
    StoredKeys.remember = lambda *_, **__: None  # type: ignore[method-assign]


def lose_writes() -> None:
    """Every thirtieth write is undone, and acknowledged nevertheless."""
    commit, turn = Connection.commit, itertools.count(1)

    def faulty(connection: Connection) -> None:
        if next(turn) % 30 == 0:
            connection.rollback()
        else:
            commit(connection)

    Connection.commit = faulty  # type: ignore[method-assign]


def keep_keys_later() -> None:
    """A key is kept in a transaction of its own after its effect: right until something dies between."""
    write, remember = SqlStore.write, StoredKeys.remember
    waiting = threading.local()

    def deferred(_memory: StoredKeys, *arguments: Any) -> None:
        waiting.calls = [*getattr(waiting, "calls", ()), arguments]

    @contextmanager
    def faulty(store: SqlStore, plant: str) -> Iterator[Any]:
        with write(store, plant) as writer:
            yield writer
        calls, waiting.calls = getattr(waiting, "calls", ()), ()
        if calls:
            with write(store, plant) as writer:
                for arguments in calls:
                    remember(writer, *arguments)

    StoredKeys.remember = deferred  # type: ignore[method-assign]
    SqlStore.write = faulty  # type: ignore[method-assign]


def skip_projections() -> None:
    """Every twentieth event leaves its projections as they were."""
    apply, turn = Projector.apply, itertools.count(1)

    def faulty(projector: Projector, plan: Any) -> None:
        if next(turn) % 20:
            apply(projector, plan)

    Projector.apply = faulty  # type: ignore[method-assign]


def pass_over_an_event() -> None:
    """Streams leave out one event in the middle of a chunk."""
    chunks = SqlStore._chunks

    def faulty(store: SqlStore, *arguments: Any) -> Iterator[list[tuple[int, bytes]]]:
        for chunk in chunks(store, *arguments):
            yield chunk[:-2] + chunk[-1:] if len(chunk) > 4 else chunk

    SqlStore._chunks = faulty  # type: ignore[method-assign]


def sign_what_is_not() -> None:
    """Every twentieth checkpoint states another root."""
    text, turn = notes.checkpoint_text, itertools.count(1)

    def faulty(origin: str, size: int, root: bytes) -> str:
        return text(origin, size, root if next(turn) % 20 else bytes(32))

    from service.persistence import growing

    growing.checkpoint_text = faulty


SABOTAGES: dict[str, Callable[[], None]] = {
    each.__name__.replace("_", "-"): each
    for each in (
        forget_keys,
        lose_writes,
        keep_keys_later,
        skip_projections,
        pass_over_an_event,
        sign_what_is_not,
    )
}


def put_in() -> None:
    """Puts in the fault that the environment names, if any."""
    name = os.environ.get(VARIABLE)
    if name:
        SABOTAGES[name]()
