"""Easing plans: from loads, from bearing faces, slack rods, limits, holds, and what was observed."""

from __future__ import annotations

import pytest

from service.domain.criteria import Criteria
from service.domain.nut_plans import plan_nut
from service.errors import InvalidDocument
from tests.unit.domain.nut_plan_samples import (
    Document,
    codes,
    constant,
    easing,
    planned,
    q,
    variable,
    without,
)


# --- easing from the loads ----------------------------------------------------------------------------
def test_the_worked_case_is_planned_with_direction_hand_flats_holds_and_engagement() -> None:
    """E1: 0.5, 0.833 and 1.167 turns; clockwise seen from below; 10 % of 14.5 kN is 0.3045 turns."""
    plan = planned(easing())
    assert plan["status"] == "planned"
    assert plan["direction"] == "raise"
    assert plan["rotation"] == {"sense": "clockwise", "seen_from": "below", "reason": None}
    assert plan["turns"]["earliest"] == pytest.approx(0.5, abs=5e-4)
    assert plan["turns"]["aim"] == pytest.approx(0.8333, abs=5e-4)
    assert plan["turns"]["latest"] == pytest.approx(1.1667, abs=5e-4)
    assert plan["flats"]["aim"] == pytest.approx(5.0, abs=3e-3)
    assert plan["step"]["reason"] == "load_here"
    assert plan["step"]["turns"] == pytest.approx(0.1 * 14500 / (793.727 * 6), rel=1e-6)
    assert [hold["flats"] for hold in plan["holds"]] == pytest.approx([1, 2, 3, 4, 5], abs=3e-3)
    assert plan["holds"][-1]["reason"] == "aim"
    assert plan["holds"][-1]["rod_load"]["low"]["value"] == pytest.approx(14.787938, rel=1e-6)
    assert plan["holds"][0]["rod_load"]["low"]["value"] == pytest.approx(12.4068 + 0.793727, rel=1e-6)
    # Each end gains 3 mm a turn.
    last = plan["holds"][-1]["engagement"]
    assert [end["end"] for end in last] == ["upper", "lower"]
    assert last[0]["engagement"]["value"] == pytest.approx(36 + 3 * 0.83333, abs=2e-3)
    assert plan["net_turns"] == {"now": 0.0, "after": plan["turns"]["aim"]}
    assert plan["predicted"]["load_per_turn"]["low"] == q(4.762362, "kN")
    assert plan["indicative"] is False
    assert plan["missing"] == [
        "/bearing_face",
        "/tolerances/designed_imbalance",
        "/tolerances/height",
        "/tolerances/reading",
    ]
    assert codes(plan)[:7] == [
        "authority",
        "never-force-a-stop",
        "see-engagement",
        "locknut",
        "hold-the-rod",
        "count-every-turn",
        "stand-clear",
    ]
    assert {"only-freedom-counts", "face-goes-stale", "stiffness-of-now"} <= set(codes(plan))
    assert {"easing", "hold_point_load", "engagement"} <= {entry["formula"] for entry in plan["basis"]}


def test_too_much_on_the_rod_is_lowered_the_other_way_round() -> None:
    up, down = planned(easing()), planned(easing(rod=2 * 14787.938 - 12406.8))
    assert down["direction"] == "lower"
    assert down["rotation"]["sense"] == "counter_clockwise"
    assert {name: -value for name, value in down["turns"].items()} == pytest.approx(up["turns"])
    assert [hold["turns"] for hold in down["holds"]] == pytest.approx(
        [-hold["turns"] for hold in up["holds"]]
    )
    assert down["holds"][-1]["engagement"][0]["engagement"]["value"] < 36


