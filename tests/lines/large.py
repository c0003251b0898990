"""Large lines for measuring: long, of many hangers, branched; all of straight elements.

Everything follows from the sizes asked for. Hangers come with the loads that the line puts on them when it
is locked as drawn, a few per cent off, so that releasing them is work.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from service.engineering.frames.elements import Array
from service.engineering.frames.frame import TRANSLATION, Case, Frame, Interface, Restraint
from service.engineering.states.laws import Hanger
from tests.lines.base import FULL_N_PER_M, SPAN_M, no_bends
from tests.lines.shapes import AXES, Bar, fixed

TRAVEL_M = 0.15


@dataclass(frozen=True)
class LargeLine:
    """A line and its weight. The frame's interfaces are the places of its hangers."""

    name: str
    frame: Frame
    case: Case

    @property
    def elements(self) -> int:
        return len(self.frame.straights.nodes)

    @property
    def count(self) -> int:
        """Number of its hangers."""
        return len(self.frame.interfaces)


def _line(
    name: str, coordinates: Array, pairs: Array, hung: Sequence[int], held: list[Restraint]
) -> LargeLine:
    frame = Frame(coordinates, Bar().straights(pairs), no_bends(), held, [Interface(node) for node in hung])
    case = frame.no_load()
    case.straight_n_per_m[:, 2] = -FULL_N_PER_M
    return LargeLine(name, frame, case)


def long_line(elements: int, hangers: int, leg_m: float = 180.0) -> LargeLine:
    """A line in plan, of legs that turn left and right by turns; anchored at both ends, guided at corners.

    Args:
        elements: all of one length
        hangers: at even distances, as near as the nodes allow
        leg_m: length of a leg [m]
    """
    length = SPAN_M * (hangers + 1) / elements
    per_leg = max(1, round(leg_m / length))
    steps = np.zeros((elements, 3))
    legs = np.arange(elements) // per_leg
    steps[legs % 2 == 0, 0] = length
    steps[legs % 2 == 1, 1] = length
    coordinates = np.vstack([np.zeros(3), np.cumsum(steps, axis=0)])
    pairs = np.stack([np.arange(elements), np.arange(1, elements + 1)], axis=1)
    held = [*fixed(0), *fixed(elements)]
    for corner in range(per_leg, elements, per_leg):
        held += [Restraint(corner, axis, TRANSLATION, "guide") for axis in AXES[:2]]
    hung = [round(elements * (place + 1) / (hangers + 1)) for place in range(hangers)]
    return _line(f"{hangers} hangers, {elements} elements", coordinates, pairs, hung, held)


def branched_line() -> LargeLine:
    """A header in space with two risers and three branches, each anchored at its end."""
    header = [(0, 0, 0), (45, 0, 0), (45, 0, 12), (45, 63, 12), (99, 63, 12), (99, 63, 24), (162, 63, 24)]
    branches = [
        [(27, 0, 0), (27, -54, 0)],
        [(45, 36, 12), (0, 36, 12), (0, 36, 3), (0, 72, 3)],
        [(81, 63, 12), (81, 117, 12), (126, 117, 12)],
    ]
    nodes: dict[tuple[int, ...], int] = {}
    points: list[Array] = []
    pairs: list[tuple[int, int]] = []
    level: list[int] = []

    def node(point: Array) -> int:
        key = tuple(round(1000 * part) for part in point)
        if key not in nodes:
            nodes[key] = len(points)
            points.append(point)
        return nodes[key]

    for route in (header, *branches):
        for first, last in pairwise(route):
            start, end = np.array(first, dtype=float), np.array(last, dtype=float)
            pieces = round(float(np.linalg.norm(end - start)))
            run = [node(start + (end - start) * step / pieces) for step in range(pieces + 1)]
            pairs += list(pairwise(run))
            if start[2] == end[2]:
                level += run[1:-1:7]
    ends = [nodes[tuple(1000 * part for part in route[-1])] for route in (header, *branches)]
    held = [each for place in (0, *ends) for each in fixed(place)]
    return _line(
        f"branched, {len(level)} hangers, {len(pairs)} elements",
        np.array(points),
        np.array(pairs),
        level,
        held,
    )


def hangers_of(load_n: Array, *, friction: float = 0.0, clearance_m: float = 0.0) -> tuple[Hanger, ...]:
    """Locked springs for a line that presses on its hangers like this: every third one variable.

    Args:
        load_n: f at each hanger, negative for weight, (m,) [N]
        friction: half the friction band over the load [1]
        clearance_m: of the pin in the slot [m]
    """
    found = []
    for place, load in enumerate(load_n):
        spring = -float(load) * (1.0 + 0.03 * np.sin(2.4 * place + 0.7))
        rate = spring / 0.3 if place % 3 == 0 else 0.0
        half = clearance_m / 2.0
        found.append(Hanger(spring, rate, friction * spring, -half, half))
    return tuple(found)
