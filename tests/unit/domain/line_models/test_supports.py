"""Hangers as the line feels them, from their records, against hand calculation."""

from __future__ import annotations

import copy
import math
from typing import Any

import pytest

from service.domain.criteria import Criteria
from service.domain.line_models.built import SupportedHanger
from service.domain.line_models.supports import supported_hanger
from tests.lines.models import Document, five_hanger_records, q, travel_stop

ENTRY: Document = {"mark": "H", "node": "N"}

# A trapeze of two variable springs: hot 20 kN at the pipe and 1 kN of hardware, 50 N/mm each, 40 mm up.
TRAPEZE: Document = {
    "line": "L-1",
    "mark": "H",
    "kind": "variable",
    "acts_from": "above",
    "line_of_action": "vertical",
    "assemblies": [{"stops": 1}, {"stops": 1}],
    "design": {
        "operating_load": q(20, "kN"),
        "hardware_weight": q(1, "kN"),
        "vertical_movement": q(40, "mm"),
        "installed_load": q(12.5, "kN"),
        "spring_rate": q(50, "N/mm"),
        "working_range": {"minimum_load": q(6, "kN"), "maximum_load": q(16, "kN")},
        "total_travel": q(200, "mm"),
        "friction": q(2, "%"),
        "locked_position": {"reading": q(80, "mm"), "load": q(12.5, "kN")},
        "locked_assembly_capacity": q(30, "kN"),
        "stop_capacity_up": q(8, "kN"),
        "stop_capacity_down": q(9, "kN"),
        "steel_stiffness": q(20, "kN/mm"),
    },
    "indicator": {
        "span": {"low": q(0, "mm"), "high": q(200, "mm")},
        "rises_when_pipe": "rises",
        "expected_released_cold": q(95, "mm"),
        "cold_mark": q(80, "mm"),
        "hot_mark": q(120, "mm"),
    },
    "rod": {
        "thread": "M24",
        "length_between_pins": q(2, "m"),
        "number": 1,
        "allowable_stress": q(62.05, "MPa"),
        "yield_strength": q(248, "MPa"),
        "stress_basis": "by hand",
    },
    "adjuster": {
        "form": "turnbuckle",
        "thread": "M24",
        "hands": "opposite_hands",
        "turn_limit_raise": 6,
        "turn_limit_lower": 4,
    },
    "stop": travel_stop(2),
}


def read(without: tuple[str, ...] = (), entry: Document = ENTRY, **changes: Any) -> SupportedHanger:
    """The trapeze without what some pointers name, and with members changed by `a__b` names."""
    record = copy.deepcopy(TRAPEZE)
    for pointer in without:
        *path, last = pointer.strip("/").split("/")
        target = record
        for part in path:
            target = target[part]
        del target[last]
    for name, value in changes.items():
        *path, last = name.split("__")
        target = record
        for part in path:
            target = target[part]
        target[last] = value
    return supported_hanger(entry, record, Criteria())


def test_all_assemblies_are_taken_together_at_the_pipe() -> None:
    hanger = read()
    assert (hanger.mark, hanger.kind, hanger.node) == ("H", "variable", "N")
    # 2 x 12.5 kN less 1 kN of hardware; 2 x 50 N/mm; 2 % of 25 kN.
    assert hanger.spring_load_n == pytest.approx(24_000)
    assert hanger.rate_n_per_m == pytest.approx(100_000)
    assert hanger.friction_n == pytest.approx(500)
    assert hanger.operating_load_n == pytest.approx(20_000)
    assert hanger.installed_load_n == pytest.approx(24_000)
    assert hanger.design_movement_m == pytest.approx(0.04)
    assert hanger.missing == ()


def test_the_ends_of_travel_are_those_of_the_scale_from_the_locked_reading() -> None:
    hanger = read()
    assert (hanger.travel_low_m, hanger.travel_high_m) == pytest.approx((-0.08, 0.12))
    assert hanger.indicator_sign == 1
    readings = (
        hanger.locked_reading_m,
        hanger.cold_mark_m,
        hanger.hot_mark_m,
        hanger.expected_released_cold_m,
    )
    assert readings == pytest.approx((0.08, 0.08, 0.12, 0.095))


def test_a_scale_that_falls_when_the_pipe_rises_is_turned_about() -> None:
    hanger = read(indicator__rises_when_pipe="falls")
    assert hanger.indicator_sign == -1
    assert (hanger.travel_low_m, hanger.travel_high_m) == pytest.approx((-0.12, 0.08))


