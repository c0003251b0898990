"""Making a backup while the service goes on: one consistent state of both the logs and what is beside them.

One read transaction sees where each log ends and copies what is kept beside the logs. It is as short
as that. The logs themselves never change behind their ends, so that they are read afterwards, up to
those ends, in short transactions of a chunk each. Words erased meanwhile are left out.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from contextlib import AbstractContextManager, ExitStack, contextmanager
from datetime import datetime
from pathlib import Path
from typing import IO, Any, Final

import orjson
from sqlalchemy import Connection, Row, Table, select, tuple_

from service.config import Settings, service_version
from service.domain.ports import StoredCheckpoint
from service.errors import ConfigurationError, LogCorrupt, StoreBusy
from service.ledger import exports
from service.ledger.hashing import leaf_hash
from service.persistence import backup_format as form
from service.persistence.faults import translated
from service.persistence.identifiers import comparable
from service.persistence.log_reading import Head, StoredLog, fault_text
from service.persistence.store import CHUNK, SqlStore, open_store
from service.persistence.tables import checkpoints, logs

_COPY_IN_MEMORY: Final = 16 * 1024 * 1024
_COMPRESSION: Final = 3
_BLOCK: Final = 1024 * 1024


def back_up(source: Settings | SqlStore, file: Path, now: datetime) -> form.Manifest:
    """Writes a backup to a new file of mode 0600, which appears under its name once it is whole and on disk.

    Args:
        source: an open store, or the settings to open one by
        file: where to; must not exist
        now: stated in the backup as the time of its state

    Returns:
        what the backup holds

    Raises:
        ConfigurationError: the file exists or cannot be made there
        StoreBusy: the store cannot be read, or a log has events without a signed checkpoint
        StoreFull: there is no room for the file
        LogCorrupt: a log disagrees with its signed checkpoint; facts `plant`, `position` and `reason`
    """
    if isinstance(source, SqlStore):
        return _back_up(source, file, now)
    store = open_store(source)
    try:
        return _back_up(store, file, now)
    finally:
        store.close()


def _back_up(store: SqlStore, file: Path, now: datetime) -> form.Manifest:
    with new_file(file) as target, zipfile.ZipFile(target, "w") as archive:
        return _Making(store, archive, now).run()


@contextmanager
def new_file(file: Path) -> Iterator[IO[bytes]]:
    """A file of mode 0600 under another name, which takes its own once it was left without an error.

    Raises:
        ConfigurationError: it is there already, or cannot be made in that folder
    """
    taken = ConfigurationError(f"{file} is there already, and is not replaced.", given=str(file))
    if file.exists():
        raise taken
    try:
        descriptor, name = tempfile.mkstemp(prefix=f".{file.name}.", suffix=".partial", dir=file.parent)
    except OSError as error:
        raise ConfigurationError(
            f"{file} cannot be made.", given=str(file), accepted="a folder that may be written to"
        ) from error
    made = Path(name)
    try:
        with translated(), open(descriptor, "w+b") as target:
            yield target
            target.flush()
            os.fsync(descriptor)
        try:
            os.link(made, file)  # unlike a rename, this never replaces what came there meanwhile
        except FileExistsError:
            raise taken from None
        except OSError:  # a file system without links
            with translated():
                made.rename(file)
        _keep_names(file.parent)
    finally:
        made.unlink(missing_ok=True)


def _keep_names(folder: Path) -> None:
    """Has the folder's entries on disk."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


