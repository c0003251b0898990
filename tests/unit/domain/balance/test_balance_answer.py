"""`balance`: figures reckoned by hand, superposition, what-ifs, and documents that hold to their schemas."""

from __future__ import annotations

from typing import Any

import jsonschema
import numpy as np
import pytest

from service.domain.balance.analysis import Analysis
from service.domain.balance.answer import balance
from service.errors import InvalidDocument
from service.units import convert_document
from tests.lines.base import CALIBRATED_N, LEAD_M, MARKS, base_line
from tests.unit.domain.balance.two_spans import (
    LEAD_M as TURN_M,
)
from tests.unit.domain.balance.two_spans import (
    LEVEL_N,
    RATE_N_PER_M,
    RISE_M,
    STIFFNESS_N_PER_M,
    two_spans,
)
from tests.unit.domain.nut_plan_samples import DOCUMENTS, REGISTRY

Document = dict[str, Any]
ANSWER = jsonschema.Draft202012Validator(DOCUMENTS["balance.schema.json"], registry=REGISTRY)
REQUEST = jsonschema.Draft202012Validator(DOCUMENTS["balance-request.schema.json"], registry=REGISTRY)


def answered(built: Any, **request: Any) -> Document:
    found = balance(Analysis(built), request)
    ANSWER.validate(found)
    return found


def hanger(document: Document, mark: str = "H1") -> Document:
    return next(each for each in document["hangers"] if each["mark"] == mark)


def near(document: Any) -> Any:
    """A document whose numbers may differ by what rounding does to a solution."""
    if isinstance(document, dict):
        return {key: near(part) for key, part in document.items()}
    if isinstance(document, list):
        return [near(part) for part in document]
    if isinstance(document, float | int) and not isinstance(document, bool):
        return pytest.approx(document, rel=1e-6, abs=1e-6)
    return document


def kilonewtons(newtons: float, **tolerance: float) -> Any:
    return pytest.approx(newtons / 1e3, **tolerance)


def millimetres(metres: float, **tolerance: float) -> Any:
    return pytest.approx(metres * 1e3, **tolerance)


# --- worked by hand -------------------------------------------------------------------------------------
def test_two_spans_on_one_spring_are_as_reckoned_by_hand() -> None:
    """The example of the developers' documentation: figures from the fixed-ended beam, none from here."""
    found = hanger(answered(two_spans()))
    rise_m = RATE_N_PER_M * RISE_M / (RATE_N_PER_M + STIFFNESS_N_PER_M)
    assert found["loads"]["now"]["value"]["value"] == kilonewtons(LEVEL_N)
    assert found["loads"]["now"]["value"]["value"] == pytest.approx(14.788, rel=1e-4)
    assert found["out_of_balance"]["value"]["value"] == kilonewtons(-RATE_N_PER_M * RISE_M)
    assert found["out_of_balance"]["direction"] == "rod_carries_less"
    assert found["out_of_balance"]["would_move"] == "up"
    assert found["stiffness"]["pipe"]["value"] == pytest.approx(1322.88, rel=1e-5)
    assert found["stiffness"]["load_per_turn"]["value"] == pytest.approx(7.9373, rel=1e-5)
    assert found["stiffness"]["movement_per_kilonewton"]["value"] == pytest.approx(0.75593, rel=1e-5)
    assert found["standing"]["released_cold"]["position"]["value"] == pytest.approx(0.43388, rel=1e-4)
    assert found["standing"]["released_cold"]["position"]["value"] == millimetres(rise_m)
    assert found["standing"]["released_cold"]["reading"]["value"] == millimetres(0.070 - rise_m)
    assert found["loads"]["released_cold"]["value"]["value"] == kilonewtons(
        LEVEL_N + STIFFNESS_N_PER_M * rise_m
    )
    assert found["loads"]["released_cold"]["value"]["value"] == pytest.approx(15.3619, rel=1e-5)
    assert found["standing"]["released_cold"]["verdict"] == "will_not"
    assert found["standing"]["released_cold"]["margin"]["value"] == millimetres(0.040 - rise_m)
    assert found["standing"]["released_cold"]["nearer_end"] == "upper"