def test_rods_carry_their_root_area_less_the_hardware_that_hangs_on_them() -> None:
    hanger = read()
    root = math.pi / 4 * (24 - 1.226869 * 3) ** 2  # mm2
    assert hanger.rod_capacity_n == pytest.approx(2 * 62.05 * root - 1000, rel=1e-6)
    # Under test 80 % of the yield strength.
    assert hanger.rod_test_capacity_n == pytest.approx(2 * 0.8 * 248 * root - 1000, rel=1e-6)


def test_unequal_shares_let_the_larger_one_govern() -> None:
    shares = [{"stops": 1, "load_share": q(60, "%")}, {"stops": 1, "load_share": q(40, "%")}]
    hanger = read(assemblies=shares)
    root = math.pi / 4 * (24 - 1.226869 * 3) ** 2
    assert hanger.rod_capacity_n == pytest.approx(62.05 * root / 0.6 - 1000, rel=1e-6)
    assert hanger.locked_capacity_n == pytest.approx(30_000 / 0.6 - 1000)
    # Springs that are alike push half of 25 kN each: a tenth of it stays on the stops as it is.
    assert hanger.stop_capacity_up_n == pytest.approx((8_000 * 2 - 0.1 * 25_000) / 0.6)


def test_a_share_that_only_some_assemblies_state_is_missing() -> None:
    hanger = read(assemblies=[{"stops": 1, "load_share": q(60, "%")}, {"stops": 1}])
    assert hanger.rod_capacity_n is None
    assert hanger.locked_capacity_n is None
    assert hanger.missing == ("/assemblies/1/load_share",)


def test_locked_assemblies_and_stops_hold_for_all_together() -> None:
    hanger = read()
    assert hanger.locked_capacity_n == pytest.approx(2 * 30_000 - 1000)
    # The pin's force is the rod's over the linkage ratio of 2.
    assert hanger.stop_capacity_up_n == pytest.approx(2 * 8_000 * 2)
    assert hanger.stop_capacity_down_n == pytest.approx(2 * 9_000 * 2)
    assert (hanger.slot_clearance_m, hanger.linkage_ratio) == pytest.approx((0.004, 2.0))


def test_rods_and_steel_are_in_series_and_what_is_not_stated_is_named() -> None:
    # Stress area of M24 352.5 mm2: 203 GPa x 352.5 / 2 m = 35.78 kN/mm a rod, two rods; steel 20 kN/mm.
    hanger = read()
    rods = 2 * 203e9 * 352.5e-6 / 2.0
    assert hanger.series_n_per_m == pytest.approx(1 / (1 / rods + 1 / 20e6), rel=1e-4)
    assert hanger.rigid_parts == ("assembly",)
    without = read(("/rod/length_between_pins",))
    assert without.series_n_per_m == pytest.approx(20e6)
    assert without.rigid_parts == ("rod", "assembly")
    bare = read(("/rod/length_between_pins", "/design/steel_stiffness"))
    assert bare.series_n_per_m == math.inf
    assert bare.rigid_parts == ("rod", "steel", "assembly")


def test_a_base_spring_has_no_rod() -> None:
    hanger = read(("/rod",), acts_from="below")
    assert hanger.rod_capacity_n is None
    assert hanger.rigid_parts == ("assembly",)
    assert hanger.series_n_per_m == pytest.approx(20e6)
    assert hanger.missing == ()


def test_a_locked_load_that_is_not_stated_follows_from_the_reading() -> None:
    # 40 mm below the hot mark: 20 kN + 2 x 50 N/mm x 40 mm.
    hanger = read(("/design/locked_position/load",))
    assert hanger.spring_load_n == pytest.approx(24_000)
    assert hanger.friction_n == pytest.approx(500)
    assert hanger.missing == ()
    falling = read(("/design/locked_position/load",), indicator__rises_when_pipe="falls")
    assert falling.spring_load_n == pytest.approx(16_000)


@pytest.mark.parametrize(
    "lacking",
    [
        "/design/locked_position/reading",
        "/indicator/hot_mark",
        "/indicator/rises_when_pipe",
        "/design/spring_rate",
        "/design/operating_load",
    ],
)
def test_a_locked_load_is_missing_where_it_does_not_follow(lacking: str) -> None:
    hanger = read(("/design/locked_position/load", lacking))
    assert hanger.spring_load_n is None
    assert hanger.friction_n is None
    assert {"/design/locked_position/load", lacking} <= set(hanger.missing)
    assert hanger.locked() is None


