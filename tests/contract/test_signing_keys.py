"""Keys that sign: made once, added and retired as events, both signing while there are two."""

from __future__ import annotations

import hashlib
import stat
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import load_pem_private_key
from sqlalchemy import text

from service import errors
from service.config import Settings
from service.domain.ports import SigningKey
from service.ledger.notes import new_private_key_pem
from service.ledger.verifier import Refused, VerifierKey, open_checkpoint
from service.persistence import signing
from service.persistence.migrate import migrate
from service.persistence.signing import add_key, retire_key
from service.persistence.soundness import examine
from service.persistence.store import SqlStore, open_store
from service.persistence.verify import verify_logs
from tests.contract.acts import Clock, append, line_record, plant_record, settings_for


def known(store: SqlStore) -> list[SigningKey]:
    with store.read_service() as service:
        return list(service.known_keys())


def key_events(store: SqlStore) -> list[tuple[str, str]]:
    with store.read_service() as service:
        return [(event.type, event.data["public_key"]) for event in service.subject_events("service/keys")]


def in_file(settings: Settings) -> list[str]:
    """Public keys of the file, block by block."""
    blocks = settings.signing_key_file.read_bytes().split(b"-----END PRIVATE KEY-----")[:-1]
    keys = [load_pem_private_key(block + b"-----END PRIVATE KEY-----\n", None) for block in blocks]
    assert all(isinstance(key, Ed25519PrivateKey) for key in keys)
    return [key.public_key().public_bytes_raw().hex() for key in keys]


def signers_of(store: SqlStore, *keys: str, size: int | None = None) -> list[bool]:
    """Whether each of the keys alone opens the newest checkpoint of Works-1, or the one of a size."""
    with store.read("Works-1") as reader:
        found = reader.checkpoint(size)
        origin = reader.origin
    assert found is not None

    def opens(key: str) -> bool:
        try:
            return open_checkpoint(found.note, [VerifierKey(origin, bytes.fromhex(key))]).size == found.size
        except Refused as refused:
            assert refused.reason == "wrong-key"
            return False

    return [opens(key) for key in keys]


def test_the_first_key_is_made_by_migration_and_listed_by_an_event(
    store: SqlStore, settings: Settings
) -> None:
    [key] = known(store)
    assert in_file(settings) == [key.public_key]
    assert stat.S_IMODE(settings.signing_key_file.stat().st_mode) == 0o600
    assert key == SigningKey(key.public_key, "2026-05-04T06:00:00.000000Z", None)
    assert key_events(store) == [("signing-key-added", key.public_key)]
    with store.read_service() as service:
        stored = service.event(0)
    assert stored is not None
    assert (stored.event.actor, stored.event.role) == ("pr_00000000000000000000000000", "administrator")


def test_no_private_key_is_in_the_database(store: SqlStore, settings: Settings) -> None:
    key = load_pem_private_key(settings.signing_key_file.read_bytes(), None)
    assert isinstance(key, Ed25519PrivateKey)
    secret = key.private_bytes_raw()
    append(store, "Works-1", plant_record())
    names = "SELECT name FROM sqlite_master WHERE type = 'table'"
    if store.engine.dialect.name == "postgresql":
        names = "SELECT table_name FROM information_schema.tables WHERE table_schema = 'public'"
    with store.engine.connect() as connection:
        for name in connection.execute(text(names)).scalars().all():
            rows = repr(connection.execute(text(f'SELECT * FROM "{name}"')).all())
            assert secret.hex() not in rows
            assert repr(secret)[2:-1] not in rows


def test_while_there_are_two_keys_both_sign_every_note(store: SqlStore, settings: Settings) -> None:
    [first] = known(store)
    append(store, "Works-1", plant_record())
    added = add_key(settings)
    assert in_file(settings) == [first.public_key, added.public_key]
    assert stat.S_IMODE(settings.signing_key_file.stat().st_mode) == 0o600
    assert signers_of(store, first.public_key, added.public_key) == [True, False]
    # The store that was open all the while signs with both from its next write on.
    append(store, "Works-1", line_record("A"))
    assert signers_of(store, first.public_key, added.public_key) == [True, True]
    assert [key.public_key for key in known(store) if key.until is None] == [
        first.public_key,
        added.public_key,
    ]
    assert verify_logs(store)
    assert examine(store, full=True) == []


