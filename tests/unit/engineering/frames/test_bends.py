"""Bends: what any elastic arc does; closed forms are in tests/validation/test_frame_curved_bars.py."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from service.engineering.frames.bends import Bends, arcs, load_vectors, stiffness
from service.engineering.frames.elements import Array
from service.engineering.frames.elements import stiffness as straight_stiffness
from service.engineering.frames.frame import Frame
from service.engineering.frames.solution import factorise
from tests.lines.bend_checks import chord_reactions
from tests.lines.random_lines import arc_points
from tests.lines.shapes import Bar, fixed

BAR = Bar(shear_area_m2=4.9e-3)
NONE = np.zeros(0)
START, CORNER = np.array([0.4, -0.3, 1.1]), np.array([1.2, 0.1, 0.7])
LOAD, STRAIN = np.array([300.0, -200.0, -1600.0]), 2e-3


def bend(angle_rad: float, flexibility: float = 7.0) -> tuple[Array, Bends]:
    """Tangent points (2, 3) and a bend from START round CORNER."""
    into = CORNER - START
    across = np.cross(into, (0.0, 0.0, 1.0))
    across *= np.linalg.norm(into) / np.linalg.norm(across)
    end = CORNER + np.cos(angle_rad) * into + np.sin(angle_rad) * across
    return np.array([START, end]), BAR.bends(np.array([(0, 1)]), CORNER[None, :], flexibility)


def split(points: Array, whole: Bends) -> tuple[Array, Bends]:
    """The same arc as two bends of half its angle."""
    start, middle, end = arc_points(points[0], whole.corner[0], points[1], 2)
    corner, centre = whole.corner[0], arcs(points, whole).centre[0]
    radius = np.linalg.norm(start - centre)
    tangent = radius * np.tan(float(arcs(points, whole).angle_rad[0]) / 4.0)
    corners = [
        start + tangent * (corner - start) / np.linalg.norm(corner - start),
        end + tangent * (corner - end) / np.linalg.norm(corner - end),
    ]
    nodes = np.array([(0, 1), (1, 2)])
    return np.array([start, middle, end]), BAR.bends(nodes, np.array(corners), float(whole.flexibility[0]))


@pytest.mark.parametrize("degrees", [5.0, 45.0, 90.0, 120.0, 170.0])
def test_an_arc_lies_on_its_circle_and_leaves_along_its_tangents(degrees: float) -> None:
    points, whole = bend(np.radians(degrees))
    arc = arcs(points, whole)
    assert arc.angle_rad[0] == pytest.approx(np.radians(degrees))
    assert np.linalg.norm(arc.place[0] - arc.centre[0], axis=1) == pytest.approx(arc.radius_m[0], rel=1e-12)
    assert np.linalg.norm(points - arc.centre[0], axis=1) == pytest.approx(arc.radius_m[0], rel=1e-12)
    assert (arc.centre[0] - START) @ (CORNER - START) == pytest.approx(0.0, abs=1e-9 * arc.radius_m[0])
    assert arc.weight_m.sum() == pytest.approx(arc.length_m[0])
    assert np.linalg.norm(arc.tangent[0], axis=1) == pytest.approx(1.0)


def test_stiffness_is_symmetric_and_resists_everything_but_rigid_movements() -> None:
    points, whole = bend(np.radians(80.0))
    matrix = stiffness(points, whole)[0]
    assert matrix == pytest.approx(matrix.T, rel=1e-12)
    for axis in np.eye(3):
        along = np.concatenate([axis, np.zeros(3), axis, np.zeros(3)])
        about = np.concatenate([np.cross(axis, points[0]), axis, np.cross(axis, points[1]), axis])
        assert np.abs(matrix @ along).max() < 1e-9 * np.abs(matrix).max()
        assert np.abs(matrix @ about).max() < 1e-9 * np.abs(matrix).max()
    values = np.linalg.eigvalsh(matrix)
    assert np.count_nonzero(values > 1e-9 * values[-1]) == 6


def test_a_bend_named_from_its_other_end_is_the_same() -> None:
    points, whole = bend(np.radians(70.0))
    swapped = replace(whole, nodes=whole.nodes[:, ::-1])
    order = [*range(6, 12), *range(6)]
    one, other = stiffness(points, whole)[0], stiffness(points, swapped)[0]
    assert np.abs(other[order][:, order] - one).max() < 1e-10 * np.abs(one).max()
    loads = [load_vectors(points, each, LOAD[None, :], np.array([STRAIN]))[0] for each in (whole, swapped)]
    assert np.abs(loads[1][order] - loads[0]).max() < 1e-10 * np.abs(loads[0]).max()


def test_a_slight_bend_is_a_straight_pipe() -> None:
    points, whole = bend(1e-4, flexibility=1.0)
    straight = straight_stiffness(points, BAR.straights(np.array([(0, 1)])))[0]
    assert np.abs(stiffness(points, whole)[0] - straight).max() < 1e-3 * np.abs(straight).max()


@pytest.mark.parametrize("degrees", [30.0, 90.0, 150.0])
def test_two_bends_in_series_are_one_of_double_angle(degrees: float) -> None:
    points, whole = bend(np.radians(degrees))
    apart_points, parts = split(points, whole)
    nothing = BAR.straights(np.zeros((0, 2)))
    rng = np.random.default_rng(7)
    imposed = rng.uniform(-0.01, 0.01, 12)
    found = []
    for coordinates, bends, last in ((points, whole, 1), (apart_points, parts, 2)):
        frame = Frame(coordinates, nothing, bends, [*fixed(0), *fixed(last)])
        case = frame.no_load()
        case.bend_n_per_m[:], case.bend_strain[:], case.imposed[:] = LOAD, STRAIN, imposed
        found.append(factorise(frame).recover(case, NONE, NONE).reactions)
    assert np.abs(found[1] - found[0]).max() < 1e-10 * np.abs(found[0]).max()


def test_equivalent_loads_have_the_sum_and_the_moment_of_what_they_stand_for() -> None:
    points, whole = bend(np.radians(100.0))
    loads = load_vectors(points, whole, LOAD[None, :], np.zeros(1))[0]
    fine = arc_points(points[0], CORNER, points[1], 4000)
    pieces = np.linalg.norm(np.diff(fine, axis=0), axis=1)
    middles = (fine[1:] + fine[:-1]) / 2.0
    total = LOAD * pieces.sum()
    assert loads[:3] + loads[6:9] == pytest.approx(total, rel=1e-6)
    moments = np.cross(points[0], loads[:3]) + loads[3:6] + np.cross(points[1], loads[6:9]) + loads[9:]
    centroid = pieces @ middles / pieces.sum()
    assert moments == pytest.approx(np.cross(centroid, total), rel=1e-6, abs=1e-6)


def test_chords_come_to_the_arc_with_the_square_of_their_length() -> None:
    points, whole = bend(np.radians(90.0), flexibility=9.35)
    frame = Frame(points, BAR.straights(np.zeros((0, 2))), whole, [*fixed(0), *fixed(1)])
    case, imposed = frame.no_load(), np.linspace(-0.004, 0.006, 12)
    case.bend_n_per_m[:], case.bend_strain[:], case.imposed[:] = LOAD, STRAIN, imposed
    exact = factorise(frame).recover(case, NONE, NONE).reactions
    errors = [
        np.abs(chord_reactions(START, CORNER, points[1], count, LOAD, STRAIN, imposed) - exact).max()
        for count in (8, 16, 32, 64)
    ]
    ratios = np.array(errors[:-1]) / np.array(errors[1:])
    assert ratios == pytest.approx(4.0, rel=0.05)


def test_the_flexibility_factor_softens_bending_and_nothing_else() -> None:
    """About the axis of a quarter's chord no pure twist remains; compare the whole flexibility instead."""
    points, stiff = bend(np.radians(90.0), flexibility=1.0)
    soft = replace(stiff, flexibility=stiff.flexibility * 3.0)
    rigid = replace(stiff, young_pa=stiff.young_pa * 1e9)
    ends = [np.linalg.inv(stiffness(points, each)[0][6:, 6:]) for each in (stiff, soft, rigid)]
    bending = ends[0] - ends[2]  # and the stretch, which the factor leaves alone
    stretch = np.zeros((6, 6))
    arc = arcs(points, stiff)
    stretch[:3, :3] = np.einsum("g,gi,gj->ij", arc.weight_m[0], arc.tangent[0], arc.tangent[0]) / BAR.axial_n
    assert ends[1] - ends[0] == pytest.approx(2.0 * (bending - stretch), rel=1e-6, abs=1e-12)
