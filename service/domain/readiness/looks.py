"""What a condition looks at: the line, one of its hangers, or one assembly of a hanger."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from service.domain.balance.weighing import Weighing
from service.domain.checks import Weighed
from service.domain.criteria import Criteria
from service.domain.facts import Fact
from service.domain.instants import parse_instant
from service.domain.views import HangerView, LineView

# States in which every stop of the hanger has been drawn.
STOPS_DRAWN = frozenset({"stops_out", "positioning", "released", "proved"})

# Names of the line's facts that are concessions; the sequence of each follows.
CONCESSION_PREFIX = "concession/"

Place = tuple[datetime, int]


def place(fact: Fact) -> Place:
    """Where a fact stands in time: when it happened on site, then its place in the log."""
    return parse_instant(fact.occurred_at), fact.sequence


@dataclass(frozen=True)
class LineLook:
    """A line for one purpose at one instant.

    hangers: those not retired. weighed: what the line's balance says, or why it says nothing; None where the
    line has no model.
    """

    line: LineView
    purpose: str
    criteria: Criteria
    at: datetime
    hangers: tuple[HangerView, ...]
    locked_again: tuple[datetime, HangerView] | None
    weighed: Weighed | None = None

    @classmethod
    def of(
        cls,
        line: LineView,
        purpose: str,
        criteria: Criteria,
        at: datetime,
        weighing: Weighed | None = None,
    ) -> LineLook:
        """The look at a line; notes when a hanger of it was last locked again."""
        hangers = tuple(hanger for hanger in line.hangers if not hanger.retired)
        starts = [
            (parse_instant(hanger.status["cycle_started_at"]), hanger)
            for hanger in hangers
            if hanger.status["cycle_started_at"] is not None
        ]
        latest = max(starts, key=lambda start: start[0], default=None)
        return cls(line, purpose, criteria, at, hangers, latest, weighing)

    @property
    def subject(self) -> str:
        """Subject of the line's blockers."""
        return f"line/{self.line.line}"

    @property
    def weighing(self) -> Weighing | None:
        """What the line's balance says, where it says anything."""
        return self.weighed if isinstance(self.weighed, Weighing) else None

    def stated(self, *path: str) -> Any:
        """What the line's record states under a path of keys; None where it states nothing."""
        found: Any = self.line.record
        for key in path:
            found = None if found is None else found.get(key)
        return found

    def precedes(self, fact: Fact) -> HangerView | None:
        """The hanger that was locked again after the fact, which then counts no more; or None.

        A line that was filled, cleaned or cut since is not what was inspected before.
        """
        if self.locked_again is None:
            return None
        start, hanger = self.locked_again
        return hanger if parse_instant(fact.occurred_at) < start else None


@dataclass(frozen=True)
class HangerLook:
    """One hanger of the line."""

    on: LineLook
    view: HangerView

    @property
    def subject(self) -> str:
        """Subject of the hanger's blockers."""
        return self.view.subject

    @property
    def sprung(self) -> bool:
        """Whether it has a spring, and so stops; anything that is not plainly rigid has."""
        return self.view.kind != "rigid"

    @property
    def weighed(self) -> bool:
        """Whether the balance of the line knows the hanger."""
        weighing = self.on.weighing
        return weighing is not None and self.view.mark in weighing.hangers

    @property
    def state(self) -> str:
        """Release state; for a hanger on hold the one in which it is held."""
        status = self.view.status
        if status["state"] == "on_hold":
            return str(status["held_from"])
        return str(status["state"])

    @property
    def stops_drawn(self) -> bool:
        """Whether its stops have all been drawn, so that conditions of a locked hanger say nothing."""
        return self.state in STOPS_DRAWN

    @property
    def worked_on(self) -> bool:
        """Whether, for release, the crew is at work on it or has been: its hardware may be off."""
        return self.on.purpose == "release" and self.state not in ("locked", "cleared")

    def turned_after(self, fact: Fact) -> bool:
        """Whether an adjuster of any of its assemblies was turned after the fact."""
        turned = [held for name, held in self.view.facts.items() if name.endswith("/ledger")]
        return any(place(held) > place(fact) for held in turned)

    def assemblies(self) -> Iterator[AssemblyLook]:
        """Its assemblies as the record states them, from 1."""
        for index, entry in enumerate(self.view.record.get("assemblies", ()), start=1):
            yield AssemblyLook(self, index, entry.get("stops"))


@dataclass(frozen=True)
class AssemblyLook:
    """One assembly. drawn: number of stops as drawn, None where the record does not state it."""

    of: HangerLook
    number: int
    drawn: int | None

    @property
    def subject(self) -> str:
        """Subject of the assembly's blockers."""
        return f"{self.of.subject}/assembly/{self.number}"

    def fact(self, name: str) -> Fact | None:
        """A fact of the assembly, or None."""
        return self.of.view.facts.get(f"assembly/{self.number}/{name}")

    def stops(self) -> dict[int, Fact]:
        """Every stop that the log knows of, by number."""
        prefix = f"assembly/{self.number}/stop/"
        return {
            int(name.removeprefix(prefix)): fact
            for name, fact in sorted(self.of.view.facts.items())
            if name.startswith(prefix)
        }
