"""Ports: what the use cases need of a store. Log-shaped where it can be, and no wider.

Keys (plant, line, mark) compare ignoring letter case; rows carry the spelling first recorded.
Every reader sees one consistent snapshot. A writer holds the plant's write lock; leaving its
context without an error commits everything, an error undoes everything.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, Protocol

from service.domain.access import Principal
from service.domain.events import Event, NewEvent
from service.domain.facts import Facts
from service.domain.views import HangerView, LineView
from service.domain.webhooks import WebhookReader, WebhookWriter


@dataclass(frozen=True)
class Record:
    """One revision of a record. kind: plant, line, hanger or criteria. document: as it was given.

    sequence: the event that wrote it; until: the event that replaced it, or None while current.
    """

    kind: str
    key: str
    revision: int
    sequence: int
    until: int | None
    recorded_at: str
    document: Mapping[str, Any]
    line: str | None = None


@dataclass(frozen=True)
class HangerRow:
    """A current hanger for lists: key columns beside its record. changed: last event of the subject."""

    record: Record
    mark: str
    line: str
    kind: str
    state: str
    changed: int
    retired: bool


@dataclass(frozen=True)
class StoredEvent:
    """An event with the exact bytes stored, its leaf hash (hex) and the free texts not erased."""

    event: Event
    body: bytes
    leaf_hash: str
    texts: Mapping[str, str]


@dataclass(frozen=True)
class EventFilter:
    """Which events; None means any. since/until: RFC 3339, compared with recorded_at, until exclusive.

    occurred_since/occurred_until compare with occurred_at likewise. `lines`: scope, None for all.
    """

    line: str | None = None
    hanger: str | None = None
    type: str | None = None
    since: datetime | None = None
    until: datetime | None = None
    occurred_since: datetime | None = None
    occurred_until: datetime | None = None
    lines: frozenset[str] | None = None


@dataclass(frozen=True)
class HangerFilter:
    """Which hangers; None means any. changed_since: only with a subject event of a greater sequence."""

    line: str | None = None
    kind: str | None = None
    state: str | None = None
    external_source: str | None = None
    external_id: str | None = None
    changed_since: int | None = None
    retired: bool | None = False
    lines: frozenset[str] | None = None


# Stands for the digest of a request whose words were erased: they could be guessed from it.
ERASED_REQUEST: Final = "erased"


@dataclass(frozen=True)
class Remembered:
    """An answer kept under an idempotency key: digest of the request, and the answer as JSON.

    request_digest: ERASED_REQUEST where words of the request were erased since.
    """

    request_digest: str
    answer: Mapping[str, Any]


@dataclass(frozen=True)
class PrincipalRow:
    """A principal as listed. display_name is erasable and may be None."""

    id: str
    kind: str
    display_name: str | None
    created_at: str


@dataclass(frozen=True)
class TokenRow:
    """A token as listed: never the token itself nor its hash."""

    id: str
    principal: str
    role: str
    plants: tuple[str, ...] | None
    lines: tuple[str, ...] | None
    created_at: str
    expires_at: str
    revoked_at: str | None


@dataclass(frozen=True)
class StoredCheckpoint:
    """A signed checkpoint as it was stored with the append that it covers.

    size: events covered. root: root hash of the tree, 32 bytes. note: the signed note's exact bytes.
    """

    size: int
    root: bytes
    note: bytes


@dataclass(frozen=True)
class SigningKey:
    """The public half of a key that signs checkpoints, or did. public_key: 32 bytes in hex.

    since, until: RFC 3339, UTC; until is None while it signs.
    """

    public_key: str
    since: str
    until: str | None


@dataclass(frozen=True)
class LogFault:
    """Why a log is closed to writes. position: first place that disagrees, None where none can be named.

    reason: short code, as the verifier names it. found_at: RFC 3339, UTC.
    """

    position: int | None
    reason: str
    found_at: str


@dataclass(frozen=True)
class KeptText:
    """Words kept beside an event and not erased. salt: 32 bytes; the leaf has SHA-256(salt || words)."""

    sequence: int
    field: str
    salt: bytes
    text: str


class LogReader(Protocol):
    """One log's events, in order."""

    @property
    def log_id(self) -> str:
        """Random id of the log, stated in every leaf."""

    @property
    def size(self) -> int:
        """Number of events; the next sequence."""

    @property
    def origin(self) -> str:
        """The name under which the log signs its checkpoints."""

    @property
    def fault(self) -> LogFault | None:
        """Why the log is closed to writes, or None while it is open."""

    def checkpoint(self, size: int | None = None) -> StoredCheckpoint | None:
        """The newest stored checkpoint, or the one stored for exactly this size; None when there is none."""

    def checkpoint_covering(self, size: int) -> StoredCheckpoint | None:
        """The stored checkpoint of least size that covers this many events; None when none does yet."""

    def hashes(self, level: int, start: int, end: int) -> Sequence[bytes]:
        """Hashes [start, end) of the log's full subtrees of 256**level leaves, 32 bytes each.

        Level 0 are the leaf hashes. Errors: LogCorrupt when one that must be there is not.
        """

    def bodies(self, start: int, end: int) -> Sequence[bytes]:
        """Exact stored bytes of the events [start, end), in order; end - start is at most 1,000."""

    def kept_texts(self, start: int, end: int) -> Sequence[KeptText]:
        """Words not erased of the events [start, end), by sequence and field."""

    def event(self, sequence: int) -> StoredEvent | None:
        """The event with this sequence, or None."""

    def events(self, wanted: EventFilter, start: int, limit: int) -> Sequence[StoredEvent]:
        """At most `limit` events with sequence >= start that the filter lets through, in order."""

    def event_by_client_id(self, client_event_id: str) -> StoredEvent | None:
        """The event that a client gave this id, or None."""

    def subject_events(self, subject: str, before: int | None = None) -> Sequence[Event]:
        """All events of one subject with sequence < before (all when None), in order."""

    def document(self, sha256: str) -> tuple[str, bytes] | None:
        """Media type and exact bytes of a document kept beside this log, by digest (hex), or None."""