# What is not known when the record does not state something, and nothing else.
LACKS = {
    "/assemblies": {
        "spring_load_n",
        "rate_n_per_m",
        "friction_n",
        "installed_load_n",
        "rod_capacity_n",
        "rod_test_capacity_n",
        "locked_capacity_n",
        "stop_capacity_up_n",
        "stop_capacity_down_n",
    },
    "/design/hardware_weight": {
        "spring_load_n",
        "installed_load_n",
        "rod_capacity_n",
        "rod_test_capacity_n",
        "locked_capacity_n",
    },
    "/design/operating_load": {"operating_load_n"},
    "/design/spring_rate": {"rate_n_per_m"},
    "/design/friction": {"friction_n"},
    "/design/vertical_movement": {"design_movement_m"},
    "/design/locked_assembly_capacity": {"locked_capacity_n"},
    "/design/stop_capacity_up": {"stop_capacity_up_n"},
    "/design/stop_capacity_down": {"stop_capacity_down_n"},
    "/design/locked_position/reading": {"locked_reading_m", "travel_low_m", "travel_high_m"},
    "/indicator/rises_when_pipe": {"indicator_sign", "travel_low_m", "travel_high_m"},
    "/indicator/cold_mark": {"cold_mark_m"},
    "/indicator/hot_mark": {"hot_mark_m"},
    "/stop/slot_clearance": {"slot_clearance_m"},
    "/stop/linkage_ratio": {"linkage_ratio", "stop_capacity_up_n", "stop_capacity_down_n"},
    "/adjuster/turn_limit_raise": {"turn_limit_raise"},
    "/adjuster/turn_limit_lower": {"turn_limit_lower"},
    "/rod/thread": {"rod_capacity_n", "rod_test_capacity_n"},
    "/rod/number": {"rod_capacity_n", "rod_test_capacity_n"},
}
_LEFT_NONE = {"height_error_m", "height_uncertainty_m"}


@pytest.mark.parametrize("pointer", LACKS)
def test_what_a_record_does_not_state_is_none_and_named(pointer: str) -> None:
    hanger = read((pointer,))
    unknown = {name for name, value in vars(hanger).items() if value is None} - _LEFT_NONE
    assert unknown == LACKS[pointer]
    assert hanger.missing == (pointer,)


def test_a_lead_that_is_not_stated_follows_from_the_threads() -> None:
    # Two M24 threads of 3 mm and of opposite hands.
    assert read().lead_m == pytest.approx(0.006)
    assert read(adjuster__hands="single").lead_m == pytest.approx(0.003)
    assert read(adjuster__lead_per_turn=q(0.25, "in")).lead_m == pytest.approx(0.00635)
    coupler = {"hands": "same_hand_coupler", "thread": "M24", "second_thread": "M30"}
    turns = {"turn_limit_raise": 6, "turn_limit_lower": 4}
    assert read(adjuster={**coupler, **turns}).lead_m == pytest.approx(0.0005)
    without = read(adjuster={**turns, "hands": "same_hand_coupler", "thread": "M24"})
    assert without.lead_m is None
    assert without.missing == ("/adjuster/lead_per_turn",)
    for lacking in ("/adjuster/thread", "/adjuster/hands"):
        assert read((lacking,)).lead_m is None
        assert read((lacking,)).missing == ("/adjuster/lead_per_turn",)


def test_a_variable_spring_without_a_scale_has_the_ends_of_its_working_range() -> None:
    # 12.5 kN a spring between 6 and 16 kN at 50 N/mm: 70 mm down to the greatest load, 130 mm up.
    hanger = read(("/indicator/span",))
    assert (hanger.travel_low_m, hanger.travel_high_m) == pytest.approx((-0.07, 0.13))
    assert hanger.missing == ()


def test_without_scale_and_range_the_ends_of_travel_are_not_known() -> None:
    hanger = read(("/indicator/span", "/design/working_range"))
    assert (hanger.travel_low_m, hanger.travel_high_m) == (None, None)
    assert hanger.missing == ("/indicator/span",)
    assert hanger.locked() is not None
    assert hanger.free() is None


def test_a_scale_longer_than_the_travel_does_not_tell_where_the_travel_ends() -> None:
    hanger = read(design__total_travel=q(150, "mm"))
    assert (hanger.travel_low_m, hanger.travel_high_m) == (None, None)
    assert hanger.missing == ("/indicator/span",)
    assert read(design__total_travel=q(199, "mm")).travel_high_m == pytest.approx(0.12)


