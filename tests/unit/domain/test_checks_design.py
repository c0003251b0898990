"""Checks of the design data: pass, fail, cannot_say with the field named, and a limit met exactly."""

from __future__ import annotations

import math
from typing import Any

import pytest

from service.domain.criteria import Criteria
from tests.unit.domain.checks_samples import (
    BASE,
    CONSTANT,
    RIGID,
    VARIABLE,
    Document,
    changed,
    plant_limit,
    q,
    row,
    rows,
)

V, C = VARIABLE, CONSTANT

# By the formula of ISO 724, in mm2: d3 = 30 - 1.226869 * 3.5.
M30_ROOT_MM2 = math.pi / 4 * (30 - 1.226869 * 3.5) ** 2

# rule, sound record, (pointer, value) that fails, (pointer, value) that meets the limit exactly,
# pointers each of which, taken away, leaves nothing to say
CASES: list[tuple[str, Document, tuple[str, Any], tuple[str, Any], list[str]]] = [
    (
        "variability",
        V,
        ("/design/spring_rate", q(62.6, "N/mm")),
        ("/design/spring_rate", q(62.5 * 25.4 / 4.4482216152605, "lbf/in")),
        [
            "/design/spring_rate",
            "/design/vertical_movement",
            "/design/operating_load",
            "/design/hardware_weight",
        ],
    ),
    (
        "constant-deviation",
        C,
        ("/design/deviation", q(6.01, "%")),
        ("/design/deviation", q(0.06, "1")),
        ["/design/deviation"],
    ),
    (
        "constant-total-travel",
        C,
        ("/design/total_travel", q(152.3, "mm")),
        ("/design/total_travel", q(6, "in")),
        ["/design/total_travel", "/design/vertical_movement"],
    ),
    (
        "reserve-upper-end",
        V,
        ("/indicator/span/high", q(120, "mm")),
        # Hot it stands at 120 mm; 10 % of the span is wanted.
        ("/indicator/span/high", q(12 / 0.9, "cm")),
        [
            "/indicator/span",
            "/indicator/rises_when_pipe",
            "/indicator/cold_mark",
            "/design/vertical_movement",
        ],
    ),
    (
        "reserve-lower-end",
        V,
        ("/indicator/span/low", q(80, "mm")),
        ("/indicator/span/low", q(6 / 0.9, "cm")),
        ["/indicator/span", "/indicator/rises_when_pipe", "/indicator/cold_mark"],
    ),
    (
        "working-range-cold",
        V,
        ("/design/installed_load", q(16.1, "kN")),
        ("/design/installed_load", q(15000 / 4.4482216152605, "lbf")),
        ["/design/working_range", "/design/spring_rate"],
    ),
    (
        "working-range-hot",
        V,
        ("/design/operating_load", q(5.7, "kN")),
        ("/design/operating_load", q(6.8 * 1000 / 9.80665, "kgf")),
        ["/design/working_range", "/design/operating_load", "/design/hardware_weight"],
    ),
    (
        "load-rate-travel",
        V,
        ("/design/installed_load", q(12.13, "kN")),
        ("/design/installed_load", q(12.12, "kN")),
        [
            "/design/installed_load",
            "/design/spring_rate",
            "/design/vertical_movement",
            "/design/operating_load",
        ],
    ),
    (
        "calibrated-load-agrees",
        C,
        ("/design/calibrated_load", q(2829, "lbf")),
        ("/design/calibrated_load", q(2828, "lbf")),
        ["/design/calibrated_load", "/design/operating_load"],
    ),
    (
        "lead-agrees",
        V,
        ("/adjuster/lead_per_turn", q(3.5, "mm")),
        ("/adjuster/lead_per_turn", q(7.07, "mm")),
        ["/adjuster/lead_per_turn", "/adjuster/hands", "/adjuster/thread"],
    ),
    (
        "marks-agree",
        V,
        ("/indicator/hot_mark", q(40, "mm")),
        ("/indicator/hot_mark", q(121 / 25.4, "in")),
        [
            "/indicator/cold_mark",
            "/indicator/hot_mark",
            "/indicator/rises_when_pipe",
            "/design/vertical_movement",
        ],
    ),
    (
        "marks-in-span",
        V,
        ("/design/locked_position/reading", q(-1, "mm")),
        ("/design/locked_position/reading", q(0, "in")),
        ["/indicator/span", "/indicator/cold_mark"],
    ),
    (
        "span-agrees",
        V,
        ("/indicator/span/high", q(203, "mm")),
        ("/indicator/span/high", q(202, "mm")),
        ["/indicator/span", "/design/total_travel"],
    ),
    (
        "working-range-agrees",
        V,
        ("/design/total_travel", q(197, "mm")),
        ("/design/total_travel", q(198, "mm")),
        ["/design/working_range", "/design/spring_rate", "/design/total_travel"],
    ),
    (
        "load-shares-agree",
        C,
        ("/assemblies/0/load_share", q(52, "%")),
        ("/assemblies/0/load_share", q(51, "%")),
        ["/assemblies", "/assemblies/0/load_share"],
    ),
    (
        "nameplate-record-agrees",
        V,
        ("/nameplate/spring_rate", q(51, "N/mm")),
        ("/nameplate/spring_rate", q(50.5, "N/mm")),
        ["/nameplate"],
    ),
    (
        "locked-position-agrees",
        V,
        ("/design/locked_position/load", q(10, "kN")),
        ("/design/locked_position/load", q(12.12, "kN")),
        [
            "/design/locked_position",
            "/indicator/hot_mark",
            "/indicator/rises_when_pipe",
            "/design/spring_rate",
        ],
    ),
    (
        # M30: root area 519.0 mm2 at 9000 psi = 62.0528 MPa carries 32.2047 kN
        "rod-load-operation",
        V,
        ("/design/operating_load", q(32.1, "kN")),
        ("/rod/allowable_stress", q(10000 / M30_ROOT_MM2, "MPa")),
        ["/rod/thread", "/rod/number", "/design/operating_load"],
    ),
    (
        "rod-load-cold",
        V,
        ("/design/installed_load", q(32.3, "kN")),
        ("/rod/allowable_stress", q(12000 / M30_ROOT_MM2, "MPa")),
        ["/rod/thread", "/rod/number"],
    ),
    (
        "rod-load-locked",
        V,
        ("/design/locked_position/load", q(32.3, "kN")),
        ("/rod/allowable_stress", q(12000 / M30_ROOT_MM2, "MPa")),
        ["/rod/thread", "/rod/number", "/design/locked_position"],
    ),
    (
        # unknown yield: 16000 psi = 110.3161 MPa carries 57.2528 kN
        "rod-load-test",
        V,
        ("/design/pressure_test_load", q(57.1, "kN")),
        ("/rod/yield_strength", q(20000 / 0.8 / M30_ROOT_MM2, "MPa")),
        ["/rod/thread", "/rod/number", "/design/pressure_test_load", "/design/hardware_weight"],
    ),
    (
        "rod-swing",
        V,
        ("/design/lateral_movement", q(170, "mm")),
        ("/design/lateral_movement", q(30 + 2000 * math.tan(math.radians(4)), "mm")),
        ["/design/lateral_movement", "/rod/length_between_pins"],
    ),
    (
        "engagement-drawn-upper",
        V,
        ("/adjuster/engagement/0/as_drawn", q(29, "mm")),
        ("/adjuster/engagement/0/as_drawn", q(30 / 25.4, "in")),
        ["/adjuster/engagement/0/as_drawn", "/adjuster/engagement"],
    ),
    (
        "engagement-drawn-lower",
        V,
        ("/adjuster/engagement/1/as_drawn", q(29, "mm")),
        ("/adjuster/engagement/1/as_drawn", q(3, "cm")),
        ["/adjuster/engagement/1/as_drawn", "/adjuster/engagement"],
    ),
    (
        "locked-capacity",
        V,
        ("/design/locked_assembly_capacity", q(19.9, "kN")),
        ("/design/locked_assembly_capacity", q(20000 / 4.4482216152605, "lbf")),
        [
            "/design/locked_assembly_capacity",
            "/design/pressure_test_load",
            "/design/operating_load",
            "/design/hardware_weight",
        ],
    ),
    (
        "stop-capacity-up",
        V,
        ("/design/stop_capacity_up", q(11.9, "kN")),
        ("/design/stop_capacity_up", q(12000, "N")),
        ["/design/locked_position", "/stop/linkage_ratio"],
    ),
    (
        "stop-capacity-down",
        V,
        ("/design/stop_capacity_down", q(7.9, "kN")),
        ("/design/stop_capacity_down", q(8000, "N")),
        ["/design/locked_position", "/stop/linkage_ratio", "/design/pressure_test_load"],
    ),
]
IDS = [case[0] for case in CASES]