def test_a_retired_key_signs_no_more_and_stays_listed_with_its_time(
    store: SqlStore, settings: Settings
) -> None:
    [first] = known(store)
    append(store, "Works-1", plant_record())
    added = add_key(settings)
    append(store, "Works-1", line_record("A"))
    retired = retire_key(settings, first.public_key[:8].upper())
    assert retired.public_key == first.public_key
    assert retired.until is not None
    assert in_file(settings) == [added.public_key]
    append(store, "Works-1", line_record("B"))
    assert signers_of(store, first.public_key, added.public_key) == [False, True]
    assert signers_of(store, first.public_key, added.public_key, size=1) == [True, False]
    assert known(store) == [retired, added] or known(store) == [added, retired]
    assert key_events(store) == [
        ("signing-key-added", first.public_key),
        ("signing-key-added", added.public_key),
        ("signing-key-retired", first.public_key),
    ]
    # Old notes verify still, by the key that is listed as past.
    assert examine(store, full=True) == []


def test_the_event_that_lists_a_key_is_signed_by_a_key_known_before(
    store: SqlStore, settings: Settings
) -> None:
    [first] = known(store)
    added = add_key(settings)
    with store.read_service() as service:
        found, origin = service.checkpoint(), service.origin
    assert found is not None
    assert (
        open_checkpoint(found.note, [VerifierKey(origin, bytes.fromhex(first.public_key))]).size == found.size
    )
    with pytest.raises(Refused):
        open_checkpoint(found.note, [VerifierKey(origin, bytes.fromhex(added.public_key))])


def test_the_only_key_cannot_be_retired(store: SqlStore, settings: Settings) -> None:
    [first] = known(store)
    with pytest.raises(errors.Conflict):
        retire_key(settings, first.public_key)
    assert in_file(settings) == [first.public_key]
    assert known(store) == [first]


@pytest.mark.parametrize("key_id", ["", "0123456", "f" * 64, "no hex at all"])
def test_an_id_that_names_no_key_retires_none(store: SqlStore, settings: Settings, key_id: str) -> None:
    add_key(settings)
    before = in_file(settings)
    with pytest.raises(errors.NotFound):
        retire_key(settings, key_id)
    assert in_file(settings) == before


def test_a_key_retired_already_is_not_found(store: SqlStore, settings: Settings) -> None:
    [first] = known(store)
    add_key(settings)
    retire_key(settings, first.public_key)
    with pytest.raises(errors.NotFound):
        retire_key(settings, first.public_key)


