"""Plans for released supports: load correction, load adjuster, positioning, and the way back."""

from __future__ import annotations

import pytest

from tests.unit.domain.nut_plan_samples import (
    adjuster,
    codes,
    constant,
    correction,
    easing,
    planned,
    positioning,
    q,
    variable,
    way_back,
    without,
)


# --- load correction ----------------------------------------------------------------------------------
def test_reference_case_of_a_load_correction() -> None:
    """k_s 100, line 656 N/mm, raise 1.5 kN: 17.29 mm, 2.88 turns of an M24 turnbuckle."""
    record = variable()
    record["design"]["spring_rate"] = q(100, "N/mm")
    plan = planned(correction(record))
    assert plan["status"] == "planned"
    assert plan["direction"] == "raise"
    assert plan["turns"]["aim"] == pytest.approx(2.88, abs=5e-3)
    assert plan["predicted"]["pipe_movement"]["low"]["value"] == pytest.approx(1500 / 656)
    assert plan["predicted"]["indicator_change"]["value"] == pytest.approx(-15.0)
    assert all(
        b["turns"] - a["turns"] <= 2.88 / 4 + 1e-3
        for a, b in zip(plan["holds"], plan["holds"][1:], strict=False)
    )
    record["indicator"]["rises_when_pipe"] = "falls"
    assert planned(correction(record))["predicted"]["indicator_change"]["value"] == pytest.approx(15.0)
    del record["indicator"]
    assert planned(correction(record))["predicted"]["indicator_change"] is None
    lowered = planned(correction(change=-600.0))
    assert lowered["direction"] == "lower"
    assert lowered["turns"]["aim"] == pytest.approx(-planned(correction(change=600.0))["turns"]["aim"])


def test_a_load_beyond_the_working_range_is_refused_with_the_nearest() -> None:
    """Range 10 to 22 kN, now 15 kN: +7 kN is the most; 8 is refused, 7 exactly is not."""
    record = variable()
    record["adjuster"]["turn_limit_raise"] = 100
    record["adjuster"]["turn_limit_lower"] = 100
    ends = [{"end": end, "measured": q(900, "mm")} for end in ("upper", "lower")]
    assert planned(correction(record, change=7000.0, engagement=ends))["status"] == "planned"
    plan = planned(correction(record, change=8000.0, engagement=ends))
    assert plan["refusal"]["code"] == "beyond-working-range"
    per_turn = 6e-3 / (1 / 60e3 + 1 / 656e3)
    assert plan["refusal"]["nearest"]["turns"] == pytest.approx(7000 / per_turn)
    down = planned(correction(record, change=-6000.0, engagement=ends))
    assert down["refusal"]["nearest"]["turns"] == pytest.approx(-5000 / per_turn)
    unknown = planned(without(correction(record), "/spring_load"))
    assert unknown["status"] == "planned"
    assert "range-not-checked" in codes(unknown)
    assert "/spring_load" in unknown["missing"]


def test_what_a_load_correction_cannot_do() -> None:
    assert planned(correction(constant()))["refusal"]["code"] == "nut-does-not-set-load"
    assert planned(correction(stops_in=True))["refusal"]["code"] == "stops-are-in"
    for pointer in ("/stops_in", "/load_change", "/stiffness", "/hanger/design/spring_rate"):
        plan = planned(without(correction(), pointer))
        assert plan["status"] == "cannot_say"
        assert pointer in plan["missing"]
    assert planned(correction(change=0.0))["status"] == "nothing_to_turn"
    lead = variable()
    del lead["adjuster"]["thread"]
    assert "/hanger/adjuster/lead_per_turn" in planned(correction(lead))["missing"]


