"""Checks of straight pipe against published closed forms; each returns what a table of checks shows."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np

from service.engineering.frames.elements import Array
from service.engineering.frames.frame import Frame
from service.engineering.frames.solution import Response, factorise
from tests.lines.comparison import Comparison, difference
from tests.lines.shapes import Bar, beam

BAR = Bar()
NONE = np.zeros(0)

# Reactions of continuous beams of equal spans under uniform load, as multiples of w L, and the moments at
# their inner supports as multiples of w L^2.
EQUAL_SPANS = {
    2: (("3/8", "10/8", "3/8"), ("1/8",)),
    3: (("4/10", "11/10", "11/10", "4/10"), ("1/10", "1/10")),
    4: (("11/28", "32/28", "26/28", "32/28", "11/28"), ("3/28", "2/28", "3/28")),
    5: (("15/38", "43/38", "37/38", "37/38", "43/38", "15/38"), ("4/38", "3/38", "3/38", "4/38")),
}


def solved(frame: Frame, load_n_per_m: float = 0.0, imposed: Sequence[float] = ()) -> Response:
    """A frame without hangers under a load downwards; imposed: of the first restraints, up positive."""
    case = frame.no_load()
    case.straight_n_per_m[:, 2] = -load_n_per_m
    case.imposed[: len(imposed)] = imposed
    return factorise(frame).recover(case, NONE, NONE)


def hanging(spans_m: Sequence[float], load_n_per_m: float, settlements_m: Sequence[float]) -> Array:
    """Forces of hangers that hold every point of a beam, each let down so far."""
    count = len(spans_m) + 1
    frame = beam(BAR, spans_m, hung=range(count))
    case = frame.no_load()
    case.straight_n_per_m[:, 2] = -load_n_per_m
    condensed = factorise(frame).condense([case])
    return condensed.stiffness @ -np.asarray(settlements_m) - condensed.loads[:, 0]


def three_moment_reactions(
    spans_m: Sequence[float], load_n_per_m: float, settlements_m: Sequence[float], bending_n_m2: float
) -> Array:
    """Reactions by the three-moment equation, settlements d positive downwards, moments positive sagging.

    M1 L1 + 2 M2 (L1 + L2) + M3 L2 = -w (L1^3 + L2^3)/4 + 6 E I ((d2 - d1)/L1 + (d2 - d3)/L2)
    """
    inner = len(spans_m) - 1
    left, right = np.zeros((inner, inner)), np.zeros(inner)
    for place in range(inner):
        one, two = spans_m[place], spans_m[place + 1]
        before, here, after = settlements_m[place : place + 3]
        left[place, place] = 2.0 * (one + two)
        if place > 0:
            left[place, place - 1] = one
        if place + 1 < inner:
            left[place, place + 1] = two
        right[place] = -load_n_per_m * (one**3 + two**3) / 4.0
        right[place] += 6.0 * bending_n_m2 * ((here - before) / one + (here - after) / two)
    moments = np.concatenate([[0.0], np.linalg.solve(left, right), [0.0]])
    reactions = np.zeros(inner + 2)
    for place, span in enumerate(spans_m):
        tilt = (moments[place + 1] - moments[place]) / span
        reactions[place] += load_n_per_m * span / 2.0 + tilt
        reactions[place + 1] += load_n_per_m * span / 2.0 - tilt
    return reactions


def three_moments(
    spans_m: Sequence[float], load_n_per_m: float = 1.0, settlements_m: Sequence[float] | None = None
) -> Comparison:
    """Reactions as restraints and as hangers against the three-moment equation."""
    settled = [0.0] * (len(spans_m) + 1) if settlements_m is None else list(settlements_m)
    expected = three_moment_reactions(spans_m, load_n_per_m, settled, BAR.bending_n_m2)
    count = len(expected)
    frame = beam(BAR, spans_m, supports=range(count))
    restrained = solved(frame, load_n_per_m, [-each for each in settled]).reactions[:count]
    hung = hanging(spans_m, load_n_per_m, settled)
    return Comparison(
        "Spans " + "-".join(f"{span:g}" for span in spans_m) + (" m, settled" if settlements_m else " m"),
        "Timoshenko, Strength of Materials: three-moment equation",
        "reactions, as restraints and as hangers",
        max(difference(restrained, expected), difference(hung, expected)),
        1e-10,
    )


def equal_spans(count: int) -> Comparison:
    """Reactions and support moments of equal spans against the handbook's fractions."""
    span, load = 9.0, 1643.0
    reactions, moments = EQUAL_SPANS[count]
    frame = beam(BAR, [span] * count, supports=range(count + 1))
    response = solved(frame, load)
    expected = np.array([float(Fraction(each)) for each in reactions]) * load * span
    # The node's moment about y on the element that ends at a support is the hogging moment there.
    ends = response.ends[[3 * place - 1 for place in range(1, count)], 10]
    bending = np.array([float(Fraction(each)) for each in moments]) * load * span**2
    return Comparison(
        f"{count} equal spans",
        "Civil Engineering Formulas (McGraw-Hill), Table 2.1",
        "reactions and support moments",
        max(difference(response.reactions[: count + 1], expected), difference(np.abs(ends), bending)),
        1e-10,
    )


