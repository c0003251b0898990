"""Backup and restore: one state of everything, taken while others write, into either engine."""

from __future__ import annotations

import json
import stat
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from service import errors
from service.config import Settings
from service.ledger import verifier
from service.ledger.notes import load_signers, new_private_key_pem
from service.ledger.verifier import open_checkpoint
from service.persistence import backup as making
from service.persistence import backup_format as form
from service.persistence import tables
from service.persistence.backup import back_up
from service.persistence.migrate import migrate
from service.persistence.rebuild import rebuild
from service.persistence.restore import LossNotDeclared
from service.persistence.store import SqlStore
from tests import postgres
from tests.contract.acts import PERSON, append, inspection, open_plant, settings_for
from tests.contract.keeping import NOW, WORDS, Place, fill, keys_of, made, members_of, new_place, rows
from tests.contract.test_erasure import erase
from tests.contract.test_rebuild import unguarded


@pytest.fixture
def kept(store: SqlStore) -> SqlStore:
    return fill(store)


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Place]:
    """An empty database of its own, on each engine."""
    if request.param == "sqlite":
        yield new_place(tmp_path, "other")
        return
    with postgres.temporary_database(request.getfixturevalue("postgres_url")) as url:
        yield Place(settings_for(url, tmp_path / "other"))


@pytest.fixture
def here(tmp_path: Path) -> Place:
    """An empty SQLite file, for what no engine does otherwise."""
    return new_place(tmp_path, "here")


# --- there and back ---------------------------------------------------------------------------------------
def test_a_restore_gives_every_row_again_on_either_engine(
    kept: SqlStore, place: Place, tmp_path: Path
) -> None:
    file = made(kept, tmp_path)
    done = place.restored(file, public_keys=keys_of(kept))
    assert [(log.name, log.size) for log, _ in done.ends] == [("service", 4), ("Works-1", 12), ("Works-2", 2)]
    assert list(done.losses) == []
    with place.store() as store:
        for name in tables.metadata.tables.keys() - {"companions", "logs", "events", "texts", "checkpoints"}:
            if name == "signing_keys":  # the new machine's own key came in addition
                assert rows(kept, name)[0] in rows(store, name)
            elif name != "tree_hashes":
                assert rows(store, name) == rows(kept, name), name
        for name in ("events", "texts", "checkpoints"):
            in_plants = [row for row in rows(kept, name) if row["log"] > 0]
            assert [row for row in rows(store, name) if row["log"] > 0] == in_plants, name
            of_service = [row for row in rows(kept, name) if row["log"] == 0]
            assert [row for row in rows(store, name) if row["log"] == 0][: len(of_service)] == of_service
        assert [row for row in rows(store, "logs") if row["log"] > 0] == [
            row for row in rows(kept, "logs") if row["log"] > 0
        ]
        assert rebuild(store, write=False) == []
        assert append(store, "Works-1", inspection("H1", "A", in_place=False)) == [12]
        with store.write("Works-1") as writer:
            remembered = writer.remembered(PERSON, "POST", "/p", "key-1")
            writer.rollback_only()
        assert remembered is not None
    migrate(place.settings)


def test_hashes_of_full_tiles_are_made_again(store: SqlStore, here: Place, tmp_path: Path) -> None:
    with store.write("Works-1") as writer:
        for _ in range(300):
            writer.append(inspection("H1", "A", in_place=True))
    assert len(rows(store, "tree_hashes")) == 1
    file = made(store, tmp_path)
    here.restored(file, public_keys=keys_of(store))
    with here.store() as other:
        assert rows(other, "tree_hashes") == rows(store, "tree_hashes")
        with other.write("Works-1") as writer:
            for _ in range(220):
                writer.append(inspection("H1", "A", in_place=True))
        assert len(rows(other, "tree_hashes")) == 2


