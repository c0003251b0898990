"""The situation that a guard judges, and what guards share: assemblies, moments and lacks."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from typing import Any

from service.domain.access import Principal
from service.domain.checks import Weighed
from service.domain.criteria import Criteria
from service.domain.facts import Fact
from service.domain.instants import parse_instant
from service.domain.release.codes import LACK_CODES
from service.domain.views import HangerView, LineView
from service.errors import Lack

# When a thing happened on site, and its place in the log: what is later in this order is newer.
Moment = tuple[datetime, int]


@dataclass(frozen=True)
class Situation:
    """An act on a hanger with everything that its guard looks at.

    act: the posted document. actor: who calls. performed_by, performed_by_kind: who did it on site, and
    whether that is a person or a system. occurred_at: when; now: the service's time. release_blockers:
    what keeps the line from being ready for release, empty when ready, None when that was not asked.
    weigh: tells what the line's balance says, or why it says nothing, None where the line has no model; it
    costs more than all else here, so that it is asked by the guards that rest on it alone.
    """

    view: HangerView
    line: LineView
    criteria: Criteria
    act: Mapping[str, Any]
    actor: Principal
    performed_by: str
    performed_by_kind: str
    occurred_at: datetime
    now: datetime
    release_blockers: Sequence[Lack] | None = None
    weigh: Callable[[], Weighed | None] = lambda: None

    @cached_property
    def weighing(self) -> Weighed | None:
        """What the line's balance says, or why it says nothing; None where the line has no model."""
        return self.weigh()

    @property
    def hands(self) -> frozenset[str]:
        """Everybody who has a hand in the act: who did it and who enters it."""
        return frozenset({self.actor.id, self.performed_by})

    def assemblies(self) -> tuple[Assembly, ...]:
        """The hanger's assemblies as the record states them; none where it does not."""
        return assemblies_of(self.view)

    def neighbours(self) -> Iterator[HangerView]:
        """The other hangers of the line."""
        return (hanger for hanger in self.line.hangers if hanger.mark != self.view.mark)

    def lack(self, code: str, detail: str, **known: Any) -> Lack:
        """A lack of the hanger."""
        return make_lack(code, detail, self.view.subject, **known)


@dataclass(frozen=True)
class Assembly:
    """One assembly of a hanger. drawn: number of its stops as drawn, None where the record is silent."""

    view: HangerView
    number: int
    drawn: int | None

    @property
    def subject(self) -> str:
        """Subject of its lacks."""
        return f"{self.view.subject}/assembly/{self.number}"

    def fact(self, name: str) -> Fact | None:
        """A fact of the assembly, or None."""
        return self.view.facts.get(f"assembly/{self.number}/{name}")

    def value(self, name: str) -> Any:
        """Value of a fact of the assembly, or None."""
        fact = self.fact(name)
        return None if fact is None else fact.value

    def stops(self) -> dict[int, Fact]:
        """Every stop that the log knows of, by number."""
        prefix = f"assembly/{self.number}/stop/"
        return {
            int(name.removeprefix(prefix)): fact
            for name, fact in sorted(self.view.facts.items())
            if name.startswith(prefix)
        }

    def lack(self, code: str, detail: str, fact: Fact | None = None, **known: Any) -> Lack:
        """A lack of the assembly, shown by a fact where there is one."""
        return make_lack(
            code, detail, self.subject, shown_by=None if fact is None else fact.shown_by, **known
        )


def assemblies_of(view: HangerView) -> tuple[Assembly, ...]:
    """A hanger's assemblies as its record states them; none where it does not."""
    stated = view.record.get("assemblies", ())
    return tuple(Assembly(view, number, entry.get("stops")) for number, entry in enumerate(stated, start=1))


def make_lack(code: str, detail: str, subject: str, **known: Any) -> Lack:
    """A lack with a code of the published list.

    Raises:
        KeyError: a code that is not published
    """
    LACK_CODES[code]
    return Lack(code, detail, subject, **known)


def moment(fact: Fact) -> Moment:
    """When a fact was so, and its place in the log."""
    return parse_instant(fact.occurred_at), fact.sequence


def latest_work(view: HangerView) -> Moment | None:
    """The latest turn at any assembly of the hanger, or the withdrawal of its stops, whichever is later."""
    moments = [
        moment(fact)
        for name, fact in view.facts.items()
        if name == "withdrawal" or (name.startswith("assembly/") and name.endswith("/ledger"))
    ]
    return max(moments, default=None)


def is_after(fact: Fact, other: Moment | None) -> bool:
    """Whether a fact is newer than a moment; newer than nothing it always is."""
    return other is None or moment(fact) > other