def test_hot_the_spring_carries_its_share_where_the_drawing_has_it() -> None:
    found = hanger(answered(two_spans(imposed_m=2.0 * RISE_M)))
    assert found["loads"]["hot"]["value"]["value"] == kilonewtons(LEVEL_N)
    assert found["standing"]["hot"]["reading"]["value"] == millimetres(0.060)
    assert found["thermal_movement"]["model"]["value"] == millimetres(RISE_M)
    assert found["thermal_movement"]["difference"]["value"] == pytest.approx(0.0, abs=1e-9)
    assert found["thermal_movement"]["opposite_direction"] is False


def test_a_movement_against_the_drawing_is_flagged() -> None:
    found = hanger(answered(two_spans(imposed_m=-2.0 * RISE_M)))
    assert found["thermal_movement"]["difference"]["value"] == millimetres(-2.0 * RISE_M)
    assert found["thermal_movement"]["opposite_direction"] is True


def test_an_expected_reading_stands_beside_mark_and_record() -> None:
    found = hanger(answered(two_spans()))["expected_released_cold"]
    rise_m = RATE_N_PER_M * RISE_M / (RATE_N_PER_M + STIFFNESS_N_PER_M)
    assert found["reading"]["value"] == millimetres(0.070 - rise_m)
    assert found["off_cold_mark"]["value"] == millimetres(-rise_m)
    assert found["difference"]["value"] == millimetres(0.070 - rise_m - 0.0695)


# --- weights --------------------------------------------------------------------------------------------
def test_weights_add_up_as_by_hand() -> None:
    found = answered(two_spans(bare=("S2",), test_factor=1.5))["weights"]
    pipe, cover = 132.05 * 9.0 * 9.80665, 35.5 * 9.0 * 9.80665
    assert found["total"]["as_designed"]["value"] == kilonewtons(2.0 * (pipe + cover))
    assert found["total"]["now"]["value"] == kilonewtons(2.0 * pipe + cover)
    assert found["total"]["under_test"]["value"] == kilonewtons(3.0 * (pipe + cover))
    bare = next(each for each in found["by_owner"] if each["owner"] == "S2")
    assert (bare["kind"], bare["now"]["value"]) == ("segment", kilonewtons(pipe))
    item = next(each for each in found["by_item"] if (each["owner"], each["part"]) == ("S2", "insulation"))
    assert (item["share_present"]["value"], item["now"]["value"]) == (0.0, 0.0)
    assert item["as_designed"]["value"] == kilonewtons(cover)


def test_each_span_gives_half_of_itself_to_the_hanger_between_them() -> None:
    found = answered(two_spans())["shares"]
    assert found["owners"] == ["S1", "S2"]
    assert [each["name"] for each in found["carriers"]] == ["H1", "anchor at A", "anchor at B"]
    for row in found["share"]["rows"]:
        assert row[0] == pytest.approx(50.0)
        assert sum(row) == pytest.approx(100.0)
    assert found["share"]["rows"][0][1] == pytest.approx(found["share"]["rows"][1][2])


def test_a_released_spring_gives_way_in_the_shares() -> None:
    found = answered(two_spans(), released=["H1"])["shares"]
    seen = RATE_N_PER_M / (RATE_N_PER_M + STIFFNESS_N_PER_M)
    assert found["share"]["rows"][0][0] == pytest.approx(50.0 * seen)


def test_what_holds_the_line_up_adds_up_to_its_weight() -> None:
    found = answered(base_line(bare_spans=(2, 5), friction_n=300.0))["verified"]
    assert [each["state"] for each in found] == [
        "locked_now",
        "locked_under_test",
        "expected_released_cold",
        "released_cold",
        "hot",
    ]
    for each in found:
        assert each["held_up"]["value"] == pytest.approx(each["weight"]["value"], rel=1e-7)
        assert each["equilibrium_residual"] < 1e-9
        assert each["law_residual"] < 1e-9


