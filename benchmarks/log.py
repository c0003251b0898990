"""The log's speed: appending, verifying, streaming, proving and catching up, each beside something known.

Everything that is compared runs by turns within this one process (`measure`), so that the ratios hold
on a busy machine where the figures themselves do not.

Run: make bench, or `PYTHONPATH=. python benchmarks/log.py [SECTION ...]` with any of the sections below.
BENCH_BACKLOG sets how many events a reader has to catch up with.
"""

from __future__ import annotations

import contextlib
import os
import platform
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

from benchmarks.appends import BATCH, measure_appends
from benchmarks.beside import Packaged, RawPostgresql, RawSqlite, packaged_needs
from benchmarks.measure import Nonsense, say
from benchmarks.plant import BenchPlant, open_plant
from benchmarks.proving import measure_proofs, measure_verifying
from benchmarks.reading import measure_live, measure_pull, measure_stream
from benchmarks.sending import measure_webhook
from tests import postgres

BACKLOG: Final = int(os.environ.get("BENCH_BACKLOG", "100000"))
STREAMED: Final = 8_000  # events on PostgreSQL


class Places:
    """The folders, databases and plants of one run, made when first asked for and removed at the end."""

    def __init__(self, folder: Path, stack: contextlib.ExitStack) -> None:
        """folder: empty. stack: closes what was made."""
        self.folder = folder
        self._stack = stack
        self._server: str | None = None
        self._sqlite: BenchPlant | None = None
        self._postgresql: BenchPlant | None = None

    def database(self) -> str:
        """URL of an empty database on a PostgreSQL that keeps what it acknowledges."""
        if self._server is None:
            self._server = os.environ.get("TEST_DATABASE_URL")
        if self._server is None:
            postgres.SPEED = ()  # the tests' server forgets on a power loss, and is faster for it
            server = postgres.start_server()
            self._stack.callback(server.stop)
            self._server = server.url
        return self._stack.enter_context(postgres.temporary_database(self._server))

    def fill(self, plant: BenchPlant, size: int = BACKLOG) -> None:
        """Appends readings until the log has at least this size."""
        missing = size - plant.size
        if missing <= 0:
            return
        started = time.monotonic()
        plant.append(missing // BATCH, BATCH)
        plant.append(1, missing % BATCH or 1)
        passed = time.monotonic() - started
        print(f"\n{missing:,} events appended in batches of {BATCH} in {passed:.0f} s.", flush=True)

    @property
    def sqlite(self) -> BenchPlant:
        """The plant on SQLite."""
        if self._sqlite is None:
            self._sqlite = open_plant(self.folder / "sqlite")
            self._stack.callback(self._sqlite.store.close)
        return self._sqlite

    @property
    def postgresql(self) -> BenchPlant:
        """The plant on PostgreSQL."""
        if self._postgresql is None:
            self._postgresql = open_plant(self.folder / "postgresql", self.database())
            self._stack.callback(self._postgresql.store.close)
        return self._postgresql


def on_sqlite(places: Places) -> None:
    """Appending on SQLite."""
    raw, packaged = RawSqlite(places.folder / "raw.db"), Packaged.on_sqlite(places.folder / "packaged.db")
    measure_appends(f"SQLite {raw.version}, WAL, synchronous=FULL", places.sqlite, raw, packaged)
    raw.close()
    packaged.close()


def on_postgresql(places: Places) -> None:
    """Appending on PostgreSQL."""
    raw = RawPostgresql(places.database())
    lacking = packaged_needs()
    packaged = None if lacking else Packaged.on_postgresql(places.database())
    engine = f"PostgreSQL {raw.version}, fsync, synchronous_commit"
    measure_appends(engine, places.postgresql, raw, packaged)
    if lacking:
        say(f"eventsourcing was not measured on PostgreSQL: {lacking}")
    else:
        packaged.close()
    raw.close()


def on_proofs(places: Places) -> None:
    """Verifying, proving and signing."""
    places.fill(places.sqlite)
    measure_verifying(places.sqlite)
    measure_proofs(places.sqlite)


def on_streams(places: Places) -> None:
    """NDJSON over a socket."""
    places.fill(places.sqlite)
    measure_stream("SQLite", places.sqlite)
    places.fill(places.postgresql, STREAMED)
    measure_stream("PostgreSQL", places.postgresql)


def on_pull(places: Places) -> None:
    """A backlog caught up by pull."""
    places.fill(places.sqlite)
    measure_pull(places.sqlite)


def on_webhook(places: Places) -> None:
    """A backlog caught up by webhook."""
    places.fill(places.sqlite)
    measure_webhook(places.sqlite)


def on_live(places: Places) -> None:
    """Events as they happen."""
    measure_live(places.sqlite)


SECTIONS: Final[dict[str, Callable[[Places], None]]] = {
    "sqlite": on_sqlite,
    "postgresql": on_postgresql,
    "proofs": on_proofs,
    "streams": on_streams,
    "pull": on_pull,
    "live": on_live,
    "webhook": on_webhook,
}


@contextlib.contextmanager
def _places() -> Iterator[Places]:
    with tempfile.TemporaryDirectory(prefix="bench-") as folder, contextlib.ExitStack() as stack:
        yield Places(Path(folder), stack)


def main(names: list[str]) -> int:
    """Runs the sections named, all when none is; returns 1 when a figure cannot be right."""
    unknown = set(names) - SECTIONS.keys()
    if unknown:
        print(f"Sections are {', '.join(SECTIONS)}.", file=sys.stderr)
        return 2
    started = time.monotonic()
    print(
        f"Python {platform.python_version()}, {os.cpu_count()} cores, load {_load()} at the start. Medians"
        " over runs that alternate within\nthis one process; a ratio is formed within a round, where both"
        " met the same machine."
    )
    try:
        with _places() as places:
            for name in names or SECTIONS:
                SECTIONS[name](places)
    except Nonsense as error:
        print(f"Nonsense: {error}", file=sys.stderr)
        return 1
    print(f"\n{time.monotonic() - started:.0f} s in all, load {_load()} at the end.")
    return 0


def _load() -> str:
    return f"{os.getloadavg()[0]:.1f}"


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