def test_a_load_at_the_pipe_gets_the_hardware_weight_added() -> None:
    at_pipe = easing()
    at_pipe["rod_load"] = {"at": "pipe", "basis": "measured", "load": {"value": q(12406.8 - 287.938, "N")}}
    assert planned(at_pipe)["turns"] == pytest.approx(planned(easing())["turns"])
    lacking = planned(without(at_pipe, "/hanger/design/hardware_weight"))
    assert lacking["status"] == "cannot_say"
    assert "/hanger/design/hardware_weight" in lacking["missing"]


def test_the_other_hand_turns_the_rotation_round_and_nothing_else() -> None:
    record = constant()
    record["adjuster"]["clockwise_raises"] = False
    one, other = planned(easing()), planned(easing(record))
    assert other["rotation"]["sense"] == "counter_clockwise"
    for name in ("turns", "flats", "direction", "holds", "status", "engagement"):
        assert one[name] == other[name]


@pytest.mark.parametrize("field", ["clockwise_raises", "seen_from"])
def test_without_the_hand_the_plan_speaks_of_raising_and_says_why(field: str) -> None:
    plan = planned(without(easing(), f"/hanger/adjuster/{field}"))
    assert plan["status"] == "planned"
    assert plan["direction"] == "raise"
    assert plan["rotation"]["sense"] is None
    assert plan["rotation"]["reason"]
    assert f"/hanger/adjuster/{field}" in plan["missing"]
    assert "rotation-not-known" in codes(plan)


@pytest.mark.parametrize(
    ("pointer", "named"),
    [
        ("/hanger/design/friction", "/hanger/design/friction"),
        ("/hanger/stop/slot_clearance", "/hanger/stop/slot_clearance"),
        ("/hanger/stop/linkage_ratio", "/hanger/stop/linkage_ratio"),
        ("/stiffness", "/stiffness"),
    ],
)
def test_without_a_size_the_direction_still_holds_for_one_flat(pointer: str, named: str) -> None:
    plan = planned(without(easing(), pointer))
    assert plan["status"] == "one_flat_and_look"
    assert plan["direction"] == "raise"
    assert plan["turns"] is None
    assert plan["holds"] == []
    assert plan["step"]["flats"] == pytest.approx(1.0)
    assert named in plan["missing"]
    assert "reverse-if-harder" in codes(plan)


def test_a_variable_spring_without_its_rate_is_not_taken_for_a_constant() -> None:
    record = variable()
    assert planned(easing(record, rod=14787.938))["status"] == "planned"
    del record["design"]["spring_rate"]
    plan = planned(easing(record, rod=14787.938))
    assert plan["status"] == "one_flat_and_look"
    assert "/hanger/design/spring_rate" in plan["missing"]


def test_a_variable_spring_crosses_its_slot_more_slowly() -> None:
    """V1, H3: off at 0.504 turns; the slot's 0.6667 turns times 1 + 60/793.727."""
    plan = planned(easing(variable(), rod=14787.938))
    assert plan["turns"]["earliest"] == pytest.approx(0.504, abs=5e-4)
    assert plan["turns"]["latest"] - plan["turns"]["earliest"] == pytest.approx(
        0.66667 * (1 + 60 / 793.727), rel=1e-4
    )


def test_estimates_make_the_plan_indicative_and_both_signs_leave_the_direction_open() -> None:
    request = easing()
    request["rod_load"] = {
        "at": "spring",
        "basis": "estimated",
        "load": {"low": q(12, "kN"), "high": q(12.5, "kN")},
    }
    plan = planned(request)
    assert plan["indicative"] is True
    assert "indicative" in codes(plan)
    request["rod_load"]["load"]["high"] = q(15, "kN")
    plan = planned(request)
    assert plan["status"] == "one_flat_and_look"
    assert plan["direction"] is None
    assert plan["rotation"]["sense"] is None
    assert "direction-not-known" in codes(plan)
    assert "/bearing_face" in plan["missing"]
    # With the face seen, the same loads give turns.
    plan = planned({**request, "bearing_face": "upper"})
    assert plan["status"] == "planned"
    assert plan["direction"] == "raise"