# --- stiffness and influence ----------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("released", "stiffness", "per_turn"),
    [
        ([], 793.727, 4.7624),
        (["H2"], 355.68, 2.1341),
        (["H2", "H4"], 124.02, 0.7441),
        (["H1", "H2", "H4", "H5"], 48.995, 0.2940),
    ],
)
def test_stiffness_seen_depends_on_which_neighbours_are_released(
    released: list[str], stiffness: float, per_turn: float
) -> None:
    found = hanger(answered(base_line(slot_clearance_m=0.0), released=released), "H3")["stiffness"]
    assert found["pipe"]["value"] == pytest.approx(stiffness, rel=1e-4)
    assert found["load_per_turn"]["value"] == pytest.approx(per_turn, rel=1e-3)
    assert found["pin"] == "held"


def test_a_rod_in_series_and_a_free_spring_soften_what_is_seen() -> None:
    rod = 50e6
    locked = hanger(answered(two_spans(series_n_per_m=rod)))["stiffness"]
    held = 1.0 / (1.0 / STIFFNESS_N_PER_M + 1.0 / rod)
    assert locked["with_rod_and_steel"]["value"] == pytest.approx(held / 1e3)
    assert locked["load_per_turn"]["value"] == kilonewtons(held * TURN_M)
    free = hanger(answered(two_spans(series_n_per_m=rod), released=["H1"]))["stiffness"]
    seen = 1.0 / (1.0 / held + 1.0 / RATE_N_PER_M)
    assert free["seen_now"]["value"] == pytest.approx(seen / 1e3)
    assert free["pin"] == "moves"
    assert free["load_per_turn"]["value"] == kilonewtons(seen * TURN_M)
    assert free["load_per_turn_while_stop_bears"]["value"] == kilonewtons(held * TURN_M)


def test_one_turn_does_what_the_influence_table_says() -> None:
    fields: Document = {"bare_spans": (3,), "slot_clearance_m": 0.0}
    found = answered(base_line(**fields))["influence"]
    before = Analysis(base_line(**fields)).state("present").force_n
    for column, mark in enumerate(MARKS):
        turned = base_line(hangers={mark: {"net_turns": 0.3}}, **fields)
        change = Analysis(turned).state("present").force_n - before
        table = [row[column] for row in found["load_change"]["rows"]]
        assert 0.3 * 1e3 * np.array(table) == pytest.approx(change, rel=1e-6, abs=1e-3)
    rows = np.array(found["load_change"]["rows"])
    assert rows == pytest.approx(rows.T, rel=1e-6)
    assert found["load_change"]["unit"] == "kN"


def test_one_kilonewton_is_reached_by_the_turns_that_the_column_states() -> None:
    found = answered(two_spans(), per="kilonewton")["influence"]
    assert found["load_change"]["rows"] == [[pytest.approx(1.0)]]
    assert found["columns"][0]["turns"] == pytest.approx(1e3 / (STIFFNESS_N_PER_M * TURN_M))


def test_a_constant_that_is_out_keeps_its_load_and_moves_its_indicator() -> None:
    turn = answered(base_line(slot_clearance_m=0.0), released=["H3"])["influence"]
    assert turn["load_change"]["rows"][2][2] == pytest.approx(0.0, abs=1e-9)
    # Shortening the rod draws the pin down by the lead while the pipe stays.
    assert turn["indicator_movement"]["rows"][2][2] == pytest.approx(-1e3 * LEAD_M)
    assert turn["pipe_movement"]["rows"][2][2] == pytest.approx(0.0, abs=1e-9)
    kilonewton = answered(base_line(slot_clearance_m=0.0), released=["H3"], per="kilonewton")["influence"]
    assert [row[2] for row in kilonewton["load_change"]["rows"]] == [None] * 5
    assert kilonewton["columns"][2]["turns"] is None


def test_the_table_says_how_far_it_holds() -> None:
    # The worked case of easing: half a turn brings the load to the spring's, and the pin leaves its face.
    line = base_line(
        slot_clearance_m=0.0, hangers={"H3": {"height_error_m": -0.005, "slot_clearance_m": 0.004}}
    )
    found = answered(line)
    assert hanger(found, "H3")["loads"]["now"]["value"]["value"] == pytest.approx(12.4068, rel=1e-4)
    column = found["influence"]["columns"][2]
    assert column["holds_up_to"]["raise"] == pytest.approx(0.5, rel=1e-3)
    # Lowering it sheds load until its rod hangs loose.
    assert column["holds_up_to"]["lower"] == pytest.approx(12406.8 / (793.727 * 6.0), rel=1e-3)