@pytest.mark.parametrize(("rule", "record"), [case[:2] for case in CASES], ids=IDS)
def test_a_sound_record_passes(rule: str, record: Document) -> None:
    for found in rows(record, rule):
        assert found["status"] == "pass"
        assert found["missing"] == []
        assert found["inputs"]


@pytest.mark.parametrize(("rule", "record", "spoiled"), [case[:3] for case in CASES], ids=IDS)
def test_a_broken_limit_fails(rule: str, record: Document, spoiled: tuple[str, Any]) -> None:
    assert row(changed(record, *spoiled), rule)["status"] == "fail"


@pytest.mark.parametrize(
    ("rule", "record", "exact"),
    [(case[0], case[1], case[3]) for case in CASES],
    ids=IDS,
)
def test_a_limit_met_exactly_passes_in_any_unit(rule: str, record: Document, exact: tuple[str, Any]) -> None:
    found = row(changed(record, *exact), rule)
    assert found["status"] == "pass"
    if found["margin"] is not None:
        assert found["margin"]["value"] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("rule", "record", "pointer"),
    [(case[0], case[1], pointer) for case in CASES for pointer in case[4]],
)
def test_a_missing_field_is_named_and_nothing_is_said(rule: str, record: Document, pointer: str) -> None:
    found = row(changed(record, pointer, None), rule)
    assert found["status"] == "cannot_say"
    assert found["found"] is None
    assert any(name.startswith(pointer) for name in found["missing"])


