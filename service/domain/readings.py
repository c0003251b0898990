"""Readings at the door: refused when they cannot be, flagged when they are hard to believe."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any

from service.domain.criteria import Criteria
from service.domain.events import Event
from service.domain.instants import parse_instant
from service.domain.views import HangerView
from service.engineering.comparison import at_least, at_most
from service.errors import Finding, OutOfRange
from service.units import Dimension, quantity_to_si


def refuse_reading(view: HangerView, document: Mapping[str, Any]) -> None:
    """Refuse a position outside the indicator's span: no indicator can show it.

    Without a span on the record nothing is refused. Errors: OutOfRange with the span that is accepted.
    """
    position = document.get("position")
    span = view.record.get("indicator", {}).get("span")
    if position is None or span is None:
        return
    low_m = quantity_to_si(span["low"], Dimension.LENGTH)
    high_m = quantity_to_si(span["high"], Dimension.LENGTH)
    position_m = quantity_to_si(position, Dimension.LENGTH)
    if at_least(position_m, low_m, scale=high_m) and at_most(position_m, high_m, scale=low_m):
        return
    detail = "the position lies outside the indicator's span"
    raise OutOfRange(
        f"{view.mark}: {detail}.",
        errors=[Finding("body", "within-the-span", detail, "/position", accepted=dict(span))],
    )


def state_at(view: HangerView, history: Callable[[], Sequence[Event]], moment: datetime) -> str:
    """Release state in which a hanger stood at a moment, which a reading entered late has to bear.

    A reading taken with the stop in proves nothing, whenever it is written down.

    Args:
        view: the hanger as it stands
        history: gives every event of the hanger in order; called only where the moment lies before
            the hanger's last step
        moment: when the reading was taken

    Returns:
        state after the last step that was not later; `locked` before the first
    """
    status = view.facts.get("status")
    if status is None or parse_instant(status.occurred_at) <= moment:
        return view.state
    state = "locked"
    for event in history():
        if event.type == "transition-made" and parse_instant(event.occurred_at) <= moment:
            state = str(event.data["to"])
    return state


def reading_flags(
    view: HangerView, document: Mapping[str, Any], criteria: Criteria, occurred_at: datetime, state: str
) -> list[str]:
    """Codes of what makes a reading doubtful; the reading is kept, and people look again.

    `before-cycle`: it happened before the present cycle began, and feeds no guard of it.
    `jump`: in the same condition and state, without a turn between, the position differs from the
    last one by more than both criteria reading_jump_least and reading_jump_share of the total travel.
    `not-legible`: the scale could not be read. Source: common practice, no source.

    Args:
        view: the hanger before the reading
        document: the reading
        criteria: the plant's limits
        occurred_at: when it was taken
        state: release state of the hanger then
    """
    flags = []
    started = view.status["cycle_started_at"]
    if started is not None and occurred_at < parse_instant(started):
        flags.append("before-cycle")
    if document.get("legible") is False:
        flags.append("not-legible")
    if _jumps(view, document, criteria, state):
        flags.append("jump")
    return flags


def _jumps(view: HangerView, document: Mapping[str, Any], criteria: Criteria, state: str) -> bool:
    assembly = document["assembly"]
    last = view.facts.get(f"assembly/{assembly}/reading/{document['condition']}")
    position = document.get("position")
    if last is None or position is None or last.value.get("position") is None:
        return False
    if last.value.get("release_state") != state:
        return False
    if last.shown_by == document.get("corrects"):
        # What is corrected was wrong: nothing follows from how far off it was.
        return False
    ledger = view.facts.get(f"assembly/{assembly}/ledger")
    if ledger is not None and ledger.sequence > last.sequence:
        return False
    moved_m = abs(
        quantity_to_si(position, Dimension.LENGTH) - quantity_to_si(last.value["position"], Dimension.LENGTH)
    )
    limit_m = float(criteria["reading_jump_least"].value_si)
    travel = view.record.get("design", {}).get("total_travel")
    if travel is not None:
        share = float(criteria["reading_jump_share"].value_si)
        limit_m = max(limit_m, share * quantity_to_si(travel, Dimension.LENGTH))
    return not at_most(moved_m, limit_m)
