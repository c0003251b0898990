"""The courier: works the passes of one webhook off, a window of the log at a time.

What was delivered is kept before anything else is sent, so that only a crash between the two has an
event sent twice.
"""

from __future__ import annotations

import logging
import threading
import time
from collections import deque
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from service.domain.events import NewEvent
from service.domain.instants import format_instant
from service.domain.ports import Store
from service.domain.webhooks import (
    DELIVERED,
    WINDOW,
    Delivery,
    Message,
    Outbox,
    Pass,
    Result,
    Webhook,
    Window,
    after_attempt,
    cursor_after,
    disabling_reason,
    host_of,
    message_of,
    must_wait,
    plan_round,
    rest_until,
    secret_mark,
)
from service.errors import InvalidDocument, ServiceError
from service.relay.endpoints import Attempt, Endpoint

TURN_S: Final = 1.0  # after which another webhook may have its turn
SKIP_KEPT_S: Final = 5.0  # how often a cursor that moved past unwanted events alone is kept
_PAUSES_S: Final = (0.05, 0.1, 0.2, 0.5, 1.0)
_GRACE_S: Final = 10.0  # for keeping what was delivered while the relay is being stopped
_LOG: Final = logging.getLogger("service.relay")


@dataclass(frozen=True)
class Held:
    """A pass in which nothing can be sent before `until`, as long as neither webhook nor log changes."""

    revision: int
    end: int
    until: datetime | None


@dataclass(frozen=True)
class Skipped:
    """How far unwanted events were passed over since the cursor was kept."""

    revision: int
    cursor: int
    to: int
    kept_at: float


