"""What an adjuster may do: engagement, turn limits, leads, and what the store knows."""

from __future__ import annotations

import pytest

from tests.unit.domain.nut_plan_samples import (
    codes,
    constant,
    easing,
    planned,
    q,
    variable,
    without,
)


# --- limits -------------------------------------------------------------------------------------------
def test_beyond_the_turn_limit_is_refused_with_the_nearest_and_never_cut_down() -> None:
    record = constant()
    record["adjuster"]["turn_limit_raise"] = 1.5
    plan = planned(easing(record, ledger=[1.0, 0.25]))
    assert plan["status"] == "refused"
    assert plan["refusal"]["code"] == "beyond-turn-limit"
    assert plan["refusal"]["nearest"] == {"turns": 0.25, "flats": 1.5}
    assert plan["turns"] is None
    assert plan["holds"] == []
    assert plan["alternative"]["device"] == "load_adjuster"
    # After 0.25 turns the rod carries 13,597.4 N: the set load would have to fall by 1,190.5 N, 8.05 %.
    assert plan["alternative"]["load_change"]["value"] == pytest.approx(-1.190548, rel=1e-4)
    assert plan["alternative"]["setting"]["value"] == pytest.approx(-8.0508, rel=1e-4)
    assert plan["alternative"]["within_adjustability"] is True


def test_a_turn_limit_met_exactly_is_within() -> None:
    aim = planned(easing())["turns"]["aim"]
    record = constant()
    record["adjuster"]["turn_limit_raise"] = 1.0 + aim
    assert planned(easing(record, ledger=[1.0]))["status"] == "planned"
    record["adjuster"]["turn_limit_raise"] = 1.0 + aim - 1e-6
    assert planned(easing(record, ledger=[1.0]))["status"] == "refused"


def test_lowering_past_the_engagement_is_refused_with_the_turns_that_are_left() -> None:
    """Measured 25 mm, least 24 mm, 3 mm a turn: a third of a turn is left; 0.833 are needed."""
    heavy = 2 * 14787.938 - 12406.8
    ends = [{"end": "upper", "measured": q(25, "mm")}, {"end": "lower", "measured": q(30, "mm")}]
    plan = planned(easing(rod=heavy, engagement=ends))
    assert plan["refusal"]["code"] == "beyond-engagement"
    assert plan["refusal"]["nearest"]["turns"] == pytest.approx(-1 / 3)
    assert plan["refusal"]["nearest"]["flats"] == pytest.approx(-2.0)


@pytest.mark.parametrize("end", ["upper", "lower"])
def test_no_turn_while_an_end_has_less_engagement_than_allowed(end: str) -> None:
    for seen in ({"end": end, "measured": q(23, "mm")}, {"end": end, "full": False}):
        plan = planned(easing(engagement=[seen]))
        assert plan["status"] == "refused"
        assert plan["refusal"]["code"] == "engagement-below-least"


def test_engagement_not_known_forbids_lowering_and_warns_when_raising() -> None:
    request = without(easing(), "/engagement", "/hanger/adjuster/engagement")
    plan = planned(request)
    assert plan["status"] == "planned"
    assert "engagement-not-known" in codes(plan)
    assert "/hanger/adjuster/engagement" in plan["missing"]
    request["rod_load"]["load"] = {"value": q(17, "kN")}
    plan = planned(request)
    assert plan["status"] == "cannot_say"
    assert plan["direction"] == "lower"


def test_one_end_not_known_forbids_lowering() -> None:
    request = easing(rod=17_000.0, engagement=[])
    request["hanger"]["adjuster"]["engagement"].pop()
    plan = planned(request)
    assert plan["status"] == "cannot_say"
    assert "/hanger/adjuster/engagement" in plan["missing"]


def test_the_drawing_and_the_ledger_stand_in_for_a_measured_engagement() -> None:
    plan = planned(easing(rod=17_000.0, engagement=[], ledger=[-1.0]))
    assert plan["engagement"][0]["engagement"] == q(33.0, "mm")
    assert "engagement-from-drawing" in codes(plan)
    assert plan["status"] == "planned"
    plan = planned(without(easing(rod=17_000.0, engagement=[]), "/ledger"))
    assert plan["status"] == "cannot_say"
    assert "/ledger" in plan["missing"]


