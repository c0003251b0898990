"""The relay: waits for its turn to lead, then looks for work and gives each webhook its turn."""

from __future__ import annotations

import logging
import random
import ssl
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from datetime import datetime, timedelta
from typing import Final

from service.domain.ports import Store
from service.domain.webhooks import LANES, Leadership, Outbox, Pass, parse_target
from service.errors import ServiceError
from service.relay.connections import TIME_S, Deadlines, Resolve, Sender, look_up
from service.relay.courier import Courier
from service.relay.endpoints import Endpoint

AT_ONCE: Final = 8  # webhooks that have their turn side by side
POLL_S: Final = 0.5
STANDBY_S: Final = 2.0
TROUBLE_S: Final = 2.0  # pause after the store could not be asked
IDLE_S: Final = 60.0  # after which connections that are not used are closed
PRUNE_EVERY_S: Final = 3_600.0
KEPT_FOR: Final = timedelta(days=30)
FORGOTTEN_AT_ONCE: Final = 1_000
_LOG: Final = logging.getLogger("service.relay")


class Relay:
    """Sends what the logs hold to the webhooks that want it. Many may run; one at a time leads."""

    def __init__(
        self,
        *,
        store: Store,
        outbox: Outbox,
        secrets: Callable[[str, int], str],
        allowed: frozenset[str],
        clock: Callable[[], datetime],
        new_id: Callable[[str], str],
        actor: str,
        chance: Callable[[], float] = random.random,
        resolve: Resolve = look_up,
        tls: ssl.SSLContext | None = None,
        time_s: float = TIME_S,
        poll_s: float = POLL_S,
    ) -> None:
        """The relay, at rest.

        Args:
            store: for the events by which the service disables a webhook
            outbox: the logs, and what has been delivered
            secrets: a webhook's id and the number of its secret -> the secret
            allowed: targets that may point inward, as the operator names them
            clock: the present, UTC
            new_id: an id with the prefix given
            actor: principal whose act it is when the service disables a webhook
            chance: in [0, 1), spreads the attempts
            resolve: addresses of a host
            tls: by which https targets prove who they are; the system's authorities when None
            time_s: longest attempt in seconds
            poll_s: pause between looks at an outbox that was empty, in seconds
        """
        self._store = store
        self.outbox = outbox
        self._secrets = secrets
        self._allowed = allowed
        self.clock = clock
        self._new_id = new_id
        self._actor = actor
        self._chance = chance
        self._resolve = resolve
        self._tls = tls or ssl.create_default_context()
        self._time_s = time_s
        self.poll_s = poll_s
        self.sent = 0  # messages since the relay was made, for those who measure

    def run(self, stop: threading.Event) -> None:
        """Works until `stop` is set; ends when what is under way has been kept."""
        while not stop.is_set():
            try:
                leadership = self.outbox.lead()
            except ServiceError as error:
                _LOG.warning("cannot lead", extra={"fields": {"code": error.code}})
                stop.wait(TROUBLE_S)
                continue
            if leadership is None:
                stop.wait(STANDBY_S)
                continue
            _LOG.info("leads")
            try:
                _Leading(self, leadership, stop).run()
            finally:
                leadership.release()

    def courier(self, deadlines: Deadlines, lanes: ThreadPoolExecutor, halt: threading.Event) -> Courier:
        """A courier for the time of one leadership."""

        def make_endpoint(url: str) -> Endpoint:
            target = parse_target(url, self._allowed)

            def make_sender() -> Sender:
                return Sender(target, deadlines, resolve=self._resolve, tls=self._tls, time_s=self._time_s)

            return Endpoint(make_sender, lanes, self.clock)

        return Courier(
            store=self._store,
            outbox=self.outbox,
            secrets=self._secrets,
            make_endpoint=make_endpoint,
            clock=self.clock,
            chance=self._chance,
            new_id=self._new_id,
            actor=self._actor,
            halt=halt,
        )


class _Leading:
    """The time for which one relay leads."""

    def __init__(self, relay: Relay, leadership: Leadership, stop: threading.Event) -> None:
        self._relay = relay
        self._leadership = leadership
        self._stop = stop
        self._halt = threading.Event()
        self._wake = threading.Event()
        self._at_work: dict[str, Future[int]] = {}
        self._prune_at = time.monotonic()

    def run(self) -> None:
        """Looks for work until the relay is stopped or leads no more."""
        deadlines = Deadlines()
        lanes = ThreadPoolExecutor(AT_ONCE * (LANES - 1), "relay-lane")
        turns = ThreadPoolExecutor(AT_ONCE, "relay-turn")
        courier = self._relay.courier(deadlines, lanes, self._halt)
        watcher = threading.Thread(target=self._watch, name="relay-stop", daemon=True)
        watcher.start()
        try:
            while not self._halt.is_set():
                pause = self._look(courier, turns)
                self._wake.wait(pause)
                self._wake.clear()
        finally:
            self._halt.set()
            turns.shutdown(wait=True)
            lanes.shutdown(wait=True)
            courier.close()
            deadlines.close()
            watcher.join()

    def _watch(self) -> None:
        """Ends the time of leading at once when the relay is to stop or its leadership is lost."""
        while not self._halt.is_set():
            if self._stop.wait(self._relay.poll_s) or not self._leadership.holds():
                self._halt.set()
                self._wake.set()

    def _look(self, courier: Courier, turns: ThreadPoolExecutor) -> float:
        """Gives every webhook with work its turn; seconds until the next look."""
        for identifier in [name for name, turn in self._at_work.items() if turn.done()]:
            self._finished(self._at_work.pop(identifier))
        now = self._relay.clock()
        try:
            due = self._relay.outbox.due(now)
            self._prune(now)
        except ServiceError as error:
            _LOG.warning("the store cannot be asked", extra={"fields": {"code": error.code}})
            return TROUBLE_S
        by_webhook: dict[str, list[Pass]] = {}
        for work in due:
            if work.webhook.id not in self._at_work and courier.has_work(work, now):
                by_webhook.setdefault(work.webhook.id, []).append(work)
        for identifier, passes in by_webhook.items():
            turn = turns.submit(courier.turn, passes)
            self._at_work[identifier] = turn
            turn.add_done_callback(lambda _: self._wake.set())
        courier.forget({work.webhook.id for work in due}, self._at_work, IDLE_S)
        return self._relay.poll_s

    def _finished(self, turn: Future[int]) -> None:
        try:
            self._relay.sent += turn.result()
        except ServiceError as error:
            _LOG.warning("a turn failed", extra={"fields": {"code": error.code}})
        except Exception as error:  # noqa: BLE001 - one webhook's fault must not stop the others'
            _LOG.error("a turn failed", exc_info=error)

    def _prune(self, now: datetime) -> None:
        """Every hour, forgets old deliveries a part at a time."""
        if time.monotonic() < self._prune_at:
            return
        count = self._relay.outbox.prune(now - KEPT_FOR, FORGOTTEN_AT_ONCE)
        self._prune_at = time.monotonic() + (0.0 if count >= FORGOTTEN_AT_ONCE else PRUNE_EVERY_S)
