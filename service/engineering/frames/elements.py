"""Straight elements: stiffness and equivalent nodal loads of all of them at once.

The section is round, so that no orientation about the axis is needed: with the unit tangent t of an
element, its projector P = t t' and the matrix T with T v = t x v, every block is a combination of the
three. Forces and moments are those that the nodes exert on the element.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Indices = NDArray[np.int64]


@dataclass(frozen=True)
class Straights:
    """Straight elements, one row each.

    nodes: start and end, (n, 2). area_m2, second_moment_m4, torsion_m4, shear_area_m2: section, (n,)
    [m^2, m^4]; a shear area of infinity leaves shear deformation out. young_pa, shear_pa: moduli, (n,) [Pa].
    """

    nodes: Indices
    area_m2: Array
    second_moment_m4: Array
    torsion_m4: Array
    shear_area_m2: Array
    young_pa: Array
    shear_pa: Array


def cross_matrix(vectors: Array) -> Array:
    """Matrices M with M v = vector x v, (..., 3, 3) for vectors (..., 3)."""
    x, y, z = vectors[..., 0], vectors[..., 1], vectors[..., 2]
    zero = np.zeros_like(x)
    return np.stack([zero, -z, y, z, zero, -x, -y, x, zero], axis=-1).reshape(*x.shape, 3, 3)


def tangents(coordinates: Array, nodes: Indices) -> tuple[Array, Array]:
    """Unit tangents from start to end (n, 3) and lengths (n,) [m] of straight elements.

    Args:
        coordinates: nodes, (k, 3) [m]
        nodes: start and end of each element, (n, 2)
    """
    chords = coordinates[nodes[:, 1]] - coordinates[nodes[:, 0]]
    lengths = np.sqrt(np.einsum("ij,ij->i", chords, chords))
    return chords / lengths[:, None], lengths


def stiffness(coordinates: Array, straights: Straights) -> Array:
    """Element stiffness in global axes, (n, 12, 12), order [u r] at the start, then at the end.

    Shear deformation is in it: with phi = 12 E I / (G A_s L^2), transverse stiffness is
    12 E I / (L^3 (1 + phi)).

    Args:
        coordinates: nodes, (k, 3) [m]
        straights: the elements

    Returns:
        symmetric matrices [N/m, N, N m]

    Source: J. S. Przemieniecki, Theory of Matrix Structural Analysis (1968), section 5.6 (from memory).
    """
    tangent, length = tangents(coordinates, straights.nodes)
    bending = straights.young_pa * straights.second_moment_m4
    phi = 12.0 * bending / (straights.shear_pa * straights.shear_area_m2 * length**2)
    axial = (straights.young_pa * straights.area_m2 / length)[:, None, None]
    twist = (straights.shear_pa * straights.torsion_m4 / length)[:, None, None]
    shear = (12.0 * bending / (length**3 * (1.0 + phi)))[:, None, None]
    coupling = (6.0 * bending / (length**2 * (1.0 + phi)))[:, None, None]
    near = ((4.0 + phi) * bending / (length * (1.0 + phi)))[:, None, None]
    far = ((2.0 - phi) * bending / (length * (1.0 + phi)))[:, None, None]
    along = np.einsum("ni,nj->nij", tangent, tangent)
    across = np.eye(3) - along
    turning = cross_matrix(tangent)
    uu = axial * along + shear * across
    ur = -coupling * turning
    rr_near = twist * along + near * across
    rr_far = -twist * along + far * across
    matrices = np.empty((len(length), 12, 12))
    blocks = (
        (uu, ur, -uu, ur),
        (-ur, rr_near, ur, rr_far),
        (-uu, -ur, uu, -ur),
        (-ur, rr_far, ur, rr_near),
    )
    for i, row in enumerate(blocks):
        for j, block in enumerate(row):
            matrices[:, 3 * i : 3 * i + 3, 3 * j : 3 * j + 3] = block
    return matrices


def load_vectors(coordinates: Array, straights: Straights, load_n_per_m: Array, strain: Array) -> Array:
    """Equivalent nodal loads of distributed loads and free strains, (n, 12) [N, N m].

    Exact for a load that is uniform along the element, also with shear deformation.

    Args:
        coordinates: nodes, (k, 3) [m]
        straights: the elements
        load_n_per_m: load vector for each metre of length in global axes, (n, 3); weight is (0, 0, -w)
        strain: free thermal strain, (n,), positive where the pipe grows [1]

    Returns:
        loads on the nodes, order as in `stiffness`

    Source: as `stiffness`; the end moments are w L^2/12.
    """
    tangent, length = tangents(coordinates, straights.nodes)
    force = load_n_per_m * (length / 2.0)[:, None]
    moment = np.cross(tangent, load_n_per_m) * (length**2 / 12.0)[:, None]
    push = tangent * (straights.young_pa * straights.area_m2 * strain)[:, None]
    return np.concatenate([force - push, moment, force + push, -moment], axis=1)
