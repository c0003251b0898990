"""A write that another write undid is tried again by the service, within the time a write may wait."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

import pytest

from service.errors import StoreBusy, WriteConflict
from service.http.app import create_app
from service.http.attempts import FIRST_PAUSE_S, LONGEST_PAUSE_S, Attempts
from tests.http.running import LINE, Caller, Running, hanger, inspection, problem_of

INSPECTIONS = "/v1/plants/P/hangers/H-1/inspections"


class Time:
    """A clock that goes on only by sleeping, and by what each attempt takes."""

    def __init__(self) -> None:
        self.now, self.pauses = 100.0, list[float]()

    def __call__(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.pauses.append(seconds)
        self.now += seconds


def attempts(time: Time, limit_s: float = 10.0, chance: float = 0.5) -> Attempts:
    return Attempts(limit_s, time, time.sleep, lambda: chance)


def test_a_transaction_that_ends_well_runs_once() -> None:
    time, runs = Time(), list[int]()
    assert attempts(time).of(lambda: runs.append(1) or "done") == "done"
    assert (runs, time.pauses) == ([1], [])


def test_the_pauses_are_a_random_part_of_a_span_that_doubles_up_to_a_greatest() -> None:
    time, left = Time(), iter(range(9))

    def transaction() -> str:
        if next(left) < 7:
            raise WriteConflict("undone")
        return "done"

    assert attempts(time, chance=0.25).of(transaction) == "done"
    assert [pause / 0.25 for pause in time.pauses] == [0.02, 0.04, 0.08, 0.16, 0.32, 0.5, 0.5]
    assert (FIRST_PAUSE_S, LONGEST_PAUSE_S) == (0.02, 0.5)


def test_no_attempt_begins_after_the_limit_and_the_last_refusal_is_told() -> None:
    time, begun = Time(), list[float]()

    def transaction() -> None:
        begun.append(time.now)
        time.now += 0.3  # what the attempt itself takes
        raise WriteConflict(f"undone {len(begun)}")

    with pytest.raises(WriteConflict) as refused:
        attempts(time, 2.0).of(transaction)
    assert 4 <= len(begun) <= 6
    assert max(begun) < 102.0
    assert refused.value.detail == f"undone {len(begun)}"


def test_another_error_is_not_tried_again() -> None:
    time, begun = Time(), list[int]()

    def transaction() -> None:
        begun.append(1)
        raise StoreBusy("the outcome is not known")

    with pytest.raises(StoreBusy):
        attempts(time).of(transaction)
    assert begun == [1]


class Contested:
    """A store whose next writes are each undone at their end, as by another write that came between."""

    def __init__(self, store: Any) -> None:
        self.store, self.undo, self.tries = store, 0, 0
        self.error: type[StoreBusy] = WriteConflict

    def __getattr__(self, name: str) -> Any:
        return getattr(self.store, name)

    @contextmanager
    def _contested(self, writing: Any) -> Iterator[Any]:
        self.tries += 1
        with writing as writer:
            yield writer
            if self.undo > 0:
                self.undo -= 1
                raise self.error("undone by another write")

    def write(self, plant: str) -> Any:
        return self._contested(self.store.write(plant))

    def write_service(self) -> Any:
        return self._contested(self.store.write_service())


@pytest.fixture
def contested(fresh: Running) -> Contested:
    """The store of the service; its application is made anew over it."""
    store = Contested(fresh.store)
    serve(fresh, store, 20.0)
    return store


def serve(fresh: Running, store: Contested, limit_s: float) -> None:
    fresh.settings = replace(fresh.settings, write_lock_timeout_s=limit_s)
    fresh.app = create_app(
        store=store,
        clock=fresh.clock,
        new_id=fresh.chance.id,
        settings=fresh.settings,
        cursor_secret=b"-" * 32,
    )


@pytest.fixture
def engineer(fresh: Running, contested: Contested) -> Caller:
    return fresh.caller("engineer")


def subjects(caller: Caller) -> list[str]:
    items = caller.get("/v1/plants/P/events?limit=500").json["items"]
    assert [item["event"]["sequence"] for item in items] == list(range(len(items)))
    return [f"{item['event']['type']} {item['event']['subject']}" for item in items]


def test_an_act_undone_twice_is_there_once(contested: Contested, engineer: Caller) -> None:
    before = subjects(engineer)
    contested.undo, contested.tries = 2, 0
    key = {"Idempotency-Key": "an-act-undone-twice"}
    response = engineer.post(INSPECTIONS, inspection(), key)
    assert response.status_code == 201, response.data
    assert contested.tries == 3
    assert subjects(engineer) == [*before, "hanger-inspected hanger/H-1"]
    again = engineer.post(INSPECTIONS, inspection(), key)
    assert (again.json, again.headers["Idempotent-Replayed"]) == (response.json, "true")
    assert len(subjects(engineer)) == len(before) + 1


def test_a_record_undone_is_there_once_with_the_revision_it_would_have_had(
    contested: Contested, engineer: Caller
) -> None:
    contested.undo = 3
    response = engineer.put("/v1/plants/P/hangers/H-2", hanger("H-2"))
    assert (response.status_code, response.json["revision"]) == (201, 1)
    contested.undo = 1
    response = engineer.put("/v1/plants/P/lines/L-1", {**LINE, "description": "x"}, {"If-Match": '"r1"'})
    assert (response.status_code, response.json["revision"]) == (200, 2)


def test_a_principal_and_a_token_undone_are_made_once(fresh: Running, contested: Contested) -> None:
    administrator = fresh.caller("administrator")
    contested.undo = 2
    made = administrator.post("/v1/principals", {"kind": "person"})
    assert made.status_code == 201
    contested.undo = 2
    issued = administrator.post("/v1/tokens", {"principal": made.json["id"], "role": "reader"})
    assert issued.status_code == 201
    held = Caller(fresh.app, made.json["id"], issued.json["token"], "reader")
    assert held.get("/v1/plants/P/lines").status_code == 200
    listed = administrator.get("/v1/principals?limit=500").json["items"]
    assert [each["id"] for each in listed].count(made.json["id"]) == 1


def test_every_transaction_of_a_bulk_is_tried_again_and_no_row_is_written_twice(
    fresh: Running, contested: Contested, engineer: Caller
) -> None:
    """1,100 rows are three transactions; the second and third are undone after the first was answered."""
    before = len(subjects_all(engineer))
    rows = [{"record": hanger(f"B-{number:04}"), "if_revision": 0} for number in range(1_100)]
    body = b"".join(json.dumps(row).encode() + b"\n" for row in rows)
    undone = iter([0, 2, 1])
    plain = contested.write

    def write(plant: str) -> Any:
        if contested.undo == 0 and contested.tries in (0, 1, 4):
            contested.undo = next(undone)
        return plain(plant)

    contested.tries = 0
    contested.write = write  # type: ignore[method-assign]
    response = engineer.post_bytes("/v1/plants/P/hangers:bulk", body, "application/x-ndjson")
    results = [json.loads(line) for line in response.data.splitlines()]
    assert response.status_code == 200
    assert [result["status"] for result in results] == ["created"] * 1_100
    assert contested.tries == 6
    assert len(subjects_all(engineer)) == before + 1_100


def subjects_all(caller: Caller) -> list[bytes]:
    lines = caller.get("/v1/plants/P/events", headers={"Accept": "application/x-ndjson"}).data.splitlines()
    return [line for line in lines if not line.startswith(b'{"trailer"')]


def test_a_write_undone_again_and_again_is_503_and_can_be_repeated_under_its_key(
    fresh: Running, contested: Contested
) -> None:
    serve(fresh, contested, 1.0)
    engineer = fresh.caller("engineer")
    before = subjects(engineer)
    contested.undo = 1_000_000
    key = {"Idempotency-Key": "undone-again-and-again"}
    response = engineer.post(INSPECTIONS, inspection(), key)
    problem_of(response, 503, "write-conflict")
    assert int(response.headers["Retry-After"]) > 0
    assert contested.tries > 3
    assert subjects(engineer) == before
    contested.undo = 0
    assert engineer.post(INSPECTIONS, inspection(), key).status_code == 201
    assert len(subjects(engineer)) == len(before) + 1


def test_a_busy_store_is_told_at_once(contested: Contested, engineer: Caller) -> None:
    contested.undo, contested.error, contested.tries = 1, StoreBusy, 0
    problem_of(engineer.post(INSPECTIONS, inspection()), 503, "store-busy")
    assert contested.tries == 1


def test_a_trial_undone_is_tried_again_and_writes_nothing(contested: Contested, engineer: Caller) -> None:
    before = subjects(engineer)
    contested.undo = 1
    response = engineer.post(INSPECTIONS + "?dry_run=true", inspection())
    assert (response.status_code, response.json["dry_run"]) == (200, True)
    assert subjects(engineer) == before
