"""Turned axes of what is held, and what is held twice."""

from __future__ import annotations

import numpy as np
import pytest

from service.engineering.frames.frame import ROTATION, Frame, Interface, Restraint
from service.engineering.frames.holding import FrameUnstable, holding
from service.engineering.frames.solution import factorise
from tests.lines.base import no_bends
from tests.lines.shapes import Bar, X, Y, Z, chain, fixed

BAR = Bar()
NONE = np.zeros(0)
SLANT = (0.36, 0.48, 0.8)


def cantilever(*held: Restraint, hung: tuple[Interface, ...] = ()) -> Frame:
    points = np.array([(0.0, 0.0, 0.0), (2.0, 1.0, 0.0), (4.0, 2.0, 1.0)])
    return Frame(points, BAR.straights(chain(2)), no_bends(), [*fixed(0), *held], hung)


def test_nothing_is_turned_where_everything_lies_along_the_axes() -> None:
    frame = cantilever(Restraint(2, Z), Restraint(1, (0.0, -1.0, 0.0)), hung=(Interface(1),))
    found = holding(frame)
    assert len(found.triads) == 0
    assert found.fixed.tolist() == [0, 1, 2, 3, 4, 5, 14, 7, 8]
    vectors = np.arange(18.0)
    assert found.turned(vectors) is vectors


def test_a_restraint_against_an_axis_moves_the_other_way() -> None:
    frame = cantilever(Restraint(2, (0.0, 0.0, -1.0)))
    case = frame.no_load()
    case.imposed[6] = 0.01
    response = factorise(frame).recover(case, NONE, NONE)
    assert response.displacements[2, 2] == pytest.approx(-0.01)
    assert response.reactions[6] > 0.0


@pytest.mark.parametrize("kind", [0, ROTATION])
def test_a_slanting_restraint_holds_its_direction_and_leaves_the_rest(kind: int) -> None:
    frame = cantilever(Restraint(2, SLANT, kind))
    case = frame.no_load()
    case.nodal[2] = [1000.0, -2000.0, 500.0, 300.0, -100.0, 200.0]
    case.imposed[6] = 0.002
    response = factorise(frame).recover(case, NONE, NONE)
    moved = response.displacements[2, kind : kind + 3]
    assert moved @ np.array(SLANT) == pytest.approx(0.002, rel=1e-12)
    assert np.linalg.norm(np.cross(moved, SLANT)) > 1e-4
    # Its reaction is the whole of what the restraint gives: the rest is the case's own load.
    pull = np.zeros(6)
    pull[kind : kind + 3] = response.reactions[6] * np.array(SLANT)
    assert response.ends[1, 6:] == pytest.approx(case.nodal[2] + pull, rel=1e-9, abs=1e-6)


def test_two_directions_that_are_not_square_are_both_held() -> None:
    frame = cantilever(Restraint(2, X), Restraint(2, (0.8, 0.6, 0.0)))
    case = frame.no_load()
    case.nodal[2, :3] = [900.0, 700.0, -400.0]
    case.imposed[6:8] = [0.001, -0.002]
    response = factorise(frame).recover(case, NONE, NONE)
    moved = response.displacements[2, :3]
    assert moved[0] == pytest.approx(0.001)
    assert moved @ np.array([0.8, 0.6, 0.0]) == pytest.approx(-0.002)
    pull = response.reactions[6] * np.array(X) + response.reactions[7] * np.array([0.8, 0.6, 0.0])
    assert response.ends[1, 6:9] == pytest.approx(case.nodal[2, :3] + pull, rel=1e-9)


def test_three_slanting_directions_hold_a_point() -> None:
    frame = cantilever(Restraint(2, X), Restraint(2, SLANT), Restraint(2, (0.0, 0.6, -0.8)))
    case = frame.no_load()
    case.nodal[2, :3] = [900.0, 700.0, -400.0]
    response = factorise(frame).recover(case, NONE, NONE)
    assert np.abs(response.displacements[2, :3]).max() < 1e-15


def test_a_hanger_beside_a_slanting_guide_feels_the_line_along_its_own_direction() -> None:
    frame = cantilever(Restraint(2, (0.8, -0.6, 0.0)), hung=(Interface(2),))
    case = frame.no_load()
    case.nodal[2, 2] = -1000.0
    factorised = factorise(frame)
    condensed = factorised.condense([case])
    movement = condensed.loads[:, 0] / condensed.stiffness[0, 0]
    response = factorised.recover(case, movement, np.zeros(1))
    assert response.displacements[2, 2] == pytest.approx(movement[0], rel=1e-12)
    assert movement[0] < 0.0


@pytest.mark.parametrize(
    "held",
    [
        [Restraint(2, Z), Restraint(2, Z)],
        [Restraint(2, Z), Restraint(2, (0.0, 0.0, -1.0))],
        [Restraint(2, SLANT), Restraint(2, SLANT)],
        [Restraint(2, X), Restraint(2, Y), Restraint(2, (0.6, 0.8, 0.0))],
        [Restraint(2, X), Restraint(2, Y), Restraint(2, Z), Restraint(2, SLANT)],
    ],
    ids=["equal", "against each other", "slanting", "three in a plane", "four"],
)
def test_what_is_held_twice_is_refused_with_its_node(held: list[Restraint]) -> None:
    with pytest.raises(FrameUnstable) as caught:
        factorise(cantilever(*held))
    assert caught.value.facts["node"] == 2


def test_a_hanger_on_a_held_direction_is_refused() -> None:
    with pytest.raises(FrameUnstable) as caught:
        factorise(cantilever(Restraint(2, Z), hung=(Interface(2),)))
    assert caught.value.facts == {"node": 2, "direction": "z"}


def test_two_hangers_on_one_node_are_refused() -> None:
    with pytest.raises(FrameUnstable) as caught:
        factorise(cantilever(hung=(Interface(1), Interface(1))))
    assert caught.value.facts == {"node": 1, "direction": "z"}


def test_a_hanger_named_downwards_answers_with_the_other_sign() -> None:
    answers = []
    for direction in (Z, (0.0, 0.0, -1.0)):
        frame = cantilever(hung=(Interface(1), Interface(2, direction)))
        case = frame.no_load()
        case.nodal[2, 2] = -1000.0
        answers.append(factorise(frame).condense([case]))
    up, down = answers
    signs = np.array([1.0, -1.0])
    assert down.stiffness == pytest.approx(up.stiffness * np.outer(signs, signs))
    assert down.loads[:, 0] == pytest.approx(up.loads[:, 0] * signs)
