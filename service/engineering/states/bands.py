"""Bands: between which bounds friction lets each pin and each force lie, with every stop out.

Nobody knows which way the friction of a released spring acts. Every state that friction can leave is a
state without friction of springs whose loads are shifted by some phi within [-f, f] (the friction box): so
says the graph of `laws`. What lies outside the bounds cannot be, whatever the history.

The bounds come from the regions of the box in which no contact changes (`regions`): in each everything is
linear in phi, and a bound over all of them is sound. With one region, where nothing touches or lets go
anywhere in the box, the bounds are exact.

Where the regions are too many, this holds: two states of one line, at phi and without friction, obey, since
every hanger's force falls as the pipe rises,

    du' (K + diag s) du <= du' d,   |d| <= k f,   k = 1/(1 + k_spring/k_series)

which gives, with C = (K + diag s)^-1, for every movement and every linear function g'u of the movements

    |du_j| <= sqrt(C_jj (k f)' |C| (k f)),   |g'du| <= sqrt(g'C g (k f)' |C| (k f))

whatever ends are touched: ends are the same at both, and what the ends bear only takes from du. Where a rod
may go slack the slopes s do not count and C is that of the line alone.

There, whether a pin reaches its end is asked of the line without that end: if the pin would pass the end for
every phi it will stand there, if for none it will not, for the end's reaction can only bring it back to
the end. Each bound is sound; "may" says that neither was proved.

Source: mechanics; monotone operators (for the inequality: the difference of two solutions of a variational
inequality, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from service.engineering.states.laws import LOWER_WALL, RISING, SLACK, UPPER_WALL, Array, Hanger, Laws
from service.engineering.states.regions import Region, regions
from service.engineering.states.tableau import made
from service.engineering.states.tracing import Line, NoVerticalStiffness, State

Verdict = Literal["will", "may", "will_not"]

_FAR_M: Final = 1e3  # where an end is that is thought away [m]
_CLEAR: Final = 1e-9  # an end nearer than this share of the movements may be reached by rounding


@dataclass(frozen=True)
class Bands:
    """Bounds over the friction box, one value a hanger.

    Attributes:
        least_m, greatest_m: of the pin's position x, up positive [m]
        least_n, greatest_n: of the force on the pipe r, up positive [N]
        lower, upper: whether the pin will, may or will not stand at its lower and upper end; `will_not` for a
            hanger whose pin has no travel
        exact: whether the bounds are attained (no contact changes anywhere in the box); otherwise they are
            sound but may be wider than what can be
    """

    least_m: Array
    greatest_m: Array
    least_n: Array
    greatest_n: Array
    lower: tuple[Verdict, ...]
    upper: tuple[Verdict, ...]
    exact: bool

    def reaches_an_end(self, place: int) -> Verdict:
        """Whether the pin of a hanger will, may or will not stand at one of its ends."""
        verdicts = (self.lower[place], self.upper[place])
        if "will" in verdicts:
            return "will"
        return "may" if "may" in verdicts else "will_not"


@dataclass(frozen=True)
class _Spread:
    """Bounds before ends are thought of. unbound: of each pin without its own ends. forces: of r."""

    least_m: Array
    greatest_m: Array
    least_n: Array
    greatest_n: Array


def friction_bands(line: Line, laws: tuple[Hanger, ...], load_n: Array) -> Bands:
    """Bounds of every pin and force over the friction box.

    Args:
        line: the line alone
        laws: the hangers with every stop out: low_m and high_m the ends of travel, friction_n half the band
        load_n: f at each hanger, negative for weight, (m,) [N]

    Raises:
        NoVerticalStiffness: without friction the line is free to drift
        PathLost, NotAtRest: the state without friction could not be found
    """
    many = Laws(laws)
    offsets = np.array([each.offset_m for each in laws])
    centre = line.start(tuple(replace(each, friction_n=0.0) for each in laws), load_n)
    parts = np.array(centre.parts, dtype=np.int64)
    found = regions(line, many, offsets, load_n, parts)
    if found is not None:
        return _over(many, found)
    alone = _alone(line, centre, many)
    for taut in (False,) if SLACK in centre.parts else (True, False):
        spread, forces = _bounded(line, many, offsets, centre, alone, taut=taut)
        if not taut or bool((forces.least_n >= 0.0).all()):
            break
    return _judged(many, spread, forces)


def _over(many: Laws, found: Sequence[Region]) -> Bands:
    """Bounds over all regions; a pin will stand at an end where it does in every one of them."""
    parts = np.array([each.parts for each in found])
    low = (parts == LOWER_WALL) & ~many.point
    high = ((parts == UPPER_WALL) | (parts == SLACK)) & ~many.point
    return Bands(
        np.min([each.least_m for each in found], axis=0),
        np.max([each.greatest_m for each in found], axis=0),
        np.maximum(np.min([each.least_n for each in found], axis=0), 0.0),
        np.maximum(np.max([each.greatest_n for each in found], axis=0), 0.0),
        tuple(_verdict(bool(each.all()), not each.any(), False) for each in low.T),
        tuple(_verdict(bool(each.all()), not each.any(), False) for each in high.T),
        len(found) == 1,
    )


def _judged(many: Laws, unbound: _Spread, forces: _Spread) -> Bands:
    """Bounds within the ends of travel, and the verdicts from the bounds without them."""
    least = np.where(many.point, many.low, np.clip(unbound.least_m, many.low, many.high))
    greatest = np.where(many.point, many.low, np.clip(unbound.greatest_m, many.low, many.high))
    clear = _CLEAR * max(float(np.abs(np.concatenate([least, greatest])).max(initial=0.0)), 1e-3)
    lower = [
        _verdict(b < low, a > low + clear, fixed)
        for a, b, low, fixed in zip(unbound.least_m, unbound.greatest_m, many.low, many.point, strict=True)
    ]
    upper = [
        _verdict(a > high, b < high - clear, fixed)
        for a, b, high, fixed in zip(unbound.least_m, unbound.greatest_m, many.high, many.point, strict=True)
    ]
    return Bands(
        least,
        greatest,
        np.maximum(forces.least_n, 0.0),
        np.maximum(forces.greatest_n, 0.0),
        tuple(lower),
        tuple(upper),
        False,
    )


def _verdict(always: bool, never: bool, fixed: bool) -> Verdict:
    if fixed or never:
        return "will_not"
    return "will" if always else "may"


# --- many contacts may change ---------------------------------------------------------------------------
def _alone(line: Line, centre: State, many: Laws) -> Array:
    """Movement of each hanger without friction and without its own ends, the others with theirs, (m,) [m].

    Not a number where the line is free to drift without these ends.
    """
    found = centre.movement_m.copy()
    for place, part in enumerate(centre.parts):
        if part != RISING and not many.point[place]:
            try:
                free = line.released(centre, place, -_FAR_M, _FAR_M)
            except NoVerticalStiffness:
                found[place] = np.nan
            else:
                found[place] = free.movement_m[place]
    return found


def _bounded(
    line: Line, many: Laws, offsets: Array, centre: State, alone: Array, *, taut: bool
) -> tuple[_Spread, _Spread]:
    """Bounds from the inequality of the module's text.

    Args:
        taut: whether every rod is taken to bear always, so that slopes and rigid hangers count

    Returns:
        pins without their own ends and forces; forces with the ends. A bound that cannot be given is infinite
    """
    slopes = np.where(many.point, many.series, many.sliding) if taut else np.zeros(len(many))
    wide, strong = _radii(line, many, slopes)
    wide = many.ease * (wide + many.friction * many.flexible)
    middle = many.ease * (alone - offsets + many.load * many.flexible)
    known = ~np.isnan(middle)
    least = np.where(known, np.where(known, middle, 0.0) - wide, -np.inf)
    greatest = np.where(known, np.where(known, middle, 0.0) + wide, np.inf)
    # A spring that has no force left moves its pin no further, however far the pipe has gone.
    empty = np.full(len(many), np.inf)
    np.divide(many.load, many.rate, out=empty, where=many.rate > 0.0)
    short = np.zeros(len(many))
    np.divide(many.friction, many.rate, out=short, where=many.rate > 0.0)
    least, greatest = np.minimum(least, empty - short), np.minimum(greatest, empty + short)
    spread = _Spread(least, greatest, least, greatest)
    return spread, _forces(line, many, spread, centre, strong)


def _radii(line: Line, many: Laws, slopes: Array) -> tuple[Array, Array]:
    """How far a movement and a force can be from those without friction, (m,) [m] and (m,) [N]."""
    infinite = np.full(len(many), np.inf)
    box = np.where(many.point, 0.0, many.ease * many.friction)
    if not box.any():
        return np.zeros(len(many)), np.zeros(len(many))
    try:
        tableau = made(line.stiffness, slopes, line.scale)
    except NoVerticalStiffness:
        return infinite, infinite
    free = np.flatnonzero(~tableau.fixed)
    compliance = -tableau.matrix[np.ix_(free, free)]
    radius = float(np.sqrt(box[free] @ np.abs(compliance) @ box[free]))
    wide = np.zeros(len(many))
    wide[free] = np.sqrt(np.diag(compliance)) * radius
    rows = line.stiffness[:, free]
    strong = np.sqrt(np.einsum("ij,jk,ik->i", rows, compliance, rows, optimize=True)) * radius
    return wide, strong


def _forces(line: Line, many: Laws, pins: _Spread, centre: State, strong: Array) -> _Spread:
    """Bounds of the forces: of springs from where their pins can be, of all from the line's movements.

    An end that keeps a pin by d from where it would be without it bears at most d times the stiffness
    there with every other hanger held, which no state exceeds.
    """
    spring_least = many.spring(np.clip(pins.greatest_m, many.low, many.high)) - many.friction
    spring_most = many.spring(np.clip(pins.least_m, many.low, many.high)) + many.friction
    with np.errstate(divide="ignore"):
        stiff = many.rate + 1.0 / (1.0 / np.diag(line.stiffness) + many.flexible)
    over = np.maximum(0.0, many.low - pins.least_m) * stiff
    under = np.maximum(0.0, pins.greatest_m - many.high) * stiff
    below, above = centre.force_n - strong, centre.force_n + strong
    least = np.where(many.point, below, np.maximum(below, spring_least - under))
    most = np.where(many.point, above, np.minimum(above, spring_most + over))
    return replace(pins, least_n=least, greatest_n=most)
