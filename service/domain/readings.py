"""Readings at the door: refused when they cannot be, flagged when they are hard to believe."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from service.domain.criteria import Criteria
from service.domain.instants import parse_instant
from service.domain.views import HangerView
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
    tolerance_m = 1e-9 * max(abs(low_m), abs(high_m))
    if low_m - tolerance_m <= quantity_to_si(position, Dimension.LENGTH) <= high_m + tolerance_m:
        return
    detail = "the position lies outside the indicator's span"
    raise OutOfRange(
        f"{view.mark}: {detail}.",
        errors=[Finding("body", "within-the-span", detail, "/position", accepted=dict(span))],
    )


def reading_flags(
    view: HangerView, document: Mapping[str, Any], criteria: Criteria, occurred_at: datetime
) -> list[str]:
    """Codes of what makes a reading doubtful; the reading is kept, and people look again.

    `before-cycle`: it happened before the present cycle began, and feeds no guard of it.
    `jump`: in the same condition and state, without a turn between, the position differs from the
    last one by more than both criteria reading_jump_least and reading_jump_share of the total travel.
    `not-legible`: the scale could not be read. Source: common practice, no source.
    """
    flags = []
    started = view.status["cycle_started_at"]
    if started is not None and occurred_at < parse_instant(started):
        flags.append("before-cycle")
    if document.get("legible") is False:
        flags.append("not-legible")
    if _jumps(view, document, criteria):
        flags.append("jump")
    return flags


def _jumps(view: HangerView, document: Mapping[str, Any], criteria: Criteria) -> bool:
    assembly = document["assembly"]
    last = view.facts.get(f"assembly/{assembly}/reading/{document['condition']}")
    position = document.get("position")
    if last is None or position is None or last.value.get("position") is None:
        return False
    if last.value.get("release_state") != view.state:
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
    return moved_m > limit_m * (1 + 1e-9)