# --- load adjuster ------------------------------------------------------------------------------------
def test_the_return_of_the_load_adjuster_goes_in_steps_and_moves_the_pipe() -> None:
    """4 % of 14,787.938 N at 150 N a turn: 3.943 turns down; the pipe goes down 591.5/124.02 = 4.77 mm."""
    plan = planned(adjuster())
    assert plan["status"] == "planned"
    assert plan["device"] == "load_adjuster"
    assert plan["direction"] == "lower"
    assert plan["rotation"]["sense"] is None
    assert plan["turns"]["aim"] == pytest.approx(-3.94345, abs=1e-4)
    assert len(plan["holds"]) >= 4
    assert plan["predicted"]["pipe_movement"]["low"]["value"] == pytest.approx(-4.7695, rel=1e-3)
    assert {"load-adjuster-return", "adjuster-moves-pipe", "scale-shows-setting"} <= set(codes(plan))
    ledger = planned(without(adjuster(load_adjuster_ledger=[3.0, 0.943]), "/load_adjuster/setting"))
    assert ledger["turns"]["aim"] == pytest.approx(-3.943)


def test_beyond_the_adjustability_is_refused_with_the_nearest() -> None:
    assert planned(adjuster(0.0, 10.0))["status"] == "planned"
    plan = planned(adjuster(0.0, 12.0))
    assert plan["refusal"]["code"] == "beyond-adjustability"
    assert plan["predicted"]["nearest_setting"]["value"] == pytest.approx(10.0)
    assert plan["refusal"]["nearest"]["turns"] == pytest.approx(1478.7938 / 150)


def test_without_load_per_turn_the_load_adjuster_is_planned_in_per_cent() -> None:
    plan = planned(without(adjuster(), "/hanger/design/load_adjustability/load_per_turn"))
    assert plan["status"] == "planned"
    assert plan["turns"] is None
    assert plan["predicted"]["load_change"]["value"] == pytest.approx(-0.59151752)
    assert "/hanger/design/load_adjustability/load_per_turn" in plan["missing"]


def test_what_the_load_adjuster_cannot_do() -> None:
    assert planned(adjuster(hanger=variable()))["refusal"]["code"] == "no-load-adjuster"
    assert planned(adjuster(2.0, 2.0))["status"] == "nothing_to_turn"
    assert "load-adjuster-return" not in codes(planned(adjuster(0.0, 0.0)))
    for pointer in ("/load_adjuster", "/hanger/design/calibrated_load", "/hanger/design/load_adjustability"):
        assert planned(without(adjuster(), pointer))["status"] == "cannot_say"
    assert "/load_adjuster/setting" in planned(without(adjuster(), "/load_adjuster/setting"))["missing"]
    locked = planned(adjuster(stops_in=True))
    assert "pipe_movement" not in locked["predicted"]
    assert "stops-decide-effect" in codes(planned(without(adjuster(), "/stops_in")))
    none = planned(without(adjuster(), "/hanger/design/operating_load"))
    assert "own-load-change-unknown" in codes(none)
    tiny = adjuster()
    tiny["hanger"]["design"]["operating_load"] = q(1, "N")
    assert planned(tiny)["refusal"]["code"] == "too-many-holds"


def test_a_turned_load_adjuster_shifts_the_spring_load_of_easing() -> None:
    """2 turns of 150 N down: S is 14,487.9 N, so that n_earliest falls from 0.5 to 0.437."""
    plan = planned(easing(load_adjuster_ledger=[-2.0]))
    assert plan["turns"]["earliest"] == pytest.approx((14487.938 - 12406.8) / 4762.362)
    request = without(easing(load_adjuster_ledger=[-2.0]), "/hanger/design/load_adjustability/load_per_turn")
    assert planned(request)["status"] == "cannot_say"


