"""Lines of many hangers: bounds without a search, and no answer that would take minutes."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from service.domain.balance.analysis import Analysis
from service.domain.field_estimates.estimate import MOST_HANGERS, field_estimate
from service.domain.line_models.built import BuiltLine, SegmentPlace, WeighedItem
from service.domain.release_orders.order import release_order
from service.domain.release_orders.words import CAUTIONS
from service.errors import OutOfRange
from tests.docs.test_schemas import SCHEMAS, independent
from tests.lines.base import FULL_N_PER_M, SPAN_M, base_line, straight_frame, weight_case

CASES = ("cold", "present", "hot", "test")


def long_line(hangers: int) -> BuiltLine:
    """The straight line of the worked cases with more spans; heights not surveyed."""
    frame = straight_frame(hangers + 1)
    pattern = replace(
        base_line().hangers[0], height_error_m=None, height_uncertainty_m=None, friction_n=300.0
    )
    marks = [f"H{place + 1}" for place in range(hangers)]
    items, units, segments = [], [], {}
    for span in range(hangers + 1):
        places = range(span * 9, span * 9 + 9)
        segments[f"S{span + 1}"] = SegmentPlace(tuple(places), (), (*places, span * 9 + 9), SPAN_M)
        weights = dict.fromkeys(CASES, FULL_N_PER_M * SPAN_M)
        centre = ((span + 0.5) * SPAN_M, 0.0, 0.0)
        items.append(WeighedItem(f"S{span + 1}", "segment", "pipe", weights, 1.0, centre))
        unit = frame.no_load()
        unit.straight_n_per_m[list(places), 2] = -FULL_N_PER_M
        units.append(unit)
    case: Any = dict.fromkeys(CASES, weight_case(frame))
    frames: Any = dict.fromkeys(CASES, frame)
    supports = tuple(replace(pattern, mark=mark, node=mark) for mark in marks)
    nodes = {mark: 9 * (place + 1) for place, mark in enumerate(marks)}
    return BuiltLine(frames, case, supports, tuple(items), tuple(units), nodes, segments, frame.no_load())


def seen(mark: str, face: str) -> dict[str, Any]:
    return {
        "id": f"look-{mark}",
        "kind": "bearing_face",
        "mark": mark,
        "bearing_face": face,
        "pin_moves_down_when": "rod_tension_rises",
        "stops_out": [],
        "net_turns": [],
    }


def test_a_line_of_thirteen_hangers_is_bounded_and_says_that_bounds_may_be_wide() -> None:
    analysis = Analysis(long_line(13))
    document = field_estimate(analysis, {"observations": [seen("H3", "none"), seen("H7", "none")]})
    assert (document["status"], document["intervals"]) == ("estimated", "wide")
    # The line as drawn agrees with both looks: no misfit at all lies inside every interval.
    for row in document["misfit"]:
        assert row["after"]["low"]["value"] <= 1e-6
        assert row["after"]["high"]["value"] >= -1e-6
        assert row["after"]["low"]["value"] >= row["before"]["low"]["value"] - 1e-6


def test_a_line_of_more_hangers_than_can_be_answered_in_time_is_refused() -> None:
    with pytest.raises(OutOfRange) as refused:
        field_estimate(Analysis(long_line(MOST_HANGERS + 1)), {"observations": []})
    assert refused.value.facts == {"hangers": 25, "most": 24}


def test_an_order_of_release_has_a_greatest_length_too() -> None:
    with pytest.raises(OutOfRange) as refused:
        release_order(Analysis(long_line(101)), {})
    assert refused.value.facts == {"hangers": 101, "most": 100}


def test_a_long_line_that_gets_no_order_is_not_searched_for_the_least_bad_one() -> None:
    line = long_line(16)
    light = weight_case(straight_frame(17), factor=0.9)
    surveyed = tuple(replace(each, height_error_m=0.0, friction_n=0.0) for each in line.hangers)
    line = replace(line, cases={**line.cases, "present": light}, hangers=surveyed)
    document = release_order(Analysis(line), {"given_order": [f"H{place}" for place in range(16, 0, -1)]})
    assert (document["status"], document["order"], document["steps"]) == ("final_state_unsafe", None, [])
    assert document["least_bad"]["order"] == [[f"H{place}"] for place in range(16, 0, -1)]
    assert "least-bad-not-searched" in {each["code"] for each in document["cautions"]}
    independent("release-order.schema.json").validate(document)


def test_the_schema_knows_every_caution_of_an_order() -> None:
    coded = SCHEMAS["release-order.schema.json"]["$defs"]["coded"]["properties"]["code"]["enum"]
    assert set(coded) == set(CAUTIONS)


def test_an_order_that_takes_nuts_back_to_zero_says_so_where_some_stand_elsewhere() -> None:
    line = base_line(hangers={"H2": {"net_turns": 0.5}})
    codes = {each["code"] for each in release_order(Analysis(line), {})["cautions"]}
    assert "nuts-off-zero" in codes
    assert "nuts-off-zero" not in {
        each["code"] for each in release_order(Analysis(base_line()), {})["cautions"]
    }
