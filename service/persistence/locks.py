"""The write lock of an SQLite store: one writer at a time, in this process and among processes.

SQLite's own waiting is a poll without order that can starve a writer for seconds. A lock among the
threads and an advisory lock on a file (released by the system when its holder dies) go before
BEGIN IMMEDIATE, so that the database itself is never contended by writers of this service.
"""

from __future__ import annotations

import fcntl
import os
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from service.errors import StoreBusy
from service.persistence.faults import BUSY

_SHORTEST_PAUSE_S: Final = 0.0005
_LONGEST_PAUSE_S: Final = 0.01


class WriteLock:
    """The lock of one data directory. The same object serves all threads of a process."""

    def __init__(self, file: Path, timeout_s: float) -> None:
        """file: the lock file, made when first needed. timeout_s: longest wait in seconds."""
        self._file = file
        self._timeout_s = timeout_s
        self._threads = threading.Lock()

    def forget(self) -> None:
        """In a child process just forked: a thread of the parent may have held the lock."""
        self._threads = threading.Lock()

    @contextmanager
    def held(self) -> Iterator[None]:
        """Holds the lock within the context.

        Raises:
            StoreBusy: it could not be had in time.
        """
        deadline = time.monotonic() + self._timeout_s
        if not self._threads.acquire(timeout=self._timeout_s):
            raise StoreBusy(BUSY)
        try:
            descriptor = os.open(self._file, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
            try:
                self._wait(descriptor, deadline)
                yield
            finally:
                os.close(descriptor)  # lets go of the lock as well
        finally:
            self._threads.release()

    def _wait(self, descriptor: int, deadline: float) -> None:
        pause = _SHORTEST_PAUSE_S
        while True:
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                if time.monotonic() >= deadline:
                    raise StoreBusy(BUSY) from None
                time.sleep(pause)
                pause = min(2 * pause, _LONGEST_PAUSE_S)
            else:
                return
