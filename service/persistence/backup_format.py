"""The form of a backup: one ZIP file that knows no engine, of members whose digests are signed.

    manifest.json               what is in it: format, logs with origin, size and root, members
    manifest.note               the manifest's SHA-256, signed as a note under `LOG_ORIGIN/backup`
    logs/LOG_ID/events.ndjson   exact bytes of every event, documents, words, and the signed trailer
    logs/LOG_ID/checkpoints.ndjson  every checkpoint given out
    tables/NAME.ndjson          what is kept beside the logs, a row a line

No key that signs and no secret is in it. What follows from the logs, the projections and the hashes
of the tree, is made again by the restore.
"""

from __future__ import annotations

import base64
import binascii
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import orjson
from sqlalchemy import Boolean, Integer, LargeBinary, Row, Table

from service.canonical import CanonicalError, canonical_bytes, parse_canonical
from service.persistence.tables import idempotency_keys, principals, signing_keys, tokens
from service.persistence.webhook_tables import deliveries, replays, webhooks

FORMAT: Final = "spring-support-release/backup"
VERSION: Final = 1
MANIFEST: Final = "manifest.json"
MANIFEST_NOTE: Final = "manifest.note"
GREATEST_MANIFEST: Final = 16 * 1024 * 1024
GREATEST_NOTE: Final = 64 * 1024
GREATEST_ROW: Final = 16 * 1024 * 1024
MOST_MEMBERS: Final = 20_000

# Everything kept beside the logs, each table after those that it refers to; one more is one line here.
SIDE_TABLES: Final[tuple[Table, ...]] = (
    principals,
    tokens,
    idempotency_keys,
    signing_keys,
    webhooks,
    replays,
    deliveries,
)

_LOG_MEMBER: Final = re.compile(r"logs/([0-9a-f]{32})/(events|checkpoints)\.ndjson")
_TABLE_MEMBER: Final = re.compile(r"tables/([a-z][a-z_]{0,39})\.ndjson")
_DIGEST: Final = re.compile(r"[0-9a-f]{64}")
_LOG_ID: Final = re.compile(r"[0-9a-f]{32}")
_KEY: Final = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9._-]{0,62}[A-Za-z0-9])?")


class BackupRefused(ValueError):
    """A file that is no whole and true backup. The message says what is wrong with it."""


@dataclass(frozen=True)
class BackedLog:
    """One log in a backup. plant: as first spelt, None for the service's log. root: 32 bytes.

    number: of the log in the tables, by which other tables refer to it. fault: why the log was closed to
    writes, as JSON, None while it was open.
    """

    number: int
    log_id: str
    plant: str | None
    origin: str
    size: int
    root: bytes
    last_recorded_at: str | None
    fault: str | None = None

    @property
    def name(self) -> str:
        """How it is named to people."""
        return self.plant or "service"


@dataclass(frozen=True)
class Member:
    """One member: its size in bytes and the SHA-256 of its bytes in hex."""

    name: str
    size: int
    sha256: str


@dataclass(frozen=True)
class Manifest:
    """What a backup holds. made_at: RFC 3339, UTC: when its state was read.

    logs: the service's first, then the plants in the order in which they were opened.
    """

    log_origin: str
    service_version: str
    made_at: str
    logs: Sequence[BackedLog]
    members: Sequence[Member]

    def as_bytes(self) -> bytes:
        """The manifest as it stands in the file: canonical JSON."""
        return canonical_bytes(
            {
                "format": FORMAT,
                "version": VERSION,
                "log_origin": self.log_origin,
                "service_version": self.service_version,
                "made_at": self.made_at,
                "logs": [
                    {
                        "number": log.number,
                        "log_id": log.log_id,
                        "plant": log.plant,
                        "origin": log.origin,
                        "size": log.size,
                        "root": base64.b64encode(log.root).decode("ascii"),
                        "last_recorded_at": log.last_recorded_at,
                        "fault": log.fault,
                    }
                    for log in self.logs
                ],
                "members": [
                    {"name": each.name, "size": each.size, "sha256": each.sha256} for each in self.members
                ],
            }
        )


def events_member(log_id: str) -> str:
    """Name of the member with a log's events."""
    return f"logs/{log_id}/events.ndjson"


def checkpoints_member(log_id: str) -> str:
    """Name of the member with a log's checkpoints."""
    return f"logs/{log_id}/checkpoints.ndjson"


def table_member(table: Table) -> str:
    """Name of the member with a table's rows."""
    return f"tables/{table.name}.ndjson"


def is_member(name: str) -> bool:
    """Whether a backup may have a member of this name: nothing else is ever looked at."""
    return (
        name in (MANIFEST, MANIFEST_NOTE)
        or _LOG_MEMBER.fullmatch(name) is not None
        or _TABLE_MEMBER.fullmatch(name) is not None
    )


def note_name(log_origin: str) -> str:
    """The key name under which manifests are signed."""
    return f"{log_origin}/backup"


def note_text(log_origin: str, manifest_sha256: str) -> str:
    """The text of a manifest's note."""
    return f"{note_name(log_origin)}\nmanifest.json {manifest_sha256}\n"