def test_a_reserve_that_is_short_is_for_attention() -> None:
    assert row(changed(V, "/indicator/span/high", q(130, "mm")), "reserve-upper-end")["status"] == "attention"
    assert row(changed(V, "/indicator/span/low", q(75, "mm")), "reserve-lower-end")["status"] == "attention"


def test_the_lower_end_is_the_one_that_the_pipe_goes_down_to() -> None:
    low = row(changed(V, "/indicator/span/low", q(80, "mm")), "reserve-lower-end")
    assert low["status"] == "fail"
    assert row(changed(V, "/indicator/span/low", q(80, "mm")), "reserve-upper-end")["status"] != "fail"


def test_a_scale_that_falls_with_the_pipe_has_its_upper_end_low() -> None:
    record = changed(V, "/indicator/rises_when_pipe", "falls")
    record = changed(record, "/indicator/hot_mark", q(40, "mm"))
    record = changed(record, "/indicator/expected_released_cold", q(60, "mm"))
    # Hot the reading stands at 40 mm when the pipe has risen: 40 mm are left at the low end.
    upper = row(record, "reserve-upper-end")
    assert upper["status"] == "pass"
    assert upper["found"] == q(40.0, "mm")
    assert row(record, "reserve-lower-end")["found"] == q(120.0, "mm")


def test_total_travel_alone_does_not_give_a_reserve_at_both_ends() -> None:
    # Plenty of travel, but the spring stands at its upper end.
    record = changed(V, "/indicator/expected_released_cold", q(200, "mm"))
    assert row(record, "reserve-upper-end")["status"] == "fail"
    assert row(record, "reserve-lower-end")["status"] == "pass"


