"""The order of a log, checked from its stored bytes: positions, hashes and each subject's chain.

A log's entries have dense positions from 0. Besides, each subject's events count densely from 0
and name the hash of the subject's event before, so that one subject's history can be shown
complete without showing the rest. Everything here is derived again from the bytes; nothing is
believed because it was stored. The rules are the verifier's; this is how the service asks them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from service.errors import LogCorrupt
from service.ledger.verifier import (
    RULES,
    EntryOrder,
    Refused,
    SubjectHead,
    facts_of,
    leaf_hash,
    read_entry,
)

__all__ = ["LogCheck", "LogSummary", "SubjectHead", "verify_log", "verify_subject"]


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
        self._order = EntryOrder(log_id)
        self._size = 0

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
        rule = self._order.follow(facts_of(document), digest.hex(), position)
        if rule is not None:
            raise _broken(position, rule)
        self._size += 1
        return document

    def finish(self, size: int | None = None) -> LogSummary:
        """The summary; `size` is what the log must hold by a count from elsewhere, None for any.

        Raises:
            LogCorrupt: the log ends elsewhere.
        """
        if size is not None and size != self._size:
            raise _corrupt(self._size, "size", "The log does not end where it should.")
        order = self._order
        return LogSummary(order.log_id, self._size, order.recorded_at, order.heads)


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
        LogCorrupt: facts `position` (place in this history, from 0) and `reason`, as `verify_log`.
    """
    order = EntryOrder()
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
        if type(sequence) is not int or sequence <= before:
            raise _corrupt(place, "sequence", "An entry stands before the one ahead of it.")
        rule = order.follow(facts_of(document), digest.hex())
        if rule is not None:
            raise _broken(place, rule)
        subject, before = named.casefold(), sequence
    return None if subject is None else order.heads[subject]


def _document(position: int, body: bytes) -> Mapping[str, Any]:
    """The object that the bytes state, if they are its canonical form."""
    try:
        return read_entry(body)
    except Refused as refused:
        raise _corrupt(position, "canonical", refused.detail) from refused


def _broken(position: int, rule: str) -> LogCorrupt:
    reason = "subject-chain" if rule in {"subject-gap", "subject-start"} else rule
    return _corrupt(position, reason, RULES[rule])


def _corrupt(position: int, reason: str, detail: str) -> LogCorrupt:
    return LogCorrupt(detail, position=position, reason=reason)