class PlantReader(LogReader, WebhookReader, Protocol):
    """One plant: its log and what follows from it. as_of: last sequence taken in, None for now."""

    @property
    def plant(self) -> str:
        """Key of the plant as first spelt."""

    def record(
        self, kind: str, key: str, revision: int | None = None, as_of: int | None = None
    ) -> Record | None:
        """One revision of a record; the current one, or the one of `as_of`."""

    def revisions(self, kind: str, key: str, after: int, limit: int) -> Sequence[Record]:
        """Revisions numbered above `after`, ascending."""

    def lines(self, after: str, limit: int, scope: frozenset[str] | None) -> Sequence[Record]:
        """Current line records with casefolded key above `after`, ascending."""

    def hangers(self, wanted: HangerFilter, after: str, limit: int) -> Sequence[HangerRow]:
        """Current hangers with casefolded mark above `after`, ascending."""

    def hanger_row(self, mark: str) -> HangerRow | None:
        """The hanger's current row, retired or not, or None."""

    def line_keys(self, scope: frozenset[str] | None) -> Sequence[str]:
        """Keys of every line that has a record or a hanger, ascending."""

    def facts(self, subject: str, as_of: int | None = None) -> Facts:
        """Facts of a subject."""

    def hanger_view(self, mark: str, as_of: int | None = None) -> HangerView | None:
        """A hanger as of one sequence, or None."""

    def line_view(self, line: str, as_of: int | None = None) -> LineView | None:
        """None when the line has neither record nor hanger as of then."""

    def external_id_owner(self, source: str, identifier: str) -> str | None:
        """Mark that holds this external id, or None."""

    def sequence_at(self, instant: datetime) -> int:
        """Last sequence with recorded_at <= instant, -1 when none."""

    def recorded_at(self, sequence: int) -> str | None:
        """When this event was recorded, or None."""


