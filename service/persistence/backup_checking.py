"""Checking every byte of a backup before any of it is loaded."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, Final

import orjson
from sqlalchemy import Table

from service.ledger.hashing import leaf_hash
from service.ledger.verifier import (
    Checkpoint,
    Frontier,
    Refused,
    VerifierKey,
    open_checkpoint,
    verify_export,
)
from service.persistence import backup_format as form
from service.persistence.backup_format import BackedLog, BackupRefused
from service.persistence.backup_reading import Backup
from service.persistence.losses import origins
from service.persistence.tables import signing_keys

GREATEST_LINE: Final = 8 * 1024 * 1024  # a document of 4 MiB in Base 64
BESIDE: Final = (b'{"document":', b'{"text":', b'{"trailer":')
_GREATEST_CHECKPOINT: Final = 1_100_000


def check_tables(backup: Backup) -> list[bytes]:
    """Looks at every row beside the logs.

    Returns:
        the public keys that sign or have signed the logs, 32 bytes each, as the backup lists them

    Raises:
        BackupRefused: a row is none of its table
    """
    keys: list[bytes] = []
    for table in form.SIDE_TABLES:
        for row in rows_of(backup, table):
            if table is signing_keys:
                keys.append(_key(row["public_key"]))
    return keys


def rows_of(backup: Backup, table: Table) -> Iterator[dict[str, Any]]:
    """The rows of a table in a backup; none where the backup is of a release before the table."""
    name = form.table_member(table)
    if backup.has(name):
        for line in backup.lines(name, form.GREATEST_ROW):
            yield form.row_values(table, line)


def _key(text: str) -> bytes:
    try:
        key = bytes.fromhex(text)
    except ValueError:
        key = b""
    if len(key) != 32:
        raise BackupRefused("a signing key of the backup is none")
    return key


def check_log(
    backup: Backup, log: BackedLog, public_keys: Sequence[bytes], sizes: Iterable[int]
) -> dict[int, bytes]:
    """Checks one log: events, documents, words, chains, the signed end, and every checkpoint on the way.

    public_keys: known ones. sizes: at which the root is wanted.

    Returns:
        the root at each of these sizes

    Raises:
        BackupRefused: something is not as it was signed
    """
    keys = [VerifierKey(name, key) for name in origins(log.origin, log.log_id) for key in public_keys]
    roots: dict[int, bytes] = {}
    lines = _looked_at(backup.lines(form.events_member(log.log_id), GREATEST_LINE), set(sizes), roots)
    try:
        summary = verify_export(lines, keys, _checkpoints(backup, log, keys))
    except Refused as error:
        where = "" if error.position is None else f" at position {error.position}"
        raise BackupRefused(f"the log of {log.name}{where}: {error.reason}: {error.detail}") from error
    signed = summary.checkpoint
    whole = summary.in_tree and summary.seal.start == 0 and summary.seal.count == log.size
    if not whole or (signed.origin, signed.size, signed.root) != (log.origin, log.size, log.root):
        raise BackupRefused(f"the log of {log.name} is not the one that the manifest names")
    if log.size and summary.log_id != log.log_id:
        raise BackupRefused(f"the log of {log.name} bears another id than the manifest says")
    return roots


def _looked_at(lines: Iterable[bytes], sizes: set[int], roots: dict[int, bytes]) -> Iterator[bytes]:
    """The lines as they are; the root at each of the sizes is put into `roots` on the way."""
    tree = Frontier()
    if 0 in sizes:
        roots[0] = tree.root()
    for line in lines:
        yield line
        if sizes and not line.startswith(BESIDE):
            tree.append(leaf_hash(line))
            if tree.size in sizes:
                roots[tree.size] = tree.root()


def _checkpoints(backup: Backup, log: BackedLog, keys: Sequence[VerifierKey]) -> Iterator[Checkpoint]:
    """Every checkpoint of a log in the order of its size, each signed by a known key."""
    before = -1
    for row in checkpoint_rows(backup, log):
        try:
            checkpoint = open_checkpoint(row["note"], keys)
        except Refused as error:
            raise BackupRefused(f"a checkpoint of {log.name}: {error.detail}") from error
        if (checkpoint.size, checkpoint.root) != (row["size"], row["root"]) or checkpoint.size <= before:
            raise BackupRefused(f"a checkpoint of {log.name} is out of its place")
        before = checkpoint.size
        yield checkpoint
    if before != log.size:
        raise BackupRefused(f"the log of {log.name} has no checkpoint at its end")


def checkpoint_rows(backup: Backup, log: BackedLog) -> Iterator[Mapping[str, Any]]:
    """The checkpoints of a log as rows of their table, without the log's number."""
    for line in backup.lines(form.checkpoints_member(log.log_id), _GREATEST_CHECKPOINT):
        try:
            row = orjson.loads(line)
            yield {
                "size": int(row["size"]),
                "root": base64.b64decode(row["root"], validate=True),
                "note": row["note"].encode("utf-8"),
                "made_at": str(row["made_at"]),
            }
        except (ValueError, KeyError, TypeError, AttributeError, binascii.Error) as error:
            raise BackupRefused(f"a checkpoint of {log.name} is not of its form") from error