def test_full_engagement_seen_agrees_with_the_drawing() -> None:
    seen = [{"end": end, "full": True} for end in ("upper", "lower")]
    plan = planned(easing(rod=17_000.0, engagement=seen))
    assert plan["status"] == "planned"
    assert plan["engagement"][0]["engagement"] == q(36.0, "mm")


def test_a_measured_engagement_below_the_drawn_one_rules_out_the_drawing() -> None:
    ends = [{"end": end, "measured": q(30, "mm")} for end in ("upper", "lower")]
    plan = planned(easing(rod=17_000.0, engagement=ends))
    assert plan["engagement"][0]["engagement"] == q(30.0, "mm")
    assert plan["holds"][-1]["engagement"][0]["engagement"]["value"] == pytest.approx(
        30 + 3 * plan["turns"]["aim"], abs=1e-6
    )


def test_a_base_spring_loses_thread_when_raised() -> None:
    record = constant()
    record["acts_from"] = "below"
    record["adjuster"] |= {"form": "load_column", "hands": "single", "thread": "M48x3"}
    record["adjuster"]["engagement"] = [
        {"end": "lower", "as_drawn": q(50, "mm"), "least_allowed": q(48, "mm")}
    ]
    plan = planned(easing(record, engagement=[]))
    assert plan["refusal"]["code"] == "beyond-engagement"
    assert plan["refusal"]["nearest"]["turns"] == pytest.approx(2 / 3)


def test_a_coupler_of_one_hand_loses_thread_whichever_way_it_turns() -> None:
    record = constant()
    record["adjuster"] |= {"form": "coupling", "hands": "same_hand_coupler", "second_thread": "M24x2"}
    for rod in (14_700.0, 14_850.0):
        plan = planned(easing(record, rod=rod))
        assert plan["holds"][-1]["engagement"][0]["engagement"]["value"] < 36


def test_an_adjuster_that_changes_nothing_is_refused() -> None:
    record = constant()
    record["adjuster"] |= {"hands": "same_hand_coupler", "second_thread": "M24"}
    assert planned(easing(record))["refusal"]["code"] == "adjuster-has-no-lead"


def test_a_lead_that_contradicts_the_threads_cannot_be_said() -> None:
    record = constant()
    record["adjuster"]["lead_per_turn"] = q(3, "mm")
    assert planned(easing(record))["status"] == "cannot_say"
    record["adjuster"]["lead_per_turn"] = q(6, "mm")
    assert planned(easing(record))["turns"] == planned(easing())["turns"]


def test_a_lead_without_a_readable_thread_will_do() -> None:
    record = constant()
    record["adjuster"] |= {"thread": "coarse", "lead_per_turn": q(6, "mm")}
    plan = planned(easing(record))
    assert plan["turns"] == pytest.approx(planned(easing())["turns"])
    assert "/hanger/adjuster/thread" in plan["missing"]
    del record["adjuster"]["lead_per_turn"]
    plan = planned(easing(record))
    assert plan["status"] != "planned"
    assert "/hanger/adjuster/lead_per_turn" in plan["missing"]


def test_a_missing_turn_limit_is_named_and_a_limit_without_a_ledger_cannot_be_verified() -> None:
    plan = planned(without(easing(), "/hanger/adjuster/turn_limit_raise"))
    assert plan["status"] == "planned"
    assert "/hanger/adjuster/turn_limit_raise" in plan["missing"]
    assert "turn-limit-not-known" in codes(plan)
    plan = planned(without(easing(), "/ledger"))
    assert plan["status"] == "cannot_say"
    assert "/ledger" in plan["missing"]


# --- what the store knows -----------------------------------------------------------------------------
def test_the_store_rules_over_stops_and_ledger() -> None:
    request = easing(ledger=[5.0])
    plan = planned(request, known={"stops_in": True, "ledger": [1.0]})
    assert plan["net_turns"]["now"] == 1.0
    assert {"pointer": "/ledger", "value": [1.0], "from": "store"} in plan["inputs"]
    assert planned(request, known={"stops_in": False})["refusal"]["code"] == "stops-are-out"


def test_two_different_faces_make_the_face_unknown() -> None:
    request = without(easing(bearing_face="upper"), "/rod_load")
    plan = planned(request, known={"bearing_face": "lower"})
    assert plan["status"] == "cannot_say"
    assert "faces-differ" in codes(plan)
    assert planned(request, known={"bearing_face": "upper"})["direction"] == "raise"
    assert planned(request, known={"bearing_face": "unknown"})["direction"] == "raise"
    unknown = {**request, "bearing_face": "unknown"}
    assert planned(unknown, known={"bearing_face": "lower"})["direction"] == "lower"


