"""An erasure that is done says so, even where the journal cannot be emptied for want of room."""

from __future__ import annotations

from pathlib import Path

import pytest
from sqlalchemy.exc import OperationalError

from service.persistence import store
from tests.http.running import LINE, PLANT, Running, hanger, inspection


class NoRoom(Exception):
    sqlite_errorname = "SQLITE_FULL"


def test_an_erasure_that_was_committed_is_never_answered_with_nothing_was_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    service = Running(tmp_path)
    administrator, engineer = service.caller("administrator"), service.caller("engineer")
    administrator.put("/v1/plants/p", PLANT)
    engineer.put("/v1/plants/p/lines/L-1", LINE)
    engineer.put("/v1/plants/p/hangers/H-1", hanger())
    seen = engineer.post("/v1/plants/p/hangers/H-1/inspections", inspection(note="a name")).json
    sequence = seen["event"]["sequence"]

    def no_room(_engine: object) -> bool:
        raise OperationalError("PRAGMA wal_checkpoint(TRUNCATE)", None, NoRoom("database or disk is full"))

    monkeypatch.setattr(store, "empty_journal", no_room)
    path = f"/v1/plants/p/events/{sequence}/erasures"
    answer = administrator.post(path, {"why": "personal-data"})
    stored = engineer.get(f"/v1/plants/p/events/{sequence}").json
    assert stored["texts"] == {}, "the erasure is done"
    assert "nothing was written" not in answer.json.get("detail", ""), answer.json
    service.close()
