"""The one comparison of a found value with a limit.

A limit met exactly passes, in any unit: 250 lbf/in against a limit that was stated in N/mm may differ
in the last bits. So a relative slack of 1e-9 is granted, of the limit's size or, where found and limit
came from subtracting larger numbers, of theirs (`scale`).
"""

from __future__ import annotations

import math

RELATIVE_SLACK = 1e-9


def _slack(limit: float, scale: float) -> float:
    return RELATIVE_SLACK * max(abs(limit), abs(scale))


def at_most(found: float, limit: float, *, scale: float = 0.0) -> bool:
    """Whether found <= limit, a limit met exactly included.

    For a positive limit this is found <= limit * (1 + 1e-9); for a negative or zero one the slack
    still lies on the side of passing.

    Args:
        found: value found; not a number never passes
        limit: upper limit, in the same unit
        scale: size of the numbers that found and limit were reckoned from, same unit; sign unimportant
    """
    return found <= limit + _slack(limit, scale)


def at_least(found: float, limit: float, *, scale: float = 0.0) -> bool:
    """Whether found >= limit, a limit met exactly included: the mirror image of `at_most`.

    Args: as `at_most`, with a lower limit.
    """
    return found >= limit - _slack(limit, scale)


def margin_below(found: float, limit: float, *, scale: float = 0.0) -> float:
    """What is left to an upper limit: limit - found, and 0.0 for a limit met exactly."""
    return _clean(limit - found, at_most(found, limit, scale=scale))


def margin_above(found: float, limit: float, *, scale: float = 0.0) -> float:
    """What is left above a lower limit: found - limit, and 0.0 for a limit met exactly."""
    return _clean(found - limit, at_least(found, limit, scale=scale))


def _clean(margin: float, passes: bool) -> float:
    """A passing comparison never shows a negative margin, which only the slack could make."""
    return 0.0 if passes and not math.isnan(margin) and margin < 0.0 else margin
