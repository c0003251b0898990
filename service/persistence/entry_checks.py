"""What the tables keep of an entry beside its bytes: columns, documents and words, held against them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, Row, bindparam, select

from service.domain.events import FREE_TEXT_FIELDS, Event
from service.domain.instants import parse_instant
from service.errors import InvalidDocument, LogCorrupt
from service.ledger.hashing import document_hash, text_digest
from service.persistence.identifiers import SALT_BYTES, comparable
from service.persistence.tables import documents, events, texts

Words = Mapping[str, Row[Any]]
CHUNK = 1_000

ENTRIES = (
    select(events)
    .where(
        events.c.log == bindparam("log"),
        events.c.sequence >= bindparam("start"),
        events.c.sequence < bindparam("end"),
    )
    .order_by(events.c.sequence)
    .limit(CHUNK)
)
_WORDS = select(texts).where(
    texts.c.log == bindparam("log"), texts.c.sequence.between(bindparam("first"), bindparam("last"))
)
_DOCUMENT = select(documents.c.bytes).where(
    documents.c.log == bindparam("log"), documents.c.sha256 == bindparam("sha256")
)


def stated(row: Row[Any], document: Mapping[str, Any]) -> Event:
    """The event that an entry states, if the columns by which it is found say the same.

    Raises:
        LogCorrupt: facts `position` and `reason`: `envelope` or `columns`
    """
    try:
        event = Event.from_document(document, row.leaf_hash.hex())
        columns = event_columns(event)
    except (TypeError, AttributeError, InvalidDocument) as error:
        raise LogCorrupt("An entry is no event.", position=row.sequence, reason="envelope") from error
    if any(getattr(row, name) != value for name, value in columns.items()):
        raise LogCorrupt(
            "The columns of an entry differ from its bytes.", position=row.sequence, reason="columns"
        )
    return event


def event_columns(event: Event) -> dict[str, Any]:
    """The columns by which an event is found, as they follow from the event."""
    return {
        "id": event.id,
        "type": event.type,
        "subject": event.subject.casefold(),
        "line": None if event.line is None else event.line.casefold(),
        "subject_sequence": event.subject_sequence,
        "occurred_at": comparable(parse_instant(event.occurred_at)),
        "recorded_at": event.recorded_at,
        "corrects": event.corrects,
        "client_event_id": event.client_event_id,
    }


def word_digests(event: Event) -> dict[str, str]:
    """The free texts that an event has, by field: the salted digest of each, in hex."""
    return {
        name: event.data[name]["sha256"]
        for name in FREE_TEXT_FIELDS
        if isinstance(event.data.get(name), dict) and event.data[name].keys() == {"sha256"}
    }


def words_of(connection: Connection, log: int, first: int, last: int) -> dict[int, dict[str, Row[Any]]]:
    """The rows of words of the events from `first` to `last`, by sequence and field."""
    found: dict[int, dict[str, Row[Any]]] = {}
    for row in connection.execute(_WORDS, {"log": log, "first": first, "last": last}):
        found.setdefault(row.sequence, {})[row.field] = row
    return found


def check_words(event: Event, words: Words) -> None:
    """Every digest of words has its row, every row its digest, and words not erased match theirs.

    Raises:
        LogCorrupt: facts `position` and `reason`, `words`
    """
    digests = word_digests(event)
    good = digests.keys() == words.keys() and all(
        row.text is None
        # A longer salt could hold the beginning of the words: the digest is over both in one.
        or (len(row.salt) == SALT_BYTES and text_digest(row.salt, row.text) == digests[name])
        for name, row in words.items()
    )
    if not good:
        raise LogCorrupt(
            "The words beside an entry differ from their digest.", position=event.sequence, reason="words"
        )


def checked_document(connection: Connection, log: int, event: Event) -> bytes | None:
    """The document that an event names by digest, checked against it; None where it names none.

    Raises:
        LogCorrupt: facts `position` and `reason`, `document`
    """
    digest = event.data.get("document_sha256")
    if digest is None:
        return None
    content: bytes | None = connection.execute(_DOCUMENT, {"log": log, "sha256": digest}).scalar()
    if content is None or document_hash(content) != digest or len(content) != event.data.get("bytes"):
        raise LogCorrupt(
            "A document beside the log is missing or differs.", position=event.sequence, reason="document"
        )
    return content
