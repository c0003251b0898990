"""The rebuild: nothing to say of a healthy store, every tampering told, and repair."""

from __future__ import annotations

import hashlib

import pytest
from sqlalchemy import text, update

from service import errors
from service.canonical import canonical_bytes
from service.config import Settings
from service.persistence import tables
from service.persistence.append_only import GUARDS
from service.persistence.rebuild import Difference, rebuild
from service.persistence.store import SqlStore
from tests.contract.acts import (
    act,
    append,
    hanger_record,
    inspection,
    line_inspection,
    line_record,
    open_plant,
    plant_record,
    retirement,
    transfer,
    turn,
)


@pytest.fixture
def filled(store: SqlStore) -> SqlStore:
    open_plant(store, "Works-2")
    append(store, "Works-2", plant_record(), hanger_record("H1", "A"))
    append(
        store,
        "Works-1",
        plant_record(),
        line_record("A", extensions={"filler": "x" * 20_000}),
        hanger_record("H1", "A", external_ids=[{"source": "m", "id": "1"}]),
        hanger_record("H2", "A"),
        inspection("H1", "A", in_place=True, stops_counted=2, texts={"note": "seen"}),
        turn("H1", "A", 0.5),
        inspection("H1", "A", in_place=False, corrects=4, texts={"reason": "misread"}),
        hanger_record("H1", "A", 2, external_ids=[{"source": "m", "id": "2"}]),
        transfer("H2", "A", "B"),
        line_inspection("A", insulation="complete", contents="empty"),
        retirement("H2", "B"),
    )
    return store


def unguarded(store: SqlStore, *statements: str) -> None:
    """Runs statements as somebody would who has the database to himself and the triggers off."""
    with store.engine.begin() as connection:
        for table in GUARDS:
            if store.engine.dialect.name == "postgresql":
                connection.execute(text(f"ALTER TABLE {table} DISABLE TRIGGER USER"))
            else:
                for name in ("insert", "update", "delete"):
                    connection.execute(text(f"DROP TRIGGER {table}_{name}"))
        for statement in statements:
            connection.execute(text(statement))


IN_PLANT = "log = (SELECT log FROM logs WHERE plant_key = 'works-1')"


def test_a_healthy_store_rebuilds_without_a_difference(filled: SqlStore, settings: Settings) -> None:
    assert rebuild(filled, write=False) == []
    assert rebuild(settings, write=True) == []
    assert rebuild(filled, write=False) == []


H1 = f"{IN_PLANT} AND mark_key = 'h1'"
CONTENTS = f"{IN_PLANT} AND name = 'contents'"
# what is done, the projection that must be named, how many of its rows
TAMPERINGS = {
    "fact": (
        f"UPDATE facts SET value = replace(value, 'false', 'true') WHERE {IN_PLANT} "
        "AND name = 'assembly/1/in_place' AND until_sequence IS NULL",
        "facts",
        1,
    ),
    "fact-gone": (f"DELETE FROM facts WHERE {CONTENTS}", "facts", 1),
    "fact-validity": (f"UPDATE facts SET until_sequence = 7 WHERE {CONTENTS}", "facts", 1),
    "record": (
        f"UPDATE records SET document = document || ' ' WHERE {IN_PLANT} AND key = 'h1' AND revision = 2",
        "records",
        1,
    ),
    "state": (f"UPDATE hangers SET state = 'released' WHERE {H1}", "hangers", 1),
    "retired": (f"UPDATE hangers SET retired = (1 = 1) WHERE {H1}", "hangers", 1),
    "membership": (f"UPDATE memberships SET until_sequence = NULL WHERE {IN_PLANT}", "memberships", 1),
    "external-id": (f"UPDATE external_ids SET identifier = '3' WHERE {IN_PLANT}", "external_ids", 2),
    "extra": (
        "INSERT INTO memberships (log, mark_key, from_sequence, line_key, line) "
        "SELECT log, 'h9', 3, 'a', 'A' FROM logs WHERE plant_key = 'works-1'",
        "memberships",
        1,
    ),
}


@pytest.mark.parametrize("name", TAMPERINGS)
def test_a_tampered_projection_is_told_row_by_row_and_repaired(filled: SqlStore, name: str) -> None:
    statement, table, rows = TAMPERINGS[name]
    with filled.engine.begin() as connection:
        assert connection.execute(text(statement)).rowcount >= 1
    found = rebuild(filled, write=False)
    assert [(each.plant, each.table) for each in found] == [("Works-1", table)] * rows
    assert rebuild(filled, write=False) == found, "looking repaired something"
    assert rebuild(filled, write=True) == found
    assert rebuild(filled, write=False) == []
    with filled.read("Works-1") as reader:
        fact = reader.facts("hanger/h1")["assembly/1/in_place"]
        assert (fact.value, reader.facts("line/a")["contents"].value) == (False, "empty")
    assert append(filled, "Works-1", inspection("H1", "A", in_place=True)) == [11]


def test_a_difference_names_the_row_and_both_its_sides(filled: SqlStore) -> None:
    with filled.engine.begin() as connection:
        connection.execute(text(f"UPDATE hangers SET state = 'proved' WHERE {IN_PLANT} AND mark_key = 'h1'"))
        connection.execute(text(f"DELETE FROM external_ids WHERE {IN_PLANT}"))
    by_table = {each.table: each for each in rebuild(filled, write=False)}
    assert by_table.keys() == {"hangers", "external_ids"}
    row = by_table["hangers"]
    assert row.key == ("h1",)
    assert row.stored is not None
    assert row.rebuilt is not None
    assert (row.stored["state"], row.rebuilt["state"]) == ("proved", "locked")
    gone = by_table["external_ids"]
    assert isinstance(gone, Difference)
    assert (gone.key, gone.stored) == (("m", "2"), None)
    assert gone.rebuilt is not None


