"""Appending: an event gets its place, its exact bytes and its hash, and the projections follow.

Everything that can be refused is refused before the first row is written, so that a refusal leaves
the transaction as it was. A failure after that spoils the transaction: it can only be undone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import orjson
from sqlalchemy import bindparam, insert, select

from service.canonical import CanonicalError, canonical_bytes, parse_canonical
from service.domain.events import TYPES, Event, NewEvent
from service.domain.instants import parse_instant
from service.domain.ports import StoredCheckpoint
from service.errors import DuplicateKey, InvalidDocument, TooLarge
from service.ledger.hashing import document_hash, leaf_hash, text_digest
from service.persistence.growing import GrowingTree
from service.persistence.identifiers import SALT_BYTES, Clock, RandomBytes, comparable, new_event_id
from service.persistence.log_reading import StoredLog
from service.persistence.projector import Plan, Projector
from service.persistence.tables import documents, events, texts

GREATEST_ENTRY: Final = 65_535  # bytes; C2SP tlog-tiles gives an entry's length two bytes
DOCUMENT_ABOVE: Final = 16_384  # bytes of an entry beyond which its document is kept beside the log
GREATEST_DOCUMENT: Final = 4 * 1024 * 1024

# Made once: making a statement anew costs more than running it.
_INSERT_EVENT: Final = insert(events)
_INSERT_DOCUMENT: Final = insert(documents)
_INSERT_WORDS: Final = insert(texts)
_KNOWN_DOCUMENT: Final = select(documents.c.sha256).where(
    documents.c.log == bindparam("of_log"), documents.c.sha256 == bindparam("of_sha256")
)
_LAST_OF_SUBJECT: Final = (
    select(events.c.body, events.c.subject_sequence, events.c.leaf_hash)
    .where(events.c.log == bindparam("of_log"), events.c.subject == bindparam("of_subject"))
    .order_by(events.c.subject_sequence.desc())
    .limit(1)
)


@dataclass(frozen=True)
class _Last:
    """The last event of a subject: its own spelling of subject and line, its count and its hash."""

    subject: str
    line: str | None
    subject_sequence: int
    leaf_hash: str


@dataclass(frozen=True)
class _Content:
    """What is stored of a new event's data: the data, the salted words, a document beside the log."""

    data: dict[str, Any]
    words: list[tuple[str, bytes, bytes]]  # field, salt, text
    document: bytes | None
    media_type: str


