"""Straight elements: what any elastic bar does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from service.engineering.frames.elements import (
    Array,
    Straights,
    cross_matrix,
    load_vectors,
    stiffness,
    tangents,
)
from tests.lines.shapes import Bar

BAR = Bar(shear_area_m2=4.9e-3)
POINTS = np.array([(0.3, -1.2, 0.4), (2.1, 0.7, -0.9), (0.3, -1.2, 3.4), (5.3, -1.2, 0.4)])
PAIRS = np.array([(0, 1), (0, 2), (3, 0)])


def some() -> Straights:
    return BAR.straights(PAIRS)


def rigid_movements(start: Array, end: Array) -> Array:
    """Six movements of a rigid bar, (6, 12): along each axis, and turns about each axis of the origin."""
    modes = np.zeros((6, 12))
    for axis in range(3):
        modes[axis, axis] = modes[axis, 6 + axis] = 1.0
        about = np.eye(3)[axis]
        modes[3 + axis] = np.concatenate([np.cross(about, start), about, np.cross(about, end), about])
    return modes


def test_a_cross_matrix_multiplies_as_the_cross_product() -> None:
    one, other = np.array([1.0, -2.0, 3.0]), np.array([0.5, 4.0, -1.0])
    assert cross_matrix(one) @ other == pytest.approx(np.cross(one, other))


def test_tangents_are_unit_vectors_from_start_to_end() -> None:
    tangent, length = tangents(POINTS, PAIRS)
    assert length == pytest.approx([np.sqrt(1.8**2 + 1.9**2 + 1.3**2), 3.0, 5.0])
    assert tangent[1:] == pytest.approx(np.array([(0.0, 0.0, 1.0), (-1.0, 0.0, 0.0)]))


def test_stiffness_is_symmetric_and_resists_everything_but_rigid_movements() -> None:
    for matrix, (first, last) in zip(stiffness(POINTS, some()), PAIRS, strict=True):
        assert matrix == pytest.approx(matrix.T)
        forces = matrix @ rigid_movements(POINTS[first], POINTS[last]).T
        assert np.abs(forces).max() < 1e-9 * np.abs(matrix).max()
        values = np.linalg.eigvalsh(matrix)
        assert np.count_nonzero(values > 1e-9 * values[-1]) == 6


def test_an_element_along_x_has_the_terms_of_the_textbook() -> None:
    length, phi = 5.0, 12.0 * BAR.bending_n_m2 / (BAR.sliding_n * 25.0)
    matrix = stiffness(POINTS, BAR.straights(np.array([(0, 3)])))[0]
    ei = BAR.bending_n_m2 / (1.0 + phi)
    assert matrix[0, 0] == pytest.approx(BAR.axial_n / length)
    assert matrix[3, 3] == pytest.approx(BAR.torsion_n_m2 / length)
    assert matrix[1, 1] == pytest.approx(12.0 * ei / length**3)
    assert matrix[1, 5] == pytest.approx(6.0 * ei / length**2)
    assert matrix[2, 4] == pytest.approx(-6.0 * ei / length**2)
    assert matrix[5, 5] == pytest.approx((4.0 + phi) * ei / length)
    assert matrix[5, 11] == pytest.approx((2.0 - phi) * ei / length)


def test_an_infinite_shear_area_leaves_shear_out() -> None:
    matrix = stiffness(POINTS, Bar().straights(np.array([(0, 3)])))[0]
    assert matrix[1, 1] == pytest.approx(12.0 * BAR.bending_n_m2 / 125.0)


def test_an_element_named_from_its_other_end_is_the_same() -> None:
    swapped = replace(some(), nodes=PAIRS[:, ::-1])
    order = [*range(6, 12), *range(6)]
    load = np.array([(30.0, -20.0, -1600.0)] * 3)
    strain = np.full(3, 2e-3)
    there, back = stiffness(POINTS, some()), stiffness(POINTS, swapped)
    assert back[:, order][:, :, order] == pytest.approx(there)
    loads = load_vectors(POINTS, some(), load, strain)
    assert load_vectors(POINTS, swapped, load, strain)[:, order] == pytest.approx(loads)


def test_equivalent_loads_have_the_sum_and_the_moment_of_what_they_stand_for() -> None:
    load = np.array([(30.0, -20.0, -1600.0)] * 3)
    loads = load_vectors(POINTS, some(), load, np.zeros(3))
    for each, (first, last), length in zip(loads, PAIRS, tangents(POINTS, PAIRS)[1], strict=True):
        total = load[0] * length
        assert each[:3] + each[6:9] == pytest.approx(total)
        moments = np.cross(POINTS[first], each[:3]) + each[3:6] + np.cross(POINTS[last], each[6:9]) + each[9:]
        assert moments == pytest.approx(np.cross((POINTS[first] + POINTS[last]) / 2.0, total))


def test_free_strain_is_what_its_growth_would_take() -> None:
    strain = np.array([1e-3, -2e-3, 3e-3])
    loads = load_vectors(POINTS, some(), np.zeros((3, 3)), strain)
    for place, (first, last) in enumerate(PAIRS):
        grown = np.zeros(12)
        grown[6:9] = strain[place] * (POINTS[last] - POINTS[first])
        assert loads[place] == pytest.approx(stiffness(POINTS, some())[place] @ grown, rel=1e-9, abs=1e-3)
