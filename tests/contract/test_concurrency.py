"""Writers side by side, in threads and in processes, and writers killed in the middle."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from service import errors
from service.config import Settings
from service.domain.ports import EventFilter
from service.ledger.chain import verify_log
from service.persistence import tables
from service.persistence.rebuild import rebuild
from service.persistence.store import SqlStore, open_store
from tests.contract.acts import Clock, append, inspection, line_record, open_plant, settings_for

CHECKOUT = Path(__file__).resolve().parents[2]


def checked(store: SqlStore, plant: str = "Works-1") -> int:
    """Verifies the plant's log from its stored bytes, and the projections; how many events it has."""
    with store.read(plant) as reader:
        rows = reader.connection.execute(
            select(tables.events.c.sequence, tables.events.c.body, tables.events.c.leaf_hash)
            .where(tables.events.c.log == reader.log)
            .order_by(tables.events.c.sequence)
        ).all()
        summary = verify_log([tuple(row) for row in rows], reader.size, reader.log_id)
    assert rebuild(store, write=False) == []
    return summary.size


def test_appends_of_many_threads_are_dense_and_none_is_lost(store: SqlStore) -> None:
    acknowledged: list[int] = []
    faults: list[BaseException] = []

    def work(name: int) -> None:
        try:
            for _ in range(12):
                with store.write("Works-1") as writer:
                    before = writer.size
                    place = writer.append(inspection(f"H{name % 3}", "A", in_place=True)).sequence
                    assert place == before
                acknowledged.append(place)
                with store.read("Works-1") as reader:
                    assert reader.size > place
        except BaseException as error:
            faults.append(error)
            raise

    threads = [threading.Thread(target=work, args=(name,)) for name in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert faults == []
    assert sorted(acknowledged) == list(range(72))
    assert checked(store) == 72


def start_writer(settings: Settings, name: str, count: int) -> subprocess.Popen[str]:
    environment = {
        **os.environ,
        "DATABASE_URL": settings.database_url,
        "DATA_DIR": str(settings.data_directory.resolve()),
        "WRITE_LOCK_TIMEOUT_S": "30",
        "PYTHONPATH": str(CHECKOUT),
    }
    return subprocess.Popen(
        [sys.executable, "-m", "tests.contract.writer_process", name, str(count)],
        stdout=subprocess.PIPE,
        text=True,
        cwd=CHECKOUT,
        env=environment,
    )


def test_appends_of_two_processes_are_dense_and_none_is_lost(store: SqlStore, settings: Settings) -> None:
    writers = [start_writer(settings, name, 40) for name in ("H1", "H2")]
    outputs = [writer.communicate(timeout=120)[0] for writer in writers]
    assert [writer.returncode for writer in writers] == [0, 0]
    places = [[int(line) for line in output.split()] for output in outputs]
    assert [len(each) for each in places] == [40, 40]
    assert sorted(places[0] + places[1]) == list(range(80))
    assert checked(store) == 80


def test_what_was_acknowledged_survives_the_killing_of_the_writer(
    store: SqlStore, settings: Settings
) -> None:
    acknowledged: set[int] = set()
    for attempt in range(6):
        with start_writer(settings, "H1", 100_000) as writer:
            assert writer.stdout is not None
            for _ in range(3 + 7 * attempt):
                acknowledged.add(int(writer.stdout.readline()))
            time.sleep(0.003 * attempt)  # at another moment of its work each time
            writer.send_signal(signal.SIGKILL)
            acknowledged |= {int(line) for line in writer.stdout if line.endswith("\n")}
            assert writer.wait(30) == -signal.SIGKILL
    # The killed writer's lock is free, and the log goes on without a gap.
    [place] = append(store, "Works-1", line_record("A"))
    with store.read("Works-1") as reader:
        found = {each.event.sequence for each in reader.events(EventFilter(), 0, 1_000_000)}
    assert acknowledged <= found
    assert place == len(found) - 1
    assert checked(store) == len(found)


def test_a_lock_not_had_in_time_is_busy_and_nothing_is_written(
    settings: Settings, store: SqlStore, tmp_path: Path
) -> None:
    hasty = open_store(
        settings_for(settings.database_url, settings.data_directory, WRITE_LOCK_TIMEOUT_S="0.3")
    )
    try:
        with store.write("Works-1") as writer:
            writer.append(line_record("A"))
            begun = time.monotonic()
            with pytest.raises(errors.StoreBusy) as busy, hasty.write("Works-1"):
                pass
            assert 0.2 < time.monotonic() - begun < 5
        assert "lock" not in busy.value.detail.lower()
        assert append(hasty, "Works-1", line_record("B")) == [1]
    finally:
        hasty.close()


def test_a_reader_is_not_kept_waiting_by_a_writer(store: SqlStore) -> None:
    append(store, "Works-1", line_record("A"))
    with store.write("Works-1") as writer:
        writer.append(line_record("B"))
        with store.read("Works-1") as reader:
            assert reader.size == 1


@pytest.mark.parametrize(
    "database_url", [pytest.param("postgresql", marks=pytest.mark.postgres)], indirect=True
)
def test_plants_are_written_side_by_side_where_the_database_can(store: SqlStore) -> None:
    open_plant(store, "Works-2")
    with store.write("Works-1") as one, store.write("Works-2") as two:
        one.append(line_record("A"))
        two.append(line_record("A"))
    assert checked(store) == 1
    assert checked(store, "Works-2") == 1


def test_a_store_opened_before_a_fork_serves_parent_and_child(store: SqlStore, clock: Clock) -> None:
    append(store, "Works-1", line_record("A"))
    pool: Any = store.engine.pool
    assert pool.checkedin() > 0
    child = os.fork()
    if child == 0:
        code = 1
        try:
            assert pool is not store.engine.pool, "the child would use its parent's connections"
            append(store, "Works-1", line_record("B"))
            code = 0
        finally:
            os._exit(code)
    _, status = os.waitpid(child, 0)
    assert os.waitstatus_to_exitcode(status) == 0
    assert append(store, "Works-1", line_record("C")) == [2]
    assert checked(store) == 3
