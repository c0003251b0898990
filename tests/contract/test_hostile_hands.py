"""Someone with the database, or an old key file, but not with the keys that sign now."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path

import pytest
from sqlalchemy import Connection, text

from service import errors
from service.config import Settings
from service.ledger.notes import load_signers, new_private_key_pem
from service.persistence import append_only
from service.persistence.migrate import migrate
from service.persistence.signing import add_key, retire_key
from service.persistence.soundness import examine
from service.persistence.store import SqlStore, open_store
from tests.contract.acts import append, inspection, line_record, settings_for

WORDS = "not released; do not turn"


def unguarded(store: SqlStore, table: str, statement: str, **values: object) -> None:
    """A statement run by someone who has first taken the table's triggers away, and put them back."""
    with store.alone(), store._writers.begin() as connection:
        guard(connection, table, on=False)
        assert connection.execute(text(statement), values).rowcount == 1
        guard(connection, table, on=True)


def faults(store: SqlStore) -> list[tuple[str | None, str, int | None]]:
    return [(plant, fault.reason, fault.position) for plant, fault in examine(store, full=True)]


def test_words_beside_the_log_cannot_be_shortened_by_a_longer_salt(store: SqlStore) -> None:
    append(store, "Works-1", line_record("A"), inspection("H1", "A", texts={"note": WORDS}))
    assert faults(store) == []
    with store.read("Works-1") as reader:
        [kept] = reader.kept_texts(1, 2)
    salt, words = kept.salt + WORDS.encode()[:4], WORDS.encode()[4:]
    assert hashlib.sha256(salt + words).digest() == hashlib.sha256(kept.salt + WORDS.encode()).digest()
    unguarded(store, "texts", "UPDATE texts SET salt = :salt, text = :text", salt=salt, text=words)
    assert faults(store) == [("Works-1", "text", 1)]


def test_a_retired_key_does_not_come_back_with_an_old_key_file(
    settings: Settings, store: SqlStore, tmp_path: Path
) -> None:
    """Another machine's copy of the key file was made before the key was retired, as one that was stolen."""
    add_key(settings)
    old = tmp_path / "old-copy.pem"
    shutil.copy(settings.signing_key_file, old)
    with store.read_service() as reader:
        first = reader.known_keys()[0].public_key
    retire_key(settings, first)
    other = settings_for(settings.database_url, tmp_path / "other", SIGNING_KEY_FILE=str(old))
    with pytest.raises(errors.ConfigurationError, match="retired"):
        migrate(other)
    with store.read_service() as reader:
        [listed] = [key for key in reader.known_keys() if key.public_key == first]
    assert listed.until is not None


def test_a_key_in_the_tables_that_no_event_lists_is_found(store: SqlStore) -> None:
    """Whoever can write tables could else sign another past with a key of his own, and have it verified."""
    append(store, "Works-1", line_record("A"))
    stranger = load_signers(new_private_key_pem(b"\7" * 32))[0]
    with store.alone(), store._writers.begin() as connection:
        connection.exec_driver_sql(
            "INSERT INTO signing_keys (public_key, since_at, until_at) "
            f"VALUES ('{stranger.public_key.hex()}', '2026-05-04T06:00:00.000000Z', NULL)"
        )
    assert [(plant, reason) for plant, reason, _ in faults(store)] == [(None, "wrong-key")]


def test_a_key_whose_end_was_taken_from_the_tables_is_found(store: SqlStore, settings: Settings) -> None:
    add_key(settings)
    with store.read_service() as reader:
        first = reader.known_keys()[0].public_key
    retire_key(settings, first)
    assert faults(store) == []
    with store.alone(), store._writers.begin() as connection:
        connection.exec_driver_sql(f"UPDATE signing_keys SET until_at = NULL WHERE public_key = '{first}'")
    assert [(plant, reason) for plant, reason, _ in faults(store)] == [(None, "wrong-key")]