def elastic_support(stiffness_n_per_m: float) -> Comparison:
    """A beam on two supports with a spring under its middle: R = (5 w L/8)/(1 + 48 E I/(k L^3))."""
    length, load, k = 12.0, 1500.0, stiffness_n_per_m
    expected = (5.0 * load * length / 8.0) / (1.0 + 48.0 * BAR.bending_n_m2 / (k * length**3))
    frame = beam(BAR, [length / 2.0] * 2, supports=(0, 2), springs=[(1, k)])
    sprung = -k * solved(frame, load).displacements[3, 2]
    hung = beam(BAR, [length / 2.0] * 2, supports=(0, 2), hung=(1,))
    case = hung.no_load()
    case.straight_n_per_m[:, 2] = -load
    factorised = factorise(hung)
    condensed = factorised.condense([case])
    movement = condensed.loads[:, 0] / (condensed.stiffness[0, 0] + k)
    response = factorised.recover(case, movement, -k * movement)
    found = np.array([sprung, -k * movement[0], load * length - response.reactions[:2].sum()])
    return Comparison(
        f"Middle on a spring of {k / 1e3:g} N/mm",
        "Roark's Formulas for Stress and Strain (from memory), by superposition",
        "force of the spring, as spring and as hanger",
        difference(found, expected),
        1e-10,
    )


def settlement() -> Comparison:
    """Two equal spans whose middle settles by d: 6 E I d/L^3 off the middle, half of it to each end."""
    span, settled = 6.0, 0.005
    change = 6.0 * BAR.bending_n_m2 * settled / span**3
    frame = beam(BAR, [span, span], supports=(0, 1, 2))
    found = solved(frame, 0.0, [0.0, -settled, 0.0]).reactions[:3]
    return Comparison(
        "Middle of two spans settles 5 mm",
        "Timoshenko, Strength of Materials: three-moment equation",
        "change of reactions",
        difference(found, np.array([change / 2.0, -change, change / 2.0])),
        1e-10,
    )


def moment_balance() -> Comparison:
    """5 m of 1.5 kN/m with 8 kN at 1.5 m from one end: moments about the other."""
    span, load, weight, at = 5.0, 1500.0, 8000.0, 1.5
    left = load * span / 2.0 + weight * (span - at) / span
    right = load * span / 2.0 + weight * at / span
    frame = beam(BAR, [at, span - at], supports=(0, 2))
    case = frame.no_load()
    case.straight_n_per_m[:, 2] = -load
    case.nodal[3, 2] = -weight
    found = factorise(frame).recover(case, NONE, NONE).reactions[:2]
    return Comparison(
        "5 m with a valve of 8 kN",
        "Moments about the ends, as piping handbooks balance hanger loads",
        "reactions",
        difference(found, np.array([left, right])),
        1e-12,
    )


