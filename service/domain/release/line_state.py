"""What a line's facts say to every hanger on it: authorisations in force, and what moved load last."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime

from service.domain.facts import Fact
from service.domain.instants import parse_instant
from service.domain.views import HangerView, LineView


def authorisations_in_force(line: LineView) -> frozenset[int]:
    """Sequences of the line's authorisations in force: the newest, and those of earlier stages."""
    fact = line.facts.get("authorisation")
    if fact is None or not fact.value["valid"]:
        return frozenset()
    return frozenset({fact.value["sequence"], *(entry["sequence"] for entry in fact.value["earlier"])})


def disturbances(line: LineView, hangers: Iterable[HangerView]) -> Iterator[tuple[str, Fact]]:
    """The last disturbance of the line itself and of each of the hangers, with its subject.

    Args:
        line: the line
        hangers: those that stand on it, as they are to be seen
    """
    holders = [(f"line/{line.line}", line.facts), *((one.subject, one.facts) for one in hangers)]
    for subject, facts in holders:
        if "disturbance" in facts:
            yield subject, facts["disturbance"]


def is_after_disturbance(sequence: int, occurred_at: datetime, disturbance: Fact) -> bool:
    """Whether an observation still counts: later than a disturbance both on site and in the log.

    What was written down later but seen before does not count, nor what bears a later time but was
    written down before.

    Args:
        sequence: place of the observation in the log
        occurred_at: when it was made on site
        disturbance: what moved load
    """
    since = parse_instant(disturbance.value["latest_occurred_at"])
    return sequence > disturbance.sequence and occurred_at > since


def is_undisturbed(sequence: int, occurred_at: datetime, since: Iterable[tuple[str, Fact]]) -> bool:
    """Whether an observation is later than every disturbance; arguments as `is_after_disturbance`."""
    return all(is_after_disturbance(sequence, occurred_at, fact) for _, fact in since)
