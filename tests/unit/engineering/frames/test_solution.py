"""Factorising, condensing and recovering: against direct solutions, and what is refused."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.sparse.linalg import splu

from service.engineering.frames import chains
from service.engineering.frames.elements import Array
from service.engineering.frames.frame import ROTATION, Case, Frame, Interface, Restraint, Spring, degrees
from service.engineering.frames.solution import FrameResidual, FrameUnstable, factorise
from tests.lines.base import no_bends
from tests.lines.property_checks import hanging_run, hung_by_hangers_alone
from tests.lines.random_lines import random_line
from tests.lines.shapes import AXES, Bar, X, beam, chain, fixed

BAR = Bar(shear_area_m2=4.9e-3)
NONE = np.zeros(0)


def dense(frame: Frame) -> Array:
    """Stiffness of everything elastic, without restraints, by plain sums, (size, size)."""
    whole = np.zeros((frame.size, frame.size))
    nodes, members = frame.members()
    for at, matrix in zip(degrees(nodes), members, strict=True):
        whole[np.ix_(at, at)] += matrix
    for spring in frame.springs:
        direction = np.zeros(frame.size)
        direction[6 * spring.node + spring.kind : 6 * spring.node + spring.kind + 3] = spring.direction
        whole += spring.stiffness * np.outer(direction, direction)
    return whole


def directions(frame: Frame) -> Array:
    """Rows of directions of all restraints, then all interfaces, (r + m, size)."""
    wanted = [(each.node, each.kind, each.direction) for each in frame.restraints]
    wanted += [(each.node, 0, each.direction) for each in frame.interfaces]
    rows = np.zeros((len(wanted), frame.size))
    for row, (node, kind, direction) in zip(rows, wanted, strict=True):
        row[6 * node + kind : 6 * node + kind + 3] = direction
    return rows


def held(frame: Frame, case: Case, movement: Array) -> tuple[Array, Array]:
    """Displacements and forces of restraints and hangers by multipliers, all in one dense system."""
    stiffness, rows = dense(frame), directions(frame)
    nodes, _ = frame.members()
    loads = case.nodal.reshape(-1).copy()
    np.add.at(loads, degrees(nodes), frame.member_loads(case))
    scale = np.abs(stiffness).max()
    system = np.block([[stiffness / scale, rows.T], [rows, np.zeros((len(rows), len(rows)))]])
    given = np.concatenate([case.imposed, movement])
    solution = np.linalg.solve(system, np.concatenate([loads / scale, given]))
    return solution[: frame.size], -scale * solution[frame.size :]


def slanting(seed: int) -> tuple[Frame, Case]:
    """A random line with restraints, hangers and springs that lie along no axis."""
    line = random_line(seed)
    frame = line.frame
    middle = frame.interfaces[0].node
    restraints = [
        each
        if each.name == "anchor"
        else replace(each, direction=(0.6, 0.0, 0.8) if each.direction == X else each.direction)
        for each in frame.restraints
    ]
    tilted = [
        replace(each, direction=(0.36, 0.48, 0.8)) if place == 0 else each
        for place, each in enumerate(frame.interfaces)
    ]
    springs = [
        *frame.springs,
        Spring(middle, (0.8, 0.0, 0.6), 3e6),
        Spring(middle, (0.0, 0.6, 0.8), 2e6, ROTATION),
    ]
    restraints = [*restraints, Restraint(middle, (0.8, -0.6, 0.0), ROTATION, "slanting")]
    frame = replace(frame, restraints=restraints, interfaces=tilted, springs=springs)
    return frame, replace(line.case, imposed=np.append(line.case.imposed, 0.001))


@pytest.mark.parametrize("seed", range(6))
def test_condensing_and_recovering_agree_with_one_dense_system(seed: int) -> None:
    frame, case = slanting(seed)
    factorised = factorise(frame)
    count = len(frame.restraints)
    movement = np.linspace(-0.01, 0.02, len(frame.interfaces))
    displacements, forces = held(frame, case, movement)
    condensed = factorised.condense([case])
    carried = condensed.stiffness @ movement - condensed.loads[:, 0]
    assert np.abs(carried - forces[count:]).max() < 1e-7 * np.abs(forces[count:]).max()
    response = factorised.recover(case, movement, carried)
    found = response.displacements.reshape(-1)
    assert np.abs(found - displacements).max() < 1e-7 * np.abs(displacements).max()
    assert np.abs(response.reactions - forces[:count]).max() < 1e-7 * np.abs(forces[:count]).max()
    assert response.residual < 1e-9


def test_cases_condensed_together_are_those_condensed_alone() -> None:
    line = random_line(5)
    factorised = factorise(line.frame)
    cases = [replace(line.case, nodal=line.case.nodal * place) for place in range(70)]
    together = factorised.condense(cases).loads
    for place in (0, 1, 31, 32, 69):
        alone = factorised.condense([cases[place]]).loads[:, 0]
        assert together[:, place] == pytest.approx(alone, rel=1e-12)


def test_a_frame_without_hangers_condenses_to_nothing() -> None:
    frame = beam(BAR, [5.0], clamped=(0,))
    condensed = factorise(frame).condense([frame.no_load()])
    assert condensed.stiffness.shape == (0, 0)
    assert condensed.loads.shape == (0, 1)


def test_no_cases_condense_to_no_loads() -> None:
    frame = beam(BAR, [5.0, 5.0], clamped=(0,), hung=(1,))
    assert factorise(frame).condense([]).loads.shape == (1, 0)


def test_a_changed_answer_does_not_change_the_next_one() -> None:
    frame = beam(BAR, [5.0, 5.0], clamped=(0,), hung=(1,))
    factorised = factorise(frame)
    factorised.condense([]).stiffness[:] = 0.0
    assert factorised.condense([]).stiffness[0, 0] > 0.0


def test_element_forces_balance_at_every_free_node() -> None:
    line = random_line(8)
    response = line.solved()
    nodes, _ = line.frame.members()
    sums = np.zeros(line.frame.size)
    np.add.at(sums, degrees(nodes), response.ends)
    held_nodes = {each.node for each in line.frame.restraints} | {each.node for each in line.frame.interfaces}
    held_nodes |= {each.node for each in line.frame.springs}
    free = [node for node in range(len(line.frame.coordinates)) if node not in held_nodes]
    left = sums.reshape(-1, 6)[free] - line.case.nodal[free]
    assert np.abs(left).max() < 1e-9 * np.abs(response.ends).max()


def test_imposed_movements_are_where_they_were_imposed() -> None:
    frame, case = slanting(2)
    movement = np.zeros(len(frame.interfaces))
    condensed = factorise(frame).condense([case])
    response = factorise(frame).recover(case, movement, -condensed.loads[:, 0])
    moved = directions(frame) @ response.displacements.reshape(-1)
    assert moved == pytest.approx(np.concatenate([case.imposed, movement]), abs=1e-15)


# --- hangers alone ---------------------------------------------------------------------------------------


def test_a_line_on_hangers_alone_resists_neither_rising_nor_tilting() -> None:
    assert hung_by_hangers_alone() < 1e-12


def test_a_line_on_two_hangers_alone_resists_nothing_and_its_hangers_share_its_weight() -> None:
    frame = hanging_run((0, 12))
    case = frame.no_load()
    case.straight_n_per_m[:, 2] = -1000.0
    condensed = factorise(frame).condense([case])
    stiff = 12.0 * Bar().bending_n_m2 / 2.0**3  # of one element
    assert np.abs(condensed.stiffness).max() < 1e-12 * stiff
    assert condensed.loads[:, 0] == pytest.approx([-12000.0, -12000.0], rel=1e-9)


# --- sizes ------------------------------------------------------------------------------------------------


def branch_on_header() -> tuple[Frame, Case]:
    """NPS 2 of 4 m on a header of NPS 30, the branch divided into pieces of 50 mm."""
    header, branch = (
        Bar(second_moment_m4=1.57e-3, area_m2=2.25e-2),
        Bar(second_moment_m4=2.77e-7, area_m2=6.9e-4),
    )
    points = [(2.0 * place, 0.0, 0.0) for place in range(11)]
    points += [(10.0, 0.05 * place, 0.0) for place in range(1, 81)]
    first = [(place, place + 1) for place in range(10)]
    second = [(5, 11), *((place, place + 1) for place in range(11, 90))]
    big, small = header.straights(np.array(first)), branch.straights(np.array(second))
    fields = {name: np.concatenate([getattr(big, name), getattr(small, name)]) for name in vars(big)}
    frame = Frame(
        np.array(points),
        replace(big, **fields),
        no_bends(),
        [*fixed(0), *fixed(90)],
        [Interface(3), Interface(10)],
    )
    case = frame.no_load()
    case.straight_n_per_m[:10, 2], case.straight_n_per_m[10:, 2] = -3000.0, -60.0
    case.straight_strain[:] = 6e-3
    return frame, case


def test_pipe_of_very_different_size_in_one_line_is_balanced() -> None:
    frame, case = branch_on_header()
    factorised = factorise(frame)
    condensed = factorised.condense([case])
    loads = np.array([20e3, 15e3])
    movement = np.linalg.solve(condensed.stiffness, condensed.loads[:, 0] + loads)
    response = factorised.recover(case, movement, loads)
    assert response.residual < 1e-10
    upward = response.reactions[2] + response.reactions[8] + loads.sum()
    assert upward == pytest.approx(3000.0 * 20.0 + 60.0 * 4.0, rel=1e-6)


# --- refusals ---------------------------------------------------------------------------------------------


def without(frame: Frame, direction: tuple[float, float, float], kind: int) -> Frame:
    kept = [each for each in frame.restraints if each.kind != kind or each.direction != direction]
    return replace(frame, restraints=kept)


@pytest.mark.parametrize("pieces", [3, 400])
def test_a_line_that_can_go_along_its_axis_is_named(pieces: int) -> None:
    frame = without(beam(BAR, [9.0, 9.0], clamped=(0, 2), pieces=pieces, hung=(1,)), X, 0)
    with pytest.raises(FrameUnstable) as caught:
        factorise(frame)
    assert caught.value.facts["direction"] == "x"


@pytest.mark.parametrize("pieces", [3, 400])
def test_a_line_that_can_spin_about_its_axis_is_named(pieces: int) -> None:
    frame = without(beam(BAR, [9.0, 9.0], clamped=(0, 2), pieces=pieces), X, ROTATION)
    with pytest.raises(FrameUnstable) as caught:
        factorise(frame)
    assert caught.value.facts["direction"] == "rotation about x"


@pytest.mark.parametrize(("axis", "name"), list(zip(AXES, "xyz", strict=True)))
def test_a_line_free_along_one_axis_is_named_by_it(axis: tuple[float, float, float], name: str) -> None:
    """An L in space, so that no direction is its own axis."""
    points = np.array([(0.0, 0.0, 0.0), (4.0, 0.0, 0.0), (4.0, 3.0, 0.0), (4.0, 3.0, 2.0)])
    held_there = [each for each in fixed(0) if each.kind == ROTATION or each.direction != axis]
    frame = Frame(points, BAR.straights(chain(3)), no_bends(), held_there)
    with pytest.raises(FrameUnstable) as caught:
        factorise(frame)
    assert caught.value.facts["direction"] == name


def test_a_disconnected_piece_is_named_by_one_of_its_nodes() -> None:
    frame = beam(BAR, [9.0, 9.0], clamped=(0,))
    points = np.concatenate([frame.coordinates, [(0.0, 5.0, 0.0), (3.0, 5.0, 0.0), (6.0, 5.0, 0.0)]])
    nodes = np.concatenate([frame.straights.nodes, [(7, 8), (8, 9)]])
    with pytest.raises(FrameUnstable) as caught:
        factorise(replace(frame, coordinates=points, straights=BAR.straights(nodes)))
    assert caught.value.facts["node"] in (7, 8, 9)


def test_a_node_without_pipe_is_named() -> None:
    frame = beam(BAR, [9.0], clamped=(0,))
    points = np.concatenate([frame.coordinates, [(0.0, 5.0, 0.0)]])
    with pytest.raises(FrameUnstable) as caught:
        factorise(replace(frame, coordinates=points))
    assert caught.value.facts == {"node": 4, "direction": "x"}


def test_a_spring_holds_what_nothing_else_does() -> None:
    frame = without(beam(BAR, [9.0, 9.0], clamped=(0, 2)), X, 0)
    case = frame.no_load()
    case.nodal[3, 0] = 500.0
    response = factorise(replace(frame, springs=[Spring(3, X, 1e5)])).recover(case, NONE, NONE)
    assert response.displacements[3, 0] == pytest.approx(0.005, rel=1e-9)


def test_forces_that_do_not_belong_to_the_movements_are_refused() -> None:
    frame = beam(BAR, [6.0, 6.0], clamped=(0, 2), hung=(1,))
    case = frame.no_load()
    case.straight_n_per_m[:, 2] = -1000.0
    factorised = factorise(frame)
    condensed = factorised.condense([case])
    force = condensed.stiffness @ np.array([0.003]) - condensed.loads[:, 0]
    assert factorised.recover(case, np.array([0.003]), force).residual < 1e-12
    with pytest.raises(FrameResidual) as caught:
        factorised.recover(case, np.array([0.003]), force * 1.001)
    assert caught.value.facts["residual"] > 1e-6


def test_a_load_that_is_no_number_is_refused() -> None:
    frame = beam(BAR, [6.0], clamped=(0,))
    case = frame.no_load()
    case.nodal[1, 2] = np.nan
    with pytest.raises(FrameResidual):
        factorise(frame).recover(case, NONE, NONE)


class _Careless:
    """Factors whose solutions are off by a part in ten thousand, each at another place."""

    def __init__(self, factors: Any) -> None:
        self.U = factors.U
        self._factors = factors

    def solve(self, right: Array) -> Array:
        solved = self._factors.solve(right)
        return solved * (1.0 + 1e-4 * np.cos(np.arange(solved.size)).reshape(solved.shape))


def test_a_careless_solution_is_not_used(monkeypatch: pytest.MonkeyPatch) -> None:
    line = random_line(1)
    monkeypatch.setattr(chains, "splu", lambda *given, **named: _Careless(splu(*given, **named)))
    with pytest.raises(FrameResidual):
        factorise(line.frame)
    without_hangers = replace(line.frame, interfaces=())
    with pytest.raises(FrameResidual):
        factorise(without_hangers).recover(line.case, NONE, NONE)


@pytest.mark.parametrize("pieces", [1, 2, 4])
def test_a_mechanism_whose_figures_leave_no_rounding_is_named_too(pieces: int) -> None:
    plain = Bar(young_pa=1.0, shear_pa=1.0, area_m2=1.0, second_moment_m4=1.0)
    frame = without(beam(plain, [float(pieces)], clamped=(0, 1), pieces=pieces), X, 0)
    with pytest.raises(FrameUnstable) as caught:
        factorise(frame)
    assert caught.value.facts["direction"] == "x"


@pytest.mark.parametrize("share", [0.0, 1e-15])
def test_pipe_that_cannot_resist_twist_between_its_anchors_is_named(share: float) -> None:
    points = np.array([(1.0, 1.0, 0.5)]) * np.arange(6.0)[:, None]
    straights = BAR.straights(chain(5))
    straights.torsion_m4[:] *= share
    with pytest.raises(FrameUnstable) as caught:
        factorise(Frame(points, straights, no_bends(), [*fixed(0), *fixed(5)]))
    assert caught.value.facts["node"] in (1, 2, 3, 4)
    assert caught.value.facts["direction"].startswith("rotation")
