"""Webhooks, their deliveries and replays as the store keeps them, and what an attempt makes of a delivery."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final

from service.domain.instants import format_instant, parse_instant
from service.domain.webhooks.messages import Message
from service.domain.webhooks.schedule import gives_up, next_attempt

MOST_WEBHOOKS: Final = 50  # of one plant
MOST_REPLAYS: Final = 10  # of one webhook, not finished yet

DELIVERED: Final = "delivered"
WAITING: Final = "waiting"
OUTCOMES: Final = (DELIVERED, WAITING)

# Why a webhook is disabled by the service; None where a person did it.
GONE: Final = "gone"
FAILING: Final = "failing"

# Why an attempt did not deliver.
CAUSES: Final = (
    "unreachable",  # no connection: name, route, handshake, certificate
    "no-answer",  # connected, but no whole answer in time
    "inward-target",  # the name has an address that points inward
    "redirected",  # 3xx, which is never followed
    "busy",  # 429, 502, 503, 504
    "gone",  # 410
    "refused",  # any other answer than 2xx
    "other-secret",  # this machine derives another secret than the one that was shown
)
# Causes that lie with the endpoint, not with one event: everything for it rests until the next attempt.
OF_THE_ENDPOINT: Final = frozenset(CAUSES) - {"refused"}
_BUSY: Final = frozenset({429, 502, 503, 504})


@dataclass(frozen=True)
class Webhook:
    """A webhook. line, hanger, type: only events of these; None for any.

    disabled: why the service disabled it (`gone`, `failing`), with the time; None otherwise.
    generation: number of its secret, from 1. previous_until: until when the secret before signs too.
    secret_mark: SHA-256 of the secret in hex. created_at, disabled_at, previous_until: RFC 3339, UTC.
    """

    id: str
    url: str
    line: str | None
    hanger: str | None
    type: str | None
    active: bool
    disabled: str | None
    disabled_at: str | None
    revision: int
    generation: int
    previous_until: str | None
    secret_mark: str
    created_at: str
    created_by: str

    def generations(self, now: datetime) -> Sequence[int]:
        """Numbers of the secrets that sign at this moment, the newest first."""
        if self.previous_until is not None and now < parse_instant(self.previous_until):
            return (self.generation, self.generation - 1)
        return (self.generation,)

    def as_data(self, host: str) -> dict[str, Any]:
        """What the log may know of it: the host, never the rest of the URL, and no secret."""
        return {
            "webhook": self.id,
            "host": host,
            "line": self.line,
            "hanger": self.hanger,
            "type": self.type,
            "active": self.active,
            "disabled": self.disabled,
            "revision": self.revision,
            "secret_generation": self.generation,
        }


@dataclass(frozen=True)
class Delivery:
    """How far the delivery of one event to one webhook is. replay: 0 for the first time round.

    attempts, first_attempt_at: since the webhook was last enabled. cause: why the last attempt did not
    deliver, None once delivered. status: of the last answer, None without one. Times: RFC 3339, UTC.
    """

    replay: int
    sequence: int
    outcome: str
    attempts: int
    status: int | None
    cause: str | None
    first_attempt_at: str
    last_attempt_at: str
    next_attempt_at: str | None


@dataclass(frozen=True)
class Replay:
    """Events [start, end) sent once more. number: from 1. cursor: the next place to look at."""

    number: int
    start: int
    end: int
    cursor: int
    created_at: str
    created_by: str
    finished_at: str | None


@dataclass(frozen=True)
class Progress:
    """How far a webhook is. cursor: every event before it that it wants has been delivered.

    size: of the log. resume_at: until when everything for it rests, None while nothing does. waiting: the
    first event that is waiting for another attempt. replays: the newest ones, newest first.
    """

    cursor: int
    size: int
    resume_at: str | None
    waiting: Delivery | None
    replays: Sequence[Replay]


@dataclass(frozen=True)
class Result:
    """What one attempt came to. cause: None when it was delivered. retry_after: the header, or None."""

    cause: str | None
    status: int | None = None
    retry_after: str | None = None


def result_of(status: int, retry_after: str | None = None) -> Result:
    """What an answer means: 2xx delivered; 410 gone; 429, 502, 503 and 504 busy; everything else refused."""
    if 200 <= status < 300:
        return Result(None, status)
    if 300 <= status < 400:
        return Result("redirected", status)
    if status == 410:
        return Result("gone", status)
    if status in _BUSY:
        return Result("busy", status, retry_after)
    return Result("refused", status)


def after_attempt(
    message: Message,
    replay_number: int,
    before: Delivery | None,
    result: Result,
    now: datetime,
    chance: float,
) -> Delivery:
    """The delivery after one more attempt.

    Args:
        message: what was sent
        replay_number: 0 for the first time round
        before: the delivery as it was, None at the first attempt
        result: what the attempt came to
        now: when it ended
        chance: in [0, 1), for the time of the next attempt
    """
    at = format_instant(now)
    made = before or Delivery(replay_number, message.sequence, WAITING, 0, None, None, at, at, None)
    made = replace(made, attempts=made.attempts + 1, status=result.status, last_attempt_at=at)
    if result.cause is None:
        return replace(made, outcome=DELIVERED, cause=None, next_attempt_at=None)
    again = next_attempt(now, made.attempts, chance, result.retry_after)
    return replace(made, outcome=WAITING, cause=result.cause, next_attempt_at=format_instant(again))


def disabling_reason(deliveries: Sequence[Delivery], now: datetime) -> str | None:
    """Why a webhook must be disabled after these attempts, or None: 410, or 5 days without success."""
    waiting = [each for each in deliveries if each.outcome == WAITING]
    if any(each.cause == "gone" for each in waiting):
        return GONE
    if any(gives_up(parse_instant(each.first_attempt_at), now) for each in waiting):
        return FAILING
    return None


def rest_until(deliveries: Sequence[Delivery]) -> str | None:
    """Until when everything for the webhook rests, or None: what failed for a cause of the endpoint's own."""
    return max(
        (
            each.next_attempt_at
            for each in deliveries
            if each.cause in OF_THE_ENDPOINT and each.next_attempt_at is not None
        ),
        default=None,
    )