@pytest.mark.parametrize("low", [q(200, "mm"), q(300, "mm")])
def test_a_span_without_length_says_nothing_of_reserve(low: Document) -> None:
    record = changed(V, "/indicator/span/low", low)
    assert row(record, "reserve-upper-end")["status"] == "cannot_say"
    assert row(record, "form-agrees")["status"] == "fail"


def test_marks_that_are_not_stated_are_left_out_of_the_reserve() -> None:
    record = changed(changed(V, "/indicator/hot_mark", None), "/indicator/expected_released_cold", None)
    found = row(record, "reserve-upper-end")
    assert found["status"] == "pass"
    assert found["found"] == q(80.0, "mm")


def test_a_released_reading_without_a_hot_mark_is_moved_by_the_design_movement() -> None:
    record = changed(
        changed(V, "/indicator/hot_mark", None), "/indicator/expected_released_cold", q(150, "mm")
    )
    assert row(record, "reserve-upper-end")["found"] == q(10.0, "mm")


def test_a_friction_above_the_deviation_counts() -> None:
    assert row(changed(C, "/design/friction", q(7, "%")), "constant-deviation")["status"] == "fail"
    assert row(changed(C, "/design/friction", None), "constant-deviation")["status"] == "pass"


def test_a_cold_load_that_is_not_stated_is_reckoned() -> None:
    record = changed(V, "/design/installed_load", None)
    found = row(record, "working-range-cold")
    assert found["status"] == "pass"
    assert found["found"] == q(12.0, "kN")
    assert row(record, "rod-load-cold")["found"] == q(12.0, "kN")


def test_a_range_without_its_reserve_is_for_attention() -> None:
    assert (
        row(changed(V, "/design/installed_load", q(15.5, "kN")), "working-range-cold")["status"]
        == "attention"
    )


@pytest.mark.parametrize("number", [1, 2])
def test_each_assembly_has_its_own_share(number: int) -> None:
    record = changed(C, "/assemblies/0/load_share", q(60, "%"))
    record = changed(record, "/assemblies/1/load_share", q(40, "%"))
    found = rows(record, "rod-load-operation")[number - 1]
    assert found["assembly"] == number
    share = {1: 0.6, 2: 0.4}[number]
    assert found["found"]["value"] == pytest.approx(5600 * share * 4.4482216152605 / 1000)


def test_assemblies_without_shares_carry_equal_parts() -> None:
    record = changed(C, "/assemblies", [{"stops": 1}, {"stops": 1}, {"stops": 1}, {"stops": 1}])
    found = row(record, "rod-load-operation")
    assert found["found"]["value"] == pytest.approx(1400 * 4.4482216152605 / 1000)
    assert row(record, "load-shares-agree")["status"] == "pass"


def test_a_share_stated_for_one_assembly_alone_leaves_the_other_unknown() -> None:
    record = changed(C, "/assemblies", [{"stops": 1, "load_share": q(50, "%")}, {"stops": 1}])
    first, second = rows(record, "rod-load-operation")
    assert first["status"] == "pass"
    assert second["status"] == "cannot_say"
    assert second["missing"] == ["/assemblies/1/load_share"]
    assert row(record, "load-shares-agree")["missing"] == ["/assemblies/1/load_share"]


def test_a_record_without_assemblies_says_nothing_of_an_assembly() -> None:
    record = changed(V, "/assemblies", None)
    for rule in ("variability", "rod-load-test", "locked-capacity"):
        found = rows(record, rule)
        assert [entry["status"] for entry in found] == ["cannot_say"]
        assert found[0]["missing"] == ["/assemblies"]
        assert found[0]["assembly"] is None


# --- rods and stress bases ----------------------------------------------------------------------
def test_the_default_stress_basis_is_the_criterias_and_names_its_source() -> None:
    found = row(V, "rod-load-operation")
    # 9000 psi on 519.0 mm2 by hand: 62.0528 MPa * 518.9874 mm2
    assert found["limit"]["value"] == pytest.approx(32.2046, abs=2e-4)
    assert found["basis"]["paragraph"] == "Table 2.10"


