"""Appends a second beside bare commits of the same engine and beside the eventsourcing package."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, Protocol

from benchmarks.beside import Packaged
from benchmarks.measure import Row, Work, by_turns, expect, plausible, show
from benchmarks.plant import BenchPlant

BURST: Final = 20  # transactions of one event in a burst
SINGLE_ROUNDS: Final = 40
BATCH: Final = 500  # events in one transaction
BATCH_ROUNDS: Final = 12


class Raw(Protocol):
    """A table of bytes on one engine."""

    version: str

    def commit(self, transactions: int, bodies: Sequence[bytes]) -> int:
        """Inserts all the bodies in so many transactions."""


def measure_appends(engine: str, plant: BenchPlant, raw: Raw, packaged: Packaged | None) -> list[Row]:
    """Prints both tables of one engine; the rows of the service, single and in batches.

    Raises:
        Nonsense: a log or table holds another number of events than was written.
    """
    before = plant.size
    plant.append(1, BATCH)
    bodies = plant.entries(before, before + BATCH)
    length = sum(map(len, bodies)) // len(bodies)
    held = 0 if packaged is None else packaged.stored()
    shown: list[Row] = []
    for title, transactions, each, rounds in (
        ("one event a transaction", BURST, 1, SINGLE_ROUNDS),
        (f"{BATCH} events a transaction", 1, BATCH, BATCH_ROUNDS),
    ):
        rows = by_turns(_contestants(plant, raw, packaged, bodies, transactions, each), rounds)
        show(f"Appending on {engine}, {title} ({length} bytes an event)", rows, "events")
        plausible(f"{engine}: time beside a bare commit", rows[1].ratio, 0.5, 200.0)
        shown.append(rows[1])
    in_all = (SINGLE_ROUNDS + 1) * BURST + (BATCH_ROUNDS + 1) * BATCH
    if packaged is not None:
        expect(f"{engine}: events in the package", packaged.stored(), held + 2 * in_all)
    expect(f"{engine}: events in the log", plant.size, before + BATCH + in_all)
    return shown


def _contestants(
    plant: BenchPlant,
    raw: Raw,
    packaged: Packaged | None,
    bodies: Sequence[bytes],
    transactions: int,
    each: int,
) -> list[tuple[str, Work]]:
    some = bodies[: transactions * each]
    made: list[tuple[str, Work]] = [
        ("bare INSERT and COMMIT of the same bytes", lambda: raw.commit(transactions, some)),
        ("the service: log, tables, signed checkpoint", lambda: plant.append(transactions, each)),
    ]
    if packaged is not None:
        made += [
            ("eventsourcing: application", lambda: packaged.save(transactions, some)),
            ("eventsourcing: recorder alone", lambda: packaged.record(transactions, some)),
        ]
    return made
