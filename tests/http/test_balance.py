"""The balance of a line over HTTP: stored and posted, in both systems of units, and what is refused."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from tests.http.running import LINE, Running, problem_of
from tests.http.weighed import (
    BARE,
    LBF_N,
    READY,
    STRAIGHT,
    log_size,
    model,
    pointers,
    posted,
    records,
    same_physics,
    site,
    straight_line,
    straight_service,
    support,
    valid,
)

BALANCE = f"{STRAIGHT}/balance"
DRAWING = f"{STRAIGHT}/balance.svg"
SVG = "{http://www.w3.org/2000/svg}"
# 54 m of 132.05 kg/m of pipe and 35.5 kg/m of cover.
WEIGHT_N = 54.0 * (132.05 + 35.5) * 9.80665
QUESTIONS: tuple[dict[str, Any], ...] = (
    {},
    {"per": "kilonewton"},
    {"released": ["H2", "h4"], "friction": {"value": 3, "unit": "%"}},
    {"assume": {"insulation": {"value": 40, "unit": "%"}, "owners": ["S3"]}},
)


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    yield from straight_service(tmp_path_factory.mktemp("balance"))


# --- answers ------------------------------------------------------------------------------------------
@pytest.mark.parametrize("question", QUESTIONS, ids=["as it stands", "per kN", "released", "bare span"])
def test_an_answer_is_valid_and_the_same_line_in_both_systems_of_units(
    running: Running, question: dict[str, Any]
) -> None:
    reader = running.caller("reader")
    si = valid("balance", reader.post(f"{BALANCE}?units=si", question).json)
    us = valid("balance", reader.post(f"{BALANCE}?units=us", question).json)
    assert {entry["unit"] for entry in _tables(us)} <= {"lbf", "in", "%"}
    assert same_physics(si, us) > 400
    assert valid("balance", reader.post(BALANCE, question).json) == si


def _tables(document: Any) -> Iterator[dict[str, Any]]:
    """Everything with a unit."""
    if isinstance(document, dict):
        if "rows" in document:
            yield document
        for part in document.values():
            yield from _tables(part)
    elif isinstance(document, list):
        for part in document:
            yield from _tables(part)


def test_the_weight_is_that_of_the_line_and_the_loads_of_it_hold_it_up(running: Running) -> None:
    answer = running.caller("reader").post(BALANCE, {}).json
    total = answer["weights"]["total"]
    assert [each["value"] * 1e3 for each in total.values()] == pytest.approx([WEIGHT_N] * 4, rel=1e-6)
    loads = [hanger["loads"]["now"]["value"]["value"] for hanger in answer["hangers"]]
    # Level and in balance: every hanger carries the load that its spring was calibrated for.
    assert loads == pytest.approx([14.787938] * 5, rel=1e-6)
    us = running.caller("reader").post(f"{BALANCE}?units=us", {}).json
    assert us["weights"]["total"]["now"]["value"] * LBF_N == pytest.approx(WEIGHT_N, rel=1e-6)


def test_a_posted_line_weighs_the_same_as_the_stored_one(running: Running) -> None:
    reader = running.caller("reader")
    stored = reader.post(BALANCE, {"per": "kilonewton"}).json
    one = valid("balance-answers", reader.post("/v1/balance", posted(per="kilonewton")).json)
    many = valid("balance-answers", reader.post("/v1/balance", [posted(), posted(per="kilonewton")]).json)
    us = valid("balance-answers", reader.post("/v1/balance?units=us", posted(per="kilonewton")).json)
    assert one["items"] == many["items"][1:]
    assert same_physics(one, us) > 400
    (alone,) = one["items"]
    assert alone["model"] == {"revision": None, "sequence": None}
    assert stored["model"] == {"revision": 1, "sequence": 7}
    assert stored["sequence"] == 7
    for name in ("weights", "hangers", "influence", "shares", "design_sum", "indicative", "cannot_say"):
        assert alone[name] == stored[name], name


def test_an_answer_writes_nothing(running: Running) -> None:
    reader, before = running.caller("reader"), log_size(running)
    for path, body in ((BALANCE, {}), ("/v1/balance", posted())):
        assert reader.post(path, body, {"Idempotency-Key": None}).status_code == 200
    assert reader.get(DRAWING).status_code == 200
    assert log_size(running) == before


# --- who may ask ---------------------------------------------------------------------------------------
@pytest.mark.parametrize("role", ["reader", "recorder", "engineer", "integrator", "auditor", "administrator"])
def test_every_role_may_ask(running: Running, role: str) -> None:
    caller = running.caller(role)
    assert caller.post(BALANCE, {}).status_code == 200
    assert caller.post("/v1/balance", posted()).status_code == 200
    assert caller.get(DRAWING).status_code == 200


def test_a_hidden_line_and_one_that_is_not_there_are_told_alike(running: Running) -> None:
    asked = [
        running.caller("reader", lines=["L-1"]).post(BALANCE, {}),
        running.caller("reader", plants=["Q"]).post(BALANCE, {}),
        running.caller("reader").post("/v1/plants/P/lines/L-9/balance", {}),
        running.caller("reader", plants=["P"]).post("/v1/plants/Q/lines/L-5/balance", {}),
        running.caller("reader", lines=["L-1"]).get(DRAWING),
        running.caller("reader").get("/v1/plants/P/lines/L-9/balance.svg"),
    ]
    told = [problem_of(answer, 404, "not-found") for answer in asked]
    assert len({json.dumps([each["detail"], each["facts"], each["errors"]]) for each in told}) == 1


def test_nobody_asks_without_a_token(running: Running) -> None:
    reader = running.caller("reader")
    for path in (BALANCE, "/v1/balance"):
        problem_of(reader.post(path, {}, {"Authorization": None}), 401, "not-authenticated")
    problem_of(reader.get(DRAWING, headers={"Authorization": None}), 401, "not-authenticated")


def test_a_line_without_a_model_says_so(running: Running) -> None:
    engineer = running.caller("engineer")
    engineer.put("/v1/plants/P/lines/L-6", LINE)
    for answer in (
        engineer.post("/v1/plants/P/lines/L-6/balance", {}),
        engineer.get("/v1/plants/P/lines/L-6/balance.svg"),
    ):
        problem = problem_of(answer, 404, "not-found")
        assert "no model" in problem["detail"]
        assert problem["facts"] == {"line": "L-6"}


# --- what is refused -----------------------------------------------------------------------------------
REFUSED = (
    ({"released": ["H1", "H9"]}, "/released/1"),
    ({"released": ["H1", "H1"]}, "/released"),
    ({"assume": {"insulation": {"value": 50, "unit": "%"}, "owners": ["S1", "S9"]}}, "/assume/owners/1"),
    ({"friction": {"value": 101, "unit": "%"}}, "/friction"),
    ({"assume": {"jacketing": {"value": 101, "unit": "%"}}}, "/assume/jacketing"),
    ({"per": "flat"}, "/per"),
    ({"hanger": "H1"}, "/hanger"),
    ({"model": {}}, "/model"),
    ({"model": model()}, "/model"),
    ({"hangers": [records()["H1"]]}, "/hangers"),
)


@pytest.mark.parametrize(("body", "pointer"), REFUSED, ids=[str(place) for place in range(len(REFUSED))])
def test_a_question_that_does_not_fit_is_refused_with_its_place(
    running: Running, body: dict[str, Any], pointer: str
) -> None:
    problem = problem_of(running.caller("reader").post(BALANCE, body), 422, "invalid-document")
    assert {each[: len(pointer)] for each in pointers(problem)} == {pointer}


def test_a_length_for_a_share_is_refused(running: Running) -> None:
    answer = running.caller("reader").post(BALANCE, {"friction": {"value": 1, "unit": "mm"}})
    assert pointers(problem_of(answer, 422, "unknown-unit")) == ["/friction/unit"]


def _without(name: str) -> dict[str, Any]:
    line = posted()
    del line[name]
    return line


def _twice(mark: str) -> dict[str, Any]:
    line = posted()
    line["hangers"].append({**line["hangers"][0], "mark": mark})
    return line


POSTED = (
    ("nothing", {}, ["/model", "/hangers"]),
    ("no model", _without("model"), ["/model"]),
    ("no hangers", _without("hangers"), ["/hangers"]),
    ("a hanger twice", _twice("h1"), ["/hangers/5/mark"]),
    ("a hanger of no model", _twice("H6"), ["/hangers/5/mark"]),
    ("no record", {**posted(), "hangers": posted()["hangers"][:4]}, ["/model/hangers/4/mark"]),
    ("unknown mark", posted(released=["H9"]), ["/released/0"]),
)


@pytest.mark.parametrize(("body", "places"), [row[1:] for row in POSTED], ids=[row[0] for row in POSTED])
@pytest.mark.parametrize("base", ["", "/0", "/1"], ids=["alone", "list of one", "second of two"])
def test_a_posted_line_that_does_not_fit_is_refused_at_its_place_in_the_body(
    running: Running, body: dict[str, Any], places: list[str], base: str
) -> None:
    sent = {"": body, "/0": [body], "/1": [posted(), body]}[base]
    problem = problem_of(running.caller("reader").post("/v1/balance", sent), 422, "invalid-document")
    assert pointers(problem) == [f"{base}{place}" for place in places]


def test_an_empty_list_is_refused(running: Running) -> None:
    problem_of(running.caller("reader").post("/v1/balance", []), 422, "invalid-document")


# --- what is stored decides -----------------------------------------------------------------------------
def _loads_kn(caller: Any) -> list[float]:
    answer = valid("balance", caller.post(BALANCE, {}).json)
    return [hanger["loads"]["now"]["value"]["value"] for hanger in answer["hangers"]]


def test_every_change_on_record_shows_in_the_next_answer_and_a_trial_in_none(tmp_path: Path) -> None:
    fresh = Running(tmp_path)
    engineer = straight_line(fresh)
    before, first = _loads_kn(engineer), engineer.post(BALANCE, {}).json
    # A hanger's record: its spring is weaker by 2 kN, so its pin goes down to its stop, which takes the rest.
    weaker = records()["H3"]
    weaker["design"]["calibrated_load"] = {"value": 12.787938, "unit": "kN"}
    assert engineer.revise("/v1/plants/P/hangers/H3", weaker).status_code == 200
    second = engineer.post(BALANCE, {}).json
    lower = _loads_kn(engineer)
    assert lower[2] < before[2] - 0.05
    assert lower[2] - second["hangers"][2]["out_of_balance"]["value"]["value"] == pytest.approx(12.787938)
    assert second["sequence"] == first["sequence"] + 1
    # As it was.
    # A model: the middle hanger hangs 10 mm high and takes load from its neighbours.
    assert engineer.revise("/v1/plants/P/hangers/H3", records()["H3"]).status_code == 200
    assert _loads_kn(engineer) == before
    second = engineer.post(BALANCE, {}).json
    higher = model()
    higher["hangers"][2]["height"]["error"] = {"value": 10, "unit": "mm"}
    assert engineer.revise(f"{STRAIGHT}/model?dry_run=true", higher).json["dry_run"] is True
    assert engineer.post(BALANCE, {}).json == second
    assert engineer.revise(f"{STRAIGHT}/model", higher).status_code == 200
    raised = _loads_kn(engineer)
    assert raised[2] > before[2] + 3
    assert raised[1] == pytest.approx(raised[3])
    assert raised[1] < before[1] - 2
    assert engineer.post(BALANCE, {}).json["model"]["revision"] == 2
    # An inspection: half of the insulation of the first span is not on.
    bare = {"segment": "S1", "insulation": 0.5, "jacketing": 0.5}
    seen = {"occurred_at": "2026-05-04T05:00:00Z", "segments_present": [bare]}
    assert fresh.caller("recorder").post(f"{STRAIGHT}/inspections", seen).status_code == 201
    weights = engineer.post(BALANCE, {}).json["weights"]["total"]
    assert 1e3 * (weights["as_designed"]["value"] - weights["now"]["value"]) == pytest.approx(
        0.5 * 9.0 * 35.5 * 9.80665, rel=1e-6
    )
    fresh.close()


def test_a_line_held_by_a_hanger_that_its_model_does_not_have_is_not_weighed(tmp_path: Path) -> None:
    fresh = Running(tmp_path)
    engineer = straight_line(fresh)
    extra = {**records()["H1"], "mark": "H6"}
    assert engineer.put("/v1/plants/P/hangers/H6", extra).status_code == 201
    for answer in (
        engineer.post(BALANCE, {}),
        engineer.get(DRAWING),
        engineer.post(f"{STRAIGHT}/release-order", {}),
        engineer.post(f"{STRAIGHT}/field-estimate", {"observations": []}),
    ):
        problem = problem_of(answer, 422, "not-weighable")
        assert problem["detail"].endswith(" H6.")
        assert problem["facts"] == {"missing": {"H6": ["line-model/hangers/H6"]}}
    fresh.close()


def test_a_model_whose_hanger_was_retired_is_not_weighed(tmp_path: Path) -> None:
    fresh = Running(tmp_path)
    engineer = straight_line(fresh)
    gone = {"occurred_at": "2026-05-04T05:00:00Z", "reason": "taken off with its span"}
    assert engineer.post("/v1/plants/P/hangers/H5/retirements", gone).status_code == 201
    for answer in (engineer.post(BALANCE, {}), engineer.get(DRAWING)):
        problem = problem_of(answer, 422, "not-weighable")
        # What the caller sent is not at fault.
        assert problem["errors"] == []
        assert "H5" in problem["detail"]
    fresh.close()


def test_a_line_that_nothing_holds_is_told_by_the_names_of_its_model(tmp_path: Path) -> None:
    fresh = Running(tmp_path)
    engineer = straight_line(fresh)
    assert engineer.revise(f"{STRAIGHT}/model", model(anchors=[])).status_code == 200
    answer = valid("balance", engineer.post(BALANCE, {}).json)
    assert answer["unheld"].startswith("node ")
    assert {part["part"] for part in answer["cannot_say"]} >= {"locked", "cold", "hot"}
    for path, body in (("release-order", {}), ("field-estimate", {"observations": []})):
        problem = problem_of(engineer.post(f"{STRAIGHT}/{path}", body), 422, "frame-unstable")
        assert answer["unheld"] in problem["detail"]
        assert problem["facts"]["at"] == answer["unheld"]
    fresh.close()


# --- the drawing ----------------------------------------------------------------------------------------
def test_the_drawing_is_an_image_that_needs_nothing_from_elsewhere(running: Running) -> None:
    answer = running.caller("reader").get(DRAWING)
    assert (answer.status_code, answer.mimetype) == (200, "image/svg+xml")
    assert answer.headers["Cache-Control"] == "no-store"
    # A browser that opens it runs and fetches nothing; and it has no style that this would take from it.
    assert answer.headers["Content-Security-Policy"].startswith("default-src 'none'")
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    root = ElementTree.fromstring(answer.data)
    assert root.tag == f"{SVG}svg"
    tags = {element.tag.removeprefix(SVG) for element in root.iter()}
    assert tags.isdisjoint({"script", "style", "foreignObject", "image", "use", "a", "iframe"})
    names = {name for element in root.iter() for name in element.attrib}
    assert not [name for name in names if name.startswith("on") or name == "style" or "href" in name]
    words = {text for text in root.itertext() if text}
    assert {"H1", "H2", "H3", "H4", "H5"} <= words
    assert root[0].text == "Elevation of line L-5"


def test_the_drawing_is_no_json_and_json_is_no_drawing(running: Running) -> None:
    reader = running.caller("reader")
    problem_of(reader.get(DRAWING, headers={"Accept": "application/json"}), 406, "not-acceptable")
    problem_of(reader.post(DRAWING, {}), 405, "method-not-allowed")


def test_hostile_characters_reach_no_drawing(tmp_path: Path) -> None:
    fresh = Running(tmp_path)
    engineer = straight_line(fresh)
    script = '</text><script>alert("x")</script>'
    for change in (
        {"nodes": [{**node, "id": f"N{script}"} for node in model()["nodes"]]},
        {"segments": [{**segment, "id": script} for segment in model()["segments"]]},
        {"anchors": [{"id": script, "node": "A"}]},
    ):
        problem = problem_of(engineer.revise(f"{STRAIGHT}/model", model(**change)), 422, "invalid-document")
        assert {error["rule"] for error in problem["errors"]} & {"pattern", "maxLength"}
    drawn = {"number": script, "revision": script[:16]}
    told = model(description=script, drawing=drawn)
    assert engineer.revise(f"{STRAIGHT}/model", told).status_code == 200
    text = engineer.get(DRAWING).get_data(as_text=True)
    assert "<script" not in text
    assert ElementTree.fromstring(text).tag == f"{SVG}svg"
    fresh.close()


# --- a line of the demonstration, at work ----------------------------------------------------------------
def test_a_turned_nut_changes_the_balance_by_what_the_influence_table_says(tmp_path: Path) -> None:
    running = Running(tmp_path)
    plant = site(running, "BP-50")
    reader = plant.callers["reader"]
    plant.act("engineer", "/lines/BP-50/authorisations")
    before = valid("balance", reader.post(f"{READY}/balance", {}).json)
    marks = before["influence"]["marks"]
    column = marks.index("BP-50-03")
    plant.act("recorder", "/hangers/BP-50-03/transitions", transition="ease")
    turns = -1 / 12
    assert reader.post(f"{READY}/balance", {}).json["influence"] == before["influence"]
    plant.turn("BP-50-03", turns)
    after = valid("balance", reader.post(f"{READY}/balance", {}).json)
    holds = before["influence"]["columns"][column]["holds_up_to"]
    assert holds["lower"] is None or holds["lower"] >= abs(turns)
    table = before["influence"]["load_change"]["rows"]
    for row, mark in enumerate(marks):
        loads = [each["hangers"][row]["loads"]["now"]["value"]["value"] for each in (before, after)]
        assert loads[1] - loads[0] == pytest.approx(turns * table[row][column], rel=1e-6, abs=1e-9), mark
    running.close()


def test_bare_spans_block_release_until_an_inspection_sees_them_covered(tmp_path: Path) -> None:
    running = Running(tmp_path)
    bare = [{"segment": name, "insulation": 0, "jacketing": 0} for name in ("S4", "S5", "S6")]
    plant = site(running, "CR-40", insulation="incomplete", jacketing="incomplete", segments_present=bare)
    reader = plant.callers["reader"]
    tops_out = "hanger/CR-40-03/check/end-of-travel-cold"

    def blockers(purpose: str = "release", as_of: int | None = None) -> dict[str, str]:
        when = "" if as_of is None else f"&as_of={as_of}"
        answer = valid("readiness", reader.get(f"{BARE}/readiness?for={purpose}{when}").json)
        return {each["subject"]: each["code"] for each in answer["blockers"]}

    assert blockers()[tops_out] == "end-of-travel"
    assert reader.post(f"{BARE}/balance", {}).json["insulation_not_on"] is not None
    on = [{**each, "insulation": 1, "jacketing": 1} for each in bare]
    plant.look_at_line("CR-40", segments_present=on)
    assert blockers() == {}
    assert reader.post(f"{BARE}/balance", {}).json["heaviest_missing"] == []
    with running.store.read("demo") as log:
        last = log.size - 1
    assert blockers(as_of=last - 1)[tops_out] == "end-of-travel"
    running.close()


def test_before_the_model_was_written_the_line_says_that_it_is_not_weighed(tmp_path: Path) -> None:
    running = Running(tmp_path)
    plant = site(running, "BP-50", modelled=False)
    reader = plant.callers["reader"]
    with running.store.read("demo") as log:
        last = log.size - 1
    plant.at_work().model("BP-50")
    plant.catch_up()
    path = f"{READY}/readiness?for=release"
    then = valid("readiness", reader.get(f"{path}&as_of={last}").json)
    now = valid("readiness", reader.get(path).json)
    assert "load-balance" in {each["matter"] for each in then["not_weighed"]}
    assert "load-balance" not in {each["matter"] for each in now["not_weighed"]}
    assert {each["matter"] for each in now["not_weighed"]} >= {"line-model"}
    running.close()


def test_a_capacity_passed_by_the_balance_blocks_the_pressure_test(tmp_path: Path) -> None:
    running = Running(tmp_path)
    plant = site(running, "BP-50")
    engineer, mark = plant.callers["engineer"], "BP-50-03"
    path = f"{READY}/readiness?for=pressure_test"
    subjects = {each["subject"] for each in engineer.get(path).json["blockers"]}
    record = copy.deepcopy(engineer.get(f"/v1/plants/demo/hangers/{mark}").json)
    # Stronger than the pressure test load on record, weaker than what the line weighs there full of water.
    change = engineer.get(f"{READY}/model").json
    change["line_contents"]["test"] = "test-water"
    assert engineer.revise(f"{READY}/model", change).status_code == 200
    answer = valid("balance", engineer.post(f"{READY}/balance", {}).json)
    (row,) = [each for each in answer["hangers"] if each["mark"] == mark]
    tested = row["loads"]["under_test"]["high"]
    record["design"]["locked_assembly_capacity"] = {"value": 0.95 * tested["value"], "unit": tested["unit"]}
    assert tested["value"] > support(mark).load_kn
    assert engineer.revise(f"/v1/plants/demo/hangers/{mark}", record).status_code == 200
    found = valid("readiness", engineer.get(path).json)["blockers"]
    added = {each["subject"] for each in found} - subjects
    assert f"hanger/{mark}/assembly/1/check/locked-load-test-balance" in added
    running.close()


def test_checks_name_the_revision_of_the_model_and_tell_the_figures_of_the_balance(tmp_path: Path) -> None:
    running = Running(tmp_path)
    plant = site(running, "BP-50")
    engineer, mark = plant.callers["engineer"], "BP-50-02"
    path = f"/v1/plants/demo/hangers/{mark}"
    record = engineer.get(path).json
    del record["indicator"]["expected_released_cold"]
    assert engineer.revise(path, record).status_code == 200
    answer = engineer.post(f"{READY}/balance", {}).json
    revision, sequence = answer["model"]["revision"], answer["model"]["sequence"]
    (row,) = [each for each in answer["hangers"] if each["mark"] == mark]
    checks = valid("check-results", engineer.get(f"{path}/checks").json)["checks"]
    by_rule = {each["rule"]: each for each in checks}
    for rule in ("end-of-travel-cold", "end-of-travel-hot", "locked-load-balance", "rod-load-balance"):
        assert {f"line-model/{revision}", sequence} <= set(by_rule[rule]["inputs"]), rule
        assert by_rule[rule]["basis"]["source"].startswith(f"balance of line model revision {revision};")
    for rule, state in (("end-of-travel-cold", "released_cold"), ("end-of-travel-hot", "hot")):
        assert by_rule[rule]["found"] == row["standing"][state]["margin"]
    assert by_rule["rod-load-balance"]["status"] == "pass"
    assert row["capacities"]["rod_now"]["verdict"] == "within"
    # A further revision of the model is the one that is named then.
    again = {**engineer.get(f"{READY}/model").json, "description": "walked down"}
    assert engineer.revise(f"{READY}/model", again).json["revision"] == revision + 1
    checks = engineer.get(f"{path}/checks").json["checks"]
    named = {each for row in checks for each in row["inputs"] if str(each).startswith("line-model/")}
    assert named == {f"line-model/{revision + 1}"}
    running.close()
