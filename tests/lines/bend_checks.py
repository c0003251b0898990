"""Checks of bends against closed forms and against chords of ever finer division."""

from __future__ import annotations

from itertools import pairwise
from math import pi

import numpy as np

from service.engineering.frames.bends import flexibility_factor
from service.engineering.frames.elements import Array
from service.engineering.frames.frame import Frame
from service.engineering.frames.solution import factorise
from tests.lines.base import no_bends
from tests.lines.comparison import Comparison, difference
from tests.lines.random_lines import arc_points
from tests.lines.shapes import Bar, chain, fixed, quarter

BAR = Bar(shear_area_m2=4.9e-3)
RADIUS_M = 0.4572
FACTOR = 9.35
NONE = np.zeros(0)
CASTIGLIANO = "Castigliano on curved bars: Timoshenko, Strength of Materials II (from memory)"


def tip(frame: Frame, force: Array, load_n_per_m: Array | None = None) -> Array:
    """Movement of the free end, (6,), under a force there or a load along the arc."""
    case = frame.no_load()
    case.nodal[1] = force
    if load_n_per_m is not None:
        case.bend_n_per_m[:] = load_n_per_m
    return factorise(frame).recover(case, NONE, NONE).displacements[1]


def quarter_in_plane() -> Comparison:
    """Quarter circle, forces and moment in its plane at the free end: all terms of its flexibility."""
    r, bend = RADIUS_M, FACTOR / BAR.bending_n_m2
    along, across = 1.0 / BAR.axial_n, 1.0 / BAR.sliding_n
    expected = np.array(
        [
            [
                bend * r**3 * pi / 4.0 + (along + across) * r * pi / 4.0,
                -bend * r**3 / 2.0 + (along - across) * r / 2.0,
                -bend * r**2,
            ],
            [
                -bend * r**3 / 2.0 + (along - across) * r / 2.0,
                bend * r**3 * (3.0 * pi / 4.0 - 2.0) + (along + across) * r * pi / 4.0,
                bend * r**2 * (pi / 2.0 - 1.0),
            ],
            [-bend * r**2, bend * r**2 * (pi / 2.0 - 1.0), bend * r * pi / 2.0],
        ]
    )
    frame = quarter(BAR, r, FACTOR)
    found = np.stack([tip(frame, np.eye(6)[place])[[0, 1, 5]] for place in (0, 1, 5)], axis=1)
    return Comparison(
        "Quarter circle, in its plane",
        CASTIGLIANO,
        "movements of the free end for each force and moment",
        difference(found / expected, 1.0),
        1e-10,
    )


def quarter_out_of_plane() -> Comparison:
    """Quarter circle, force P across its plane: P R^3 (k pi/4 EI + (3 pi/4 - 2)/GJ) + P R pi/2 GA."""
    r, load = RADIUS_M, 5e3
    bend, twist = FACTOR / BAR.bending_n_m2, 1.0 / BAR.torsion_n_m2
    expected = load * r**3 * (bend * pi / 4.0 + twist * (3.0 * pi / 4.0 - 2.0))
    expected += load * r * pi / 2.0 / BAR.sliding_n
    found = tip(quarter(BAR, r, FACTOR), load * np.eye(6)[2])[2]
    return Comparison(
        "Quarter circle, across its plane",
        CASTIGLIANO,
        "movement of the free end",
        difference(np.array(found), expected),
        1e-10,
    )


def quarter_under_its_weight() -> Comparison:
    """w R^4 (k/2 EI + (pi/2 - 1)^2/2 GJ) + w R^2 pi^2/8 GA across the plane, and the like in the plane."""
    r, load = RADIUS_M, 1.6e3
    bend, twist = FACTOR / BAR.bending_n_m2, 1.0 / BAR.torsion_n_m2
    along, across = 1.0 / BAR.axial_n, 1.0 / BAR.sliding_n
    level = load * r**4 * (bend / 2.0 + twist * (pi / 2.0 - 1.0) ** 2 / 2.0)
    level += load * r**2 * pi**2 / 8.0 * across
    upright = load * r**4 * bend * (5.0 / 4.0 - pi / 2.0 + pi**2 / 16.0)
    upright += load * r**2 * ((pi**2 / 16.0 - 0.25) * along + (pi**2 / 16.0 + 0.25) * across)
    frame, nothing = quarter(BAR, r, FACTOR), np.zeros(6)
    found = np.array(
        [
            tip(frame, nothing, np.array([0.0, 0.0, load]))[2] / level,
            tip(frame, nothing, np.array([0.0, load, 0.0]))[1] / upright,
        ]
    )
    return Comparison(
        "Quarter circle under its weight",
        CASTIGLIANO,
        "movement of the free end, lying and standing",
        difference(found, 1.0),
        1e-10,
    )


