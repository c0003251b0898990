"""A hanger that was locked again stands where its stops were put back, not where its drawing says."""

from __future__ import annotations

from typing import Any

import pytest

from service.domain.balance.analysis import Analysis
from service.domain.balance.weigh import weigh
from service.domain.line_models.builder import build_line
from service.domain.line_models.known import known_line
from tests.lines.base import CALIBRATED_N, base_line
from tests.lines.models import five_hanger_model, five_hanger_records, q
from tests.unit.domain.release.support import ENGINEER, Site, spring, trapeze

NO_MODEL: dict[str, Any] = {}


def relocked(**records: Any) -> Site:
    """Hanger A, released cold at 80 mm and locked again there."""
    site = Site(**records)
    site.bring("A", "released")
    site.made("A", "relock", "locked", by=ENGINEER, role="engineer")
    assert site.view("A").status["cycle"] == 2
    return site


def test_a_hanger_of_its_first_cycle_stands_where_its_record_says() -> None:
    site = Site(A=spring(), B=spring())
    site.read_cold("A", 77)
    assert known_line(site.line(), NO_MODEL).locked_readings == {}


def test_where_a_hanger_was_locked_again_is_known_when_it_was_read_since() -> None:
    site = relocked(A=spring())
    assert known_line(site.line(), NO_MODEL).locked_readings == {"a": None}
    site.read_cold("A", 93)
    assert known_line(site.line(), NO_MODEL).locked_readings == {"a": pytest.approx(0.093)}


def test_every_assembly_is_read() -> None:
    site = relocked(A=trapeze())
    site.read("A", "cold", 90, 1)
    assert known_line(site.line(), NO_MODEL).locked_readings == {"a": None}
    site.read("A", "cold", 96, 2)
    assert known_line(site.line(), NO_MODEL).locked_readings == {"a": pytest.approx(0.093)}


def test_a_hanger_that_is_out_again_is_locked_nowhere() -> None:
    site = relocked(A=spring())
    site.bring("A", "stops_out")
    assert known_line(site.line(), NO_MODEL).locked_readings == {}


def test_locked_loads_are_not_said_until_the_indicator_is_read() -> None:
    built = build_line(five_hanger_model(), five_hanger_records(), locked_readings={"h3": None})
    weighed = weigh(Analysis(built))
    assert {hanger.locked_load_n for hanger in weighed.hangers.values()} == {None}
    assert {hanger.locked_test_load_n for hanger in weighed.hangers.values()} == {None}
    assert "locked again" in weighed.unsaid["locked"]
    # With every stop out it does not matter where they were.
    assert {hanger.cold.verdict for hanger in weighed.hangers.values()} == {"will_not"}


@pytest.mark.parametrize("rises", [True, False])
def test_the_line_is_locked_where_the_reading_says(rises: bool) -> None:
    """Locked 5 mm up without play, H3 carries what a pick-up height of 5 mm would give it."""
    records = five_hanger_records()
    for record in records.values():
        record["stop"] = {**record["stop"], "slot_clearance": q(0, "mm")}
        record["indicator"] = {
            **record["indicator"],
            "span": {"low": q(-100, "mm"), "high": q(100, "mm")},
            "rises_when_pipe": "rises" if rises else "falls",
        }
        record["design"] = {**record["design"], "total_travel": q(200, "mm")}
    reading = 0.005 if rises else -0.005
    built = build_line(five_hanger_model(), records, locked_readings={"H3": reading})
    found = weigh(Analysis(built)).hangers["H3"]
    none = {"slot_clearance_m": 0.0}
    high = base_line(hangers={"H3": {**none, "height_error_m": 0.005}}, **none)
    expected = weigh(Analysis(high)).hangers["H3"]
    assert expected.locked_load_n is not None
    assert expected.locked_load_n[0] > 1.2 * CALIBRATED_N
    # The two lines differ by shear deformation alone.
    assert found.locked_load_n == pytest.approx(expected.locked_load_n, rel=0.02)
