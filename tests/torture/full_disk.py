"""A disk is filled while everybody writes: 507, reads go on, and writes again once there is room."""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Iterable
from threading import Event

from tests.torture.client import Client, Lost, NotSent
from tests.torture.disk import SizeLimit, SmallDisk
from tests.torture.history import History, Remark
from tests.torture.processes import Server

INVARIANT = "disk-full"
ROOM_LEFT = 600_000  # bytes left when a disk is filled, so that the end is met while writing
LIMIT_S = 20.0


def fill(
    disk: SmallDisk | SizeLimit,
    servers: Collection[Server],
    history: History,
    full: Event,
    readers: Iterable[Client],
    paths: Iterable[str],
    kill: bool,
) -> None:
    """Fills the disk and frees it again; whatever is wrong meanwhile becomes a remark in the history.

    Args:
        full: set while there is no room, so that writers give a refused request up
        readers: a client for each server
        paths: what must be readable all the time
        kill: kill every process as well while there is no room
    """
    # A file that may not grow is no full disk to every database: then it may say "try again" as well.
    refusals = {507} if isinstance(disk, SmallDisk) else {503, 507}
    paths = list(paths)
    before = _running(servers)
    seen = len(history.sent)
    full.set()
    disk.fill(ROOM_LEFT)
    within(LIMIT_S, lambda: _answers(history, refusals, seen) >= 10)
    if not _answers(history, refusals, seen):
        history.add(Remark(INVARIANT, f"no write was answered with {refusals}"))
    _read(history, readers, paths)
    _compare(history, before, servers)
    if kill:
        for server in servers:
            server.kill()
        for server in servers:
            server.wait_ready()
        _read(history, readers, paths)
        before = _running(servers)
    disk.free()
    full.clear()
    seen = len(history.sent)
    if not within(LIMIT_S, lambda: _answers(history, {201}, seen) >= 5):
        history.add(Remark(INVARIANT, "writes were not taken up again once there was room"))
    _compare(history, before, servers)


def within(seconds: float, reached: Callable[[], bool]) -> bool:
    """Waits until something is reached; False when it is not in time."""
    deadline = time.monotonic() + seconds
    while not reached():
        if time.monotonic() > deadline:
            return False
        time.sleep(0.05)
    return True


def _running(servers: Collection[Server]) -> list[tuple[int, list[int]]]:
    return [(server.master, server.workers()) for server in servers]


def _compare(history: History, before: list[tuple[int, list[int]]], servers: Collection[Server]) -> None:
    if before != _running(servers):
        history.add(Remark(INVARIANT, f"processes {before} became {_running(servers)}"))


def _answers(history: History, statuses: set[int], since: int) -> int:
    return sum(not statuses.isdisjoint(sent.statuses) for sent in history.sent[since:])


def _read(history: History, readers: Iterable[Client], paths: Iterable[str]) -> None:
    for client in readers:
        for path in paths:
            try:
                status = client.send("GET", path).status
            except (NotSent, Lost) as error:
                history.add(Remark(INVARIANT, f"GET {path}: {error}"))
                continue
            if status != 200:
                history.add(Remark(INVARIANT, f"GET {path}: {status}"))
        client.close()
