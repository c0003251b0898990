"""Tracks: a line unrolled for drawing, its main run and its branches, each as elevation over distance.

The main run is the longest way from one end of the line to another; what is left over hangs on it as
branches, the longest first. Up is positive.
"""

from __future__ import annotations

import heapq
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final, NamedTuple

import numpy as np

from service.domain.line_models.built import BuiltLine
from service.engineering.frames.bends import arcs
from service.engineering.frames.elements import Array, tangents
from service.engineering.frames.frame import Case, Frame
from service.engineering.frames.solution import Response

_SAMPLES: Final = 8  # points drawn between the ends of a straight element


class Edge(NamedTuple):
    """One element. kind: `straight` or `bend`; row: its row; ends: its nodes; length_m: along it [m]."""

    kind: str
    row: int
    ends: tuple[int, int]
    length_m: float


class Place(NamedTuple):
    """A point of a track. distance_m: along the track; elevation_m: of the centre line [m]."""

    distance_m: float
    elevation_m: float


@dataclass(frozen=True)
class Stretch:
    """A part of a track that belongs to one segment, from one distance to another [m]."""

    segment: str
    from_m: float
    to_m: float


@dataclass(frozen=True)
class Track:
    """A run of the line without forks.

    Attributes:
        edges: elements in order, each with whether it is gone along from its second node to its first
        nodes: nodes passed, one more than edges
        fork_m: for a branch: where on its parent it begins, None for the main run [m]
        parent: number of the track on which it begins, None for the main run
    """

    edges: tuple[tuple[Edge, bool], ...]
    nodes: tuple[int, ...]
    parent: int | None = None
    fork_m: float | None = None

    @cached_property
    def distances_m(self) -> Mapping[int, float]:
        """Distance of each node along the track, by node [m]."""
        found, at = {self.nodes[0]: 0.0}, 0.0
        for (edge, _), node in zip(self.edges, self.nodes[1:], strict=True):
            at += edge.length_m
            found[node] = at
        return found

    @property
    def length_m(self) -> float:
        """Length along the centre line [m]."""
        return sum(edge.length_m for edge, _ in self.edges)

    def stretches(self, built: BuiltLine) -> tuple[Stretch, ...]:
        """The segments along the track; one that is entered again counts again."""
        owner = {
            (kind, index): name
            for name, place in built.segments.items()
            for kind, rows in (("straight", place.straights), ("bend", place.bends))
            for index in rows
        }
        found: list[Stretch] = []
        at = 0.0
        for edge, _ in self.edges:
            name, end = owner.get((edge.kind, edge.row), ""), at + edge.length_m
            if found and found[-1].segment == name:
                found[-1] = Stretch(name, found[-1].from_m, end)
            else:
                found.append(Stretch(name, at, end))
            at = end
        return tuple(found)


def tracks(frame: Frame) -> tuple[Track, ...]:
    """The main run and the branches of a frame, every element in one of them.

    The main run begins at the end whose node comes first in the frame.
    """
    edges = _edges(frame)
    beside = _beside(edges)
    ends = sorted(node for node, rows in beside.items() if len(rows) == 1)
    left = set(range(len(edges)))
    one = _farthest(beside, edges, ends[0] if ends else min(beside), left)[-1][1]
    way = _farthest(beside, edges, one, left)
    if way[-1][1] < one:
        nodes = (one, *(node for _, node in way))
        way, one = [(row, nodes[at]) for at, (row, _) in enumerate(way)][::-1], nodes[-1]
    found = [_track(edges, one, way)]
    left -= {row for row, _ in way}
    while left:
        start, parent = _fork(found, beside, left)
        way = _farthest(beside, edges, start, left)
        fork = found[parent].distances_m[start] if parent is not None else None
        found.append(_track(edges, start, way, parent, fork))
        left -= {row for row, _ in way}
    return tuple(found)


def shape(
    frame: Frame, track: Track, settled: tuple[Case, Response] | None = None
) -> list[tuple[Place, float]]:
    """Points along a track, each with how far it is moved upward in a response (0 without one) [m].

    Between the nodes of a straight element the movement is that of a beam under its uniform load, shear
    deformation left out; along a bend it goes in proportion from one end to the other.
    """
    coordinates = frame.coordinates
    arc = arcs(coordinates, frame.bends)
    tangent, _ = tangents(coordinates, frame.straights.nodes)
    points: list[tuple[Place, float]] = []
    at = 0.0
    for edge, backward in track.edges:
        if edge.kind == "bend":
            part = (edge.length_m - arc.after_m[edge.row]) / edge.length_m
            share = np.concatenate([[0.0], part, [1.0]])
            heights = np.concatenate(
                [[arc.start[edge.row, 2]], arc.place[edge.row, :, 2], [arc.end[edge.row, 2]]]
            )
        else:
            share = np.linspace(0.0, 1.0, _SAMPLES + 1)
            low, high = coordinates[list(edge.ends), 2]
            heights = low + share * (high - low)
        moved = _moved(frame, edge, share, tangent, settled)
        if backward:
            share, heights, moved = 1.0 - share[::-1], heights[::-1], moved[::-1]
        new = [
            (Place(at + float(s) * edge.length_m, float(z)), float(u))
            for s, z, u in zip(share, heights, moved, strict=True)
        ]
        points += new if not points else new[1:]
        at += edge.length_m
    return points


