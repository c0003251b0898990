"""Bends: circular arcs of pipe with a flexibility factor, by their exact flexibility.

The unit-load integrals of the arc give the flexibility of its end with the start held; its inverse and
equilibrium give the stiffness. The integrands are products of sines and cosines over at most half a
turn, for which the quadrature used is exact to rounding.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from service.engineering.frames.elements import Array, Indices, cross_matrix

_POINTS: Final = 16
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(_POINTS)


@dataclass(frozen=True)
class Bends:
    """Bends, one row each; start and end are the tangent points.

    nodes: start and end, (n, 2). corner: where the tangents meet, (n, 3) [m]. Sections and moduli as
    `Straights`. flexibility: factor on both bending flexibilities, >= 1, (n,) [1].
    """

    nodes: Indices
    corner: Array
    area_m2: Array
    second_moment_m4: Array
    torsion_m4: Array
    shear_area_m2: Array
    young_pa: Array
    shear_pa: Array
    flexibility: Array


@dataclass(frozen=True)
class Arcs:
    """Geometry of bends at the points of the quadrature (n, g, ...), and as a whole.

    radius_m, angle_rad: (n,). length_m: of each arc, (n,). place: points, (n, g, 3) [m]. tangent: (n, g, 3).
    weight_m: length that each point stands for, (n, g) [m]. after_m: length from the point to the end, (n, g).
    centroid: of the arc's line, (n, 3) [m].
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


def flexibility_factor(wall_m: float, bend_radius_m: float, outside_diameter_m: float, numerator: float = 1.65) -> float:
    """Flexibility factor of a bend: k = 1.65 / h, never below 1, with h = T R / r^2.

    Args:
        wall_m: wall thickness T [m]
        bend_radius_m: radius of the bend's centre line R [m]
        outside_diameter_m: of the pipe [m]; r is the mean radius of the wall
        numerator: 1.65, or 1.3 for bends of 90 degrees with the pipe's own thickness

    Returns:
        factor on the bending flexibility [1]

    Source: ASME B31.1 Appendix D, to the 2018 edition (from memory); 1.3: ASME B31J Note 3, as an article
    on it states.
    """
    mean_radius_m = (outside_diameter_m - wall_m) / 2.0
    return max(1.0, numerator * mean_radius_m**2 / (wall_m * bend_radius_m))


def arcs(coordinates: Array, bends: Bends) -> Arcs:
    """The arcs between the tangent points: each leaves its start towards the corner.

    The two tangents are taken as equally long; a caller checks that before.
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
    place = centre[:, None, :] + radius[:, None, None] * (sine * into[:, None, :] - cosine * inward[:, None, :])
    tangent = cosine * into[:, None, :] + sine * inward[:, None, :]
    length = radius * angle
    weight = length[:, None] * _WEIGHTS[None, :] / 2.0
    centroid = np.einsum("ng,ngi->ni", weight, place) / length[:, None]
    after = length[:, None] - radius[:, None] * at
    return Arcs(radius, angle, length, place, tangent, weight, after, centre, centroid, start, end)


def _flexibilities(arc: Arcs, bends: Bends) -> tuple[Array, Array, Array]:
    """Rotation and stretch for a unit moment or force at each point: (n, g, 3, 3) twice, and levers to the end."""
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
    """Stiffness of the end with the start held, (n, 6, 6)."""
    turned = np.einsum("ngij,ngjk->ngik", turning, lever)
    weight = arc.weight_m
    flexibility = np.empty((len(weight), 6, 6))
    flexibility[:, :3, :3] = np.einsum(
        "ng,ngij->nij", weight, straining + np.einsum("ngji,ngjk->ngik", lever, turned)
    )
    flexibility[:, 3:, :3] = np.einsum("ng,ngij->nij", weight, turned)
    flexibility[:, :3, 3:] = np.transpose(flexibility[:, 3:, :3], (0, 2, 1))
    flexibility[:, 3:, 3:] = np.einsum("ng,ngij->nij", weight, turning)
    return np.linalg.inv((flexibility + np.transpose(flexibility, (0, 2, 1))) / 2.0)


def _carry(arc: Arcs) -> Array:
    """G, (n, 6, 6): forces at the end, moved to the start, are G f; the start's movement gives the end G' u."""
    carry = np.zeros((len(arc.length_m), 6, 6))
    carry[:] = np.eye(6)
    carry[:, 3:, :3] = cross_matrix(arc.end - arc.start)
    return carry


def stiffness(coordinates: Array, bends: Bends) -> Array:
    """Element stiffness in global axes, (n, 12, 12), order as the straight elements' [N/m, N, N m].

    The flexibility factor multiplies bending in and out of the bend's plane; torsion, axial force and
    shear deform the arc as a straight pipe.

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
        load_n_per_m: load vector for each metre of arc in global axes, (n, 3)
        strain: free thermal strain, (n,) [1]; the arc grows in likeness, so that its chord does

    Returns:
        loads on the nodes, order as in `stiffness`
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