def bend_flexibility(
    name: str, diameter_mm: float, wall_mm: float, radius_mm: float, characteristic: float, factor: float
) -> Comparison:
    """k = 1.65/h with h = T R/r^2, and the arc turns k times as far as straight pipe of its length."""
    k = flexibility_factor(wall_mm / 1e3, radius_mm / 1e3, diameter_mm / 1e3)
    moment = 1e4
    turned = tip(quarter(BAR, radius_mm / 1e3, k), moment * np.eye(6)[5])[5]
    straight = moment * radius_mm / 1e3 * pi / 2.0 / BAR.bending_n_m2
    found = np.array([1.65 / k / characteristic, k / factor, turned / straight / factor])
    return Comparison(
        f"Bend of {name}",
        "ASME B31.1 Appendix D, to the 2018 edition (from memory)",
        "h, k and rotation under a moment; printed in 3 or 4 figures",
        difference(found, 1.0),
        5e-4,
    )


def chords_of_a_bend() -> Comparison:
    """An arc of 70 degrees in space between fixed ends that move, against chords without end."""
    corner = np.array([1.0, 0.3, -0.2])
    into = np.array([0.6, 0.48, 0.64])
    aside = np.array([0.8, -0.36, -0.48])
    angle = np.radians(70.0)
    start = corner - 0.7 * into
    end = corner + 0.7 * (np.cos(angle) * into + np.sin(angle) * aside)
    load, strain = np.array([300.0, -200.0, -1600.0]), 2e-3
    imposed = np.array([0.003, -0.002, 0.004, 0.001, 0.002, -0.001, 0.0, 0.005, 0.001, -0.002, 0.0, 0.003])
    arc = Frame(
        np.array([start, end]),
        BAR.straights(np.zeros((0, 2))),
        BAR.bends(np.array([(0, 1)]), corner[None, :], FACTOR),
        [*fixed(0), *fixed(1)],
    )
    case = arc.no_load()
    case.bend_n_per_m[:], case.bend_strain[:], case.imposed[:] = load, strain, imposed
    whole = factorise(arc).recover(case, NONE, NONE).reactions
    rows = [
        chord_reactions(start, corner, end, count, load, strain, imposed) for count in (8, 16, 32, 64, 128)
    ]
    extrapolated = _extrapolated(rows)
    forces, moments = [0, 1, 2, 6, 7, 8], [3, 4, 5, 9, 10, 11]
    return Comparison(
        "Arc of 70 degrees in space",
        "Chords of the same pipe, extrapolated in h^2 (L. F. Richardson)",
        "reactions under load, heat and movements",
        max(difference(extrapolated[part], whole[part]) for part in (forces, moments)),
        1e-8,
    )


def chord_reactions(
    start: Array, corner: Array, end: Array, count: int, load: Array, strain: float, imposed: Array
) -> Array:
    """Reactions of both fixed ends of a bend divided into chords, whose bending is softened by the factor."""
    softened = Bar(second_moment_m4=BAR.second_moment_m4 / FACTOR, shear_area_m2=BAR.shear_area_m2)
    straights = softened.straights(chain(count))
    straights.torsion_m4[:] = 2.0 * BAR.second_moment_m4
    ends = [*fixed(0), *fixed(count)]
    frame = Frame(arc_points(start, corner, end, count), straights, no_bends(), ends)
    case = frame.no_load()
    case.straight_n_per_m[:], case.straight_strain[:], case.imposed[:] = load, strain, imposed
    return factorise(frame).recover(case, NONE, NONE).reactions


def _extrapolated(rows: list[Array]) -> Array:
    """The limit of values whose errors are a series in h^2, each row at half the h of the one before."""
    power = 1.0
    while len(rows) > 1:
        power *= 4.0
        rows = [(power * fine - coarse) / (power - 1.0) for coarse, fine in pairwise(rows)]
    return rows[0]


CHECKS = (
    quarter_in_plane,
    quarter_out_of_plane,
    quarter_under_its_weight,
    lambda: bend_flexibility("NPS 8 STD", 219.1, 8.18, 304.8, 0.2242, 7.36),
    lambda: bend_flexibility("NPS 12 STD", 323.8, 9.53, 457.2, 0.1765, 9.35),
    lambda: bend_flexibility("NPS 16 Sch 160", 406.4, 40.49, 609.6, 0.7374, 2.238),
    chords_of_a_bend,
)
