"""One webhook's endpoint: its lanes, each with a connection of its own."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from service.domain.webhooks import LANES, Message, Result, headers_of
from service.domain.webhooks.records import OF_THE_ENDPOINT
from service.relay.connections import Sender

ROUND_S: Final = 5.0  # after which no lane begins another message, so that progress is kept in time


@dataclass(frozen=True)
class Attempt:
    """A message that was sent, what came of it, and when that was known."""

    message: Message
    result: Result
    ended: datetime


class Endpoint:
    """The connections to one target. One round at a time."""

    def __init__(self, make: Callable[[], Sender], executor: Executor, clock: Callable[[], datetime]) -> None:
        """make: a new connection to the target. executor: threads for all lanes but the first."""
        self._senders = [make() for _ in range(LANES)]
        self._executor = executor
        self._clock = clock

    def deliver(
        self, lanes: Sequence[Sequence[Message]], secrets: Sequence[str], halt: threading.Event
    ) -> list[Attempt]:
        """Sends the lanes side by side.

        A lane ends at its first failure; all end when the endpoint itself fails, when `halt` is set, and
        after five seconds.

        Returns:
            every attempt that was made
        """
        down = threading.Event()
        until = time.monotonic() + ROUND_S

        def run(lane: int) -> list[Attempt]:
            return self._lane(self._senders[lane], lanes[lane], secrets, halt, down, until)

        others = [self._executor.submit(run, lane) for lane in range(1, len(lanes))]
        made = run(0) if lanes else []
        for other in others:
            made += other.result()
        return made

    def close(self) -> None:
        """Closes the connections."""
        for sender in self._senders:
            sender.close()

    def _lane(
        self,
        sender: Sender,
        messages: Sequence[Message],
        secrets: Sequence[str],
        halt: threading.Event,
        down: threading.Event,
        until: float,
    ) -> list[Attempt]:
        made: list[Attempt] = []
        for message in messages:
            if halt.is_set() or down.is_set() or time.monotonic() >= until:
                break
            result = sender.send(headers_of(message, secrets, self._clock()), message.body)
            made.append(Attempt(message, result, self._clock()))
            if result.cause is not None:
                if result.cause in OF_THE_ENDPOINT:
                    down.set()
                break
        return made
