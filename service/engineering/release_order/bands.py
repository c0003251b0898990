"""Bands: how far a line at rest may be from its state without friction, whatever friction there is.

Two figures. The likely one: every spring that moves with the pipe carries its load within its band, and every
pin that presses on a face stays there. The strict one holds for any state that friction can leave: each
released spring carries its load within its band, and each locked pin stands somewhere between the faces of
its slot; one that presses on its face by more than its friction can carry stays there, any other may have
been left anywhere between. All of this is linear in the loads of the springs and the places of the pins,
and which pins may move is found by widening until none is added. Slots that are wide for their line make
the strict figure far greater than what can come about, since pins do not move against their load.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from service.engineering.release_order.field import Field, Flags, Rests
from service.engineering.states.laws import LOWER_WALL, SLACK, UPPER_WALL
from service.engineering.states.tracing import Array

_ROUNDS: Final = 8


@dataclass(frozen=True)
class Margins:
    """How much more or less there may be, (b, m), never negative.

    force_up, force_down: of forces [N]. bears_up, bears_down: of the rod's force over and under its spring's
    [N]. pin_up, pin_down: of pins [m]. may_move: locked pins that may lie anywhere in their slots. bound:
    whether it holds for every state within the bands, (b,); never of the likely figure.
    """

    force_up: Array
    force_down: Array
    bears_up: Array
    bears_down: Array
    pin_up: Array
    pin_down: Array
    may_move: Flags
    bound: Flags


def margins(
    field: Field, rests: Rests, friction_n: Array, *, strict: bool = False, also: Flags | None = None
) -> Margins:
    """What friction may add to or take from states at rest without it.

    Args:
        field: the line
        rests: sets at rest
        friction_n: half the friction band of each hanger, (m,) [N]
        strict: the strict figure instead of the likely one
        also: with the strict figure: locked pins that are to count as lying anywhere in their slots, (b, m)
    """
    low, high = field.faces(rests.out)
    single = low == high
    free = ~np.isin(rests.parts, (LOWER_WALL, UPPER_WALL, SLACK))
    wall = np.isin(rests.parts, (LOWER_WALL, UPPER_WALL))
    loose = free & ~rests.out & ~single & strict
    moving = free & ~loose
    held = wall | loose
    felt, moved = _influence(field, rests, moving, held, loose)
    at_pin = field.load - field.rate * rests.pin
    may_move = loose if also is None else loose | (also & ~rests.out & ~single & held)
    lower, upper = (rests.parts == LOWER_WALL) & ~single, rests.parts == UPPER_WALL
    settled = np.zeros(len(rests.parts), dtype=bool)
    for _ in range(_ROUNDS):
        least = np.where(moving, -friction_n, np.where(may_move, low - rests.pin, 0.0))
        most = np.where(moving, friction_n, np.where(may_move, high - rests.pin, 0.0))
        up, down = _range(felt, least, most)
        if not strict:
            break
        leaves = (lower & (rests.force - down < at_pin + friction_n)) | (
            upper & (rests.force + up > at_pin - friction_n)
        )
        # A released hanger at an end of its travel is beyond every limit already.
        wider = may_move | (leaves & ~rests.out)
        settled = (wider == may_move).all(axis=1)
        if settled.all():
            break
        may_move = wider
    pin_up, pin_down = _range(moved, least, most)
    tight = np.where(wall | loose, rests.force - down >= 0.0, True)
    hangs = np.where(
        rests.parts == SLACK, rests.movement - rests.offsets - high >= pin_down + np.maximum(most, 0.0), True
    )
    inside = np.where(moving, (rests.pin - pin_down >= low) & (rests.pin + pin_up <= high), True)
    gone_up = np.where(may_move, field.rate * (high - rests.pin), 0.0)
    gone_down = np.where(may_move, field.rate * (rests.pin - low), 0.0)
    return Margins(
        up,
        down,
        up + friction_n + gone_up,
        down + friction_n + gone_down,
        np.where(moving, pin_up, np.where(may_move, high - rests.pin, 0.0)),
        np.where(moving, pin_down, np.where(may_move, rests.pin - low, 0.0)),
        may_move,
        np.asarray(settled & (tight & hangs & inside).all(axis=1)),
    )


def _influence(field: Field, rests: Rests, moving: Flags, held: Flags, loose: Flags) -> tuple[Array, Array]:
    """Force and pin of each hanger (rows) for a unit at each (columns): of load where it moves, else of pin.

    Returns:
        force, (b, m, m) [1 or N/m]; pin, or movement of the pipe at a slack rod, (b, m, m) [m/N or 1]
    """
    stiff = np.isinf(field.series)
    series = np.where(stiff, 0.0, field.series)
    weight = 1.0 / (1.0 + field.rate * field.softness)
    slope = np.where(held, series, np.where(moving, field.rate * weight, 0.0))
    fixed = held & stiff
    inverse, product = rests.inverse, rests.product
    if loose.any():
        size = rests.parts.shape[1]
        system = np.broadcast_to(field.stiffness, inverse.shape).copy()
        system[fixed] = 0.0
        diagonal = np.arange(size)
        system[:, diagonal, diagonal] += np.where(fixed, field.scale, slope)
        inverse = np.asarray(np.linalg.inv(system), dtype=np.float64)
        product = field.stiffness @ inverse
    entering = np.where(moving, weight, np.where(fixed, field.scale, np.where(held, series, 0.0)))
    movement = inverse * entering[:, None, :]
    felt = np.where(fixed[:, :, None], product * entering[:, None, :], -slope[:, :, None] * movement)
    own = np.arange(rests.parts.shape[1])
    felt[:, own, own] += np.where(moving, weight, np.where(held & ~stiff, series, 0.0))
    return felt, movement + felt * field.softness[:, None]


def _range(influence: Array, least: Array, most: Array) -> tuple[Array, Array]:
    """The most that each row may rise and fall while every column lies between its bounds."""
    first, second = influence * least[:, None, :], influence * most[:, None, :]
    return np.maximum(first, second).sum(axis=2), -np.minimum(first, second).sum(axis=2)
