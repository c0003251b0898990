"""The log over HTTP: pages and exact bytes, from any sequence, with every filter."""

from __future__ import annotations

import hashlib
import json
from typing import Any

import pytest

from service.http.documents import Document
from tests.http.running import LINE, Caller, Running, hanger, inspection, problem_of

EVENTS = "/v1/plants/P/events"
NDJSON = {"Accept": "application/x-ndjson"}


@pytest.fixture(scope="module")
def written(shared: Running) -> Running:
    engineer = shared.caller("engineer")
    assert engineer.put("/v1/plants/P/lines/L-2", LINE).status_code == 201
    assert engineer.put("/v1/plants/P/hangers/H-2", hanger("H-2", "L-2")).status_code == 201
    for hour in (1, 2, 3, 4):
        shared.clock.advance(hours=1)
        for mark in ("H-1", "H-2"):
            document = inspection(occurred_at=f"2026-05-04T0{hour}:30:00+02:00", note=f"hour {hour}")
            assert engineer.post(f"/v1/plants/P/hangers/{mark}/inspections", document).status_code == 201
    return shared


@pytest.fixture
def auditor(written: Running) -> Caller:
    return written.caller("auditor")


def everything(caller: Caller) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = caller.get(f"{EVENTS}?limit=500").json["items"]
    return found


def lines(response: Any) -> list[dict[str, Any]]:
    """The events of an export, without its trailer."""
    assert response.status_code == 200, response.data
    *events, trailer = [json.loads(line) for line in response.data.splitlines()]
    assert list(trailer) == ["trailer"]
    return events


def test_the_page_is_as_its_schema_says_and_has_no_gap(auditor: Caller) -> None:
    page = Document("page-events").validate(auditor.get(EVENTS).json)
    assert [item["event"]["sequence"] for item in page["items"]] == list(range(13))
    assert page["next"] is None


def test_pages_follow_one_another_without_a_gap(auditor: Caller) -> None:
    found: list[int] = []
    path: str | None = f"{EVENTS}?limit=5"
    while path is not None:
        response = auditor.get(path)
        found += [item["event"]["sequence"] for item in response.json["items"]]
        link = response.headers.get("Link")
        path = link.partition(">")[0].strip("<") if link else None
        assert (path is None) == (response.json["next"] is None)
    assert found == list(range(13))


@pytest.mark.parametrize("start", [0, 1, 7, 12, 13])
def test_reading_begins_at_any_sequence_up_to_the_size(auditor: Caller, start: int) -> None:
    page = auditor.get(f"{EVENTS}?from={start}").json["items"]
    assert [item["event"]["sequence"] for item in page] == list(range(start, 13))
    assert [
        event["sequence"] for event in lines(auditor.get(f"{EVENTS}?from={start}", headers=NDJSON))
    ] == list(range(start, 13))


@pytest.mark.parametrize("accept", ["application/json", "application/x-ndjson"])
def test_a_start_beyond_the_size_is_refused_and_never_an_empty_page(auditor: Caller, accept: str) -> None:
    response = auditor.get(f"{EVENTS}?from=14", headers={"Accept": accept})
    (finding,) = problem_of(response, 400, "invalid-parameter")["errors"]
    assert (finding["name"], finding["accepted"]) == ("from", "0 to 13")


def test_ndjson_holds_the_exact_bytes_stored(written: Running, auditor: Caller) -> None:
    response = auditor.get(EVENTS, headers=NDJSON)
    assert response.content_type == "application/x-ndjson"
    with written.store.read("P") as reader:
        stored = [reader.event(sequence).body for sequence in range(13)]  # type: ignore[union-attr]
    assert b"".join(response.data.splitlines(keepends=True)[:-1]) == b"".join(body + b"\n" for body in stored)


def test_the_leaf_of_a_page_and_the_line_of_ndjson_state_the_same(auditor: Caller) -> None:
    assert lines(auditor.get(EVENTS, headers=NDJSON)) == [item["event"] for item in everything(auditor)]


def test_free_text_stands_beside_the_leaf_and_not_in_it(auditor: Caller) -> None:
    item = next(item for item in everything(auditor) if item["event"]["type"] == "hanger-inspected")
    assert item["texts"] == {"note": "hour 1"}
    assert set(item["event"]["data"]["note"]) == {"sha256"}
    assert b"hour 1" not in auditor.get(EVENTS, headers=NDJSON).data


FILTERS = {
    "line": ("line=L-2", lambda event: event["line"] == "L-2"),
    "line in another case": ("line=l-2", lambda event: event["line"] == "L-2"),
    "hanger": ("hanger=H-1", lambda event: event["subject"] == "hanger/H-1"),
    "type": ("type=hanger-inspected", lambda event: event["type"] == "hanger-inspected"),
    "since": ("since=2026-05-04T08:30:00Z", lambda event: event["recorded_at"] >= "2026-05-04T08:30:00"),
    "until": ("until=2026-05-04T08:30:00Z", lambda event: event["recorded_at"] < "2026-05-04T08:30:00"),
    "occurred": (
        "occurred_since=2026-05-04T00:30:00Z&occurred_until=2026-05-04T02:30:00Z",
        lambda event: event["occurred_at"] in ("2026-05-04T02:30:00+02:00", "2026-05-04T03:30:00+02:00"),
    ),
    "all together": (
        "line=L-1&hanger=H-1&type=hanger-inspected&since=2026-05-04T08:00:00Z&until=2026-05-04T10:00:00Z&from=6",
        lambda event: (
            event["subject"] == "hanger/H-1"
            and event["type"] == "hanger-inspected"
            and "2026-05-04T08:00:00" <= event["recorded_at"] < "2026-05-04T10:00:00"
            and event["sequence"] >= 6
        ),
    ),
    "nothing fits": ("type=line-authorised", lambda event: False),
}


