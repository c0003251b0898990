"""Verdicts: what a check found, against which limit, and what margin is left.

Every verdict goes through the one comparison, so that a limit met exactly passes in any unit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from service.engineering.comparison import at_least, at_most, margin_above, margin_below

Status = Literal["pass", "attention", "fail"]


@dataclass(frozen=True)
class Verdict:
    """Result of one comparison. found, limit, margin: SI, one unit; a negative margin is what lacks."""

    status: Status
    found: float
    limit: float
    margin: float


def upper(found: float, limit: float, attention: float | None = None, *, scale: float = 0.0) -> Verdict:
    """A found value against an upper limit.

    Args:
        found: value found
        limit: accepted up to here
        attention: investigated up to here, failing beyond; None where there is no such zone
        scale: size of the numbers that found was reckoned from, for the comparison's slack

    Returns:
        the verdict; limit and margin are those of acceptance
    """
    status: Status = "fail"
    if at_most(found, limit, scale=scale):
        status = "pass"
    elif attention is not None and at_most(found, attention, scale=scale):
        status = "attention"
    return Verdict(status, found, limit, margin_below(found, limit, scale=scale))


def lower(found: float, limit: float, attention: float | None = None, *, scale: float = 0.0) -> Verdict:
    """A found value against a lower limit: the mirror image of `upper`, with the same arguments."""
    status: Status = "fail"
    if at_least(found, limit, scale=scale):
        status = "pass"
    elif attention is not None and at_least(found, attention, scale=scale):
        status = "attention"
    return Verdict(status, found, limit, margin_above(found, limit, scale=scale))


_RANK: dict[Status, int] = {"fail": 0, "attention": 1, "pass": 2}


def worse(first: Verdict, second: Verdict) -> Verdict:
    """The worse of two verdicts of one unit: the worse status, and of equal ones the smaller margin."""
    return min(first, second, key=lambda verdict: (_RANK[verdict.status], verdict.margin))


def between(
    found: float,
    low: float,
    high: float,
    attention_low: float | None = None,
    attention_high: float | None = None,
    *,
    scale: float = 0.0,
) -> Verdict:
    """A found value between two limits; the limit shown is the nearer one, or the one it breaks.

    Args:
        found: value found
        low: accepted from here
        high: accepted up to here
        attention_low: investigated from here; None where there is no such zone
        attention_high: investigated up to here; None where there is no such zone
        scale: as `upper`
    """
    return worse(
        lower(found, low, attention_low, scale=scale), upper(found, high, attention_high, scale=scale)
    )
