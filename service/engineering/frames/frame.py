"""The frame: nodes, elements, what holds them, and where hangers will act on them.

Global axes, z up; lengths in m, forces in N, rotations in rad by the right hand. Forces and movements of a
restraint, a spring or a hanger are positive along its direction.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np

from service.engineering.frames import bends as curved
from service.engineering.frames import elements as straight
from service.engineering.frames.bends import Bends
from service.engineering.frames.elements import Array, Indices, Straights

TRANSLATION: Final = 0
ROTATION: Final = 3


@dataclass(frozen=True)
class Restraint:
    """One direction of a node that is held.

    node: index. direction: unit vector in global axes. kind: TRANSLATION or ROTATION (about the direction).
    name: what holds it, for messages. Its imposed movement comes with the load case.
    """

    node: int
    direction: tuple[float, float, float]
    kind: int = TRANSLATION
    name: str = ""


@dataclass(frozen=True)
class Interface:
    """Where a hanger acts.

    node: index. direction: unit vector in which its force on the pipe and the pipe's movement are positive,
    up unless stated.
    """

    node: int
    direction: tuple[float, float, float] = (0.0, 0.0, 1.0)


@dataclass(frozen=True)
class Spring:
    """An elastic restraint to the ground.

    node: index. direction: unit vector in global axes. stiffness: >= 0 [N/m], or [N m] for a rotation. kind:
    TRANSLATION or ROTATION (about the direction).
    """

    node: int
    direction: tuple[float, float, float]
    stiffness: float
    kind: int = TRANSLATION


@dataclass(frozen=True)
class Case:
    """One load case.

    straight_n_per_m, bend_n_per_m: distributed load vectors for each metre of pipe, global axes, weight
    (0, 0, -w), (n, 3) [N/m]. straight_strain, bend_strain: free thermal strains, positive where the pipe
    grows, (n,) [1]. nodal: forces and moments on the nodes, (k, 6) [N, N m]. imposed: movement of each
    restraint in its direction, (r,) [m or rad].
    """

    straight_n_per_m: Array
    bend_n_per_m: Array
    straight_strain: Array
    bend_strain: Array
    nodal: Array
    imposed: Array


@dataclass(frozen=True)
class Frame:
    """A line without its hangers.

    coordinates: nodes, (k, 3) [m]. straights, bends: the pipe between them. restraints: what is held, also
    with an imposed movement. interfaces: where hangers act, in the order of the answers. springs: elastic
    restraints that are no hangers.
    """

    coordinates: Array
    straights: Straights
    bends: Bends
    restraints: Sequence[Restraint] = ()
    interfaces: Sequence[Interface] = ()
    springs: Sequence[Spring] = ()

    @property
    def size(self) -> int:
        """Degrees of freedom, restrained ones included."""
        return 6 * len(self.coordinates)

    def members(self) -> tuple[Indices, Array]:
        """End nodes (n, 2) and stiffness (n, 12, 12) in global axes of every element.

        Straights come first, then bends; order of degrees [u r] at the start, then at the end [N/m, N, N m].
        """
        matrices = straight.stiffness(self.coordinates, self.straights)
        if len(self.bends.nodes) == 0:
            return self.straights.nodes, matrices
        nodes = np.concatenate([self.straights.nodes, self.bends.nodes])
        return nodes, np.concatenate([matrices, curved.stiffness(self.coordinates, self.bends)])

    def member_loads(self, case: Case) -> Array:
        """Equivalent nodal loads of every element, (n, 12), in the order of `members` [N, N m]."""
        straights = straight.load_vectors(
            self.coordinates, self.straights, case.straight_n_per_m, case.straight_strain
        )
        if len(self.bends.nodes) == 0:
            return straights
        acting = np.concatenate([case.bend_n_per_m, case.bend_strain[:, None]], axis=1)
        return np.concatenate([straights, (self._bend_loads @ acting[:, :, None])[:, :, 0]])

    @cached_property
    def _bend_loads(self) -> Array:
        """Loads of bends for a unit load along each axis and a unit strain, (n, 12, 4).

        Bends integrate along their arcs, which is done once for all cases.
        """
        count = len(self.bends.nodes)
        columns = []
        for unit in np.eye(4):
            load, strain = np.tile(unit[:3], (count, 1)), np.full(count, unit[3])
            columns.append(curved.load_vectors(self.coordinates, self.bends, load, strain))
        return np.stack(columns, axis=2)

    def no_load(self) -> Case:
        """A case in which nothing acts."""
        return Case(
            np.zeros((len(self.straights.nodes), 3)),
            np.zeros((len(self.bends.nodes), 3)),
            np.zeros(len(self.straights.nodes)),
            np.zeros(len(self.bends.nodes)),
            np.zeros((len(self.coordinates), 6)),
            np.zeros(len(self.restraints)),
        )


def degrees(nodes: Indices) -> Indices:
    """Degrees of freedom of elements, (n, 12) for end nodes (n, 2)."""
    return (6 * nodes[:, :, None] + np.arange(6)).reshape(len(nodes), 12)
