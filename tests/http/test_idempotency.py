"""Idempotency-Key: a repeat does nothing twice, another request under the same key is refused."""

from __future__ import annotations

from typing import Any

import pytest

from tests.http.running import Caller, Running, hanger, inspection, problem_of

INSPECTIONS = "/v1/plants/P/hangers/H-1/inspections"
POSTS_THAT_WRITE = [
    (INSPECTIONS, inspection()),
    (
        "/v1/plants/P/hangers/H-1/readings",
        {"occurred_at": "2026-05-04T05:00:00Z", "assembly": 1, "condition": "cold"},
    ),
    ("/v1/plants/P/hangers/H-1/turns", {"occurred_at": "2026-05-04T05:00:00Z", "assembly": 1, "turns": 1}),
    (
        "/v1/plants/P/hangers/H-1/stops",
        {"occurred_at": "2026-05-04T05:00:00Z", "assembly": 1, "stop": 1, "act": "observed"},
    ),
    ("/v1/plants/P/hangers/H-1/transitions", {"occurred_at": "2026-05-04T05:00:00Z", "transition": "ease"}),
    (
        "/v1/plants/P/hangers/H-1/transfers",
        {"occurred_at": "2026-05-04T05:00:00Z", "to_line": "L-2", "reason": "x"},
    ),
    ("/v1/plants/P/hangers/H-1/retirements", {"occurred_at": "2026-05-04T05:00:00Z", "reason": "x"}),
    ("/v1/plants/P/lines/L-1/inspections", {"occurred_at": "2026-05-04T05:00:00Z"}),
    ("/v1/plants/P/lines/L-1/authorisations", {"occurred_at": "2026-05-04T05:00:00Z"}),
    ("/v1/principals", {"kind": "person"}),
    ("/v1/tokens", {"principal": "pr_00000000000000000000000000", "role": "reader"}),
    ("/v1/tokens/tk_00000000000000000000000000/revocations", None),
]


@pytest.fixture
def writer(fresh: Running) -> Caller:
    return fresh.caller("engineer")


def events(caller: Caller) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = caller.get("/v1/plants/P/events?limit=500").json["items"]
    return found


@pytest.mark.parametrize(("path", "document"), POSTS_THAT_WRITE)
def test_every_post_that_writes_wants_a_key(shared: Running, path: str, document: Any) -> None:
    role = "administrator" if path.startswith(("/v1/principals", "/v1/tokens")) else "engineer"
    response = shared.caller(role).post(path, document, {"Idempotency-Key": None})
    (finding,) = problem_of(response, 400, "invalid-parameter")["errors"]
    assert (finding["in"], finding["name"], finding["rule"]) == ("header", "Idempotency-Key", "required")


def test_a_bulk_request_wants_a_key(engineer: Caller) -> None:
    response = engineer.post_bytes(
        "/v1/plants/P/hangers:bulk", b'{"record": {}}\n', "application/x-ndjson", **{"Idempotency-Key": ""}
    )
    problem_of(response, 400, "invalid-parameter")


@pytest.mark.parametrize(
    ("path", "document"),
    [("/v1/checks", {"hanger": hanger()}), ("/v1/nut-plans", {"hanger": hanger(), "purpose": "easing"})],
)
def test_a_post_that_writes_nothing_wants_none(engineer: Caller, path: str, document: Any) -> None:
    response = engineer.post(path, document, {"Idempotency-Key": None})
    assert response.status_code == 200, response.data


@pytest.mark.parametrize(
    "key",
    ["short", "a" * 129, "with blank in it", '"half-quoted-key', "ümlaut-in-the-key", "semi;colon-key", '""'],
)
def test_a_key_of_another_form_is_400(engineer: Caller, key: str) -> None:
    response = engineer.post(INSPECTIONS, inspection(), {"Idempotency-Key": key})
    (finding,) = problem_of(response, 400, "invalid-parameter")["errors"]
    assert "8 to 128" in finding["accepted"]


def test_a_repeat_replays_the_answer_and_marks_it(writer: Caller) -> None:
    key = {"Idempotency-Key": "the-same-key"}
    first = writer.post(INSPECTIONS, inspection(), key)
    held = events(writer)
    again = writer.post(INSPECTIONS, inspection(), key)
    assert first.status_code == again.status_code == 201
    assert "Idempotent-Replayed" not in first.headers
    assert again.headers["Idempotent-Replayed"] == "true"
    assert again.json == first.json
    assert again.headers["Location"] == first.headers["Location"]
    assert events(writer) == held


def test_a_quoted_key_and_the_bare_one_are_the_same(writer: Caller) -> None:
    first = writer.post(INSPECTIONS, inspection(), {"Idempotency-Key": "quoted-or-bare"})
    again = writer.post(INSPECTIONS, inspection(), {"Idempotency-Key": '"quoted-or-bare"'})
    assert again.headers["Idempotent-Replayed"] == "true"
    assert again.json == first.json


@pytest.mark.parametrize("change", ["body", "query"])
def test_the_same_key_with_another_request_is_422_and_writes_nothing(writer: Caller, change: str) -> None:
    key = {"Idempotency-Key": "the-same-key"}
    assert writer.post(INSPECTIONS, inspection(), key).status_code == 201
    held = events(writer)
    if change == "body":
        response = writer.post(INSPECTIONS, inspection(in_place=False), key)
    else:
        response = writer.post(INSPECTIONS + "?dry_run=false", inspection(), key)
    problem_of(response, 422, "idempotency-key-reused")
    assert events(writer) == held


def test_keys_of_two_principals_or_two_paths_do_not_meet(fresh: Running, writer: Caller) -> None:
    key = {"Idempotency-Key": "the-same-key"}
    first = writer.post(INSPECTIONS, inspection(), key)
    other = fresh.caller("recorder").post(INSPECTIONS, inspection(), key)
    path = writer.post("/v1/plants/P/lines/L-1/inspections", {"occurred_at": "2026-05-04T05:00:00Z"}, key)
    assert (first.status_code, other.status_code, path.status_code) == (201, 201, 201)
    assert len({response.json["event"]["sequence"] for response in (first, other, path)}) == 3


def test_a_refused_request_leaves_its_key_free(writer: Caller) -> None:
    key = {"Idempotency-Key": "the-same-key"}
    assert writer.post(INSPECTIONS, inspection(assembly=8), key).status_code == 422
    assert writer.post(INSPECTIONS, inspection(), key).status_code == 201


def test_a_trial_leaves_its_key_free(writer: Caller) -> None:
    key = {"Idempotency-Key": "the-same-key"}
    trial = writer.post(INSPECTIONS + "?dry_run=true", inspection(), key)
    assert (trial.status_code, trial.json["dry_run"]) == (200, True)
    assert writer.post(INSPECTIONS, inspection(), key).status_code == 201


def test_a_token_is_shown_once_and_not_in_the_repeat(fresh: Running) -> None:
    administrator = fresh.caller("administrator")
    person = administrator.post("/v1/principals", {"kind": "person"}).json["id"]
    key = {"Idempotency-Key": "one-token-please"}
    request = {"principal": person, "role": "reader"}
    first = administrator.post("/v1/tokens", request, key)
    again = administrator.post("/v1/tokens", request, key)
    assert len(first.json["token"]) >= 43
    assert again.headers["Idempotent-Replayed"] == "true"
    assert again.json["token"] is None
    assert again.json["id"] == first.json["id"]
    assert first.headers["Location"] == f"/v1/tokens/{first.json['id']}"
