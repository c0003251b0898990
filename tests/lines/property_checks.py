"""What holds for every line whatever its numbers are; on random lines with bends as arcs."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from service.engineering.frames.bends import Bends
from service.engineering.frames.elements import Array, Straights
from service.engineering.frames.frame import ROTATION, TRANSLATION, Case, Frame, Interface, Restraint, Spring
from service.engineering.frames.solution import Response, factorise
from tests.lines.base import no_bends
from tests.lines.comparison import Comparison, difference
from tests.lines.random_lines import RandomLine, SpringHanger, random_line, solve_with
from tests.lines.shapes import Bar, X, Y, chain

SEEDS = tuple(range(100, 106))
MECHANICS = "Mechanics of linear elastic lines"


def weight_of(frame: Frame, case: Case) -> float:
    """Weight of the pipe in a case by the lengths of its runs and arcs [N], downwards positive."""
    chords = np.diff(frame.coordinates[frame.straights.nodes], axis=1)[:, 0]
    total = float(np.linalg.norm(chords, axis=1) @ -case.straight_n_per_m[:, 2])
    for (first, _), corner, load, end in zip(
        frame.bends.nodes,
        frame.bends.corner,
        case.bend_n_per_m,
        frame.coordinates[frame.bends.nodes[:, 1]],
        strict=True,
    ):
        into, out_of = corner - frame.coordinates[first], end - corner
        angle = np.arccos(into @ out_of / np.linalg.norm(into) / np.linalg.norm(out_of))
        radius = np.linalg.norm(into) / np.tan(angle / 2.0)
        total += float(radius * angle * -load[2])
    return total


def weight_and_reactions(seed: int) -> float:
    """How far the weight differs from the sum of everything that pushes up, over the weight."""
    line = random_line(seed)
    case = replace(line.case, nodal=0.0 * line.case.nodal)
    response = solve_with(factorise(line.frame), case, line.hangers)
    upward = sum(
        reaction * restraint.direction[2]
        for reaction, restraint in zip(response.reactions, line.frame.restraints, strict=True)
        if restraint.kind == TRANSLATION
    )
    moved = response.displacements
    for spring in line.frame.springs:
        if spring.kind == TRANSLATION:
            direction = np.array(spring.direction)
            upward -= spring.stiffness * float(moved[spring.node, :3] @ direction) * direction[2]
    for interface, hanger in zip(line.frame.interfaces, line.hangers, strict=True):
        upward += hanger.load_n - hanger.rate_n_per_m * moved[interface.node, 2]
    weight = weight_of(line.frame, case)
    return abs(upward - weight) / weight


def reciprocity(seed: int) -> float:
    """Forces at two places in turn: each does the same work through the other's movement (Maxwell-Betti)."""
    line = random_line(seed)
    factorised = factorise(line.frame)
    chance = np.random.default_rng(seed)
    held = {restraint.node for restraint in line.frame.restraints}
    free = [node for node in range(len(line.frame.coordinates)) if node not in held]
    idle = tuple(replace(hanger, load_n=0.0) for hanger in line.hangers)
    loads, moved = [], []
    for _ in range(2):
        case = line.frame.no_load()
        for node in chance.choice(free, 3, replace=False):
            case.nodal[node] = chance.uniform(-1e4, 1e4, 6)
        loads.append(case.nodal)
        moved.append(solve_with(factorised, case, idle).displacements)
    one, two = float(np.sum(loads[0] * moved[1])), float(np.sum(loads[1] * moved[0]))
    scale = float(np.sqrt(np.sum(loads[0] * moved[0]) * np.sum(loads[1] * moved[1])))
    return abs(one - two) / scale


def superposition(seed: int) -> float:
    """The answer to a sum of cases, each so many times, is that sum of the answers."""
    line = random_line(seed)
    factorised = factorise(line.frame)
    parts = [
        replace(line.frame.no_load(), straight_n_per_m=line.case.straight_n_per_m),
        replace(line.frame.no_load(), bend_n_per_m=line.case.bend_n_per_m, nodal=line.case.nodal),
        replace(
            line.frame.no_load(), straight_strain=line.case.straight_strain, bend_strain=line.case.bend_strain
        ),
        replace(line.frame.no_load(), imposed=line.case.imposed),
    ]
    times = (1.5, -0.7, 2.0, 0.3)
    idle = tuple(replace(hanger, load_n=0.0) for hanger in line.hangers)
    together = line.frame.no_load()
    for name in vars(together):
        getattr(together, name)[:] = sum(
            factor * getattr(part, name) for factor, part in zip(times, parts, strict=True)
        )
    whole = solve_with(factorised, together, idle)
    each = [solve_with(factorised, part, idle) for part in parts]
    return apart(
        whole,
        sum(factor * part.displacements for factor, part in zip(times, each, strict=True)),
        sum(factor * part.reactions for factor, part in zip(times, each, strict=True)),
        line.frame,
    )