def _moved(
    frame: Frame, edge: Edge, share: Array, tangent: Array, settled: tuple[Case, Response] | None
) -> Array:
    if settled is None:
        return np.zeros_like(share)
    case, response = settled
    near, far = response.displacements[list(edge.ends)]
    if edge.kind == "bend":
        moved: Array = near[2] + share * (far[2] - near[2])
        return moved
    along, length = tangent[edge.row], edge.length_m
    slopes = [float(np.cross(node[3:], along)[2]) * length for node in (near, far)]
    load = case.straight_n_per_m[edge.row]
    across = float((load - along * float(load @ along))[2])
    bending = float(frame.straights.young_pa[edge.row] * frame.straights.second_moment_m4[edge.row])
    x = share
    found: Array = (
        near[2] * (1.0 - 3.0 * x**2 + 2.0 * x**3)
        + slopes[0] * (x - 2.0 * x**2 + x**3)
        + far[2] * (3.0 * x**2 - 2.0 * x**3)
        + slopes[1] * (x**3 - x**2)
        + across * length**4 / (24.0 * bending) * (x * (1.0 - x)) ** 2
    )
    return found


# --- the graph --------------------------------------------------------------------------------------------
_Way = list[tuple[int, int]]  # row of the edge, node that it leads to


def _edges(frame: Frame) -> list[Edge]:
    _, lengths = tangents(frame.coordinates, frame.straights.nodes)
    found = [
        Edge("straight", row, (int(pair[0]), int(pair[1])), float(lengths[row]))
        for row, pair in enumerate(frame.straights.nodes)
    ]
    curved = arcs(frame.coordinates, frame.bends).length_m
    found += [
        Edge("bend", row, (int(pair[0]), int(pair[1])), float(curved[row]))
        for row, pair in enumerate(frame.bends.nodes)
    ]
    return found


def _beside(edges: Sequence[Edge]) -> dict[int, list[int]]:
    beside: dict[int, list[int]] = {}
    for row, edge in enumerate(edges):
        for node in edge.ends:
            beside.setdefault(node, []).append(row)
    return beside


def _farthest(beside: Mapping[int, list[int]], edges: Sequence[Edge], start: int, allowed: set[int]) -> _Way:
    """The way to the node that is farthest by the shortest way, over allowed edges; never empty."""
    reach: dict[int, float] = {start: 0.0}
    came: dict[int, tuple[int, int]] = {}
    waiting = [(0.0, start)]
    while waiting:
        length, node = heapq.heappop(waiting)
        if length > reach[node]:
            continue
        for row in beside[node]:
            if row not in allowed:
                continue
            near, far = edges[row].ends
            onward = far if node == near else near
            longer = length + edges[row].length_m
            if longer < reach.get(onward, np.inf):
                reach[onward] = longer
                came[onward] = (row, node)
                heapq.heappush(waiting, (longer, onward))
    end = max(reach, key=lambda node: (round(reach[node], 6), -node))
    way: _Way = []
    while end != start:
        row, before = came[end]
        way.append((row, end))
        end = before
    return way[::-1]


def _fork(found: Sequence[Track], beside: Mapping[int, list[int]], left: set[int]) -> tuple[int, int | None]:
    """The first node already drawn at which something is left over, and the track that it is on."""
    for number, track in enumerate(found):
        for node in track.nodes:
            if any(row in left for row in beside[node]):
                return node, number
    rest = min(left)
    return next(node for node in sorted(beside) if rest in beside[node]), None


def _track(
    edges: Sequence[Edge], start: int, way: _Way, parent: int | None = None, fork_m: float | None = None
) -> Track:
    nodes = (start, *(node for _, node in way))
    steps = tuple(
        (edges[row], edges[row].ends[0] != before) for (row, _), before in zip(way, nodes[:-1], strict=True)
    )
    return Track(steps, nodes, parent, fork_m)
