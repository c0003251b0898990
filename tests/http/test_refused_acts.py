"""Acts that were read and valid but are refused: by the clock, by the state, by what the record says."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from typing import Any

import pytest

from tests.http.running import Caller, Running, inspection, problem_of

H1 = "/v1/plants/P/hangers/H-1"


@pytest.fixture
def writer(fresh: Running) -> Caller:
    return fresh.caller("engineer")


def size(caller: Caller) -> int:
    return len(caller.get("/v1/plants/P/events?limit=500").json["items"])


def at(running: Running, **ahead: float) -> str:
    return (running.clock.now + timedelta(**ahead)).isoformat()


@pytest.mark.parametrize(
    ("path", "document"),
    [
        (f"{H1}/inspections", {"assembly": 1}),
        (f"{H1}/readings", {"assembly": 1, "condition": "cold"}),
        (f"{H1}/turns", {"assembly": 1, "turns": 1}),
        (f"{H1}/stops", {"assembly": 1, "stop": 1, "act": "observed"}),
        (f"{H1}/transitions", {"transition": "hold", "reason": "x"}),
        (f"{H1}/transfers", {"to_line": "L-1", "reason": "x"}),
        (f"{H1}/retirements", {"reason": "x"}),
        ("/v1/plants/P/lines/L-1/inspections", {}),
        ("/v1/plants/P/lines/L-1/authorisations", {}),
    ],
)
def test_a_time_to_come_is_refused_everywhere_and_nothing_is_written(
    fresh: Running, writer: Caller, path: str, document: dict[str, Any]
) -> None:
    before = size(writer)
    response = writer.post(path, {**document, "occurred_at": at(fresh, minutes=6)})
    (finding,) = problem_of(response, 422, "future-time")["errors"]
    assert finding["pointer"] == "/occurred_at"
    assert "at most" in finding["accepted"]
    assert size(writer) == before


def test_a_site_clock_may_run_ahead_by_less_than_five_minutes(fresh: Running, writer: Caller) -> None:
    assert writer.post(f"{H1}/inspections", inspection(occurred_at=at(fresh, minutes=4))).status_code == 201


def test_a_time_that_is_no_instant_is_refused(writer: Caller) -> None:
    for moment in ("2016-12-31T23:59:60Z", "0001-01-01T00:00:00+23:00", "9999-12-31T23:59:59-23:00"):
        response = writer.post(f"{H1}/inspections", inspection(occurred_at=moment))
        assert response.status_code == 422, (moment, response.data)
        assert response.json["errors"][0]["pointer"] == "/occurred_at"


@pytest.mark.parametrize(
    "name",
    ["withdraw", "position", "confirm", "prove", "reinsert", "reposition", "relock", "abandon", "ease"],
)
def test_a_step_out_of_order_is_409_and_says_what_is_possible(writer: Caller, name: str) -> None:
    before = size(writer)
    document = {"occurred_at": "2026-05-04T05:00:00Z", "transition": name, "reason": "x"}
    if name == "withdraw":
        document["stops_withdrawn"] = [{"assembly": 1, "count": 2}]  # type: ignore[assignment]
    for query in ("", "?dry_run=true"):
        facts = problem_of(writer.post(f"{H1}/transitions{query}", document), 409, "out-of-order")["facts"]
        assert facts["state"] == "locked"
        assert isinstance(facts["possible"], list)
        assert all(set(each) >= {"transition", "lacks"} for each in facts["possible"])
        assert name not in [each["transition"] for each in facts["possible"]]
    assert size(writer) == before


def test_turning_a_locked_hanger_is_409_and_names_what_is_lacking(writer: Caller) -> None:
    document = {"occurred_at": "2026-05-04T05:00:00Z", "assembly": 1, "turns": 1}
    facts = problem_of(writer.post(f"{H1}/turns", document), 409, "guard-not-met")["facts"]
    assert facts["lacks"]
    assert all({"code", "detail", "subject"} <= set(lack) for lack in facts["lacks"])


def test_an_assembly_that_the_record_does_not_have_is_refused(writer: Caller) -> None:
    (finding,) = problem_of(
        writer.post(f"{H1}/inspections", inspection(assembly=2)), 422, "invalid-document"
    )["errors"]
    assert (finding["pointer"], finding["accepted"]) == ("/assembly", "1 to 1")


def test_a_performer_whom_nobody_knows_is_refused(writer: Caller) -> None:
    response = writer.post(f"{H1}/inspections", inspection(performed_by="pr_zzzzzzzzzzzzzzzzzzzzzzzzzz"))
    assert problem_of(response, 422, "invalid-document")["errors"][0]["pointer"] == "/performed_by"


def test_a_client_event_id_names_one_event_for_ever(writer: Caller) -> None:
    document = inspection(client_event_id="tablet-7:0001")
    assert writer.post(f"{H1}/inspections", document).status_code == 201
    problem_of(writer.post(f"{H1}/inspections", document), 409, "duplicate-key")


def test_a_body_that_names_another_plant_line_or_mark_than_the_path_is_refused(writer: Caller) -> None:
    record = {"mark": "H-2", "line": "L-1", "kind": "rigid"}
    for document in (record, {**record, "mark": "H-1", "plant": "Q"}):
        response = writer.put(H1, document, {"If-Match": "*"})
        assert problem_of(response, 422, "invalid-document")["errors"][0]["rule"] == "same-as-path"


def test_a_system_takes_no_decision_of_an_engineer(fresh: Running) -> None:
    integrator = fresh.caller("integrator", kind="system")
    response = integrator.post(
        "/v1/plants/P/lines/L-1/authorisations", {"occurred_at": "2026-05-04T05:00:00Z"}
    )
    problem_of(response, 403, "not-permitted")


def test_twins_under_one_key_write_one_event(fresh: Running, writer: Caller) -> None:
    before = size(writer)
    key = {"Idempotency-Key": "twins-under-one-key"}
    with ThreadPoolExecutor(6) as pool:
        answers = list(pool.map(lambda _: writer.post(f"{H1}/inspections", inspection(), key), range(6)))
    assert {answer.status_code for answer in answers} == {201}
    assert len({answer.json["event"]["sequence"] for answer in answers}) == 1
    assert sum("Idempotent-Replayed" in answer.headers for answer in answers) == 5
    assert size(writer) == before + 1


def test_writers_at_once_each_get_a_place_of_their_own_without_a_gap(fresh: Running, writer: Caller) -> None:
    before = size(writer)
    with ThreadPoolExecutor(6) as pool:
        answers = list(pool.map(lambda _: writer.post(f"{H1}/inspections", inspection()), range(12)))
    assert sorted(answer.json["event"]["sequence"] for answer in answers) == list(range(before, before + 12))