def apart(response: Response, displacements: Array, reactions: Array, frame: Frame) -> float:
    """Largest difference of any kind (movements, turns, forces, moments) over the largest of its kind."""
    forces = np.array([restraint.kind == TRANSLATION for restraint in frame.restraints])
    return max(
        difference(response.displacements[:, :3], displacements[:, :3]),
        difference(response.displacements[:, 3:], displacements[:, 3:]),
        difference(response.reactions[forces], reactions[forces]),
        difference(response.reactions[~forces], reactions[~forces]),
    )


def turned(line: RandomLine, angle_rad: float) -> RandomLine:
    """The line, its restraints and its loads turned about the vertical; movements along them stay."""
    c, s = np.cos(angle_rad), np.sin(angle_rad)
    turn = np.array([(c, -s, 0.0), (s, c, 0.0), (0.0, 0.0, 1.0)])

    def way(direction: tuple[float, float, float]) -> tuple[float, float, float]:
        x, y, z = turn @ np.array(direction)
        return float(x), float(y), float(z)

    frame, case = line.frame, line.case
    nodal = (case.nodal.reshape(-1, 2, 3) @ turn.T).reshape(-1, 6)
    return RandomLine(
        Frame(
            frame.coordinates @ turn.T,
            frame.straights,
            replace(frame.bends, corner=frame.bends.corner @ turn.T),
            [replace(each, direction=way(each.direction)) for each in frame.restraints],
            [replace(each, direction=way(each.direction)) for each in frame.interfaces],
            [replace(each, direction=way(each.direction)) for each in frame.springs],
        ),
        replace(
            case,
            straight_n_per_m=case.straight_n_per_m @ turn.T,
            bend_n_per_m=case.bend_n_per_m @ turn.T,
            nodal=nodal,
        ),
        line.hangers,
    )


def rotation(seed: int, angle_rad: float = 0.7) -> float:
    """A line turned about the vertical with everything on it gives the same answers, turned."""
    line = random_line(seed)
    plain, other = line.solved(), turned(line, angle_rad).solved()
    c, s = np.cos(angle_rad), np.sin(angle_rad)
    turn = np.array([(c, -s, 0.0), (s, c, 0.0), (0.0, 0.0, 1.0)])
    expected = (plain.displacements.reshape(-1, 2, 3) @ turn.T).reshape(-1, 6)
    return apart(other, expected, plain.reactions, line.frame)


def in_millimetres(line: RandomLine) -> RandomLine:
    """The same line in mm and N."""
    frame, case, m = line.frame, line.case, 1e3

    def pipe(of: Straights | Bends) -> dict[str, Array]:
        return {
            "area_m2": of.area_m2 * m**2,
            "second_moment_m4": of.second_moment_m4 * m**4,
            "torsion_m4": of.torsion_m4 * m**4,
            "shear_area_m2": of.shear_area_m2 * m**2,
            "young_pa": of.young_pa / m**2,
            "shear_pa": of.shear_pa / m**2,
        }

    def spring(each: Spring) -> Spring:
        return replace(each, stiffness=each.stiffness * (1.0 / m if each.kind == TRANSLATION else m))

    moments = np.array([1.0, 1.0, 1.0, m, m, m])
    lengths = np.array([m if each.kind == TRANSLATION else 1.0 for each in frame.restraints])
    return RandomLine(
        Frame(
            frame.coordinates * m,
            replace(frame.straights, **pipe(frame.straights)),
            replace(frame.bends, corner=frame.bends.corner * m, **pipe(frame.bends)),
            frame.restraints,
            frame.interfaces,
            [spring(each) for each in frame.springs],
        ),
        replace(
            case,
            straight_n_per_m=case.straight_n_per_m / m,
            bend_n_per_m=case.bend_n_per_m / m,
            nodal=case.nodal * moments,
            imposed=case.imposed * lengths,
        ),
        tuple(SpringHanger(each.load_n, each.rate_n_per_m / m) for each in line.hangers),
    )


def units(seed: int) -> float:
    """A line in mm and N gives the same answers as in m and N."""
    line = random_line(seed)
    plain, other = line.solved(), in_millimetres(line).solved()
    movements = np.array([1e3, 1e3, 1e3, 1.0, 1.0, 1.0])
    forces = np.array([1.0 if each.kind == TRANSLATION else 1e3 for each in line.frame.restraints])
    return apart(other, plain.displacements * movements, plain.reactions * forces, line.frame)


