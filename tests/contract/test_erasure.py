"""Erasing in the store: the words go, with what keys remember of them; nothing else changes."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest
from sqlalchemy import text

from service import errors
from service.persistence import erasure
from service.persistence.rebuild import rebuild
from service.persistence.store import SqlStore
from service.persistence.verify import verify_logs
from tests.contract.acts import PERSON, act, append, inspection, open_plant
from tests.contract.test_rebuild import filled

__all__ = ["filled"]

NOW = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)


def erase(store: SqlStore, plant: str, sequence: int, *fields: str) -> None:
    with store.write(plant) as writer:
        stored = writer.event(sequence)
        assert stored is not None
        data = {"sequence": sequence, "fields": list(fields), "why": "personal-data"}
        writer.append(act("text-erased", stored.event.subject, data, stored.event.line))
        writer.erase_words(sequence, stored.event.id, fields)


def words(store: SqlStore) -> list[tuple[Any, ...]]:
    with store.engine.connect() as connection:
        query = "SELECT log, sequence, field, salt, text FROM texts ORDER BY log, sequence, field"
        return [tuple(row) for row in connection.execute(text(query))]


def test_words_and_salt_go_and_the_log_and_its_projections_agree_as_before(filled: SqlStore) -> None:
    before = words(filled)
    with filled.read("Works-1") as reader:
        leaves = [reader.event(sequence) for sequence in range(reader.size)]
        facts = reader.facts("hanger/h1")
    erase(filled, "Works-1", 4, "note")
    assert [row for row in words(filled) if row not in before] == [(1, 4, "note", None, None)]
    assert len(words(filled)) == len(before)
    with filled.read("Works-1") as reader:
        for stored in leaves:
            assert stored is not None
            found = reader.event(stored.event.sequence)
            assert found is not None
            assert (found.body, found.leaf_hash) == (stored.body, stored.leaf_hash)
        assert reader.facts("hanger/h1") == facts
        assert reader.kept_texts(4, 5) == []
    assert rebuild(filled, write=False) == []
    assert ("Works-1", 12) in verify_logs(filled)


def test_only_the_named_field_of_the_named_event_of_the_named_log_goes(store: SqlStore) -> None:
    open_plant(store, "Works-2")
    for plant in ("Works-1", "Works-2"):
        append(store, plant, *(inspection("H1", "A", texts={"note": "n", "reason": "r"}) for _ in range(2)))
    erase(store, "Works-2", 1, "note")
    gone = [row[:3] for row in words(store) if row[4] is None]
    assert gone == [(2, 1, "note")]
    assert len(words(store)) == 8


def test_an_erasure_that_is_undone_took_nothing(filled: SqlStore) -> None:
    before = words(filled)
    with filled.write("Works-1") as writer:
        writer.erase_words(4, "no-id", ("note",))
        writer.rollback_only()
    assert words(filled) == before


def test_a_key_whose_answer_names_the_event_forgets_the_request(store: SqlStore) -> None:
    with store.write("Works-1") as writer:
        event = writer.append(inspection("H1", "A", texts={"note": "n"}))
        answers = {"of-it": event.id, "of-another": event.id.replace("0", "1")}
        for key, identifier in answers.items():
            answer = {"event": {"id": identifier, "sequence": 0}, "consequences": []}
            writer.remember(PERSON, "POST", "/p", key, "digest", answer, NOW)
        naming = {"event": {"id": "other"}, "caused_by": event.id}
        writer.remember(PERSON, "POST", "/p", "naming", "digest", naming, NOW)
    erase(store, "Works-1", 0, "note")
    with store.write("Works-1") as writer:
        kept = {key: writer.remembered(PERSON, "POST", "/p", key) for key in (*answers, "naming")}
    assert {key: found and found.request_digest for key, found in kept.items()} == {
        "of-it": "erased",
        "of-another": "digest",
        "naming": "digest",
    }
    assert kept["of-it"] is not None
    assert kept["of-it"].answer["event"]["id"] == event.id


def test_an_id_is_looked_for_letter_by_letter(store: SqlStore) -> None:
    """What the database reads as a pattern stands for itself."""
    with store.write_service() as writer:
        for key, identifier in (("exact", "100%_of-it"), ("like", "100 per cent of-it")):
            answer = {"id": identifier, "display_name": "N"}
            writer.remember(PERSON, "POST", "/p", key, "digest", answer, NOW)
        erasure.forget_request(writer.connection, "100%_of-it")
        exact = writer.remembered(PERSON, "POST", "/p", "exact")
        like = writer.remembered(PERSON, "POST", "/p", "like")
    assert exact is not None
    assert like is not None
    assert (exact.answer["display_name"], exact.request_digest) == (None, "erased")
    assert (like.answer["display_name"], like.request_digest) == ("N", "digest")


def test_a_name_goes_and_the_principal_stays(store: SqlStore) -> None:
    other = "pr_00000000000000000000000009"
    with store.write_service() as writer:
        writer.add_principal(PERSON, "person", "A. Name", "2026-05-04T06:00:00.000000Z")
        writer.add_principal(other, "person", "B. Name", "2026-05-04T06:00:00.000000Z")
        document = {"id": PERSON, "display_name": "A. Name"}
        writer.remember("admin", "POST", "/p", "key", "digest", document, NOW)
    with store.write_service() as writer:
        writer.erase_name(PERSON)
    with store.write_service() as writer:
        found = {row.id: (row.kind, row.display_name) for row in writer.principals("", 10)}
        kept = writer.remembered("admin", "POST", "/p", "key")
        writer.rollback_only()
    assert found == {PERSON: ("person", None), other: ("person", "B. Name")}
    assert kept is not None
    assert (kept.answer, kept.request_digest) == ({"id": PERSON, "display_name": None}, "erased")


def test_a_reader_that_keeps_the_journal_in_use_is_told_and_a_repeat_does_it(
    filled: SqlStore, settings: Any
) -> None:
    if filled.engine.dialect.name != "sqlite":
        filled.forget_traces()
        return
    with filled.engine.connect() as connection:
        if connection.exec_driver_sql("PRAGMA journal_mode").scalar() != "wal":
            pytest.skip("this SQLite library keeps no write-ahead journal")
    with filled.read("Works-1") as reader:
        assert reader.size == 11
        erase(filled, "Works-1", 4, "note")
        with pytest.raises(errors.StoreBusy, match="Repeat"):
            filled.forget_traces()
    filled.forget_traces()
    journal = settings.sqlite_file.with_name(settings.sqlite_file.name + "-wal")
    assert journal.stat().st_size == 0
