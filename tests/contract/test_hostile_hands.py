"""Someone with the database, or an old key file, but not with the keys that sign now."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path

import pytest

from service import errors
from service.config import Settings
from service.persistence import append_only
from service.persistence.migrate import migrate
from service.persistence.signing import add_key, retire_key
from service.persistence.soundness import examine
from service.persistence.store import SqlStore
from tests.contract.acts import append, inspection, line_record, settings_for

WORDS = "not released; do not turn"


def unguarded(store: SqlStore, table: str, statement: str, **values: object) -> None:
    """A statement run by someone who has first taken the table's triggers away, and put them back."""
    dialect = store.engine.dialect.name
    if dialect == "sqlite":
        take = [f"DROP TRIGGER {table}_{each}" for each in ("insert", "update", "delete")]
        put = append_only.sqlite_statements(table)
    else:
        take, put = (
            [f"ALTER TABLE {table} DISABLE TRIGGER USER"],
            [f"ALTER TABLE {table} ENABLE TRIGGER USER"],
        )
    from sqlalchemy import text

    with store.alone(), store._writers.begin() as connection:
        for each in take:
            connection.exec_driver_sql(each)
        assert connection.execute(text(statement), values).rowcount == 1
        for each in put:
            connection.exec_driver_sql(each)


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
