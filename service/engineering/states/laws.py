"""Laws: what one hanger does to the pipe, as a monotone graph of force against movement.

u is the pipe's movement at the hanger from the line's reference shape, up positive [m]; r the hanger's force
on the pipe, up positive [N]; x the position of the spring's pin (the position indicator), up positive from
the reference position [m]. They are joined by

    u = x + offset - r / k_series,    offset = pick-up height error + turns * lead

offset is positive where the rod is short (the pipe is held high): positive turns add to it. k_series is
that of rod, steel and assembly (infinite when they are taken as rigid).

Going along the graph the pipe rises and the force falls or stays:

    lower_wall   pin on the lower face of the slot, or at the lower end of travel; r at least the spring's
    falling      pin moving down: the spring carries its load and its friction more
    stuck        pin held by friction
    rising       pin moving up: the spring carries its friction less
    upper_wall   pin on the upper face, or at the upper end; r below the spring's
    slack        the rod hangs loose, or the pipe has left its base spring: r = 0

A rod pulls and a base spring pushes; neither does the other, so that r >= 0 on every part. A spring that has
no force left before the end of its travel ends there.

Source: mechanics; the sign of friction is that of a constant support's test, in which the load that moves
down is the greater.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Places = NDArray[np.int64]
Mask = NDArray[np.bool_]

LOWER_WALL: Final = 0
FALLING: Final = 1
STUCK: Final = 2
RISING: Final = 3
UPPER_WALL: Final = 4
SLACK: Final = 5
PARTS: Final = 6

FRICTION_SIGN: Final = np.array([0.0, 1.0, 0.0, -1.0, 0.0, 0.0])
"""By part: what share of the friction a sliding pin adds to the spring's force on the pipe."""


@dataclass(frozen=True)
class Hanger:
    """One hanger at one moment.

    Attributes:
        load_n: force of its spring on the pipe at x = 0, hardware deducted, not negative [N]
        rate_n_per_m: spring rate; 0 for a constant support [N/m]
        friction_n: half the friction band, less than the spring's force [N]
        low_m, high_m: where the pin is held: the faces of the slot while the stop is in, the ends of travel
            when it is out, low_m <= high_m [m]; a rigid hanger has low_m = high_m = 0
        offset_m: pick-up height error and turns, positive where they hold the pipe high [m]
        series_n_per_m: stiffness of rod, steel and assembly; infinite when taken as rigid [N/m]
        slider_m: where friction holds the pin; it counts only with friction [m]
    """

    load_n: float
    rate_n_per_m: float
    friction_n: float
    low_m: float
    high_m: float
    offset_m: float = 0.0
    series_n_per_m: float = math.inf
    slider_m: float = 0.0

    def spring_n(self, x_m: float) -> float:
        """Force of the spring at a position of its pin, without friction [N]."""
        return self.load_n - self.rate_n_per_m * x_m

    @property
    def top_m(self) -> float:
        """Where the pin is held above: the upper face or end, or where the spring has no force left [m]."""
        if self.rate_n_per_m <= 0.0 or self.low_m == self.high_m:
            return self.high_m
        empty = (self.load_n - self.friction_n) / self.rate_n_per_m
        return max(self.low_m, min(self.high_m, empty))

    def stuck_at(self, x_m: float) -> Hanger:
        """The same hanger with its friction holding the pin here [m]."""
        return replace(self, slider_m=x_m)


def rigid(offset_m: float = 0.0, series_n_per_m: float = math.inf) -> Hanger:
    """A rigid hanger: it carries what comes, in tension only.

    Args:
        offset_m: pick-up height error and turns [m]
        series_n_per_m: stiffness of rod, steel and clamp [N/m]
    """
    return Hanger(0.0, 0.0, 0.0, 0.0, 0.0, offset_m, series_n_per_m)


