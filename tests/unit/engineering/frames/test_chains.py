"""Chains of elements eliminated: against the whole matrix, on runs, branches, loops and in any order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from service.engineering.frames.chains import Blocks, Chains, summed
from service.engineering.frames.elements import Array
from service.engineering.frames.frame import Frame
from service.engineering.frames.solution import factorise
from tests.lines.base import no_bends
from tests.lines.property_checks import apart
from tests.lines.random_lines import RandomLine, random_line
from tests.lines.shapes import Bar, chain, fixed


def joined(count: int, pairs: Sequence[tuple[int, int]], seed: int = 0) -> Blocks:
    """A positive definite matrix with a random block between each pair of nodes."""
    chance = np.random.default_rng(seed)
    rows, columns, values = list(range(count)), list(range(count)), [4.0 * np.eye(6)] * count
    for one, other in pairs:
        spread = chance.uniform(-1.0, 1.0, (12, 12))
        whole = spread @ spread.T / 4.0
        rows += [one, one, other, other]
        columns += [one, other, one, other]
        values += [whole[:6, :6], whole[:6, 6:], whole[6:, :6], whole[6:, 6:]]
    return summed(count, np.array(rows), np.array(columns), np.array(values))


def solved(blocks: Blocks, kept: Sequence[int], loads: Array) -> tuple[Chains, Array]:
    """Movements of everything by elimination of the chains and a dense solution of what is left."""
    chains = Chains(blocks, np.array(kept, dtype=np.int64))
    felt, alone = chains.reduced_loads(loads)
    keys = np.linalg.solve(chains.reduced.sparse().toarray(), felt)
    return chains, chains.expanded(alone, keys)


CASES = {
    # name: nodes, pairs, kept, what remains
    "a run": (7, [(k, k + 1) for k in range(6)], [], [0, 6]),
    "a run with a kept node": (7, [(k, k + 1) for k in range(6)], [3], [0, 3, 6]),
    "chains of one node": (5, [(k, k + 1) for k in range(4)], [2], [0, 2, 4]),
    "everything kept": (4, [(k, k + 1) for k in range(3)], [0, 1, 2, 3], [0, 1, 2, 3]),
    "two nodes": (2, [(0, 1)], [], [0, 1]),
    "a branch": (8, [(0, 1), (1, 2), (2, 3), (3, 4), (2, 5), (5, 6), (6, 7)], [], [0, 2, 4, 7]),
    "numbers in any order": (6, [(3, 0), (0, 5), (5, 1), (1, 4), (4, 2)], [], [2, 3]),
    "a loop at a branch": (6, [(0, 1), (1, 2), (2, 3), (3, 4), (4, 1), (4, 5)], [], [0, 1, 4, 5]),
    "a loop on a stem": (5, [(0, 1), (1, 2), (2, 3), (3, 4), (4, 1)], [], [0, 1]),
    "two chains side by side": (6, [(0, 1), (1, 2), (2, 5), (0, 3), (3, 4), (4, 5)], [0, 5], [0, 5]),
    "a ring apart": (6, [(0, 1), (1, 2), (3, 4), (4, 5), (5, 3)], [], [0, 2, 3, 4, 5]),
    "a node apart": (4, [(0, 1), (1, 2)], [], [0, 2, 3]),
}


@pytest.mark.parametrize("name", CASES)
def test_elimination_of_chains_changes_nothing(name: str) -> None:
    count, pairs, kept, remaining = CASES[name]
    blocks = joined(count, pairs)
    loads = np.random.default_rng(1).uniform(-1.0, 1.0, (6 * count, 3))
    chains, found = solved(blocks, kept, loads)
    assert chains.keys.tolist() == remaining
    assert found == pytest.approx(np.linalg.solve(blocks.sparse().toarray(), loads), rel=1e-9, abs=1e-12)
    assert chains.least_pivot() > 0.0


def test_rows_and_masked_degrees_are_those_of_the_whole_matrix() -> None:
    blocks = joined(5, [(0, 1), (1, 2), (2, 3), (1, 4)])
    whole = blocks.sparse().toarray()
    wanted = np.array([29, 0, 7, 13])
    assert blocks.row(wanted).toarray() == pytest.approx(whole[wanted])
    moving = np.ones(30, dtype=bool)
    moving[wanted] = False
    expected = whole.copy()
    expected[wanted] = expected[:, wanted] = 0.0
    expected[wanted, wanted] = 1.0
    assert blocks.masked(moving).sparse().toarray() == pytest.approx(expected)
    assert blocks.sparse().toarray() == pytest.approx(whole)


def test_equal_pairs_are_summed_in_any_order() -> None:
    one = np.arange(36.0).reshape(6, 6)
    found = summed(2, np.array([1, 0, 1]), np.array([1, 0, 1]), np.stack([one, 2.0 * one, 3.0 * one]))
    assert (found.rows.tolist(), found.columns.tolist()) == ([0, 1], [0, 1])
    assert found.values == pytest.approx(np.stack([2.0 * one, 4.0 * one]))


def renumbered(line: RandomLine, order: Array) -> RandomLine:
    """The line with its nodes in another order: node order[n] of the old one is node n."""
    number = np.argsort(order)
    frame = line.frame
    return RandomLine(
        Frame(
            frame.coordinates[order],
            replace(frame.straights, nodes=number[frame.straights.nodes]),
            replace(frame.bends, nodes=number[frame.bends.nodes]),
            [replace(each, node=int(number[each.node])) for each in frame.restraints],
            [replace(each, node=int(number[each.node])) for each in frame.interfaces],
            [replace(each, node=int(number[each.node])) for each in frame.springs],
        ),
        replace(line.case, nodal=line.case.nodal[order]),
        line.hangers,
    )


@pytest.mark.parametrize("seed", range(4))
def test_the_order_of_nodes_does_not_matter(seed: int) -> None:
    line = random_line(seed)
    order = np.random.default_rng(seed).permutation(len(line.frame.coordinates))
    plain, other = line.solved(), renumbered(line, order).solved()
    assert apart(other, plain.displacements[order], plain.reactions, line.frame) < 1e-8


def test_a_closed_loop_of_pipe_hangs_on_its_one_anchor() -> None:
    """Two ways round carry the load at the far corner; by symmetry each carries half of it."""
    points = np.array([(0.0, 0.0, 0.0), (2.0, 2.0, 0.0), (4.0, 0.0, 0.0), (2.0, -2.0, 0.0)])
    nodes = np.concatenate([chain(3), [(3, 0)]])
    frame = Frame(points, Bar().straights(nodes), no_bends(), fixed(0))
    case = frame.no_load()
    case.nodal[2, 2] = -1000.0
    response = factorise(frame).recover(case, np.zeros(0), np.zeros(0))
    assert response.reactions[2] == pytest.approx(1000.0)
    assert response.ends[1, 8] == pytest.approx(-500.0, rel=1e-9)
    assert response.displacements[1, 2] == pytest.approx(response.displacements[3, 2], rel=1e-9)
