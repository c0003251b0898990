"""What can be: intervals over every contact and friction, and what contradicts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import product

import numpy as np
import pytest

from service.domain.balance.analysis import Analysis
from service.engineering.estimates.possible import Possible, turned_m
from service.engineering.estimates.problem import Look, Moment, Problem, Unknowns
from service.engineering.states.tracing import Line
from tests.lines.base import LEAD_M, MARKS, base_line

WORKED = {mark: {"slot_clearance_m": 0.0} for mark in MARKS if mark != "H3"}


def _moment(analysis: Analysis, turns: Mapping[str, float]) -> Moment:
    offsets = {mark: turns.get(mark, 0.0) * LEAD_M for mark in MARKS}
    return Moment(analysis.laws(released=(), friction=1.0, offsets_m=offsets), np.zeros(5))


def _problem(
    analysis: Analysis, moments: Sequence[Moment], looks: Sequence[Look], height_m: float, share: float
) -> Problem:
    loads = analysis.load_n("present")
    unknowns = Unknowns(np.zeros(5), np.full(5, height_m), loads[:, None], np.zeros(1), np.array([share]))
    return Problem(analysis.line("present").stiffness, loads, unknowns, tuple(moments), tuple(looks))


def test_the_worked_case_is_found_again_to_the_newton() -> None:
    analysis = Analysis(base_line(hangers=WORKED))
    start, freed = _moment(analysis, {}), _moment(analysis, {"H3": 0.5})
    looks = (Look(0, 1, 2, "upper"), Look(0, 1, 2, "free"))
    problem = _problem(analysis, (start, freed), looks, 0.006, 0.0)
    possible = Possible(problem)
    rod = possible.rod_n(start, 2)
    assert rod == pytest.approx((12406.8, 12406.8), abs=0.1)
    misfit = possible.misfit_n()
    assert misfit is not None
    # Half the slot of 4 mm and 3 mm of pipe at 793.727 N/mm.
    assert misfit[2] == pytest.approx((-5.0 * 793.727, -5.0 * 793.727), abs=0.5)
    assert rod is not None
    turned = turned_m(problem, start, 2, rod, misfit)
    assert turned == pytest.approx((0.5 * LEAD_M, 0.5 * LEAD_M), rel=1e-4)
    assert possible.is_exact


def test_intervals_are_reached_by_the_corners_that_can_be() -> None:
    """Without friction the state follows from heights and weight: its extremes are found on a grid."""
    analysis = Analysis(base_line())
    moment = _moment(analysis, {"H2": 0.25})
    possible = Possible(_problem(analysis, (moment,), (), 0.003, 0.05))
    rods = [possible.rod_n(moment, place) for place in range(5)]
    line: Line = analysis.line("present")
    seen = []
    for corner in product((-0.003, 0.0, 0.003), repeat=5):
        offsets = {mark: corner[place] for place, mark in enumerate(MARKS)}
        offsets["H2"] += 0.25 * LEAD_M
        laws = analysis.laws(released=(), offsets_m=offsets)
        for share in (-0.05, 0.05):
            seen.append(line.start(laws, analysis.load_n("present") * (1.0 + share)).force_n)
    least, most = np.min(seen, axis=0), np.max(seen, axis=0)
    for place, rod in enumerate(rods):
        assert rod is not None
        assert rod[0] <= least[place] + 1.0
        assert rod[1] >= most[place] - 1.0
        # The hull is no wider than what is reached, but for corners that the grid misses.
        assert rod[0] == pytest.approx(least[place], rel=0.03)
        assert rod[1] == pytest.approx(most[place], rel=0.03)


def test_looks_that_cannot_hold_together_are_named_and_the_others_are_not() -> None:
    analysis = Analysis(base_line(friction_n=300.0))
    start, raised = _moment(analysis, {}), _moment(analysis, {"H3": 1.0})
    looks = (
        Look(0, 0, 0, "free"),
        Look(1, 0, 2, "lower"),
        Look(2, 1, 2, "upper"),
        Look(3, 0, 4, "upper"),
    )
    assert Possible(_problem(analysis, (start, raised), looks, 0.003, 0.1)).contradicting() == (1, 2)
    agreeing = tuple(look for look in looks if look.observation != 2)
    assert Possible(_problem(analysis, (start, raised), agreeing, 0.003, 0.1)).contradicting() == ()


def test_a_look_that_needs_more_than_heights_and_weights_allow_is_named_alone() -> None:
    analysis = Analysis(base_line(hangers=WORKED))
    start, late = _moment(analysis, {}), _moment(analysis, {"H3": 3.0})
    looks = (Look(7, 1, 2, "upper"), Look(8, 0, 0, "load", 0.0, 30000.0))
    assert Possible(_problem(analysis, (start, late), looks, 0.003, 0.0)).contradicting() == (7,)


def test_a_rod_that_can_hang_loose_is_not_left_out() -> None:
    """A pipe held high by its neighbours leaves the rod between them slack."""
    analysis = Analysis(base_line(slot_clearance_m=0.0))
    moment = _moment(analysis, {})
    possible = Possible(_problem(analysis, (moment,), (), 0.03, 0.0))
    offsets = dict(zip(MARKS, (0.03, 0.03, -0.03, 0.03, 0.03), strict=True))
    state = analysis.line("present").start(
        analysis.laws(released=(), offsets_m=offsets), analysis.load_n("present")
    )
    assert state.force_n[2] == pytest.approx(0.0, abs=1e-6)
    for place in (1, 2, 3):
        rod = possible.rod_n(moment, place)
        assert rod is not None
        assert rod[0] - 1.0 <= state.force_n[place] <= rod[1] + 1.0
