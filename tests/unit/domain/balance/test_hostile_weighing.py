"""Ways to a wrong answer that are shut: heights, rods that release overloads, capacities that are none."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from typing import Any

import numpy as np
import pytest

from service.domain.balance.analysis import Analysis
from service.domain.balance.answer import balance
from service.domain.balance.standing import settle
from service.domain.balance.weigh import weigh
from service.domain.checks.run import run_document_checks
from service.domain.criteria import Criteria
from service.domain.line_models.builder import build_line
from tests.lines.base import CALIBRATED_N, MARKS, base_line
from tests.lines.models import five_hanger_model, five_hanger_records, q

FREE = {"height_error_m": None, "height_uncertainty_m": None}
SPRING: dict[str, Any] = {"spring_load_n": None, "rate_n_per_m": None, "friction_n": None}


def unsurveyed(**hangers: dict[str, Any]) -> Analysis:
    """The base line without a survey: every height may be 3 mm off to either side."""
    return Analysis(replace(base_line(hangers=hangers, **FREE), surveyed=False))


# --- heights ------------------------------------------------------------------------------------------
def test_a_spring_nearer_to_its_end_than_its_height_is_known_may_reach_it() -> None:
    # Held 3 mm low the pin of H3 stands 3 mm higher: past an end that is 1 mm away.
    near = unsurveyed(H3={"travel_high_m": 0.001})
    standing = weigh(near).hangers["H3"].cold
    assert (standing.verdict, standing.end) == ("may", "upper")
    assert standing.margin_m == pytest.approx(-0.002, abs=1e-6)
    low = settle(near, "present", offsets_m={mark: -0.003 if mark == "H3" else 0.0 for mark in MARKS})
    assert low.hangers["H3"].verdict == "will"


def test_a_surveyed_height_takes_a_spring_nowhere() -> None:
    surveyed = Analysis(base_line(hangers={"H3": {"travel_high_m": 0.001}}))
    assert weigh(surveyed).hangers["H3"].cold.verdict == "will_not"


@pytest.mark.parametrize("least_mm", [3, 4, 6])
def test_what_will_not_reach_an_end_does_so_at_no_corner_of_the_heights(least_mm: int) -> None:
    kinds: dict[str, dict[str, Any]] = {
        "H2": {"kind": "variable", "rate_n_per_m": 40e3},
        "H4": {"kind": "rigid", **SPRING},
        "H3": {"travel_low_m": -1e-3 * least_mm, "travel_high_m": 1e-3 * least_mm},
    }
    line = unsurveyed(**kinds)
    verdict = weigh(line).hangers["H3"].cold.verdict
    reached = False
    for signs in product((-0.003, 0.003), repeat=len(MARKS)):
        found = settle(line, "present", offsets_m=dict(zip(MARKS, signs, strict=True)))
        reached = reached or found.hangers["H3"].verdict != "will_not"
    assert verdict == ("may" if reached else "will_not")


# --- what release puts on rods --------------------------------------------------------------------------
def light_neighbours() -> Analysis:
    """H2 and H4 are set to three quarters of their load: released they leave the rest to the rigid H3."""
    weak = {"spring_load_n": 0.75 * CALIBRATED_N}
    return Analysis(base_line(hangers={"H3": {"kind": "rigid", **SPRING}, "H2": weak, "H4": weak}))


def test_the_load_that_release_leaves_to_a_rigid_hanger_is_told_to_the_checks() -> None:
    found = weigh(light_neighbours()).hangers["H3"]
    # By the influence of a unit force at each spring on the held point of the line alone.
    line = light_neighbours()
    stiffness, load = line.line("present").stiffness, line.load_n("present")
    others = [0, 1, 3, 4]
    springs = np.array([1.0, 0.75, 0.75, 1.0]) * CALIBRATED_N
    moved = np.linalg.solve(stiffness[np.ix_(others, others)], springs + load[others])
    carried = float(stiffness[2, others] @ moved - load[2])
    assert carried > 20_120.0
    assert found.released_load_n == pytest.approx((carried, carried))
    assert found.locked_load_n is not None
    assert found.locked_load_n[1] < 20_120.0


def test_rods_that_hold_the_locked_line_and_not_the_released_one_fail() -> None:
    record = {**five_hanger_records()["H3"], "kind": "rigid"}
    rows = run_document_checks(record, Criteria(), groups=["balance"], weighing=weigh(light_neighbours()))
    found = {row["rule"]: row["status"] for row in rows}
    assert found["rod-load-balance"] == "pass"
    assert found["rod-load-released-balance"] == "fail"


def test_a_released_load_is_not_known_where_a_friction_is_not() -> None:
    line = Analysis(base_line(hangers={"H2": {"friction_n": None}, "H3": {"kind": "rigid", **SPRING}}))
    assert weigh(line).hangers["H3"].released_load_n is None


# --- capacities -----------------------------------------------------------------------------------------
@pytest.mark.parametrize("hardware_kn", [30, 40])
def test_an_assembly_that_holds_no_more_than_its_own_hardware_is_exceeded_by_any_load(
    hardware_kn: float,
) -> None:
    records = five_hanger_records(hardware_weight=q(hardware_kn, "kN"))
    built = build_line(five_hanger_model(), records)
    assert all((hanger.locked_capacity_n or 0.0) > 0.0 for hanger in built.hangers)
    found = balance(Analysis(built), {})["hangers"][0]["capacities"]["locked_now"]
    assert found["verdict"] == "exceeds"
    assert found["utilisation"]["value"] > 100.0


def uneven_records() -> dict[str, Any]:
    """Trapezes of two supports that are alike, with 70 and 30 % of the load on their rods."""
    half = q(CALIBRATED_N / 2.0, "N")
    records = five_hanger_records(
        calibrated_load=half,
        locked_position={"reading": q(0, "mm"), "load": half},
        stop_capacity_up=q(300, "N"),
        stop_capacity_down=q(300, "N"),
    )
    shares = [{"stops": 1, "load_share": q(70, "%")}, {"stops": 1, "load_share": q(30, "%")}]
    return {mark: {**record, "assemblies": shares} for mark, record in records.items()}


@pytest.mark.parametrize(
    ("rule", "assembly", "status"),
    [
        ("stop-force-down-balance", 1, "fail"),
        ("stop-force-down-balance", 2, "pass"),
        ("stop-force-up-balance", 1, "pass"),
        ("stop-force-up-balance", 2, "fail"),
        ("stop-force-test-balance", 1, "fail"),
    ],
)
def test_stops_hold_what_uneven_rods_take_off_springs_that_are_alike(
    rule: str, assembly: int, status: str
) -> None:
    records = uneven_records()
    weighed = weigh(Analysis(build_line(five_hanger_model(), records)))
    rows = run_document_checks(records["H3"], Criteria(), groups=["balance"], weighing=weighed)
    (row,) = [row for row in rows if (row["rule"], row["assembly"]) == (rule, assembly)]
    assert row["status"] == status
    # 0.7 of the load on one rod, half of it pushed by its spring.
    force = 0.2 * CALIBRATED_N / 1000.0 if status == "fail" else 0.0
    assert row["found"]["value"] == pytest.approx(force, rel=1e-4, abs=1e-4)


def test_the_answer_sees_the_same_stops_exceeded() -> None:
    built = build_line(five_hanger_model(), uneven_records())
    found = balance(Analysis(built), {"friction": q(0, "%")})["hangers"][2]["capacities"]["stop_now"]
    assert found["capacity"]["value"] < 0.3


# --- weight that comes after release ----------------------------------------------------------------------
def test_where_springs_stand_cold_with_all_weight_on_is_told_where_weight_is_missing() -> None:
    rated = {"kind": "variable", "rate_n_per_m": 20e3}
    bare = Analysis(base_line(bare_spans=(3, 4), hangers=dict.fromkeys(MARKS, rated)))
    found = weigh(bare).hangers["H3"]
    full = weigh(Analysis(base_line(hangers=dict.fromkeys(MARKS, rated)))).hangers["H3"]
    assert full.complete is None
    assert found.complete is not None
    assert found.complete.position_m == pytest.approx(full.cold.position_m)
    assert found.cold.position_m is not None
    assert found.cold.position_m > found.complete.position_m + 1e-3


# --- movement of a line that springs alone hold ---------------------------------------------------------
def held_by_springs(*unknown: str) -> Analysis:
    """The base line without anchors: guides keep it in place, five springs alone its height."""
    model = five_hanger_model(
        anchors=[],
        guides=[
            {"id": "g1", "node": "A", "directions": ["x", "y"], "rotations": ["x", "z"]},
            {"id": "g2", "node": "B", "directions": ["y"]},
        ],
    )
    records = five_hanger_records(spring_rate=q(50, "N/mm"))
    for mark, record in records.items():
        record["kind"] = "variable"
        if mark in unknown:
            del record["design"]["spring_rate"]
    return Analysis(build_line(model, records))


def test_a_rate_that_is_not_stated_is_no_rate_of_nothing() -> None:
    assert weigh(held_by_springs()).hangers["H1"].thermal_movement_m == pytest.approx(0.0, abs=1e-9)
    unsaid = weigh(held_by_springs("H3"))
    assert {hanger.thermal_movement_m for hanger in unsaid.hangers.values()} == {None}
    assert "thermal_movement" in unsaid.unsaid


# --- large lines ----------------------------------------------------------------------------------------
def test_how_far_an_end_would_be_passed_is_not_reckoned_for_a_line_of_many_hangers(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    bare = base_line(bare_spans=(3,))
    few = weigh(Analysis(bare)).hangers["H3"].cold
    monkeypatch.setattr("service.domain.balance.standing.MOST_FOLLOWED", 4)
    many = weigh(Analysis(bare)).hangers["H3"].cold
    assert (few.verdict, few.end) == ("will", "upper") == (many.verdict, many.end)
    assert few.margin_m is not None
    assert many.margin_m is None