def test_a_stated_allowable_and_its_basis_are_used() -> None:
    record = changed(V, "/rod/allowable_stress", q(73.77, "MPa"))
    found = row(changed(record, "/rod/stress_basis", "10700 psi on the root area"), "rod-load-operation")
    assert found["limit"]["value"] == pytest.approx(38.2857, abs=1e-3)
    assert found["basis"] == {"source": "10700 psi on the root area", "paragraph": None, "status": "plant"}
    assert row(record, "rod-load-operation")["basis"]["source"] == "the hanger's record"


@pytest.mark.parametrize("stated", [None, q(100, "MPa")])
def test_unknown_steel_has_a_lower_allowable_whatever_is_stated(stated: Document | None) -> None:
    record = changed(changed(V, "/rod/material", "unknown"), "/rod/allowable_stress", stated)
    found = row(record, "rod-load-operation")
    # 9500 psi less a quarter for threads: 7125 psi = 49.1251 MPa on 518.9874 mm2
    assert found["limit"]["value"] == pytest.approx(25.4953, abs=2e-4)
    assert found["basis"]["paragraph"] == "121.2(c)"


def test_unknown_steel_does_not_raise_a_low_allowable() -> None:
    record = changed(changed(V, "/rod/material", "unknown"), "/rod/allowable_stress", q(40, "MPa"))
    assert row(record, "rod-load-operation")["limit"]["value"] == pytest.approx(20.7595, abs=2e-4)


def test_the_test_stress_is_a_share_of_the_yield_strength() -> None:
    found = row(changed(V, "/rod/yield_strength", q(36, "ksi")), "rod-load-test")
    # 0.8 * 36 ksi = 198.569 MPa on 518.9874 mm2
    assert found["limit"]["value"] == pytest.approx(103.0548, abs=1e-3)
    assert found["basis"]["paragraph"] == "121.2(j)"
    assert found["basis"]["status"] == "standard"


def test_unknown_steel_keeps_the_cap_of_the_test_whatever_its_yield() -> None:
    record = changed(changed(V, "/rod/material", "unknown"), "/rod/yield_strength", q(50, "ksi"))
    capped = row(record, "rod-load-test")
    assert capped["limit"]["value"] == pytest.approx(57.2527, abs=1e-3)
    assert capped["basis"]["status"] == "memory"
    low = row(changed(record, "/rod/yield_strength", q(10, "ksi")), "rod-load-test")
    assert low["limit"]["value"] == pytest.approx(28.6264, abs=1e-3)


def test_several_rods_share_the_load() -> None:
    one, two = row(V, "rod-load-operation"), row(changed(V, "/rod/number", 2), "rod-load-operation")
    assert two["limit"]["value"] == pytest.approx(2 * one["limit"]["value"])


def test_a_thread_that_is_not_accepted_leaves_the_rod_unknown_and_fails_its_own_rule() -> None:
    record = changed(V, "/rod/thread", "1 1/4 UNC")
    assert row(record, "rod-load-operation")["status"] == "cannot_say"
    assert row(record, "rod-load-operation")["missing"] == ["/rod/thread"]
    found = row(record, "threads-known")
    assert found["status"] == "fail"
    assert found["found"] == 1
    assert "/rod/thread" in found["message"]


def test_every_stated_thread_is_looked_at() -> None:
    assert row(V, "threads-known")["status"] == "pass"
    assert row(changed(V, "/adjuster/second_thread", "M25"), "threads-known")["status"] == "fail"
    bare = changed(changed(V, "/rod", None), "/adjuster", None)
    assert row(bare, "threads-known")["missing"] == ["/rod/thread"]
    base = changed(BASE, "/adjuster", None)
    assert row(base, "threads-known")["missing"] == ["/adjuster/thread"]


def test_a_rod_without_a_drawn_offset_is_a_plumb_rod() -> None:
    found = row(changed(V, "/design/erected_offset", None), "rod-swing")
    assert found["found"]["value"] == pytest.approx(1.718358, abs=1e-5)  # atan(60/2000)
    half = row(V, "rod-swing")
    assert half["found"]["value"] == pytest.approx(0.859372, abs=1e-5)  # atan(30/2000)