class Laws:
    """The laws of a line's hangers side by side, one column a hanger; offsets and sliders are not in it.

    Attributes:
        load, rate, friction, low, top, series: as in `Hanger`, (m,)
        point: whether the pin has no play, (m,)
        slopes: what each part adds to the line's stiffness, (parts, m) [N/m]; infinite where the pipe is held
        lowest, highest: between which values the coordinate of each part lies, (parts, m); see `held`

    Along its graph a hanger has one coordinate that grows as the pipe rises: -r where the pin is held (lower
    wall, stuck, upper wall), x where it slides, u - offset where the rod is slack.
    """

    def __init__(self, hangers: Sequence[Hanger]) -> None:
        """hangers: in the order of the line's interfaces."""
        rows = [
            (
                each.load_n,
                each.rate_n_per_m,
                each.friction_n,
                each.low_m,
                each.top_m,
                each.series_n_per_m,
                each.high_m,
            )
            for each in hangers
        ]
        columns = np.array(rows, dtype=float).reshape(len(rows), 7).T
        self.load, self.rate, self.friction, self.low, self.top, self.series, self.high = columns
        self.point: Mask = self.low == self.top
        flexible = 1.0 / self.series
        with np.errstate(divide="ignore"):
            sliding = np.where(self.rate > 0.0, 1.0 / (1.0 / self.rate + flexible), 0.0)
        zero = np.zeros(len(rows))
        self.slopes: Array = np.stack([self.series, sliding, self.series, sliding, self.series, zero])
        self.ease: Array = 1.0 / (1.0 + self.rate * flexible)
        self.flexible: Array = flexible
        self.sliding: Array = sliding
        rough, free = self.friction > 0.0, np.full(len(rows), np.inf)
        least = np.where(self.point, 0.0, self.load - self.rate * self.low - self.friction)
        most = self.load - self.rate * self.top + self.friction
        self.lowest: Array = np.stack(
            [-free, self.low, -free, np.where(rough, -free, self.low), -most, self.top]
        )
        self.highest: Array = np.stack([-least, np.where(rough, free, self.top), free, self.top, zero, free])

    def __len__(self) -> int:
        return len(self.load)

    def spring(self, pin: Array) -> Array:
        """Force of each spring with its pin here, without friction, (m,) [N]."""
        return np.asarray(self.load - self.rate * pin)


def held(parts: Places) -> Mask:
    """Where the pin does not move: lower wall, stuck, upper wall."""
    return np.asarray((parts == LOWER_WALL) | (parts == STUCK) | (parts == UPPER_WALL))


def coordinates(
    laws: Laws, parts: Places, movement: Array, force: Array, pin: Array, offset: Array
) -> tuple[Array, Array, Array]:
    """Coordinate of each hanger along its graph (see `Laws`), and between which values its part has it.

    Args:
        laws: the hangers' laws
        parts: the part that each is on, (m,)
        movement, force, pin, offset: u [m], r [N], x [m] and offset [m] of each, (m,)
    """
    every = np.arange(len(parts))
    rests = held(parts)
    along = np.where(rests, -force, np.where(parts == SLACK, movement - offset, pin))
    lowest, highest = laws.lowest[parts, every], laws.highest[parts, every]
    spring, stuck = laws.spring(pin), parts == STUCK
    lowest = np.where(stuck, -(spring + laws.friction), lowest)
    highest = np.where(stuck, -(spring - laws.friction), highest)
    return along, lowest, highest


def neighbour(part: int, onward: int, *, point: bool, smooth: bool) -> int:
    """The part of the graph that follows.

    Args:
        part: the part that is left
        onward: 1 as the pipe rises, -1 as it falls
        point: whether the pin has no play
        smooth: whether the spring has no friction
    """
    if point:
        return SLACK if part == LOWER_WALL else LOWER_WALL
    if part == SLACK:
        return UPPER_WALL
    if part == UPPER_WALL:
        return SLACK if onward > 0 else RISING if smooth else FALLING
    if part == LOWER_WALL:
        return RISING
    if part == STUCK:
        return RISING if onward > 0 else FALLING
    return UPPER_WALL if onward > 0 else LOWER_WALL
