"""Holding: axes of nodes in which everything that is held is a degree of freedom of its own.

Restraints and hangers may point anywhere. At a node where one of them does not lie along a global axis the
three axes are turned so that what is held comes first; at all other nodes nothing is turned.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from service.engineering.frames.elements import Array, Indices
from service.engineering.frames.frame import Frame, Interface, Restraint, Spring
from service.errors import ServiceError

AXES: Final = ("x", "y", "z", "rotation about x", "rotation about y", "rotation about z")
_PARALLEL: Final = 1e-9


class FrameUnstable(ServiceError):
    """The line can move without resistance; facts `node` (index) and `direction` name where most (422)."""

    code = "frame-unstable"
    title = "The line is not held"


@dataclass(frozen=True)
class Holding:
    """What holds a frame, in turned axes.

    triads: which runs of three degrees are turned, counted in threes from the first, (t,). turns: their
    rotations, (t, 3, 3): global = turn @ turned. fixed: held degrees in turned axes, those along global axes
    first, in the order of what holds them, (b,). imposing: (b, r + m): movements of the held degrees from
    those of the r restraints and the m interfaces.
    """

    triads: Indices
    turns: Array
    fixed: Indices
    imposing: Array

    def turned(self, vectors: Array) -> Array:
        """Vectors of global components (size, ...) in turned axes; a copy where anything is turned."""
        return self._rotated(vectors, np.transpose(self.turns, (0, 2, 1)))

    def unturned(self, vectors: Array) -> Array:
        """Vectors of turned components (size, ...) in global axes; a copy where anything is turned."""
        return self._rotated(vectors, self.turns)

    def turned_members(self, nodes: Indices, members: Array) -> Array:
        """Element matrices (n, 12, 12) in the turned axes of their end nodes (n, 2)."""
        if len(self.triads) == 0:
            return members
        matrices = members.copy()
        ends = (2 * nodes[:, :, None] + np.arange(2)).reshape(len(nodes), 4)
        for triad, turn in zip(self.triads, self.turns, strict=True):
            for element, part in zip(*np.nonzero(ends == triad), strict=True):
                place = slice(3 * part, 3 * part + 3)
                matrices[element, place, :] = turn.T @ matrices[element, place, :]
                matrices[element, :, place] = matrices[element, :, place] @ turn
        return matrices

    def turned_block(self, node: int, block: Array) -> Array:
        """A node's own matrix (6, 6) in its turned axes."""
        whole = np.eye(6)
        for triad, turn in zip(self.triads, self.turns, strict=True):
            if triad // 2 == node:
                part = 3 * (triad % 2)
                whole[part : part + 3, part : part + 3] = turn
        return np.asarray(whole.T @ block @ whole, dtype=np.float64)

    def _rotated(self, vectors: Array, turns: Array) -> Array:
        if len(self.triads) == 0:
            return vectors
        shape = vectors.shape
        result = vectors.reshape(shape[0] // 3, 3, -1).copy()
        result[self.triads] = turns @ result[self.triads]
        return result.reshape(shape)


def holding(frame: Frame) -> Holding:
    """Works out the turned axes of a frame's restraints and interfaces.

    Raises:
        FrameUnstable: two of them hold one node in the same direction (or three in one plane), so that
            what each of them carries cannot be told
    """
    along = directions(frame.restraints, [each.kind for each in frame.restraints])
    hung = directions(frame.interfaces, [0] * len(frame.interfaces))
    first = np.concatenate([along.first, hung.first])
    vectors = np.concatenate([along.vectors, hung.vectors])
    slanting = np.count_nonzero(vectors, axis=1) != 1
    turned = np.unique(first[slanting])
    plain = np.flatnonzero(~np.isin(first, turned))
    axes = np.abs(vectors[plain]).argmax(axis=1)
    fixed = (first[plain] + axes).tolist()
    if len(set(fixed)) < len(fixed):
        values, counts = np.unique(fixed, return_counts=True)
        raise _held_twice(int(values[counts > 1][0]))
    imposing = np.zeros((len(first), len(first)))
    imposing[np.arange(len(plain)), plain] = 1.0 / vectors[plain, axes]
    turns: list[Array] = []
    for start in turned.tolist():
        places = np.flatnonzero(first == start)
        turn, inverse = _own_axes(start, vectors[places])
        rows = len(fixed) + np.arange(len(places))
        imposing[np.ix_(rows, places)] = inverse
        fixed += range(start, start + len(places))
        turns.append(turn)
    stacked = np.array(turns, dtype=np.float64).reshape(-1, 3, 3)
    return Holding(turned // 3, stacked, np.array(fixed, dtype=np.int64), imposing)


@dataclass(frozen=True)
class Directions:
    """Directions at nodes. first: degree of freedom of each one's x, (n,). vectors: (n, 3)."""

    first: Indices
    vectors: Array

    def along(self, displacement: Array) -> Array:
        """Movement (n,) in each direction, from all displacements (size,)."""
        moved = displacement[self.first[:, None] + np.arange(3)]
        return np.asarray((moved * self.vectors).sum(axis=1))

    def spread(self, values: Array, size: int) -> Array:
        """Forces or moments (n,) along each direction as loads on all degrees (size,)."""
        places = (self.first[:, None] + np.arange(3)).ravel()
        total = np.bincount(places, (values[:, None] * self.vectors).ravel(), minlength=size)
        return total.astype(np.float64, copy=False)


def directions(wanted: Sequence[Restraint | Interface | Spring], kinds: Sequence[int]) -> Directions:
    """Directions of whatever acts at nodes, each a TRANSLATION or a ROTATION by its kind."""
    first = np.array([6 * each.node + kind for each, kind in zip(wanted, kinds, strict=True)], dtype=np.int64)
    vectors = np.array([each.direction for each in wanted], dtype=np.float64).reshape(-1, 3)
    return Directions(first, vectors)


def _own_axes(first: int, vectors: Array) -> tuple[Array, Array]:
    """Axes of a node of which the first ones are held, for directions (n, 3) there.

    Returns:
        turn: (3, 3). inverse: (n, n), movement along each held axis from that along each direction
    """
    count = len(vectors)
    if count <= 3:
        turn, triangle = np.linalg.qr(vectors.T, mode="complete")
        # vectors @ (turn @ q) = given, so that triangle' q = given for the first `count` of q.
        diagonal = np.abs(np.diagonal(triangle))
        if np.all(diagonal > _PARALLEL * np.linalg.norm(vectors, axis=1)):
            return turn, np.linalg.inv(triangle[:count, :count].T)
    raise _held_twice(first + int(np.abs(vectors[-1]).argmax()))


def _held_twice(degree: int) -> FrameUnstable:
    return FrameUnstable(
        "A node is held twice in one direction.", node=degree // 6, direction=AXES[degree % 6]
    )