@pytest.mark.parametrize(("query", "fits"), FILTERS.values(), ids=FILTERS)
def test_a_filter_lets_through_what_fits_and_no_more_in_both_forms(
    auditor: Caller, query: str, fits: Any
) -> None:
    wanted = [item["event"] for item in everything(auditor) if fits(item["event"])]
    if query.startswith("type=line-auth"):
        assert not wanted
    else:
        assert 0 < len(wanted) < 13
    assert [item["event"] for item in auditor.get(f"{EVENTS}?{query}").json["items"]] == wanted
    assert lines(auditor.get(f"{EVENTS}?{query}", headers=NDJSON)) == wanted


def test_a_type_that_there_is_not_is_refused_with_those_that_there_are(auditor: Caller) -> None:
    document = problem_of(auditor.get(f"{EVENTS}?type=never-heard-of"), 400, "invalid-parameter")
    assert {"reading-taken", "adjuster-turned", "line-authorised"} < set(document["errors"][0]["accepted"])


def test_one_event_by_its_sequence(auditor: Caller) -> None:
    item = Document("event-item").validate(auditor.get(f"{EVENTS}/3").json)
    assert item == everything(auditor)[3]
    problem_of(auditor.get(f"{EVENTS}/13"), 404, "not-found")
    problem_of(auditor.get(f"{EVENTS}/999999999999999"), 404, "not-found")


def test_a_document_beside_the_log_is_read_as_its_exact_bytes(fresh: Running) -> None:
    engineer, auditor = fresh.caller("engineer"), fresh.caller("auditor")
    record = {**LINE, "extensions": {"filler": "x" * 17_000}}
    sequence = engineer.put("/v1/plants/P/lines/L-9", record).json["sequence"]
    data = auditor.get(f"{EVENTS}/{sequence}").json["event"]["data"]
    answer = auditor.get(f"{EVENTS}/{sequence}/document")
    assert (answer.status_code, answer.mimetype) == (200, data["media_type"])
    assert (hashlib.sha256(answer.data).hexdigest(), len(answer.data)) == (
        data["document_sha256"],
        data["bytes"],
    )
    assert answer.json == record
    problem_of(auditor.get(f"{EVENTS}/0/document"), 404, "not-found")
    problem_of(fresh.caller("reader").get(f"{EVENTS}/{sequence}/document"), 403, "not-permitted")
    scoped = fresh.caller("engineer", plants=["P"], lines=["L-2"])
    problem_of(scoped.get(f"{EVENTS}/{sequence}/document"), 404, "not-found")


@pytest.mark.parametrize("role", ["reader", "recorder", "administrator"])
def test_the_log_is_for_those_who_account_for_it(written: Running, role: str) -> None:
    caller = written.caller(role)
    for path in (EVENTS, f"{EVENTS}/3"):
        problem_of(caller.get(path), 403, "not-permitted")
    problem_of(caller.get(EVENTS, headers=NDJSON), 403, "not-permitted")


def test_a_token_scoped_to_a_line_sees_its_events_alone(written: Running) -> None:
    engineer = written.caller("engineer", plants=["P"], lines=["L-2"])
    assert {item["event"]["line"] for item in everything(engineer)} == {"L-2"}
    assert {event["line"] for event in lines(engineer.get(EVENTS, headers=NDJSON))} == {"L-2"}
    assert {event["line"] for event in lines(engineer.get(f"{EVENTS}?line=L-1", headers=NDJSON))} == set()
    hidden = next(
        item["event"] for item in everything(written.caller("auditor")) if item["event"]["line"] == "L-1"
    )
    problem_of(engineer.get(f"{EVENTS}/{hidden['sequence']}"), 404, "not-found")


@pytest.mark.parametrize(
    ("accept", "media"),
    [
        (None, "application/json"),
        ("*/*", "application/json"),
        ("application/*", "application/json"),
        ("application/json", "application/json"),
        ("application/x-ndjson", "application/x-ndjson"),
        ("application/json;q=0.5, application/x-ndjson", "application/x-ndjson"),
        ("application/json, text/event-stream;q=0.5", "application/json"),
        ("text/html, application/x-ndjson;q=0.1", "application/x-ndjson"),
    ],
)
def test_the_form_is_the_one_asked_for(auditor: Caller, accept: str | None, media: str) -> None:
    assert auditor.get(EVENTS, headers={"Accept": accept}).content_type == media


@pytest.mark.parametrize("accept", ["text/csv", "image/*", "application/json;q=0"])
def test_a_form_that_is_not_offered_is_406_and_names_those_that_are(auditor: Caller, accept: str) -> None:
    document = problem_of(auditor.get(EVENTS, headers={"Accept": accept}), 406, "not-acceptable")
    assert document["errors"][0]["accepted"] == [
        "application/json",
        "application/x-ndjson",
        "text/event-stream",
    ]
