"""Estimates from the field over HTTP: from the request and from what is on record, and what is refused."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.http.running import LINE, PLANT, Running, problem_of
from tests.http.weighed import (
    READY,
    STRAIGHT,
    log_size,
    model,
    pointers,
    posted,
    records,
    same_physics,
    site,
    valid,
)

ESTIMATE = f"{STRAIGHT}/field-estimate"
NEWTONS = {"kN": 1e3, "lbf": 0.45359237 * 9.80665}
MARKS = ("H1", "H2")
AROUND: dict[str, Any] = {"stops_out": [], "net_turns": []}


def face(mark: str = "H1", bears: str = "lower", **more: Any) -> dict[str, Any]:
    """A look at one pin of the line as erected."""
    told = {"kind": "bearing_face", "mark": mark, "bearing_face": bears, **AROUND}
    return {**told, "pin_moves_down_when": "rod_tension_rises", **more}


def freed(mark: str = "H1", **more: Any) -> dict[str, Any]:
    """A pin that pressed on its lower face and came free between one and two thirds of a turn down."""
    told = {"kind": "turns_to_free", "mark": mark, "turns_bearing": -1 / 3, "turns_free": -2 / 3, **AROUND}
    return {**told, "bearing_face": "lower", "pin_moves_down_when": "rod_tension_rises", **more}


QUESTIONS: tuple[dict[str, Any], ...] = (
    {"observations": []},
    {"observations": [face(), face("H2", "upper")]},
    {"observations": [freed(id="first")], "present": {"stops_out": ["H1"], "net_turns": []}},
    {
        "observations": [
            freed(),
            {
                "kind": "level",
                "mark": "H1",
                "height": {"value": 3, "unit": "mm"},
                "uncertainty": {"value": 0.5, "unit": "mm"},
            },
            {
                "kind": "weighed_part",
                "part": "whole",
                "weight": {"value": 44.4, "unit": "kN"},
                "uncertainty": {"value": 0.5, "unit": "kN"},
            },
        ],
        "weight_groups": [{"name": "whole", "owners": [f"S{place}" for place in range(1, 4)]}],
        "assumptions": {"height_uncertainty": {"value": 5, "unit": "mm"}},
    },
)
NAMES = ["nothing seen", "faces", "turns", "levels"]


def short_model() -> dict[str, Any]:
    """Three spans of the straight line with two hangers, whose heights nobody levelled."""
    straight = model()
    nodes = [*straight["nodes"][:3], {**straight["nodes"][3], "id": "B"}]
    segments = [*straight["segments"][:2], {**straight["segments"][2], "to": "B"}]
    hangers = [{"mark": mark, "node": mark} for mark in MARKS]
    return model(nodes=nodes, segments=segments, hangers=hangers)


def short_line(**more: Any) -> dict[str, Any]:
    """The same as a request brings it with it."""
    hangers = [record for mark, record in records().items() if mark in MARKS]
    return {"model": {**short_model(), "line": "L-5"}, "hangers": hangers, **more}


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    running = Running(tmp_path_factory.mktemp("estimate"))
    assert running.caller("administrator").put("/v1/plants/P", PLANT).status_code == 201
    engineer = running.caller("engineer")
    assert engineer.put(STRAIGHT, LINE).status_code == 201
    for record in short_line()["hangers"]:
        assert engineer.put(f"/v1/plants/P/hangers/{record['mark']}", record).status_code == 201
    assert engineer.put(f"{STRAIGHT}/model", short_model()).status_code == 201
    yield running
    running.close()


# --- answers ------------------------------------------------------------------------------------------
@pytest.mark.parametrize("question", QUESTIONS, ids=NAMES)
def test_an_answer_is_valid_and_says_the_same_in_both_systems_of_units(
    running: Running, question: dict[str, Any]
) -> None:
    reader = running.caller("reader")
    si = valid("field-estimate", reader.post(f"{ESTIMATE}?units=si", question).json)
    us = valid("field-estimate", reader.post(f"{ESTIMATE}?units=us", question).json)
    assert same_physics(si, us) > 10
    assert si["status"] == ("estimated" if question["observations"] else "nothing_observed")


@pytest.mark.parametrize("question", QUESTIONS, ids=NAMES)
def test_a_posted_line_says_what_the_stored_one_does(running: Running, question: dict[str, Any]) -> None:
    reader = running.caller("reader")
    stored = reader.post(ESTIMATE, question).json
    line = short_line(**question)
    alone = valid("field-estimate", reader.post("/v1/field-estimate", line).json)
    us = valid("field-estimate", reader.post("/v1/field-estimate?units=us", line).json)
    assert same_physics(alone, us) > 10
    assert stored.pop("sequence") == 4
    assert alone.keys() == stored.keys()
    for name in ("status", "observations", "contradictions", "misfit", "split", "cautions", "missing"):
        assert alone[name] == stored[name], name


def _span_n(span: Any) -> tuple[float, float]:
    return tuple(span[end]["value"] * NEWTONS[span[end]["unit"]] for end in ("low", "high"))  # type: ignore[return-value]


def test_turns_that_freed_a_pin_tell_its_load_before(running: Running) -> None:
    # With every pin held one turn at H3 is worked out as 4,762.4 N where pipes do not shear; here they do, by
    # less than 1 %. The stiffness is taken as a tenth off, and the spring's force is 14,787.938 N.
    asked = posted(observations=[freed("H3", id="first")], present={"stops_out": ["H3"], "net_turns": []})
    answer = running.caller("reader").post("/v1/field-estimate", asked).json
    (told,) = answer["observations"]
    assert (told["id"], told["status"]) == ("first", "used")
    low, high = _span_n(told["rod_load"])
    assert low - 14787.938 == pytest.approx(0.9 * 4762.4 / 3, rel=0.01)
    assert high - 14787.938 == pytest.approx(1.1 * 4762.4 * 2 / 3, rel=0.01)


def test_what_was_seen_narrows_the_misfit(running: Running) -> None:
    answer = running.caller("reader").post(ESTIMATE, QUESTIONS[2]).json
    by_mark = {each["mark"]: each for each in answer["misfit"]}
    before, after = (_span_n(by_mark["H1"][name]) for name in ("before", "after"))
    assert before[0] <= after[0] <= after[1] <= before[1]
    assert after[1] - after[0] < 0.8 * (before[1] - before[0])
    # Turns cannot tell weight from height; a level and a weighed part can.
    assert answer["split"]["status"] == "cannot_say"
    assert running.caller("reader").post(ESTIMATE, QUESTIONS[3]).json["split"]["status"] == "split"


def test_observations_keep_their_places_and_names(running: Running) -> None:
    answer = (
        running.caller("reader").post(ESTIMATE, {"observations": [face(id="a"), face("H2", "upper")]}).json
    )
    assert [each["id"] for each in answer["observations"]] == ["a", "2"]


def test_observations_that_cannot_all_hold_are_told_and_none_is_used(running: Running) -> None:
    seen = {"observations": [face(occasion="look"), face(bears="upper", occasion="look")]}
    answer = valid("field-estimate", running.caller("reader").post(ESTIMATE, seen).json)
    assert answer["status"] == "contradicted"
    assert answer["contradictions"][0]["observations"] == ["1", "2"]
    assert {each["after"] is None for each in answer["misfit"]} == {True}


# --- who may ask, and what is refused ---------------------------------------------------------------------
def test_who_may_ask_and_that_nothing_is_written(running: Running) -> None:
    before = log_size(running)
    for role in ("reader", "recorder", "engineer", "integrator", "auditor", "administrator"):
        caller = running.caller(role)
        for path, body in ((ESTIMATE, QUESTIONS[0]), ("/v1/field-estimate", short_line(observations=[]))):
            assert caller.post(path, body, {"Idempotency-Key": None}).status_code == 200, (role, path)
    assert log_size(running) == before


def test_a_hidden_line_is_not_there_and_a_line_without_a_model_says_so(running: Running) -> None:
    engineer = running.caller("engineer")
    problem_of(running.caller("reader", lines=["L-1"]).post(ESTIMATE, QUESTIONS[0]), 404, "not-found")
    problem_of(engineer.post("/v1/plants/P/lines/L-9/field-estimate", QUESTIONS[0]), 404, "not-found")
    problem_of(engineer.post(ESTIMATE, QUESTIONS[0], {"Authorization": None}), 401, "not-authenticated")
    engineer.put("/v1/plants/P/lines/L-6", LINE)
    answer = engineer.post("/v1/plants/P/lines/L-6/field-estimate", QUESTIONS[0])
    assert "no model" in problem_of(answer, 404, "not-found")["detail"]


REFUSED: tuple[tuple[dict[str, Any], str], ...] = (
    ({}, "/observations"),
    ({"observations": [face(), face("H9")]}, "/observations/1/mark"),
    ({"observations": [face(stops_out=["H1", "H9"])]}, "/observations/0/stops_out/1"),
    ({"observations": [face(net_turns=[{"mark": "H9", "turns": 1}])]}, "/observations/0/net_turns/0/mark"),
    (
        {"observations": [face(net_turns=[{"mark": "H1", "turns": 1}, {"mark": "H1", "turns": 2}])]},
        "/observations/0/net_turns/1/mark",
    ),
    ({"observations": [face(id="a"), face("H2", id="a")]}, "/observations/1/id"),
    ({"observations": [face()], "present": {"stops_out": ["H9"], "net_turns": []}}, "/present/stops_out/0"),
    (
        {"observations": [], "weight_groups": [{"name": "a", "owners": ["S1", "S9"]}]},
        "/weight_groups/0/owners/1",
    ),
    (
        {"observations": [], "assumptions": {"weight_uncertainty": {"value": 100, "unit": "%"}}},
        "/assumptions/weight_uncertainty",
    ),
    ({"observations": [], "model": model()}, "/model"),
    ({"observations": [], "hangers": [records()["H1"]]}, "/hangers"),
)


@pytest.mark.parametrize(("body", "pointer"), REFUSED, ids=[str(place) for place in range(len(REFUSED))])
def test_a_request_that_does_not_fit_is_refused_with_its_place(
    running: Running, body: dict[str, Any], pointer: str
) -> None:
    problem = problem_of(running.caller("reader").post(ESTIMATE, body), 422, "invalid-document")
    assert pointers(problem) == [pointer]


def test_a_posted_line_that_does_not_fit_is_refused_with_its_place(running: Running) -> None:
    reader = running.caller("reader")
    line = short_line(observations=[])
    cases: list[tuple[dict[str, Any], list[str]]] = [
        ({"observations": []}, ["/model", "/hangers"]),
        ({"observations": [], "model": line["model"]}, ["/hangers"]),
        ({**line, "hangers": line["hangers"][:1]}, ["/model/hangers/1/mark"]),
        ({**line, "hangers": [*line["hangers"], line["hangers"][0]]}, ["/hangers/2/mark"]),
        ({**line, "observations": [face("H9")]}, ["/observations/0/mark"]),
    ]
    for body, places in cases:
        problem = problem_of(reader.post("/v1/field-estimate", body), 422, "invalid-document")
        assert pointers(problem) == places


# --- what is on record --------------------------------------------------------------------------------------
def test_faces_on_record_count_while_they_hold(tmp_path: Path) -> None:
    running = Running(tmp_path)
    plant = site(running, "BP-50")
    engineer, mark = plant.callers["engineer"], "BP-50-03"
    plant.act("engineer", "/lines/BP-50/authorisations")
    asked = f"{READY}/field-estimate"

    def used(*given: dict[str, Any]) -> list[tuple[str | None, str, list[int]]]:
        answer = valid("field-estimate", engineer.post(asked, {"observations": list(given)}).json)
        return [(each["mark"], each["status"], each["events"]) for each in answer["observations"]]

    seen = [
        plant.act(
            "recorder", f"/hangers/{mark}/stops", assembly=1, stop=stop, act="observed",
            bearing_face="lower", free_by_hand=False,
        )["event"]["sequence"]
        for stop in (1, 2)
    ]  # fmt: skip
    # Those of the request keep their places before those on record.
    other = face("BP-50-01", "none", occasion="now")
    assert used(other) == [("BP-50-01", "used", []), (mark, "used", seen)]
    wrong = engineer.post(asked, {"observations": [face("H9")]})
    assert pointers(problem_of(wrong, 422, "invalid-document")) == ["/observations/0/mark"]
    # A nut that is turned moves load: what was seen before it no longer holds.
    plant.act("recorder", "/hangers/BP-50-05/transitions", transition="ease")
    plant.turn("BP-50-05", 0.05)
    assert used() == []
    running.close()
