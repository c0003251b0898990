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
    if words.startswith("CREATE TABLE"):
        return "\n".join(sorted(line.strip().rstrip(",") for line in words.splitlines() if line.strip()))
    return " ".join(words.split())


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
        assert (reader.log_id, reader.size, plant.size) == (log_id, 1, 1)
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
    engine.dispose()
    with pytest.raises(errors.ConfigurationError, match="newer"):
        migrate(settings)
    store = open_store(settings)
    with pytest.raises(errors.StoreBusy):
        store.ready()
    store.close()


def test_folders_and_keys_are_for_one_account_alone(database_url: str, tmp_path: Path) -> None:
    settings = settings_for(database_url, tmp_path / "deep" / "data")
    before = os.umask(0o000)
    try:
        migrate(settings)
    finally:
        os.umask(before)

    def mode(path: Path) -> int:
        return stat.S_IMODE(path.stat().st_mode)

    secret = settings.cursor_secret_file
    assert secret == tmp_path / "deep" / "data" / "keys" / "cursor-secret"
    assert (mode(settings.data_directory), mode(secret.parent), mode(secret)) == (0o700, 0o700, 0o600)
    assert len(bytes.fromhex(secret.read_text("ascii"))) == 32
    assert [each.name for each in secret.parent.iterdir()] == ["cursor-secret"]


def test_a_secret_given_by_the_operator_is_not_made(database_url: str, tmp_path: Path) -> None:
    elsewhere = tmp_path / "given"
    migrate(settings_for(database_url, tmp_path / "data", CURSOR_SECRET_FILE=str(elsewhere)))
    assert not elsewhere.exists()
    assert list((tmp_path / "data" / "keys").iterdir()) == []


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
    assert len(list(settings.cursor_secret_file.parent.iterdir())) == 1
