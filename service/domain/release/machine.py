"""The machine: which step leads from which release state to which, as one table.

Rows are steps, columns the states that they start from. `back` is a disposition: to where the hanger
was held, or to `locked`. A rigid hanger has no stop and takes no step. Nothing here puts force on a
stop: a stop that is not free by hand has no step that would take it out.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from service.domain.views import HangerView

TABLE: Final = """
            locked   cleared  easing     stops_out    positioning  released     proved       on_hold
clear       cleared  -        -          -            -            -            -            -
ease        -        easing   -          -            -            -            -            -
withdraw    -        -        stops_out  -            -            -            -            -
position    -        -        -          positioning  -            -            -            -
confirm     -        -        -          -            released     -            -            -
prove       -        -        -          -            -            proved       -            -
lapse       -        locked   -          -            -            -            -            -
abandon     -        -        locked     -            -            -            -            -
reinsert    -        -        -          locked       locked       -            -            -
reposition  -        -        -          -            -            positioning  positioning  -
relock      -        -        -          -            -            locked       locked       -
hold        on_hold  on_hold  on_hold    on_hold      on_hold      on_hold      on_hold      -
dispose     -        -        -          -            -            -            -            back
"""

# Step -> act of service.domain.access that its role must permit; None: only the service itself.
_PERMISSION: Final[Mapping[str, str | None]] = {
    "clear": "authorise",
    "ease": "record_acts",
    "withdraw": "record_acts",
    "position": "record_acts",
    "confirm": "record_acts",
    "prove": "prove",
    "lapse": None,
    "abandon": "record_acts",
    "reinsert": "record_acts",
    "reposition": "record_acts",
    "relock": "relock",
    "hold": "record_acts",
    "dispose": "dispose",
}


@dataclass(frozen=True)
class Transition:
    """One step. targets: state to state. permission: act that the role must permit, None for no role."""

    name: str
    targets: Mapping[str, str]
    permission: str | None


def _read(table: str) -> dict[str, Transition]:
    head, *rows = (line.split() for line in table.strip().splitlines())
    transitions = {}
    for name, *cells in rows:
        targets = {state: cell for state, cell in zip(head, cells, strict=True) if cell != "-"}
        transitions[name] = Transition(name, targets, _PERMISSION[name])
    return transitions


TRANSITIONS: Final[Mapping[str, Transition]] = _read(TABLE)
STATES: Final = tuple(TABLE.split("\n")[1].split())


def possible(state: str, kind: str) -> tuple[str, ...]:
    """Steps that somebody may ask for from a state, in the order of the table.

    Args:
        state: release state
        kind: variable, constant or rigid

    Returns:
        names of steps; none for a rigid hanger. `clear` is asked for through the line's authorisation.
    """
    if kind == "rigid":
        return ()
    return tuple(
        name
        for name, transition in TRANSITIONS.items()
        if state in transition.targets and transition.permission is not None
    )


def target(state: str, name: str, status: Mapping[str, Any], act: Mapping[str, Any]) -> str | None:
    """State that a step leads to.

    Args:
        state: release state now
        name: the step
        status: value of the release status, for where the hanger was held
        act: document of the act, for what a disposition says

    Returns:
        the state, or None when the step does not start from here
    """
    cell = TRANSITIONS[name].targets.get(state)
    if cell != "back":
        return cell
    return "locked" if act.get("to") == "locked" else str(status["held_from"])


def to_be_cleared(hangers: Iterable[HangerView], stage: Sequence[str] | None) -> tuple[HangerView, ...]:
    """Hangers that an authorisation of their line clears.

    Args:
        hangers: hangers of the line
        stage: marks of the stage, compared ignoring letter case; None for the whole line

    Returns:
        those that have a stop, stand locked, are not retired and belong to the stage
    """
    return tuple(
        hanger
        for hanger in hangers
        if hanger.kind != "rigid"
        and hanger.state == "locked"
        and not hanger.retired
        and in_stage(hanger, stage)
    )


def in_stage(hanger: HangerView, stage: Sequence[str] | None) -> bool:
    """Whether a hanger belongs to a stage; None is the whole line."""
    return stage is None or hanger.mark.casefold() in {mark.casefold() for mark in stage}