class KeyMemory(Protocol):
    """Idempotency keys, kept in the transaction of the effect."""

    def remembered(self, principal: str, method: str, path: str, key: str) -> Remembered | None:
        """What is kept under this key, or None."""

    def remember(
        self,
        principal: str,
        method: str,
        path: str,
        key: str,
        digest: str,
        answer: Mapping[str, Any],
        now: datetime,
    ) -> None:
        """Keep an answer under this key."""


class PlantWriter(PlantReader, KeyMemory, WebhookWriter, Protocol):
    """A plant under its write lock."""

    def append(self, event: NewEvent) -> Event:
        """Give the event its place, store its exact bytes and update every projection."""

    def erase_words(self, sequence: int, event_id: str, fields: Sequence[str]) -> None:
        """Take the words of these fields of one event, and what keys remember of its request."""

    def rollback_only(self) -> None:
        """Undo everything at the end of the context, without an error (dry runs)."""


class ServiceReader(LogReader, Protocol):
    """The service log, principals and tokens."""

    def principal(self, identifier: str) -> PrincipalRow | None:
        """One principal, or None."""

    def principals(self, after: str, limit: int) -> Sequence[PrincipalRow]:
        """Principals with an id above `after`, ascending."""

    def token(self, identifier: str) -> TokenRow | None:
        """One token's data, or None."""

    def tokens(self, after: str, limit: int) -> Sequence[TokenRow]:
        """Tokens with an id above `after`, ascending."""

    def known_keys(self) -> Sequence[SigningKey]:
        """The public keys that sign checkpoints or did, in the order in which they came."""


class ServiceWriter(ServiceReader, KeyMemory, Protocol):
    """The service log under its write lock."""

    def append(self, event: NewEvent) -> Event:
        """Give the event its place in the service log."""

    def rollback_only(self) -> None:
        """Undo everything at the end of the context."""

    def add_principal(self, identifier: str, kind: str, display_name: str | None, created_at: str) -> None:
        """Keep a principal."""

    def add_token(self, row: TokenRow, token_hash: str) -> None:
        """Keep a token's data and hash."""

    def revoke_token(self, identifier: str, revoked_at: str) -> None:
        """Mark a token revoked."""

    def erase_name(self, principal: str) -> None:
        """Take a principal's display name, and what keys remember of it."""

    def open_plant(self, plant: str) -> None:
        """Make the plant's empty log with a random log id; DuplicateKey when the key is in use."""


class Store(Protocol):
    """The whole store."""

    def authenticate(self, token_hash: str, now: datetime) -> Principal | None:
        """The principal of a token that is neither expired nor revoked; looked up each time."""

    def plants(self, after: str, limit: int, scope: frozenset[str] | None) -> Sequence[str]:
        """Keys of plants in scope with casefolded key above `after`, ascending."""

    def read(self, plant: str) -> AbstractContextManager[PlantReader]:
        """NotFound when there is no such plant."""

    def write(self, plant: str) -> AbstractContextManager[PlantWriter]:
        """A plant's writer; NotFound when there is no such plant."""

    def read_service(self) -> AbstractContextManager[ServiceReader]:
        """Reader of the service log."""

    def write_service(self) -> AbstractContextManager[ServiceWriter]:
        """Writer of the service log."""

    def stream(
        self, plant: str, wanted: EventFilter, start: int, end: int | None
    ) -> Iterator[list[tuple[int, bytes]]]:
        """Chunks of at most 1,000 (sequence, exact bytes); no transaction outlives a chunk."""

    def pull(self, plant: str, start: int = 0) -> AbstractContextManager[PlantReader]:
        """A reader for pulling the log: of the replica where there is one that has reached `start`."""

    def fault(self, plant: str) -> LogFault | None:
        """Why a plant's log is closed to writes, as known a few seconds ago at most; None while open."""

    def signed(self, text: str, name: str) -> bytes:
        """A note: the text, signed under this key name by every key that signs now."""

    def forget_traces(self) -> None:
        """After an erasure: rid the database's own files of what was erased. StoreBusy when not in time."""

    def ready(self) -> None:
        """Raise StoreBusy or LogCorrupt when the store cannot serve."""
