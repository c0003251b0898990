"""Orders of release as documents: what is offered, what is refused, and what each step tells."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import jsonschema
import numpy as np
import pytest

from service.domain.balance.analysis import Analysis
from service.domain.release_orders import release_order
from service.domain.release_orders.neighbours import neighbours_of
from service.engineering.release_order.search import TooManyWays
from service.errors import InvalidDocument
from tests.lines.base import MARKS, base_line
from tests.unit.domain.release_orders.samples import ANSWER, REQUEST, codes, heavy, ordered, q


def steps_of(document: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {step["marks"][0]: step for step in document["steps"]}


def work_of(document: dict[str, Any], mark: str) -> dict[str, Any]:
    found: dict[str, Any] = next(
        each for step in document["steps"] for each in step["hangers"] if each["mark"] == mark
    )
    return found


# --- the worked case ------------------------------------------------------------------------------------
def test_the_worked_case_is_offered_in_its_best_order() -> None:
    document = heavy()
    assert document["status"] == "offered"
    assert document["order"] == [["H2"], ["H1"], ["H4"], ["H5"], ["H3"]]
    assert document["peak"]["utilisation"] == pytest.approx(0.8232, rel=5e-3)
    assert document["turns"] == pytest.approx(6.84, rel=5e-3)
    assert document["start_utilisation"] == pytest.approx(0.7644, rel=5e-3)
    assert document["guarantee"]["search"] == "exact"
    assert document["guarantee"]["friction"] == "none"
    assert document["least_bad"] is None


def test_the_record_order_stands_beside_it_with_its_overloaded_stop() -> None:
    rows = {row["name"]: row for row in heavy({"given_order": ["H1", "H2", "H3", "H4", "H5"]})["comparison"]}
    for name in ("record", "given"):
        assert rows[name]["utilisation"] == pytest.approx(1.1408, rel=5e-3)
        assert rows[name]["turns"] == pytest.approx(4.99, rel=5e-3)
        assert (rows[name]["mark"], rows[name]["cause"]) == ("H5", "stop_down")
    assert rows["best"]["utilisation"] < rows["given"]["utilisation"]


def test_steps_of_the_worked_case_tell_turns_loads_and_readings() -> None:
    document = heavy()
    for mark, turns in zip(
        ("H2", "H1", "H4", "H5", "H3"), (-0.122, -0.353, -0.031, -0.298, -6.036), strict=True
    ):
        work = work_of(document, mark)
        assert work["turns"]["aim"] == pytest.approx(turns, abs=1e-3)
        assert work["turns_back"] == pytest.approx(-turns, abs=1e-3)
        assert work["flats"]["aim"] == pytest.approx(6.0 * turns, abs=6e-3)
        assert work["direction"] == "lower"
        assert work["rotation"] == {"sense": "counter_clockwise", "seen_from": "below"}
        assert work["bearing_before"]["carries"] == "more"
        assert work["bearing_before"]["face"] == "lower"
    last = document["steps"][-1]
    for entry, reading in zip(last["readings_after"], (-11.2, -28.6, -36.2, -28.6, -11.2), strict=True):
        assert entry["low"]["value"] == pytest.approx(reading - 2.0, abs=0.06)
        assert entry["high"]["value"] == pytest.approx(reading + 2.0, abs=0.06)


def test_neighbours_are_told_the_change_that_the_worked_case_shows() -> None:
    step = steps_of(heavy())["H5"]
    beside = {each["mark"]: each for each in step["neighbours"]}
    assert set(beside) == {"H4", "H3"}
    assert beside["H3"]["load_change"]["value"] == pytest.approx((16562 - 16345) / 1e3, abs=2e-3)
    assert (beside["H3"]["bearing_before"], beside["H3"]["bearing_after"]) == ("more", "more")
    assert beside["H4"]["bearing_before"] == "out"
    assert beside["H4"]["reading_change"]["expected"]["value"] == pytest.approx(-1.6, abs=0.06)


def test_turns_and_their_interval_are_those_of_a_pin_in_a_slot_with_friction() -> None:
    # H3 erected 5 mm low, 4 mm clearance, 4 %: 12,406.8 N on the rod, 793.727 N/mm, 6 mm a turn.
    heights = {"H3": {"height_error_m": -0.005, "slot_clearance_m": 0.004}}
    every = {
        "slot_clearance_m": 0.0,
        "friction_n": 0.04 * 14787.938,
        "travel_low_m": -1.0,
        "travel_high_m": 1.0,
        "stop_capacity_up_n": 9e3,
    }
    document = ordered(
        {"before": [{"first": "H3", "then": mark} for mark in ("H1", "H2", "H4", "H5")]},
        hangers=heights,
        **every,
    )
    work = work_of(document, "H3")
    assert work["turns"]["earliest"] == pytest.approx(0.376, abs=2e-3)
    assert work["turns"]["aim"] == pytest.approx(0.958, abs=2e-3)
    assert work["turns"]["latest"] == pytest.approx(1.291, abs=2e-3)
    assert work["turns"]["call_at"] == pytest.approx(1.291 + 2.0 / 6.0, abs=2e-3)
    assert work["bearing_before"]["rod_load"]["value"] == pytest.approx(12.4068, rel=1e-3)
    assert (work["bearing_before"]["carries"], work["bearing_before"]["face"]) == ("less", "upper")
    assert work["direction"] == "raise"


# --- what is not known -----------------------------------------------------------------------------------
def test_heights_that_are_not_surveyed_widen_the_interval_and_make_it_indicative() -> None:
    surveyed = work_of(heavy(), "H3")["turns"]
    line = base_line(factor=1.04, slot_clearance_m=0.0, height_error_m=None, height_uncertainty_m=0.003)
    document = release_order(Analysis(replace(line, surveyed=False)), {})
    ANSWER.validate(document)
    assert document["indicative"]
    assert "indicative" in codes(document["cautions"])
    open_ = work_of(document, "H3")["turns"]
    assert open_["aim"] == pytest.approx(surveyed["aim"], abs=1e-9)
    # Its own height alone is 0.5 turns to either side.
    assert open_["earliest"] > surveyed["earliest"] + 0.5 - 1e-9
    assert open_["latest"] < surveyed["latest"] - 0.5 + 1e-9


def test_limits_that_are_not_stated_are_listed_and_not_held() -> None:
    document = heavy(hangers={"H5": {"stop_capacity_up_n": None, "locked_capacity_n": None}})
    assert [(each["mark"], each["limit"]) for each in document["not_weighed"]] == [
        ("H5", "locked_capacity"),
        ("H5", "stop_capacity_up"),
    ]
    assert "not-weighed" in codes(document["cautions"])


def test_without_the_lead_nothing_is_offered_and_the_pointer_named() -> None:
    document = heavy(hangers={"H2": {"lead_m": None, "missing": ("/adjuster/lead_per_turn",)}})
    assert document["status"] == "cannot_say"
    assert document["missing"] == [{"mark": "H2", "pointer": "/adjuster/lead_per_turn"}]
    assert document["steps"] == []


def test_friction_that_is_not_stated_offers_nothing_until_the_request_states_it() -> None:
    unknown = {"hangers": {"H2": {"friction_n": None}}}
    document = heavy(**unknown)
    assert document["status"] == "cannot_say"
    assert "H2" in document["reason"]
    assert document["guarantee"]["friction"] == "not_known"
    assert heavy({"friction": q(0, "%")}, **unknown)["status"] == "offered"


def test_without_the_record_neither_hand_nor_face_is_told() -> None:
    document = heavy(records={})
    work = work_of(document, "H2")
    assert work["rotation"] == {"sense": None, "seen_from": None}
    assert work["bearing_before"]["face"] is None
    assert work["flats"] is None
    assert {"rotation-not-known", "face-not-known"} <= set(codes(document["steps"][0]["cautions"]))


# --- what is refused ---------------------------------------------------------------------------------------
def test_a_line_that_would_end_at_a_stop_gets_no_order() -> None:
    document = ordered(bare_spans=(3,))
    assert document["status"] == "final_state_unsafe"
    assert document["order"] is None
    assert document["steps"] == []
    assert document["least_bad"]["order"] is not None
    assert any(each["cold"]["verdict"] == "will" for each in document["final_states"])
    assert any(mark in document["reason"] for mark in MARKS)


def test_an_end_that_friction_may_reach_is_refused_alike() -> None:
    document = heavy({"friction": q(4, "%")})
    verdicts = {each["cold"]["verdict"] for each in document["final_states"]}
    assert document["status"] == "final_state_unsafe"
    assert "may" in verdicts


def test_an_end_that_is_reached_hot_is_refused_alike() -> None:
    line = base_line(slot_clearance_m=0.0)
    hot = replace(line.cases["hot"], straight_n_per_m=1.08 * line.cases["hot"].straight_n_per_m)
    document = release_order(Analysis(replace(line, cases={**line.cases, "hot": hot})), {})
    ANSWER.validate(document)
    assert document["status"] == "final_state_unsafe"
    assert {each["cold"]["verdict"] for each in document["final_states"]} == {"will_not"}
    assert "will" in {each["hot"]["verdict"] for each in document["final_states"]}


def test_limits_that_every_order_passes_refuse_every_order() -> None:
    document = heavy({"limits": [{"mark": "H3", "rod_capacity": q(15, "kN")}]})
    assert document["status"] == "none_safe"
    assert document["steps"] == []
    assert document["least_bad"]["peak"] == {
        "utilisation": pytest.approx(0.7644 * 20120.0 / 15000.0, rel=5e-3),
        "mark": "H3",
        "cause": "rod",
    }


def test_friction_that_may_overload_a_stop_refuses_though_without_it_all_is_well() -> None:
    limits = [{"mark": mark, "stop_capacity_down": q(2.0, "kN")} for mark in MARKS]
    wide = {"travel_low_m": -0.5, "travel_high_m": 0.5}
    assert heavy({"limits": limits}, **wide)["status"] == "offered"
    document = heavy({"limits": limits, "friction": q(3, "%")}, **wide)
    assert document["status"] == "none_safe"
    assert document["peak"]["utilisation"] < 1.0
    assert document["guarantee"]["with_contacts_unchanged"] > 1.0


def test_friction_is_simulated_from_several_beginnings() -> None:
    wide = {"travel_low_m": -0.5, "travel_high_m": 0.5, "factor": 1.02}
    document = ordered({"friction": q(2, "%")}, **wide)
    assert document["status"] == "offered"
    assert document["guarantee"]["friction"] == "estimate"
    assert document["guarantee"]["histories"] == 4
    assert document["guarantee"]["simulated"] <= document["guarantee"]["never_above"]
    assert "friction-not-bounded" in codes(document["cautions"])
    proved = ordered({"friction": q(2, "%")}, slot_clearance_m=0.0, **wide)
    assert proved["guarantee"]["friction"] == "bound"
    assert proved["guarantee"]["simulated"] <= proved["guarantee"]["never_above"] <= 1.0
    assert "friction-not-bounded" not in codes(proved["cautions"])


@pytest.mark.parametrize(
    ("request_", "pointer"),
    [
        ({"given_order": ["H1", "H2", "H3", "H4", "H9"]}, "/given_order/4"),
        ({"given_order": ["H1", "H2", "H3", "H4"]}, "/given_order"),
        ({"pairs": [["H1", "H2"], ["H2", "H3"]]}, "/pairs/1"),
        ({"stages": [["H1"], ["H1", "H2"]]}, "/stages/1"),
        ({"before": [{"first": "H1", "then": "H2"}, {"first": "H2", "then": "H1"}]}, "/before"),
        ({"before": [{"first": "H2", "then": "H1"}], "stages": [["H1"], ["H2"]]}, "/before"),
        ({"before": [{"first": "H1", "then": "H1"}]}, "/before"),
        ({"temporary_supports": [{"node": "N9"}]}, "/temporary_supports/0/node"),
        ({"limits": [{"mark": "H9", "rod_capacity": q(1, "kN")}]}, "/limits/0/mark"),
    ],
)
def test_a_request_that_cannot_be_followed_is_refused_with_its_pointer(request_: Any, pointer: str) -> None:
    with pytest.raises(InvalidDocument) as refused:
        heavy(request_)
    assert [finding.pointer for finding in refused.value.errors] == [pointer]


def test_a_rigid_hanger_and_one_already_out_cannot_be_ordered() -> None:
    line = {"H1": {"kind": "rigid"}, "H2": {"released": True}}
    for mark in ("H1", "H2"):
        with pytest.raises(InvalidDocument):
            ordered({"stages": [[mark]]}, hangers=line, slot_clearance_m=0.0)
    document = ordered(hangers=line, slot_clearance_m=0.0)
    assert sorted(mark for unit in document["order"] for mark in unit) == ["H3", "H4", "H5"]


def test_a_line_that_its_stops_alone_hold_up_gets_no_order_and_names_what_drifts() -> None:
    line = base_line(slot_clearance_m=0.0)
    frame = line.frames["cold"]
    upright = ((0.0, 0.0, 1.0), (0.0, 1.0, 0.0))
    held = [
        each
        for each in frame.restraints
        if (each.kind, each.direction) not in ((0, upright[0]), (3, upright[1]))
    ]
    loose = replace(frame, restraints=held)
    cases = {name: replace(case, imposed=np.zeros(len(held))) for name, case in line.cases.items()}
    document = release_order(
        Analysis(replace(line, frames=dict.fromkeys(line.frames, loose), cases=cases)), {}
    )
    ANSWER.validate(document)
    assert document["status"] == "no_load_path"
    assert document["steps"] == []
    assert set(document["drifting"]) <= set(MARKS)
    assert document["drifting"]


def test_a_line_with_every_stop_out_has_nothing_to_release() -> None:
    assert ordered(released=True)["status"] == "nothing_to_release"


# --- rules -------------------------------------------------------------------------------------------------
def test_stages_precedence_and_pairs_are_kept() -> None:
    rules = {"stages": [["H3"], ["H5", "H4"]], "pairs": [["H1", "H2"]]}
    document = ordered(rules, factor=1.01, slot_clearance_m=0.0)
    assert document["order"][0] == ["H3"]
    assert sorted(mark for unit in document["order"][1:3] for mark in unit) == ["H4", "H5"]
    assert document["order"][3] == ["H1", "H2"]
    pair = document["steps"][3]
    assert [each["mark"] for each in pair["hangers"]] == ["H1", "H2"]
    assert "eased-together" in codes(pair["cautions"])
    record = next(row for row in document["comparison"] if row["name"] == "record")
    assert not record["permitted"]
    first = heavy({"before": [{"first": "H3", "then": "H2"}]})["order"]
    assert first.index(["H3"]) < first.index(["H2"])


def test_nuts_that_stay_are_not_turned_back() -> None:
    document = heavy({"nut_rule": "leave"})
    assert document["guarantee"]["search"] == "every_way"
    assert document["nut_rule"] == "leave"
    assert all(each["turns_back"] == 0.0 for step in document["steps"] for each in step["hangers"])
    assert "nuts-stay" in codes(document["cautions"])


def test_too_many_nuts_that_stay_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("service.engineering.release_order.search.LEAVE_UNITS", 4)
    with pytest.raises(TooManyWays):
        heavy({"nut_rule": "leave"})


def test_temporary_supports_take_their_share_and_are_weighed_out_again() -> None:
    line = base_line(factor=1.04, slot_clearance_m=0.0)
    line = replace(line, nodes={**line.nodes, "M": 31})
    document = release_order(Analysis(line), {"temporary_supports": [{"node": "M"}]})
    ANSWER.validate(document)
    assert document["status"] == "offered"
    assert document["start_utilisation"] == pytest.approx(heavy()["start_utilisation"], rel=1e-6)
    assert document["peak"]["utilisation"] < heavy()["peak"]["utilisation"]
    assert document["after_temporary_supports"]["utilisation"] == pytest.approx(14787.938 / 20120.0, rel=1e-6)
    names = {each["mark"] for step in document["steps"] for each in step["neighbours"]}
    assert "temporary at M" in names
    assert {(each["mark"], each["limit"]) for each in document["not_weighed"]} == {
        ("temporary at M", "rod_capacity")
    }
    with pytest.raises(InvalidDocument):
        release_order(Analysis(line), {"temporary_supports": [{"node": "H3"}]})


def test_a_temporary_support_does_not_hide_an_end_of_travel_without_it() -> None:
    line = base_line(bare_spans=(3,), slot_clearance_m=0.0)
    line = replace(line, nodes={**line.nodes, "M": 22})
    document = release_order(Analysis(line), {"temporary_supports": [{"node": "M"}]})
    ANSWER.validate(document)
    assert document["status"] == "final_state_unsafe"


def test_a_nut_that_was_turned_before_goes_back_to_zero_net_turns() -> None:
    document = ordered(hangers={"H2": {"net_turns": 0.5}}, slot_clearance_m=0.0, factor=1.01)
    work = work_of(document, "H2")
    assert work["net_turns_before"] == pytest.approx(0.5)
    assert work["turns_back"] == pytest.approx(-(0.5 + work["turns"]["aim"]))
    after = work_of(ordered(slot_clearance_m=0.0, factor=1.01), "H2")
    assert after["net_turns_before"] == 0.0


def test_an_order_given_is_never_better_than_the_answer_of_a_narrow_search(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("service.engineering.release_order.search.EXACT_UNITS", 1)
    monkeypatch.setattr("service.engineering.release_order.search.BEAM_WIDTH", 1)
    monkeypatch.setattr("service.engineering.release_order.search._WIDER", 1)
    alone = heavy()
    document = heavy({"given_order": ["H2", "H1", "H4", "H5", "H3"]})
    assert document["guarantee"]["search"] == "beam"
    assert document["peak"]["utilisation"] <= alone["peak"]["utilisation"] + 1e-12
    assert document["peak"]["utilisation"] == pytest.approx(0.8232, rel=5e-3)
    assert document["guarantee"]["least_possible"] <= document["peak"]["utilisation"]


def test_neighbours_are_two_on_each_side_nearest_first() -> None:
    around = neighbours_of(base_line())
    assert [place for _, place in around[0]] == [1, 2]
    assert {place for _, place in around[2]} == {0, 1, 3, 4}
    sides = {side: [place for at, place in around[2] if at == side] for side, _ in around[2]}
    assert sorted(sides.values()) == [[1, 0], [3, 4]]


# --- documents --------------------------------------------------------------------------------------
def test_the_schemas_refuse_what_is_not_in_them() -> None:
    document = heavy()
    for validator, good, wrong in (
        (REQUEST, {}, {"order": []}),
        (REQUEST, {"nut_rule": "leave"}, {"nut_rule": "expected"}),
        (ANSWER, document, {**document, "status": "safe"}),
    ):
        validator.validate(good)
        with pytest.raises(jsonschema.ValidationError):
            validator.validate(wrong)


def test_an_answer_in_other_units_says_the_same() -> None:
    us = release_order(Analysis(base_line(factor=1.04, slot_clearance_m=0.0)), {}, units="us")
    ANSWER.validate(us)
    si = heavy()
    assert us["order"] == si["order"]
    load = us["steps"][0]["hangers"][0]["bearing_before"]["rod_load"]
    assert load["unit"] == "lbf"
    assert load["value"] * 4.4482216152605 == pytest.approx(
        1e3 * si["steps"][0]["hangers"][0]["bearing_before"]["rod_load"]["value"], rel=1e-9
    )
