"""Random lines in space: runs in all directions, risers, branches, bends, hangers, settlements, heat.

Everything follows from the seed. Bends come as arcs or as chords of the same pipe, the chords with the
bend's flexibility in their second moment of area, for packages that know no arcs.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field

import numpy as np

from service.engineering.frames.bends import Bends, flexibility_factor
from service.engineering.frames.elements import Array, Straights
from service.engineering.frames.frame import ROTATION, TRANSLATION, Case, Frame, Interface, Restraint, Spring
from service.engineering.frames.sections import Section, pipe_section
from service.engineering.frames.solution import Factorised, Response, factorise

YOUNG_PA = 203e9
POISSON = 0.3
AXES = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
# Outside diameter and wall of NPS 2, 4, 6, 8, 12, 16 and 30 [m].
PIPES = (
    (60.3, 3.91),
    (114.3, 6.02),
    (168.3, 7.11),
    (219.1, 8.18),
    (323.8, 9.53),
    (406.4, 40.49),
    (762.0, 9.53),
)


@dataclass(frozen=True)
class SpringHanger:
    """Force on the pipe load_n - rate_n_per_m * movement: a released hanger."""

    load_n: float
    rate_n_per_m: float


@dataclass(frozen=True)
class RandomLine:
    """A line, one load case, and what its hangers do."""

    frame: Frame
    case: Case
    hangers: tuple[SpringHanger, ...]

    def solved(self) -> Response:
        """The line at rest under the case."""
        return solve_with(factorise(self.frame), self.case, self.hangers)


def solve_with(factorised: Factorised, case: Case, hangers: tuple[SpringHanger, ...]) -> Response:
    """Condenses, solves the hangers' own equations, and recovers."""
    condensed = factorised.condense([case])
    rates = np.array([each.rate_n_per_m for each in hangers])
    loads = np.array([each.load_n for each in hangers])
    movement = np.linalg.solve(condensed.stiffness + np.diag(rates), condensed.loads[:, 0] + loads)
    return factorised.recover(case, movement, loads - rates * movement)


@dataclass
class _Draft:
    nodes: list[Array] = field(default_factory=list)
    straights: list[tuple[int, int, Section, float]] = field(default_factory=list)  # with share of bending
    bends: list[tuple[int, int, Array, Section, float]] = field(default_factory=list)
    ends: list[int] = field(default_factory=list)
    middles: list[tuple[int, int, Array]] = field(default_factory=list)  # node, pipe, direction of the run

    def node(self, place: Array) -> int:
        self.nodes.append(place)
        return len(self.nodes) - 1

    def run(self, first: int, target: Array, pipe: int, step_m: float) -> int:
        """Straight pipe from a node to a place, in pieces of about step_m."""
        start = self.nodes[first]
        length = float(np.linalg.norm(target - start))
        count = max(1, round(length / step_m))
        section = pipe_section(PIPES[pipe][0] / 1e3, PIPES[pipe][1] / 1e3, POISSON)
        previous = first
        for place in range(1, count + 1):
            last = self.node(start + (target - start) * (place / count))
            self.straights.append((previous, last, section, 1.0))
            if place < count:
                self.middles.append((last, pipe, (target - start) / length))
            previous = last
        return previous

    def bend(self, first: int, corner: Array, end: Array, pipe: int, chords: int | None) -> int:
        """A bend of 1.5 diameters, as an arc or as so many chords."""
        diameter, wall = PIPES[pipe][0] / 1e3, PIPES[pipe][1] / 1e3
        section = pipe_section(diameter, wall, POISSON)
        start = self.nodes[first]
        points = arc_points(start, corner, end, chords or 1)
        radius = _radius(start, corner, end)
        factor = flexibility_factor(wall, radius, diameter)
        if chords is None:
            last = self.node(end)
            self.bends.append((first, last, corner, section, factor))
            return last
        previous = first
        for point in points[1:]:
            last = self.node(point)
            self.straights.append((previous, last, section, 1.0 / factor))
            previous = last
        return previous

    def route(
        self, chance: random.Random, first: int, way: Array, pipe: int, legs: int, chords: int | None
    ) -> None:
        """Legs that turn at bends, and an end."""
        corner = self.nodes[first]
        for leg in range(legs):
            # Small pipe runs less far between what holds it.
            length = chance.uniform(4.0, 11.0) * min(1.0, (PIPES[pipe][0] / 300.0) ** 0.5)
            target = corner + way * length
            if leg == legs - 1:
                self.ends.append(self.run(first, target, pipe, 1.5))
                return
            onward = _other_way(chance, way)
            tangent = 1.5 * PIPES[pipe][0] / 1e3 * np.tan(np.arccos(float(way @ onward)) / 2.0)
            before, after = target - way * tangent, target + onward * tangent
            first = self.bend(self.run(first, before, pipe, 1.5), target, after, pipe, chords)
            corner, way = target, onward


def arc_points(start: Array, corner: Array, end: Array, chords: int) -> Array:
    """Points on the arc that leaves start towards corner and comes to end, (chords + 1, 3)."""
    into = (corner - start) / np.linalg.norm(corner - start)
    out_of = (end - corner) / np.linalg.norm(end - corner)
    angle = np.arccos(np.clip(float(into @ out_of), -1.0, 1.0))
    normal = (out_of - into * np.cos(angle)) / np.sin(angle)
    at = np.linspace(0.0, angle, chords + 1)[:, None]
    radius = _radius(start, corner, end)
    points = start + radius * (np.sin(at) * into + (1.0 - np.cos(at)) * normal)
    points[-1] = end
    return np.asarray(points)