class Courier:
    """What every turn of every webhook shares; each webhook has one turn at a time."""

    def __init__(
        self,
        *,
        store: Store,
        outbox: Outbox,
        secrets: Callable[[str, int], str],
        make_endpoint: Callable[[str], Endpoint],
        clock: Callable[[], datetime],
        chance: Callable[[], float],
        new_id: Callable[[str], str],
        actor: str,
        halt: threading.Event,
    ) -> None:
        """secrets: a webhook's id and the number of its secret -> the secret. make_endpoint: of a URL,
        which it judges anew. actor: whose act it is when the service disables a webhook. halt: set when
        nothing more may be sent.
        """
        self._store = store
        self._outbox = outbox
        self._secrets = secrets
        self._make_endpoint = make_endpoint
        self._clock = clock
        self._chance = chance
        self._new_id = new_id
        self._actor = actor
        self._halt = halt
        self._endpoints: dict[str, tuple[str, Endpoint, float]] = {}
        self._held: dict[tuple[str, int], Held] = {}
        self._skipped: dict[tuple[str, int], Skipped] = {}

    # --- what is at hand --------------------------------------------------------------------------------
    def has_work(self, work: Pass, now: datetime) -> bool:
        """Whether a look at this pass may find something to send."""
        held = self._held.get(work.key)
        unchanged = held is not None and (held.revision, held.end) == (work.webhook.revision, work.end)
        if held is not None and unchanged and (held.until is None or must_wait(held.until, now)):
            return False
        skipped = self._skipped.get(work.key)
        return skipped is None or not _same(skipped, work) or skipped.to < work.end or self._may_keep(skipped)

    def turn(self, passes: Sequence[Pass]) -> int:
        """Works the passes of one webhook off, by turns, for about a second; how many messages were sent."""
        until = time.monotonic() + TURN_S
        waiting = deque(passes)
        sent = 0
        while waiting and not self._halt.is_set() and time.monotonic() < until:
            work = waiting.popleft()
            count, more = self._window(work)
            sent += count
            if more is not None:
                waiting.append(more)
        return sent

    def forget(self, webhooks: Collection[str], at_work: Collection[str], idle_s: float) -> None:
        """Closes connections that were not used for a while, and forgets what is known of other webhooks.

        at_work: webhooks that have their turn at this moment.
        """
        now = time.monotonic()
        for identifier, (_, endpoint, used) in list(self._endpoints.items()):
            if now - used > idle_s and identifier not in at_work:
                endpoint.close()
                self._endpoints.pop(identifier, None)
        for memory in (self._held, self._skipped):
            for key in [key for key in memory if key[0] not in webhooks]:
                memory.pop(key, None)

    def close(self) -> None:
        """Closes every connection."""
        for _, endpoint, _ in self._endpoints.values():
            endpoint.close()
        self._endpoints.clear()

    # --- one window --------------------------------------------------------------------------------------
    def _window(self, work: Pass) -> tuple[int, Pass | None]:
        """Sends what may go of the next window: how many, and the pass as it goes on, None for not now."""
        stored, known, scanned_to = self._outbox.window(work, self._start(work), WINDOW)
        window = Window(
            [message_of(work.plant, each, work.replay) for each in stored],
            {each.sequence: each for each in known},
            scanned_to,
        )
        planned = plan_round(window, self._clock(), probing=work.resume_at is not None)
        if not planned.lanes:
            return 0, self._nothing_to_send(work, window, planned.held_until)
        attempts = self._deliver(work.webhook, planned.lanes)
        if not attempts:
            return 0, None
        return len(attempts), self._after(work, window, attempts)

    def _start(self, work: Pass) -> int:
        skipped = self._skipped.get(work.key)
        return skipped.to if skipped is not None and _same(skipped, work) else work.cursor

    def _nothing_to_send(self, work: Pass, window: Window, held_until: datetime | None) -> Pass | None:
        cursor = cursor_after(window, ())
        if cursor == work.cursor:
            self._held[work.key] = Held(work.webhook.revision, work.end, held_until)
            return None
        skipped = self._skipped.get(work.key)
        kept_at = time.monotonic() if skipped is None or not _same(skipped, work) else skipped.kept_at
        now_skipped = Skipped(work.webhook.revision, work.cursor, cursor, kept_at)
        if work.replay == 0 and cursor > work.cursor and not self._may_keep(now_skipped):
            self._skipped[work.key] = now_skipped
            return None if cursor >= work.end else work
        return self._keep(work, [], cursor, work.resume_at)

    def _may_keep(self, skipped: Skipped) -> bool:
        return time.monotonic() - skipped.kept_at >= SKIP_KEPT_S

    def _deliver(self, webhook: Webhook, lanes: Sequence[Sequence[Message]]) -> list[Attempt]:
        """The attempts that were made: none of them reached anybody where the webhook cannot be served."""
        now = self._clock()
        secrets = [self._secrets(webhook.id, number) for number in webhook.generations(now)]
        if secret_mark(secrets[0]) != webhook.secret_mark:
            _LOG.error("another secret than at registration", extra={"fields": {"webhook": webhook.id}})
            return [Attempt(_first(lanes), Result("other-secret"), now)]
        try:
            endpoint = self._endpoint(webhook)
        except InvalidDocument:  # allowed when it was registered, and no more
            return [Attempt(_first(lanes), Result("inward-target"), now)]
        return endpoint.deliver(lanes, secrets, self._halt)

    def _endpoint(self, webhook: Webhook) -> Endpoint:
        known = self._endpoints.get(webhook.id)
        if known is not None and known[0] != webhook.url:
            known[1].close()
            known = None
        endpoint = self._make_endpoint(webhook.url) if known is None else known[1]
        self._endpoints[webhook.id] = (webhook.url, endpoint, time.monotonic())
        return endpoint

    def _after(self, work: Pass, window: Window, attempts: Sequence[Attempt]) -> Pass | None:
        """Keeps what came of the attempts; the pass as it goes on."""
        made = [
            after_attempt(
                each.message,
                work.replay,
                window.deliveries.get(each.message.sequence),
                each.result,
                each.ended,
                self._chance(),
            )
            for each in attempts
        ]
        cursor = cursor_after(window, {each.sequence for each in made if each.outcome == DELIVERED})
        rests = rest_until(made)
        more = self._keep(work, made, cursor, rests)
        failed = [each for each in made if each.cause is not None]
        if failed:
            _LOG.warning(
                "not delivered",
                extra={
                    "fields": {
                        "webhook": work.webhook.id,
                        "plant": work.plant,
                        "sequence": failed[0].sequence,
                        "cause": failed[0].cause,
                        "status": failed[0].status,
                        "attempts": failed[0].attempts,
                        "next_attempt_at": failed[0].next_attempt_at,
                    }
                },
            )
        reason = disabling_reason(made, max(each.ended for each in attempts))
        if reason is not None and more is not None:
            self._disable(work, reason)
            return None
        return None if rests is not None or cursor >= work.end else more

    def _keep(self, work: Pass, made: Sequence[Delivery], cursor: int, resume_at: str | None) -> Pass | None:
        """Keeps progress, however long the store is busy; None when the pass is not as it was."""
        self._skipped.pop(work.key, None)
        self._held.pop(work.key, None)
        stopped_at: float | None = None
        for pause in _pauses():
            try:
                if not self._outbox.record(work, made, cursor, resume_at, self._clock()):
                    return None
                break
            except ServiceError as error:
                if self._halt.is_set():
                    stopped_at = stopped_at or time.monotonic()
                    if time.monotonic() - stopped_at > _GRACE_S:
                        raise
                _LOG.warning("progress not kept yet", extra={"fields": {"code": error.code}})
                time.sleep(pause)
        return replace(work, cursor=cursor, resume_at=resume_at)

    def _disable(self, work: Pass, reason: str) -> None:
        """Disables the webhook, unless somebody has changed it meanwhile, and has the log say so."""
        now = format_instant(self._clock())
        with self._store.write(work.plant) as writer:
            row = writer.webhook(work.webhook.id)
            if row is None or not row.active or row.revision != work.webhook.revision:
                return
            disabled = replace(row, active=False, disabled=reason, disabled_at=now, revision=row.revision + 1)
            writer.append(
                NewEvent(
                    type="webhook-changed",
                    subject=f"webhook/{row.id}",
                    line=row.line,
                    occurred_at=now,
                    actor=self._actor,
                    performed_by=self._actor,
                    role="administrator",
                    data=disabled.as_data(host_of(row.url)),
                    request_id=self._new_id("rl_"),
                )
            )
            writer.change_webhook(disabled, at_once=False)
        _LOG.error("disabled", extra={"fields": {"webhook": row.id, "plant": work.plant, "reason": reason}})


def _same(skipped: Skipped, work: Pass) -> bool:
    return (skipped.revision, skipped.cursor) == (work.webhook.revision, work.cursor)


def _first(lanes: Sequence[Sequence[Message]]) -> Message:
    return min((lane[0] for lane in lanes), key=lambda message: message.sequence)


def _pauses() -> Iterator[float]:
    yield from _PAUSES_S
    while True:
        yield _PAUSES_S[-1]