def guided_cantilever(sheared: bool) -> Comparison:
    """A leg of an L that the growth of the other leg pushes aside: 12 E I d/L^3, over 1 + phi with shear."""
    leg, growth = 6.0, 0.0226
    bar = Bar(shear_area_m2=4.9e-3) if sheared else BAR
    phi = 12.0 * bar.bending_n_m2 / (bar.sliding_n * leg**2)
    force = 12.0 * bar.bending_n_m2 * growth / (leg**3 * (1.0 + phi))
    frame = beam(bar, [leg], clamped=(0, 1))
    case = frame.no_load()
    case.imposed[8] = growth  # z of the second clamp: first clamp's six, then x and y
    found = factorise(frame).recover(case, NONE, NONE).reactions
    return Comparison(
        "Guided cantilever" + (" with shear" if sheared else ""),
        "Guided cantilever: M. W. Kellogg, Design of Piping Systems (from memory)",
        "force and end moments",
        difference(found[[2, 8, 4, 10]], np.array([-force, force, force * leg / 2.0, force * leg / 2.0])),
        1e-10,
    )


def expansion() -> Comparison:
    """30 m of carbon steel from 70 to 1000 degF: 8.1e-6/degF times 930 degF is 226 mm; nothing is forced."""
    length, strain = 30.0, 8.1e-6 * 930.0
    frame = beam(BAR, [length / 2.0] * 2, clamped=(0,))
    case = frame.no_load()
    case.straight_strain[:] = strain
    response = factorise(frame).recover(case, NONE, NONE)
    force = float(np.abs(response.reactions).max()) / (BAR.axial_n * strain)
    grown = response.displacements[:, 0]
    return Comparison(
        "30 m grow by 226 mm",
        "ASME II-D (2001), Table TE-1: mean coefficient at 1000 degF",
        "growth, and force over that of a held pipe",
        max(difference(grown, frame.coordinates[:, 0] * strain), force),
        1e-12,
    )


def short_beams() -> Comparison:
    """Shear deflection: cantilever P L^3/3EI + P L/GA, simple beam 5 w L^4/384 EI + w L^2/8 GA, two spans."""
    bar, length, load = Bar(shear_area_m2=4.9e-3), 1.2, 2.0e4
    ei, ga = bar.bending_n_m2, bar.sliding_n
    tip = load * length**3 / (3.0 * ei) + load * length / ga
    cantilever = beam(bar, [length], clamped=(0,))
    case = cantilever.no_load()
    case.nodal[-1, 2] = -load
    found = [-factorise(cantilever).recover(case, NONE, NONE).displacements[-1, 2] / tip]
    sag = 5.0 * load * length**4 / (384.0 * ei) + load * length**2 / (8.0 * ga)
    simple = solved(beam(bar, [length / 2.0] * 2, supports=(0, 2)), load)
    found.append(-simple.displacements[3, 2] / sag)
    middle = sag / (length**3 / (48.0 * ei) + length / (4.0 * ga))
    found.append(solved(beam(bar, [length / 2.0] * 2, supports=(0, 1, 2)), load).reactions[1] / middle)
    return Comparison(
        "Short beams",
        "Timoshenko, Strength of Materials: deflection by shear",
        "tip, sag, middle reaction",
        difference(np.array(found), 1.0),
        1e-10,
    )


CHECKS = (
    lambda: three_moments((4.0, 6.0)),
    lambda: three_moments((4.0, 6.0, 5.0)),
    lambda: three_moments((4.0, 6.0, 5.0), 1500.0, (0.002, -0.004, 0.007, 0.001)),
    *(lambda count=count: equal_spans(count) for count in EQUAL_SPANS),
    *(lambda k=k: elastic_support(k) for k in (50e3, 100e3, 200e3)),
    settlement,
    moment_balance,
    lambda: guided_cantilever(False),
    lambda: guided_cantilever(True),
    expansion,
    short_beams,
)