# --- positioning and way back -------------------------------------------------------------------------
def test_a_constant_support_goes_to_its_expected_reading() -> None:
    """E1 with the nut back at zero: reading 5 mm, expected 0: up by 0.833 turns."""
    plan = planned(positioning())
    assert plan["status"] == "planned"
    assert plan["direction"] == "raise"
    assert plan["turns"]["aim"] == pytest.approx(0.8333, abs=5e-4)
    assert plan["predicted"]["reading_per_turn"] == q(-6.0, "mm")
    assert {"constant-load-unchanged", "not-the-cold-mark", "relief-not-known"} <= set(codes(plan))
    record = constant()
    record["indicator"]["rises_when_pipe"] = "falls"
    assert planned(positioning(record))["turns"]["aim"] == pytest.approx(-0.8333, abs=5e-4)
    assert planned(positioning(reading=0.0))["status"] == "nothing_to_turn"
    stated = planned(positioning(expected_reading=q(-1, "mm")))
    assert stated["turns"]["aim"] == pytest.approx(1.0)


def test_the_relief_that_leaves_friction_unbiased_is_told_where_it_is_known() -> None:
    """4 % of 14,787.9 N over 4,762.4 N a turn: 0.1242 turns back after raising."""
    record = constant()
    record["design"]["friction"] = q(4, "%")
    plan = planned(positioning(record, stiffness={"seen": {"value": q(793.727, "N/mm")}}))
    assert plan["predicted"]["relief_turns"]["low"] == pytest.approx(-0.12421, abs=1e-4)
    # Until the band is crossed the pin does not follow: up to twice as many turns more than 0.8333.
    assert plan["turns"]["earliest"] == plan["turns"]["aim"] == pytest.approx(0.83333, abs=1e-4)
    assert plan["turns"]["latest"] == pytest.approx(0.83333 + 2 * 0.12421, abs=2e-4)
    assert "friction-biases" in codes(plan)


def test_reading_and_elevation_that_cannot_both_be_met_go_to_the_engineer() -> None:
    assert planned(positioning(elevation_difference=q(-6, "mm")))["status"] == "planned"
    assert (
        planned(positioning(elevation_difference=q(6.01, "mm")))["refusal"]["code"] == "elevation-not-right"
    )
    wide = positioning(elevation_difference=q(9, "mm"), elevation_tolerance=q(10, "mm"))
    assert planned(wide)["status"] == "planned"
    for pointer in ("/elevation_difference", "/reading", "/hanger/indicator/rises_when_pipe"):
        plan = planned(without(positioning(), pointer))
        assert plan["status"] == "cannot_say"
        assert pointer in plan["missing"]


def test_a_reading_off_the_scale_is_refused_with_the_nearest() -> None:
    plan = planned(positioning(expected_reading=q(-63, "mm")))
    assert plan["refusal"]["code"] == "beyond-travel"
    assert plan["refusal"]["nearest"]["turns"] == pytest.approx(65 / 6)
    assert "travel-not-checked" in codes(planned(without(positioning(), "/hanger/indicator/span")))


def test_a_variable_support_goes_back_by_its_net_turns_and_not_to_its_mark() -> None:
    request = positioning(variable(), ledger=[0.75, 0.5, -0.25])
    plan = planned(request)
    assert plan["turns"]["aim"] == -1.0
    assert plan["direction"] == "lower"
    assert plan["net_turns"] == {"now": 1.0, "after": 0.0}
    assert "not-the-cold-mark" in codes(plan)
    assert planned({**request, "reading": q(30, "mm")})["turns"] == plan["turns"]
    assert planned(without(request, "/ledger"))["status"] == "cannot_say"
    assert planned(positioning(variable(), stops_in=True))["refusal"]["code"] == "stops-are-in"


def test_positioning_steps_of_a_variable_support_go_by_its_own_stiffness() -> None:
    """Series of 60 and 793.727 N/mm over 6 mm: 334.7 N a turn, so that a tenth of 14.5 kN is over 4 turns."""
    request = positioning(variable(), ledger=[3.0], stiffness={"seen": {"value": q(793.727, "N/mm")}})
    plan = planned(request)
    assert plan["step"]["reason"] == "part_of_total"
    assert "own-load-change-unknown" not in codes(plan)
    assert "own-load-change-unknown" in codes(planned(without(request, "/hanger/design/spring_rate")))