def halved(line: RandomLine) -> RandomLine:
    """The same line with every straight element in two; its first nodes are those of the line."""
    frame, case = line.frame, line.case
    count, pieces = len(frame.coordinates), len(frame.straights.nodes)
    between = frame.coordinates[frame.straights.nodes].mean(axis=1)
    middle = count + np.arange(pieces)
    first, last = frame.straights.nodes.T
    fields = {
        name: np.tile(getattr(frame.straights, name), 2) for name in vars(frame.straights) if name != "nodes"
    }
    nodes = np.concatenate([np.stack([first, middle], axis=1), np.stack([middle, last], axis=1)])
    return RandomLine(
        replace(
            frame,
            coordinates=np.concatenate([frame.coordinates, between]),
            straights=replace(frame.straights, nodes=nodes, **fields),
        ),
        replace(
            case,
            straight_n_per_m=np.tile(case.straight_n_per_m, (2, 1)),
            straight_strain=np.tile(case.straight_strain, 2),
            nodal=np.concatenate([case.nodal, np.zeros((pieces, 6))]),
        ),
        line.hangers,
    )


def refinement(seed: int) -> float:
    """Finer division changes nothing at the nodes that were there: the elements are exact."""
    line = random_line(seed)
    plain, finer = line.solved(), halved(line).solved()
    there = replace(finer, displacements=finer.displacements[: len(line.frame.coordinates)])
    return apart(there, plain.displacements, plain.reactions, line.frame)


def free_growth(seed: int) -> float:
    """A line held at one end alone grows in likeness and without force; rotations are left at nothing."""
    line = random_line(seed)
    start = line.frame.restraints[0].node
    anchor = [replace(each) for each in line.frame.restraints if each.node == start]
    frame = replace(line.frame, restraints=anchor, interfaces=(), springs=())
    case, strain = frame.no_load(), 4e-3
    case.straight_strain[:] = strain
    case.bend_strain[:] = strain
    response = factorise(frame).recover(case, np.zeros(0), np.zeros(0))
    grown = strain * (frame.coordinates - frame.coordinates[start])
    pushed = float((frame.straights.young_pa * frame.straights.area_m2).max()) * strain
    extent = float(np.abs(grown).max())
    return max(
        difference(response.displacements[:, :3], grown),
        float(np.abs(response.displacements[:, 3:]).max()) * extent / strain,
        float(np.abs(response.reactions).max()) / pushed,
    )


def hung_by_hangers_alone() -> float:
    """Share of its stiffness with which a run on hangers alone resists rising or tilting: none."""
    hung = (2, 5, 9, 11)
    frame = hanging_run(hung)
    stiffness = factorise(frame).condense([frame.no_load()]).stiffness
    modes = np.stack([np.ones(len(hung)), frame.coordinates[list(hung), 0]])
    resisted = np.linalg.norm(modes @ stiffness, axis=1) / np.linalg.norm(modes, axis=1)
    return float(resisted.max() / np.linalg.norm(stiffness, 2))


def hanging_run(hung: Sequence[int], pieces: int = 12) -> Frame:
    """24 m along x that cannot leave the plane of x and z nor spin, on hangers at these nodes alone."""
    coordinates = np.zeros((pieces + 1, 3))
    coordinates[:, 0] = np.linspace(0.0, 24.0, pieces + 1)
    held = [Restraint(0, X), Restraint(0, X, ROTATION), Restraint(0, Y), Restraint(pieces, Y)]
    interfaces = [Interface(node) for node in hung]
    return Frame(coordinates, Bar().straights(chain(pieces)), no_bends(), held, interfaces)


def _worst(
    name: str, compared: str, tolerance: float, measure: Callable[[int], float]
) -> Callable[[], Comparison]:
    def check() -> Comparison:
        return Comparison(name, MECHANICS, compared, max(measure(seed) for seed in SEEDS), tolerance)

    return check


CHECKS = (
    _worst("Weight", "sum of vertical reactions, springs and hangers", 1e-9, weight_and_reactions),
    _worst("Superposition", "displacements and reactions of a sum of cases", 1e-9, superposition),
    _worst("Reciprocity", "work of two sets of forces through each other's movements", 1e-9, reciprocity),
    _worst("Turned about the vertical", "displacements and reactions", 1e-8, rotation),
    _worst("In mm instead of m", "displacements and reactions", 1e-8, units),
    _worst("Elements in two", "displacements and reactions", 1e-8, refinement),
    _worst("Free growth", "movements, rotations and forces of a line held at one end", 1e-9, free_growth),
    lambda: Comparison(
        "On hangers alone", MECHANICS, "resistance to rising and tilting", hung_by_hangers_alone(), 1e-12
    ),
)
