"""Measuring by turns: what is compared runs in short bursts that alternate within one process.

A shared machine is slow at times. Each round therefore visits every contestant once, beginning with
another one each time, and a ratio is formed within the round, where both met the same machine. What is
printed is the median over the rounds with the quarter points beside it.
"""

from __future__ import annotations

import gc
import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

Work = Callable[[], int]
"""Does a burst of work and returns how many things it did."""

WIDTH: Final = 46


class Nonsense(Exception):
    """A figure that cannot be right: what was counted differs from what was done."""


@dataclass(frozen=True)
class Row:
    """One contestant. rates: things a second in each round. ratios: time for one beside the first's."""

    name: str
    rates: tuple[float, ...]
    ratios: tuple[float, ...]

    @property
    def rate(self) -> float:
        """Median rate, things a second."""
        return statistics.median(self.rates)

    @property
    def ratio(self) -> float:
        """Median over the rounds of the time for one thing beside that of the first contestant."""
        return statistics.median(self.ratios)


def by_turns(contestants: Sequence[tuple[str, Work]], rounds: int) -> list[Row]:
    """Runs every contestant once a round, after one round that does not count.

    Raises:
        Nonsense: a burst did nothing, or took no time.
    """
    times: list[list[float]] = [[] for _ in contestants]
    for number in range(rounds + 1):
        for step in range(len(contestants)):
            place = (number + step) % len(contestants)
            name, work = contestants[place]
            gc.collect()
            started = time.perf_counter()
            done = work()
            passed = time.perf_counter() - started
            if done < 1 or passed <= 0.0:
                raise Nonsense(f"{name}: {done} done in {passed} s")
            if number > 0:
                times[place].append(passed / done)
    return [
        Row(
            name,
            tuple(1.0 / each for each in times[place]),
            tuple(own / first for own, first in zip(times[place], times[0], strict=True)),
        )
        for place, (name, _) in enumerate(contestants)
    ]


def show(title: str, rows: Sequence[Row], of: str) -> None:
    """Prints a table. of: what is counted, in the plural."""
    print(f"\n{title}")
    print(
        f"  {'':{WIDTH}} {'runs':>5} {of + '/s':>13} {'quarter points':>21}   {'time beside the first':>22}"
    )
    for row in rows:
        low, high = quarter_points(row.rates)
        least, most = quarter_points(row.ratios)
        print(
            f"  {row.name:{WIDTH}} {len(row.rates):5} {_figure(row.rate):>13}"
            f" {_figure(low) + ' to ' + _figure(high):>21}   {row.ratio:8.2f}  ({least:.2f} to {most:.2f})",
            flush=True,
        )


def say(text: str) -> None:
    """Prints a line that belongs to the table above it."""
    print(f"  {text}", flush=True)


def expect(what: str, found: object, wanted: object) -> None:
    """Refuses a count that differs. Raises Nonsense."""
    if found != wanted:
        raise Nonsense(f"{what}: {found}, not {wanted}")


def plausible(what: str, value: float, least: float, most: float) -> None:
    """Refuses a figure outside what can be. Raises Nonsense."""
    if not least <= value <= most:
        raise Nonsense(f"{what}: {value:.4g}, outside {least:.4g} to {most:.4g}")


def quarter_points(values: Sequence[float]) -> tuple[float, float]:
    """The lower and the upper quarter point."""
    if len(values) < 2:
        return values[0], values[0]
    low, _, high = statistics.quantiles(values, n=4, method="inclusive")
    return low, high


def _figure(value: float) -> str:
    return f"{value:,.0f}" if value >= 100 else f"{value:,.1f}"
