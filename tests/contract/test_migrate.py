"""Migration: the tables of the code on each engine, private keys and folders, and no harm twice."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import Engine, text

from service import errors
from service.config import Settings
from service.persistence.engines import open_engine
from service.persistence.migrate import migrate
from service.persistence.rebuild import rebuild
from service.persistence.store import open_store
from service.persistence.tables import metadata
from tests import postgres
from tests.contract.acts import append, line_record, open_plant, settings_for

CHECKOUT = Path(__file__).resolve().parents[2]

SQLITE_CATALOGUE = ["SELECT type, name, sql FROM sqlite_master"]
POSTGRES_CATALOGUE = [
    "SELECT table_name, column_name, data_type, is_nullable, collation_name, column_default, "
    "ordinal_position FROM information_schema.columns WHERE table_schema = 'public'",
    "SELECT conname, pg_get_constraintdef(oid) FROM pg_constraint "
    "WHERE connamespace = 'public'::regnamespace",
    "SELECT indexname, indexdef FROM pg_indexes WHERE schemaname = 'public'",
    "SELECT tgname, pg_get_triggerdef(oid) FROM pg_trigger WHERE NOT tgisinternal",
    "SELECT proname, prosrc FROM pg_proc WHERE pronamespace = 'public'::regnamespace",
]


def catalogue(engine: Engine) -> list[tuple[object, ...]]:
    """Everything the database says of its tables, white space and the order of constraints aside."""
    queries = SQLITE_CATALOGUE if engine.dialect.name == "sqlite" else POSTGRES_CATALOGUE
    with engine.connect() as connection:
        rows = [row for query in queries for row in connection.execute(text(query))]
    shown = [tuple(plain(str(each)) for each in row) for row in rows]
    return sorted(row for row in shown if not any("alembic" in each for each in row))


def plain(words: str) -> str:
    """Words with single spaces; a table's parts on SQLite in order, wherever a later column was added."""
    words = " ".join(words.split())
    if not words.startswith("CREATE TABLE"):
        return words
    opening, closing = words.index("("), words.rindex(")")
    parts, depth = [""], 0
    for letter in words[opening + 1 : closing]:
        depth += {"(": 1, ")": -1}.get(letter, 0)
        if letter == "," and depth == 0:
            parts.append("")
        else:
            parts[-1] += letter
    shown = sorted(part.strip() for part in parts)
    return f"{words[:opening].strip()} {shown} {words[closing + 1 :].strip()}"


