"""State: a line at rest on its hangers, and the proof that it is.

K u = f + r holds at every hanger, and each (u, r, x) lies on its hanger's graph (`laws`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np

from service.engineering.states.laws import (
    LOWER_WALL,
    SLACK,
    UPPER_WALL,
    Array,
    Hanger,
    Laws,
)
from service.errors import ServiceError

GREATEST_RESIDUAL: Final = 1e-9
_LEAST_MOVEMENT: Final = 1e-6  # movements are not judged finer than relative to a micrometre [m]
_LEAST_FORCE: Final = 1e-3  # nor forces finer than relative to a millinewton [N]


class PathLost(ServiceError):
    """The events of a path do not come to an end (422)."""

    code = "path-lost"
    title = "The line's movement could not be followed"


class NotAtRest(ServiceError):
    """A state does not balance its loads or leaves a hanger's graph; it is not used (422).

    Facts: `balance`, `law` (relative residuals) and `hanger` (index of the worst).
    """

    code = "not-at-rest"
    title = "The line's equilibrium could not be verified"


@dataclass(frozen=True)
class State:
    """The line at rest.

    Attributes:
        hangers: as they are
        parts: the part of its graph that each is on
        movement_m: u of each, up positive [m]
        force_n: r of each on the pipe, up positive [N]
        pin_m: x of each, up positive [m]
        load_n: f at each, negative for weight [N]
    """

    hangers: tuple[Hanger, ...]
    parts: tuple[int, ...]
    movement_m: Array
    force_n: Array
    pin_m: Array
    load_n: Array

    @cached_property
    def laws(self) -> Laws:
        """The hangers' laws side by side."""
        return Laws(self.hangers)

    @property
    def offset_m(self) -> Array:
        """Offset of each hanger, (m,) [m]."""
        return np.array([each.offset_m for each in self.hangers])

    def stop_n(self) -> Array:
        """What each stop or end of travel adds to the spring: positive where it bears the pipe up [N].

        Of the rod; the pin carries it divided by the linkage ratio. What friction carries, the stop does
        not: this is the least that the stop can be carrying. A rigid hanger has no stop of its own; what it
        bears is in it.
        """
        laws, parts = self.laws, np.array(self.parts)
        excess = self.force_n - laws.spring(self.pin_m)
        over = np.maximum(0.0, excess - laws.friction)
        under = np.minimum(0.0, excess + laws.friction)
        bears = np.where((parts == LOWER_WALL) | ((parts == SLACK) & laws.point), over, 0.0)
        hangs = np.where(
            (parts == UPPER_WALL) | (parts == SLACK) | ((parts == LOWER_WALL) & laws.point), under, 0.0
        )
        return np.asarray(bears + hangs)


@dataclass(frozen=True)
class Residuals:
    """How far a state is from rest.

    Attributes:
        balance: greatest of |K u - f - r| over the greatest load or hanger force [1]
        law: greatest distance of a hanger's (u, r, x) from its graph, forces over the greatest force,
            movements over the greatest movement [1]
        hanger: index of the hanger with the greater of the two
    """

    balance: float
    law: float
    hanger: int

    def refusal(self) -> NotAtRest:
        """The error that says so."""
        return NotAtRest(
            "The state does not balance the line's loads on its hangers.",
            balance=self.balance,
            law=self.law,
            hanger=self.hanger,
        )

    @property
    def within(self) -> bool:
        """Whether both are within GREATEST_RESIDUAL."""
        return self.balance <= GREATEST_RESIDUAL and self.law <= GREATEST_RESIDUAL


def residuals(stiffness: Array, state: State) -> Residuals:
    """Residuals of a state, found from its forces, movements and pins alone, not from the parts it names.

    Args:
        stiffness: of the line without its hangers, (m, m) [N/m]
        state: the state
    """
    if not state.hangers:
        return Residuals(0.0, 0.0, -1)
    laws, offset = state.laws, state.offset_m
    u, r, x = state.movement_m, state.force_n, state.pin_m
    force = max(float(np.abs(state.load_n).max()), float(np.abs(r).max()), _LEAST_FORCE)
    stretch = r * laws.flexible
    move = max(float(np.abs(each).max()) for each in (u, x, offset, stretch))
    move = max(move, _LEAST_MOVEMENT)
    balance = np.abs(stiffness @ u - state.load_n - r) / force
    excess = (r - laws.spring(x)) / force
    band = laws.friction / force
    low, top = laws.low, laws.top
    pulled = np.maximum(0.0, -r) / force
    joined = np.abs(u - x - offset + stretch) / move
    # A pin without play bears whatever comes; any other bears at least its spring's least on the lower wall.
    on_lower = np.maximum(np.abs(x - low) / move, np.where(laws.point, 0.0, np.maximum(0.0, -band - excess)))
    between = np.maximum(np.maximum(low - x, x - top) / move, np.abs(excess) - band)
    on_upper = np.maximum(np.abs(x - top) / move, np.maximum(0.0, excess - band))
    hanging = np.minimum(np.minimum(on_lower, np.maximum(0.0, between)), on_upper)
    tight = np.maximum(np.maximum(joined, pulled), hanging)
    above = np.maximum(0.0, x + offset - u) / move
    loose = np.maximum(np.maximum(np.abs(r) / force, np.abs(x - top) / move), above)
    law = np.minimum(tight, loose)
    worst = np.maximum(balance, law)
    worst = np.where(np.isnan(worst), np.inf, worst)
    return Residuals(float(balance.max()), float(law.max()), int(worst.argmax()))
