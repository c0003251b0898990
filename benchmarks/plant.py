"""A plant to measure on: one line of sixty hangers in a store of its own, and readings without end."""

from __future__ import annotations

import contextlib
import http.client
import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

from benchmarks.measure import Nonsense
from service import bootstrap
from service.application import access
from service.application.context import Context
from service.config import Settings
from service.demo import records as invented
from service.demo.work import Clock, Crew, open_demo_plant
from service.domain.access import Principal
from service.domain.events import NewEvent
from service.domain.instants import format_instant
from service.domain.ports import EventFilter
from service.persistence.migrate import migrate
from service.persistence.store import SqlStore, open_store

CHECKOUT: Final = Path(__file__).resolve().parent.parent
HANGERS: Final = 60
LINE: Final = "MS-10"
PLANT: Final = invented.PLANT
EVERYTHING: Final = EventFilter()
_START_LIMIT_S: Final = 30.0


@dataclass
class BenchPlant:
    """A migrated store with the plant in it. written: events appended through `append`."""

    settings: Settings
    environ: dict[str, str]
    store: SqlStore
    person: str
    marks: tuple[str, ...]
    written: int = 0
    _number: int = field(default=0)

    def reading(self) -> NewEvent:
        """The next cold reading, at one hanger after the other."""
        self._number += 1
        return NewEvent(
            type="reading-taken",
            subject=f"hanger/{self.marks[self._number % len(self.marks)]}",
            line=LINE,
            occurred_at=format_instant(bootstrap.now()),
            actor=self.person,
            performed_by=self.person,
            role="recorder",
            request_id=bootstrap.new_id("rq_"),
            data={
                "assembly": 1,
                "condition": "cold",
                "position": {"value": 30.5 + self._number % 7, "unit": "mm"},
                "elevation": {"value": 12.3456, "unit": "m"},
                "line_temperature": {"value": 21, "unit": "degC"},
                "legible": True,
                "reading_resolution": {"value": 1, "unit": "mm"},
                "last_movement": "rising",
                "method": "at_the_scale",
                "release_state": "locked",
                "flags": [],
            },
        )

    def append(self, transactions: int, each: int) -> int:
        """Appends so many events in so many transactions; returns how many in all."""
        for _ in range(transactions):
            with self.store.write(PLANT) as writer:
                for _ in range(each):
                    writer.append(self.reading())
            self.written += each
        return transactions * each

    @property
    def size(self) -> int:
        """Events in the plant's log."""
        with self.store.read(PLANT) as reader:
            return reader.size

    def entries(self, start: int, end: int) -> list[bytes]:
        """Exact stored bytes of these events."""
        return [body for chunk in self.store.stream(PLANT, EVERYTHING, start, end) for _, body in chunk]

    def auditor(self) -> Context:
        """The context of a system that may read the whole log."""
        base = bootstrap.operator_context(self.store)
        return replace(base, principal=Principal(self.person, "system", "auditor", ""))

    def token(self, role: str) -> str:
        """A new token of a new system with this role."""
        context = bootstrap.operator_context(self.store)
        system = access.register_principal(context, {"kind": "system"}, bootstrap.new_id("pr_"))
        request = {"principal": system.document["id"], "role": role}
        issued = access.issue_token(context, request, bootstrap.new_id("tk_"), bootstrap.new_secret)
        return str(issued.document["token"])


def open_plant(folder: Path, database_url: str | None = None, **environ: str) -> BenchPlant:
    """A new store with the invented plant, its line records and sixty hangers."""
    variables = {"DATA_DIR": str(folder), "LOG_LEVEL": "error", **environ}
    if database_url is not None:
        variables["DATABASE_URL"] = database_url
    settings = Settings.from_environment(variables)
    migrate(settings)
    store = open_store(settings)
    base = bootstrap.operator_context(store)
    persons = {
        part: access.register_principal(base, {"kind": kind}, bootstrap.new_id("pr_")).document["id"]
        for part, kind in (
            ("engineer", "person"),
            ("fitter", "person"),
            ("inspector", "person"),
            ("integrator", "system"),
        )
    }
    open_demo_plant(base)
    pattern = [each for each in invented.SUPPORTS if each.line == LINE and each.kind != "rigid"]
    supports = [
        replace(pattern[place % len(pattern)], mark=f"{LINE}-{place + 1:02}") for place in range(HANGERS)
    ]
    crew = Crew(base, Clock(bootstrap.now()), persons)
    crew.register_lines()
    for support in supports:
        crew.register(support)
    return BenchPlant(
        settings, variables, store, persons["fitter"], tuple(support.mark for support in supports)
    )


def free_port() -> int:
    """A port of the loopback address that nothing listens on."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return int(listener.getsockname()[1])


@contextlib.contextmanager
def command(environ: dict[str, str], *arguments: str) -> Iterator[subprocess.Popen[bytes]]:
    """One of the service's commands as a process of its own, ended with the context."""
    variables = {**os.environ, **environ, "PYTHONPATH": str(CHECKOUT)}
    process = subprocess.Popen([sys.executable, "-m", "service", *arguments], cwd=CHECKOUT, env=variables)
    try:
        yield process
    finally:
        process.terminate()
        try:
            process.wait(20)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


@contextlib.contextmanager
def served(plant: BenchPlant, **environ: str) -> Iterator[int]:
    """The plant's service on a port of the loopback address; the port."""
    port = free_port()
    chosen = {"HOST": "127.0.0.1", "PORT": str(port), "WORKERS": "1", "RELAY": "off", **environ}
    with command({**plant.environ, **chosen}, "serve") as process:
        deadline = time.monotonic() + _START_LIMIT_S
        while True:
            try:
                with contextlib.closing(connect(port)) as connection:
                    connection.request("GET", "/health/live")
                    if connection.getresponse().status == 200:
                        break
            except OSError:
                pass
            if process.poll() is not None or time.monotonic() > deadline:
                raise Nonsense("the service did not start")
            time.sleep(0.05)
        yield port


def connect(port: int, timeout_s: float = 60.0) -> http.client.HTTPConnection:
    """A connection to the loopback address."""
    return http.client.HTTPConnection("127.0.0.1", port, timeout=timeout_s)


def get(port: int, path: str, token: str, **headers: Any) -> tuple[http.client.HTTPConnection, Any]:
    """Sends a GET and returns the connection and its answer, whose body is not read yet.

    Raises:
        Nonsense: any answer but 200.
    """
    connection = connect(port)
    names = {name.replace("_", "-"): value for name, value in headers.items()}
    connection.request("GET", path, headers={"Authorization": f"Bearer {token}", **names})
    response = connection.getresponse()
    if response.status != 200:
        raise Nonsense(f"GET {path}: {response.status} {response.read(300)!r}")
    return connection, response