def test_the_verifier_alone_reads_a_backup(
    kept: SqlStore, settings: Settings, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = made(kept, tmp_path)
    key = kept.key_file.signers()[0].vkey(form.note_name(settings.log_origin))
    assert verifier.main([str(file), "--key", key]) == 0
    stranger = load_signers(new_private_key_pem(b"s" * 32))[0].vkey(form.note_name(settings.log_origin))
    assert verifier.main([str(file), "--key", stranger]) == 1
    capsys.readouterr()


def test_a_backup_holds_no_key_and_no_secret_and_is_its_owners_alone(
    kept: SqlStore, settings: Settings, tmp_path: Path
) -> None:
    file = made(kept, tmp_path)
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    content = b"".join(members_of(file).values())
    secrets = [settings.cursor_secret_file, settings.webhook_secret_file]
    for secret in [each.read_bytes().strip() for each in secrets]:
        assert len(secret) >= 32
        assert secret not in content
    assert b"PRIVATE KEY" not in content
    seed = settings.signing_key_file.read_text().splitlines()[1]
    assert seed.encode() not in content


def test_a_backup_replaces_no_file_and_leaves_none_behind_that_is_not_whole(
    kept: SqlStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = made(kept, tmp_path)
    before = file.read_bytes()
    with pytest.raises(errors.ConfigurationError, match="there already"):
        back_up(kept, file, NOW)
    assert file.read_bytes() == before
    with pytest.raises(errors.ConfigurationError, match="cannot be made"):
        back_up(kept, tmp_path / "no-folder" / "backup.zip", NOW)
    folder = tmp_path / "folder"
    folder.mkdir()

    def full(*_: Any) -> Any:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(making._Making, "_checkpoints", full)
    with pytest.raises(errors.StoreFull):
        back_up(kept, folder / "backup.zip", NOW)
    assert list(folder.iterdir()) == []


@pytest.mark.parametrize(
    ("statement", "reason"),
    [
        ("UPDATE events SET body = leaf_hash WHERE sequence = 3 AND log = 1", "altered"),
        ("DELETE FROM documents", "document"),
    ],
)
def test_a_damaged_log_is_not_backed_up(kept: SqlStore, tmp_path: Path, statement: str, reason: str) -> None:
    unguarded(kept, statement)
    with pytest.raises(errors.LogCorrupt) as corrupt:
        made(kept, tmp_path)
    assert (corrupt.value.facts["plant"], corrupt.value.facts["reason"]) == ("Works-1", reason)
    assert list(tmp_path.glob("*backup.zip*")) == []


# --- one state --------------------------------------------------------------------------------------------
def manifest_of(file: Path) -> form.Manifest:
    return form.parse_manifest(members_of(file)[form.MANIFEST])


def test_what_is_written_after_the_state_was_taken_is_not_in_the_backup(
    kept: SqlStore, here: Place, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A write between the state and the reading of the logs: neither its event nor its key is there."""
    taken = making._Making._one_state

    def then_a_write(self: Any, copies: Any) -> Any:
        state = taken(self, copies)
        with kept.write("Works-1") as writer:
            writer.append(inspection("H1", "A", in_place=False))
            writer.remember(PERSON, "POST", "/p", "key-2", "digest", {}, NOW)
        open_plant(kept, "Works-3")
        return state

    monkeypatch.setattr(making._Making, "_one_state", then_a_write)
    file = made(kept, tmp_path)
    here.restored(file, public_keys=keys_of(kept))
    with here.store() as store:
        assert store.plants("", 10, None) == ["Works-1", "Works-2"]
        with store.write("Works-1") as writer:
            assert writer.size == 12
            assert writer.remembered(PERSON, "POST", "/p", "key-1") is not None
            assert writer.remembered(PERSON, "POST", "/p", "key-2") is None
            writer.rollback_only()


def test_ends_and_tables_are_of_one_instant(
    kept: SqlStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A write between the reading of the ends and the copying of the keys: the copy does not see it."""
    if kept.engine.dialect.name == "sqlite":
        with kept.engine.connect() as connection:
            if connection.exec_driver_sql("PRAGMA journal_mode").scalar() != "wal":
                pytest.skip("on a rollback journal a writer waits for the reader")
    copy = making._copy
    written = []

    def after_a_write(connection: Any, table: Any) -> Any:
        if table is tables.idempotency_keys:
            with kept.write("Works-1") as writer:
                written.append(writer.append(inspection("H1", "A", in_place=False)).sequence)
                writer.remember(PERSON, "POST", "/p", "key-2", "digest", {}, NOW)
        return copy(connection, table)

    monkeypatch.setattr(making, "_copy", after_a_write)
    file = made(kept, tmp_path)
    assert written == [12]
    assert [log.size for log in manifest_of(file).logs] == [4, 12, 2]
    assert len(members_of(file)["tables/idempotency_keys.ndjson"].splitlines()) == 1


def test_a_backup_made_while_others_write_is_of_one_state(
    store: SqlStore, here: Place, tmp_path: Path
) -> None:
    """Each write appends an event to both plants' logs in turn and keeps one key: they count together."""
    open_plant(store, "Works-2")
    stop, failed = threading.Event(), []

    def write(plant: str, number: int) -> None:
        try:
            count = 0
            while not stop.is_set():
                with store.write(plant) as writer:
                    writer.append(inspection("H1", "A", in_place=True, texts={"note": f"{number}-{count}"}))
                    writer.remember(
                        PERSON, "POST", plant, f"{number}-{count}", "digest", {"plant": plant}, NOW
                    )
                count += 1
        except errors.ServiceError as error:
            failed.append(error)

    writers = [threading.Thread(target=write, args=(f"Works-{1 + at % 2}", at)) for at in range(4)]
    for writer in writers:
        writer.start()
    try:
        files = [made(store, tmp_path, f"backup-{at}.zip") for at in range(3)]
    finally:
        stop.set()
        for writer in writers:
            writer.join()
    assert failed == []
    sizes = []
    for file in files:
        manifest = manifest_of(file)
        by_plant = {log.plant: log.size for log in manifest.logs}
        lines = members_of(file)["tables/idempotency_keys.ndjson"].splitlines()
        keys = [json.loads(json.loads(line)["answer"]) for line in lines]
        for plant in ("Works-1", "Works-2"):
            assert by_plant[plant] == sum(key["plant"] == plant for key in keys)
        sizes.append(sum(log.size for log in manifest.logs))
    assert sizes == sorted(set(sizes)), "nothing was written meanwhile"
    here.restored(files[-1], public_keys=keys_of(store))
    with here.store() as other:
        assert rebuild(other, write=False) == []


def test_no_later_backup_shows_erased_words(kept: SqlStore, here: Place, tmp_path: Path) -> None:
    erase(kept, "Works-1", 4, "note")
    with kept.write_service() as writer:
        writer.erase_name(PERSON)
    file = made(kept, tmp_path)
    content = b"".join(members_of(file).values())
    assert b"seen" not in content
    assert b"A. Name" not in content
    assert b"misread" in content
    here.restored(file, public_keys=keys_of(kept))
    with here.store() as store:
        assert [row for row in rows(store, "texts") if row["log"] > 0] == [
            row for row in rows(kept, "texts") if row["log"] > 0
        ]
        assert rebuild(store, write=False) == []


def test_words_erased_while_a_backup_is_made_are_left_out(
    kept: SqlStore, here: Place, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    taken = making._Making._one_state

    def then_an_erasure(self: Any, copies: Any) -> Any:
        state = taken(self, copies)
        erase(kept, "Works-1", 4, "note")
        return state

    monkeypatch.setattr(making._Making, "_one_state", then_an_erasure)
    file = made(kept, tmp_path)
    assert not any(b'"seen"' in content for content in members_of(file).values())
    here.restored(file, public_keys=keys_of(kept))
    with here.store() as store:
        assert rebuild(store, write=False) == []


# --- where to ---------------------------------------------------------------------------------------------
def test_a_database_that_holds_logs_is_left_alone(kept: SqlStore, place: Place, tmp_path: Path) -> None:
    file = made(kept, tmp_path)
    migrate(place.settings)
    with place.store() as store:
        before = rows(store, "events")
    with pytest.raises(errors.Conflict, match="holds logs already"):
        place.restored(file, public_keys=keys_of(kept))
    with place.store() as store:
        assert rows(store, "events") == before


def test_a_restore_that_fails_half_way_leaves_nothing_and_can_be_repeated(
    kept: SqlStore, place: Place, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = made(kept, tmp_path)

    def failing(*_: Any) -> Any:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr("service.persistence.restore._Restoring._declare", failing)
        with pytest.raises(errors.StoreFull):
            place.restored(file, public_keys=keys_of(kept))
    assert place.is_untouched()
    place.restored(file, public_keys=keys_of(kept))
    with place.store() as store:
        assert rebuild(store, write=False) == []


# --- the drill ----------------------------------------------------------------------------------------------
def test_the_drill(kept: SqlStore, settings: Settings, place: Place, tmp_path: Path) -> None:
    """Back up while writing, destroy the database, restore to the other engine, verify, go on writing."""
    stop, acknowledged = threading.Event(), []

    def write() -> None:
        while not stop.is_set():
            acknowledged.extend(append(kept, "Works-1", inspection("H1", "A", in_place=True)))

    writer = threading.Thread(target=write)
    writer.start()
    try:
        file = made(kept, tmp_path)
    finally:
        stop.set()
        writer.join()
    keys = keys_of(kept)
    folder = settings.witness_directory
    kept.close()
    if settings.sqlite_file is not None:
        settings.sqlite_file.unlink()
    target = settings_for(place.settings.database_url, settings.data_directory)
    fresh = Place(target)
    held = manifest_of(file).logs[1].size
    if held <= acknowledged[-1]:
        with pytest.raises(LossNotDeclared):
            fresh.restored(file)
    done = fresh.restored(file, declared=WORDS)
    assert bool(done.losses) == (held <= acknowledged[-1])
    migrate(target)
    with fresh.store() as store:
        assert rebuild(store, write=False) == []
        [sequence] = append(store, "Works-1", inspection("H1", "A", in_place=True))
        assert sequence == held + (1 if done.losses else 0)
        with store.read("Works-1") as reader:
            end, origin, log_id = reader.checkpoint(), reader.origin, reader.log_id
        assert end is not None
        assert open_checkpoint(end.note, [verifier.VerifierKey(origin, key) for key in keys]).size == end.size
        assert (folder / f"{log_id}.checkpoint").read_bytes() == end.note