def test_an_addition_cut_short_before_the_file_leaves_the_log_signed_as_before(
    store: SqlStore, settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    [first] = known(store)

    def dies(*given: Any) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(signing, "replace_file", dies)
        with pytest.raises(KeyboardInterrupt):
            add_key(settings)
    append(store, "Works-1", plant_record())
    assert signers_of(store, first.public_key) == [True]
    [listed] = [key for key in known(store) if key != first]
    assert retire_key(settings, listed.public_key).until is not None
    assert in_file(settings) == [first.public_key]
    append(store, "Works-1", line_record("A"))


def test_a_retirement_cut_short_after_the_file_is_completed_by_the_next(
    store: SqlStore, settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    [first] = known(store)
    added = add_key(settings)

    def busy(self: SqlStore) -> Any:
        raise errors.StoreBusy("no lock")

    with monkeypatch.context() as patch:
        patch.setattr(SqlStore, "write_service", busy)
        with pytest.raises(errors.StoreBusy):
            retire_key(settings, first.public_key)
    append(store, "Works-1", plant_record())
    assert signers_of(store, first.public_key, added.public_key) == [False, True]
    assert retire_key(settings, first.public_key).until is not None
    assert in_file(settings) == [added.public_key]


# --- files that are not the store's ----------------------------------------------------------------------
def put(file: Path, seed: str) -> str:
    """A key file of another key; its public key."""
    pem = new_private_key_pem(hashlib.sha256(seed.encode()).digest())
    file.write_bytes(pem)
    key = load_pem_private_key(pem, None)
    assert isinstance(key, Ed25519PrivateKey)
    return key.public_key().public_bytes_raw().hex()


def test_a_key_that_nobody_listed_signs_nothing(store: SqlStore, settings: Settings, clock: Clock) -> None:
    append(store, "Works-1", plant_record())
    put(settings.signing_key_file, "stranger")
    other = open_store(settings, clock=clock)
    try:
        for each in (store, other):
            with pytest.raises(errors.ConfigurationError):
                append(each, "Works-1", line_record("A"))
    finally:
        other.close()
    with pytest.raises(errors.ConfigurationError) as refusal:
        migrate(settings, clock=clock)
    assert refusal.value.facts["accepted"] == known(store)[0].public_key
    with store.read("Works-1") as reader:
        assert reader.size == 1


def test_a_lost_file_is_not_made_again_by_migration_but_by_adding_a_key(
    store: SqlStore, settings: Settings, clock: Clock
) -> None:
    [first] = known(store)
    settings.signing_key_file.unlink()
    with pytest.raises(errors.ConfigurationError):
        migrate(settings, clock=clock)
    assert not settings.signing_key_file.exists()
    added = add_key(settings)
    assert in_file(settings) == [added.public_key]
    append(store, "Works-1", plant_record())
    assert signers_of(store, first.public_key, added.public_key) == [False, True]
    assert retire_key(settings, first.public_key).until is not None
    migrate(settings, clock=clock)


def test_a_key_put_into_the_file_beside_a_listed_one_is_listed_by_migration(
    store: SqlStore, settings: Settings, clock: Clock
) -> None:
    [first] = known(store)
    before = settings.signing_key_file.read_bytes()
    new = put(settings.signing_key_file, "bought elsewhere")
    settings.signing_key_file.write_bytes(before + settings.signing_key_file.read_bytes())
    with pytest.raises(errors.ConfigurationError):
        append(store, "Works-1", plant_record())
    migrate(settings, clock=clock)
    append(store, "Works-1", plant_record())
    assert signers_of(store, first.public_key, new) == [True, True]


def test_a_retired_key_that_stands_in_a_file_still_is_refused(
    store: SqlStore, settings: Settings, clock: Clock
) -> None:
    [first] = known(store)
    old = settings.signing_key_file.read_bytes()
    add_key(settings)
    both = settings.signing_key_file.read_bytes()
    retire_key(settings, first.public_key)
    for content in (old, both):
        settings.signing_key_file.write_bytes(content)
        with pytest.raises(errors.ConfigurationError):
            migrate(settings, clock=clock)
        other = open_store(settings, clock=clock)
        try:
            with pytest.raises(errors.ConfigurationError):
                append(other, "Works-1", plant_record())
        finally:
            other.close()
    assert [key.until is None for key in sorted(known(store), key=lambda key: key.since)].count(True) == 1


def test_a_given_file_signs_from_the_start_and_is_kept_as_it_is(database_url: str, tmp_path: Path) -> None:
    file = tmp_path / "given.pem"
    key = put(file, "given")
    settings = settings_for(database_url, tmp_path / "data", SIGNING_KEY_FILE=str(file))
    before = file.read_bytes()
    migrate(settings)
    store = open_store(settings)
    try:
        assert [each.public_key for each in known(store)] == [key]
        assert file.read_bytes() == before
        assert not (tmp_path / "data" / "keys" / "log-signing-keys.pem").exists()
    finally:
        store.close()


@pytest.mark.parametrize(
    "database_url", [pytest.param("postgresql", marks=pytest.mark.postgres)], indirect=True
)
def test_a_second_machine_with_keys_of_its_own_is_refused(
    store: SqlStore, settings: Settings, tmp_path: Path
) -> None:
    there = settings_for(settings.database_url, tmp_path / "there")
    with pytest.raises(errors.ConfigurationError) as refusal:
        migrate(there)
    assert refusal.value.facts["variable"] == "SIGNING_KEY_FILE"
    assert not there.signing_key_file.exists()
    assert len(known(store)) == 1