def test_a_locked_reading_off_the_scale_tells_no_ends() -> None:
    hanger = read(design__locked_position={"reading": q(210, "mm"), "load": q(12.5, "kN")})
    assert (hanger.travel_low_m, hanger.travel_high_m) == (None, None)
    assert "/design/locked_position/reading" in hanger.missing


def test_a_constant_support_has_its_calibrated_load_and_no_rate() -> None:
    record = copy.deepcopy(five_hanger_records()["H1"])
    record["design"] |= {"hardware_weight": q(400, "N"), "friction": q(3, "%")}
    hanger = supported_hanger(ENTRY, record, Criteria())
    assert hanger.spring_load_n == pytest.approx(14787.938 - 400)
    assert hanger.rate_n_per_m == 0.0
    assert hanger.friction_n == pytest.approx(0.03 * 14787.938)
    assert hanger.installed_load_n is None
    assert hanger.missing == ()
    del record["design"]["calibrated_load"]
    assert supported_hanger(ENTRY, record, Criteria()).spring_load_n == pytest.approx(14787.938 - 400)
    del record["design"]["locked_position"]["load"]
    without = supported_hanger(ENTRY, record, Criteria())
    assert without.spring_load_n is None
    assert "/design/calibrated_load" in without.missing


def test_a_load_adjuster_off_its_calibrated_load_changes_the_load() -> None:
    record = copy.deepcopy(five_hanger_records()["H1"])
    record["assemblies"] = [{"stops": 1}, {"stops": 1}]
    record["design"] |= {"friction": q(3, "%")}
    without = supported_hanger(ENTRY, record, Criteria(), load_adjuster_turns=-2.0)
    assert (without.spring_load_n, without.friction_n) == (None, None)
    assert without.missing == ("/design/load_adjustability/load_per_turn",)
    record["design"]["load_adjustability"] = {"load_per_turn": q(150, "N")}
    hanger = supported_hanger(ENTRY, record, Criteria(), load_adjuster_turns=-2.0)
    # Two assemblies, two turns of 150 N lower each.
    assert hanger.spring_load_n == pytest.approx(2 * (14787.938 - 300))
    assert hanger.friction_n == pytest.approx(0.03 * 2 * (14787.938 - 300))
    assert supported_hanger(ENTRY, record, Criteria()).spring_load_n == pytest.approx(2 * 14787.938)


def test_a_rigid_hanger_wants_rods_alone() -> None:
    record = {
        "line": "L-1",
        "mark": "H",
        "kind": "rigid",
        "assemblies": [{"stops": 0}],
        "design": {"operating_load": q(18, "kN"), "hardware_weight": q(0.2, "kN")},
        "rod": {"thread": "M30", "length_between_pins": q(2, "m"), "number": 1},
    }
    hanger = supported_hanger(ENTRY, record, Criteria(), net_turns=3.0, released=True)
    assert (hanger.kind, hanger.released, hanger.net_turns) == ("rigid", False, 0.0)
    # 9,000 psi where the record states no stress, on the root of M30: 519.0 mm2.
    assert hanger.rod_capacity_n == pytest.approx(62.0528 * 519.0 - 200, rel=1e-4)
    # No yield strength: 16,000 psi under test.
    assert hanger.rod_test_capacity_n == pytest.approx(110.316 * 519.0 - 200, rel=1e-4)
    assert hanger.series_n_per_m == pytest.approx(203e9 * 560.6e-6 / 2.0, rel=1e-4)
    assert hanger.missing == ()


def test_rods_of_unknown_steel_carry_less() -> None:
    # 9,500 psi less a quarter for threads.
    hanger = read(("/rod/allowable_stress",), rod__material="unknown")
    root = math.pi / 4 * (24 - 1.226869 * 3) ** 2
    assert hanger.rod_capacity_n == pytest.approx(2 * 9500 * 0.75 * 6894.757e-6 * root - 1000, rel=1e-5)


def test_height_turns_and_state_are_those_given() -> None:
    entry = {**ENTRY, "height": {"error": q(-3, "mm"), "uncertainty": q(1, "mm")}}
    hanger = supported_hanger(entry, copy.deepcopy(TRAPEZE), Criteria(), net_turns=2.0, released=True)
    assert (hanger.height_error_m, hanger.height_uncertainty_m) == pytest.approx((-0.003, 0.001))
    assert hanger.released
    law = hanger.locked()
    assert law is not None
    # 2 turns of 6 mm up, 3 mm of rod too long; a slot of 4 mm at a linkage of 2 gives the rod 1 mm each way.
    assert law.offset_m == pytest.approx(0.012 - 0.003)
    assert (law.low_m, law.high_m) == pytest.approx((-0.001, 0.001))