class Appender:
    """Appends to one log within one write transaction."""

    def __init__(
        self,
        log: StoredLog,
        tree: GrowingTree,
        projector: Projector | None,
        clock: Clock,
        random_bytes: RandomBytes,
    ) -> None:
        """tree: the log's. projector: None for a log without projections, the service's own."""
        self._log = log
        self.tree = tree
        self._projector = projector
        self._clock = clock
        self._random_bytes = random_bytes
        self.spoilt = False
        self._lasts: dict[str, _Last] = {}  # of the subjects appended to in this transaction

    def append(self, event: NewEvent) -> Event:
        """Gives the event its place, stores its bytes and updates every projection.

        Raises:
            TooLarge: the entry is over 65,535 bytes, or a document over 4 MiB
            InvalidDocument: a value without canonical form, or a time that is none
            DuplicateKey: the client's event id or an external id is in use
            PreconditionFailed: the record's revision is not the next one
        """
        connection, head = self._log.connection, self._log.head
        occurred_at = comparable(parse_instant(event.occurred_at))
        self._refuse_known_client_id(event)
        now = self._clock()
        recorded_at = max(comparable(now), head.last_recorded_at or "")
        last = self._last_of(event.subject)
        content = self._content(event)
        envelope: dict[str, Any] = {
            "sequence": head.next_sequence,
            "id": new_event_id(now, self._random_bytes),
            "log_id": head.log_id,
            "type": event.type,
            "schema_version": TYPES[event.type],
            "subject": event.subject if last is None else last.subject,
            "line": self._line(event, last),
            "subject_sequence": 0 if last is None else last.subject_sequence + 1,
            "previous": None if last is None else last.leaf_hash,
            "occurred_at": event.occurred_at,
            "recorded_at": recorded_at,
            "actor": event.actor,
            "performed_by": event.performed_by,
            "role": event.role,
            "data": content.data,
            "corrects": event.corrects,
            "client_event_id": event.client_event_id,
            "request_id": event.request_id,
        }
        body, content = self._body(envelope, content)
        digest = leaf_hash(body)
        # From here on the event is what its bytes state, so that a rebuild sees the same.
        placed = Event.from_document(parse_canonical(body), digest.hex())
        plan = self._plan(placed, content)
        try:
            self._store_document(content)
            connection.execute(
                _INSERT_EVENT,
                {
                    "log": head.log,
                    "sequence": placed.sequence,
                    "id": placed.id,
                    "type": placed.type,
                    "subject": placed.subject.casefold(),
                    "line": None if placed.line is None else placed.line.casefold(),
                    "subject_sequence": placed.subject_sequence,
                    "occurred_at": occurred_at,
                    "recorded_at": recorded_at,
                    "corrects": placed.corrects,
                    "client_event_id": placed.client_event_id,
                    "body": body,
                    "leaf_hash": digest,
                },
            )
            self._store_words(placed.sequence, content)
            self.tree.append(digest)
            if self._projector is not None:
                self._projector.apply(plan)
        except BaseException:
            self.spoilt = True
            raise
        self._lasts[placed.subject.casefold()] = _Last(
            placed.subject, placed.line, placed.subject_sequence, placed.leaf_hash
        )
        self._log.head = replace(head, next_sequence=placed.sequence + 1, last_recorded_at=recorded_at)
        return placed

    def finish(self) -> StoredCheckpoint | None:
        """Moves the log's head to where the transaction brought it, under a checkpoint signed for it.

        Returns:
            the checkpoint; None where nothing was appended

        Raises:
            ConfigurationError: the keys that sign cannot be read
        """
        head = self._log.head
        return self.tree.finish(
            head.last_recorded_at or comparable(self._clock()),
            next_sequence=head.next_sequence,
            last_recorded_at=head.last_recorded_at,
        )

    # --- before anything is written -------------------------------------------------------------------
    def _refuse_known_client_id(self, event: NewEvent) -> None:
        if event.client_event_id is None:
            return
        known = self._log.event_by_client_id(event.client_event_id)
        if known is not None:
            raise DuplicateKey(
                "The client's event id is in use.",
                client_event_id=event.client_event_id,
                sequence=known.event.sequence,
            )

    def _last_of(self, subject: str) -> _Last | None:
        known = self._lasts.get(subject.casefold())
        if known is not None:
            return known
        row = self._log.connection.execute(
            _LAST_OF_SUBJECT, {"of_log": self._log.log, "of_subject": subject.casefold()}
        ).one_or_none()
        if row is None:
            return None
        document = orjson.loads(row.body)
        return _Last(document["subject"], document["line"], row.subject_sequence, row.leaf_hash.hex())

    def _line(self, event: NewEvent, last: _Last | None) -> str | None:
        """The event's line in its first spelling."""
        if event.line is None or self._projector is None:
            return event.line
        if last is not None and last.line is not None and last.line.casefold() == event.line.casefold():
            return last.line
        return self._projector.line_spelling(event.line)

    def _content(self, event: NewEvent) -> _Content:
        data = dict(event.data)
        words: list[tuple[str, bytes, bytes]] = []
        for field, text in sorted(event.texts.items()):
            if field in data:
                raise ValueError(f"the free text {field!r} stands in the event's data too")
            salt = self._random_bytes(SALT_BYTES)
            try:
                content = text.encode("utf-8")
            except UnicodeEncodeError:
                raise InvalidDocument("A text holds a lone surrogate.") from None
            data[field] = {"sha256": text_digest(salt, content)}
            words.append((field, salt, content))
        if event.document is None:
            return _Content(data, words, None, event.document_media_type)
        named = _naming(event.document, event.document_media_type)
        if any(data.get(key, value) != value for key, value in named.items()):
            raise ValueError("the event's data names another document than it brings")
        return _Content(data | named, words, event.document, event.document_media_type)

    def _body(self, envelope: dict[str, Any], content: _Content) -> tuple[bytes, _Content]:
        """The entry's exact bytes; a document that makes it large moves beside the log."""
        try:
            body = canonical_bytes(envelope)
            if len(body) > DOCUMENT_ABOVE and "document" in content.data and content.document is None:
                document = canonical_bytes(content.data["document"])
                data = {key: value for key, value in content.data.items() if key != "document"}
                content = replace(
                    content,
                    data=data | _naming(document, "application/json"),
                    document=document,
                    media_type="application/json",
                )
                body = canonical_bytes({**envelope, "data": content.data})
        except CanonicalError as error:
            raise InvalidDocument(f"The document cannot be kept: {error}.") from error
        if len(body) > GREATEST_ENTRY:
            raise TooLarge("The act is too large for the log.", bytes=len(body), accepted=GREATEST_ENTRY)
        if content.document is not None and len(content.document) > GREATEST_DOCUMENT:
            raise TooLarge(
                "The document is too large.", bytes=len(content.document), accepted=GREATEST_DOCUMENT
            )
        return body, content

    def _plan(self, placed: Event, content: _Content) -> Plan:
        if self._projector is None:
            return Plan()
        try:
            return self._projector.plan(
                placed,
                full_document(placed.data, content.document),
                lambda: self._log.subject_events(placed.subject),
            )
        except CanonicalError as error:
            raise InvalidDocument(f"What follows from the act cannot be kept: {error}.") from error

    # --- the rows ---------------------------------------------------------------------------------------
    def _store_document(self, content: _Content) -> None:
        if content.document is None:
            return
        address = document_hash(content.document)
        known = self._log.connection.execute(
            _KNOWN_DOCUMENT, {"of_log": self._log.log, "of_sha256": address}
        ).scalar()
        if known is None:  # equal content is kept once
            self._log.connection.execute(
                _INSERT_DOCUMENT,
                {
                    "log": self._log.log,
                    "sha256": address,
                    "media_type": content.media_type,
                    "bytes": content.document,
                },
            )

    def _store_words(self, sequence: int, content: _Content) -> None:
        if content.words:
            self._log.connection.execute(
                _INSERT_WORDS,
                [
                    {"log": self._log.log, "sequence": sequence, "field": field, "salt": salt, "text": text}
                    for field, salt, text in content.words
                ],
            )


def full_document(data: Mapping[str, Any], beside: bytes | None) -> Mapping[str, Any] | None:
    """The document of a record event: from its data, or from the bytes kept beside the log."""
    if "document" in data:
        document: Mapping[str, Any] = data["document"]
        return document
    if beside is None or "revision" not in data:
        return None
    parsed: Mapping[str, Any] = parse_canonical(beside)
    return parsed


def _naming(document: bytes, media_type: str) -> dict[str, Any]:
    return {
        "document_sha256": document_hash(document),
        "bytes": len(document),
        "media_type": media_type,
    }
