"""The order of release over HTTP: told, compared, refused, and followed step by step on a line at work."""

from __future__ import annotations

import copy
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from service.demo.records import supports_of
from tests.http.running import LINE, Running, problem_of
from tests.http.weighed import (
    READY,
    STRAIGHT,
    Site,
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

ORDER, NEXT = f"{STRAIGHT}/release-order", f"{STRAIGHT}/release-order/next"
MARKS = ["H1", "H2", "H3", "H4", "H5"]
QUESTIONS: tuple[dict[str, Any], ...] = (
    {},
    {"given_order": ["H5", "h4", "H3", "H2", "H1"], "friction": {"value": 2, "unit": "%"}},
    {"pairs": [["H2", "H4"]], "before": [{"first": "H3", "then": "H1"}], "stages": [["H3", "H5"]]},
    {"nut_rule": "leave", "limits": [{"mark": "H1", "stop_capacity_down": {"value": 1, "unit": "kN"}}]},
)


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    yield from straight_service(tmp_path_factory.mktemp("order"))


# --- answers ------------------------------------------------------------------------------------------
@pytest.mark.parametrize("question", QUESTIONS, ids=["any", "given", "rules", "nuts stay"])
def test_an_answer_is_valid_and_the_same_order_in_both_systems_of_units(
    running: Running, question: dict[str, Any]
) -> None:
    reader = running.caller("reader")
    si = valid("release-order", reader.post(f"{ORDER}?units=si", question).json)
    us = valid("release-order", reader.post(f"{ORDER}?units=us", question).json)
    assert same_physics(si, us) > 100
    assert si["status"] == "offered"
    assert sorted(mark for unit in si["order"] for mark in unit) == MARKS
    assert (si["model_revision"], si["model_sequence"], si["sequence"]) == (1, 7, 7)
    assert reader.post(ORDER, question).json == si


def test_rules_of_the_request_are_kept(running: Running) -> None:
    order = running.caller("reader").post(ORDER, QUESTIONS[2]).json["order"]
    assert ["H2", "H4"] in [sorted(unit) for unit in order]
    assert order.index(["H3"]) < order.index(["H1"])
    assert sorted(order[:2]) == [["H3"], ["H5"]]


def test_the_order_is_never_worse_than_the_one_given(running: Running) -> None:
    answer = running.caller("reader").post(ORDER, QUESTIONS[1]).json
    rows = {row["name"]: row for row in answer["comparison"]}
    assert rows["given"]["order"] == [["H5"], ["H4"], ["H3"], ["H2"], ["H1"]]
    for name in ("given", "record"):
        assert answer["peak"]["utilisation"] <= rows[name]["utilisation"] + 1e-9


def test_a_posted_line_has_the_order_of_the_stored_one(running: Running) -> None:
    reader = running.caller("reader")
    stored = reader.post(ORDER, QUESTIONS[1]).json
    alone = valid("release-order", reader.post("/v1/release-order", posted(**QUESTIONS[1])).json)
    us = valid("release-order", reader.post("/v1/release-order?units=us", posted(**QUESTIONS[1])).json)
    assert same_physics(alone, us) > 100
    assert (alone["model_revision"], alone["model_sequence"], alone["started_from"]) == (None, None, [])
    for name in ("status", "order", "peak", "turns", "steps", "comparison", "final_states", "guarantee"):
        assert alone[name] == stored[name], name


def test_who_may_ask_and_that_nothing_is_written(running: Running) -> None:
    before = log_size(running)
    order = running.caller("engineer").post(ORDER, {}).json
    for role in ("reader", "recorder", "engineer", "integrator", "auditor", "administrator"):
        caller = running.caller(role)
        for path, body in ((ORDER, {}), ("/v1/release-order", posted()), (NEXT, {"order": order})):
            assert caller.post(path, body, {"Idempotency-Key": None}).status_code == 200, (role, path)
    assert log_size(running) == before


def test_a_hidden_line_is_not_there_and_a_line_without_a_model_says_so(running: Running) -> None:
    engineer = running.caller("engineer")
    order = engineer.post(ORDER, {}).json
    hidden = running.caller("reader", lines=["L-1"])
    problem_of(hidden.post(ORDER, {}), 404, "not-found")
    problem_of(hidden.post(NEXT, {"order": order}), 404, "not-found")
    problem_of(engineer.post(ORDER, {}, {"Authorization": None}), 401, "not-authenticated")
    engineer.put("/v1/plants/P/lines/L-6", LINE)
    for path, body in (("release-order", {}), ("release-order/next", {"order": order})):
        answer = engineer.post(f"/v1/plants/P/lines/L-6/{path}", body)
        assert "no model" in problem_of(answer, 404, "not-found")["detail"]


# --- what is refused -----------------------------------------------------------------------------------
REFUSED: tuple[tuple[dict[str, Any], str], ...] = (
    ({"given_order": ["H1", "H9", "H3", "H4", "H5"]}, "/given_order/1"),
    ({"given_order": ["H1"]}, "/given_order"),
    ({"pairs": [["H1", "H2"], ["H2", "H3"]]}, "/pairs/1"),
    ({"stages": [["H1"], ["H2", "H1"]]}, "/stages/1"),
    ({"before": [{"first": "H1", "then": "H2"}, {"first": "H2", "then": "H1"}]}, "/before"),
    ({"limits": [{"mark": "H9", "turn_limit_raise": 3}]}, "/limits/0/mark"),
    ({"temporary_supports": [{"node": "H1"}]}, "/temporary_supports/0/node"),
    ({"temporary_supports": [{"node": "Z"}]}, "/temporary_supports/0/node"),
    ({"nut_rule": "lose"}, "/nut_rule"),
    ({"model": model()}, "/model"),
    ({"hangers": [records()["H1"]]}, "/hangers"),
)


@pytest.mark.parametrize(("body", "pointer"), REFUSED, ids=[str(place) for place in range(len(REFUSED))])
def test_a_request_that_does_not_fit_is_refused_with_its_place(
    running: Running, body: dict[str, Any], pointer: str
) -> None:
    problem = problem_of(running.caller("reader").post(ORDER, body), 422, "invalid-document")
    assert pointers(problem) == [pointer]


def test_a_posted_line_that_does_not_fit_is_refused_with_its_place(running: Running) -> None:
    reader = running.caller("reader")
    short = {**posted(), "hangers": posted()["hangers"][:4]}
    cases: list[tuple[dict[str, Any], list[str]]] = [
        ({}, ["/model", "/hangers"]),
        ({"model": posted()["model"]}, ["/hangers"]),
        (short, ["/model/hangers/4/mark"]),
        (posted(given_order=["H9"]), ["/given_order/0"]),
    ]
    for body, places in cases:
        problem = problem_of(reader.post("/v1/release-order", body), 422, "invalid-document")
        assert pointers(problem) == places


def test_an_order_of_another_model_or_of_no_stored_line_is_not_followed(tmp_path: Path) -> None:
    fresh = Running(tmp_path)
    engineer = straight_line(fresh)
    alone = engineer.post("/v1/release-order", posted()).json
    problem_of(engineer.post(NEXT, {"order": alone}), 409, "conflict")
    order = engineer.post(ORDER, {}).json
    assert valid("release-order-next", engineer.post(NEXT, {"order": order}).json)["status"] == "step"
    elsewhere = {**order, "line": "L-6"}
    problem = problem_of(engineer.post(NEXT, {"order": elsewhere}), 409, "conflict")
    assert problem["facts"]["line"] == "L-6"
    assert engineer.revise(f"{STRAIGHT}/model", model(description="walked down")).status_code == 200
    problem = problem_of(engineer.post(NEXT, {"order": order}), 409, "conflict")
    assert problem["facts"] == {"model_revision": 2, "given": 1}
    order = engineer.post(ORDER, {}).json
    stronger = copy.deepcopy(records()["H2"])
    stronger["design"]["stop_capacity_up"] = {"value": 3000, "unit": "N"}
    assert engineer.revise("/v1/plants/P/hangers/H2", stronger).status_code == 200
    assert problem_of(engineer.post(NEXT, {"order": order}), 409, "conflict")["facts"] == {"hangers": ["H2"]}
    again = engineer.post(ORDER, {}).json
    assert engineer.post(NEXT, {"order": again}).status_code == 200
    fresh.close()


@pytest.mark.parametrize(
    ("body", "pointer"), [({}, "/order"), ({"order": {}}, "/order/"), ({"order": None}, "/order")]
)
def test_what_is_no_order_is_refused(running: Running, body: dict[str, Any], pointer: str) -> None:
    problem = problem_of(running.caller("reader").post(NEXT, body), 422, "invalid-document")
    assert all(each.startswith(pointer) for each in pointers(problem))


# --- followed -------------------------------------------------------------------------------------------
@pytest.fixture
def plant(tmp_path: Path) -> Iterator[Site]:
    """Line BP-50 of the demonstration, ready and not yet authorised."""
    running = Running(tmp_path)
    yield site(running, "BP-50")
    running.close()


def ordered(plant: Site, **asked: Any) -> dict[str, Any]:
    """The order as the engineer takes it before the work."""
    found: dict[str, Any] = valid(
        "release-order", plant.callers["engineer"].post(f"{READY}/release-order", asked).json
    )
    assert found["status"] == "offered"
    assert sorted(mark for unit in found["order"] for mark in unit) == [
        each.mark for each in supports_of("BP-50")
    ]
    return found


def following(plant: Site, order: Mapping[str, Any], units: str = "si") -> dict[str, Any]:
    """What comes next, as a reader asks it."""
    answer = plant.callers["reader"].post(f"{READY}/release-order/next?units={units}", {"order": order})
    found: dict[str, Any] = valid("release-order-next", answer.json)
    return found


def begin(plant: Site, step: Mapping[str, Any]) -> str:
    """The step's hanger is authorised as a stage of its own and its easing begins."""
    (mark,) = step["marks"]
    plant.act("engineer", "/lines/BP-50/authorisations", stage=[mark])
    plant.act("recorder", f"/hangers/{mark}/transitions", transition="ease")
    return str(mark)


def finish(plant: Site, step: Mapping[str, Any]) -> None:
    """Eased by the turns aimed at, stops out, positioned, nut back."""
    mark = begin(plant, step)
    (told,) = step["hangers"]
    crew = plant.at_work()
    crew.turn(support(mark), told["turns"]["aim"])
    crew.each_stop(support(mark), "observed", bearing_face="none", free_by_hand=True)
    crew.withdraw(support(mark))
    crew.position(support(mark))
    plant.catch_up()


def certain_step(plant: Site, order: Mapping[str, Any]) -> Mapping[str, Any]:
    """The first step whose bearing is certain, after all before it were finished."""
    for step in order["steps"]:
        if step["hangers"][0]["bearing_before"]["certain"]:
            found: Mapping[str, Any] = step
            return found
        finish(plant, step)
    raise AssertionError("no step of the order is certain of its bearing")


def test_an_order_is_followed_to_its_end(plant: Site) -> None:
    order = ordered(plant)
    for number, step in enumerate(order["steps"], start=1):
        told = following(plant, order)
        assert (told["status"], told["number"], told["holds"]) == ("step", number, [])
        assert told["step"] == step
        assert told["left"] == [mark for unit in order["order"][number - 1 :] for mark in unit]
        finish(plant, step)
    told = following(plant, order)
    assert (told["status"], told["left"], told["step"]) == ("finished", [], None)


def test_a_line_authorised_as_a_whole_follows_an_order_that_leaves_the_nuts(plant: Site) -> None:
    order = ordered(plant, nut_rule="leave")
    plant.act("engineer", "/lines/BP-50/authorisations")
    for step in order["steps"]:
        assert following(plant, order)["step"] == step
        (mark,) = step["marks"]
        crew = plant.at_work()
        crew.ease(support(mark), step["hangers"][0]["turns"]["aim"])
        crew.withdraw(support(mark))
        plant.catch_up()
    assert following(plant, order)["status"] == "finished"


def test_the_step_is_told_in_the_units_asked_for(plant: Site) -> None:
    order = ordered(plant)
    assert same_physics(following(plant, order), following(plant, order, "us")) > 20
    american = plant.callers["engineer"].post(f"{READY}/release-order?units=us", {}).json
    assert following(plant, american, "us") == following(plant, order, "us")


def test_a_step_begun_is_under_way_until_its_stops_are_out(plant: Site) -> None:
    order = ordered(plant)
    step = order["steps"][0]
    mark = begin(plant, step)
    told = following(plant, order)
    assert (told["status"], told["number"], told["step"]) == ("under_way", 1, step)
    plant.turn(mark, step["hangers"][0]["turns"]["aim"])
    told = following(plant, order)
    assert (told["status"], told["released"]) == ("under_way", [])
    assert told["turned"] == [
        {"mark": mark, "turns": pytest.approx(step["hangers"][0]["turns"]["aim"], abs=1e-6)}
    ]


def _held(plant: Site, order: Mapping[str, Any]) -> dict[str, Any]:
    """What holds the work: one reason, with no step to take."""
    told = following(plant, order)
    assert (told["status"], told["step"]) == ("hold", None)
    (reason,) = told["holds"]
    assert reason["text"]
    found: dict[str, Any] = reason
    return found


def test_a_pin_on_the_other_face_holds_the_work(plant: Site) -> None:
    order = ordered(plant)
    step = certain_step(plant, order)
    (told,) = step["hangers"]
    mark, face = told["mark"], told["bearing_before"]["face"]
    other = {"upper": "lower", "lower": "upper"}[face]
    plant.act("engineer", "/lines/BP-50/authorisations", stage=[mark])
    for seen, status in ((face, "step"), (other, "hold")):
        for stop in (1, 2):
            plant.act(
                "recorder", f"/hangers/{mark}/stops", assembly=1, stop=stop, act="observed",
                bearing_face=seen, free_by_hand=False,
            )  # fmt: skip
        assert following(plant, order)["status"] == status
    reason = _held(plant, order)
    assert (reason["code"], reason["mark"]) == ("bearing-not-as-expected", mark)
    assert (reason["expected"], reason["found"]) == (face, other)


@pytest.mark.parametrize(
    ("share", "code"), [(1.0, None), (1.5, "more-turns-than-explained"), (-1.0, "turned-the-wrong-way")]
)
def test_turns_beyond_what_the_order_explains_hold_the_work(
    plant: Site, share: float, code: str | None
) -> None:
    order = ordered(plant)
    step = certain_step(plant, order)
    mark = begin(plant, step)
    plant.turn(
        mark, share * step["hangers"][0]["turns"]["call_at"], step["hangers"][0]["bearing_before"]["face"]
    )
    if code is None:
        assert following(plant, order)["status"] == "under_way"
    else:
        assert [_held(plant, order)[name] for name in ("code", "mark")] == [code, mark]


def test_another_hanger_than_the_order_tells_holds_the_work(plant: Site) -> None:
    order = ordered(plant)
    mark = begin(plant, order["steps"][2])
    reason = _held(plant, order)
    assert (reason["code"], reason["mark"]) == ("wrong-hanger-under-way", mark)


def test_a_hanger_on_hold_holds_the_work(plant: Site) -> None:
    order = ordered(plant)
    mark = order["steps"][3]["marks"][0]
    plant.act("recorder", f"/hangers/{mark}/transitions", transition="hold", reason="rod is bent")
    reason = _held(plant, order)
    assert (reason["code"], reason["mark"]) == ("hanger-on-hold", mark)


def test_a_reading_outside_the_order_s_interval_holds_the_work(plant: Site) -> None:
    order = ordered(plant)
    step = order["steps"][0]
    finish(plant, step)
    told = next(each for each in step["readings_after"] if each["mark"] == step["marks"][0])
    assert following(plant, order)["status"] == "step"
    for change, status in ((-0.5, "step"), (20.0, "hold")):
        plant.act(
            "recorder", f"/hangers/{told['mark']}/readings", assembly=1, condition="cold", legible=True,
            position={"value": told["high"]["value"] + change, "unit": "mm"}, last_movement="rising",
            line_temperature={"value": 21, "unit": "degC"}, method="at_the_scale",
            reading_resolution={"value": 1, "unit": "mm"},
        )  # fmt: skip
        assert following(plant, order)["status"] == status
    assert [_held(plant, order)[name] for name in ("code", "mark")] == [
        "reading-not-as-expected",
        told["mark"],
    ]


def test_a_record_changed_while_the_order_is_followed_ends_it(plant: Site) -> None:
    order = ordered(plant)
    finish(plant, order["steps"][0])
    mark = order["steps"][1]["marks"][0]
    engineer = plant.callers["engineer"]
    record = engineer.get(f"/v1/plants/demo/hangers/{mark}").json
    record["location"]["description"] = "seen again"
    assert engineer.revise(f"/v1/plants/demo/hangers/{mark}", record).status_code == 200
    answer = engineer.post(f"{READY}/release-order/next", {"order": order})
    assert problem_of(answer, 409, "conflict")["facts"] == {"hangers": [mark]}
    # An order made now takes what is out as out.
    again = valid("release-order", engineer.post(f"{READY}/release-order", {}).json)
    assert order["steps"][0]["marks"] not in again["order"]
    assert following(plant, again)["status"] in ("step", "return_the_nut")