# --- adjuster ---------------------------------------------------------------------------------------
def test_a_second_thread_of_the_same_hand_takes_the_difference() -> None:
    record = changed(
        changed(V, "/adjuster/hands", "same_hand_coupler"), "/adjuster/lead_per_turn", q(1.5, "mm")
    )
    assert row(record, "lead-agrees")["missing"] == ["/adjuster/second_thread"]
    assert row(changed(record, "/adjuster/second_thread", "M30x2"), "lead-agrees")["status"] == "pass"
    assert row(changed(record, "/adjuster/second_thread", "M30x3"), "lead-agrees")["status"] == "fail"
    assert row(changed(record, "/adjuster/second_thread", "M31"), "lead-agrees")["status"] == "cannot_say"


def test_an_end_that_a_turnbuckle_must_have_is_missing_when_it_is_not_on_record() -> None:
    record = changed(V, "/adjuster/engagement", [V["adjuster"]["engagement"][0]])
    assert row(record, "engagement-drawn-upper")["status"] == "pass"
    lower = row(record, "engagement-drawn-lower")
    assert lower["status"] == "cannot_say"
    assert lower["missing"] == ["/adjuster/engagement"]


def test_a_nut_has_one_end() -> None:
    assert row(C, "engagement-drawn-upper")["status"] == "not_applicable"
    assert row(C, "engagement-drawn-lower")["status"] == "pass"
    assert row(changed(C, "/adjuster/form", None), "engagement-drawn-upper")["missing"] == [
        "/adjuster/form",
        "/adjuster/engagement",
    ]


def test_the_least_engagement_that_is_not_stated_is_a_number_of_diameters() -> None:
    record = changed(V, "/adjuster/engagement/0/least_allowed", None)
    found = row(record, "engagement-drawn-upper")
    assert found["limit"] == q(30.0, "mm")
    assert row(changed(record, "/adjuster/thread", None), "engagement-drawn-upper")["status"] == "cannot_say"
    criteria = Criteria({"limits": {"engagement_diameters": plant_limit(1.6)}})
    assert row(record, "engagement-drawn-upper", criteria=criteria)["status"] == "fail"


def test_a_rigid_hanger_may_have_no_adjuster() -> None:
    assert row(RIGID, "engagement-drawn-upper")["status"] == "not_applicable"
    assert row(changed(V, "/adjuster", None), "engagement-drawn-upper")["status"] == "cannot_say"


# --- locked -----------------------------------------------------------------------------------------
def test_a_known_load_beyond_the_locked_capacity_fails_even_where_another_is_missing() -> None:
    record = changed(V, "/design/pressure_test_load", None)
    assert row(record, "locked-capacity")["status"] == "cannot_say"
    found = row(changed(record, "/design/locked_assembly_capacity", q(11, "kN")), "locked-capacity")
    assert found["status"] == "fail"
    assert found["missing"] == ["/design/pressure_test_load"]


def test_without_any_load_the_locked_capacity_cannot_be_said() -> None:
    record = changed(V, "/design", {"locked_assembly_capacity": q(30, "kN")})
    assert row(record, "locked-capacity")["status"] == "cannot_say"


def test_stops_without_a_stated_capacity_are_not_checked() -> None:
    for name in ("up", "down"):
        record = changed(V, f"/design/stop_capacity_{name}", None)
        assert row(record, f"stop-capacity-{name}")["status"] == "not_applicable"


def test_the_linkage_ratio_divides_the_force_on_the_stop() -> None:
    record = changed(V, "/stop/linkage_ratio", 2)
    assert row(record, "stop-capacity-up")["found"] == q(6.0, "kN")
    assert row(record, "stop-capacity-down")["found"] == q(4.0, "kN")


def test_a_test_load_below_the_spring_load_leaves_nothing_downward_on_the_stop() -> None:
    found = row(changed(V, "/design/pressure_test_load", q(5, "kN")), "stop-capacity-down")
    assert found["status"] == "pass"
    assert found["found"] == q(0.0, "kN")


