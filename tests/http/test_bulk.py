"""Bulk: a result for each row, in order; a bad row stops the others only where all or nothing is asked."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest

from service.errors import StoreBusy
from service.http.bodies import BULK_ROWS, ROW_BYTES
from service.http.documents import Document
from tests.http.running import Caller, Running, hanger, problem_of

BULK = "/v1/plants/P/hangers:bulk"
MEDIA = "application/x-ndjson"


@pytest.fixture
def writer(fresh: Running) -> Caller:
    return fresh.caller("integrator", kind="system")


def row(mark: str, **more: Any) -> bytes:
    revision = {"if_revision": more.pop("if_revision")} if "if_revision" in more else {}
    return json.dumps({"record": hanger(mark, **more), **revision}).encode()


def send(caller: Caller, *rows: bytes, query: str = "", **headers: str) -> Any:
    return caller.post_bytes(BULK + query, b"\n".join(rows) + b"\n", MEDIA, **headers)


def results(response: Any) -> list[dict[str, Any]]:
    assert response.status_code == 200, response.data
    assert response.content_type == MEDIA
    return [Document("bulk-result").validate(json.loads(line)) for line in response.data.splitlines()]


def marks(caller: Caller) -> list[str]:
    return [item["mark"] for item in caller.get("/v1/plants/P/hangers?limit=500").json["items"]]


def test_rows_are_created_revised_and_left_as_they_are(writer: Caller) -> None:
    got = results(send(writer, row("H-2"), row("H-1", drawing_mark="D"), row("H-2")))
    assert [(each["line"], each["status"], each["mark"], each["revision"]) for each in got] == [
        (1, "created", "H-2", 1),
        (2, "revised", "H-1", 2),
        (3, "unchanged", "H-2", 1),
    ]
    assert got[2]["sequence"] is None
    assert got[1]["sequence"] > got[0]["sequence"]
    assert writer.get("/v1/plants/P/hangers/H-1").json["drawing_mark"] == "D"


def test_a_row_states_the_revision_that_it_replaces(writer: Caller) -> None:
    got = results(
        send(
            writer,
            row("H-1", drawing_mark="A", if_revision=0),
            row("H-1", drawing_mark="B", if_revision=2),
            row("H-1", drawing_mark="C", if_revision=1),
            row("H-2", if_revision=1),
            row("H-3", if_revision=0),
        )
    )
    assert [each["status"] for each in got] == ["refused", "refused", "revised", "refused", "created"]
    assert [each["problem"]["code"] for each in got if "problem" in each] == ["precondition-failed"] * 3
    assert [each["problem"]["status"] for each in got if "problem" in each] == [412] * 3


BAD_ROWS = {
    "no JSON": (b"{", 400, "malformed-request", ""),
    "duplicate keys": (
        b'{"record": {"mark": "A", "mark": "B", "line": "L-1", "kind": "rigid"}}',
        400,
        "malformed-request",
        "",
    ),
    "NaN": (b'{"record": NaN}', 400, "malformed-request", ""),
    "too deep": (b"[" * 30_000, 400, "malformed-request", ""),
    "byte order mark": (b'\xef\xbb\xbf{"record": {}}', 400, "malformed-request", ""),
    "no UTF-8": (b'{"record": "\xff"}', 400, "malformed-request", ""),
    "no record": (b"{}", 422, "invalid-document", "/record"),
    "a list": (b"[]", 422, "invalid-document", ""),
    "a record without its envelope": (json.dumps(hanger("A")).encode(), 422, "invalid-document", "/mark"),
    "a bad mark": (row("A B"), 422, "invalid-document", "/record/mark"),
    "a mass for a force": (
        row("A", design={"operating_load": {"value": 1, "unit": "kg"}}),
        422,
        "mass-for-force",
        "/record/design/operating_load/unit",
    ),
    "a negative revision": (row("A", if_revision=-1), 422, "invalid-document", "/if_revision"),
    "a text for a revision": (row("A", if_revision="1"), 422, "invalid-document", "/if_revision"),
    "an unknown line": (row("A", line="L-7"), 422, "invalid-document", "/record/line"),
    "another plant": (row("A", plant="Q"), 422, "invalid-document", "/record/plant"),
    "too large": (row("A", extensions={"x": "y" * ROW_BYTES}), 413, "too-large", ""),
}


@pytest.mark.parametrize(("bad", "status", "code", "pointer"), BAD_ROWS.values(), ids=BAD_ROWS)
def test_a_bad_row_has_its_problem_and_the_others_are_written(
    writer: Caller, bad: bytes, status: int, code: str, pointer: str
) -> None:
    got = results(send(writer, row("H-2"), bad, row("H-3")))
    assert [each["status"] for each in got] == ["created", "refused", "created"]
    problem = Document("problem").validate(got[1]["problem"])
    assert (problem["status"], problem["code"], got[1]["line"]) == (status, code, 2)
    assert problem["errors"][0]["pointer"] == pointer
    assert got[1]["revision"] is None
    assert marks(writer) == ["H-1", "H-2", "H-3"]


@pytest.mark.parametrize(("bad", "status", "code", "pointer"), BAD_ROWS.values(), ids=BAD_ROWS)
def test_all_or_nothing_writes_nothing_when_one_row_is_bad_and_says_so_in_the_status(
    writer: Caller, bad: bytes, status: int, code: str, pointer: str
) -> None:
    before = writer.get("/v1/plants/P/events?limit=500").json
    document = problem_of(
        send(writer, row("H-2"), bad, row("H-3"), query="?atomic=true"), 422, "invalid-document"
    )
    assert document["facts"]["rows"] == 3
    (refused,) = document["facts"]["refused"]
    assert (refused["line"], refused["problem"]["code"], refused["problem"]["status"]) == (2, code, status)
    assert "Nothing was written" in document["detail"]
    assert writer.get("/v1/plants/P/events?limit=500").json == before


def test_all_or_nothing_writes_all(writer: Caller) -> None:
    got = results(send(writer, row("H-2"), row("H-3"), query="?atomic=true"))
    assert [each["status"] for each in got] == ["created", "created"]


def test_a_trial_answers_as_the_write_would_and_writes_nothing(writer: Caller) -> None:
    got = results(send(writer, row("H-2"), row("H-1", drawing_mark="D"), query="?dry_run=true"))
    assert [each["status"] for each in got] == ["created", "revised"]
    assert marks(writer) == ["H-1"]


def test_a_repeat_with_the_same_key_replays_the_same_results(writer: Caller) -> None:
    first = send(writer, row("H-2"), row("H 3"), Idempotency_Key="bulk-of-two")
    events = writer.get("/v1/plants/P/events?limit=500").json
    again = send(writer, row("H-2"), row("H 3"), Idempotency_Key="bulk-of-two")
    without = [{**each, "problem": None} for each in results(again)]
    assert without == [{**each, "problem": None} for each in results(first)]
    assert writer.get("/v1/plants/P/events?limit=500").json == events
    problem_of(send(writer, row("H-4"), Idempotency_Key="bulk-of-two"), 422, "idempotency-key-reused")


def test_blank_lines_are_passed_over_and_rows_keep_their_numbers(writer: Caller) -> None:
    got = results(writer.post_bytes(BULK, b"\n\r\n" + row("H-2") + b"\r\n\n  \n" + row("H-3"), MEDIA))
    assert [(each["line"], each["status"]) for each in got] == [(3, "created"), (6, "created")]


@pytest.mark.parametrize("body", [b"", b"\n", b" \n\r\n"])
def test_no_row_at_all_is_400(writer: Caller, body: bytes) -> None:
    problem_of(writer.post_bytes(BULK, body, MEDIA), 400, "malformed-request")


@pytest.mark.parametrize("media", ["application/json", "text/plain", "application/ndjson"])
def test_another_media_type_is_415(writer: Caller, media: str) -> None:
    document = problem_of(writer.post_bytes(BULK, row("H-2"), media), 415, "unsupported-media-type")
    assert document["errors"][0]["accepted"] == [MEDIA]


def test_one_row_over_the_limit_is_413_and_nothing_is_written(writer: Caller) -> None:
    document = problem_of(writer.post_bytes(BULK, b"{}\n" * (BULK_ROWS + 1), MEDIA), 413, "too-large")
    assert document["facts"] == {"rows": 10_001, "limit_rows": 10_000}
    assert marks(writer) == ["H-1"]


def test_a_body_over_the_setting_is_413(tmp_path_factory: pytest.TempPathFactory) -> None:
    running = Running(tmp_path_factory.mktemp("small"), MAX_BODY_BYTES="65536", MAX_BULK_BYTES="65536")
    caller = running.caller("integrator")
    assert (
        problem_of(caller.post_bytes(BULK, b" " * 65_537, MEDIA), 413, "too-large")["facts"]["limit_bytes"]
        == 65_536
    )
    running.close()


def test_several_hundred_rows_are_each_answered(writer: Caller) -> None:
    rows = [row(f"K-{number:04d}", kind="rigid") for number in range(1200)]
    got = results(send(writer, *rows))
    assert [each["line"] for each in got] == list(range(1, 1201))
    assert {each["status"] for each in got} == {"created"}


def test_a_store_that_gives_up_midway_is_told_in_a_last_line(
    fresh: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer = fresh.caller("integrator")
    given = fresh.store.write
    count = 0

    def failing(plant: str) -> Any:
        nonlocal count
        count += 1
        if count > 1:
            raise StoreBusy("The write lock was not had in time.")
        return given(plant)

    monkeypatch.setattr(fresh.store, "write", failing)
    got = results(send(writer, *(row(f"K-{number:04d}") for number in range(600))))
    assert [each["status"] for each in got] == ["created"] * 500 + ["stopped"]
    assert got[-1]["line"] is None
    assert got[-1]["problem"]["code"] == "store-busy"


def test_a_store_that_is_busy_at_once_is_503(fresh: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    def busy(plant: str) -> Iterator[None]:
        raise StoreBusy("The write lock was not had in time.")

    monkeypatch.setattr(fresh.store, "write", busy)
    problem_of(send(fresh.caller("integrator"), row("H-2")), 503, "store-busy")


def test_an_absent_or_hidden_plant_is_404_before_any_row(fresh: Running) -> None:
    caller = fresh.caller("integrator")
    response = caller.post_bytes("/v1/plants/NONE/hangers:bulk", row("H-2"), MEDIA)
    problem_of(response, 404, "not-found")
    hidden = fresh.caller("integrator", plants=["OTHER"])
    problem_of(send(hidden, row("H-2")), 404, "not-found")


@pytest.mark.parametrize("role", ["reader", "recorder", "auditor", "administrator"])
def test_other_roles_may_not(fresh: Running, role: str) -> None:
    problem_of(send(fresh.caller(role), row("H-2")), 403, "not-permitted")