def at(sequence: int) -> str:
    return f"WHERE {IN_PLANT} AND sequence = {sequence}"


# place of the damage, what is done, the reason that must be named
DAMAGES = {
    "body": (4, f"UPDATE events SET body = leaf_hash {at(4)}", "leaf-hash"),
    "body-and-hash": (
        4,
        "UPDATE events SET body = other.body, leaf_hash = other.leaf_hash "
        f"FROM (SELECT body, leaf_hash FROM events {at(5)}) AS other {at(4)}",
        "sequence",
    ),
    "hash": (2, f"UPDATE events SET leaf_hash = body {at(2)}", "leaf-hash"),
    "gap": (3, f"DELETE FROM events {at(3)}", "position"),
    "column": (6, f"UPDATE events SET line = 'b' {at(6)}", "columns"),
    "occurred": (6, f"UPDATE events SET occurred_at = '2000' {at(6)}", "columns"),
    "document": (
        1,
        f"UPDATE documents SET bytes = other.salt FROM (SELECT salt FROM texts {at(4)}) AS other",
        "document",
    ),
    "document-gone": (1, "DELETE FROM documents", "document"),
    "words": (4, f"UPDATE texts SET text = salt {at(4)}", "words"),
    "words-gone": (6, f"DELETE FROM texts {at(6)}", "words"),
    "words-added": (
        2,
        f"INSERT INTO texts (log, sequence, field, salt) SELECT log, 2, field, salt FROM texts {at(4)}",
        "words",
    ),
    "tail": (10, f"DELETE FROM events {at(10)}", "head"),
    "head-time": (11, f"UPDATE logs SET last_recorded_at = '2000' WHERE {IN_PLANT}", "head"),
}


@pytest.mark.parametrize("name", DAMAGES)
def test_a_damaged_log_is_refused_at_its_place(filled: SqlStore, name: str) -> None:
    place, statement, reason = DAMAGES[name]
    unguarded(filled, statement)
    with pytest.raises(errors.LogCorrupt) as corrupt:
        rebuild(filled, write=True)
    assert corrupt.value.facts == {"plant": "Works-1", "position": place, "reason": reason}


def test_a_damaged_service_log_is_refused_too(filled: SqlStore) -> None:
    unguarded(filled, "UPDATE events SET leaf_hash = body WHERE log = 0 AND sequence = 1")
    with pytest.raises(errors.LogCorrupt) as corrupt:
        rebuild(filled, write=False)
    assert corrupt.value.facts == {"plant": None, "position": 1, "reason": "leaf-hash"}


def test_events_appended_meanwhile_are_taken_in(filled: SqlStore, monkeypatch: pytest.MonkeyPatch) -> None:
    alone, done = filled.alone, []

    def late() -> object:
        if not done:
            done.append(True)
            append(filled, "Works-1", inspection("H1", "A", in_place=True))
        return alone()

    with filled.engine.connect() as connection:
        first = connection.execute(text("SELECT plant FROM logs ORDER BY log")).scalars().all()
    assert first == [None, "Works-1", "Works-2"]
    monkeypatch.setattr(filled, "alone", late)
    assert rebuild(filled, write=False) == []
    with filled.read("Works-1") as reader:
        assert reader.size == 12


def test_a_record_whose_revision_does_not_follow_is_told(store: SqlStore, settings: Settings) -> None:
    append(
        store,
        "Works-1",
        plant_record(),
        act("criteria-recorded", "criteria", {"revision": 1, "document": {}}),
    )
    # The log has an event less than the projections know of.
    unguarded(
        store,
        f"DELETE FROM events WHERE {IN_PLANT} AND sequence = 1",
        f"DELETE FROM checkpoints WHERE {IN_PLANT} AND size = 2",
        f"UPDATE logs SET next_sequence = 1, frontier_size = 1, frontier = (SELECT leaf_hash FROM events "
        f"WHERE {IN_PLANT} AND sequence = 0) WHERE {IN_PLANT}",
    )
    [difference] = rebuild(settings, write=True)
    assert (difference.table, difference.key, difference.rebuilt) == (
        "records",
        ("criteria", "works-1", 1),
        None,
    )
    assert rebuild(settings, write=False) == []


def test_an_entry_that_hashes_well_but_is_no_event_is_told(store: SqlStore) -> None:
    append(store, "Works-1", plant_record())
    with store.read("Works-1") as reader:
        stored = reader.event(0)
    assert stored is not None
    document = stored.event.as_document()
    del document["request_id"]
    body = canonical_bytes(document)
    unguarded(store)
    with store.engine.begin() as connection:
        connection.execute(
            update(tables.events)
            .where(tables.events.c.body == stored.body)
            .values(body=body, leaf_hash=hashlib.sha256(b"\x00" + body).digest())
        )
    with pytest.raises(errors.LogCorrupt) as corrupt:
        rebuild(store, write=False)
    assert corrupt.value.facts == {"plant": "Works-1", "position": 0, "reason": "envelope"}