@pytest.fixture
def second_url(database_url: str, tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[str]:
    """Another empty database on the same engine."""
    if database_url.startswith("sqlite"):
        yield f"sqlite:///{tmp_path / 'second.sqlite3'}"
    else:
        with postgres.temporary_database(request.getfixturevalue("postgres_url")) as url:
            yield url


def test_the_migrations_make_what_the_code_states(
    settings: Settings, second_url: str, tmp_path: Path
) -> None:
    migrated, stated = open_engine(settings), open_engine(settings_for(second_url, tmp_path))
    try:
        metadata.create_all(stated)
        found, expected = catalogue(migrated), catalogue(stated)
    finally:
        migrated.dispose()
        stated.dispose()
    assert found == expected
    assert len(expected) > 30


def test_migrating_again_changes_nothing(settings: Settings) -> None:
    store = open_store(settings)
    open_plant(store, "Works-1")
    append(store, "Works-1", line_record("A"))
    secret = settings.cursor_secret_file.read_bytes()
    with store.read_service() as reader:
        log_id = reader.log_id
    migrate(settings)
    with store.read_service() as reader, store.read("Works-1") as plant:
        assert (reader.log_id, reader.size, plant.size) == (log_id, 2, 1)
    assert settings.cursor_secret_file.read_bytes() == secret
    assert rebuild(store, write=False) == []
    store.close()


def test_a_store_is_ready_only_once_migrated(database_url: str, tmp_path: Path) -> None:
    settings = settings_for(database_url, tmp_path / "data")
    (tmp_path / "data").mkdir()
    store = open_store(settings)
    try:
        with pytest.raises(errors.StoreBusy, match="migrated"):
            store.ready()
        migrate(settings)
        store.ready()
    finally:
        store.close()


def test_a_database_of_a_newer_version_is_refused(settings: Settings) -> None:
    engine = open_engine(settings)
    with engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
        connection.execute(text("DELETE FROM companions"))
    engine.dispose()
    with pytest.raises(errors.ConfigurationError, match="newer"):
        migrate(settings)
    store = open_store(settings)
    with pytest.raises(errors.StoreBusy):
        store.ready()
    store.close()


def test_a_newer_version_that_lists_this_one_is_served_and_left_as_it_is(settings: Settings) -> None:
    engine = open_engine(settings)
    with engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
        connection.execute(text("INSERT INTO companions (version) VALUES ('9999')"))
    migrate(settings)
    store = open_store(settings)
    try:
        store.ready()
        open_plant(store, "Works-1")
        assert append(store, "Works-1", line_record("A")) == [0]
        with engine.connect() as connection:
            assert connection.execute(text("SELECT version_num FROM alembic_version")).scalar() == "9999"
    finally:
        store.close()
        engine.dispose()


def test_each_version_lists_itself_and_those_before_it(settings: Settings) -> None:
    engine = open_engine(settings)
    with engine.connect() as connection:
        listed = connection.execute(text("SELECT version FROM companions ORDER BY version")).scalars().all()
        now = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    engine.dispose()
    assert listed == [f"{number:04}" for number in range(1, len(listed) + 1)]
    assert listed[-1] == now


def test_folders_and_keys_are_for_one_account_alone(database_url: str, tmp_path: Path) -> None:
    settings = settings_for(database_url, tmp_path / "deep" / "data")
    before = os.umask(0o000)
    try:
        migrate(settings)
    finally:
        os.umask(before)

    def mode(path: Path) -> int:
        return stat.S_IMODE(path.stat().st_mode)

    keys = settings.data_directory / "keys"
    assert (mode(settings.data_directory), mode(keys), mode(settings.witness_directory)) == (0o700,) * 3
    secrets = {settings.cursor_secret_file, settings.webhook_secret_file}
    assert set(keys.iterdir()) == secrets | {settings.signing_key_file}
    assert {mode(each) for each in keys.iterdir()} == {0o600}
    assert [len(bytes.fromhex(each.read_text("ascii"))) for each in secrets] == [32, 32]
    assert {mode(each) for each in settings.witness_directory.iterdir()} == {0o600}


def test_a_secret_given_by_the_operator_is_not_made(database_url: str, tmp_path: Path) -> None:
    elsewhere = tmp_path / "given"
    migrate(settings_for(database_url, tmp_path / "data", CURSOR_SECRET_FILE=str(elsewhere)))
    assert not elsewhere.exists()
    assert not (tmp_path / "data" / "keys" / "cursor-secret").exists()


@pytest.mark.parametrize("variable", ["SIGNING_KEY_FILE", "WEBHOOK_SECRET_FILE"])
def test_a_file_that_a_setting_names_must_be_there(database_url: str, tmp_path: Path, variable: str) -> None:
    missing = tmp_path / "given"
    with pytest.raises(errors.ConfigurationError) as refusal:
        migrate(settings_for(database_url, tmp_path / "data", **{variable: str(missing)}))
    assert refusal.value.facts["variable"] == variable
    assert not missing.exists()


def test_a_folder_that_cannot_be_made_is_a_wrong_setting(database_url: str, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(errors.ConfigurationError):
        migrate(settings_for(database_url, tmp_path / "file"))
    with pytest.raises(errors.ConfigurationError):
        migrate(settings_for(database_url, tmp_path / "file" / "below"))


def test_processes_that_migrate_at_once_end_with_one_schema_and_one_secret(
    database_url: str, tmp_path: Path
) -> None:
    settings = settings_for(database_url, tmp_path / "data")
    program = (
        "import os; from service.config import Settings; from service.persistence.migrate import migrate;"
        "migrate(Settings.from_environment(os.environ))"
    )
    environment = {
        **os.environ,
        "DATABASE_URL": settings.database_url,
        "DATA_DIR": str(settings.data_directory),
        "PYTHONPATH": str(CHECKOUT),
    }
    started = [
        subprocess.Popen([sys.executable, "-c", program], env=environment, cwd=CHECKOUT) for _ in range(4)
    ]
    assert [each.wait(60) for each in started] == [0, 0, 0, 0]
    store = open_store(settings)
    store.ready()
    with store.engine.connect() as connection:
        assert connection.execute(text("SELECT count(*) FROM logs")).scalar() == 1
    store.close()
    keys = [settings.cursor_secret_file, settings.webhook_secret_file, settings.signing_key_file]
    assert sorted(settings.cursor_secret_file.parent.iterdir()) == sorted(keys)
