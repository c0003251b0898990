"""Turning: what one turn at each hanger does to every hanger, while no contact changes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from service.engineering.states.laws import FALLING, RISING, SLACK, Array, coordinates, held
from service.engineering.states.tracing import Line, State

_NOISE: Final = 1e-12  # a rate below this share of the greatest is none


@dataclass(frozen=True)
class TurnEffects:
    """Rates for a change of one hanger's offset; row: the hanger that feels it, column: the one turned.

    Attributes:
        force_n_per_m: of r, (m, m) [N/m]; the diagonal is the stiffness under each nut
        movement_m_per_m: of u, (m, m) [1]
        pin_m_per_m: of x, (m, m) [1]
        raise_until_m, lower_until_m: by how much each offset can be raised or lowered, alone, until some
            hanger's contact changes and the column no longer holds, (m,) [m]; infinite where none ever does

    Where a pin slides against friction the rates hold for going on; where turning would bring it back, the
    contact changes at once and the column's bound is 0 on that side.
    """

    force_n_per_m: Array
    movement_m_per_m: Array
    pin_m_per_m: Array
    raise_until_m: Array
    lower_until_m: Array


def turn_effects(line: Line, state: State) -> TurnEffects:
    """What a change of each hanger's offset does to all hangers, from one factorisation.

    Args:
        line: the line
        state: where it stands; the parts that its hangers are on are taken as they are

    Raises:
        NoVerticalStiffness: the hangers that move leave the line free to drift
    """
    laws, parts, count = state.laws, np.array(state.parts, dtype=np.int64), len(state.hangers)
    tableau = line.tableau(laws.slopes[parts, np.arange(count)])
    one = np.eye(count)
    movement, found = tableau.solve(np.diag(tableau.added), one)
    fixed, added = tableau.fixed[:, None], tableau.added[:, None]
    force = np.where(fixed, found, added * (one - movement))
    sliding = (parts == FALLING) | (parts == RISING)
    pin = np.where(sliding[:, None], movement - one + force * laws.flexible[:, None], 0.0)
    slack = (parts == SLACK)[:, None]
    along = np.where(held(parts)[:, None], -force, np.where(slack, movement - one, pin))
    still = _NOISE * np.where(held(parts), np.abs(force).max(initial=0.0), np.abs(movement).max(initial=0.0))
    along = np.where(np.abs(along) > still[:, None], along, 0.0)
    where = coordinates(laws, parts, state.movement_m, state.force_n, state.pin_m, state.offset_m)
    coordinate, lowest, highest = (each[:, None] for each in where)
    rough = laws.friction > 0.0
    # A pin that slid down begins to stick when it turns up, and one that slid up when it turns down.
    highest = np.where((rough & (parts == FALLING))[:, None], coordinate, highest)
    lowest = np.where((rough & (parts == RISING))[:, None], coordinate, lowest)
    reach = [_least((np.where(rate > 0.0, highest, lowest) - coordinate), rate) for rate in (along, -along)]
    return TurnEffects(force, movement, pin, reach[0], reach[1])


def _least(gap: Array, rate: Array) -> Array:
    """Least way over the rows at which a gap closes, (m,); infinite where none does."""
    ways = np.full(rate.shape, np.inf)
    np.divide(gap, rate, out=ways, where=rate != 0.0)
    return np.asarray(np.maximum(ways.min(axis=0, initial=np.inf), 0.0))