def test_one_flat_that_changes_the_load_too_much_is_cut() -> None:
    """Both signs open; 10 kN/mm and 6 mm: a sixth of a turn is 10 kN, a tenth of 14.5 kN is 0.0242 turns."""
    request = easing(stiffness={"seen": {"value": q(10, "kN/mm")}})
    request["rod_load"]["load"] = {"low": q(14, "kN"), "high": q(15, "kN")}
    plan = planned(request)
    assert plan["status"] == "one_flat_and_look"
    assert plan["step"]["turns"] == pytest.approx(1450 / 60_000)
    assert "part-of-a-flat" in codes(plan)


def test_a_lower_bound_above_the_upper_one_is_refused_with_its_pointer() -> None:
    request = easing()
    request["rod_load"]["load"] = {"low": q(15, "kN"), "high": q(14, "kN")}
    with pytest.raises(InvalidDocument) as caught:
        plan_nut(request)
    assert caught.value.errors[0].pointer == "/rod_load/load/low"


# --- bearing faces ------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("face", "moves", "direction"),
    [
        ("upper", "rod_tension_rises", "raise"),
        ("lower", "rod_tension_rises", "lower"),
        ("upper", "rod_tension_falls", "lower"),
        ("lower", "rod_tension_falls", "raise"),
    ],
)
def test_a_bearing_face_alone_gives_one_flat_in_its_direction(face: str, moves: str, direction: str) -> None:
    request = without(easing(bearing_face=face), "/rod_load", "/stiffness")
    request["hanger"]["stop"]["pin_moves_down_when"] = moves
    plan = planned(request)
    assert plan["status"] == "one_flat_and_look"
    assert plan["direction"] == direction
    assert plan["step"]["turns"] == pytest.approx(1 / 6)
    assert plan["turns"] is None


@pytest.mark.parametrize("face", ["upper", "lower"])
def test_a_bearing_face_without_the_drawing_says_nothing(face: str) -> None:
    request = without(easing(bearing_face=face), "/rod_load", "/hanger/stop/pin_moves_down_when")
    plan = planned(request)
    assert plan["status"] == "cannot_say"
    assert plan["direction"] is None
    assert "/hanger/stop/pin_moves_down_when" in plan["missing"]
    assert "face-not-readable" in codes(plan)


def test_neither_load_nor_face_cannot_be_said() -> None:
    plan = planned(without(easing(bearing_face="unknown"), "/rod_load"))
    assert plan["status"] == "cannot_say"
    assert "/rod_load/load" in plan["missing"]
    assert plan["step"] is None


def test_a_clear_pin_leaves_nothing_to_turn_and_bounds_the_rod_load() -> None:
    record = constant()
    record["design"]["friction"] = q(4, "%")
    plan = planned(without(easing(record, bearing_face="none"), "/rod_load"))
    assert plan["status"] == "nothing_to_turn"
    assert plan["predicted"]["rod_load"]["low"]["value"] == pytest.approx(14.787938 * 0.96)
    assert plan["predicted"]["rod_load"]["high"]["value"] == pytest.approx(14.787938 * 1.04)
    assert plan["turns"] is None


def test_a_face_against_a_measured_load_cannot_be_said_and_against_an_estimate_it_wins() -> None:
    request = easing(bearing_face="lower")
    plan = planned(request)
    assert plan["status"] == "cannot_say"
    request["rod_load"]["basis"] = "estimated"
    plan = planned(request)
    assert plan["status"] == "one_flat_and_look"
    assert plan["direction"] == "lower"
    assert "face-overrides-estimate" in codes(plan)
    assert planned(easing(bearing_face="none"))["status"] == "cannot_say"


# --- slack, kinds, stops ------------------------------------------------------------------------------
def test_a_slack_rod_has_no_formula_but_a_gap() -> None:
    plan = planned(easing(rod_slack=True))
    assert plan["status"] == "take_up_slack"
    assert plan["direction"] == "raise"
    assert plan["turns"] is None
    assert "first-bearing-change" in codes(plan, "stop_conditions")


