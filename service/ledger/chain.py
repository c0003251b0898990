"""The order of a log, checked from its stored bytes: positions, hashes and each subject's chain.

A log's entries have dense positions from 0. Besides, each subject's events count densely from 0
and name the hash of the subject's event before, so that one subject's history can be shown
complete without showing the rest. Everything here is derived again from the bytes; nothing is
believed because it was stored.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from service.canonical import CanonicalError, canonical_bytes, parse_canonical
from service.errors import LogCorrupt
from service.ledger.hashing import leaf_hash


@dataclass(frozen=True)
class SubjectHead:
    """The last event of a subject. count: events so far. leaf_hash: of the last one, hex."""

    count: int
    leaf_hash: str


@dataclass(frozen=True)
class LogSummary:
    """What a checked log holds. subjects: by folded subject. last_recorded_at: None when empty."""

    log_id: str | None
    size: int
    last_recorded_at: str | None
    subjects: Mapping[str, SubjectHead]


class LogCheck:
    """Checks entries one after the other; each `accept` either agrees with all before or raises."""

    def __init__(self, log_id: str | None = None) -> None:
        """log_id: the log that every entry must name; taken from the first entry when None."""
        self._log_id = log_id
        self._size = 0
        self._recorded_at: str | None = None
        self._subjects: dict[str, SubjectHead] = {}
        self._ids: set[str] = set()

    @property
    def size(self) -> int:
        """Entries accepted so far: the position that comes next."""
        return self._size

    def accept(self, position: int, body: bytes, stored_hash: bytes) -> Mapping[str, Any]:
        """Takes in the next entry and returns the document that its bytes state.

        Raises:
            LogCorrupt: facts `position` (of the entry that disagrees) and `reason`.
        """
        if position != self._size:
            raise _corrupt(self._size, "position", "The log has a gap or an entry out of its place.")
        digest = leaf_hash(body)
        if digest != stored_hash:
            raise _corrupt(position, "leaf-hash", "An entry's bytes differ from their hash.")
        document = _document(position, body)
        if document.get("sequence") != position:
            raise _corrupt(position, "sequence", "An entry states another place than it has.")
        if self._log_id is None:
            self._log_id = document.get("log_id")
        if document.get("log_id") != self._log_id:
            raise _corrupt(position, "log-id", "An entry belongs to another log.")
        self._check_id(position, document)
        self._check_time(position, document)
        self._check_subject(position, document, digest)
        self._size += 1
        return document

    def finish(self, size: int | None = None) -> LogSummary:
        """The summary; `size` is what the log must hold by a count from elsewhere, None for any.

        Raises:
            LogCorrupt: the log ends elsewhere.
        """
        if size is not None and size != self._size:
            raise _corrupt(self._size, "size", "The log does not end where it should.")
        return LogSummary(self._log_id, self._size, self._recorded_at, self._subjects)

    def _check_id(self, position: int, document: Mapping[str, Any]) -> None:
        identifier = document.get("id")
        if not isinstance(identifier, str) or identifier in self._ids:
            raise _corrupt(position, "id", "An entry has no id, or one that came before.")
        self._ids.add(identifier)

    def _check_time(self, position: int, document: Mapping[str, Any]) -> None:
        recorded_at = document.get("recorded_at")
        if not isinstance(recorded_at, str) or recorded_at < (self._recorded_at or ""):
            raise _corrupt(position, "recorded-at", "An entry was recorded before the one ahead of it.")
        self._recorded_at = recorded_at

    def _check_subject(self, position: int, document: Mapping[str, Any], digest: bytes) -> None:
        subject = document.get("subject")
        if not isinstance(subject, str):
            raise _corrupt(position, "subject", "An entry names no subject.")
        head = self._subjects.get(subject.casefold())
        expected = (0, None) if head is None else (head.count, head.leaf_hash)
        if (document.get("subject_sequence"), document.get("previous")) != expected:
            raise _corrupt(position, "subject-chain", "An entry does not follow its subject's last one.")
        self._subjects[subject.casefold()] = SubjectHead(expected[0] + 1, digest.hex())


def verify_log(
    entries: Iterable[tuple[int, bytes, bytes]], size: int | None = None, log_id: str | None = None
) -> LogSummary:
    """Checks a whole log from its stored bytes.

    Args:
        entries: (position, exact bytes, stored leaf hash of 32 bytes) in the log's order
        size: how many entries there must be by a count from elsewhere, None where there is none
        log_id: the log they must belong to, None for that of the first entry

    Raises:
        LogCorrupt: facts `position` and `reason`: `position`, `leaf-hash`, `canonical`, `sequence`,
            `log-id`, `id`, `recorded-at`, `subject`, `subject-chain` or `size`.
    """
    check = LogCheck(log_id)
    for position, body, stored_hash in entries:
        check.accept(position, body, stored_hash)
    return check.finish(size)


def verify_subject(entries: Iterable[tuple[bytes, bytes]]) -> SubjectHead | None:
    """Checks one subject's history alone: (exact bytes, stored leaf hash) in order, complete from its first.

    Returns its head, or None when there is no entry. Positions in the whole log may have gaps here,
    but must rise.

    Raises:
        LogCorrupt: facts `position` (place in this history, from 0) and `reason`.
    """
    head: SubjectHead | None = None
    subject: str | None = None
    before = -1
    for place, (body, stored_hash) in enumerate(entries):
        digest = leaf_hash(body)
        if digest != stored_hash:
            raise _corrupt(place, "leaf-hash", "An entry's bytes differ from their hash.")
        document = _document(place, body)
        named, sequence = document.get("subject"), document.get("sequence")
        if not isinstance(named, str) or (subject is not None and named.casefold() != subject):
            raise _corrupt(place, "subject", "An entry belongs to another subject.")
        if not isinstance(sequence, int) or sequence <= before:
            raise _corrupt(place, "sequence", "An entry stands before the one ahead of it.")
        expected = (0, None) if head is None else (head.count, head.leaf_hash)
        if (document.get("subject_sequence"), document.get("previous")) != expected:
            raise _corrupt(place, "subject-chain", "An entry does not follow its subject's last one.")
        subject, before = named.casefold(), sequence
        head = SubjectHead(place + 1, digest.hex())
    return head


def _document(position: int, body: bytes) -> Mapping[str, Any]:
    """The object that the bytes state, if they are its canonical form."""
    try:
        document = parse_canonical(body)
        canonical = canonical_bytes(document) == body
    except CanonicalError:
        canonical = False
    if not canonical or not isinstance(document, dict):
        raise _corrupt(position, "canonical", "An entry is not the canonical form of an object.")
    return document


def _corrupt(position: int, reason: str, detail: str) -> LogCorrupt:
    return LogCorrupt(detail, position=position, reason=reason)
