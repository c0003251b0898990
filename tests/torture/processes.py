"""Server processes: started, killed in several ways, started again, told apart by their ids."""

from __future__ import annotations

import contextlib
import http.client
import os
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Mapping
from pathlib import Path

from tests.torture.points import Orders

CHECKOUT = Path(__file__).resolve().parents[2]
START_LIMIT_S = 90.0


class NeverReady(Exception):
    """A server did not come up."""


def free_port() -> int:
    """A port that nothing listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def children(pid: int) -> list[int]:
    """Ids of the processes whose parent is `pid`, by the kernel's own account."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError, ValueError, IndexError):
            if int(stat.read_text().rpartition(")")[2].split()[1]) == pid:
                found.append(int(stat.parent.name))
    return found


class Server:
    """One server: a master with its workers, kept running by a watchman who starts it again."""

    def __init__(self, name: str, environment: Mapping[str, str], folder: Path, python: str) -> None:
        self.name = name
        self.port = free_port()
        self.orders = Orders(folder, name)
        self.starts = 0
        self._log = folder / f"{name}.log"
        self._environment = {**environment, "PORT": str(self.port)}
        self._python = python
        self._process: subprocess.Popen[bytes] | None = None
        self._stopping = threading.Event()
        self._down_until = 0.0
        self._watchman = threading.Thread(target=self._watch, name=f"watchman-{name}", daemon=True)

    def start(self) -> None:
        """Starts the server and its watchman."""
        self._launch()
        self._watchman.start()

    def _launch(self) -> None:
        self.starts += 1
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                [self._python, "-m", "tests.torture.server", self.name, str(self.orders.folder)],
                env={**os.environ, **self._environment, "PYTHONPATH": str(CHECKOUT)},
                cwd=CHECKOUT,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )

    def _watch(self) -> None:
        while not self._stopping.wait(0.02):
            process = self._process
            assert process is not None
            if process.poll() is not None and time.monotonic() >= self._down_until:
                self._launch()

    # --- harm -----------------------------------------------------------------------------------------
    @property
    def master(self) -> int:
        """Id of the process that was started."""
        assert self._process is not None
        return self._process.pid

    def workers(self) -> list[int]:
        """Ids of the processes that serve."""
        return [pid for pid in children(self.master) if not _is_relay(pid)]

    def relays(self) -> list[int]:
        """Ids of the processes that send to webhooks: each the child of one that watches it."""
        return [relay for pid in children(self.master) if _is_relay(pid) for relay in children(pid)]

    def kill_worker(self, place: int = 0) -> None:
        """Kills one child; the master starts another."""
        found = self.workers()
        if found:
            _kill(found[place % len(found)])

    def kill_relay(self) -> None:
        """Kills the relay; the process that watches it starts another."""
        for pid in self.relays():
            _kill(pid)

    def kill_master(self, down_s: float = 0.0) -> None:
        """Kills the master alone; its workers find themselves without a parent."""
        self._down_until = time.monotonic() + down_s
        _kill(self.master)

    def kill(self, down_s: float = 0.0) -> None:
        """Kills every process of the server at once."""
        self._down_until = time.monotonic() + down_s
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self.master, signal.SIGKILL)

    def restart(self) -> None:
        """Ends it as an operator does; the watchman starts it again."""
        with contextlib.suppress(ProcessLookupError):
            os.kill(self.master, signal.SIGTERM)

    def stall(self, seconds: float) -> None:
        """Lets every process of it stand still for a while."""
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self.master, signal.SIGSTOP)
            try:
                time.sleep(seconds)
            finally:
                os.killpg(self.master, signal.SIGCONT)

    # --- rest -----------------------------------------------------------------------------------------
    def ready(self) -> bool:
        """Whether it says of itself that it can serve."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=5)
        try:
            connection.request("GET", "/health/ready")
            return connection.getresponse().status == 200
        except (OSError, http.client.HTTPException):
            return False
        finally:
            connection.close()

    def wait_ready(self) -> None:
        """Waits until it can serve. Raises NeverReady with the end of its log."""
        deadline = time.monotonic() + START_LIMIT_S
        while not self.ready():
            if time.monotonic() > deadline:
                raise NeverReady(f"{self.name}: {self.log_tail()}")
            time.sleep(0.05)

    def log_tail(self, characters: int = 3_000) -> str:
        """The end of what it wrote."""
        return self._log.read_text("utf-8", "replace")[-characters:] if self._log.exists() else ""

    def stop(self) -> None:
        """Ends it for good."""
        self._stopping.set()
        if self._watchman.is_alive():
            self._watchman.join(5)
        process = self._process
        if process is None:
            return
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait(10)


def _is_relay(pid: int) -> bool:
    try:
        return b"relay" in Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")
    except OSError:
        return False


def _kill(pid: int) -> None:
    with contextlib.suppress(ProcessLookupError):
        os.kill(pid, signal.SIGKILL)
