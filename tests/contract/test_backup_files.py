"""Backups that are not what they should be: refused before anything is made in the database."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from service import errors
from service.ledger.notes import Signer, load_signers, new_private_key_pem
from service.persistence import backup_format as form
from service.persistence import backup_reading
from service.persistence.backup_format import BackupRefused
from service.persistence.migrate import migrate
from service.persistence.store import open_store
from tests.contract.acts import Clock, open_plant, settings_for
from tests.contract.keeping import (
    Change,
    Place,
    added,
    changed,
    fill,
    made,
    members_of,
    new_place,
    replaced,
    without_line,
)


@dataclass
class Backup:
    """A backup, the keys that signed it, and the data folder of the service that made it."""

    file: Path
    signers: tuple[Signer, ...]
    data: Path

    @property
    def keys(self) -> tuple[bytes, ...]:
        return tuple(signer.public_key for signer in self.signers)


@pytest.fixture(scope="module")
def backup(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Backup]:
    folder = tmp_path_factory.mktemp("backup")
    settings = settings_for(f"sqlite:///{folder / 'service.sqlite3'}", folder / "data")
    migrate(settings)
    with closing(open_store(settings, clock=Clock())) as store:
        open_plant(store, "Works-1")
        file = made(fill(store), folder)
        yield Backup(file, store.key_file.signers(), settings.data_directory)


@pytest.fixture
def here(tmp_path: Path) -> Place:
    return new_place(tmp_path, "here")


def refusal(place: Place, file: Path, keys: tuple[bytes, ...]) -> str:
    """What the restore says of a file that it refuses, before anything is in the database."""
    with pytest.raises(BackupRefused) as refused:
        place.restored(file, public_keys=keys)
    assert place.is_untouched()
    return str(refused.value)


def test_the_backup_that_the_changes_start_from_is_taken(backup: Backup, here: Place) -> None:
    assert [log.size for log, _ in here.restored(backup.file, public_keys=backup.keys).ends] == [4, 12, 2]


# --- changed by others -------------------------------------------------------------------------------
UNSIGNED: dict[str, tuple[Change, str]] = {
    "event": (
        replaced("events.ndjson", b'"stops_counted":2', b'"stops_counted":4'),
        "signed over",
    ),
    "row": (replaced("principals.ndjson", b"A. Name", b"B. Name"), "signed over"),
    "longer": (replaced("principals.ndjson", b"A. Name", b"A. Name and more"), "longer than"),
    "checkpoint": (replaced("checkpoints.ndjson", b'"size":12', b'"size":13'), "checkpoint"),
    "manifest": (replaced("manifest.json", b'"size":12', b'"size":11'), "not the one that was signed"),
    "note": (replaced("manifest.note", b"/backup\n", b"/backups\n"), "signature"),
    "no-note": (lambda members: members.update({form.MANIFEST_NOTE: b""}), "signature"),
    "gone": (lambda members: members.pop("tables/tokens.ndjson"), "both in the file and in its manifest"),
    "extra-table": (added("tables/extras.ndjson"), "both in the file and in its manifest"),
    "path": (added("../../outside"), "no backup has"),
    "absolute": (added("/etc/passwd"), "no backup has"),
    "folder": (added("tables/"), "no backup has"),
    "no-manifest": (lambda members: members.pop(form.MANIFEST), "manifest.json is missing"),
}


@pytest.mark.parametrize("name", UNSIGNED)
def test_a_backup_changed_by_others_is_refused(
    backup: Backup, here: Place, tmp_path: Path, name: str
) -> None:
    change, words = UNSIGNED[name]
    assert words in refusal(here, changed(backup.file, tmp_path, change), backup.keys)


def test_a_backup_signed_by_a_stranger_is_refused(backup: Backup, here: Place, tmp_path: Path) -> None:
    stranger = load_signers(new_private_key_pem(b"s" * 32))
    assert "signature" in refusal(here, backup.file, (stranger[0].public_key,))
    file = changed(backup.file, tmp_path, replaced("principals.ndjson", b"A. Name", b"B. Name"), stranger)
    assert "signature" in refusal(here, file, backup.keys)


@pytest.mark.parametrize("share", [0.0, 0.3, 0.9, 0.999])
def test_a_backup_cut_off_anywhere_is_refused(
    backup: Backup, here: Place, tmp_path: Path, share: float
) -> None:
    content = backup.file.read_bytes()
    file = tmp_path / "cut.zip"
    file.write_bytes(content[: int(len(content) * share)])
    refusal(here, file, backup.keys)


def test_no_byte_of_a_backup_can_be_changed_unseen(backup: Backup, tmp_path: Path) -> None:
    """Two hundred places all over the file: refused, or a bit that ZIP itself does not read."""
    content = backup.file.read_bytes()
    right = members_of(backup.file)
    file = tmp_path / "bits.zip"
    refused = 0
    places = range(0, len(content), max(1, len(content) // 200))
    for at in places:
        file.write_bytes(content[:at] + bytes([content[at] ^ 0x40]) + content[at + 1 :])
        try:
            with backup_reading.open_backup(file, backup.keys) as opened:
                for member in opened.manifest.members:
                    lines = list(opened.lines(member.name, 10_000_000))
                    assert b"".join(line + b"\n" for line in lines) == right[member.name]
        except BackupRefused:
            refused += 1
    assert refused > 0.8 * len(places)


# --- signed, and still no true log ------------------------------------------------------------------------
SIGNED: dict[str, tuple[Change, str]] = {
    "event": (
        replaced("events.ndjson", b'"stops_counted":2', b'"stops_counted":4'),
        "at position 4: altered",
    ),
    "missing": (without_line("events.ndjson", b'"type":"adjuster-turned"'), "at position 5"),
    "cut-off": (without_line("events.ndjson", b'{"trailer":'), "cut-off"),
    "words": (replaced("events.ndjson", b'"text":"seen"', b'"text":"sxen"'), "text"),
    "document": (replaced("events.ndjson", b'"base64":"eyJl', b'"base64":"eyJm'), "document"),
    "document-gone": (without_line("events.ndjson", b'{"document":{"base64"'), "document"),
    "checkpoint": (replaced("checkpoints.ndjson", b'"size":12', b'"size":13'), "out of its place"),
    "checkpoint-gone": (without_line("checkpoints.ndjson", b'"size":12'), "no checkpoint at its end"),
    "checkpoint-form": (replaced("checkpoints.ndjson", b'"size":12', b'"size":"many"'), "not of its form"),
    "column": (replaced("principals.ndjson", b'"kind"', b'"kin"'), "other columns"),
    "kind": (replaced("principals.ndjson", b'"person"', b"7"), "another kind"),
    "null": (replaced("principals.ndjson", b'"person"', b"null"), "another kind"),
    "no-json": (replaced("principals.ndjson", b"{", b"["), "no JSON"),
    "no-line": (replaced("principals.ndjson", b"}\n", b"}"), "too long or was cut off"),
    "truth-value": (replaced("webhooks.ndjson", b'"active":true', b'"active":1'), "another kind"),
    "great-number": (
        replaced("webhooks.ndjson", b'"cursor":3', b'"cursor":9223372036854775808'),
        "another kind",
    ),
    "key": (replaced("signing_keys.ndjson", b'"public_key":"', b'"public_key":"zz'), "signing key"),
    "unknown-table": (added("tables/extras.ndjson"), "not known to this release"),
    "no-log": (
        lambda members: members.pop(next(each for each in members if each.endswith("events.ndjson"))),
        "is missing",
    ),
    "version": (replaced("manifest.json", b'"version":1', b'"version":2'), "format version 2"),
    "format": (replaced("manifest.json", b"release/backup", b"release/other"), "no backup of this service"),
    "size": (replaced("manifest.json", b'"size":12', b'"size":-1'), "lacks a part"),
    "root": (replaced("manifest.json", b'"root":"', b'"root":"AAAA'), "no hash"),
    "twice": (replaced("manifest.json", b'"Works-2"', b'"WORKS-1"'), "names one log twice"),
    "number": (replaced("manifest.json", b'"number":2', b'"number":1'), "names one log twice"),
    "origin": (
        replaced("manifest.json", b'"origin":"hangers.example/log/', b'"origin":"x/log/'),
        "No signature is by a known key",
    ),
    "plant": (replaced("manifest.json", b'"Works-2"', b'"../x"'), "lacks a part"),
}


@pytest.mark.parametrize("name", SIGNED)
def test_what_no_true_backup_holds_is_refused_under_the_right_signature_too(
    backup: Backup, here: Place, tmp_path: Path, name: str
) -> None:
    change, words = SIGNED[name]
    assert words in refusal(here, changed(backup.file, tmp_path, change, backup.signers), backup.keys)


# --- too much of it -----------------------------------------------------------------------------------------
def test_a_bomb_is_not_unpacked(
    backup: Backup, here: Place, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    zeros = bytes(64 * 1024 * 1024)
    read = 0
    original = zipfile.ZipExtFile._read1  # type: ignore[attr-defined]

    def counted(self: Any, n: int) -> bytes:
        nonlocal read
        content: bytes = original(self, n)
        read += len(content)
        return content

    monkeypatch.setattr(zipfile.ZipExtFile, "_read1", counted)
    bomb = changed(backup.file, tmp_path, lambda members: members.update({form.MANIFEST: zeros}))
    read = 0
    assert "too long" in refusal(here, bomb, backup.keys)
    assert 0 < read <= form.GREATEST_MANIFEST + 1_000_000
    for signers, words in (
        (None, "longer than the manifest says"),
        (backup.signers, "too long or was cut off"),
    ):
        bomb = changed(
            backup.file, tmp_path, lambda members: members.update({"tables/tokens.ndjson": zeros}), signers
        )
        read = 0
        assert words in refusal(here, bomb, backup.keys)
        assert 0 < read <= form.GREATEST_ROW + 2_000_000


def test_a_directory_of_countless_members_is_not_parsed(here: Place, tmp_path: Path) -> None:
    file = tmp_path / "many.zip"
    with zipfile.ZipFile(file, "w") as archive:
        for number in range(form.MOST_MEMBERS + 1):
            archive.writestr(f"tables/t{number}", b"")
    assert "more members than any backup" in refusal(here, file, (b"k" * 32,))


def test_a_directory_that_states_its_size_beyond_32_bits_is_not_parsed_either(
    backup: Backup, here: Place, tmp_path: Path
) -> None:
    """The record of 64 bits (ZIP64) counts where the short one says so."""
    content = bytearray(backup.file.read_bytes())
    end = len(content) - 22
    content[end + 8 : end + 12] = b"\xff\xff\xff\xff"  # both counts of entries
    count = (10**9).to_bytes(8, "little")
    record = b"PK\x06\x06" + (44).to_bytes(8, "little") + bytes(12) + 3 * count + bytes(8)
    place = b"PK\x06\x07" + bytes(4) + end.to_bytes(8, "little") + bytes(4)
    file = tmp_path / "long.zip"
    file.write_bytes(bytes(content[:end]) + record + place + bytes(content[end:]))
    assert "more members than any backup" in refusal(here, file, backup.keys)


def test_two_members_of_one_name_are_refused(backup: Backup, here: Place, tmp_path: Path) -> None:
    file = tmp_path / "twice.zip"
    file.write_bytes(backup.file.read_bytes())
    with pytest.warns(UserWarning, match="Duplicate"), zipfile.ZipFile(file, "a") as archive:
        archive.writestr("tables/tokens.ndjson", b"")
    assert "two members of one name" in refusal(here, file, backup.keys)


NO_ZIP = (b"", b"PK", b"no zip at all" * 10, b"PK\x05\x06" + bytes(18), bytes(100))


@pytest.mark.parametrize("content", NO_ZIP)
def test_what_is_no_zip_file_is_refused(here: Place, tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "file.zip"
    file.write_bytes(content)
    refusal(here, file, (b"k" * 32,))


def test_members_packed_otherwise_are_refused(backup: Backup, here: Place, tmp_path: Path) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_LZMA) as archive:
        for name, content in members_of(backup.file).items():
            archive.writestr(name, content)
    file = tmp_path / "lzma.zip"
    file.write_bytes(packed.getvalue())
    assert "packed in a way" in refusal(here, file, backup.keys)


# --- which keys count ---------------------------------------------------------------------------------------
def test_without_any_key_nothing_is_believed(backup: Backup, here: Place) -> None:
    with pytest.raises(errors.ConfigurationError, match="--key"):
        here.restored(backup.file)
    assert here.is_untouched()


def test_the_key_file_in_its_place_vouches_for_the_backup(backup: Backup, here: Place) -> None:
    own = here.settings.signing_key_file
    own.parent.mkdir(parents=True)
    own.write_bytes((backup.data / "keys" / own.name).read_bytes())
    done = here.restored(backup.file)
    assert [end.size for _, end in done.ends] == [log.size for log, _ in done.ends], "a key was listed anew"


def test_a_key_given_vouches_and_the_new_machines_own_key_is_listed(backup: Backup, here: Place) -> None:
    done = here.restored(backup.file, public_keys=backup.keys)
    assert [end.size - log.size for log, end in done.ends] == [1, 0, 0]
    with here.store() as store, store.read_service() as service:
        added_key = service.event(service.size - 1)
        assert added_key is not None
        listed = {bytes.fromhex(key.public_key) for key in service.known_keys()}
    assert added_key.event.type == "signing-key-added"
    assert listed == {*backup.keys, bytes.fromhex(added_key.event.data["public_key"])}
    assert here.settings.signing_key_file.stat().st_mode & 0o777 == 0o600
    migrate(here.settings)