def _radius(start: Array, corner: Array, end: Array) -> float:
    into = (corner - start) / np.linalg.norm(corner - start)
    out_of = (end - corner) / np.linalg.norm(end - corner)
    return float(np.linalg.norm(corner - start) / np.tan(np.arccos(float(into @ out_of)) / 2.0))


def _other_way(chance: random.Random, way: Array) -> Array:
    """Along another axis, or slanting; never so far back that two bends would meet."""
    while True:
        candidate = np.array(chance.choice(AXES)) * chance.choice((1.0, -1.0))
        if chance.random() < 0.4:
            slant = np.array([chance.uniform(-1.0, 1.0) for _ in range(3)])
            candidate = (candidate + slant) / np.linalg.norm(candidate + slant)
        if -0.3 < float(candidate @ way) < 0.75:
            return np.asarray(candidate)


def random_line(seed: int, *, chords: int | None = None, shear: bool = True) -> RandomLine:
    """A line from a seed.

    Args:
        seed: of everything
        chords: pieces of each bend; arcs where None is given
        shear: whether straight pipe deforms in shear

    Returns:
        the line with one case of weight, contents, heat, point loads and settlements together
    """
    chance = random.Random(seed)
    draft = _Draft()
    start = draft.node(np.array([chance.uniform(-3, 3) for _ in range(3)]))
    main = chance.randrange(3, len(PIPES))
    way = np.array(chance.choice(AXES[:2])) * chance.choice((1.0, -1.0))
    draft.route(chance, start, way, main, chance.randint(3, 5), chords)
    for node, pipe, along in chance.sample(draft.middles, chance.randint(1, 2)):
        away = _other_way(chance, along)
        draft.route(chance, node, away, chance.randrange(0, pipe + 1), chance.randint(1, 3), chords)
    if chords is not None:
        # A package that takes its axes from a member's direction must not take them from rounding.
        draft.nodes = [np.round(point, 9) for point in draft.nodes]
    frame, hangers = _held(chance, draft, start, shear)
    return RandomLine(frame, _case(chance, frame), hangers)


def _held(
    chance: random.Random, draft: _Draft, start: int, shear: bool
) -> tuple[Frame, tuple[SpringHanger, ...]]:
    restraints = [
        Restraint(node, axis, kind, "anchor")
        for node in (start, *draft.ends)
        for kind in (TRANSLATION, ROTATION)
        for axis in AXES
    ]
    places = [node for node, _, _ in draft.middles]
    chance.shuffle(places)
    guided, sprung, hung = places[:2], places[2:4], places[4 : 4 + chance.randint(2, 6)]
    for node in guided:
        restraints += [Restraint(node, axis, TRANSLATION, "guide") for axis in chance.sample(AXES, 2)]
    springs = [
        Spring(sprung[0], chance.choice(AXES), 10 ** chance.uniform(4.5, 7.0)),
        Spring(sprung[1], chance.choice(AXES), 10 ** chance.uniform(4.5, 7.0), ROTATION),
    ]
    hangers = tuple(
        SpringHanger(chance.uniform(2e3, 3e4), chance.choice((0.0, 10 ** chance.uniform(4.0, 5.5))))
        for _ in hung
    )
    one = np.ones(len(draft.straights))
    sections = [section for _, _, section, _ in draft.straights]
    straights = Straights(
        np.array([(first, last) for first, last, _, _ in draft.straights]),
        np.array([section.area_m2 for section in sections]),
        np.array([section.second_moment_m4 * share for _, _, section, share in draft.straights]),
        np.array([section.torsion_m4 for section in sections]),
        np.array([section.shear_area_m2 for section in sections]) if shear else one * np.inf,
        one * YOUNG_PA,
        one * YOUNG_PA / (2.0 + 2.0 * POISSON),
    )
    whole = np.ones(len(draft.bends))
    sections = [section for _, _, _, section, _ in draft.bends]
    bends = Bends(
        np.array([(first, last) for first, last, _, _, _ in draft.bends], dtype=int).reshape(-1, 2),
        np.array([corner for _, _, corner, _, _ in draft.bends]).reshape(-1, 3),
        np.array([section.area_m2 for section in sections]),
        np.array([section.second_moment_m4 for section in sections]),
        np.array([section.torsion_m4 for section in sections]),
        np.array([section.shear_area_m2 for section in sections]) if shear else whole * np.inf,
        whole * YOUNG_PA,
        whole * YOUNG_PA / (2.0 + 2.0 * POISSON),
        np.array([factor for _, _, _, _, factor in draft.bends]),
    )
    interfaces = [Interface(node) for node in hung]
    return Frame(np.array(draft.nodes), straights, bends, restraints, interfaces, springs), hangers


def _case(chance: random.Random, frame: Frame) -> Case:
    """Steel, cover and contents, heat, wind, point loads, and movements of every anchor and guide."""
    case = frame.no_load()
    cover = chance.uniform(1.0, 1.6)
    strain, wind = chance.uniform(-1e-3, 7e-3), chance.uniform(-200.0, 200.0)
    for areas, loads, strains in (
        (frame.straights.area_m2, case.straight_n_per_m, case.straight_strain),
        (frame.bends.area_m2, case.bend_n_per_m, case.bend_strain),
    ):
        loads[:, 2] = -areas * 7850.0 * 9.80665 * cover
        loads[:, 0] = wind
        strains[:] = strain
    for _ in range(3):
        node = chance.randrange(len(frame.coordinates))
        case.nodal[node] = [chance.uniform(-5e3, 5e3) for _ in range(6)]
    for place, restraint in enumerate(frame.restraints):
        size = 0.01 if restraint.kind == TRANSLATION else 0.002
        case.imposed[place] = chance.uniform(-size, size)
    return case
