"""Knowing less never makes a line ready: whatever observation is taken away, what was not ready stays so.

Left out are the service's own accounts, whose absence says something by itself: the status (none is
locked), the ledger (none is never turned) and the withdrawal; and a stop beyond the drawn number.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.facts import Fact
from service.domain.views import LineView
from tests.unit.domain.readiness.support import (
    LATER,
    answer,
    good_line,
    q,
    reading,
    status,
    stop,
    with_fact,
    with_line_fact,
)

PURPOSES = ("pressure_test", "chemical_clean", "release", "heat_up", "acceptance")
ACCOUNTS = ("status", "ledger", "withdrawal")

# One thing that goes wrong, each by itself or with others.
FAULTS: tuple[Callable[[LineView], LineView], ...] = (
    lambda line: with_line_fact(line, "welds", "incomplete"),
    lambda line: with_line_fact(line, "rigid_supports", "incomplete"),
    lambda line: with_line_fact(line, "temporary_supports", 2),
    lambda line: with_line_fact(line, "insulation", "incomplete"),
    lambda line: with_line_fact(line, "jacketing", "incomplete"),
    lambda line: with_line_fact(line, "pressure_test", "not_done"),
    lambda line: with_line_fact(line, "chemical_clean", "not_required"),
    lambda line: with_line_fact(line, "contents", "water"),
    lambda line: with_line_fact(line, "line_temperature", q(90, "degC")),
    lambda line: with_line_fact(line, "connected_lines", "unknown"),
    lambda line: with_fact(line, "V-1", "assembly/1/in_place", False),
    lambda line: with_fact(line, "R-3", "assembly/1/rod_slack", True),
    lambda line: with_fact(line, "C-2", "assembly/2/interference", True),
    lambda line: with_fact(line, "C-2", "assembly/1/stops_counted", 0),
    lambda line: with_fact(line, "V-1", "assembly/1/stops_damaged", 1),
    lambda line: with_fact(line, "V-1", "assembly/1/stop/1", stop("in"), 71, LATER),
    lambda line: with_fact(line, "V-1", "assembly/1/stop/2", stop("out"), 71, LATER),
    lambda line: with_fact(line, "V-1", "assembly/1/nameplate", {"legible": False}),
    lambda line: with_fact(line, "C-2", "assembly/1/nameplate", {"calibrated_load": q(10, "kN")}),
    lambda line: with_fact(line, "V-1", "assembly/1/pipe_to_support_dimension", q(1700, "mm")),
    lambda line: with_fact(line, "V-1", "assembly/1/elevation", q(12.7, "m")),
    lambda line: with_fact(line, "V-1", "assembly/1/rod_offset", q(400, "mm")),
    lambda line: with_fact(
        line, "V-1", "assembly/1/retaining_hardware", {"one_end": False, "other_end": True}
    ),
    lambda line: with_fact(line, "V-1", "assembly/1/adjuster_locked", False),
    lambda line: with_fact(
        line, "V-1", "assembly/1/defects", [{"defect": "cracked_weld", "severity": "critical"}]
    ),
    lambda line: with_fact(
        line, "V-1", "assembly/1/engagement/upper", {"measured": None, "full": False, "net_turns": 0.0}
    ),
    lambda line: with_fact(line, "V-1", "assembly/1/reading/cold", reading(150), 76, LATER),
    lambda line: with_fact(line, "C-2", "assembly/1/reading/hot", reading(99), 79, LATER),
)

STATES = ("locked", "cleared", "easing", "stops_out", "positioning", "released", "proved", "on_hold")


def _names(line: LineView) -> list[tuple[str | None, str]]:
    """Every observation of the line and its hangers: (mark or None, name of the fact)."""
    names: list[tuple[str | None, str]] = [(None, name) for name in line.facts]
    for view in line.hangers:
        names += [(view.mark, name) for name in view.facts if not name.endswith(ACCOUNTS)]
    return sorted(names, key=str)


def _facts(line: LineView) -> dict[tuple[str | None, str], Fact]:
    held: dict[tuple[str | None, str], Fact] = {(None, name): held for name, held in line.facts.items()}
    for view in line.hangers:
        held.update({(view.mark, name): value for name, value in view.facts.items()})
    return held


def _without(line: LineView, gone: set[tuple[str | None, str]]) -> LineView:
    def kept(mark: str | None, facts: dict[str, Fact]) -> dict[str, Fact]:
        return {name: held for name, held in facts.items() if (mark, name) not in gone}

    hangers = tuple(replace(view, facts=kept(view.mark, dict(view.facts))) for view in line.hangers)
    return replace(line, facts=kept(None, dict(line.facts)), hangers=hangers)


@given(data=st.data(), purpose=st.sampled_from(PURPOSES))
def test_taking_observations_away_never_makes_a_line_ready(data: st.DataObject, purpose: str) -> None:
    line = good_line(purpose)
    for fault in data.draw(st.lists(st.sampled_from(FAULTS), max_size=3)):
        line = fault(line)
    state = data.draw(st.sampled_from([None, *STATES]))
    if state is not None:
        line = with_fact(line, "V-1", "status", status(state, held_from="easing"), 80, LATER)
    gone = data.draw(st.sets(st.sampled_from(_names(line)), max_size=6))
    if not answer(line, purpose)["ready"]:
        assert answer(_without(line, gone), purpose)["ready"] is False


@pytest.mark.parametrize("purpose", PURPOSES)
def test_taking_away_the_very_observation_of_a_fault_does_not_heal_it(purpose: str) -> None:
    good = good_line(purpose)
    found = 0
    for fault in FAULTS:
        line = fault(good)
        if answer(line, purpose)["ready"]:
            continue
        found += 1
        before, now = _facts(good), _facts(line)
        (name,) = [name for name, held in now.items() if before.get(name) != held]
        assert answer(_without(line, {name}), purpose)["ready"] is False
    assert found > 5


@pytest.mark.parametrize("purpose", PURPOSES)
def test_of_a_line_of_which_nothing_was_seen_nothing_can_be_said(purpose: str) -> None:
    line = good_line(purpose)
    found = answer(_without(line, set(_names(line))), purpose)
    assert found["verdict"] == "cannot_say"
