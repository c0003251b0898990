"""Models of lines over HTTP: stored, revised, refused with pointers, and used by readiness."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from service.http.documents import Document
from tests.http.running import Caller, Running, problem_of
from tests.http.weighed import READY, STRAIGHT, log_size, model, pointers, site, straight_line, support, valid

MODEL = f"{STRAIGHT}/model"
MM_PER_INCH = 25.4


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    running = Running(tmp_path_factory.mktemp("modelled"))
    straight_line(running, modelled=False)
    yield running
    running.close()


def test_a_model_is_stored_read_and_revised(tmp_path: Path) -> None:
    fresh = Running(tmp_path)
    straight_line(fresh, modelled=False)
    engineer = fresh.caller("engineer")
    problem_of(engineer.get(MODEL), 404, "not-found")
    written = engineer.put(MODEL, model())
    assert (written.status_code, written.headers["ETag"], written.headers["Location"]) == (201, '"r1"', MODEL)
    assert engineer.get(MODEL).json == model()
    assert engineer.revise(MODEL, model()).json["changed"] is False
    changed = model(description="walked down")
    assert engineer.revise(MODEL, changed).json["revision"] == 2
    page = engineer.get(f"{MODEL}/revisions").json
    Document("page-line-models").validate(page)
    assert [item["revision"] for item in page["items"]] == [1, 2]
    assert engineer.get(f"{MODEL}/revisions/1").json["record"] == model()
    items = engineer.get("/v1/plants/P/events?type=line-model-recorded").json["items"]
    first, second = (item["event"] for item in items)
    assert (first["subject"], first["line"], second["data"]["revision"]) == ("line-model/L-5", "L-5", 2)
    fresh.close()


def test_only_an_engineer_stores_a_model_and_only_for_a_line_that_is_there(running: Running) -> None:
    for role in ("reader", "recorder", "integrator", "auditor", "administrator"):
        problem_of(running.caller(role).put(MODEL, model()), 403, "not-permitted")
    engineer = running.caller("engineer")
    problem_of(engineer.put("/v1/plants/P/lines/L-9/model", model()), 404, "not-found")
    outside = running.caller("engineer", lines=["L-1"])
    problem_of(outside.put(MODEL, model()), 404, "not-found")
    problem_of(outside.get(MODEL), 404, "not-found")


def test_a_model_that_does_not_fit_is_refused_with_every_pointer(running: Running) -> None:
    engineer = running.caller("engineer")
    wrong = model()
    wrong["hangers"][0] = {**wrong["hangers"][0], "mark": "H-99"}
    wrong["segments"][1] = {**wrong["segments"][1], "id": wrong["segments"][0]["id"]}
    problem = problem_of(engineer.put(MODEL, wrong), 422, "invalid-document")
    assert {error["pointer"] for error in problem["errors"]} >= {"/hangers/0/mark", "/segments/1/id"}
    problem_of(engineer.put(MODEL, {**model(), "line": "L-6"}), 422, "invalid-document")


def test_a_trial_writes_nothing(running: Running) -> None:
    engineer: Caller = running.caller("engineer")
    answer = engineer.put(f"{MODEL}?dry_run=true", model())
    assert (answer.status_code, answer.json["dry_run"]) == (200, True)
    problem_of(engineer.get(MODEL), 404, "not-found")


# --- answers ------------------------------------------------------------------------------------------
@pytest.fixture(scope="module")
def revised(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """A service whose straight line has a model in its third revision."""
    made = Running(tmp_path_factory.mktemp("revised"))
    engineer = straight_line(made)
    for description in ("walked down", "levelled"):
        assert engineer.revise(MODEL, model(description=description)).status_code == 200
    yield made
    made.close()


def test_every_answer_is_valid(revised: Running) -> None:
    reader = revised.caller("reader")
    valid("line-model", reader.get(MODEL).json)
    valid("page-line-models", reader.get(f"{MODEL}/revisions").json)
    valid("line-model-revision", reader.get(f"{MODEL}/revisions/2").json)
    engineer = revised.caller("engineer")
    valid("record-receipt", engineer.revise(f"{MODEL}?dry_run=true", model()).json)
    valid("record-receipt", engineer.revise(MODEL, model(description="levelled")).json)


def test_a_model_is_told_in_the_units_asked_for_and_kept_as_it_was_sent(revised: Running) -> None:
    reader = revised.caller("reader")
    plain, us = reader.get(MODEL), reader.get(f"{MODEL}?units=us")
    assert plain.json == model(description="levelled")
    cover = valid("line-model", us.json)["insulations"][0]
    assert cover["thickness"] == {"value": pytest.approx(120 / MM_PER_INCH), "unit": "in"}
    assert us.json["nodes"][1]["x"] == {"value": pytest.approx(9000 / MM_PER_INCH), "unit": "in"}
    assert us.json["temperatures"]["cold"] == {"value": pytest.approx(68), "unit": "degF"}
    assert us.headers["ETag"] != plain.headers["ETag"]
    for path in (f"{MODEL}/revisions/1", f"{MODEL}/revisions"):
        found = reader.get(f"{path}?units=us").json
        record = found["record"] if "record" in found else found["items"][0]["record"]
        assert record["insulations"][0]["thickness"]["unit"] == "in"
    # What is sent in inches is the same line.
    engineer = revised.caller("engineer")
    answer = engineer.revise(f"{MODEL}?dry_run=true", us.json)
    assert answer.status_code == 200


def test_revisions_are_paged_and_each_is_told_as_it_was_written(revised: Running) -> None:
    reader = revised.caller("reader")
    first = valid("page-line-models", reader.get(f"{MODEL}/revisions?limit=2").json)
    rest = valid("page-line-models", reader.get(f"{MODEL}/revisions?limit=2&cursor={first['next']}").json)
    told = [
        (item["revision"], item["record"].get("description")) for item in (*first["items"], *rest["items"])
    ]
    assert told == [(1, None), (2, "walked down"), (3, "levelled")]
    assert rest["next"] is None
    one = reader.get(f"{MODEL}/revisions/2").json
    assert one == first["items"][1]
    assert one["until"] == rest["items"][0]["sequence"]
    problem_of(reader.get(f"{MODEL}/revisions/4"), 404, "not-found")


def test_every_role_reads_a_model_in_its_scope_and_nobody_beyond_it(revised: Running) -> None:
    paths = (MODEL, f"{MODEL}/revisions", f"{MODEL}/revisions/1")
    for role in ("reader", "recorder", "engineer", "integrator", "auditor", "administrator"):
        assert {revised.caller(role).get(path).status_code for path in paths} == {200}, role
        assert {revised.caller(role, lines=["l-5"]).get(path).status_code for path in paths} == {200}, role
        for path in paths:
            problem_of(revised.caller(role, lines=["L-1"]).get(path), 404, "not-found")
            problem_of(revised.caller(role, plants=["Q"]).get(path), 404, "not-found")
    for path in paths:
        problem_of(
            revised.caller("reader").get(path, headers={"Authorization": None}), 401, "not-authenticated"
        )


def test_a_write_wants_a_precondition_and_the_one_that_holds(revised: Running) -> None:
    engineer, before = revised.caller("engineer"), log_size(revised)
    problem_of(engineer.put(MODEL, model(), {}), 428, "precondition-required")
    problem_of(engineer.put(MODEL, model()), 412, "precondition-failed")
    problem_of(engineer.put(MODEL, model(), {"If-Match": '"r1"'}), 412, "precondition-failed")
    assert log_size(revised) == before


# --- what is refused -----------------------------------------------------------------------------------
def _changed(*path: str | int, to: Any) -> dict[str, Any]:
    """The model with one member changed."""
    made = copy.deepcopy(model())
    place: Any = made
    for name in path[:-1]:
        place = place[name]
    place[path[-1]] = to
    return made


WRONG: tuple[tuple[dict[str, Any], str], ...] = (
    (_changed("segments", 2, "to", to="Z"), "/segments/2/to"),
    (_changed("segments", 2, "to", to="H2"), "/segments/2"),
    (_changed("segments", 2, "pipe", to="side"), "/segments/2/pipe"),
    (_changed("segments", 2, "insulation", to="thin"), "/segments/2/insulation"),
    (_changed("pipes", 0, "material", to="brass"), "/pipes/0/material"),
    (_changed("pipes", 0, "schedule", to="81"), "/pipes/0"),
    (_changed("nodes", 3, "id", to="h2"), "/nodes/3/id"),
    (_changed("hangers", 1, "mark", to="h1"), "/hangers/1/mark"),
    (_changed("hangers", 1, "node", to="Z"), "/hangers/1/node"),
    (_changed("anchors", 1, "node", to="Z"), "/anchors/1/node"),
    (_changed("line_contents", "hot", to="steam"), "/line_contents/hot"),
    (_changed("nodes", 3, "x", to={"value": 18, "unit": "m"}), "/segments/2"),
    (_changed("nodes", 3, "x", to={"value": 18, "unit": "kN"}), "/nodes/3/x/unit"),
    (_changed("spare", to=1), "/spare"),
)


@pytest.mark.parametrize(("document", "pointer"), WRONG, ids=[str(place) for place in range(len(WRONG))])
def test_what_does_not_fit_is_refused_with_its_place_and_nothing_is_written(
    revised: Running, document: dict[str, Any], pointer: str
) -> None:
    engineer, before = revised.caller("engineer"), log_size(revised)
    answer = engineer.revise(MODEL, document)
    code = "unknown-unit" if pointer.endswith("/unit") else "invalid-document"
    found = pointers(problem_of(answer, 422, code))
    assert [each for each in found if each == pointer or each.startswith(f"{pointer}/")], found
    assert log_size(revised) == before


def test_of_very_many_faults_the_first_are_told(revised: Running) -> None:
    engineer = revised.caller("engineer")
    astray = [{"id": f"M{place}", "node": "Z", "mass": {"value": 1, "unit": "kg"}} for place in range(600)]
    problem = problem_of(engineer.revise(MODEL, model(masses=astray)), 422, "invalid-document")
    valid("problem", problem)
    assert pointers(problem)[0] == "/masses/0/node"
    assert len(problem["errors"]) == 200
    assert "600 faults" in problem["detail"]


# --- what follows ----------------------------------------------------------------------------------------
def test_a_model_that_makes_an_authorised_line_not_ready_ends_its_authorisation(tmp_path: Path) -> None:
    running = Running(tmp_path)
    plant = site(running, "BP-50")
    engineer, path = plant.callers["engineer"], f"{READY}/model"
    plant.act("engineer", "/lines/BP-50/authorisations")

    def states() -> set[str]:
        found = valid("readiness", engineer.get(f"{READY}/readiness?for=release").json)
        return {hanger["state"] for hanger in found["hangers"]}

    assert states() == {"cleared"}
    heavier = engineer.get(path).json
    heavier["masses"] = [{"id": "valve", "node": "N60", "mass": {"value": 900, "unit": "kg"}}]
    trial = engineer.revise(f"{path}?dry_run=true", heavier).json
    assert states() == {"cleared"}
    assert engineer.get(path).json != heavier
    written = valid("record-receipt", engineer.revise(path, heavier).json)
    assert [event["type"] for event in written["consequences"]] == ["authorisation-ended"] + [
        "transition-made"
    ] * 5
    assert [event["type"] for event in trial["consequences"]] == [
        event["type"] for event in written["consequences"]
    ]
    assert written["consequences"][0]["data"]["cause"] == "readiness-lost"
    assert states() == {"locked"}
    blockers = engineer.get(f"{READY}/readiness?for=release").json["blockers"]
    assert f"hanger/{support('BP-50-03').mark}/check/end-of-travel-cold" in {
        each["subject"] for each in blockers
    }
    running.close()


def test_a_model_that_leaves_the_line_ready_leaves_its_authorisation(tmp_path: Path) -> None:
    running = Running(tmp_path)
    plant = site(running, "BP-50")
    engineer = plant.callers["engineer"]
    plant.act("engineer", "/lines/BP-50/authorisations")
    told = {**engineer.get(f"{READY}/model").json, "description": "walked down"}
    assert engineer.revise(f"{READY}/model", told).json["consequences"] == []
    found = engineer.get(f"{READY}/readiness?for=release").json
    assert {hanger["state"] for hanger in found["hangers"]} == {"cleared"}
    running.close()
