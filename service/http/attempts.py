"""Trying again: a transaction that another write undid is done once more, within the time a write may wait.

On SQLite writers wait for one lock and none is undone. On PostgreSQL the database may undo one of
two (serialisation failure, deadlock), a connection may be lost before the commit, and a read of the
replica may be broken off. In all of these nothing was written, so that the same request may run again.
A commit whose outcome is not known is never repeated here: the caller does that, under the same key.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, TypeVar

from service.errors import WriteConflict

Result = TypeVar("Result")

FIRST_PAUSE_S: Final = 0.02
LONGEST_PAUSE_S: Final = 0.5


@dataclass(frozen=True)
class Attempts:
    """How long and how often a transaction is tried.

    limit_s: no attempt begins later than this after the first. clock: seconds that never go back.
    sleep: waits so many seconds. chance: an even number from 0 to below 1.
    """

    limit_s: float
    clock: Callable[[], float] = time.monotonic
    sleep: Callable[[float], None] = time.sleep
    chance: Callable[[], float] = random.random

    def of(self, transaction: Callable[[], Result]) -> Result:
        """Run a whole transaction until no other write comes between, or the time is over.

        The pause before each new attempt is a random part of a span that doubles, so that two
        writers that met do not meet again.

        Raises:
            WriteConflict: the last attempt's, once the time is over
        """
        end = self.clock() + self.limit_s
        span = FIRST_PAUSE_S
        while True:
            try:
                return transaction()
            except WriteConflict:
                pause = span * self.chance()
                if self.clock() + pause >= end:
                    raise
                self.sleep(pause)
                span = min(2 * span, LONGEST_PAUSE_S)
