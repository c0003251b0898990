"""Regions: which contacts a line can have over the friction box, and what it does in each.

The friction box holds every phi with |phi| <= f: each spring's load may be shifted by so much. Where the
line's state is unique, it is a continuous, piecewise linear function of phi: the box falls into regions, in
each of which the hangers stay on the same parts of their graphs and everything is linear in phi. On the
border of two regions every hanger in which they differ is at its limit, and there any mix of their parts for
these hangers describes the same state; so one region is reached from the other by changing one hanger after
another. All are found from the one at phi = 0: wherever a limit of a hanger may be met for some phi of the
box, the parts beyond are looked at; parts on which some limit is passed for every phi of the box are no
region.

Both tests look at one limit at a time over the whole box (an interval), so that regions too many may be
kept, but none is lost. What is found over a region too large is a bound that is sound, and it is exact
where there is one region alone.

Source: piecewise linear equations (common mathematical knowledge, no source).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from service.engineering.states.laws import (
    LOWER_WALL,
    RISING,
    SLACK,
    UPPER_WALL,
    Array,
    Laws,
    Mask,
    Places,
    neighbour,
)
from service.engineering.states.tableau import NoVerticalStiffness, Tableau, changed
from service.engineering.states.tracing import Line

MOST_REGIONS: Final = 400
_TOUCH: Final = 1e-9  # of the greatest force or movement: a limit nearer than this may be passed


@dataclass(frozen=True)
class Region:
    """What holds while the hangers are on these parts, over the whole box.

    Attributes:
        parts: of each hanger, (m,)
        least_m, greatest_m: of each pin x, within its ends, (m,) [m]
        least_n, greatest_n: of each force on the pipe r, (m,) [N]
        onward, back: whether a hanger may leave its part as the pipe rises, as it falls, (m,)
        possible: whether no limit is passed everywhere in the box
        emptied: whether a spring may have no force left before the end of its travel
    """

    parts: Places
    least_m: Array
    greatest_m: Array
    least_n: Array
    greatest_n: Array
    onward: Mask
    back: Mask
    possible: bool
    emptied: bool


def regions(line: Line, many: Laws, offset_m: Array, load_n: Array, parts: Places) -> list[Region] | None:
    """All regions of the box, and perhaps more.

    Args:
        line: the line alone
        many: its hangers with every stop out, with their friction
        offset_m: of each hanger, (m,) [m]
        load_n: f at each hanger, negative for weight, (m,) [N]
        parts: those of the state without friction

    Returns:
        the regions, that of `parts` first; None where they are too many, where some have no fixed height, or
        where a spring may be without force before the end of its travel
    """
    every = np.arange(len(many))
    try:
        waiting = [(parts, line.tableau(many.slopes[parts, every]))]
    except NoVerticalStiffness:
        return None
    seen, found = {parts.tobytes()}, []
    while waiting:
        at, tableau = waiting.pop()
        region = _region(many, tableau, offset_m, load_n, at)
        if not region.possible:
            continue
        if region.emptied or len(seen) > MOST_REGIONS:
            return None
        found.append(region)
        for place, beyond in _beyond(many, region):
            if beyond.tobytes() not in seen:
                seen.add(beyond.tobytes())
                try:
                    waiting.append((beyond, _moved(line, tableau, place, many.slopes[beyond, every])))
                except NoVerticalStiffness:
                    return None
    return found


def _beyond(many: Laws, region: Region) -> Iterator[tuple[int, Places]]:
    """The hanger whose limit may be passed, and the parts beyond it."""
    for onward, places in ((1, region.onward), (-1, region.back)):
        for place in np.flatnonzero(places):
            parts = region.parts.copy()
            point = bool(many.point[place])
            parts[place] = neighbour(int(parts[place]), onward, point=point, smooth=True)
            yield int(place), parts


def _moved(line: Line, tableau: Tableau, place: int, slopes: Array) -> Tableau:
    if tableau.worn:
        return line.tableau(slopes, fresh=True)
    return changed(tableau, place, float(slopes[place]), line.scale)


def _region(many: Laws, tableau: Tableau, offset: Array, load_n: Array, parts: Places) -> Region:
    """The line on these parts: at phi = 0, and by how much phi can change it (sums of absolute effects)."""
    sliding, slack, fixed = parts == RISING, parts == SLACK, tableau.fixed
    upper, lower = parts == UPPER_WALL, parts == LOWER_WALL
    place = np.where(lower, many.low, many.high)
    driven = np.where(sliding, many.ease * many.load, 0.0)
    hold = offset + np.where(sliding, 0.0, place)
    u, found = tableau.solve(load_n + driven + tableau.added * hold, hold)
    r = np.where(fixed, found - load_n, driven + tableau.added * (hold - u))
    x = np.where(sliding, u - offset + r * many.flexible, place)
    # Effects of each spring's phi at its greatest, columns; only a spring whose pin is free feels its own.
    box = np.where(sliding, many.ease * many.friction, 0.0)
    raw = tableau.matrix * box
    moved = np.where(fixed[:, None], 0.0, -raw)
    forced = np.where(fixed[:, None], raw, np.diag(box) - tableau.added[:, None] * moved)
    slid = np.where(sliding[:, None], moved + forced * many.flexible[:, None], 0.0)
    du, dr, dx = (np.abs(each).sum(axis=1) for each in (moved, forced, slid))
    # On a wall the spring's own shift moves the limit instead; the effects there are those of the others.
    wall = dr + many.friction
    spring = many.spring(place)
    endless = np.full(len(many), np.inf)
    up = np.where(
        sliding, many.high - x, np.where(lower & ~many.point, r - spring, np.where(slack, endless, r))
    )
    up_by = np.where(sliding, dx, np.where(lower & ~many.point, wall, np.where(slack, 0.0, dr)))
    down = np.where(sliding, x - many.low, np.where(upper, spring - r, np.where(slack, u - hold, endless)))
    down_by = np.where(sliding, dx, np.where(upper, wall, np.where(slack, du, 0.0)))
    force = _TOUCH * max(float(np.abs(r).max(initial=0.0)), float(np.abs(load_n).max(initial=0.0)))
    way = _TOUCH * max(float(np.abs(u).max(initial=0.0)), 1e-3)
    up_near = np.where(sliding, way, force)
    down_near = np.where(sliding | slack, way, force)
    possible = not bool(((up + up_by < -up_near) | (down + down_by < -down_near)).any())
    short = many.load - many.friction < many.rate * many.high
    least, greatest = np.where(sliding, x - dx, x), np.where(sliding, x + dx, x)
    return Region(
        parts,
        np.clip(least, many.low, many.high),
        np.clip(greatest, many.low, many.high),
        r - dr,
        r + dr,
        up - up_by < up_near,
        down - down_by < down_near,
        possible,
        bool((short & ((sliding & (r - dr < 0.0)) | upper | (slack & ~many.point))).any()),
    )
