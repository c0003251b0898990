"""The examination: what disagrees is found at its place, closes the log to writes, and reads go on."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text

from service import errors
from service.config import Settings
from service.domain.ports import LogFault
from service.persistence import soundness
from service.persistence.migrate import migrate
from service.persistence.sealing import KNOWN_FOR_S
from service.persistence.soundness import examine, examine_before_writing
from service.persistence.store import SqlStore, open_store
from service.persistence.verify import verify_logs
from tests.contract.acts import (
    Clock,
    append,
    hanger_record,
    inspection,
    line_record,
    plant_record,
    settings_for,
)
from tests.contract.test_rebuild import unguarded

LOG = "log = (SELECT log FROM logs WHERE plant_key = 'works-1')"


@pytest.fixture
def filled(store: SqlStore) -> SqlStore:
    """Seven events in seven transactions, one document beside the log, words of one event."""
    append(
        store,
        "Works-1",
        plant_record(),
        line_record("A", extensions={"filler": "x" * 20_000}),
        hanger_record("H1", "A"),
        hanger_record("H2", "A"),
        inspection("H1", "A", in_place=True, texts={"note": "seen"}),
        inspection("H2", "A", in_place=True),
        inspection("H1", "A", in_place=False),
    )
    return store


def at(sequence: int) -> str:
    return f"WHERE {LOG} AND sequence = {sequence}"


def sized(size: int) -> str:
    return f"WHERE {LOG} AND size = {size}"


def of_checkpoint(size: int) -> str:
    return sized(size).replace("log =", "checkpoints.log =", 1)


SWAPPED_BODY = (
    "UPDATE events SET body = other.body, leaf_hash = other.leaf_hash "
    f"FROM (SELECT body, leaf_hash FROM events {at(5)}) AS other {at(3)}"
)
# what is done, the fault that must be named by a brief examination
BRIEF: dict[str, tuple[list[str], int | None, str]] = {
    "tail": ([f"DELETE FROM events {at(6)}"], 6, "cut-off"),
    "head-back": ([f"UPDATE logs SET next_sequence = 5 WHERE {LOG}"], 5, "cut-off"),
    "head-ahead": ([f"UPDATE logs SET next_sequence = 9 WHERE {LOG}"], 7, "cut-off"),
    "head-time": ([f"UPDATE logs SET last_recorded_at = '2000' WHERE {LOG}"], 7, "cut-off"),
    "gap": ([f"DELETE FROM events {at(2)}"], 2, "missing"),
    "body": ([f"UPDATE events SET body = leaf_hash {at(4)}"], 4, "altered"),
    "hash": ([f"UPDATE events SET leaf_hash = other.leaf_hash FROM (SELECT leaf_hash FROM events {at(5)}) "
              f"AS other {at(2)}"], 2, "altered"),
    "short-hash": ([f"UPDATE events SET leaf_hash = body {at(2)}"], 2, "altered"),
    "body-and-hash": ([SWAPPED_BODY], 3, "altered"),
    "edge": ([f"UPDATE logs SET frontier = ZEROS WHERE {LOG}"], None, "forked"),
    "edge-cut": ([f"UPDATE logs SET frontier = other.root FROM (SELECT root FROM checkpoints {sized(3)}) "
                  f"AS other WHERE logs.{LOG}"], None, "forked"),
    "edge-size": ([f"UPDATE logs SET frontier_size = 6 WHERE {LOG}"], None, "forked"),
    "edge-gone": ([f"UPDATE logs SET frontier_size = NULL, frontier = NULL WHERE {LOG}"], None, "forked"),
    "checkpoint-gone": ([f"DELETE FROM checkpoints {sized(7)}"], None, "forked"),
    "checkpoint-root": ([f"UPDATE checkpoints SET root = other.root FROM (SELECT root FROM checkpoints "
                         f"{sized(6)}) AS other {of_checkpoint(7)}"],
                        None, "forked"),
    "note-of-another": ([f"UPDATE checkpoints SET note = other.note FROM (SELECT note FROM checkpoints "
                         f"{sized(6)}) AS other {of_checkpoint(7)}"],
                        7, "altered"),
    "no-note": ([f"UPDATE checkpoints SET note = root {sized(7)}"], 7, "malformed"),
    "key": (["UPDATE signing_keys SET public_key = substr(public_key, 3) || substr(public_key, 1, 2)"],
            7, "wrong-key"),
    "origin": ([f"UPDATE logs SET origin = 'hangers.example/log/other' WHERE {LOG}"], 7, "other-log"),
    "tile-too-many": ([f"INSERT INTO tree_hashes SELECT log, 1, 0, leaf_hash FROM events {at(0)}"],
                      None, "altered"),
}  # fmt: skip
# What only a full examination looks at.
FULL: dict[str, tuple[list[str], int | None, str]] = {
    "column": ([f"UPDATE events SET line = 'b' {at(5)}"], 5, "altered"),
    "document": (["UPDATE documents SET bytes = other.salt FROM (SELECT salt FROM texts) AS other"],
                 1, "document"),
    "document-gone": (["DELETE FROM documents"], 1, "document"),
    "words": (["UPDATE texts SET text = salt"], 4, "text"),
    "words-gone": (["DELETE FROM texts"], 4, "text"),
    "older-root": ([f"UPDATE checkpoints SET root = other.root FROM (SELECT root FROM checkpoints "
                    f"{sized(3)}) AS other {of_checkpoint(5)}"], 4, "forked"),
    "older-note": ([f"UPDATE checkpoints SET note = other.note FROM (SELECT note FROM checkpoints "
                    f"{sized(3)}) AS other {of_checkpoint(5)}"], 5, "altered"),
}  # fmt: skip


def damage(store: SqlStore, statements: list[str]) -> None:
    zeros = "zeroblob(96)" if store.engine.dialect.name == "sqlite" else "decode(repeat('00', 96), 'hex')"
    unguarded(store, *(each.replace("ZEROS", zeros) for each in statements))


def fault_in(found: list[tuple[str | None, LogFault]]) -> tuple[int | None, str]:
    [(plant, fault)] = found
    assert plant == "Works-1"
    assert fault.found_at.endswith("Z")
    return fault.position, fault.reason


@contextmanager
def another(settings: Settings, clock: Clock) -> Iterator[SqlStore]:
    """The store as another process has it, which remembers nothing."""
    store = open_store(settings, clock=clock)
    try:
        yield store
    finally:
        store.close()


@pytest.mark.parametrize("full", [False, True])
def test_a_healthy_store_has_no_fault(filled: SqlStore, full: bool) -> None:
    assert examine(filled, full=full) == []
    assert append(filled, "Works-1", line_record("B")) == [7]


@pytest.mark.parametrize("name", BRIEF)
def test_a_damage_is_found_in_brief_and_closes_the_log(
    filled: SqlStore, settings: Settings, clock: Clock, name: str
) -> None:
    statements, position, reason = BRIEF[name]
    damage(filled, statements)
    with another(settings, clock) as other:
        found = [each for each in examine(other, full=False) if each[0] is not None]
        assert fault_in(found) == (position, reason)
        with pytest.raises(errors.LogSealed) as refusal:
            append(other, "Works-1", line_record("B"))
        assert refusal.value.facts == {"plant": "Works-1", "position": position, "reason": reason}
        with other.read("Works-1") as reader:
            assert reader.fault == found[0][1]
            assert reader.event(0) is not None
            assert len(reader.bodies(0, 2)) == 2
        assert other.fault("WORKS-1") == found[0][1]
    # So for every process, at once.
    with pytest.raises(errors.LogSealed):
        append(filled, "Works-1", line_record("B"))


@pytest.mark.parametrize("name", FULL)
def test_a_damage_that_only_the_bytes_tell_is_found_in_full(
    filled: SqlStore, settings: Settings, clock: Clock, name: str
) -> None:
    statements, position, reason = FULL[name]
    damage(filled, statements)
    with another(settings, clock) as other:
        assert examine(other, full=False) == []
        assert fault_in(examine(other, full=True)) == (position, reason)
        with pytest.raises(errors.LogSealed):
            append(other, "Works-1", line_record("B"))
        # Known by now, a brief one does not lift it.
        assert fault_in(examine(other, full=False)) == (position, reason)


@pytest.mark.parametrize("name", [*BRIEF, *FULL])
def test_the_full_examination_finds_what_a_brief_one_finds_and_verify_too(
    filled: SqlStore, settings: Settings, clock: Clock, name: str
) -> None:
    statements, position, reason = {**BRIEF, **FULL}[name]
    damage(filled, statements)
    with another(settings, clock) as other:
        found = [each for each in examine(other, full=True) if each[0] is not None]
        assert fault_in(found) == (position, reason)
    if name not in {"key", "origin"}:
        with pytest.raises(errors.LogCorrupt) as corrupt:
            verify_logs(settings)
        assert corrupt.value.facts["plant"] == "Works-1"


def test_a_full_examination_without_a_finding_opens_the_log_again(filled: SqlStore) -> None:
    damage(filled, [f"UPDATE logs SET last_recorded_at = '2000' WHERE {LOG}"])
    assert fault_in(examine(filled, full=False)) == (7, "cut-off")
    with filled.engine.begin() as connection:
        connection.execute(
            text(f"UPDATE logs SET last_recorded_at = (SELECT recorded_at FROM events {at(6)}) WHERE {LOG}")
        )
    assert fault_in(examine(filled, full=False)) == (7, "cut-off")
    with pytest.raises(errors.LogSealed):
        append(filled, "Works-1", line_record("B"))
    assert examine(filled, full=True) == []
    assert append(filled, "Works-1", line_record("B")) == [7]
    with filled.read("Works-1") as reader:
        assert reader.fault is None


def test_the_service_log_is_examined_too_and_other_logs_stay_open(filled: SqlStore) -> None:
    damage(filled, ["UPDATE events SET body = leaf_hash WHERE log = 0 AND sequence = 1"])
    [(plant, fault)] = examine(filled, full=False)
    assert (plant, fault.position, fault.reason) == (None, 1, "altered")
    with pytest.raises(errors.LogSealed) as refusal, filled.write_service():
        pass
    assert refusal.value.facts["plant"] is None
    assert append(filled, "Works-1", line_record("B")) == [7]


def test_a_fault_is_answered_from_memory_for_two_seconds_only(
    filled: SqlStore, settings: Settings, clock: Clock
) -> None:
    seconds = [100.0]
    filled._seals._clock = lambda: seconds[0]
    assert filled.fault("Works-1") is None
    damage(filled, [f"DELETE FROM events {at(6)}"])
    with another(settings, clock) as other:
        examine(other, full=False)
    assert filled.fault("Works-1") is None
    seconds[0] += KNOWN_FOR_S
    fault = filled.fault("Works-1")
    assert fault is not None
    assert fault.reason == "cut-off"
    assert filled.fault("No-such") is None


def test_a_fault_that_cannot_be_written_closes_the_log_to_this_process(
    filled: SqlStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    damage(filled, [f"DELETE FROM events {at(6)}"])
    filled.fault("Works-1")
    with monkeypatch.context() as patch:

        def busy() -> Any:
            raise errors.StoreBusy("no lock")

        patch.setattr(filled, "alone", busy)
        assert fault_in(examine(filled, full=False)) == (6, "cut-off")
    with filled.read("Works-1") as reader:
        assert reader.fault is not None
    assert filled.fault("Works-1") is not None
    with pytest.raises(errors.LogSealed):
        append(filled, "Works-1", line_record("B"))


def test_a_damage_met_by_a_write_closes_the_log_at_once(filled: SqlStore) -> None:
    damage(filled, [f"UPDATE logs SET frontier_size = 6 WHERE {LOG}"])
    with pytest.raises(errors.LogSealed) as refusal:
        append(filled, "Works-1", line_record("B"))
    assert refusal.value.facts == {"plant": "Works-1", "position": None, "reason": "forked"}
    fault = filled.fault("Works-1")
    assert fault is not None
    with filled.read("Works-1") as reader:
        assert reader.fault == fault
        assert reader.size == 7


# --- the database as it was before --------------------------------------------------------------------------
TABLES = ("events", "documents", "texts", "tree_hashes", "checkpoints", "records", "hangers", "external_ids",
          "memberships", "facts")  # fmt: skip


class Copy:
    """The rows of Works-1 as they are now, to be put back later: what restoring an old copy does."""

    def __init__(self, store: SqlStore) -> None:
        with store.engine.connect() as connection:
            self.rows = {
                table: [
                    dict(row)
                    for row in connection.execute(text(f"SELECT * FROM {table} WHERE {LOG}")).mappings()
                ]
                for table in TABLES
            }
            head = connection.execute(text(f"SELECT * FROM logs WHERE {LOG}")).mappings().one()
            self.head = dict(head)

    def put_back(self, store: SqlStore) -> None:
        unguarded(store)
        with store.engine.begin() as connection:
            for table, rows in self.rows.items():
                connection.execute(text(f"DELETE FROM {table} WHERE {LOG}"))
                for row in rows:
                    names = ", ".join(f'"{name}"' for name in row)
                    values = ", ".join(f":{name}" for name in row)
                    connection.execute(text(f"INSERT INTO {table} ({names}) VALUES ({values})"), row)
            changed = ("next_sequence", "last_recorded_at", "frontier", "frontier_size")
            connection.execute(
                text(f"UPDATE logs SET {', '.join(f'{name} = :{name}' for name in changed)} WHERE {LOG}"),
                {name: self.head[name] for name in changed},
            )


def test_an_old_copy_of_the_database_is_refused_by_the_witness(
    store: SqlStore, settings: Settings, clock: Clock
) -> None:
    append(store, "Works-1", plant_record(), line_record("A"))
    copy = Copy(store)
    append(store, "Works-1", line_record("B"), line_record("C"))
    copy.put_back(store)
    with another(settings, clock) as other:
        assert fault_in(examine(other, full=False)) == (2, "cut-off")
        with pytest.raises(errors.LogSealed):
            append(other, "Works-1", line_record("D"))
        assert fault_in(examine(other, full=True)) == (2, "cut-off")


def test_a_process_that_gave_more_refuses_an_old_copy_beneath_it(store: SqlStore) -> None:
    append(store, "Works-1", plant_record(), line_record("A"))
    copy = Copy(store)
    append(store, "Works-1", line_record("B"))
    copy.put_back(store)
    with pytest.raises(errors.LogSealed) as refusal:
        append(store, "Works-1", line_record("C"))
    assert refusal.value.facts == {"plant": "Works-1", "position": 2, "reason": "cut-off"}


def test_a_log_that_went_on_otherwise_is_found_at_its_fork(
    store: SqlStore, settings: Settings, clock: Clock
) -> None:
    append(store, "Works-1", plant_record(), line_record("A"))
    copy = Copy(store)
    with store.read("Works-1") as reader:
        log_id = reader.log_id
    append(store, "Works-1", line_record("B"), line_record("C"))
    seen = store.witness.read(log_id)
    assert seen is not None
    copy.put_back(store)
    store.witness.file(log_id).unlink()
    with another(settings, clock) as other:
        append(other, "Works-1", line_record("X"), line_record("Y"), line_record("Z"))
        assert examine(other, full=False) == []
        other.witness.file(log_id).write_bytes(seen)
        # Both are of four events; no stored checkpoint contradicts the entries, only the witness does.
        assert fault_in(examine(other, full=False))[1] == "forked"
        with pytest.raises(errors.LogSealed):
            append(other, "Works-1", line_record("D"))


def test_a_log_with_another_tree_of_the_size_given_is_refused_by_the_process_itself(store: SqlStore) -> None:
    append(store, "Works-1", plant_record())
    copy = Copy(store)
    append(store, "Works-1", line_record("A"))
    given = store._seals.given
    copy.put_back(store)
    with store.read("Works-1") as reader:
        log_id = reader.log_id
    store._seals._given.pop(log_id)
    append(store, "Works-1", line_record("B"))
    kept = given(log_id)
    assert kept is not None
    store._seals._given[log_id] = type(kept)(kept.size, b"\1" * 32, kept.note)
    with pytest.raises(errors.LogSealed) as refusal:
        append(store, "Works-1", line_record("C"))
    assert refusal.value.facts["reason"] == "forked"


@pytest.mark.parametrize(
    ("content", "reason"),
    [(b"no note", "malformed"), (b"origin\n1\nAAAA\n\n\xe2\x80\x94 origin AAAAAAAA\n", "wrong-key")],
)
def test_a_witness_that_is_none_closes_the_log(
    filled: SqlStore, settings: Settings, clock: Clock, content: bytes, reason: str
) -> None:
    with filled.read("Works-1") as reader:
        filled.witness.file(reader.log_id).write_bytes(content)
    with another(settings, clock) as other:
        assert fault_in(examine(other, full=False)) == (None, reason)


def test_the_witness_of_another_log_closes_the_log(filled: SqlStore) -> None:
    with filled.read("Works-1") as reader, filled.read_service() as service:
        note = filled.witness.read(service.log_id)
        assert note is not None
        filled.witness.file(reader.log_id).write_bytes(note)
    assert fault_in(examine(filled, full=False))[1] == "other-log"


@pytest.mark.parametrize("content", [None, b"", b"\0" * 200])
def test_a_witness_that_is_lost_is_made_again_by_the_examination(
    filled: SqlStore, content: bytes | None
) -> None:
    with filled.read("Works-1") as reader:
        file = filled.witness.file(reader.log_id)
        newest = reader.checkpoint()
    assert newest is not None
    if content is None:
        file.unlink()
    else:
        file.write_bytes(content)
    assert examine(filled, full=False) == []
    assert file.read_bytes() == newest.note


def test_a_witness_that_lags_behind_is_brought_up_by_the_examination(filled: SqlStore) -> None:
    with filled.read("Works-1") as reader:
        file, older, newest = filled.witness.file(reader.log_id), reader.checkpoint(3), reader.checkpoint()
    assert older is not None
    assert newest is not None
    file.write_bytes(older.note)
    assert examine(filled, full=False) == []
    assert file.read_bytes() == newest.note


def test_under_a_new_origin_the_witness_of_what_was_declared_lost_is_superseded(
    store: SqlStore, settings: Settings, clock: Clock
) -> None:
    append(store, "Works-1", plant_record(), line_record("A"))
    copy = Copy(store)
    append(store, "Works-1", line_record("B"), line_record("C"))
    copy.put_back(store)
    with store.engine.begin() as connection:
        connection.execute(text(f"UPDATE logs SET origin = origin || '/2' WHERE {LOG}"))
    with store.read("Works-1") as reader:
        log_id = reader.log_id
    lost = store.witness.set_aside(log_id)
    assert lost is not None
    with another(settings, clock) as other:
        append(other, "Works-1", line_record("X"))
        # As on a second machine, which has the old witness still.
        other.witness.file(log_id).write_bytes(lost.read_bytes())
        assert examine(other, full=False) == []
        assert append(other, "Works-1", line_record("Y")) == [3]


# --- when it is done ----------------------------------------------------------------------------------------
def test_a_store_that_was_not_migrated_has_nothing_to_examine(database_url: str, tmp_path: Path) -> None:
    store = open_store(settings_for(database_url, tmp_path / "data"))
    (tmp_path / "data").mkdir()
    try:
        assert examine(store, full=True) == []
    finally:
        store.close()


def test_migration_examines_and_does_not_fail(filled: SqlStore, settings: Settings, clock: Clock) -> None:
    damage(filled, [f"UPDATE events SET body = leaf_hash {at(4)}"])
    migrate(settings, clock=clock)
    fault = filled.fault("Works-1")
    assert fault is not None
    assert (fault.position, fault.reason) == (4, "altered")


def test_a_process_examines_before_it_writes(filled: SqlStore, settings: Settings, clock: Clock) -> None:
    damage(filled, [f"UPDATE events SET body = leaf_hash {at(4)}"])
    with another(settings, clock) as unexamined:
        assert append(unexamined, "Works-1", line_record("B")) == [7]
    with another(settings, clock) as other:
        examine_before_writing(other)
        with pytest.raises(errors.LogSealed):
            append(other, "Works-1", line_record("C"))


def test_a_process_that_begins_without_its_database_examines_before_its_first_write(
    filled: SqlStore, settings: Settings, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    damage(filled, [f"UPDATE events SET body = leaf_hash {at(4)}"])

    def unreachable(store: SqlStore, *, full: bool) -> Any:
        raise errors.StoreBusy("not there yet")

    with another(settings, clock) as other:
        with monkeypatch.context() as patch:
            patch.setattr(soundness, "examine", unreachable)
            examine_before_writing(other)
            with pytest.raises(errors.StoreBusy):
                append(other, "Works-1", line_record("B"))
        with pytest.raises(errors.LogSealed):
            append(other, "Works-1", line_record("B"))
        with other.read("Works-1") as reader:
            assert reader.size == 7