@pytest.mark.parametrize("rod", [0.0, -50.0, 280.0])
def test_a_rod_that_carries_no_more_than_its_hardware_may_be_slack(rod: float) -> None:
    assert planned(without(easing(rod=rod), "/rod_slack"))["status"] == "take_up_slack"


def test_a_tight_rod_with_a_pushing_load_is_not_believed() -> None:
    plan = planned(easing(rod=-50.0))
    assert plan["status"] == "cannot_say"
    assert "/rod_load/load" in plan["missing"]


def test_rigid_horizontal_and_released_supports_are_refused() -> None:
    assert planned(easing({"line": "L-1", "mark": "R-1", "kind": "rigid"}))["refusal"]["code"] == "no-stop"
    sideways = constant()
    sideways["line_of_action"] = "horizontal"
    assert planned(easing(sideways))["refusal"]["code"] == "horizontal-line-of-action"
    assert planned(easing(stops_in=False))["refusal"]["code"] == "stops-are-out"
    plan = planned(without(easing(), "/stops_in"))
    assert plan["status"] == "cannot_say"
    assert "/stops_in" in plan["missing"]


def test_without_a_record_it_cannot_be_said() -> None:
    plan = planned(without(easing(), "/hanger"))
    assert plan["status"] == "cannot_say"
    assert plan["missing"] == ["/hanger/kind"]


def test_a_rod_that_would_go_slack_on_the_way_is_refused() -> None:
    record = variable()
    record["stop"]["slot_clearance"] = q(700, "mm")
    record["adjuster"]["turn_limit_lower"] = 9000
    request = easing(
        record, rod=18_000.0, engagement=[{"end": e, "measured": q(2e4, "mm")} for e in ("upper", "lower")]
    )
    plan = planned(request)
    assert plan["status"] == "refused"
    assert plan["refusal"]["code"] == "rod-would-go-slack"


# --- stop and call the engineer -----------------------------------------------------------------------
def tolerances(height: float, designed: float = 0.0) -> Document:
    return {"designed_imbalance": q(designed, "N"), "height": q(height, "mm"), "reading": q(0, "mm")}


def test_where_to_call_the_engineer_is_a_stop_condition() -> None:
    """4 mm of height over 6 mm a turn and half the slot of 0.333 turns: 1.0 turns."""
    plan = planned(easing(tolerances=tolerances(4.0)))
    assert plan["status"] == "planned"
    call = next(entry for entry in plan["stop_conditions"] if entry["code"] == "call-the-engineer")
    assert call["turns"] == pytest.approx(1.0)


def test_more_turns_than_the_design_explains_are_refused() -> None:
    plan = planned(easing(tolerances=tolerances(2.0)))
    assert plan["refusal"]["code"] == "more-than-explained"
    assert plan["refusal"]["nearest"]["turns"] == pytest.approx(2 / 6 + 1 / 3)
    assert planned(easing(tolerances=tolerances(2.0, designed=1000.0)))["status"] == "planned"
    wrong_way = planned(easing(tolerances=tolerances(0.5, designed=-4000.0)))
    assert wrong_way["refusal"]["code"] == "more-than-explained"
    assert wrong_way["refusal"]["nearest"]["turns"] == 0.0


# --- holds --------------------------------------------------------------------------------------------
def test_the_neighbour_that_feels_most_makes_the_step() -> None:
    neighbour = {"mark": "H-2", "operating_load": q(5, "kN"), "load_change_per_turn": q(-3.6, "kN")}
    plan = planned(easing(neighbours=[neighbour]))
    assert plan["step"]["reason"] == "load_at_neighbour"
    assert plan["step"]["mark"] == "H-2"
    assert plan["step"]["turns"] == pytest.approx(0.5 / 3.6)
    assert "neighbour-influence-unknown" in codes(planned(without(easing(), "/neighbours")))
    assert "neighbour-influence-unknown" not in codes(plan)


