"""Following a log: what is new since the last look, in short reads, for as long as the reader likes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from service.application.context import Context, plant_in_scope, require
from service.application.log import begin_within
from service.domain.ports import EventFilter, StoredEvent
from service.errors import Finding, InvalidParameter, LogCorrupt

MOST: Final = 500  # events in one look
LAST_EVENT: Final = "Last-Event-ID"


def no_such_event(rule: str, detail: str, accepted: str) -> InvalidParameter:
    """The error for an id that names no event: to go on from somewhere else would lose events."""
    return InvalidParameter(
        f"{LAST_EVENT} names no event of this log.",
        errors=[Finding("header", rule, detail, name=LAST_EVENT, accepted=accepted)],
    )


class Following:
    """One reader's place in a plant's log. Nothing is held open between two looks.

    `position` is the sequence to look at next: every event before it was given, or is none that the
    filter lets through.
    """

    def __init__(
        self, context: Context, plant: str, wanted: EventFilter, start: int, last: int | None = None
    ) -> None:
        """start: first sequence wanted. last: the last event that the reader had, which beats `start`.

        Errors: NotPermitted, NotFound, InvalidParameter for a place that the log has not reached.
        """
        require(context, "read_log")
        plant_in_scope(context, plant)
        self._store, self._plant = context.store, plant
        self._wanted = replace(wanted, lines=context.principal.lines)
        self.position = start if last is None else last + 1
        with self._store.pull(plant, self.position) as reader:
            size = reader.size
        if last is None:
            begin_within(start, size)
        elif last >= size:
            accepted = f"0 to {size - 1}" if size else "none: the log is empty"
            raise no_such_event("within-the-log", "not reached yet", accepted)

    def more(self) -> Sequence[StoredEvent]:
        """The events after those given so far, at most 500; empty when there are none for now.

        The size and the events are of one state, so that an event recorded between two looks is never
        passed over.

        Errors: LogCorrupt when the log ends before what was given: it is not the log that it was.
        """
        with self._store.pull(self._plant, self.position) as reader:
            size = reader.size
            if size < self.position:
                raise LogCorrupt("The log ends before events that were given.", position=size, reason="size")
            if size == self.position:
                return ()
            rows = reader.events(self._wanted, self.position, MOST)
        self.position = size if len(rows) < MOST else rows[-1].event.sequence + 1
        return rows
