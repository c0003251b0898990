"""The service never seals what its signed checkpoints do not cover, whoever changed the tables."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

from service.errors import LogCorrupt
from service.persistence import append_only
from tests.http.conftest import small_plant
from tests.http.running import LINE, Caller, Running, problem_of

EXPORT = {"Accept": "application/x-ndjson"}
ALTERED = 100


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """A service whose event 100 is the record of line M-100."""
    running = Running(tmp_path_factory.mktemp("service"))
    small_plant(running)
    engineer, auditor = running.caller("engineer"), running.caller("auditor")
    for number in range(len(export(auditor, "").splitlines()) - 1, 300):
        document = {**LINE, "description": "main steam"}
        assert engineer.put(f"/v1/plants/P/lines/M-{number:03}", document).status_code == 201
    yield running
    running.close()


@pytest.fixture
def auditor(running: Running) -> Caller:
    return running.caller("auditor")


def export(caller: Caller, query: str) -> bytes:
    answer = caller.get(f"/v1/plants/P/events?{query}", headers=EXPORT)
    assert answer.status_code == 200, answer.data
    return bytes(answer.data)


@contextmanager
def altered(running: Running, *, hash_too: bool) -> Iterator[None]:
    """One event's bytes in the table are others meanwhile, and its stored hash as well or not."""
    store: Any = running.store
    with store.read("P") as reader:
        body, number = reader.bodies(ALTERED, ALTERED + 1)[0], reader.log
    other = body.replace(b"main steam", b"main stean")
    assert other != body
    put(store, number, other, other if hash_too else body)
    try:
        yield
    finally:
        put(store, number, body, body)


def put(store: Any, number: int, body: bytes, hashed: bytes) -> None:
    with store.alone(), store._writers.begin() as connection:
        connection.exec_driver_sql("DROP TRIGGER events_update")
        digest = hashlib.sha256(b"\0" + hashed).digest()
        connection.exec_driver_sql(
            "UPDATE events SET body = ?, leaf_hash = ? WHERE sequence = ? AND log = ?",
            (body, digest, ALTERED, number),
        )
        for statement in append_only.sqlite_statements("events"):
            if "events_update" in statement:
                connection.exec_driver_sql(statement)


@pytest.mark.parametrize("hash_too", [False, True], ids=["bytes alone", "bytes and hash"])
@pytest.mark.parametrize(
    "query",
    [
        "",
        "from=7",
        "from=7&to=200",
        "from=90&to=110",
        "line=M-100",
        "type=line-recorded",
        "line=M-100&to=280",
    ],
)
def test_an_export_that_holds_an_altered_event_gets_no_seal(
    running: Running, auditor: Caller, query: str, hash_too: bool
) -> None:
    whole = export(auditor, query)
    assert whole.splitlines()[-1].startswith(b'{"trailer"')
    assert b'"subject":"line/M-100"' in whole
    given: list[bytes] = []
    with altered(running, hash_too=hash_too):
        answer = auditor.get(f"/v1/plants/P/events?{query}", headers=EXPORT, buffered=False)
        with pytest.raises(LogCorrupt):
            given.extend(answer.response)
    assert b'{"trailer"' not in b"".join(given)
    assert export(auditor, query).splitlines()[:-1] == whole.splitlines()[:-1]


@pytest.mark.parametrize("query", ["from=101", "to=100", "line=M-200"])
def test_an_export_of_other_events_is_sealed_all_the_same(
    running: Running, auditor: Caller, query: str
) -> None:
    with altered(running, hash_too=False):
        assert export(auditor, query).splitlines()[-1].startswith(b'{"trailer"')


@pytest.mark.parametrize("hash_too", [False, True], ids=["bytes alone", "bytes and hash"])
def test_no_receipt_is_given_that_would_not_verify(running: Running, auditor: Caller, hash_too: bool) -> None:
    """A receipt is kept for years: that it is worthless must not show on the day it is needed."""
    path = f"/v1/plants/P/events/{ALTERED}/receipt"
    assert auditor.get(path).status_code == 200
    with altered(running, hash_too=hash_too):
        problem_of(auditor.get(path), 500, "log-corrupt")
        neighbour = auditor.get(f"/v1/plants/P/events/{ALTERED + 1}/receipt")
        assert neighbour.status_code == (500 if hash_too else 200)  # its proof goes through the other's hash
    assert auditor.get(path).status_code == 200


def test_no_proof_of_inclusion_is_given_that_would_not_verify(running: Running, auditor: Caller) -> None:
    path = f"/v1/plants/P/log/proofs/inclusion?sequence={ALTERED}"
    assert auditor.get(path).status_code == 200
    with altered(running, hash_too=True):
        problem_of(auditor.get(path), 500, "log-corrupt")