def test_an_entry_whose_stored_hash_is_not_its_bytes_is_never_signed(store: SqlStore) -> None:
    """A row put in as the release before would have: the tree takes in what such a release has appended."""
    append(store, "Works-1", line_record("A"))
    with store.read("Works-1") as reader:
        number, body = reader.log, reader.bodies(0, 1)[0]
    forged = body.replace(b'"sequence":0', b'"sequence":1').replace(b"line/A", b"line/B")
    forged = forged.replace(b'"line":"A"', b'"line":"B"').replace(b'"id":"0', b'"id":"1')
    with store.alone(), store._writers.begin() as connection:
        connection.execute(
            text(
                "INSERT INTO events (log, sequence, id, type, subject, line, subject_sequence, occurred_at, "
                "recorded_at, body, leaf_hash) SELECT log, 1, '1' || substr(id, 2), type, 'line/b', 'b', 0, "
                "occurred_at, recorded_at, :body, :hash FROM events WHERE log = :log AND sequence = 0"
            ),
            {"body": forged, "hash": hashlib.sha256(b"other bytes").digest(), "log": number},
        )
        connection.execute(text("UPDATE logs SET next_sequence = 2 WHERE log = :log"), {"log": number})
    with pytest.raises(errors.LogSealed):
        append(store, "Works-1", line_record("C"))
    with store.read("Works-1") as reader:
        newest = reader.checkpoint()
    assert newest is not None
    assert newest.size == 1


def put_back(store: SqlStore, before: dict[str, object]) -> None:
    """Takes the end of a plant's log away, as a database put back to an earlier moment lacks it."""
    size, log = before["next_sequence"], before["log"]
    with store.alone(), store._writers.begin() as connection:
        for table, place in (
            ("events", "sequence >="),
            ("checkpoints", "size >"),
            ("records", "from_sequence >="),
        ):
            guard(connection, table, on=False)
            connection.execute(text(f"DELETE FROM {table} WHERE log = {log} AND {place} {size}"))
            guard(connection, table, on=True)
        guard(connection, "logs", on=False)
        connection.execute(
            text(
                "UPDATE logs SET next_sequence = :next_sequence, last_recorded_at = :last_recorded_at, "
                "frontier = :frontier, frontier_size = :frontier_size WHERE log = :log"
            ),
            before,
        )
        guard(connection, "logs", on=True)


def guard(connection: Connection, table: str, *, on: bool) -> None:
    """Takes a table's triggers away, or puts them back."""
    if table not in append_only.GUARDS:
        return
    if connection.dialect.name == "postgresql":
        statements = [f"ALTER TABLE {table} {'ENABLE' if on else 'DISABLE'} TRIGGER USER"]
    elif on:
        statements = append_only.sqlite_statements(table)
    else:
        statements = [f"DROP TRIGGER {table}_{each}" for each in ("insert", "update", "delete")]
    for each in statements:
        connection.exec_driver_sql(each)


def row_of_log(store: SqlStore) -> dict[str, object]:
    with store.engine.connect() as connection:
        return dict(
            connection.execute(text("SELECT * FROM logs WHERE plant_key = 'works-1'")).mappings().one()
        )


@pytest.mark.parametrize("since", [0, 1, 2])
def test_a_machine_that_was_at_work_does_not_go_on_from_another_past(
    store: SqlStore, settings: Settings, tmp_path: Path, since: int
) -> None:
    """The database is put back while two machines serve; the other one, which knew no better, wrote on."""
    other = open_store(
        settings_for(
            settings.database_url,
            tmp_path / "other",
            SIGNING_KEY_FILE=str(settings.signing_key_file),
            WRITE_LOCK_TIMEOUT_S="5",
        )
    )
    (tmp_path / "other").mkdir()
    append(store, "Works-1", line_record("A"), line_record("B"))
    before = row_of_log(store)
    append(store, "Works-1", line_record("C"))
    put_back(store, before)
    append(other, "Works-1", *(line_record(f"X{number}") for number in range(since)))
    with pytest.raises(errors.LogSealed):
        append(store, "Works-1", line_record("D"))
    with store.read("Works-1") as reader:
        assert reader.size == 2 + since
    other.close()