def test_the_holds_follow_the_plants_criteria() -> None:
    strict = Criteria(
        {
            "limits": {
                "hold_point_load": {"value": q(5, "%"), "source": "plant rule 7", "source_status": "plant"}
            }
        }
    )
    plan = planned(easing(), criteria=strict)
    assert plan["step"]["turns"] == pytest.approx(0.05 * 14500 / 4762.362)
    basis = next(entry for entry in plan["basis"] if entry["formula"] == "hold_point_load")
    assert basis["source"] == "plant rule 7"


def test_a_pair_is_planned_for_one_of_its_assemblies_with_its_share() -> None:
    record = constant()
    record["assemblies"] = [{"load_share": q(40, "%")}, {"load_share": q(60, "%")}]
    plan = planned(easing(record))
    assert plan["status"] == "cannot_say"
    assert "/assembly" in plan["missing"]
    plan = planned(easing(record, assembly=1))
    assert plan["step"]["turns"] == pytest.approx(0.1 * 0.4 * 14500 / 4762.362)
    assert "pair" in codes(plan)
    soft = planned(easing(record, assembly=1, stiffness={"seen": {"value": q(10, "N/mm")}}))
    assert soft["step"] is None or soft["step"]["turns"] <= 0.5
    with pytest.raises(InvalidDocument):
        plan_nut(easing(record, assembly=3))
    record["assemblies"] = [{"load_share": q(40, "%")}, {}]
    assert "/hanger/assemblies/1/load_share" in planned(easing(record, assembly=2))["missing"]


def test_the_difference_of_a_pair_bounds_the_step() -> None:
    record = constant()
    record["assemblies"] = [{}, {}]
    record["adjuster"]["turn_limit_raise"] = 500
    record["design"]["friction"] = q(0, "%")
    plan = planned(easing(record, assembly=2, stiffness={"seen": {"value": q(50, "N/mm")}}))
    assert plan["step"]["reason"] == "pair"
    assert plan["step"]["turns"] == 0.5


def test_work_of_too_many_holds_is_refused() -> None:
    record = constant()
    record["adjuster"]["turn_limit_raise"] = 9000
    plan = planned(easing(record, stiffness={"seen": {"value": q(0.5, "N/mm")}}))
    assert plan["refusal"]["code"] == "too-many-holds"


# --- stiffness in parts -------------------------------------------------------------------------------
def test_stiffness_in_parts_takes_rod_and_steel_from_the_record() -> None:
    """M24 rod of 2 m: 203 GPa x 352.5 mm2 / 2 m = 35.78 kN/mm; steel 20; line 0.8 kN/mm."""
    record = constant()
    record["rod"] = {"thread": "M24", "length_between_pins": q(2, "m")}
    record["design"]["steel_stiffness"] = q(20, "kN/mm")
    parts = {"line": {"value": q(0.8, "kN/mm")}, "rigid": ["assembly"]}
    plan = planned(easing(record, stiffness={"parts": parts}))
    k = 1 / (1 / 0.8 + 1 / 20 + 1 / 35.78)
    assert plan["predicted"]["load_per_turn"]["low"]["value"] == pytest.approx(6 * k, rel=1e-4)
    assert {"series_stiffness", "rod_stiffness"} <= {entry["formula"] for entry in plan["basis"]}


def test_a_part_that_nobody_calls_rigid_is_missing() -> None:
    plan = planned(easing(stiffness={"parts": {"line": {"value": q(0.8, "kN/mm")}, "rigid": ["steel"]}}))
    assert plan["status"] == "one_flat_and_look"
    assert {"/stiffness/parts/rod", "/stiffness/parts/assembly"} <= set(plan["missing"])