# --- capacities -----------------------------------------------------------------------------------------
def test_loads_are_held_against_capacities_over_their_intervals() -> None:
    spread = 0.001 * STIFFNESS_N_PER_M
    found = hanger(
        answered(
            two_spans(
                test_factor=1.5,
                height_uncertainty_m=0.001,
                rod_capacity_n=LEVEL_N + 0.5 * spread,
                rod_test_capacity_n=1.5 * LEVEL_N - 1.5 * spread,
                locked_capacity_n=1.5 * LEVEL_N + 1.5 * spread,
                stop_capacity_down_n=None,
            )
        )
    )["capacities"]
    assert found["rod_now"]["verdict"] == "may_exceed"
    assert found["rod_now"]["greatest_load"]["value"] == kilonewtons(LEVEL_N + spread)
    assert found["rod_under_test"]["verdict"] == "exceeds"
    assert found["locked_under_test"]["verdict"] == "within"
    assert found["locked_now"]["utilisation"]["value"] == pytest.approx(
        100.0 * (LEVEL_N + spread) / (1.5 * LEVEL_N + 1.5 * spread)
    )
    assert found["stop_now"]["verdict"] == "cannot_say"


def test_a_stop_is_held_against_the_side_that_it_bears_on() -> None:
    found = hanger(answered(two_spans(stop_capacity_up_n=500.0)))["capacities"]["stop_now"]
    assert found["greatest_load"]["value"] == kilonewtons(RATE_N_PER_M * RISE_M)
    assert found["capacity"]["value"] == 0.5
    assert found["verdict"] == "exceeds"


def test_the_deviation_takes_every_height_as_equally_likely_in_its_interval() -> None:
    found = answered(base_line(slot_clearance_m=0.0, height_error_m=None, height_uncertainty_m=None))
    # Heights at 9 m spans: the loads of a unit settlement, by the three-moment equation over six spans.
    stiffness = Analysis(base_line()).line("present").stiffness
    worst = 0.003 * np.abs(stiffness).sum(axis=1)
    likely = 0.003 / np.sqrt(3.0) * np.sqrt((stiffness**2).sum(axis=1))
    for place, each in enumerate(found["hangers"]):
        load = each["loads"]["now"]
        assert load["high"]["value"] - load["value"]["value"] == kilonewtons(worst[place], rel=1e-6)
        assert load["standard_deviation"]["value"] == kilonewtons(likely[place], rel=1e-6)
    # The published case: about 14 % of the load, and about half of it at the worst.
    shares = [
        each["loads"]["now"]["standard_deviation"]["value"] * 1e3 / CALIBRATED_N for each in found["hangers"]
    ]
    assert 0.10 < min(shares) <= max(shares) < 0.16


# --- what is missing ------------------------------------------------------------------------------------
def test_the_kilograms_that_matter_most_come_first() -> None:
    found = answered(base_line(bare_spans=(3, 6), slot_clearance_m=0.0))
    first, second = found["heaviest_missing"]
    assert (first["owner"], first["part"], second["owner"]) == ("S3", "insulation", "S6")
    assert first["weight"]["value"] == kilonewtons(3133.2, rel=1e-4)
    assert first["mass"]["value"] == pytest.approx(35.5 * 9.0)
    assert first["worst_margin_now"]["value"] == 0.0
    assert first["worst_margin_at"] == "H3"
    assert first["worst_margin_with_it"]["value"] > 20.0 > second["worst_margin_with_it"]["value"]


def test_insulation_not_yet_on_brings_the_worked_case_back_into_balance() -> None:
    found = answered(base_line(bare_spans=(3,), slot_clearance_m=0.0))["insulation_not_on"]
    loads = (15073.1, 13006.4, 13012.4, 15055.1, 14711.6)
    for each, load in zip(found["hangers"], loads, strict=True):
        assert each["locked_load_change"]["value"] == kilonewtons(CALIBRATED_N - load, abs=2e-4)
    moved = [each["released_cold_movement"]["value"] for each in found["hangers"]]
    assert moved == pytest.approx([-13.3, -35.0, -40.0, -26.7, -8.9], rel=1e-2)
    assert answered(base_line())["insulation_not_on"] is None


