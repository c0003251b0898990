"""Views: everything that checks, guards and readiness look at, read as of one sequence."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from service.domain.facts import Facts


@dataclass(frozen=True)
class HangerView:
    """A hanger as of one sequence. record: its document as given; record_sequence: its event."""

    mark: str
    line: str
    kind: str
    record: Mapping[str, Any]
    revision: int
    record_sequence: int
    facts: Facts
    retired: bool = False

    @property
    def subject(self) -> str:
        """Subject of its events."""
        return f"hanger/{self.mark}"

    @property
    def status(self) -> Mapping[str, Any]:
        """The release status fact's value; a hanger without one stands locked in its first cycle."""
        fact = self.facts.get("status")
        if fact is None:
            return INITIAL_STATUS
        value: Mapping[str, Any] = fact.value
        return value

    @property
    def state(self) -> str:
        """Release state by name."""
        return str(self.status["state"])


INITIAL_STATUS: Mapping[str, Any] = {
    "state": "locked",
    "cycle": 1,
    "cycle_started_at": None,
    "cycle_started_sequence": None,
    "held_from": None,
    "authorisation": None,
    "authorised_by": None,
    "paired_with": [],
}


@dataclass(frozen=True)
class LineView:
    """A line as of one sequence, with all hangers that belong to it (retired ones left out).

    record is None when the line has hangers but no record of its own. `sequence` is the last
    event taken into account, -1 for an empty log.
    """

    plant: str
    line: str
    record: Mapping[str, Any] | None
    revision: int
    record_sequence: int | None
    facts: Facts
    hangers: tuple[HangerView, ...]
    sequence: int

    def hanger(self, mark: str) -> HangerView | None:
        """The hanger with this mark on this line, or None."""
        for view in self.hangers:
            if view.mark == mark:
                return view
        return None
