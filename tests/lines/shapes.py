"""Small frames for checks: straight beams along x, and single bends."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from service.engineering.frames.bends import Bends
from service.engineering.frames.elements import Array, Straights
from service.engineering.frames.frame import ROTATION, TRANSLATION, Frame, Interface, Restraint, Spring
from tests.lines.base import no_bends

X, Y, Z = (1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)
AXES = (X, Y, Z)


@dataclass(frozen=True)
class Bar:
    """Stiffness of a round bar: E, G, A, I, J and the shear area; no shear deformation unless given."""

    young_pa: float = 203e9
    shear_pa: float = 203e9 / 2.6
    area_m2: float = 9.4e-3
    second_moment_m4: float = 1.162_68e-4
    shear_area_m2: float = np.inf

    @property
    def bending_n_m2(self) -> float:
        return self.young_pa * self.second_moment_m4

    @property
    def torsion_n_m2(self) -> float:
        return self.shear_pa * 2.0 * self.second_moment_m4

    @property
    def axial_n(self) -> float:
        return self.young_pa * self.area_m2

    @property
    def sliding_n(self) -> float:
        return self.shear_pa * self.shear_area_m2

    def straights(self, nodes: Array) -> Straights:
        one = np.ones(len(nodes))
        return Straights(
            np.asarray(nodes, dtype=np.int64),
            one * self.area_m2,
            one * self.second_moment_m4,
            one * 2.0 * self.second_moment_m4,
            one * self.shear_area_m2,
            one * self.young_pa,
            one * self.shear_pa,
        )

    def bends(self, nodes: Array, corners: Array, flexibility: float) -> Bends:
        straight = self.straights(nodes)
        return Bends(
            straight.nodes,
            np.asarray(corners, dtype=float),
            straight.area_m2,
            straight.second_moment_m4,
            straight.torsion_m4,
            straight.shear_area_m2,
            straight.young_pa,
            straight.shear_pa,
            np.full(len(nodes), flexibility),
        )


def fixed(node: int) -> list[Restraint]:
    """Everything held at a node: translations x y z, then rotations."""
    return [Restraint(node, axis, kind, "anchor") for kind in (TRANSLATION, ROTATION) for axis in AXES]


def chain(count: int) -> Array:
    """End nodes of elements one after another."""
    return np.array([(place, place + 1) for place in range(count)])


def beam(
    bar: Bar,
    spans_m: Sequence[float],
    *,
    pieces: int = 3,
    supports: Sequence[int] = (),
    hung: Sequence[int] = (),
    clamped: Sequence[int] = (),
    springs: Sequence[tuple[int, float]] = (),
) -> Frame:
    """A beam along x over spans of so many pieces each; points are counted span by span from 0.

    supports: points held vertically, first among the restraints. clamped: points held altogether. hung:
    points with a hanger, as interfaces. springs: points on vertical springs [N/m]. It cannot leave the plane
    of x and z; its first point cannot go along x nor spin.
    """
    points = [0.0]
    for span in spans_m:
        points += [points[-1] + span * place / pieces for place in range(1, pieces + 1)]
    coordinates = np.zeros((len(points), 3))
    coordinates[:, 0] = points
    restraints = [Restraint(pieces * point, Z, TRANSLATION, "support") for point in supports]
    for point in clamped:
        restraints += fixed(pieces * point)
    if 0 not in clamped:
        restraints += [Restraint(0, X), Restraint(0, X, ROTATION), Restraint(0, Y)]
    if len(spans_m) not in clamped:
        restraints += [Restraint(len(points) - 1, Y)]
    return Frame(
        coordinates,
        bar.straights(chain(len(points) - 1)),
        no_bends(),
        restraints,
        [Interface(pieces * point) for point in hung],
        [Spring(pieces * point, Z, stiffness) for point, stiffness in springs],
    )


def quarter(bar: Bar, radius_m: float, flexibility: float) -> Frame:
    """A quarter of a circle, fixed at the origin where it leaves along x, free at (R, R, 0)."""
    return Frame(
        np.array([(0.0, 0.0, 0.0), (radius_m, radius_m, 0.0)]),
        bar.straights(np.zeros((0, 2))),
        bar.bends(np.array([(0, 1)]), np.array([(radius_m, 0.0, 0.0)]), flexibility),
        fixed(0),
    )
