"""The database itself refuses to change, remove or replace what the log rests on: raw SQL, each way."""

from __future__ import annotations

import pytest
from sqlalchemy import Connection, exc, text

from service.persistence.rebuild import rebuild
from service.persistence.store import SqlStore
from tests.contract.acts import append, hanger_record, inspection, line_record, plant_record

ON_POSTGRES = pytest.param("postgresql", marks=pytest.mark.postgres)
LARGE = {"filler": "x" * 20_000}
EVENT_COLUMNS = (
    "log, sequence, id, type, subject, line, subject_sequence, occurred_at, recorded_at, corrects, "
    "client_event_id, body, leaf_hash"
)


@pytest.fixture
def filled(store: SqlStore) -> SqlStore:
    append(
        store,
        "Works-1",
        plant_record(),
        line_record("A", extensions=LARGE),
        hanger_record("H1", "A"),
        inspection("H1", "A", in_place=True, texts={"note": "words"}, client_event_id="tablet-1"),
    )
    return store


def refused(store: SqlStore, statement: str) -> None:
    with store.engine.connect() as connection:
        before = contents(connection)
        connection.rollback()
        with pytest.raises((exc.IntegrityError, exc.DatabaseError)) as error:
            connection.execute(text(statement))
        connection.rollback()
        assert "row is" in str(error.value), "refused by something else than the triggers"
        assert contents(connection) == before
    assert rebuild(store, write=False) == []


def contents(connection: Connection) -> dict[str, list[tuple[object, ...]]]:
    tables = ("logs", "events", "documents", "texts", "tree_hashes", "checkpoints")
    return {
        table: sorted(tuple(row) for row in connection.execute(text(f"SELECT * FROM {table}")))
        for table in tables
    }


CHANGES = [
    "UPDATE events SET body = leaf_hash WHERE sequence = 1",
    "UPDATE events SET type = 'plant-recorded'",
    "UPDATE events SET sequence = 17 WHERE sequence = 3",
    "UPDATE events SET type = type",
    "DELETE FROM events WHERE sequence = 3",
    "DELETE FROM events",
    "UPDATE documents SET bytes = ''",
    "UPDATE documents SET media_type = 'text/plain'",
    "DELETE FROM documents",
    "UPDATE texts SET text = '0123'",
    "UPDATE texts SET salt = text",
    "UPDATE texts SET text = NULL, salt = text",
    "UPDATE texts SET text = NULL, field = 'reason'",
    "UPDATE texts SET text = NULL, sequence = 0",
    "DELETE FROM texts",
    "UPDATE logs SET next_sequence = next_sequence - 1",
    "UPDATE logs SET log_id = 'ffff' WHERE kind = 'plant'",
    "UPDATE logs SET plant_key = 'other', plant = 'Other' WHERE kind = 'plant'",
    "UPDATE logs SET last_recorded_at = '1999' WHERE kind = 'plant'",
    "UPDATE logs SET last_recorded_at = NULL WHERE kind = 'plant'",
    "DELETE FROM logs WHERE kind = 'plant'",
    "UPDATE logs SET origin = NULL",
    "UPDATE logs SET frontier_size = frontier_size - 1",
    "UPDATE logs SET frontier_size = NULL",
    "UPDATE checkpoints SET note = root WHERE size = 4",
    "UPDATE checkpoints SET size = 9 WHERE size = 4",
    "DELETE FROM checkpoints WHERE size = 4",
    "DELETE FROM checkpoints",
]


@pytest.mark.parametrize("statement", CHANGES)
def test_a_change_or_removal_is_refused(filled: SqlStore, statement: str) -> None:
    refused(filled, statement.replace("'0123'", "CAST('0123' AS BYTEA)" if on_postgres(filled) else "x'00'"))


def on_postgres(store: SqlStore) -> bool:
    return store.engine.dialect.name == "postgresql"


def copied(**changed: str) -> str:
    """A SELECT of the last event's row with some columns as told."""
    names = [name.strip() for name in EVENT_COLUMNS.split(",")]
    columns = ", ".join(changed.get(name, name) for name in names)
    return f"SELECT {columns} FROM events WHERE log = 1 AND sequence = 3"


# Each meets one unique key of the table, and no other.
EVENT_ROWS = {
    "place": copied(id="'other'", subject_sequence="subject_sequence + 1", client_event_id="NULL"),
    "place-ahead": copied(
        id="'other'", sequence="5", subject_sequence="subject_sequence + 1", client_event_id="NULL"
    ),
    "place-behind": copied(
        id="'other'", sequence="-1", subject_sequence="subject_sequence + 1", client_event_id="NULL"
    ),
    "id": copied(sequence="4", subject_sequence="subject_sequence + 1", client_event_id="NULL"),
    "subject": copied(id="'other'", sequence="4", client_event_id="NULL"),
    "subject-ahead": copied(
        id="'other'", sequence="4", subject_sequence="subject_sequence + 2", client_event_id="NULL"
    ),
    "client-id": copied(id="'other'", sequence="4", subject_sequence="subject_sequence + 1"),
}
NEW_LOG = "0, NULL, 'origin', NULL, NULL, NULL FROM logs WHERE kind = 'plant'"
OTHER_ROWS = {
    "documents": "SELECT log, sha256, media_type, bytes FROM documents",
    "texts": "SELECT log, sequence, field, salt, text FROM texts",
    "logs-number": f"SELECT log, 'x', 'plant', 'X', 'x', {NEW_LOG}",
    "logs-id": f"SELECT 7, log_id, 'plant', 'X', 'x', {NEW_LOG}",
    "logs-plant": f"SELECT 7, 'x', 'plant', 'X', plant_key, {NEW_LOG}",
    "logs-service": f"SELECT 7, 'x', 'service', NULL, NULL, {NEW_LOG}",
    "checkpoints": "SELECT log, size, root, note, made_at FROM checkpoints WHERE size = 4 AND log = 1",
    "checkpoints-behind": "SELECT log, 1, root, note, made_at FROM checkpoints WHERE size = 4 AND log = 1",
}


