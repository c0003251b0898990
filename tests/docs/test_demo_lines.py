"""The two lines of the invented plant that are weighed: each tells the story that it is there for."""

from __future__ import annotations

import copy
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from service.application import acts, balance
from service.application.context import Context
from service.demo import fill
from service.demo.models import BARE_SEGMENTS, line_model
from service.demo.records import PLANT, WEIGHED_LINES, hanger_record, line_record, supports_of
from service.demo.tour import curl, stops
from service.domain import readiness
from service.domain.access import Principal
from service.domain.balance.analysis import Analysis
from service.domain.balance.weigh import weigh
from service.domain.criteria import Criteria
from service.domain.line_models.builder import build_line
from service.domain.line_models.built import BuiltLine
from service.domain.release_orders import release_order
from service.persistence.migrate import migrate
from service.persistence.store import open_store
from tests.application.site import fits, settings_of

GRAVITY = 9.80665
BARE = {segment.casefold(): {"insulation": 0.0, "jacketing": 0.0} for segment in BARE_SEGMENTS}


def built(line: str, present: dict[str, Any] | None = None, model: dict[str, Any] | None = None) -> BuiltLine:
    records = {support.mark: hanger_record(support) for support in supports_of(line)}
    return build_line(model or line_model(line), records, present=present)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("demo-lines")
    migrate(settings_of(made))
    fill(settings_of(made))
    return made


def context(folder: Path, role: str = "engineer") -> Context:
    principal = Principal("pr_test", "person", role, "tk_test")
    return Context(open_store(settings_of(folder)), datetime.now(UTC), str, principal, "rq")


def blockers(folder: Path, line: str) -> dict[str, str]:
    """Code and subject of each blocker of release, with its words."""
    from service.application.weighings import weighing_of

    with context(folder).store.read(PLANT) as reader:
        view = reader.line_view(line)
        assert view is not None
        found = readiness.blockers(
            view,
            "release",
            Criteria.from_document(None),
            at=datetime.now(UTC),
            weighing=weighing_of(reader, view),
        )
    return {f"{lack.code} {lack.subject}": lack.detail for lack in found}


@pytest.mark.parametrize("line", WEIGHED_LINES)
def test_records_and_models_fit_their_schemas(line: str) -> None:
    fits("line-model", line_model(line))
    fits("line-record", line_record(line))
    for support in supports_of(line):
        fits("hanger-record", hanger_record(support))


def test_the_lines_weigh_what_their_figures_give_by_hand() -> None:
    """Length times kilograms a metre, within 1 %.

    CR-40: NPS 16 schedule 40 (406.4 x 12.70 mm), 123.3 kg/m; insulation pi (0.4064 + 0.110) 0.110 m2 at
    180 kg/m3, 32.1 kg/m; jacketing pi 0.6264 m at 2.16 kg/m2 and 8 % more, 4.6 kg/m. Riser 5.4 m, two bends
    of 0.942 m, 37.8 m along x, 15.4 m along y. Valve 300 kg.

    BP-50: NPS 12 schedule 80 (323.8 x 17.48 mm), 132.1 kg/m; insulation pi (0.3238 + 0.120) 0.120 m2 at
    240 kg/m3, 40.2 kg/m; jacketing pi 0.5638 m likewise, 4.1 kg/m. Riser 3.5 m, two bends of 0.785 m, 27.0 m
    along x, 20.5 m along y.
    """
    by_hand = {
        "CR-40": (123.3 + 32.1 + 4.6) * (5.4 + 2 * 0.942 + 37.8 + 15.4) + 300.0,
        "BP-50": (132.1 + 40.2 + 4.1) * (3.5 + 2 * 0.785 + 27.0 + 20.5),
    }
    for line, kilograms in by_hand.items():
        found = sum(item.weight_n["cold"] for item in built(line).items) / GRAVITY
        assert found == pytest.approx(kilograms, rel=0.01)


# --- the line that is light ---------------------------------------------------------------------------
def test_bare_spans_would_let_a_hanger_run_out_of_travel_and_insulated_ones_do_not() -> None:
    bare = weigh(Analysis(built("CR-40", {"segments": BARE})))
    whole = weigh(Analysis(built("CR-40")))
    assert (bare.hangers["CR-40-03"].cold.verdict, bare.hangers["CR-40-03"].cold.end) == ("will", "upper")
    assert {hanger.cold.verdict for hanger in whole.hangers.values()} == {"will_not"}
    assert {hanger.hot.verdict for hanger in (*whole.hangers.values(), *bare.hangers.values())} == {
        "will_not"
    }
    # 27 m without 36.7 kg/m of insulation and jacketing.
    missing = sum(each.weight_n for each in bare.missing_weights)
    assert missing == pytest.approx(27.0 * 36.7 * GRAVITY, rel=0.01)
    assert whole.missing_weights == ()


def test_its_springs_are_set_for_what_the_hot_line_weighs_on_them() -> None:
    found, expected = weigh(Analysis(built("CR-40"))).design_sum_n or (0.0, 1.0)
    assert found == pytest.approx(expected, rel=0.005)


