"""Readings at the door, judged on a view alone: the indicator's span, and jumps."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from service.domain.criteria import Criteria
from service.domain.facts import Fact
from service.domain.readings import reading_flags, refuse_reading
from service.domain.views import HangerView
from service.errors import OutOfRange

AT = datetime(2026, 5, 5, 8, 0, tzinfo=UTC)


def q(value: float, unit: str = "mm") -> dict[str, Any]:
    return {"value": value, "unit": unit}


def hanger(position_mm: float | None = None, **record: Any) -> HangerView:
    """A released hanger, last read at a position."""
    facts = {}
    if position_mm is not None:
        value = {"position": q(position_mm), "release_state": "released"}
        facts["assembly/1/reading/cold"] = Fact(value, 5, 5, "2026-05-05T07:00:00Z", "pr_a")
    return HangerView("A", "L", "constant", {"mark": "A", "line": "L", **record}, 1, 0, facts)


def flags(view: HangerView, position: dict[str, Any]) -> list[str]:
    document = {"assembly": 1, "condition": "cold", "position": position}
    return reading_flags(view, document, Criteria(), AT, "released")


@pytest.mark.parametrize(("moved_mm", "expected"), [(10, []), (10.1, ["jump"]), (-10, []), (-10.1, ["jump"])])
def test_without_a_total_travel_the_least_jump_alone_counts(moved_mm: float, expected: list[str]) -> None:
    # Criteria's default: 10 mm, or a quarter of the total travel where that is more.
    assert flags(hanger(50), q(50 + moved_mm)) == expected


@pytest.mark.parametrize(("moved_mm", "expected"), [(35, []), (35.1, ["jump"])])
def test_with_a_total_travel_its_share_counts(moved_mm: float, expected: list[str]) -> None:
    assert flags(hanger(50, design={"total_travel": q(140)}), q(50 + moved_mm)) == expected


def test_a_jump_met_exactly_in_another_unit_is_none() -> None:
    assert flags(hanger(50), q((50 + 10) / 25.4, "in")) == []


@pytest.mark.parametrize(
    ("position", "inside"),
    [(q(0), True), (q(200), True), (q(200 / 25.4, "in"), True), (q(-0.1), False), (q(200.1), False)],
)
def test_a_position_is_within_the_span_ends_included(position: dict[str, Any], inside: bool) -> None:
    view = hanger(indicator={"span": {"low": q(0), "high": q(200)}})
    if inside:
        refuse_reading(view, {"position": position})
        return
    with pytest.raises(OutOfRange) as refused:
        refuse_reading(view, {"position": position})
    assert refused.value.errors[0].pointer == "/position"


def test_without_a_span_no_position_is_refused() -> None:
    refuse_reading(hanger(), {"position": q(9999)})