def test_a_constant_support_is_locked_with_its_calibrated_load() -> None:
    assert row(C, "locked-position-agrees")["status"] == "pass"
    assert (
        row(changed(C, "/design/locked_position/load", q(2600, "lbf")), "locked-position-agrees")["status"]
        == "fail"
    )
    assert (
        row(changed(C, "/design/calibrated_load", None), "locked-position-agrees")["status"] == "cannot_say"
    )


# --- record -----------------------------------------------------------------------------------------
def test_a_share_that_is_the_whole_passes() -> None:
    assert row(V, "load-shares-agree")["found"] is None
    assert row(C, "load-shares-agree")["found"] == q(0.0, "%")


def test_a_range_upside_down_fails() -> None:
    record = changed(V, "/design/working_range/minimum_load", q(16, "kN"))
    found = row(record, "working-range-agrees")
    assert found["status"] == "fail"
    assert found["found"] is None


def test_the_nameplate_names_what_differs() -> None:
    found = row(changed(V, "/nameplate/vertical_movement", q(-40, "mm")), "nameplate-record-agrees")
    assert found["status"] == "fail"
    assert "vertical movement" in found["message"]
    assert found["found"]["unit"] == "mm"


def test_a_nameplate_value_that_the_design_does_not_state_leaves_the_plate_open() -> None:
    found = row(changed(V, "/nameplate/calibrated_load", q(10, "kN")), "nameplate-record-agrees")
    assert found["status"] == "cannot_say"
    assert found["missing"] == ["/design/calibrated_load"]
    wrong = changed(
        changed(V, "/nameplate/calibrated_load", q(10, "kN")), "/nameplate/spring_rate", q(99, "N/mm")
    )
    assert row(wrong, "nameplate-record-agrees")["status"] == "fail"


def test_a_nameplate_without_figures_cannot_be_compared() -> None:
    found = row(changed(V, "/nameplate", {"mark": "V-1"}), "nameplate-record-agrees")
    assert found["status"] == "cannot_say"
    assert found["missing"] == ["/nameplate"]


CONTRADICTIONS: list[tuple[str, Document]] = [
    ("a base spring with a rod", changed(V, "/acts_from", "below")),
    ("a base spring with a turnbuckle", changed(BASE, "/adjuster/form", "turnbuckle")),
    ("a load column from above", changed(V, "/adjuster/form", "load_column")),
    ("a rigid hanger with stops", changed(RIGID, "/assemblies/0/stops", 1)),
    ("a constant support with a spring rate", changed(C, "/design/spring_rate", q(50, "N/mm"))),
    ("a rigid hanger with a cold load", changed(RIGID, "/design/installed_load", q(5, "kN"))),
    ("a variable spring with a set load", changed(V, "/design/calibrated_load", q(10, "kN"))),
    ("a variable spring with a deviation", changed(V, "/design/deviation", q(5, "%"))),
    ("a nut of opposite hands", changed(C, "/adjuster/hands", "opposite_hands")),
    (
        "a single thread with a second",
        changed(changed(V, "/adjuster/hands", "single"), "/adjuster/second_thread", "M30"),
    ),
    ("one end twice", changed(V, "/adjuster/engagement/1/end", "upper")),
    ("a span upside down", changed(V, "/indicator/span/low", q(250, "mm"))),
]


@pytest.mark.parametrize(
    "record", [case[1] for case in CONTRADICTIONS], ids=[case[0] for case in CONTRADICTIONS]
)
def test_what_contradicts_itself_fails_its_own_check(record: Document) -> None:
    found = row(record, "form-agrees")
    assert found["status"] == "fail"
    assert found["found"] >= 1
    assert found["inputs"]
    assert found["message"]


@pytest.mark.parametrize("record", [V, C, RIGID, BASE, {"line": "L", "mark": "X", "kind": "variable"}])
def test_a_record_without_contradiction_passes(record: Document) -> None:
    assert row(record, "form-agrees")["status"] == "pass"


def test_the_nut_with_a_single_hand_is_no_contradiction() -> None:
    assert row(changed(C, "/adjuster/hands", None), "form-agrees")["status"] == "pass"