def test_readiness_says_so_until_the_insulation_is_on(folder: Path) -> None:
    before = blockers(folder, "CR-40")
    assert set(before) == {
        "insulation-incomplete line/CR-40",
        "jacketing-incomplete line/CR-40",
        "end-of-travel hanger/CR-40-03/check/end-of-travel-cold",
        "end-of-travel hanger/CR-40-04/check/end-of-travel-cold",
    }
    said = before["end-of-travel hanger/CR-40-03/check/end-of-travel-cold"]
    assert said.endswith("released now, CR-40-03 will go to its upper end of travel.")
    now = datetime.now(UTC)
    document = {
        "occurred_at": (now - timedelta(minutes=1)).isoformat(),
        "insulation": "complete",
        "jacketing": "complete",
        "segments_present": [
            {"segment": segment, "insulation": 1, "jacketing": 1} for segment in BARE_SEGMENTS
        ],
        "welds": "complete",
        "rigid_supports": "complete",
        "temporary_supports": 0,
        "pressure_test": "done",
        "chemical_clean": "not_required",
        "contents": "empty",
        "line_temperature": {"value": 21, "unit": "degC"},
        "connected_lines": "anchored_off",
    }
    acts.inspect_line(context(folder), PLANT, "CR-40", document)
    assert blockers(folder, "CR-40") == {}


# --- the line that is heavy ---------------------------------------------------------------------------
def test_the_insulation_as_laid_makes_the_line_four_per_cent_heavier_than_its_springs_were_set_for() -> None:
    lighter = copy.deepcopy(line_model("BP-50"))
    lighter["insulations"][0]["density"]["value"] = 200
    weights = [
        sum(item.weight_n["cold"] for item in line.items)
        for line in (built("BP-50"), built("BP-50", model=lighter))
    ]
    assert weights[0] / weights[1] == pytest.approx(1.04, abs=0.002)
    found, expected = weigh(Analysis(built("BP-50", model=lighter))).design_sum_n or (0.0, 1.0)
    assert found == pytest.approx(expected, rel=0.005)


def test_it_is_ready_and_no_hanger_runs_out_of_travel(folder: Path) -> None:
    assert blockers(folder, "BP-50") == {}
    weighed = weigh(Analysis(built("BP-50")))
    assert {each.verdict for hanger in weighed.hangers.values() for each in (hanger.cold, hanger.hot)} == {
        "will_not"
    }


def test_the_record_order_overloads_a_stop_and_the_computed_order_does_not() -> None:
    marks = [support.mark for support in supports_of("BP-50")]
    answer = release_order(Analysis(built("BP-50")), {"given_order": marks})
    rows = {row["name"]: row for row in answer["comparison"]}
    assert answer["status"] == "offered"
    assert rows["record"]["order"] == [[mark] for mark in marks]
    assert min(rows["record"]["utilisation"], rows["record"]["simulated"]) > 1.1
    assert rows["record"]["mark"] == "BP-50-05"
    assert rows["record"]["cause"].startswith("stop")
    assert answer["peak"]["utilisation"] < 0.8
    assert answer["guarantee"]["search"] == "exact"


# --- shown --------------------------------------------------------------------------------------------
def test_the_drawings_say_the_same(folder: Path) -> None:
    light = ElementTree.fromstring(balance.line_elevation(context(folder, "reader"), PLANT, "CR-40"))
    assert (light[0].text, light.get("role")) == ("Elevation of line CR-40", "img")
    for line in WEIGHED_LINES:
        root = ElementTree.fromstring(balance.line_elevation(context(folder, "reader"), PLANT, line))
        words = [text for text in root.itertext() if text]
        assert {support.mark for support in supports_of(line)} <= set(words)


def test_the_tour_tells_both_stories() -> None:
    told = [stop for stop in stops(datetime.now(UTC)) if any(line in stop.path for line in WEIGHED_LINES)]
    base = f"/v1/plants/{PLANT}/lines"
    assert [(stop.method, stop.path) for stop in told] == [
        ("GET", f"{base}/CR-40/readiness?for=release"),
        ("POST", f"{base}/CR-40/balance"),
        ("POST", f"{base}/BP-50/release-order"),
        ("GET", f"{base}/BP-50/balance.svg"),
    ]
    asked = {stop.path.rsplit("/", 1)[1]: stop.body for stop in told if stop.body is not None}
    fits("balance-request", asked["balance"])
    fits("release-order-request", asked["release-order"])
    assert curl(told[-1], "http://x").endswith(
        "-o BP-50.svg 'http://x/v1/plants/demo/lines/BP-50/balance.svg'"
    )


def test_the_tour_asks_what_the_story_of_the_insulation_answers(folder: Path) -> None:
    (stop,) = [stop for stop in stops(datetime.now(UTC)) if stop.path.endswith("CR-40/balance")]
    assert stop.body is not None
    answer = balance.line_balance(context(folder, "reader"), PLANT, "CR-40", stop.body)
    verdicts = {row["mark"]: row["standing"]["released_cold"]["verdict"] for row in answer["hangers"]}
    assert set(verdicts.values()) == {"will_not"}
