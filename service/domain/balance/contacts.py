"""Contacts: what a line does for small changes while no pin, stop or rod changes what it bears on.

All of it is linear and holds until the next contact change only. Signs: up is positive; a height is
positive where the pipe is held high, as positive turns hold it.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.engineering.frames.elements import Array
from service.engineering.states.laws import LOWER_WALL, SLACK, STUCK, UPPER_WALL, Hanger
from service.engineering.states.tracing import Line, State

LEAST_STIFFNESS_N_PER_M: Final = 1.0
"""A movement that is resisted by less is not resisted: a kilonewton would take the line a kilometre [N/m]."""

_LEAST_SHARE: Final = 1e-11  # of the line's greatest stiffness: rounding leaves no less

Mask = NDArray[np.bool_]


def bears(hanger: Hanger, part: int) -> bool:
    """Whether the pin is held where it is, by a face, an end of travel or friction; a rigid one always is."""
    return part != SLACK and (part in (LOWER_WALL, STUCK, UPPER_WALL) or hanger.low_m == hanger.high_m)


def slopes(state: State) -> tuple[Array, Mask]:
    """Slope of each hanger's graph where it stands.

    Returns:
        slope: force for a unit of movement, 0 for a hanger that is fixed to its height, (m,) [N/m]
        fixed: whether it is, (m,)
    """
    slope, fixed = np.zeros(len(state.hangers)), np.zeros(len(state.hangers), dtype=np.bool_)
    for place, (hanger, part) in enumerate(zip(state.hangers, state.parts, strict=True)):
        series = hanger.series_n_per_m
        if bears(hanger, part):
            fixed[place] = math.isinf(series)
            slope[place] = 0.0 if fixed[place] else series
        elif part != SLACK and hanger.rate_n_per_m > 0.0:
            slope[place] = 1.0 / (1.0 / hanger.rate_n_per_m + 1.0 / series)
    return slope, fixed


def loose_modes(stiffness: Array, state: State) -> tuple[int, ...]:
    """Hangers that move in a movement which nothing resists in the present contacts, by place; mostly none.

    Args:
        stiffness: of the line alone, (m, m) [N/m]
        state: where the hangers stand on their graphs
    """
    slope, fixed = slopes(state)
    free = np.flatnonzero(~fixed)
    return _unresisted(stiffness[np.ix_(free, free)] + np.diag(slope[free]), free, stiffness)


def _unresisted(matrix: Array, places: NDArray[np.int64], stiffness: Array) -> tuple[int, ...]:
    """Places that move by more than a hundredth of the most in a movement that a matrix does not resist."""
    if not places.size:
        return ()
    values, modes = np.linalg.eigh(matrix)
    free = modes[:, values < least_stiffness_n_per_m(stiffness)]
    if not free.size:
        return ()
    moved = np.linalg.norm(free, axis=1)
    return tuple(int(place) for place in places[moved > 0.01 * moved.max()])


def height_transfer(stiffness: Array, state: State) -> tuple[Array, Array]:
    """What a unit of height at each hanger does to all of them.

    Args:
        stiffness: of the line alone, (m, m) [N/m]
        state: where the hangers stand on their graphs

    Returns:
        movement: of the pipe at each hanger (rows) for a unit at each (columns), (m, m) [1]
        force: change of each hanger's load likewise, (m, m) [N/m]

    Source: mechanics; each hanger acts by the slope of its graph, in series with its rod and steel.
    """
    slope, fixed = slopes(state)
    count, free = len(slope), ~fixed
    movement = np.zeros((count, count))
    movement[fixed, fixed] = 1.0
    right = np.diag(slope)[free] - stiffness[np.ix_(free, fixed)] @ movement[fixed]
    movement[free] = np.linalg.solve(stiffness[np.ix_(free, free)] + np.diag(slope[free]), right)
    force: Array = slope[:, None] * (np.eye(count) - movement)
    force[fixed] = (stiffness @ movement)[fixed]
    return movement, force


def load_transfer(stiffness: Array, state: State) -> tuple[Array, Array]:
    """What a unit of upward force on the pipe at each hanger's place does to all of them.

    Args:
        stiffness: of the line alone, (m, m) [N/m]
        state: where the hangers stand on their graphs

    Returns:
        movement: of the pipe at each hanger (rows) for a unit at each (columns), (m, m) [m/N]
        force: change of each hanger's own force, the unit not counted, (m, m) [1]

    Source: mechanics, as `height_transfer`.
    """
    slope, fixed = slopes(state)
    count, free = len(slope), ~fixed
    movement = np.zeros((count, count))
    matrix = stiffness[np.ix_(free, free)] + np.diag(slope[free])
    movement[free] = np.linalg.solve(matrix, np.eye(count)[free])
    force: Array = -slope[:, None] * movement
    force[fixed] = (stiffness @ movement - np.eye(count))[fixed]
    return movement, force


def pipe_stiffness_n_per_m(stiffness: Array, state: State, place: int) -> float:
    """Stiffness that the rest of the line offers at one hanger, all others in their present state [N/m].

    stiffness: of the line alone, (m, m) [N/m]. Zero where nothing but this hanger fixes the line's height.

    Source: mechanics; the reciprocal of the line's compliance there, this hanger away.
    """
    slope, fixed = slopes(state)
    others = ~fixed
    others[place] = False
    kept = stiffness[np.ix_(others, others)] + np.diag(slope[others])
    across = stiffness[others, place]
    own = float(stiffness[place, place])
    seen = own
    if across.size:
        seen -= float(across @ np.linalg.lstsq(kept, across, rcond=1e-12)[0])
    # What is left of a difference of large numbers is nothing.
    return seen if seen > max(1e-9 * own, LEAST_STIFFNESS_N_PER_M) else 0.0


def way_to_contact_change(state: State, movement: Array, force: Array, height: Array) -> float:
    """How far a change may go, in its own unit, before some pin, stop or rod bears on something else.

    Args:
        state: where the hangers stand
        movement, force, height: of each hanger for one unit of the change: pipe up [m], load [N], and the
            height that is added there [m]

    Returns:
        way: units of the change, zero or more; infinite where no contact changes
    """
    found = math.inf
    for place, (hanger, part) in enumerate(zip(state.hangers, state.parts, strict=True)):
        for gap, rate in _gaps(state, place, hanger, part, movement, force, height):
            if rate > 0.0:
                found = min(found, max(gap, 0.0) / rate)
    return found


def _gaps(
    state: State, place: int, hanger: Hanger, part: int, movement: Array, force: Array, height: Array
) -> list[tuple[float, float]]:
    """Distance to each end of the part a hanger is on, and how fast the change goes there."""
    load, load_rate = float(state.force_n[place]), float(force[place])
    pin = float(state.pin_m[place])
    if hanger.low_m == hanger.high_m:
        if part == SLACK:
            loose = float(state.movement_m[place]) - hanger.offset_m - hanger.high_m
            return [(loose, float(height[place] - movement[place]))]
        return [(load, -load_rate)]
    spring, band = hanger.spring_n(pin), hanger.friction_n
    if part == LOWER_WALL:
        return [(load - (spring - band), -load_rate)]
    if part == UPPER_WALL:
        return [(spring + band - load, load_rate), (load, -load_rate)]
    if part == STUCK:
        return [(spring + band - load, load_rate), (load - (spring - band), -load_rate)]
    if part == SLACK:
        loose = float(state.movement_m[place]) - hanger.offset_m - hanger.high_m
        return [(loose, float(height[place] - movement[place]))]
    pin_rate = float(movement[place] - height[place]) + load_rate / hanger.series_n_per_m
    return [(pin - hanger.low_m, -pin_rate), (hanger.high_m - pin, pin_rate)]


def pin_stiffness(line: Line, laws: tuple[Hanger, ...]) -> Array:
    """Force at each spring (rows) for a unit of movement of each pin (columns), none at an end, (m, m) [N/m].

    Args:
        line: the line alone
        laws: hangers with their stops out

    Source: mechanics. A rod in series makes the line softer: K' = (1 + K c)^-1 K, c its compliance; the pins
    then obey (K' + k) x = force.
    """
    flexible = np.array([1.0 / law.series_n_per_m for law in laws])
    rate = np.array([law.rate_n_per_m for law in laws])
    seen = np.linalg.solve(np.eye(len(laws)) + line.stiffness * flexible, line.stiffness)
    stiffness: Array = (seen + seen.T) / 2.0 + np.diag(rate)
    return stiffness


def least_stiffness_n_per_m(stiffness: Array) -> float:
    """Below what a movement counts as not resisted [N/m]. stiffness: of the line alone, (m, m) [N/m]."""
    return max(LEAST_STIFFNESS_N_PER_M, _LEAST_SHARE * float(np.abs(stiffness).max(initial=0.0)))


def drifting(line: Line, laws: tuple[Hanger, ...]) -> tuple[int, ...]:
    """Hangers that would leave the line without anything but ends of travel to fix its height, by place.

    None where the line's height is fixed.

    Args:
        line: the line alone
        laws: hangers with their stops out
    """
    moving = np.flatnonzero([law.low_m < law.high_m for law in laws])
    return _unresisted(pin_stiffness(line, laws)[np.ix_(moving, moving)], moving, line.stiffness)


def pin_compliance(line: Line, laws: tuple[Hanger, ...]) -> Array:
    """Rise of each pin (rows) for a unit of force at each spring (columns), no pin at an end, (m, m) [m/N].

    Args:
        line: the line alone
        laws: hangers with their stops out, none of them `drifting`

    Source: mechanics; the inverse of `pin_stiffness`.
    """
    moving = np.array([law.low_m < law.high_m for law in laws], dtype=np.bool_)
    compliance = np.zeros((len(laws), len(laws)))
    inner = pin_stiffness(line, laws)[np.ix_(moving, moving)]
    compliance[np.ix_(moving, moving)] = np.linalg.inv(inner)
    return compliance