class _Making:
    """One backup as it is made."""

    def __init__(self, store: SqlStore, archive: zipfile.ZipFile, now: datetime) -> None:
        self._store = store
        self._archive = archive
        self._now = now
        self._members: list[form.Member] = []

    def run(self) -> form.Manifest:
        """Writes every member and returns the manifest."""
        with ExitStack() as open_copies:
            ends, copies = self._one_state(open_copies)
            for table, copy in copies:
                self._write(form.table_member(table), _blocks(copy))
        manifest = form.Manifest(
            log_origin=self._store.signing.log_origin,
            service_version=service_version(),
            made_at=comparable(self._now),
            logs=tuple(self._log(end) for end in ends),
            members=tuple(self._members),
        )
        content = manifest.as_bytes()
        text = form.note_text(manifest.log_origin, hashlib.sha256(content).hexdigest())
        self._write(form.MANIFEST, [content])
        self._write(form.MANIFEST_NOTE, [self._store.signed(text, form.note_name(manifest.log_origin))])
        return manifest

    # --- one state --------------------------------------------------------------------------------------
    def _one_state(self, open_copies: ExitStack) -> tuple[list[Head], list[tuple[Table, IO[bytes]]]]:
        """Where each log ends, the service's first, and a copy of each table beside them, of one instant.

        The copies go to memory or a temporary file uncompressed: nothing slow is done meanwhile.
        """
        copies: list[tuple[Table, IO[bytes]]] = []
        with self._store.read_service() as service:
            connection = service.connection
            plants = connection.execute(select(logs.c.plant).order_by(logs.c.log)).scalars().all()
            ends = [self._store.head(connection, plant) for plant in plants]
            for table in form.SIDE_TABLES:
                copies.append((table, open_copies.enter_context(_copy(connection, table))))
        return sorted(ends, key=lambda end: (end.plant is not None, end.log)), copies

    # --- one log ------------------------------------------------------------------------------------------
    def _log(self, end: Head) -> form.BackedLog:
        with self._reading(end.plant) as log:
            signed = log.checkpoint(end.next_sequence)
        if signed is None:
            raise StoreBusy(
                f"The log of {end.plant or 'the service'} has events without a signed checkpoint; "
                "run `migrate` or write to it once.",
                plant=end.plant,
            )
        self._write(form.events_member(end.log_id), self._events(end, signed))
        self._write(form.checkpoints_member(end.log_id), self._checkpoints(end))
        return form.BackedLog(
            number=end.log,
            log_id=end.log_id,
            plant=end.plant,
            origin=end.origin,
            size=end.next_sequence,
            root=signed.root,
            last_recorded_at=end.last_recorded_at,
            fault=None if end.fault is None else fault_text(end.fault),
        )

    def _events(self, end: Head, signed: StoredCheckpoint) -> Iterator[bytes]:
        """The log as an export: events, what is beside them, the trailer. Its root is the signed one's."""
        rows = exports.RowTally()
        while rows.size < end.next_sequence:
            yield b"".join(self._chunk(end, rows))
        if rows.root() != signed.root:
            raise LogCorrupt(
                "The events differ from their signed checkpoint.",
                plant=end.plant,
                position=None,
                reason="altered",
            )
        text = exports.seal_text(end.origin, signed.size, 0, rows.size, signed.root, "{}")
        yield exports.trailer_line(signed.note, self._store.signed(text, end.origin), rows)

    def _chunk(self, end: Head, rows: exports.RowTally) -> Iterator[bytes]:
        start = rows.size
        stop = min(start + CHUNK, end.next_sequence)
        with self._reading(end.plant) as log:
            words: dict[int, list[bytes]] = {}
            for kept in log.kept_texts(start, stop):
                line = exports.text_line(kept.sequence, kept.field, kept.salt, kept.text.encode("utf-8"))
                words.setdefault(kept.sequence, []).append(line)
            for sequence, body in enumerate(log.bodies(start, stop), start):
                rows.append(leaf_hash(body))
                yield body + b"\n"
                digest = _named_document(body, sequence, end.plant)
                if digest is not None:
                    yield exports.document_line(digest, *_document(log, digest, sequence, end.plant))
                yield from words.get(sequence, ())

    def _checkpoints(self, end: Head) -> Iterator[bytes]:
        size = -1
        while True:
            with self._reading(end.plant) as log:
                rows = log.connection.execute(
                    select(checkpoints)
                    .where(
                        checkpoints.c.log == end.log,
                        checkpoints.c.size > size,
                        checkpoints.c.size <= end.next_sequence,
                    )
                    .order_by(checkpoints.c.size)
                    .limit(CHUNK)
                ).all()
            if not rows:
                return
            yield b"".join(form.checkpoint_line(row.size, row.root, row.note, row.made_at) for row in rows)
            size = rows[-1].size

    def _reading(self, plant: str | None) -> AbstractContextManager[StoredLog]:
        """A short read of one log."""
        return self._store.read_service() if plant is None else self._store.read(plant)

    # --- members --------------------------------------------------------------------------------------------
    def _write(self, name: str, parts: Iterable[bytes]) -> None:
        info = zipfile.ZipInfo(name, self._now.timetuple()[:6])
        info.compress_type = zipfile.ZIP_DEFLATED
        info.external_attr = 0o600 << 16
        digest, size = hashlib.sha256(), 0
        with self._archive.open(info, "w", force_zip64=True) as target:
            for part in parts:
                target.write(part)
                digest.update(part)
                size += len(part)
        self._members.append(form.Member(name, size, digest.hexdigest()))


def _copy(connection: Connection, table: Table) -> IO[bytes]:
    """The lines of a table's rows, in a temporary file."""
    copy: Any = tempfile.SpooledTemporaryFile(_COPY_IN_MEMORY)  # noqa: SIM115
    for rows in _rows(connection, table):
        copy.writelines(form.row_line(table, row) for row in rows)
    copy.seek(0)
    return copy


def _blocks(source: IO[bytes]) -> Iterator[bytes]:
    while block := source.read(_BLOCK):
        yield block


def _rows(connection: Connection, table: Table) -> Iterator[Sequence[Row[Any]]]:
    """Every row of a table by its primary key, in chunks, so that no statement takes long."""
    key = list(table.primary_key)
    query = select(table).order_by(*key).limit(CHUNK)
    rows = connection.execute(query).all()
    while rows:
        yield rows
        last = [getattr(rows[-1], column.name) for column in key]
        rows = connection.execute(query.where(tuple_(*key) > tuple_(*last))).all()


def _named_document(body: bytes, sequence: int, plant: str | None) -> str | None:
    """Digest of the document that an event names, or None."""
    try:
        digest: str | None = orjson.loads(body)["data"].get("document_sha256")
    except (orjson.JSONDecodeError, KeyError, TypeError, AttributeError) as error:
        raise LogCorrupt("An entry is no event.", plant=plant, position=sequence, reason="altered") from error
    return digest


def _document(log: StoredLog, digest: str, sequence: int, plant: str | None) -> tuple[str, bytes]:
    found = log.document(digest)
    if found is None:
        raise LogCorrupt(
            "A document that the log names is not there.", plant=plant, position=sequence, reason="document"
        )
    return found
