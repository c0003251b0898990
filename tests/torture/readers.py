"""Readers: they follow a log across every failure, each from where it stood, and write down what they got."""

from __future__ import annotations

import contextlib
import http.client
import json
import socket
import threading
import time
from collections.abc import Iterator, Sequence
from random import Random
from typing import Any

from tests.torture.client import NDJSON, Answer, Client, Lost, NotSent
from tests.torture.history import History, Reading, Remark, Served

EVENT_STREAM = "text/event-stream"
PAUSE_S = 0.15


class Follower(threading.Thread):
    """What all readers share: servers to turn to, a moment to stop, a place in the log."""

    def __init__(
        self, name: str, log: str, history: History, clients: Sequence[Client], chance: Random
    ) -> None:
        super().__init__(name=f"{name}-{log}", daemon=True)
        self.log = log
        self.history = history
        self.clients = list(clients)
        self.chance = chance
        self.stopping = threading.Event()
        self._opened: http.client.HTTPConnection | None = None
        self.reading = Reading(log, self.name, 0)
        history.add(self.reading)

    def wait_for(self, size: int, limit_s: float) -> None:
        """Gives it time to come to `size`; says in the history whether it should have."""
        deadline = time.monotonic() + limit_s
        while self.reading.following < size and time.monotonic() < deadline:
            time.sleep(0.02)
        self.reading.complete = True

    def stop(self) -> None:
        """Lets it end."""
        self.stopping.set()
        opened = self._opened
        if opened is not None and opened.sock is not None:
            with contextlib.suppress(OSError):
                opened.sock.shutdown(socket.SHUT_RDWR)  # it may be waiting for the next event
        self.join(30)

    def run(self) -> None:
        while not self.stopping.is_set():
            client = self.chance.choice(self.clients)
            # Whatever ends the answer: it begins again where it stood.
            with contextlib.suppress(NotSent, Lost, OSError, http.client.HTTPException, ValueError):
                self.read_on(client)
            self.stopping.wait(PAUSE_S)

    @contextlib.contextmanager
    def opened(
        self, client: Client, path: str, headers: dict[str, str]
    ) -> Iterator[http.client.HTTPResponse]:
        """An answer to be read piece by piece; its connection is closed at the end."""
        response = client.stream(path, headers)
        self._opened = response.connection  # type: ignore[attr-defined]
        with contextlib.closing(self._opened):
            yield response

    def read_on(self, client: Client) -> None:
        """Reads from where it stands for as long as one answer lasts."""
        raise NotImplementedError

    def remark(self, invariant: str, detail: str) -> None:
        """Notes something wrong."""
        self.history.add(Remark(invariant, f"{self.name}: {detail}", self.log))


class Puller(Follower):
    """Pulls NDJSON from its place on, again and again; a slow one takes its time over each piece."""

    slow_s = 0.0

    def read_on(self, client: Client) -> None:
        """One pull."""
        begin = self.reading.following
        path = f"/v1/plants/{self.log}/events?from={begin}"
        with self.opened(client, path, {"Accept": NDJSON}) as response:
            if response.status != 200:
                self._refused(response)
                return
            self._lines(response, begin)

    def _lines(self, response: http.client.HTTPResponse, begin: int) -> None:
        for given, line in enumerate(_whole_lines(response)):
            if line.startswith(b'{"trailer":'):
                self._trailer(json.loads(line)["trailer"], begin, given)
                return
            self.reading.take(line)
            if self.slow_s and given % 50 == 49:
                self.stopping.wait(self.slow_s)

    def _trailer(self, trailer: dict[str, str], begin: int, given: int) -> None:
        seal = trailer["seal"].splitlines()
        stated = dict(line.split(" ", 1) for line in seal[1:6] if " " in line)
        if (int(stated["from"]), int(stated["count"])) != (begin, given):
            self.remark("trailer", f"says {stated}, given {given} from {begin}")
        self.history.add(Served(self.log, self.name, 0.0, trailer["checkpoint"]))

    def _refused(self, response: http.client.HTTPResponse) -> None:
        body = response.read()
        if response.status not in (503,):
            self.remark("answer", f"{response.status}: {body[:300]!r}")


class SlowPuller(Puller):
    """A puller that keeps each stream open for long."""

    slow_s = 0.2


class Listener(Follower):
    """Listens to server-sent events, and comes back with the id of the last one that it had."""

    def read_on(self, client: Client) -> None:
        """One stream, until it breaks or the reader is stopped."""
        headers = {"Accept": EVENT_STREAM}
        if self.reading.following:
            headers["Last-Event-ID"] = str(self.reading.following - 1)
        with self.opened(client, f"/v1/plants/{self.log}/events", headers) as response:
            if response.status != 200:
                if response.status != 503:
                    self.remark("answer", f"{response.status}: {response.read()[:300]!r}")
                return
            self._blocks(response)

    def _blocks(self, response: http.client.HTTPResponse) -> None:
        fields: dict[bytes, bytes] = {}
        for line in _whole_lines(response):
            if self.stopping.is_set():
                return
            if line:
                name, _, value = line.partition(b":")
                fields[name] = value.removeprefix(b" ")
                continue
            if b"data" in fields:
                if int(fields[b"id"]) != self.reading.following:
                    self.remark("reader", f"id {fields[b'id']!r} at {self.reading.following}")
                self.reading.take(fields[b"data"])
            fields = {}


class Watcher(threading.Thread):
    """Asks one server after the other for each log's newest checkpoint."""

    def __init__(self, history: History, logs: Sequence[str], clients: Sequence[Client]) -> None:
        super().__init__(name="watcher", daemon=True)
        self._history, self._logs, self._clients = history, list(logs), list(clients)
        self._stopping = threading.Event()

    def run(self) -> None:
        turn = 0
        while not self._stopping.wait(0.06):
            turn += 1
            client = self._clients[turn % len(self._clients)]
            for log in self._logs:
                asked = time.monotonic()
                try:
                    answer = client.send("GET", f"/v1/plants/{log}/log/checkpoint")
                except (NotSent, Lost):
                    continue
                self._take(log, asked, answer)
        for client in self._clients:
            client.close()

    def _take(self, log: str, asked: float, answer: Answer) -> None:
        if answer.status == 200:
            self._history.add(Served(log, self.name, asked, answer.body.decode("utf-8")))
        elif answer.status != 503:
            self._history.add(Remark("answer", f"checkpoint: {answer.status} {answer.body[:200]!r}", log))

    def stop(self) -> None:
        """Lets it end."""
        self._stopping.set()
        self.join(30)


def _whole_lines(response: Any) -> Iterator[bytes]:
    """Lines as they come, without their ends; one cut off by the end of the answer is none."""
    for line in response:
        if line.endswith(b"\n"):
            yield line[:-1]
