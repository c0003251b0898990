"""Readers over real sockets: streams beside a raw dump of the table, a backlog pulled, live events."""

from __future__ import annotations

import contextlib
import os
import random
import re
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

import psycopg

from benchmarks.beside import conninfo
from benchmarks.measure import Nonsense, Row, by_turns, expect, plausible, quarter_points, say, show
from benchmarks.plant import CHECKOUT, EVERYTHING, PLANT, BenchPlant, get, served
from service.application import log
from service.persistence.engines import choose_sqlite

STREAM_ROUNDS: Final = 7
PULL_ROUNDS: Final = 3
LIVE_EVENTS: Final = 30
EVENTS: Final = f"/v1/plants/{PLANT}/events"
NDJSON: Final = "application/x-ndjson"
_CHUNK: Final = 1_000
_PIECE: Final = 1 << 18
_SCRIPT: Final = re.compile(r"^```python\n(\"\"\"Keep a verified copy.*?)^```$", re.MULTILINE | re.DOTALL)


# --- streams --------------------------------------------------------------------------------------
def measure_stream(engine: str, plant: BenchPlant) -> list[Row]:
    """Prints the rate of NDJSON rows beside a raw dump of the same table, which is written to no file.

    Raises:
        Nonsense: a stream has another number of rows than the log.
    """
    size, token = plant.size, plant.token("auditor")
    context = plant.auditor()

    def within() -> int:
        form = log.Export(trailer=False)
        return sum(part.count(b"\n") for part in log.export_events(context, PLANT, EVERYTHING, 0, None, form))

    with served(plant) as port, raw_dump(plant) as dump:

        def over_socket(query: str, beside: int) -> Callable[[], int]:
            def work() -> int:
                rows = _rows(port, f"{EVENTS}?from=0{query}", token) - beside
                expect("rows of the stream", rows, size)
                return rows

            return work

        rows = by_turns(
            [
                ("raw dump: SELECT body, joined by line breaks", dump),
                ("the same rows by the use case, no socket", within),
                ("NDJSON over a socket, without trailer", over_socket("&trailer=false", 0)),
                ("NDJSON over a socket, with signed trailer", over_socket("", 1)),
            ],
            STREAM_ROUNDS,
        )
    show(f"Streaming a log of {size:,} events on {engine}", rows, "rows")
    plausible("rows over a socket beside a raw dump", rows[3].ratio, 0.5, 500.0)
    return rows


def _rows(port: int, path: str, token: str) -> int:
    connection, response = get(port, path, token, Accept=NDJSON)
    with contextlib.closing(connection):
        count = 0
        while piece := response.read(_PIECE):
            count += piece.count(b"\n")
    return count


@contextlib.contextmanager
def raw_dump(plant: BenchPlant) -> Iterator[Callable[[], int]]:
    """What reads the plant's rows by the bare driver, in chunks of 1,000, and writes the lines to nowhere."""
    with plant.store.read(PLANT) as reader:
        number = reader.log
    file = plant.settings.sqlite_file
    connection: Any
    if file is not None:
        connection = choose_sqlite().connect(str(file))
        query = "SELECT body FROM events WHERE log = ? ORDER BY sequence"
    else:
        connection = psycopg.connect(conninfo(plant.settings.database_url))
        query = "SELECT body FROM events WHERE log = %s ORDER BY sequence"

    def dump() -> int:
        count = 0
        with open(os.devnull, "wb") as nowhere:
            cursor = connection.cursor(binary=True) if file is None else connection.cursor()
            cursor.execute(query, (number,))
            while rows := cursor.fetchmany(_CHUNK):
                nowhere.write(b"".join(body + b"\n" for (body,) in rows))
                count += len(rows)
            cursor.close()
        return count

    with contextlib.closing(connection):
        yield dump


# --- a backlog pulled ----------------------------------------------------------------------------------
def measure_pull(plant: BenchPlant) -> list[Row]:
    """Prints how fast the script of README.md takes in the whole log: pulled, verified, kept on disk.

    Raises:
        Nonsense: the copy is not the log's exact bytes.
    """
    found = _SCRIPT.search((CHECKOUT / "README.md").read_text("utf-8"))
    if found is None:
        raise Nonsense("README.md has no script that keeps a copy of the log")
    size = plant.size
    token = plant.token("auditor")
    with (
        served(plant) as port,
        raw_dump(plant) as dump,
        tempfile.TemporaryDirectory(prefix="bench-pull-") as name,
    ):
        folder = Path(name)
        script, keys = folder / "script.py", folder / "keys"
        script.write_text(found[1], "utf-8")
        connection, response = get(port, f"/v1/plants/{PLANT}/log/key", token, Accept="text/plain")
        keys.write_bytes(response.read())
        connection.close()
        copies: list[Path] = []

        def pulled() -> int:
            copy = folder / f"copy{len(copies)}"
            copies.append(copy)
            url = f"http://127.0.0.1:{port}/v1/plants/{PLANT}"
            arguments = [sys.executable, str(script), url, str(copy), str(keys), "--once"]
            subprocess.run(
                arguments, env={**os.environ, "TOKEN": token}, check=True, stdout=subprocess.DEVNULL
            )
            with (copy / "events.ndjson").open("rb") as events:
                return sum(1 for _ in events)

        rows = by_turns(
            [("raw dump of the table", dump), ("README's script, from nothing", pulled)], PULL_ROUNDS
        )
        kept = (copies[-1] / "events.ndjson").read_bytes()
    expect("the copy's bytes", kept == b"".join(each + b"\n" for each in plant.entries(0, size)), True)
    show(f"A backlog of {size:,} events caught up by pull", rows, "events")
    say(f"the whole backlog in {size / rows[1].rate:.1f} s")
    return rows


# --- live -------------------------------------------------------------------------------------------
def measure_live(plant: BenchPlant) -> tuple[float, ...]:
    """Prints how long after its commit an event arrives by server-sent events; the times in seconds.

    Raises:
        Nonsense: an event did not arrive.
    """
    start, token, chance = plant.size, plant.token("auditor"), random.Random(2)
    arrived: dict[int, float] = {}
    complete = threading.Event()
    with served(plant) as port:
        connection, response = get(port, f"{EVENTS}?from={start}", token, Accept="text/event-stream")

        def listen() -> None:
            with contextlib.suppress(OSError, ValueError):
                while line := response.readline():
                    if line.startswith(b"id: "):
                        arrived.setdefault(int(line[4:]), time.monotonic())
                    if len(arrived) >= LIVE_EVENTS:
                        complete.set()
                        return

        listener = threading.Thread(target=listen, daemon=True)
        listener.start()
        committed: dict[int, float] = {}
        for number in range(LIVE_EVENTS):
            time.sleep(chance.uniform(0.05, 0.7))
            plant.append(1, 1)
            committed[start + number] = time.monotonic()
        complete.wait(10.0)
        connection.close()
    expect("events that arrived", sorted(arrived), sorted(committed))
    times = tuple(max(arrived[each] - committed[each], 0.0) for each in committed)
    low, high = quarter_points(times)
    print(f"\nServer-sent events: from the commit to the reader, {LIVE_EVENTS} events at uneven times")
    say(
        f"median {statistics.median(times) * 1000:.0f} ms, quarter points {low * 1000:.0f} to"
        f" {high * 1000:.0f}, longest {max(times) * 1000:.0f} (the log is looked at each 500 ms)"
    )
    plausible("seconds from commit to reader", statistics.median(times), 0.0, 3.0)
    return times
