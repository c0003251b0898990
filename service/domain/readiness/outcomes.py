"""Outcomes: what one condition says of one subject, met or not, and the event that shows it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Literal

from service.domain.facts import Fact
from service.domain.readiness.codes import BLOCKER_CODES

Standing = Literal["met", "known", "unknown"]

# When several outcomes answer for one code and subject, what is known to be wrong outweighs what is
# not known, and both outweigh what is met.
_RANK: dict[Standing, int] = {"known": 0, "unknown": 1, "met": 2}


@dataclass(frozen=True, slots=True)
class Outcome:
    """One condition for one subject.

    code: of the blocker that it gives when it is not met. standing: `met`, `known` not to be met, or
    `unknown`. shown_by: sequence of the event that shows it, None where there is none. never: why this
    one cannot be conceded although its code can, or None.
    """

    code: str
    subject: str
    standing: Standing
    detail: str
    expected: Any = None
    known: Any = None
    shown_by: int | None = None
    never: str | None = None

    @property
    def refusal(self) -> str | None:
        """Why it cannot be conceded; None where it can."""
        if self.standing == "unknown":
            return "what is not known cannot be conceded"
        return self.never or BLOCKER_CODES[self.code].never

    def as_blocker(self) -> dict[str, Any]:
        """The outcome as a blocker of the answer."""
        return {
            "code": self.code,
            "kind": self.standing,
            "subject": self.subject,
            "detail": self.detail,
            "expected": self.expected,
            "known": self.known,
            "shown_by": self.shown_by,
            "concedable": self.refusal is None,
        }

    def as_satisfied(self) -> dict[str, Any]:
        """The outcome as a condition that is met."""
        return {
            "code": self.code,
            "subject": self.subject,
            "detail": self.detail,
            "known": self.known,
            "shown_by": self.shown_by,
        }


def judged(
    code: str,
    subject: str,
    fact: Fact | None,
    good: Callable[[Any], bool],
    *,
    expected: Any,
    met: str,
    failed: str,
    missing: str,
) -> Outcome:
    """The outcome of one fact that is good, or not, or not there.

    Args:
        code, subject: of the outcome
        fact: what the log shows, None where nothing does
        good: whether the fact's value meets the condition
        expected: value that would meet it
        met, failed, missing: a sentence for each case
    """
    if fact is None:
        return Outcome(code, subject, "unknown", missing, expected)
    if good(fact.value):
        return Outcome(code, subject, "met", met, expected, fact.value, fact.shown_by)
    return Outcome(code, subject, "known", failed, expected, fact.value, fact.shown_by)


def gathered(outcomes: Iterable[Outcome]) -> list[Outcome]:
    """One outcome for each code and subject, the weightiest, in order of first appearance.

    A concession names code and subject, so no two blockers may share both: one concession would
    otherwise hide the other.
    """
    kept: dict[tuple[str, str], Outcome] = {}
    for outcome in outcomes:
        key = (outcome.code, outcome.subject)
        held = kept.get(key)
        if held is None or _RANK[outcome.standing] < _RANK[held.standing]:
            kept[key] = outcome
    return list(kept.values())


def unmet(outcomes: Iterable[Outcome]) -> Iterator[Outcome]:
    """Those that block."""
    return (outcome for outcome in outcomes if outcome.standing != "met")