def test_the_design_sum_says_what_is_too_much() -> None:
    found = answered(two_spans(operating_load_n=15000.0))["design_sum"]
    assert found["operating_loads"]["value"] == 15.0
    assert found["difference"]["value"] == kilonewtons(15000.0 - LEVEL_N)
    assert found["ratio"]["value"] == pytest.approx(100.0 * 15000.0 / LEVEL_N)


# --- what if ----------------------------------------------------------------------------------------------
def test_insulation_assumed_complete_is_the_line_with_all_of_it_on() -> None:
    whole = {"insulation": {"value": 100, "unit": "%"}}
    fields: Document = {"slot_clearance_m": 0.0, "height_error_m": 0.001}
    assumed = answered(base_line(bare_spans=(3,), **fields), assume=whole)
    assert assumed["hangers"] == near(answered(base_line(**fields))["hangers"])
    assert assumed["what_if"] == {"assume": whole}
    assert assumed["heaviest_missing"] == []
    one = answered(base_line(bare_spans=(3, 5), **fields), assume={**whole, "owners": ["S5"]})
    assert one["hangers"] == near(answered(base_line(bare_spans=(3,), **fields))["hangers"])


def test_friction_asked_about_is_a_share_of_each_load() -> None:
    found = answered(base_line(bare_spans=(3,)), friction={"value": 5, "unit": "%"})
    assert hanger(found, "H3")["standing"]["released_cold"]["verdict"] == "may"
    stated = answered(base_line(bare_spans=(3,), friction_n=0.05 * CALIBRATED_N))
    assert found["hangers"] == near(stated["hangers"])


def test_friction_widens_reading_and_load_by_what_it_can_hold_back() -> None:
    friction_n = 100.0
    found = hanger(answered(two_spans(friction_n=friction_n)))
    half_m = friction_n / (RATE_N_PER_M + STIFFNESS_N_PER_M)
    assert found["expected_released_cold"]["band"]["value"] == millimetres(half_m)
    cold = found["standing"]["released_cold"]
    assert cold["greatest"]["value"] - cold["position"]["value"] == millimetres(half_m)
    # The reading falls as the pipe rises.
    assert cold["reading_at_greatest"]["value"] < cold["reading"]["value"] < cold["reading_at_least"]["value"]
    load = found["loads"]["released_cold"]
    assert load["high"]["value"] - load["value"]["value"] == kilonewtons(STIFFNESS_N_PER_M * half_m)


def test_stops_taken_to_be_out_are_out_and_all_others_in() -> None:
    found = answered(base_line(released=True), released=["h2"])
    assert [each["stops"] for each in found["hangers"]] == ["in", "out", "in", "in", "in"]
    assert hanger(found, "H2")["out_of_balance"] is None
    assert hanger(found, "H2")["capacities"]["locked_now"]["verdict"] == "cannot_say"


@pytest.mark.parametrize(
    ("request_", "pointer"),
    [
        ({"released": ["H1", "H9"]}, "/released/1"),
        ({"assume": {"insulation": {"value": 1, "unit": "1"}, "owners": ["S7"]}}, "/assume/owners/0"),
        ({"assume": {"jacketing": {"value": 150, "unit": "%"}}}, "/assume/jacketing"),
        ({"friction": {"value": 101, "unit": "%"}}, "/friction"),
    ],
)
def test_what_the_line_does_not_have_is_refused_with_its_pointer(request_: Document, pointer: str) -> None:
    REQUEST.validate(request_)
    with pytest.raises(InvalidDocument) as caught:
        balance(Analysis(base_line()), request_)
    assert [each.pointer for each in caught.value.errors] == [pointer]


# --- documents --------------------------------------------------------------------------------------------
def test_the_worked_case_is_told_in_words() -> None:
    certain = hanger(answered(base_line(bare_spans=(3,))), "H3")["standing"]["released_cold"]["text"]
    assert certain.startswith("H3 will reach its upper end of travel")
    held = answered(base_line(bare_spans=(3,)), friction={"value": 5, "unit": "%"})
    assert hanger(held, "H3")["standing"]["released_cold"]["text"].startswith("H3 may reach its upper end")
    assert hanger(held, "H1")["standing"]["hot"]["text"].startswith("H1 stays within its travel")


