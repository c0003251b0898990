"""What the database's errors mean: full, busy, damaged; and none of its words reach a caller."""

from __future__ import annotations

import errno
import fcntl
import os
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event, exc

from service import errors
from service.config import Settings
from service.persistence.committing import UNKNOWN_OUTCOME
from service.persistence.engines import choose_sqlite
from service.persistence.faults import meaning, translated
from service.persistence.folding import release_folds
from service.persistence.migrate import migrate
from service.persistence.rebuild import rebuild
from service.persistence.store import SqlStore
from tests.contract.acts import append, hanger_record, inspection, line_record, open_plant


class Fault(Exception):
    def __init__(self, words: str = "SELECT secret FROM tokens", **named: Any) -> None:
        super().__init__(words)
        self.__dict__.update(named)


def wrapped(fault: Exception, kind: type[exc.DBAPIError] = exc.OperationalError) -> exc.DBAPIError:
    return kind("SELECT secret FROM tokens", {}, fault)


def lost(error: exc.DBAPIError) -> exc.DBAPIError:
    error.connection_invalidated = True
    return error


@pytest.mark.parametrize(
    ("error", "expected"),
    [
        (wrapped(Fault(sqlite_errorname="SQLITE_FULL")), errors.StoreFull),
        (wrapped(Fault("database or disk is full")), errors.StoreFull),
        (
            wrapped(Fault("could not extend file: No space left on device", sqlstate="58030")),
            errors.StoreFull,
        ),
        (wrapped(Fault(sqlstate="53100")), errors.StoreFull),
        (OSError(errno.ENOSPC, "no"), errors.StoreFull),
        (OSError(errno.EDQUOT, "no"), errors.StoreFull),
        (OSError(errno.EACCES, "no"), errors.StoreBusy),
        (wrapped(Fault(sqlite_errorname="SQLITE_BUSY")), errors.StoreBusy),
        (wrapped(Fault(sqlite_errorname="SQLITE_BUSY_SNAPSHOT")), errors.StoreBusy),
        (wrapped(Fault(sqlite_errorname="SQLITE_LOCKED")), errors.StoreBusy),
        (wrapped(Fault(sqlite_errorname="SQLITE_CANTOPEN")), errors.StoreBusy),
        (wrapped(Fault(sqlstate="55P03")), errors.StoreBusy),
        (wrapped(Fault(sqlstate="57014")), errors.StoreBusy),
        (wrapped(Fault(sqlstate="40001")), errors.WriteConflict),
        (wrapped(Fault(sqlstate="40P01")), errors.WriteConflict),
        (lost(wrapped(Fault(sqlstate="57P01"))), errors.WriteConflict),
        (lost(wrapped(Fault("server closed the connection"))), errors.WriteConflict),
        (wrapped(Fault(sqlstate="57P01")), errors.StoreBusy),
        (wrapped(Fault(sqlstate="08006")), errors.StoreBusy),
        (wrapped(Fault("connection refused")), errors.StoreBusy),
        (exc.TimeoutError("pool"), errors.StoreBusy),
        (wrapped(Fault(sqlite_errorname="SQLITE_CORRUPT_INDEX"), exc.DatabaseError), errors.LogCorrupt),
        (wrapped(Fault(sqlite_errorname="SQLITE_NOTADB"), exc.DatabaseError), errors.LogCorrupt),
        (wrapped(Fault(sqlstate="XX001"), exc.InternalError), errors.LogCorrupt),
        (wrapped(Fault(sqlite_errorname="SQLITE_CONSTRAINT_TRIGGER"), exc.IntegrityError), errors.LogCorrupt),
        (wrapped(Fault(sqlstate="23001"), exc.IntegrityError), errors.LogCorrupt),
        (wrapped(Fault(sqlstate="42P01"), exc.ProgrammingError), errors.ServiceError),
        (exc.InvalidRequestError("SELECT secret FROM tokens"), errors.ServiceError),
    ],
)
def test_each_error_has_its_meaning(error: Exception, expected: type[errors.ServiceError]) -> None:
    found = meaning(error)
    assert type(found) is expected
    assert "secret" not in f"{found.detail} {found.facts}"
    with pytest.raises(expected), translated():
        raise error


