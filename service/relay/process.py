"""The relay as a process: on its own, or beside the server that started it, with which it ends."""

from __future__ import annotations

import logging
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from typing import Final

from service.relay.relay import Relay

BESIDE: Final = "--beside"
COMMAND: Final = ("-m", "service", "relay")
_LOOK_S: Final = 0.5
_END_S: Final = 30.0  # for what is under way; then it is killed, and what was not kept is sent again
_LONGEST_PAUSE_S: Final = 30.0
_LOG: Final = logging.getLogger("service.relay")


def main_loop(make: Callable[[], Relay], *, beside: int | None = None) -> int:
    """Runs a relay in this process until it is told to end (SIGTERM, SIGINT).

    Args:
        make: makes the relay, in the process in which it runs
        beside: id of the server's process that started this one. The relay then runs in a child process,
            which is started again should it die, and both end with the server.

    Returns:
        the exit status, 0
    """
    if beside is None:
        return _run(make, None)
    return _Supervisor(make, beside).run()


def start_beside(command: Sequence[str] = COMMAND) -> subprocess.Popen[bytes]:
    """Starts the relay's process beside this one, the server's, which need not look after it.

    command: arguments for the interpreter; the id of this process is added.
    """
    return subprocess.Popen([sys.executable, *command, BESIDE, str(os.getpid())], stdin=subprocess.DEVNULL)


def stop_beside(process: subprocess.Popen[bytes]) -> None:
    """Tells the relay's process to end, and waits until what is under way has been kept."""
    process.terminate()
    try:
        process.wait(_END_S + 5)
    except subprocess.TimeoutExpired:
        process.kill()


def _run(make: Callable[[], Relay], parent: int | None) -> int:
    """The relay itself. parent: process with which it ends."""
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent, stop), name="relay-parent", daemon=True).start()
    make().run(stop)
    return 0


def _end_with(parent: int, stop: threading.Event) -> None:
    while not stop.wait(_LOOK_S):
        if os.getppid() != parent:
            stop.set()


class _Supervisor:
    """Keeps one relay running in a child process as long as the server runs."""

    def __init__(self, make: Callable[[], Relay], beside: int) -> None:
        self._make = make
        self._beside = beside
        self._stop = threading.Event()

    def run(self) -> int:
        """Until the server is gone or this process is told to end."""
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: self._stop.set())
        pause = 1.0
        while self._goes_on():
            begun = time.monotonic()
            self._watch(self._start())
            pause = 1.0 if time.monotonic() - begun > _LONGEST_PAUSE_S else min(2 * pause, _LONGEST_PAUSE_S)
            if self._goes_on():
                _LOG.error("the relay died and is started again")
                self._stop.wait(pause)
        return 0

    def _goes_on(self) -> bool:
        return not self._stop.is_set() and os.getppid() == self._beside

    def _start(self) -> int:
        here = os.getpid()
        child = os.fork()
        if child == 0:
            status = 1
            try:
                status = _run(self._make, here)
            except Exception:  # noqa: BLE001 - the process ends here, and its parent starts another
                _LOG.exception("the relay failed")
            finally:
                os._exit(status)
        return child

    def _watch(self, child: int) -> None:
        """Returns when the child has ended, which it is made to when the server is gone."""
        told_at: float | None = None
        while True:
            found, _ = os.waitpid(child, os.WNOHANG)
            if found == child:
                return
            if told_at is None and not self._goes_on():
                os.kill(child, signal.SIGTERM)
                told_at = time.monotonic()
            elif told_at is not None and time.monotonic() - told_at > _END_S:
                os.kill(child, signal.SIGKILL)
            self._stop.wait(_LOOK_S) if not self._stop.is_set() else time.sleep(0.05)
