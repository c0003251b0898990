"""The machine against a table written out by hand; nothing expected here comes from the code's table."""

from __future__ import annotations

import pytest

from service.domain.access import PERMITTED
from service.domain.release import machine
from service.domain.views import INITIAL_STATUS
from tests.unit.domain.release.support import RIGID, Site, constant, spring

STATES = ("locked", "cleared", "easing", "stops_out", "positioning", "released", "proved", "on_hold")
STEPS = (
    "clear",
    "ease",
    "withdraw",
    "position",
    "confirm",
    "prove",
    "lapse",
    "abandon",
    "reinsert",
    "reposition",
    "relock",
    "hold",
    "dispose",
)

# Every step that is possible, from where to where. Whatever is not listed is impossible.
BY_HAND = {
    ("locked", "clear"): "cleared",
    ("locked", "hold"): "on_hold",
    ("cleared", "ease"): "easing",
    ("cleared", "lapse"): "locked",
    ("cleared", "hold"): "on_hold",
    ("easing", "withdraw"): "stops_out",
    ("easing", "abandon"): "locked",
    ("easing", "hold"): "on_hold",
    ("stops_out", "position"): "positioning",
    ("stops_out", "reinsert"): "locked",
    ("stops_out", "hold"): "on_hold",
    ("positioning", "confirm"): "released",
    ("positioning", "reinsert"): "locked",
    ("positioning", "hold"): "on_hold",
    ("released", "prove"): "proved",
    ("released", "reposition"): "positioning",
    ("released", "relock"): "locked",
    ("released", "hold"): "on_hold",
    ("proved", "reposition"): "positioning",
    ("proved", "relock"): "locked",
    ("proved", "hold"): "on_hold",
}


# A disposition leads to more than one state; it has a test of its own.
CELLS = [(state, step) for state in STATES for step in STEPS if (state, step) != ("on_hold", "dispose")]


@pytest.mark.parametrize(("state", "step"), CELLS)
def test_each_step_leads_where_the_hand_table_says(state: str, step: str) -> None:
    assert machine.target(state, step, INITIAL_STATUS, {}) == BY_HAND.get((state, step))


@pytest.mark.parametrize("held_from", [state for state in STATES if state != "on_hold"])
@pytest.mark.parametrize(("to", "back"), [("resume", True), ("locked", False)])
def test_a_disposition_leads_back_or_to_locked(held_from: str, to: str, back: bool) -> None:
    status = {**INITIAL_STATUS, "state": "on_hold", "held_from": held_from}
    found = machine.target("on_hold", "dispose", status, {"to": to})
    assert found == (held_from if back else "locked")


def test_the_machine_knows_these_states_and_steps_and_no_other() -> None:
    assert machine.STATES == STATES
    assert tuple(machine.TRANSITIONS) == STEPS


POSSIBLE_BY_HAND = {
    "locked": ("clear", "hold"),
    "cleared": ("ease", "hold"),
    "easing": ("withdraw", "abandon", "hold"),
    "stops_out": ("position", "reinsert", "hold"),
    "positioning": ("confirm", "reinsert", "hold"),
    "released": ("prove", "reposition", "relock", "hold"),
    "proved": ("reposition", "relock", "hold"),
    "on_hold": ("dispose",),
}


@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("kind", ["variable", "constant"])
def test_what_may_be_asked_for_in_a_state(state: str, kind: str) -> None:
    assert machine.possible(state, kind) == POSSIBLE_BY_HAND[state]


@pytest.mark.parametrize("state", STATES)
def test_a_rigid_hanger_takes_no_step(state: str) -> None:
    assert machine.possible(state, "rigid") == ()


# Roles that may ask for each step; `clear` by authorising the line, `lapse` by nobody.
ROLES_BY_HAND = {
    "clear": {"engineer"},
    "ease": {"recorder", "engineer", "integrator"},
    "withdraw": {"recorder", "engineer", "integrator"},
    "position": {"recorder", "engineer", "integrator"},
    "confirm": {"recorder", "engineer", "integrator"},
    "prove": {"engineer"},
    "lapse": set(),
    "abandon": {"recorder", "engineer", "integrator"},
    "reinsert": {"recorder", "engineer", "integrator"},
    "reposition": {"recorder", "engineer", "integrator"},
    "relock": {"engineer"},
    "hold": {"recorder", "engineer", "integrator"},
    "dispose": {"engineer"},
}


@pytest.mark.parametrize("step", STEPS)
def test_each_step_wants_its_role(step: str) -> None:
    permission = machine.TRANSITIONS[step].permission
    assert (set() if permission is None else set(PERMITTED[permission])) == ROLES_BY_HAND[step]


def test_an_authorisation_clears_locked_hangers_with_stops_of_its_stage() -> None:
    site = Site(A=spring(), B=constant(), R=RIGID, C=spring(), D=spring())
    site.bring("C", "cleared")
    hangers = [site.view(mark) for mark in ("A", "B", "R", "C", "D")]
    assert [view.mark for view in machine.to_be_cleared(hangers, None)] == ["A", "B", "D"]
    assert [view.mark for view in machine.to_be_cleared(hangers, ["a", "R", "C"])] == ["A"]
    site.retired.add("D")
    assert [view.mark for view in machine.to_be_cleared([site.view("D")], None)] == []
