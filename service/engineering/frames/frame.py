"""The frame: nodes, elements, what holds them, and where hangers will act on them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
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
    """One direction of a node that is held. direction: unit vector; kind: TRANSLATION or ROTATION.

    name: what holds it, for messages. Imposed movements come with the load case.
    """

    node: int
    direction: tuple[float, float, float]
    kind: int = TRANSLATION
    name: str = ""


@dataclass(frozen=True)
class Interface:
    """Where a hanger acts: a node and the direction in which its force on the pipe is positive (up)."""

    node: int
    direction: tuple[float, float, float] = (0.0, 0.0, 1.0)


@dataclass(frozen=True)
class Spring:
    """An elastic restraint to the ground at a node. stiffness in N/m, or N m for a rotation."""

    node: int
    direction: tuple[float, float, float]
    stiffness: float
    kind: int = TRANSLATION


@dataclass(frozen=True)
class Case:
    """One load case.

    straight_n_per_m, bend_n_per_m: distributed load vectors, global axes, (n, 3). straight_strain,
    bend_strain: free thermal strains, (n,). nodal: forces and moments on the nodes, (k, 6). imposed:
    movement of each restraint in its direction, (r,) [m or rad].
    """

    straight_n_per_m: Array
    bend_n_per_m: Array
    straight_strain: Array
    bend_strain: Array
    nodal: Array
    imposed: Array


@dataclass(frozen=True)
class Frame:
    """Nodes (k, 3) [m] and what joins, holds and carries them."""

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
        """End nodes (n, 2) and stiffness (n, 12, 12) of every element: straights first, then bends."""
        nodes = np.concatenate([self.straights.nodes, self.bends.nodes])
        matrices = np.concatenate(
            [
                straight.stiffness(self.coordinates, self.straights),
                curved.stiffness(self.coordinates, self.bends),
            ]
        )
        return nodes, matrices

    def member_loads(self, case: Case) -> Array:
        """Equivalent nodal loads of every element, (n, 12), in the order of `members`."""
        return np.concatenate(
            [
                straight.load_vectors(
                    self.coordinates, self.straights, case.straight_n_per_m, case.straight_strain
                ),
                curved.load_vectors(self.coordinates, self.bends, case.bend_n_per_m, case.bend_strain),
            ]
        )

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