# --- the manifest as it is read ----------------------------------------------------------------------
def parse_manifest(content: bytes) -> Manifest:
    """The manifest that bytes from anywhere state.

    Raises:
        BackupRefused: they state none, or one of another format
    """
    document = _canonical_object(content, "the manifest")
    if document.get("format") != FORMAT:
        raise BackupRefused("the file is no backup of this service")
    if document.get("version") != VERSION:
        raise BackupRefused(f"the backup has format version {document.get('version')!r}; known is {VERSION}")
    try:
        return Manifest(
            log_origin=_text(document["log_origin"]),
            service_version=_text(document["service_version"]),
            made_at=_text(document["made_at"]),
            logs=_logs(document["logs"]),
            members=_members(document["members"]),
        )
    except (KeyError, TypeError, AttributeError, binascii.Error) as error:
        raise BackupRefused("the manifest lacks a part, or has one of another kind") from error


def _logs(rows: Any) -> tuple[BackedLog, ...]:
    logs = tuple(
        BackedLog(
            number=_count(row["number"]),
            log_id=_matching(_LOG_ID, row["log_id"]),
            plant=None if row["plant"] is None else _matching(_KEY, row["plant"]),
            origin=_text(row["origin"]),
            size=_count(row["size"]),
            root=base64.b64decode(row["root"], validate=True),
            last_recorded_at=None if row["last_recorded_at"] is None else _text(row["last_recorded_at"]),
            fault=None if row["fault"] is None else _text(row["fault"]),
        )
        for row in rows
    )
    plants = [None if log.plant is None else log.plant.casefold() for log in logs]
    if not logs or plants[0] is not None or None in plants[1:]:
        raise BackupRefused("the manifest does not begin with the service's own log, or has two of them")
    if any(
        len(set(each)) != len(logs)
        for each in (plants, [log.log_id for log in logs], [log.number for log in logs])
    ):
        raise BackupRefused("the manifest names one log twice")
    if any(len(log.root) != 32 for log in logs):
        raise BackupRefused("the manifest states a root that is no hash")
    return logs


def _members(rows: Any) -> tuple[Member, ...]:
    members = tuple(
        Member(_text(row["name"]), _count(row["size"]), _matching(_DIGEST, row["sha256"])) for row in rows
    )
    names = [member.name for member in members]
    if len(set(names)) != len(names) or not all(is_member(name) for name in names):
        raise BackupRefused("the manifest names a member twice, or one that no backup has")
    if {MANIFEST, MANIFEST_NOTE} & set(names):
        raise BackupRefused("the manifest names itself")
    return members


def _canonical_object(content: bytes, what: str) -> Mapping[str, Any]:
    try:
        document = parse_canonical(content)
        canonical = canonical_bytes(document) == content
    except CanonicalError:
        canonical = False
    if not canonical or not isinstance(document, dict):
        raise BackupRefused(f"{what} is not the canonical form of an object")
    return document


def _text(value: Any) -> str:
    if not isinstance(value, str) or not value or len(value) > 1_000 or "\n" in value:
        raise TypeError("no line of text")
    return value


def _matching(pattern: re.Pattern[str], value: Any) -> str:
    if not isinstance(value, str) or pattern.fullmatch(value) is None:
        raise TypeError("not of its form")
    return value


def _count(value: Any) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value < 2**53:
        raise TypeError("no count")
    return value


# --- lines -------------------------------------------------------------------------------------------
def checkpoint_line(size: int, root: bytes, note: bytes, made_at: str) -> bytes:
    """One checkpoint as a line of JSON. root: 32 bytes. note: the signed note's exact bytes."""
    return (
        canonical_bytes(
            {
                "size": size,
                "root": base64.b64encode(root).decode("ascii"),
                "note": note.decode("utf-8"),
                "made_at": made_at,
            }
        )
        + b"\n"
    )


# --- rows of a table ----------------------------------------------------------------------------------
def row_line(table: Table, row: Row[*tuple[Any, ...]]) -> bytes:
    """One row as a line of JSON: bytes as base64, everything else as it is."""
    values: dict[str, Any] = {}
    for column, value in zip(table.columns, row, strict=True):
        binary = isinstance(column.type, LargeBinary) and value is not None
        values[str(column.name)] = base64.b64encode(bytes(value)).decode("ascii") if binary else value
    return orjson.dumps(values, option=orjson.OPT_SORT_KEYS) + b"\n"


def row_values(table: Table, line: bytes) -> dict[str, Any]:
    """The values that a line of a table's member states, each of its column's kind.

    Raises:
        BackupRefused: it states no row of this table
    """
    try:
        document = orjson.loads(line)
    except orjson.JSONDecodeError as error:
        raise BackupRefused(f"a row of {table.name} is no JSON") from error
    # A column that this release added since is left null where it may be.
    if not isinstance(document, dict) or not document.keys() <= set(table.columns.keys()):
        raise BackupRefused(f"a row of {table.name} has other columns than the table")
    return {str(column.name): _value(table, column, document.get(column.name)) for column in table.columns}


def _value(table: Table, column: Any, value: Any) -> Any:
    refusal = BackupRefused(f"a row of {table.name} has a value of another kind in {column.name}")
    if value is None:
        if column.nullable:
            return None
        raise refusal
    if isinstance(column.type, LargeBinary):
        try:
            return base64.b64decode(value, validate=True)
        except (binascii.Error, TypeError, ValueError):
            raise refusal from None
    if isinstance(column.type, Boolean):
        good = isinstance(value, bool)
    elif isinstance(column.type, Integer):
        good = isinstance(value, int) and not isinstance(value, bool) and -(2**63) <= value < 2**63
    else:
        good = isinstance(value, str) and "\0" not in value
    if not good:
        raise refusal
    return value