def test_other_errors_pass_as_they_are() -> None:
    with pytest.raises(errors.NotFound), translated():
        raise errors.NotFound("nothing")
    with pytest.raises(ZeroDivisionError), translated():
        raise ZeroDivisionError


@pytest.fixture
def store(tmp_path: Path) -> Any:
    settings = Settings.from_environment({"DATA_DIR": str(tmp_path / "data"), "WRITE_LOCK_TIMEOUT_S": "0.3"})
    migrate(settings)
    store = SqlStore(settings, release_folds())
    open_plant(store, "Works-1")
    append(store, "Works-1", line_record("A"), hanger_record("H1", "A"))
    yield store
    store.close()


def test_a_full_disk_is_told_and_nothing_is_half_written(store: SqlStore) -> None:
    pages: list[int] = []

    def bound(connection: Any, _record: Any) -> None:
        cursor = connection.cursor()
        pages.append(cursor.execute("PRAGMA page_count").fetchone()[0])
        cursor.execute(f"PRAGMA max_page_count = {pages[0] + 3}")

    store.close()
    event.listen(store.engine, "connect", bound)

    def fill() -> int:
        count = 0
        while count < 1_000:
            append(store, "Works-1", inspection("H1", "A", in_place=True, texts={"note": "x" * 1500}))
            count += 1
        return count

    with pytest.raises(errors.StoreFull):
        fill()
    with store.read("Works-1") as reader:
        size = reader.size
        assert reader.event(size - 1) is not None
        assert reader.event(size) is None
    assert size > 2
    event.remove(store.engine, "connect", bound)
    store.close()
    assert rebuild(store, write=False) == []
    assert append(store, "Works-1", inspection("H1", "A", in_place=True)) == [size]


def test_a_database_locked_by_a_stranger_is_busy(store: SqlStore, tmp_path: Path) -> None:
    # By the same library: two of them in one process do not see each other's locks.
    stranger = choose_sqlite().connect(tmp_path / "data" / "service.sqlite3", isolation_level=None)
    try:
        stranger.execute("BEGIN IMMEDIATE")
        with pytest.raises(errors.StoreBusy):
            append(store, "Works-1", line_record("B"))
    finally:
        stranger.close()
    assert append(store, "Works-1", line_record("B")) == [2]


def test_a_writer_of_another_process_is_waited_for_by_the_lock_file(store: SqlStore, tmp_path: Path) -> None:
    descriptor = os.open(tmp_path / "data" / "write.lock", os.O_RDWR)
    fcntl.flock(descriptor, fcntl.LOCK_EX)
    with pytest.raises(errors.StoreBusy):
        append(store, "Works-1", line_record("B"))
    os.close(descriptor)
    assert append(store, "Works-1", line_record("B")) == [2]


def test_a_file_that_is_no_database_is_damaged(store: SqlStore, tmp_path: Path) -> None:
    store.close()
    file = tmp_path / "data" / "service.sqlite3"
    for each in file.parent.glob("service.sqlite3-*"):
        each.unlink()
    file.write_bytes(b"this is no database" * 1000)
    with pytest.raises(errors.LogCorrupt):
        store.ready()


def test_a_commit_whose_outcome_is_unknown_says_so(store: SqlStore, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(connection: Any) -> None:
        raise wrapped(Fault(sqlite_errorname="SQLITE_IOERR_FSYNC"))

    with monkeypatch.context() as patch:
        patch.setattr(store.engine.dialect, "do_commit", fails)
        with pytest.raises(errors.StoreBusy) as failure:
            append(store, "Works-1", line_record("B"))
    assert failure.value.detail == UNKNOWN_OUTCOME
    assert append(store, "Works-1", line_record("B")) == [2]


def test_a_commit_that_finds_no_room_says_so(store: SqlStore, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(connection: Any) -> None:
        raise wrapped(Fault(sqlite_errorname="SQLITE_FULL"))

    with monkeypatch.context() as patch:
        patch.setattr(store.engine.dialect, "do_commit", fails)
        with pytest.raises(errors.StoreFull):
            append(store, "Works-1", line_record("B"))
    assert append(store, "Works-1", line_record("B")) == [2]