def into(row: str) -> str:
    if row in EVENT_ROWS:
        return f"events ({EVENT_COLUMNS}) {EVENT_ROWS[row]}"
    return f"{row.partition('-')[0]} {OTHER_ROWS[row]}"


@pytest.mark.parametrize("row", [*EVENT_ROWS, *OTHER_ROWS])
def test_a_second_row_for_any_unique_key_is_refused(filled: SqlStore, row: str) -> None:
    refused(filled, f"INSERT INTO {into(row)}")


@pytest.mark.parametrize("row", [*EVENT_ROWS, *OTHER_ROWS])
def test_replacement_is_refused(filled: SqlStore, row: str) -> None:
    if on_postgres(filled):
        clauses = {
            "events": ("(log, sequence)", "body = excluded.body"),
            "documents": ("(log, sha256)", "bytes = excluded.bytes"),
            "texts": ("(log, sequence, field)", "text = NULL"),
            "logs": ("(log)", "plant = excluded.plant"),
            "checkpoints": ("(log, size)", "note = excluded.note"),
        }
        table = into(row).partition(" ")[0]
        target, change = clauses[table]
        refused(filled, f"INSERT INTO {into(row)} ON CONFLICT {target} DO UPDATE SET {change}")
    else:
        refused(filled, f"INSERT OR REPLACE INTO {into(row)}")
        refused(filled, f"REPLACE INTO {into(row)}")


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
@pytest.mark.parametrize("row", [*EVENT_ROWS, *OTHER_ROWS])
def test_replacement_is_refused_without_recursive_triggers_too(filled: SqlStore, row: str) -> None:
    with filled.engine.connect() as connection:
        connection.detach()
        raw = connection.connection.dbapi_connection
        assert raw is not None
        raw.cursor().execute("PRAGMA recursive_triggers = OFF")
        with pytest.raises(exc.IntegrityError, match="row is"):
            connection.execute(text(f"INSERT OR REPLACE INTO {into(row)}"))
        connection.rollback()
    assert rebuild(filled, write=False) == []


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
@pytest.mark.parametrize("table", ["events", "documents", "texts", "tree_hashes", "checkpoints"])
def test_a_table_has_no_hidden_key_by_which_a_row_could_be_replaced(filled: SqlStore, table: str) -> None:
    with filled.engine.connect() as connection, pytest.raises(exc.OperationalError, match="rowid"):
        connection.execute(text(f"SELECT rowid FROM {table}"))


@pytest.mark.parametrize("database_url", [ON_POSTGRES], indirect=True)
@pytest.mark.parametrize("table", ["events", "documents", "texts", "logs", "tree_hashes", "checkpoints"])
def test_truncation_is_refused(filled: SqlStore, table: str) -> None:
    refused(filled, f"TRUNCATE {table} CASCADE")


@pytest.mark.parametrize("change", ["sequence = 9", "id = (SELECT MIN(id) FROM events)"])
def test_an_update_that_would_replace_is_refused(filled: SqlStore, change: str) -> None:
    verb = "UPDATE" if on_postgres(filled) else "UPDATE OR REPLACE"
    refused(filled, f"{verb} events SET {change} WHERE sequence = 3")


def test_what_may_be_written_still_is(filled: SqlStore) -> None:
    with filled.engine.begin() as connection:
        connection.execute(text("UPDATE texts SET text = NULL"))
    assert append(filled, "Works-1", inspection("H1", "A", in_place=False, texts={"note": "new"})) == [4]
    assert rebuild(filled, write=False) == []


def test_the_hash_of_a_full_tile_is_added_once_in_its_place_and_stays(filled: SqlStore) -> None:
    with filled.write("Works-1") as writer:
        for number in range(252):
            writer.append(inspection("H1", "A", in_place=number % 2 == 0))
    kept = "SELECT log, level, position, hash FROM tree_hashes"
    with filled.engine.connect() as connection:
        assert len(connection.execute(text(kept)).all()) == 1
    again = "INSERT INTO tree_hashes SELECT log, level, position{}, hash FROM tree_hashes"
    for statement in (
        again.format(""),
        again.format(" + 2"),
        again.format(" - 1"),
        "UPDATE tree_hashes SET hash = hash",
        "UPDATE tree_hashes SET position = 1",
        "DELETE FROM tree_hashes",
    ):
        refused(filled, statement)
    if not on_postgres(filled):
        refused(filled, again.format("").replace("INSERT", "INSERT OR REPLACE"))
