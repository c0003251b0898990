"""Neighbours: the two hangers that come next on each side, along the pipe."""

from __future__ import annotations

import heapq
from collections.abc import Mapping, Sequence

import numpy as np

from service.domain.line_models.built import BuiltLine

A_SIDE = 2


def neighbours_of(built: BuiltLine) -> tuple[tuple[tuple[int, int], ...], ...]:
    """For each hanger its neighbours as (side, index of the hanger), nearest first on each side.

    A side is a way that the pipe leaves the hanger's node; sides are numbered from 1.
    """
    frame = built.frames["cold"]
    beside: dict[int, list[tuple[int, float]]] = {}
    for first, second in np.concatenate([frame.straights.nodes, frame.bends.nodes]).tolist():
        length = float(np.linalg.norm(frame.coordinates[first] - frame.coordinates[second]))
        beside.setdefault(first, []).append((second, length))
        beside.setdefault(second, []).append((first, length))
    places: dict[int, list[int]] = {}
    for place, hanger in enumerate(built.hangers):
        places.setdefault(built.nodes[hanger.node], []).append(place)
    return tuple(
        _around(built.nodes[hanger.node], place, beside, places) for place, hanger in enumerate(built.hangers)
    )


def _around(
    node: int,
    own: int,
    beside: Mapping[int, Sequence[tuple[int, float]]],
    places: Mapping[int, Sequence[int]],
) -> tuple[tuple[int, int], ...]:
    found = [(0, place) for place in places[node] if place != own]
    counts: dict[int, int] = {}
    seen = {node}
    waiting = [(length, other, side) for side, (other, length) in enumerate(beside.get(node, ()), start=1)]
    heapq.heapify(waiting)
    while waiting:
        length, here, side = heapq.heappop(waiting)
        if here in seen or counts.get(side, 0) >= A_SIDE:
            continue
        seen.add(here)
        for place in places.get(here, ()):
            if counts.get(side, 0) < A_SIDE:
                counts[side] = counts.get(side, 0) + 1
                found.append((side, place))
        for other, more in beside.get(here, ()):
            if other not in seen:
                heapq.heappush(waiting, (length + more, other, side))
    return tuple(sorted(found, key=lambda each: each[0]))