def test_of_two_engagements_the_smaller_counts_and_not_full_counts_most() -> None:
    request = easing(engagement=[{"end": "upper", "measured": q(36, "mm")}, {"end": "lower", "full": True}])
    plan = planned(
        request, known={"engagement": [{"end": "upper", "measured": q(31, "mm")}], "rod_slack": False}
    )
    assert plan["engagement"][0]["engagement"] == q(31.0, "mm")
    plan = planned(request, known={"engagement": [{"end": "lower", "full": False}]})
    assert plan["refusal"]["code"] == "engagement-below-least"
    plan = planned(request, known={"engagement": [{"end": "upper", "full": False}]})
    assert plan["refusal"]["code"] == "engagement-below-least"
    assert planned(request, known={"rod_slack": True})["status"] == "take_up_slack"


def test_a_record_of_the_store_goes_before_the_requests_own() -> None:
    plan = planned(easing(variable(), rod=14787.938), record=constant())
    assert plan["status"] in ("nothing_to_turn", "planned", "one_flat_and_look")
    assert {"pointer": "/hanger/kind", "value": "constant", "from": "record"} in plan["inputs"]


def test_a_coupler_without_its_second_thread_is_not_understood() -> None:
    record = constant()
    record["adjuster"] |= {"form": "coupling", "hands": "same_hand_coupler", "lead_per_turn": q(1, "mm")}
    plan = planned(easing(record, rod=14_700.0))
    assert plan["status"] == "cannot_say"
    assert "/hanger/adjuster/second_thread" in plan["missing"]


def test_without_the_hands_of_the_thread_no_turn_is_planned() -> None:
    record = constant()
    record["adjuster"]["lead_per_turn"] = q(6, "mm")
    del record["adjuster"]["hands"]
    plan = planned(easing(record))
    assert plan["status"] == "cannot_say"
    assert "/hanger/adjuster/hands" in plan["missing"]


def test_a_nut_keeps_what_stands_beyond_it_in_reserve() -> None:
    """Measured 24 mm, the height of the nut; as drawn 36 mm with what stands beyond it: 4 turns to lose."""
    record = constant()
    record["adjuster"] |= {"form": "nut", "hands": "single"}
    record["adjuster"]["engagement"] = [record["adjuster"]["engagement"][1]]
    plan = planned(easing(record, rod=17_000.0, engagement=[{"end": "lower", "measured": q(24, "mm")}]))
    assert plan["status"] == "planned"
    assert plan["engagement"][0]["engagement"] == q(36.0, "mm")
    record["adjuster"]["form"] = "turnbuckle"
    plan = planned(easing(record, rod=17_000.0, engagement=[{"end": "lower", "measured": q(24, "mm")}]))
    assert plan["refusal"]["code"] == "beyond-engagement"


def test_an_end_seen_only_by_the_store_is_added_and_one_without_any_finding_is_left_out() -> None:
    request = easing(engagement=[{"end": "upper", "measured": q(33, "mm")}])
    plan = planned(request, known={"engagement": [{"end": "lower", "measured": q(30, "mm")}]})
    assert [end["engagement"] for end in plan["engagement"]] == [q(33.0, "mm"), q(30.0, "mm")]


def test_without_ledger_and_turn_limits_a_measured_engagement_carries_the_plan() -> None:
    request = without(easing(), "/ledger", "/hanger/adjuster/turn_limit_raise")
    plan = planned(request)
    assert plan["status"] == "planned"
    assert plan["net_turns"] is None
    assert {hold["net_turns"] for hold in plan["holds"]} == {None}
    assert "/ledger" in plan["missing"]


def test_an_engagement_entry_that_says_nothing_adds_nothing() -> None:
    request = easing(engagement=[{"end": "upper"}, {"end": "lower", "measured": q(30, "mm")}])
    plan = planned(request, known={"engagement": [{"end": "lower", "measured": q(31, "mm")}]})
    assert [end["engagement"] for end in plan["engagement"]] == [q(36.0, "mm"), q(30.0, "mm")]
    only_lower = easing(engagement=[{"end": "lower", "measured": q(30, "mm")}])
    plan = planned(only_lower, known={"engagement": [{"end": "lower", "measured": q(31, "mm")}]})
    assert plan["engagement"][1]["engagement"] == q(30.0, "mm")
