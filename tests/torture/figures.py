"""What a run amounts to, and how it is told."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

from tests.torture.history import History
from tests.torture.invariants import Violation, summary

COUNTED = (
    "requests",
    "acknowledged",
    "unknown",
    "retried",
    "abandoned",
    "checkpoints",
    "deliveries",
)


@dataclass
class Figures:
    """What a run amounts to."""

    cycles: int = 0
    counts: Counter[str] = field(default_factory=Counter)
    deaths: Counter[str] = field(default_factory=Counter)
    actions: Counter[str] = field(default_factory=Counter)
    statuses: Counter[int] = field(default_factory=Counter)
    found: list[Violation] = field(default_factory=list)
    skipped: Counter[str] = field(default_factory=Counter)

    def lines(self) -> Iterator[str]:
        """The report."""
        yield f"cycles                {self.cycles}"
        for name in COUNTED:
            yield f"{name:<21} {self.counts[name]}"
        yield f"answers               {dict(sorted(self.statuses.items()))}"
        yield f"deaths at points      {sum(self.deaths.values())}"
        for point, count in sorted(self.deaths.items()):
            yield f"  {point:<22} {count}"
        yield f"other harm            {dict(sorted(self.actions.items()))}"
        for reason, count in self.skipped.items():
            yield f"skipped               {reason} ({count} times)"
        yield f"violations            {len(self.found)}"
        for violation in self.found[:20]:
            yield f"  {violation}"

    def take(self, history: History) -> None:
        """Adds what one round saw."""
        self.counts.update(summary(history))
        for sent in history.sent:
            self.statuses.update(sent.statuses)