def test_the_way_back_undoes_the_net_turns_in_steps() -> None:
    plan = planned(way_back([0.5, 0.5, 0.5]))
    assert plan["turns"]["aim"] == -1.5
    assert plan["step"]["turns"] == pytest.approx(1450 / 4762.362)
    assert plan["holds"][-1]["engagement"][0]["engagement"] == q(36.0, "mm")
    assert planned(way_back([0.5, -0.5]))["status"] == "nothing_to_turn"
    assert planned(without(way_back([]), "/ledger"))["status"] == "cannot_say"
    released = planned(way_back([1.0], stops_in=False))
    assert "constant-load-unchanged" in codes(released)
    unknown = planned(without(way_back([1.0]), "/stops_in", "/stiffness"))
    assert {"stops-decide-effect", "own-load-change-unknown"} <= set(codes(unknown))
    assert "load-adjuster-return" in codes(planned(way_back([1.0], load_adjuster_ledger=[1.0])))


def test_the_way_back_may_restore_a_short_engagement_but_not_shorten_it_further() -> None:
    short = [{"end": "upper", "measured": q(20, "mm")}]
    assert planned(way_back([-2.0], engagement=short))["status"] == "planned"
    assert planned(way_back([2.0], engagement=short))["refusal"]["code"] == "engagement-below-least"


def test_the_way_back_of_a_coupler_ends_as_drawn() -> None:
    record = constant()
    record["adjuster"] |= {"form": "coupling", "hands": "same_hand_coupler", "second_thread": "M24x2"}
    plan = planned(way_back([3.0], hanger=record))
    assert plan["status"] == "planned"
    assert plan["holds"][-1]["engagement"][0]["engagement"] == q(36.0, "mm")


def test_an_unusable_lead_stops_the_way_back() -> None:
    record = constant()
    record["adjuster"]["lead_per_turn"] = q(3, "mm")
    assert planned(way_back([1.0], hanger=record))["status"] == "cannot_say"
    record["adjuster"] = {"hands": "same_hand_coupler", "thread": "M24", "second_thread": "M24"}
    assert planned(way_back([1.0], hanger=record))["refusal"]["code"] == "adjuster-has-no-lead"
    record["adjuster"] = {}
    assert planned(positioning(record))["status"] == "cannot_say"


def test_positioning_warns_of_a_load_adjuster_that_is_off_its_setting() -> None:
    assert "load-adjuster-return" in codes(planned(positioning(load_adjuster_ledger=[2.0])))
    assert "load-adjuster-return" not in codes(planned(positioning(load_adjuster_ledger=[0.1] * 10 + [-1.0])))
    # Used to ease, its return is compulsory too.
    assert "load-adjuster-return" in codes(planned(easing(load_adjuster_ledger=[2.0])))
    assert "load-adjuster-return" not in codes(planned(easing(load_adjuster_ledger=[])))


def test_work_of_too_many_holds_on_a_released_support_is_refused() -> None:
    record = constant()
    record["design"]["operating_load"] = q(1, "N")
    assert planned(way_back([3.0], hanger=record))["refusal"]["code"] == "too-many-holds"


def test_the_step_of_a_load_correction_counts_with_the_stiffest_line() -> None:
    """A tenth of 1 kN, over 6 mm through 60 and 656 N/mm in series: 329.8 N a turn."""
    record = variable()
    record["design"]["operating_load"] = q(1, "kN")
    stiffness = {"seen": {"low": q(100, "N/mm"), "high": q(656, "N/mm")}}
    plan = planned(correction(record, change=600.0, stiffness=stiffness))
    assert plan["step"]["reason"] == "load_here"
    assert plan["step"]["turns"] == pytest.approx(100.0 / (6e-3 / (1 / 60e3 + 1 / 656e3)))
