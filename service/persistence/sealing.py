"""Closing a log to writes, and what this process remembers for it: faults found, checkpoints given.

A fault is written to the log's row, so that every process refuses; it is remembered here as well, for
a database that can no longer be written. Reads go on either way.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Mapping
from typing import Any, Final

from sqlalchemy import Connection, Engine, exc, update

from service.domain.ports import LogFault, StoredCheckpoint
from service.errors import LogCorrupt, LogSealed
from service.persistence.growing import frontier_of
from service.persistence.log_reading import Head, fault_from_text, fault_text, head_row
from service.persistence.tables import logs

KNOWN_FOR_S: Final = 2.0  # how long a process answers from memory whether a log is open
_LOG: Final = logging.getLogger("service.log")

# Reasons of a check from the tables, in the verifier's words.
_REASONS: Final[Mapping[str, str]] = {
    "position": "missing",
    "head": "cut-off",
    "size": "cut-off",
    "sequence": "reordered",
    "log-id": "other-log",
    "recorded-at": "chain",
    "subject": "chain",
    "subject-chain": "chain",
    "id": "chain",
    "frontier": "forked",
    "words": "text",
}
_ALTERED: Final = "altered"
_WORDS: Final = frozenset(_REASONS.values()) | {"altered", "wrong-key", "signature", "malformed", "document"}


def fault_of(error: LogCorrupt, found_at: str) -> LogFault:
    """The fault that a check from the tables found."""
    reason = str(error.facts.get("reason", _ALTERED))
    known = reason if reason in _WORDS else _REASONS.get(reason, _ALTERED)
    return LogFault(error.facts.get("position"), known, found_at)


class Seals:
    """What one process knows of its logs. Plants are told apart by folded key; None is the service's log."""

    def __init__(self, engine: Engine, clock: Callable[[], float] = time.monotonic) -> None:
        """engine: for single statements outside a transaction. clock: seconds that never go back."""
        self._engine = engine
        self._clock = clock
        self._found: dict[str | None, LogFault] = {}
        self._given: dict[str, StoredCheckpoint] = {}
        self._asked: dict[str | None, tuple[float, LogFault | None]] = {}

    # --- faults ---------------------------------------------------------------------------------------
    def known(self, plant: str | None, stored: LogFault | None) -> LogFault | None:
        """The fault of a log whose row states `stored`."""
        return stored or self._found.get(_key(plant))

    def ask(self, plant: str | None) -> LogFault | None:
        """The fault of a log as its row stated it at most two seconds ago; None also for no such plant."""
        key, now = _key(plant), self._clock()
        asked = self._asked.get(key)
        if asked is None or not asked[0] <= now < asked[0] + KNOWN_FOR_S:
            with self._engine.connect() as connection:
                row = head_row(connection, plant)
            asked = (now, None if row is None else fault_from_text(row.fault))
            self._asked[key] = asked
        return self.known(plant, asked[1])

    def seal(self, connection: Connection, plant: str | None, fault: LogFault) -> None:
        """Closes a log to writes. connection: under its write lock, in no transaction.

        Where the row cannot be written the fault is kept in this process's memory alone.
        """
        self._asked.pop(_key(plant), None)
        _LOG.error(
            "A log is closed to writes.",
            extra={"fields": {"plant": plant, "position": fault.position, "reason": fault.reason}},
        )
        try:
            connection.execute(
                update(logs).where(_row_of(plant), logs.c.fault.is_(None)).values(fault=fault_text(fault))
            )
            connection.commit()
        except exc.SQLAlchemyError as error:
            self._found[_key(plant)] = fault
            connection.rollback()
            _LOG.error(
                "The fault could not be written to the log's row.",
                extra={"fields": {"plant": plant, "error": type(error).__name__}},
            )

    def remember(self, plant: str | None, fault: LogFault) -> None:
        """Closes a log to this process alone: its row cannot be reached."""
        self._found[_key(plant)] = fault

    def open(self, connection: Connection, plant: str | None, fault: LogFault) -> None:
        """Opens a log again whose fault was not found in full. connection: as for `seal`.

        fault: as its row stated before; another one, found meanwhile, stays.
        """
        connection.execute(
            update(logs).where(_row_of(plant), logs.c.fault == fault_text(fault)).values(fault=None)
        )
        connection.commit()
        self._found.pop(_key(plant), None)
        self._asked.pop(_key(plant), None)

    # --- checkpoints given ------------------------------------------------------------------------------
    def gave(self, log_id: str, checkpoint: StoredCheckpoint) -> None:
        """Remembers a checkpoint whose transaction was committed."""
        known = self._given.get(log_id)
        if known is None or known.size < checkpoint.size:
            self._given[log_id] = checkpoint

    def given(self, log_id: str) -> StoredCheckpoint | None:
        """The greatest checkpoint that this process gave of a log, or None."""
        return self._given.get(log_id)


def sealed(plant: str | None, fault: LogFault) -> LogSealed:
    """The refusal of a write to a log with this fault."""
    return LogSealed(
        "The log disagrees with itself or with a checkpoint that was given, and takes no writes until it "
        "has been examined.",
        plant=plant,
        position=fault.position,
        reason=fault.reason,
    )


def refuse_another_end(
    head: Head, last: int, signed_size: int | None, signed_root: bytes | None, given: StoredCheckpoint | None
) -> None:
    """Refuses a log whose row, last event, tree and newest checkpoint do not belong together.

    head: as its row states it. last: sequence of its last event, -1 when empty. signed_size,
    signed_root: of its newest checkpoint, None without one. given: one that is known to have been given.

    Raises:
        LogCorrupt: facts `position`, None where no place can be named, and `reason`
    """
    refuse_another_last(head.next_sequence, last)
    if (head.frontier_size or 0) > head.next_sequence:
        raise LogCorrupt("The log ends before its tree.", position=head.next_sequence, reason="head")
    if head.frontier_size != signed_size:
        raise _no_checkpoint(None)
    if signed_size is None:
        if given is not None:
            raise LogCorrupt("The log has lost its checkpoints.", position=0, reason="cut-off")
        return
    if frontier_of(head).root() != signed_root:
        raise _no_checkpoint(None)
    if given is not None and signed_size < given.size:
        raise LogCorrupt("The log ends before a checkpoint given.", position=signed_size, reason="cut-off")
    if given is not None and signed_size == given.size and signed_root != given.root:
        raise _no_checkpoint(None)


def refuse_another_last(next_sequence: int, last: int) -> None:
    """Refuses a log whose row says `next_sequence` while its last event is at `last` (-1: none).

    Raises:
        LogCorrupt: facts `position`, the first that is missing or too much, and `reason`
    """
    if next_sequence != last + 1:
        position = min(next_sequence, last + 1)
        raise LogCorrupt("The log does not end where its head says.", position=position, reason="head")


def refuse_another_past(given: StoredCheckpoint, stored: StoredCheckpoint | None) -> None:
    """Refuses a log that has grown since a checkpoint was given, but not from there.

    stored: the log's checkpoint of that size, None without one.

    Raises:
        LogCorrupt: facts `position`, None, and `reason`
    """
    if stored is None or stored.root != given.root:
        raise _no_checkpoint(None)


def _no_checkpoint(position: int | None) -> LogCorrupt:
    return LogCorrupt("The log's tree is not that of its checkpoint.", position=position, reason="frontier")


def _key(plant: str | None) -> str | None:
    return None if plant is None else plant.casefold()


def _row_of(plant: str | None) -> Any:
    return logs.c.kind == "service" if plant is None else logs.c.plant_key == plant.casefold()
