"""Bends: circular arcs of pipe with a flexibility factor, by their exact flexibility.

The unit-load integrals of the arc give the flexibility of its end with the start held; its inverse and
equilibrium give the stiffness. The integrands are products of sines and cosines over less than half a
turn, for which the quadrature used is exact to rounding.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from service.engineering.frames.elements import Array, Indices, cross_matrix

_POINTS: Final = 16  # of Gauss and Legendre along each arc
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(_POINTS)


@dataclass(frozen=True)
class Bends:
    """Bends, one row each; start and end are the tangent points.

    nodes: start and end, (n, 2). corner: where the tangents meet, as far from the start as from the end,
    (n, 3) [m]. area_m2, second_moment_m4, torsion_m4, shear_area_m2: section, (n,), as in `Straights`.
    young_pa, shear_pa: moduli, (n,) [Pa]. flexibility: factor on bending in the bend's plane and out of it,
    >= 1, (n,) [1].
    """

    nodes: Indices
    corner: Array
    area_m2: Array
    second_moment_m4: Array
    # The flexibility factor is not in the section; it leaves what follows alone.
    torsion_m4: Array
    shear_area_m2: Array
    young_pa: Array
    shear_pa: Array
    flexibility: Array


@dataclass(frozen=True)
class Arcs:
    """Geometry of bends at the points of the quadrature (n, g, ...), and as a whole (n, ...).

    radius_m: of the centre line, (n,) [m]. angle_rad: through which the line turns, between 0 and pi, (n,).
    length_m: of each arc, (n,) [m]. place: points on the arc, (n, g, 3) [m]. tangent: unit vectors from
    start to end, (n, g, 3). weight_m: length that each point stands for, (n, g) [m]. after_m: length of arc
    from the point to the end, (n, g) [m]. centre: of the circle, (n, 3) [m]. centroid: of the arc's line,
    (n, 3) [m]. start, end: tangent points, (n, 3) [m].
    """

    radius_m: Array
    angle_rad: Array
    length_m: Array
    place: Array
    tangent: Array
    weight_m: Array
    after_m: Array
    centre: Array
    centroid: Array
    start: Array
    end: Array


def flexibility_factor(
    wall_m: float, bend_radius_m: float, outside_diameter_m: float, numerator: float = 1.65
) -> float:
    """Flexibility factor of a bend: k = 1.65 / h, never below 1, with h = T R / r^2.

    Pressure, which stiffens a thin bend, and flanges near it are left out.

    Args:
        wall_m: wall thickness T, > 0 [m]
        bend_radius_m: radius of the bend's centre line R, > 0 [m]
        outside_diameter_m: of the pipe, > T [m]; r is the mean radius of the wall
        numerator: 1.65, or 1.3 for bends of 90 degrees with the pipe's own thickness [1]

    Returns:
        factor on the bending flexibility, >= 1 [1]

    Source: ASME B31.1 Appendix D, to the 2018 edition (from memory); 1.3: ASME B31J Note 3, as an article
    on it states.
    """
    mean_radius_m = (outside_diameter_m - wall_m) / 2.0
    return max(1.0, numerator * mean_radius_m**2 / (wall_m * bend_radius_m))


def arcs(coordinates: Array, bends: Bends) -> Arcs:
    """The arcs between the tangent points: each leaves its start towards the corner.

    The two tangents are taken as equally long, and neither in line nor folded back; a caller checks that
    before.

    Args:
        coordinates: nodes, (k, 3) [m]
        bends: the bends

    Returns:
        geometry of every bend
    """
    start, end = coordinates[bends.nodes[:, 0]], coordinates[bends.nodes[:, 1]]
    first, second = bends.corner - start, end - bends.corner
    reach = np.sqrt(np.einsum("ij,ij->i", first, first))
    into = first / reach[:, None]
    out_of = second / np.sqrt(np.einsum("ij,ij->i", second, second))[:, None]
    angle = np.arctan2(
        np.sqrt(np.einsum("ij,ij->i", np.cross(into, out_of), np.cross(into, out_of))),
        np.einsum("ij,ij->i", into, out_of),
    )
    radius = reach / np.tan(angle / 2.0)
    inward = out_of - into * np.cos(angle)[:, None]
    inward /= np.sqrt(np.einsum("ij,ij->i", inward, inward))[:, None]
    centre = start + radius[:, None] * inward
    at = angle[:, None] * (1.0 + _NODES[None, :]) / 2.0
    sine, cosine = np.sin(at)[..., None], np.cos(at)[..., None]
    outward = sine * into[:, None, :] - cosine * inward[:, None, :]
    place = centre[:, None, :] + radius[:, None, None] * outward
    tangent = cosine * into[:, None, :] + sine * inward[:, None, :]
    length = radius * angle
    weight = length[:, None] * _WEIGHTS[None, :] / 2.0
    centroid = np.einsum("ng,ngi->ni", weight, place) / length[:, None]
    after = length[:, None] - radius[:, None] * at
    return Arcs(radius, angle, length, place, tangent, weight, after, centre, centroid, start, end)


def _flexibilities(arc: Arcs, bends: Bends) -> tuple[Array, Array, Array]:
    """What each metre of arc gives at each point of it.

    Returns:
        turning: rotation for a unit moment, (n, g, 3, 3) [rad/(N m^2)]. straining: stretch and slide for a
        unit force, (n, g, 3, 3) [1/N]. lever: M with M f = (end - point) x f, (n, g, 3, 3) [m]
    """
    along = np.einsum("ngi,ngj->ngij", arc.tangent, arc.tangent)
    across = np.eye(3) - along

    def each(values: Array) -> Array:
        return values[:, None, None, None]

    twist = along / each(bends.shear_pa * bends.torsion_m4)
    bend = across * each(bends.flexibility / (bends.young_pa * bends.second_moment_m4))
    stretch = along / each(bends.young_pa * bends.area_m2)
    slide = across / each(bends.shear_pa * bends.shear_area_m2)
    lever = cross_matrix(arc.end[:, None, :] - arc.place)
    return twist + bend, stretch + slide, lever


def _end_stiffness(arc: Arcs, turning: Array, straining: Array, lever: Array) -> Array:
    """Stiffness of the end with the start held, (n, 6, 6) [N/m, N, N m]."""
    turned = np.einsum("ngij,ngjk->ngik", turning, lever)
    weight = arc.weight_m
    flexibility = np.empty((len(weight), 6, 6))
    flexibility[:, :3, :3] = np.einsum(
        "ng,ngij->nij", weight, straining + np.einsum("ngji,ngjk->ngik", lever, turned)
    )
    flexibility[:, 3:, :3] = np.einsum("ng,ngij->nij", weight, turned)
    flexibility[:, :3, 3:] = np.transpose(flexibility[:, 3:, :3], (0, 2, 1))
    flexibility[:, 3:, 3:] = np.einsum("ng,ngij->nij", weight, turning)
    inverse = np.linalg.inv((flexibility + np.transpose(flexibility, (0, 2, 1))) / 2.0)
    return np.asarray(inverse, dtype=np.float64)


def _carry(arc: Arcs) -> Array:
    """Matrices G, (n, 6, 6): forces f at the end are G f at the start.

    A movement u of the start, the arc staying rigid, is G' u at the end.
    """
    carry = np.zeros((len(arc.length_m), 6, 6))
    carry[:] = np.eye(6)
    carry[:, 3:, :3] = cross_matrix(arc.end - arc.start)
    return carry


def stiffness(coordinates: Array, bends: Bends) -> Array:
    """Element stiffness in global axes, (n, 12, 12), order as the straight elements' [N/m, N, N m].

    The flexibility factor multiplies bending in and out of the bend's plane; torsion, axial force and
    shear deform the arc as a straight pipe.

    Args:
        coordinates: nodes, (k, 3) [m]
        bends: the bends

    Returns:
        symmetric matrices, forces of the nodes on the element for movements of the nodes

    Source: unit-load theorem on a curved bar that is thin against its radius (Timoshenko, Strength of
    Materials, part II, from memory); factor: `flexibility_factor`.
    """
    arc = arcs(coordinates, bends)
    end = _end_stiffness(arc, *_flexibilities(arc, bends))
    carry = _carry(arc)
    moved = carry @ end
    matrices = np.empty((len(arc.length_m), 12, 12))
    matrices[:, :6, :6] = moved @ np.transpose(carry, (0, 2, 1))
    matrices[:, :6, 6:] = -moved
    matrices[:, 6:, :6] = -np.transpose(moved, (0, 2, 1))
    matrices[:, 6:, 6:] = end
    return (matrices + np.transpose(matrices, (0, 2, 1))) / 2.0


def load_vectors(coordinates: Array, bends: Bends, load_n_per_m: Array, strain: Array) -> Array:
    """Equivalent nodal loads of distributed loads and free strains, (n, 12) [N, N m].

    Args:
        coordinates: nodes, (k, 3) [m]
        bends: the bends
        load_n_per_m: load vector for each metre of arc in global axes, (n, 3); weight is (0, 0, -w)
        strain: free thermal strain, positive where the pipe grows, (n,) [1]; the arc keeps its shape and
            its angle while it grows, so that its chord grows as much

    Returns:
        loads on the nodes, order as in `stiffness`

    Source: as `stiffness`: the movements of the free end under the load, taken back by the end's stiffness.
    """
    arc = arcs(coordinates, bends)
    turning, straining, lever = _flexibilities(arc, bends)
    end = _end_stiffness(arc, turning, straining, lever)
    # Internal force and moment at each point from the load beyond it, the end being free: the rest of
    # the arc has its centroid on the bisector of its angle, half its chord's sine from the centre.
    half = arc.after_m / (2.0 * arc.radius_m[:, None])
    reach = arc.radius_m[:, None] * np.sinc(half / np.pi)
    outward = (arc.place - arc.centre[:, None, :]) / arc.radius_m[:, None, None]
    towards = np.cos(half)[..., None] * outward + np.sin(half)[..., None] * arc.tangent
    rest = arc.centre[:, None, :] + reach[..., None] * towards
    force = load_n_per_m[:, None, :] * arc.after_m[..., None]
    moment = np.cross(rest - arc.place, force)
    curvature = np.einsum("ngij,ngj->ngi", turning, moment)
    stretch = np.einsum("ngij,ngj->ngi", straining, force) + np.einsum("ngji,ngj->ngi", lever, curvature)
    free = np.concatenate(
        [
            np.einsum("ng,ngi->ni", arc.weight_m, stretch) + strain[:, None] * (arc.end - arc.start),
            np.einsum("ng,ngi->ni", arc.weight_m, curvature),
        ],
        axis=1,
    )
    at_end = np.einsum("nij,nj->ni", end, free)
    total = load_n_per_m * arc.length_m[:, None]
    whole = np.concatenate([total, np.cross(arc.centroid - arc.start, total)], axis=1)
    at_start = whole - np.einsum("nij,nj->ni", _carry(arc), at_end)
    return np.concatenate([at_start, at_end], axis=1)
