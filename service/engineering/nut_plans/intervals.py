"""Closed intervals of SI floats: an estimated value is known between two bounds."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import product

from service.errors import OutOfRange


@dataclass(frozen=True)
class Interval:
    """A value known to lie between `low` and `high`, both included; exact when they are equal.

    Raises:
        OutOfRange: a bound is not finite, or `low` lies above `high`
    """

    low: float
    high: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.low) and math.isfinite(self.high)):
            raise OutOfRange("A bound is not a finite number.", low=str(self.low), high=str(self.high))
        if self.low > self.high:
            raise OutOfRange("The lower bound lies above the upper bound.", low=self.low, high=self.high)

    @classmethod
    def exact(cls, value: float) -> Interval:
        """The interval that holds one value only."""
        return cls(value, value)

    @classmethod
    def hull(cls, values: Iterable[float]) -> Interval:
        """The least interval that holds all values; at least one is needed."""
        members = tuple(values)
        return cls(min(members), max(members))

    @property
    def is_exact(self) -> bool:
        """Whether both bounds are the same number."""
        return self.low == self.high

    @property
    def middle(self) -> float:
        """Half way between the bounds."""
        return self.low + (self.high - self.low) / 2.0

    def times_sign(self, sign: int) -> Interval:
        """The interval itself for sign +1, its mirror image about zero for -1."""
        return self if sign > 0 else Interval(-self.high, -self.low)

    def meet(self, low: float, high: float) -> Interval | None:
        """What this interval and [low, high] have in common; None when they do not meet.

        Args:
            low: lower bound, may be minus infinity
            high: upper bound, may be plus infinity
        """
        bottom, top = max(self.low, low), min(self.high, high)
        return Interval(bottom, top) if bottom <= top else None


def hull_over_corners(function: Callable[..., float], *box: Interval) -> Interval:
    """Hull of a function over a box, taken from the box's corners.

    Right for a function that is monotone in each argument while the others stand still: its extremes
    then lie in corners.

    Args:
        function: takes one float for each interval of the box
        box: intervals of the arguments
    """
    corners = product(*((side.low, side.high) for side in box))
    return Interval.hull(function(*corner) for corner in corners)


def require_positive(**values: float) -> None:
    """Refuse a value that is not a finite number above zero.

    Raises:
        OutOfRange: naming the value
    """
    for name, value in values.items():
        if not (math.isfinite(value) and value > 0.0):
            raise OutOfRange(f"{name} must be a finite number above zero.", name=name, value=str(value))


def require_not_negative(**values: float) -> None:
    """Refuse a value that is not a finite number of zero or more.

    Raises:
        OutOfRange: naming the value
    """
    for name, value in values.items():
        if not (math.isfinite(value) and value >= 0.0):
            raise OutOfRange(f"{name} must be a finite number of zero or more.", name=name, value=str(value))
