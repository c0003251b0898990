"""Ports: what the use cases and the relay need of a store for webhooks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from service.domain.webhooks.messages import StoredBytes
from service.domain.webhooks.records import Delivery, Progress, Replay, Webhook


class WebhookReader(Protocol):
    """The webhooks of one plant."""

    def webhook(self, identifier: str) -> Webhook | None:
        """One webhook, or None."""

    def webhooks(self, after: str, limit: int, scope: frozenset[str] | None) -> Sequence[Webhook]:
        """Webhooks with an id above `after`, ascending; scope: folded keys of lines, None for all."""

    def webhook_progress(self, identifier: str) -> Progress | None:
        """How far a webhook is, or None."""

    def deliveries(
        self, identifier: str, replay: int, after: int, limit: int, outcome: str | None
    ) -> Sequence[Delivery]:
        """Deliveries of one pass with a sequence above `after`, ascending; outcome None for any."""


class WebhookWriter(Protocol):
    """The webhooks of one plant under its write lock."""

    def add_webhook(self, row: Webhook, cursor: int) -> None:
        """One more webhook. cursor: first sequence that it is to get."""

    def change_webhook(self, row: Webhook, *, at_once: bool) -> None:
        """Write a webhook anew. at_once: what waited is tried at once, as if for the first time."""

    def remove_webhook(self, identifier: str, removed_at: str) -> None:
        """End a webhook and forget its URL."""

    def add_replay(self, identifier: str, start: int, end: int, created_at: str, created_by: str) -> Replay:
        """Have events [start, end) sent once more."""

    def open_replays(self, identifier: str) -> int:
        """How many replays of a webhook are not finished."""


@dataclass(frozen=True)
class Pass:
    """Work at hand: one webhook's way along the log from `cursor` to `end`, for the first time or once more.

    log: the log's number in the store. replay: 0 for the first time round. resume_at: when the rest ends
    that the endpoint was given after it failed, None where it did not.
    """

    webhook: Webhook
    plant: str
    log: int
    replay: int
    cursor: int
    end: int
    resume_at: str | None

    @property
    def key(self) -> tuple[str, int]:
        """What tells this pass from every other."""
        return (self.webhook.id, self.replay)


class Leadership(Protocol):
    """Held by the one relay of all that may send."""

    def holds(self) -> bool:
        """Whether it is still held; asked before each round."""

    def release(self) -> None:
        """Let another one lead."""


class Outbox(Protocol):
    """The logs as the relay sees them: events that have yet to reach a webhook."""

    def lead(self) -> Leadership | None:
        """The leadership, or None while another relay has it."""

    def due(self, now: datetime) -> Sequence[Pass]:
        """Every pass that has events before it and does not rest; none of a log that is closed to writes."""

    def window(
        self, work: Pass, start: int, limit: int
    ) -> tuple[Sequence[StoredBytes], Sequence[Delivery], int]:
        """At most `limit` events from `start` on that the pass wants, what is known of their deliveries,
        and the place before which it wants no other."""

    def record(
        self, work: Pass, deliveries: Sequence[Delivery], cursor: int, resume_at: str | None, now: datetime
    ) -> bool:
        """Keep what was delivered and how far the pass is, in one transaction.

        False, and nothing kept, when the pass is no more or stands elsewhere than `work` says. Where the
        webhook was changed meanwhile, what failed is not kept: it is tried again as the change wants it.
        """

    def prune(self, before: datetime, limit: int) -> int:
        """Forget deliveries made before this instant, at most `limit`; how many were forgotten."""