def test_what_cannot_be_said_names_whose_field_is_missing() -> None:
    found = answered(base_line(hangers={"H2": {"rate_n_per_m": None, "missing": ("/design/spring_rate",)}}))
    parts = {each["part"]: each for each in found["cannot_say"]}
    assert parts.keys() == {"expected_cold", "cold", "hot"}
    assert parts["cold"]["missing"] == [{"mark": "H2", "pointers": ["/design/spring_rate"]}]
    assert hanger(found, "H4")["standing"]["released_cold"]["verdict"] == "cannot_say"
    assert hanger(found, "H4")["loads"]["released_cold"] is None
    assert hanger(found, "H4")["loads"]["now"] is not None
    assert found["influence"] is not None


def test_a_drifting_line_and_one_that_nothing_holds_are_answered() -> None:
    drifting = answered(two_spans(loose=("rise",), kind="constant", rate_n_per_m=0.0, bare=("S1",)))
    assert drifting["drifting"] == ["H1"]
    assert "drifting" in {each["code"] for each in drifting["cautions"]}
    assert hanger(drifting)["stiffness"]["pipe"]["value"] == 0.0
    constant: Document = {"loose": ("rise",), "kind": "constant", "rate_n_per_m": 0.0}
    weight_n = -float(Analysis(two_spans(**constant)).load_n("present")[0])
    floating = answered(two_spans(spring_load_n=weight_n, **constant), released=["H1"])
    assert floating["drifting"] == ["H1"]
    assert floating["influence"] is None
    assert "locked" in {each["part"] for each in floating["cannot_say"]}
    unheld = answered(two_spans(loose=("rise", "tilt"), bare=("S1",)))
    assert unheld["unheld"] is not None
    assert unheld["verified"] == []
    assert unheld["heaviest_missing"][0]["most_changed"] is None


def test_a_line_with_rods_that_may_hang_loose_says_so() -> None:
    found = answered(base_line(height_error_m=None, height_uncertainty_m=0.010))
    texts = {each["code"]: each["text"] for each in found["cautions"]}
    assert "H3" in texts["slack"]
    assert "indicative" in texts


def test_a_rigid_hanger_carries_and_has_no_travel() -> None:
    found = answered(base_line(hangers={"H3": {"kind": "rigid"}}, bare_spans=(3,)))
    rigid = hanger(found, "H3")
    assert rigid["stops"] == "none"
    assert rigid["standing"] == {"released_cold": None, "hot": None}
    assert rigid["loads"]["now"]["value"]["value"] > 0.0
    assert rigid["expected_released_cold"] is None
    assert found["design_sum"]["operating_loads"]["value"] == kilonewtons(4.0 * CALIBRATED_N)


def test_an_answer_in_other_units_says_the_same() -> None:
    metric = answered(two_spans(bare=("S1",)))
    other = balance(Analysis(two_spans(bare=("S1",))), {}, units="us")
    ANSWER.validate(other)
    assert hanger(other)["loads"] == convert_document(hanger(metric)["loads"], "us")
    assert other["influence"]["load_change"]["unit"] == "lbf"
    assert other["influence"]["load_change"]["rows"][0][0] == pytest.approx(
        metric["influence"]["load_change"]["rows"][0][0] / 4.4482216e-3, rel=1e-6
    )


def test_every_part_has_a_basis_and_the_schema_names_the_same() -> None:
    found = answered(two_spans())
    schema = DOCUMENTS["balance.schema.json"]["$defs"]
    assert [each["part"] for each in found["basis"]] == schema["basis"]["properties"]["part"]["enum"]
    assert found["cautions"][0]["code"] == "authority"
    assert found["limits"] == ["A straight line that is reckoned by hand."]


def test_the_example_of_the_schema_is_the_line_reckoned_by_hand() -> None:
    example = DOCUMENTS["balance.schema.json"]["examples"][0]
    assert answered(two_spans(bare=("S2",), friction_n=300.0)) == near(example)