# --- observed turns -----------------------------------------------------------------------------------
def test_the_turns_to_freedom_are_a_measurement() -> None:
    record = constant()
    record["design"]["friction"] = q(4, "%")
    request = without(easing(record, bearing_face="none", observed={"free_at_turns": 0.5}), "/rod_load")
    plan = planned(request)
    before = plan["found"]["rod_load_before"]
    assert before["low"]["value"] == pytest.approx((14787.938 * 0.96 - 0.5 * 4762.362) / 1e3, rel=1e-6)
    assert before["high"]["value"] == pytest.approx((14787.938 * 1.04 - 0.5 * 4762.362) / 1e3, rel=1e-6)
    assert "cause-not-known" in codes(plan)


def test_break_away_both_ways_gives_friction_without_the_record() -> None:
    request = easing(bearing_face="none", observed={"break_away_raising": 0.6, "break_away_lowering": 0.4})
    plan = planned(without(request, "/rod_load", "/hanger/design/friction"))
    assert plan["found"]["friction"]["low"]["value"] == pytest.approx(0.4762362)


def test_a_slack_rod_contradicts_a_face_that_the_rod_pulls_on() -> None:
    assert planned(easing(rod_slack=True, bearing_face="lower"))["status"] == "cannot_say"
    assert planned(easing(rod_slack=True, bearing_face="none"))["status"] == "cannot_say"
    assert planned(easing(rod_slack=True, bearing_face="upper"))["status"] == "take_up_slack"


def test_a_rod_that_pulls_on_the_stop_is_not_slack_whatever_the_estimate() -> None:
    request = without(easing(bearing_face="lower"), "/rod_slack")
    request["rod_load"] = {
        "at": "spring",
        "basis": "estimated",
        "load": {"low": q(-1, "kN"), "high": q(16, "kN")},
    }
    plan = planned(request)
    assert plan["status"] == "planned"
    assert plan["direction"] == "lower"
    # No friction: a rod that pulls on the stop carries at least the spring's 14,787.938 N.
    assert plan["holds"][-1]["rod_load"]["low"]["value"] == pytest.approx(14.787938)


def test_without_the_number_of_flats_a_flat_has_no_turns() -> None:
    for more in ({"rod_slack": True}, {"bearing_face": "upper"}):
        plan = planned(without(easing(**more), "/hanger/adjuster/flats", "/rod_load", "/stiffness"))
        assert plan["step"] == {"turns": None, "flats": 1.0, "reason": "one_flat", "mark": None}
        assert "flats-not-known" in codes(plan)
    plan = planned(without(easing(), "/hanger/adjuster/flats"))
    assert plan["status"] == "planned"
    assert plan["flats"] is None


def test_loads_that_agree_without_slot_or_friction_leave_nothing_to_turn() -> None:
    record = constant()
    record["stop"]["slot_clearance"] = q(0, "mm")
    plan = planned(easing(record, rod=14787.938, bearing_face="upper"))
    assert plan["status"] == "nothing_to_turn"


def test_a_stiffness_known_too_poorly_has_no_call_threshold() -> None:
    stiffness = {"seen": {"low": q(400, "N/mm"), "high": q(4000, "N/mm")}}
    tolerance = {"designed_imbalance": q(2381, "N"), "height": q(0, "mm"), "reading": q(0, "mm")}
    plan = planned(easing(tolerances=tolerance, stiffness=stiffness))
    assert "no-call-threshold" in codes(plan)


def test_the_reach_that_ends_inside_the_interval_is_a_caution() -> None:
    record = constant()
    record["adjuster"]["turn_limit_raise"] = 1.0
    plan = planned(easing(record))
    assert plan["status"] == "planned"
    assert "reach-inside-interval" in codes(plan)
    assert "reach-inside-interval" not in codes(planned(easing()))


def test_inside_the_friction_band_the_stop_is_tried_first() -> None:
    record = constant()
    record["design"]["friction"] = q(4, "%")
    plan = planned(easing(record, rod=14_500.0))
    assert plan["turns"]["earliest"] == 0.0
    assert "may-be-free-already" in codes(plan)


