"""A backlog caught up by webhook: the relay as its own process, a receiver on the loopback address."""

from __future__ import annotations

import contextlib
import json
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Any, Final

from benchmarks.measure import Nonsense, Row, expect, say, show
from benchmarks.plant import CHECKOUT, PLANT, BenchPlant, command, connect, served
from benchmarks.receiver import MARK

LIMIT_S: Final = 400.0
BARE_RUNS: Final = 3  # before and after


def measure_webhook(plant: BenchPlant) -> list[Row]:
    """Prints how fast a webhook catches up with the whole log, beside bare POSTs of the same bytes.

    Raises:
        Nonsense: an event did not come, or a hanger's events came out of order.
    """
    integrator, bodies = plant.token("integrator"), plant.entries(0, MARK)
    bare = _bare(bodies)
    with _receiver() as target:
        allowed = {"WEBHOOK_ALLOWED_TARGETS": f"127.0.0.1:{target}"}
        with served(plant, **allowed) as port:
            _register(port, integrator, f"http://127.0.0.1:{target}/events")
        size = plant.size
        started = time.monotonic()
        with command({**plant.environ, **allowed}, "relay"):
            counts = _caught_up(target, size, started)
    bare += _bare(bodies)
    expect("events delivered", (counts["events"], counts["least"], counts["greatest"]), (size, 0, size - 1))
    expect("events of a hanger out of order", counts["out_of_order"], 0)
    marks = counts["marks"]
    sent = [MARK / (later - earlier) for earlier, later in pairwise(marks)]
    unit = statistics.median(bare)
    rows = [
        Row("bare POST of the same bytes, one connection", tuple(bare), tuple(unit / each for each in bare)),
        Row("the webhook: signed, in order, kept", tuple(sent), tuple(unit / each for each in sent)),
    ]
    show(f"A backlog of {size:,} events caught up by webhook, a POST each", rows, "events")
    say(
        f"runs are thousands of one catching-up, the bare ones before and after it: the whole in"
        f" {counts['seconds']:.0f} s;"
    )
    say(f"{counts['deliveries'] - size} events came twice, none out of order within its hanger")
    return rows


@contextlib.contextmanager
def _receiver() -> Iterator[int]:
    """A receiver as a process of its own; its port."""
    program = str(CHECKOUT / "benchmarks" / "receiver.py")
    with subprocess.Popen([sys.executable, program], stdout=subprocess.PIPE) as process:
        try:
            line = process.stdout.readline() if process.stdout else b""
            if not line:
                raise Nonsense("the receiver did not start")
            yield int(line)
        finally:
            process.terminate()


def _bare(bodies: Sequence[bytes]) -> list[float]:
    """Rates of plain POSTs over one connection that stays open."""
    rates = []
    with _receiver() as port, contextlib.closing(connect(port)) as connection:
        for _ in range(BARE_RUNS + 1):
            started = time.perf_counter()
            for body in bodies:
                connection.request("POST", "/", body)
                connection.getresponse().read()
            rates.append(len(bodies) / (time.perf_counter() - started))
    return rates[1:]


def _register(port: int, token: str, url: str) -> None:
    connection = connect(port)
    headers = {
        "Authorization": f"Bearer {token}",
        "Content-Type": "application/json",
        "Idempotency-Key": "bench-webhook",
    }
    connection.request("POST", f"/v1/plants/{PLANT}/webhooks", json.dumps({"url": url, "from": 0}), headers)
    response = connection.getresponse()
    body = response.read()
    connection.close()
    if response.status != 201:
        raise Nonsense(f"the webhook was not registered: {response.status} {body[:300]!r}")


def _caught_up(port: int, size: int, started: float) -> dict[str, Any]:
    """The receiver's counts once every event has come. Raises Nonsense when that takes too long."""
    while True:
        with contextlib.closing(connect(port)) as connection:
            connection.request("GET", "/")
            counts: dict[str, Any] = json.loads(connection.getresponse().read())
        if counts["events"] >= size:
            return counts
        if time.monotonic() - started > LIMIT_S:
            del counts["marks"]
            raise Nonsense(f"the webhook has not caught up after {LIMIT_S:.0f} s: {counts}")
        time.sleep(0.25)
