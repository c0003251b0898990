"""Loading one log of a verified backup: rows of the log, its tree, and the projections that follow."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any, Final

import orjson
from sqlalchemy import Connection, insert, update

from service.canonical import parse_canonical
from service.domain.events import Event
from service.ledger.hashing import leaf_hash
from service.ledger.verifier import Frontier
from service.persistence.appending import full_document
from service.persistence.backup_checking import BESIDE, GREATEST_LINE, checkpoint_rows
from service.persistence.backup_format import BackedLog, BackupRefused, events_member
from service.persistence.backup_reading import Backup
from service.persistence.entry_checks import event_columns, word_digests
from service.persistence.folding import FoldTable
from service.persistence.log_reading import Head, StoredLog
from service.persistence.projector import Projector
from service.persistence.tables import checkpoints, documents, events, logs, texts, tree_hashes

CHUNK: Final = 500


@dataclass
class _Entry:
    """One event of the backup with what stands behind it. words: field -> (salt, text), of those left."""

    body: bytes
    event: Event
    document: tuple[str, str, bytes] | None = None  # digest, media type, content
    words: dict[str, tuple[bytes, bytes]] = field(default_factory=dict)


def load_log(connection: Connection, backup: Backup, log: BackedLog, folds: FoldTable) -> None:
    """Puts a log, checked before, into the empty tables, with its tree and its projections.

    connection: in the transaction of the restore.

    Raises:
        BackupRefused: the file is no longer what was checked
    """
    connection.execute(
        insert(logs),
        {
            "log": log.number,
            "log_id": log.log_id,
            "kind": "service" if log.plant is None else "plant",
            "plant": log.plant,
            "plant_key": None if log.plant is None else log.plant.casefold(),
            "next_sequence": 0,
            "last_recorded_at": None,
            "origin": log.origin,
            "frontier": b"",
            "frontier_size": 0,
        },
    )
    loading = _Loading(connection, log, folds)
    for chunk in chunks(_entries(backup.lines(events_member(log.log_id), GREATEST_LINE))):
        loading.take(chunk)
    loading.finish()
    for rows in chunks(checkpoint_rows(backup, log)):
        connection.execute(insert(checkpoints), [{"log": log.number, **row} for row in rows])


class _Loading:
    """One log as it is loaded."""

    def __init__(self, connection: Connection, log: BackedLog, folds: FoldTable) -> None:
        self._connection = connection
        self._number = number = log.number
        self._log = log
        self._tree = Frontier()
        self._recorded_at: str | None = None
        self._documents: set[str] = set()
        head = Head(number, log.log_id, log.plant, log.size, None, log.origin, None, None, None)
        self._stored = StoredLog(connection, head)
        self._projector = None if log.plant is None else Projector(connection, number, log.plant, folds)

    def take(self, chunk: list[_Entry]) -> None:
        """The rows of some events, then what follows from each."""
        hashes: list[dict[str, Any]] = []
        rows = [self._event_row(entry, hashes) for entry in chunk]
        self._connection.execute(insert(events), rows)
        self._insert(documents, [row for entry in chunk for row in self._document_rows(entry)])
        self._insert(texts, [row for entry in chunk for row in self._text_rows(entry)])
        self._insert(tree_hashes, hashes)
        for entry in chunk:
            if (entry.document is None) != ("document_sha256" not in entry.event.data):
                raise BackupRefused(
                    f"the log of {self._log.name} at position {entry.event.sequence}: the document that the "
                    "event names is not in the backup"
                )
            if self._projector is not None:
                self._project(self._projector, entry)

    def finish(self) -> None:
        """The log's row. BackupRefused when the tree is another than the manifest's."""
        if (self._tree.size, self._tree.root()) != (self._log.size, self._log.root):
            raise BackupRefused(f"the log of {self._log.name} is no longer what was checked")
        self._connection.execute(
            update(logs)
            .where(logs.c.log == self._number)
            .values(
                next_sequence=self._tree.size,
                last_recorded_at=self._recorded_at,
                frontier=self._tree.as_bytes(),
                frontier_size=self._tree.size,
            )
        )

    def _insert(self, table: Any, rows: list[dict[str, Any]]) -> None:
        if rows:
            self._connection.execute(insert(table), rows)

    def _event_row(self, entry: _Entry, hashes: list[dict[str, Any]]) -> dict[str, Any]:
        digest = leaf_hash(entry.body)
        for level, position, hashed in self._tree.append(digest):
            hashes.append({"log": self._number, "level": level, "position": position, "hash": hashed})
        self._recorded_at = entry.event.recorded_at
        return {
            "log": self._number,
            "sequence": entry.event.sequence,
            **event_columns(entry.event),
            "body": entry.body,
            "leaf_hash": digest,
        }

    def _document_rows(self, entry: _Entry) -> Iterator[dict[str, Any]]:
        if entry.document is None or entry.document[0] in self._documents:
            return
        digest, media_type, content = entry.document
        self._documents.add(digest)
        yield {"log": self._number, "sha256": digest, "media_type": media_type, "bytes": content}

    def _text_rows(self, entry: _Entry) -> Iterator[dict[str, Any]]:
        """A row for each digest of words: those erased before the backup have neither words nor salt."""
        for name in word_digests(entry.event):
            salt, text = entry.words.get(name, (None, None))
            yield {
                "log": self._number,
                "sequence": entry.event.sequence,
                "field": name,
                "salt": salt,
                "text": text,
            }

    def _project(self, projector: Projector, entry: _Entry) -> None:
        event = entry.event
        beside = None if entry.document is None else entry.document[2]
        plan = projector.plan(
            event,
            full_document(event.data, beside),
            lambda: self._stored.subject_events(event.subject, event.sequence),
        )
        projector.apply(plan)


def _entries(lines: Iterable[bytes]) -> Iterator[_Entry]:
    """Each event with the lines that stand behind it. The lines were verified before."""
    entry: _Entry | None = None
    for line in lines:
        if not line.startswith(BESIDE):
            if entry is not None:
                yield entry
            entry = _Entry(line, Event.from_document(parse_canonical(line), leaf_hash(line).hex()))
            continue
        kind, stated = next(iter(orjson.loads(line).items()))
        if entry is not None and kind == "document":
            content = base64.b64decode(stated["base64"], validate=True)
            entry.document = (stated["sha256"], stated["media_type"], content)
        elif entry is not None and kind == "text":
            salt, text = bytes.fromhex(stated["salt"]), stated["text"].encode("utf-8")
            entry.words[stated["field"]] = (salt, text)
    if entry is not None:
        yield entry


def chunks(rows: Iterable[Any]) -> Iterator[list[Any]]:
    """The rows in lists of 500 at most."""
    chunk: list[Any] = []
    for row in rows:
        chunk.append(row)
        if len(chunk) == CHUNK:
            yield chunk
            chunk = []
    if chunk:
        yield chunk