def test_where_no_turns_free_the_pin_for_certain_the_plan_says_so() -> None:
    request = easing()
    request["rod_load"]["load"] = {"low": q(8, "kN"), "high": q(14, "kN")}
    plan = planned(request)
    assert plan["predicted"]["free_for_all"] is None
    assert "no-turns-free-for-all" in codes(plan)
    assert plan["turns"]["aim"] == pytest.approx((14787.938 - 14_000) / 4762.362 + 1 / 3)


def test_a_part_of_the_parts_may_be_stated_and_a_base_spring_has_no_rod() -> None:
    """Line 800, rod 2400, steel 1200, assembly 1200 N/mm in series: 300 N/mm; without a rod 342.86."""
    parts = {
        "line": {"value": q(800, "N/mm")},
        "rod": {"value": q(2400, "N/mm")},
        "steel": {"value": q(1200, "N/mm")},
        "assembly": {"value": q(1200, "N/mm")},
    }
    plan = planned(easing(stiffness={"parts": parts}))
    assert plan["predicted"]["load_per_turn"]["low"]["value"] == pytest.approx(1.8)
    record = constant()
    record["acts_from"] = "below"
    ends = [{"end": end, "measured": q(500, "mm")} for end in ("upper", "lower")]
    plan = planned(easing(record, stiffness={"parts": without(parts, "/rod")}, engagement=ends))
    assert plan["predicted"]["load_per_turn"]["low"]["value"] == pytest.approx(6 * 0.342857, rel=1e-5)


def test_a_rod_thread_that_cannot_be_read_leaves_the_rod_missing() -> None:
    record = constant()
    record["rod"] = {"thread": "coarse", "length_between_pins": q(2, "m")}
    parts = {"line": {"value": q(0.8, "kN/mm")}, "rigid": ["assembly", "steel"]}
    plan = planned(easing(record, stiffness={"parts": parts}))
    assert "/stiffness/parts/rod" in plan["missing"]


def test_a_spring_load_stated_goes_before_the_records() -> None:
    plan = planned(easing(spring_load={"value": q(14_000, "N")}))
    assert plan["turns"]["earliest"] == pytest.approx((14_000 - 12_406.8) / 4762.362)


def test_a_friction_stated_goes_before_the_records() -> None:
    """4 % stated, none on the record: case E2, 0.376 to 1.291 turns."""
    plan = planned(easing(friction=q(4, "%")))
    assert plan["turns"]["earliest"] == pytest.approx(0.376, abs=5e-4)
    assert plan["turns"]["latest"] == pytest.approx(1.291, abs=5e-4)


def test_observed_turns_measure_nothing_without_stiffness_or_friction() -> None:
    request = easing(bearing_face="none", observed={"free_at_turns": 0.5})
    assert planned(without(request, "/stiffness", "/rod_load"))["found"] is None
    found = planned(without(request, "/hanger/design/friction", "/rod_load"))["found"]
    assert found == {"rod_load_before": None, "friction": None}


def test_the_alternative_does_not_judge_an_adjustability_that_is_not_known() -> None:
    record = constant()
    record["adjuster"]["turn_limit_raise"] = 0.25
    del record["design"]["load_adjustability"]
    plan = planned(easing(record))
    assert plan["alternative"]["within_adjustability"] is None
    assert "/hanger/design/load_adjustability/raise" in plan["missing"]
    spring = variable()
    spring["adjuster"]["turn_limit_raise"] = 0.25
    assert planned(easing(spring, rod=14_000.0))["alternative"] is None


def test_a_slack_rod_is_not_taken_up_beyond_the_turn_limit() -> None:
    record = constant()
    record["adjuster"]["turn_limit_raise"] = 0
    plan = planned(easing(record, rod_slack=True))
    assert plan["refusal"]["code"] == "beyond-turn-limit"
    assert plan["step"] is None
