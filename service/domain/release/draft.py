"""A draft of facts: what one event changes, while it is being folded."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.domain.events import Event
from service.domain.facts import Changes, Fact, Facts
from service.domain.instants import parse_instant
from service.domain.views import INITIAL_STATUS


class Draft:
    """Facts under one event: reads see what the event has changed so far."""

    def __init__(self, facts: Facts, event: Event, place: int) -> None:
        self._facts = facts
        self.event = event
        self.place = place
        self.changes: Changes = {}

    def get(self, name: str) -> Fact | None:
        """The fact as this event has left it so far, or None."""
        if name in self.changes:
            return self.changes[name]
        return self._facts.get(name)

    def value(self, name: str, otherwise: Any) -> Any:
        """Value of a fact, or what stands for an unknown one."""
        fact = self.get(name)
        return otherwise if fact is None else fact.value

    def put(self, name: str, value: Any, *, occurred_at: str | None = None) -> None:
        """Set a fact that this event shows; occurred_at where the fact keeps a later moment."""
        self.changes[name] = Fact(
            value=value,
            sequence=self.place,
            shown_by=self.event.sequence,
            occurred_at=occurred_at or self.event.occurred_at,
            performed_by=self.event.performed_by,
        )

    def put_accumulated(self, name: str, value: Any) -> None:
        """Set a fact to which many events add: its moment is the latest of any of them."""
        old = self.get(name)
        moment = self.event.occurred_at
        if old is not None:
            moment = later(moment, old.occurred_at)
        self.put(name, value, occurred_at=moment)

    def put_if_newest(self, name: str, value: Any) -> bool:
        """Set a fact unless what is known was seen later. Places only grow, so moments decide."""
        old = self.get(name)
        if old is not None and parse_instant(old.occurred_at) > parse_instant(self.event.occurred_at):
            return False
        self.put(name, value)
        return True

    def amend(self, name: str, fact: Fact, value: Any) -> None:
        """Change a fact's value and keep what shows it."""
        self.changes[name] = Fact(value, fact.sequence, fact.shown_by, fact.occurred_at, fact.performed_by)

    def drop(self, name: str) -> None:
        """Forget a fact."""
        if self.get(name) is not None:
            self.changes[name] = None

    def names(self, prefix: str) -> list[str]:
        """Names of known facts that begin so, in order."""
        known = {name for name in (*self._facts, *self.changes) if name.startswith(prefix)}
        return sorted(name for name in known if self.get(name) is not None)

    @property
    def status(self) -> Mapping[str, Any]:
        """The release status, that of a newly erected hanger where none is known."""
        status: Mapping[str, Any] = self.value("status", INITIAL_STATUS)
        return status

    def is_before_cycle(self) -> bool:
        """Whether the event happened before the present cycle began."""
        started = self.status["cycle_started_at"]
        return started is not None and parse_instant(self.event.occurred_at) < parse_instant(started)

    def disturb(self, what: str) -> None:
        """Note that load may have moved between stops somewhere on the line."""
        old = self.get("disturbance")
        moment = self.event.occurred_at
        if old is not None:
            moment = later(moment, old.value["latest_occurred_at"])
        self.put("disturbance", {"what": what, "latest_occurred_at": moment}, occurred_at=moment)

    def note_performers(self, act: str) -> None:
        """Note who had a hand in a performing act of this cycle: who did it and who entered it."""
        performers = {who: list(acts) for who, acts in self.value("performers", {}).items()}
        for who in (self.event.actor, self.event.performed_by):
            acts = performers.setdefault(who, [])
            if act not in acts:
                acts.append(act)
        self.put_accumulated("performers", performers)


def later(one: str, other: str) -> str:
    """Whichever text names the later moment; the first where both name the same."""
    return other if parse_instant(other) > parse_instant(one) else one
