"""Sensitivities of a state, held against small changes followed by tracing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from service.domain.balance.analysis import Analysis
from service.engineering.estimates.fitting import sensitivity, stiffness_held
from service.engineering.estimates.possible import _stiffnesses
from service.engineering.estimates.problem import Moment, Problem, Unknowns
from service.engineering.states.tracing import Line, State
from tests.lines.base import MARKS, base_line

SMALL_M = 1e-7
OFFSETS = dict(zip(MARKS, (0.001, -0.002, -0.004, 0.003, 0.001), strict=True))


def _state(analysis: Analysis, friction: float) -> tuple[Line, State]:
    line = analysis.line("present")
    laws = analysis.laws(released=("H4",), friction=friction, offsets_m=OFFSETS)
    return line, line.start(laws, analysis.load_n("present"))


@pytest.mark.parametrize("series", [np.inf, 2e7])
@pytest.mark.parametrize("spring", [{"kind": "constant"}, {"kind": "variable", "rate_n_per_m": 60e3}])
def test_a_small_turn_and_a_small_load_change_what_the_sensitivities_say(
    series: float, spring: dict[str, object]
) -> None:
    analysis = Analysis(base_line(series_n_per_m=series, **spring))
    line, state = _state(analysis, 1.0)
    seen = sensitivity(line.stiffness, state.hangers, state.parts)
    offsets = np.array([hanger.offset_m for hanger in state.hangers])
    for place in range(len(MARKS)):
        turned = offsets.copy()
        turned[place] += SMALL_M
        after = line.follow(state, offset_m=turned)
        assert (after.force_n - state.force_n) / SMALL_M == pytest.approx(
            seen.by_offset[:, place], rel=1e-4, abs=20.0
        )
        loads = state.load_n.copy()
        loads[place] -= 0.1
        after = line.follow(state, load_n=loads)
        assert (after.force_n - state.force_n) / -0.1 == pytest.approx(
            seen.by_load[:, place], rel=1e-4, abs=1e-4
        )


@pytest.mark.parametrize(
    ("released", "expected_n_per_mm"),
    [((), 793.727), (("H2",), 355.68), (("H2", "H4"), 124.02), (("H1", "H2", "H4", "H5"), 48.995)],
)
def test_the_stiffness_with_pins_held_is_that_of_the_worked_case(
    released: tuple[str, ...], expected_n_per_mm: float
) -> None:
    analysis = Analysis(base_line())
    moment = Moment(analysis.laws(released=released), np.zeros(5))
    nothing = np.zeros(5)
    unknowns = Unknowns(nothing, nothing, np.zeros((5, 0)), np.zeros(0), np.zeros(0))
    stiffness = analysis.line("present").stiffness
    problem = Problem(stiffness, analysis.load_n("present"), unknowns, (moment,))
    held = [mark not in released for mark in MARKS]
    found = stiffness_held(problem, moment, 2, held)
    assert found / 1e3 == pytest.approx(expected_n_per_mm, rel=1e-3)
    least, greatest = _stiffnesses(problem, moment, 2)
    # With every other pin free, and with every other pin held.
    assert (least / 1e3, greatest / 1e3) == pytest.approx((48.995, 793.727), rel=1e-3)


def test_a_rod_that_gives_is_in_series_with_the_line() -> None:
    analysis = Analysis(base_line(series_n_per_m=1e6))
    hangers = tuple(replace(each, low_m=0.0, high_m=0.0) for each in analysis.laws(released=()))
    moment = Moment(hangers, np.zeros(5))
    stiffness = analysis.line("present").stiffness
    nothing = np.zeros(5)
    unknowns = Unknowns(nothing, nothing, np.zeros((5, 0)), np.zeros(0), np.zeros(0))
    problem = Problem(stiffness, analysis.load_n("present"), unknowns, (moment,))
    found = stiffness_held(problem, moment, 2, [True] * 5)
    # r = ks (o - u), K u = r: r = (K^-1 + 1/ks)^-1 o
    expected = np.linalg.inv(np.linalg.inv(stiffness) + np.eye(5) / 1e6)[2, 2]
    assert found == pytest.approx(expected, rel=1e-9)
    least, greatest = _stiffnesses(problem, moment, 2)
    assert least <= found <= greatest * (1 + 1e-9)
