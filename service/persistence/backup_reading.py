"""Reading a backup that may come from anywhere: nothing of it counts before its signature was checked.

Everything read is bounded: the directory of the ZIP file before it is parsed, the manifest, each line,
and each member by the size and digest that the signed manifest states for it. No name in the file is
ever used as a path.
"""

from __future__ import annotations

import hashlib
import os
import struct
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any, Final

from service.ledger.verifier import Refused, VerifierKey, open_note
from service.persistence import backup_format as form
from service.persistence.backup_format import BackupRefused

_END: Final = struct.Struct("<4s4H2LH")  # end of central directory (ZIP application note 4.3.16)
_END_64_PLACE: Final = struct.Struct("<4sLQL")  # 4.3.15
_END_64: Final = struct.Struct("<4sQ2H2L4Q")  # 4.3.14
_GREATEST_DIRECTORY: Final = form.MOST_MEMBERS * 256
_BUFFER: Final = 1024 * 1024
_ENCRYPTED: Final = 0x1
_METHODS: Final = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
_BROKEN: Final = (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, struct.error)


class Backup:
    """An open backup whose manifest is signed by a key that counts."""

    def __init__(self, archive: zipfile.ZipFile, manifest: form.Manifest) -> None:
        self._archive = archive
        self.manifest = manifest
        self._members = {member.name: member for member in manifest.members}

    def has(self, name: str) -> bool:
        """Whether the manifest lists this member."""
        return name in self._members

    def lines(self, name: str, longest: int) -> Iterator[bytes]:
        """The lines of a member without their line breaks.

        longest: bytes of a line at most.

        Raises:
            BackupRefused: it is not the member that the manifest lists; raised at the end at the latest,
                so that nothing read counts before the last line was
        """
        member = self._members.get(name)
        if member is None:
            raise BackupRefused(f"{name} is missing")
        digest, size = hashlib.sha256(), 0
        with _opened(self._archive, name) as source:
            while True:
                try:
                    line = source.readline(longest + 2)
                except _BROKEN as error:
                    raise BackupRefused(f"{name} is damaged") from error
                if not line:
                    break
                size += len(line)
                if size > member.size:
                    raise BackupRefused(f"{name} is longer than the manifest says")
                if not line.endswith(b"\n"):
                    raise BackupRefused(f"{name} has a line that is too long or was cut off")
                digest.update(line)
                yield line[:-1]
        if (size, digest.hexdigest()) != (member.size, member.sha256):
            raise BackupRefused(f"{name} is not the member that the manifest was signed over")


@contextmanager
def open_backup(file: Path, public_keys: Sequence[bytes]) -> Iterator[Backup]:
    """A backup whose manifest one of the keys signed.

    public_keys: Ed25519, 32 bytes each.

    Raises:
        BackupRefused: the file is no ZIP file of that form, or its manifest is signed by none of them
        OSError: the file cannot be read
    """
    with file.open("rb") as source:
        _check_directory(source)
        try:
            archive = zipfile.ZipFile(source)
        except _BROKEN as error:
            raise BackupRefused("the file is no ZIP file, or a damaged one") from error
        with archive:
            _check_entries(archive)
            content = _whole(archive, form.MANIFEST, form.GREATEST_MANIFEST)
            note = _whole(archive, form.MANIFEST_NOTE, form.GREATEST_NOTE)
            log_origin = _check_note(note, content, public_keys)
            manifest = form.parse_manifest(content)
            if manifest.log_origin != log_origin:
                raise BackupRefused("the manifest was signed under another name than its own")
            _check_members(archive, manifest)
            yield Backup(archive, manifest)


