"""The witness: what this machine acknowledged last, kept outside the database, forward only."""

from __future__ import annotations

import fcntl
import logging
import os
import stat
import threading
from pathlib import Path

import pytest

from service.persistence import witness as module
from service.persistence.store import SqlStore
from service.persistence.witness import Witness
from tests.contract.acts import append, line_record, open_plant, plant_record


def log_id_of(store: SqlStore, plant: str = "Works-1") -> str:
    with store.read(plant) as reader:
        return reader.log_id


def note(size: int, words: str = "") -> bytes:
    return f"origin\n{size}\nroot{words}\n\n— origin signature\n".encode()


@pytest.fixture
def witness(tmp_path: Path) -> Witness:
    return Witness(tmp_path / "deep" / "witness")


def test_after_each_write_the_newest_checkpoint_stands_beside_the_database(store: SqlStore) -> None:
    open_plant(store, "Works-2")
    for event in (plant_record(), line_record("A"), line_record("B")):
        append(store, "Works-1", event)
        with store.read("Works-1") as reader:
            newest = reader.checkpoint()
            assert newest is not None
            assert store.witness.read(reader.log_id) == newest.note
    with store.read_service() as service:
        newest = service.checkpoint()
        assert newest is not None
        assert store.witness.read(service.log_id) == newest.note
    # The empty log of the other plant was given to nobody yet.
    assert store.witness.read(log_id_of(store, "Works-2")) is None


def test_what_is_undone_is_not_witnessed(store: SqlStore) -> None:
    append(store, "Works-1", plant_record())
    before = store.witness.read(log_id_of(store))
    with store.write("Works-1") as writer:
        writer.append(line_record("A"))
        writer.rollback_only()
    assert store.witness.read(log_id_of(store)) == before


def test_the_witness_is_written_before_the_write_is_over(
    store: SqlStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    order: list[str] = []
    advance = Witness.advance

    def noted(self: Witness, log_id: str, size: int, content: bytes) -> None:
        with store.read("Works-1") as reader:
            order.append(f"witness of {size}, committed {reader.size}")
        advance(self, log_id, size, content)

    monkeypatch.setattr(Witness, "advance", noted)
    with store.write("Works-1") as writer:
        writer.append(plant_record())
        order.append("appended")
    order.append("answered")
    assert order == ["appended", "witness of 1, committed 1", "answered"]


def test_a_write_is_done_though_its_witness_cannot_be_kept(
    store: SqlStore, caplog: pytest.LogCaptureFixture
) -> None:
    folder = store.witness.folder
    folder.rename(folder.with_name("aside"))
    folder.write_text("in the way")
    with caplog.at_level(logging.ERROR, "service.witness"):
        assert append(store, "Works-1", plant_record()) == [0]
    assert [record.name for record in caplog.records] == ["service.witness"]
    folder.unlink()
    assert append(store, "Works-1", line_record("A")) == [1]
    found = store.witness.read(log_id_of(store))
    assert found is not None
    assert found.split(b"\n")[1] == b"2"


def test_a_file_goes_forward_only(witness: Witness) -> None:
    assert witness.read("a") is None
    witness.advance("a", 5, note(5))
    for size in (5, 4, 0):
        witness.advance("a", size, note(size, "other"))
    assert witness.read("a") == note(5)
    witness.advance("a", 6, note(6))
    witness.advance("b", 1, note(1))
    assert (witness.read("a"), witness.read("b")) == (note(6), note(1))


def test_files_and_folder_are_for_one_account_alone(witness: Witness) -> None:
    before = os.umask(0o000)
    try:
        witness.advance("a", 5, note(5))
    finally:
        os.umask(before)
    assert stat.S_IMODE(witness.folder.stat().st_mode) == 0o700
    assert {stat.S_IMODE(each.stat().st_mode) for each in witness.folder.iterdir()} == {0o600}
    assert sorted(each.name for each in witness.folder.iterdir()) == [".lock", "a.checkpoint"]


def test_the_greatest_of_many_at_once_stays(witness: Witness) -> None:
    def work(first: int) -> None:
        for size in range(first, 400, 8):
            Witness(witness.folder).advance("a", size, note(size))

    threads = [threading.Thread(target=work, args=(first,)) for first in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert witness.read("a") == note(399)


@pytest.mark.parametrize("content", [b"", b"\0" * 180])
def test_what_a_power_failure_can_leave_counts_as_none(witness: Witness, content: bytes) -> None:
    witness.advance("a", 5, note(5))
    witness.file("a").write_bytes(content)
    assert witness.read("a") is None
    witness.advance("a", 3, note(3))
    assert witness.read("a") == note(3)


@pytest.mark.parametrize("content", [b"one line", b"origin\nmany\nroot\n"])
def test_a_file_that_states_no_size_is_left_for_the_examination(
    witness: Witness, content: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    witness.advance("a", 5, note(5))
    witness.file("a").write_bytes(content)
    witness.advance("a", 7, note(7))
    assert witness.read("a") == content
    assert [record.name for record in caplog.records] == ["service.witness"]


def test_one_who_stands_still_with_the_lock_holds_nobody_up_for_long(
    witness: Witness, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(module, "_LONGEST_WAIT_S", 0.05)
    witness.advance("a", 5, note(5))
    descriptor = os.open(witness.folder / ".lock", os.O_RDWR)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        witness.advance("a", 6, note(6))
    finally:
        os.close(descriptor)
    assert witness.read("a") == note(5)
    assert [record.name for record in caplog.records] == ["service.witness"]


def test_a_file_that_was_superseded_is_kept_under_another_name(witness: Witness) -> None:
    assert witness.set_aside("a") is None
    for size in (5, 3):
        witness.advance("a", size, note(size))
        kept = witness.set_aside("a")
        assert kept is not None
        assert kept.read_bytes() == note(size)
        assert witness.read("a") is None
    assert sorted(each.name for each in witness.folder.iterdir()) == [".lock", "a.lost-1", "a.lost-2"]
