"""Small changes within one contact state: reciprocity, and the traced line beside the linear one."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from service.domain.balance.analysis import Analysis
from service.domain.balance.contacts import (
    drifting,
    height_transfer,
    load_transfer,
    pin_compliance,
    pipe_stiffness_n_per_m,
    way_to_contact_change,
)
from tests.lines.base import CALIBRATED_N, MARKS, base_line

SLIGHT_M = 1e-5


def mixed_line(seed: int) -> Analysis:
    """Springs and constants, some out, some on rods that give, with a span bare."""
    rng = np.random.default_rng(seed)
    fields: dict[str, dict[str, Any]] = {}
    for place, mark in enumerate(MARKS):
        fields[mark] = {
            "kind": "variable",
            "rate_n_per_m": float(rng.choice([20e3, 60e3, 200e3])),
            "spring_load_n": CALIBRATED_N + float(rng.uniform(-3000.0, 3000.0)),
            "series_n_per_m": float(rng.choice([math.inf, 5e6])),
            "released": bool(rng.integers(0, 2)) or place == seed % 5,
            "slot_clearance_m": 0.004,
        }
    return Analysis(base_line(bare_spans=(1 + seed % 6,), hangers=fields))


@pytest.mark.parametrize("seed", range(8))
def test_what_a_height_moves_is_what_a_load_there_feels(seed: int) -> None:
    """Maxwell and Betti: symmetric tables, and movement by a height against reaction to a load."""
    analysis = mixed_line(seed)
    stiffness, state = analysis.line("present").stiffness, analysis.state("present")
    moved_by_height, force_by_height = height_transfer(stiffness, state)
    moved_by_load, force_by_load = load_transfer(stiffness, state)
    scale = np.abs(force_by_height).max()
    assert force_by_height == pytest.approx(force_by_height.T, abs=1e-9 * scale)
    assert moved_by_load == pytest.approx(moved_by_load.T, abs=1e-9 * np.abs(moved_by_load).max())
    assert force_by_load == pytest.approx(-moved_by_height.T, abs=1e-9)


@pytest.mark.parametrize("seed", range(8))
def test_a_slight_turn_changes_the_traced_line_by_what_the_table_says(seed: int) -> None:
    analysis = mixed_line(seed)
    line, state = analysis.line("present"), analysis.state("present")
    moved, force = height_transfer(line.stiffness, state)
    for place in range(len(MARKS)):
        added = np.zeros(len(MARKS))
        added[place] = SLIGHT_M
        way = way_to_contact_change(state, moved[:, place], force[:, place], added / SLIGHT_M)
        assert way > SLIGHT_M
        after = line.follow(state, offset_m=np.array([each.offset_m for each in state.hangers]) + added)
        change = (after.force_n - state.force_n) / SLIGHT_M
        assert change == pytest.approx(force[:, place], abs=1e-5 * np.abs(force).max())


@pytest.mark.parametrize("seed", range(8))
def test_at_the_way_to_the_next_contact_change_the_contacts_change(seed: int) -> None:
    analysis = mixed_line(seed)
    line, state = analysis.line("present"), analysis.state("present")
    moved, force = height_transfer(line.stiffness, state)
    offsets = np.array([each.offset_m for each in state.hangers])
    for place in range(len(MARKS)):
        unit = np.zeros(len(MARKS))
        unit[place] = 1.0
        way = way_to_contact_change(state, moved[:, place], force[:, place], unit)
        if math.isinf(way):
            continue
        before = line.follow(state, offset_m=offsets + 0.999 * way * unit)
        beyond = line.follow(state, offset_m=offsets + (1.001 * way + 1e-9) * unit)
        assert before.parts == state.parts
        assert beyond.parts != state.parts


def test_the_pipe_alone_is_what_is_left_when_the_hanger_is_taken_away() -> None:
    analysis = mixed_line(3)
    line, state = analysis.line("present"), analysis.state("present")
    for place, hanger in enumerate(state.hangers):
        moved = load_transfer(line.stiffness, state)[0][place, place]
        pipe = pipe_stiffness_n_per_m(line.stiffness, state, place)
        if moved == 0.0:
            continue
        own = 1.0 / moved - pipe
        # What is there besides the pipe is the hanger itself, as it stands.
        either = (hanger.series_n_per_m, 1.0 / (1.0 / hanger.rate_n_per_m + 1.0 / hanger.series_n_per_m))
        assert min(abs(own - each) / each for each in either if math.isfinite(each)) < 1e-6


def test_pins_rise_by_what_a_push_makes_the_traced_line_rise() -> None:
    analysis = mixed_line(4)
    laws = analysis.laws(released=MARKS)
    line, load = analysis.line("present"), analysis.load_n("present")
    compliance = pin_compliance(line, laws)
    before = line.start(laws, load).pin_m
    for place, mark in enumerate(MARKS):
        pushed = tuple(
            law if other != place else type(law)(**{**vars(law), "load_n": law.load_n + 10.0})
            for other, law in enumerate(laws)
        )
        change = (line.start(pushed, load).pin_m - before) / 10.0
        assert change == pytest.approx(compliance[:, place], abs=1e-6 * compliance.max()), mark


def test_a_line_between_anchors_does_not_drift_on_constants() -> None:
    analysis = Analysis(base_line())
    assert drifting(analysis.line("present"), analysis.laws(released=MARKS)) == ()