# --- the ZIP file ---------------------------------------------------------------------------------------
def _check_directory(source: IO[bytes]) -> None:
    """Looks at the end of the file before the directory is parsed, which would take it into memory whole.

    Raises:
        BackupRefused: the directory is larger than that of any backup
    """
    size = source.seek(0, os.SEEK_END)
    if size < _END.size:
        raise BackupRefused("the file is no ZIP file")
    source.seek(size - _END.size)
    mark, *_, entries, length, _place, comment = _END.unpack(source.read(_END.size))
    if mark != b"PK\x05\x06" or comment:
        raise BackupRefused("the file is no ZIP file, or was cut off")
    if entries == 0xFFFF or length == 0xFFFFFFFF:
        entries, length = _end_64(source, size - _END.size - _END_64_PLACE.size)
    if entries > form.MOST_MEMBERS or length > _GREATEST_DIRECTORY:
        raise BackupRefused("the file has more members than any backup")
    source.seek(0)


def _end_64(source: IO[bytes], place: int) -> tuple[int, int]:
    if place < 0:
        raise BackupRefused("the file is no ZIP file")
    source.seek(place)
    mark, _, offset, _ = _END_64_PLACE.unpack(source.read(_END_64_PLACE.size))
    if mark != b"PK\x06\x07" or offset > place - _END_64.size:
        raise BackupRefused("the file is no ZIP file, or was cut off")
    source.seek(offset)
    mark, *_, entries, length, _ = _END_64.unpack(source.read(_END_64.size))
    if mark != b"PK\x06\x06":
        raise BackupRefused("the file is no ZIP file, or was cut off")
    return int(entries), int(length)


def _check_entries(archive: zipfile.ZipFile) -> None:
    names = [entry.filename for entry in archive.infolist()]
    if len(set(names)) != len(names):
        raise BackupRefused("the file has two members of one name")
    for entry in archive.infolist():
        if not form.is_member(entry.filename):
            raise BackupRefused("the file has a member that no backup has")
        if entry.flag_bits & _ENCRYPTED or entry.compress_type not in _METHODS:
            raise BackupRefused(f"{entry.filename} is packed in a way that no backup is")


@contextmanager
def _opened(archive: zipfile.ZipFile, name: str) -> Iterator[Any]:
    try:
        source = archive.open(name)
    except KeyError:
        raise BackupRefused(f"{name} is missing") from None
    except _BROKEN as error:
        raise BackupRefused(f"{name} is damaged") from error
    with source:
        yield source


def _whole(archive: zipfile.ZipFile, name: str, most: int) -> bytes:
    with _opened(archive, name) as source:
        try:
            content: bytes = source.read(most + 1)
        except _BROKEN as error:
            raise BackupRefused(f"{name} is damaged") from error
    if len(content) > most:
        raise BackupRefused(f"{name} is too long")
    return content


# --- the manifest ---------------------------------------------------------------------------------------
def _check_note(note: bytes, content: bytes, public_keys: Sequence[bytes]) -> str:
    """The log origin under whose name one of the keys signed the manifest."""
    name = note.partition(b"\n")[0].decode("utf-8", "replace")
    try:
        opened = open_note(note, [VerifierKey(name, key) for key in public_keys])
    except Refused as error:
        raise BackupRefused(f"the manifest's signature: {error.detail}") from error
    log_origin = name.removesuffix("/backup")
    if opened.text != form.note_text(log_origin, hashlib.sha256(content).hexdigest()):
        raise BackupRefused("the manifest is not the one that was signed")
    return log_origin


def _check_members(archive: zipfile.ZipFile, manifest: form.Manifest) -> None:
    there = set(archive.namelist()) - {form.MANIFEST, form.MANIFEST_NOTE}
    listed = {member.name for member in manifest.members}
    if there != listed:
        odd = sorted(there ^ listed)[0]
        raise BackupRefused(f"{odd} is not both in the file and in its manifest")
    wanted = {
        member(log.log_id)
        for log in manifest.logs
        for member in (form.events_member, form.checkpoints_member)
    }
    tables = {form.table_member(table) for table in form.SIDE_TABLES}
    if wanted - listed:
        raise BackupRefused(f"{min(wanted - listed)} is missing")
    if listed - wanted - tables:
        raise BackupRefused(f"{min(listed - wanted - tables)} is not known to this release")
