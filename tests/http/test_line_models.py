"""Models of lines over HTTP: stored, revised, refused with pointers, and used by readiness."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from service.http.documents import Document
from tests.http.running import LINE, PLANT, Caller, Running, problem_of
from tests.lines.models import five_hanger_model, five_hanger_records

MODEL = "/v1/plants/P/lines/L-5/model"


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    running = Running(tmp_path_factory.mktemp("modelled"))
    modelled_plant(running)
    yield running
    running.close()


def modelled_plant(running: Running) -> None:
    """Plant P with the straight line of five hangers, L-5, without its model."""
    assert running.caller("administrator").put("/v1/plants/P", PLANT).status_code == 201
    engineer = running.caller("engineer")
    assert engineer.put("/v1/plants/P/lines/L-5", LINE).status_code == 201
    for record in records().values():
        assert engineer.put(f"/v1/plants/P/hangers/{record['mark']}", record).status_code == 201


def records() -> dict[str, Any]:
    return {mark: {**record, "line": "L-5"} for mark, record in five_hanger_records().items()}


def model(**changes: Any) -> dict[str, Any]:
    found = five_hanger_model(**changes)
    for name in ("plant", "line"):
        found.pop(name, None)
    return found


def test_a_model_is_stored_read_and_revised(tmp_path: Path) -> None:
    fresh = Running(tmp_path)
    modelled_plant(fresh)
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
