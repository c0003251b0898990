"""Webhooks of one plant within one transaction: what the use cases read and write of them."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any, Final

import orjson
from sqlalchemy import Connection, Row, delete, func, insert, select, update

from service.domain.webhooks import WAITING, Delivery, Progress, Replay, Webhook
from service.persistence.tables import idempotency_keys
from service.persistence.webhook_tables import deliveries, replays, webhooks

MOST_REPLAYS_SHOWN: Final = 20

WEBHOOK_COLUMNS: Final = (
    webhooks.c.id,
    webhooks.c.url,
    webhooks.c.line,
    webhooks.c.hanger,
    webhooks.c.type,
    webhooks.c.active,
    webhooks.c.disabled,
    webhooks.c.disabled_at,
    webhooks.c.revision,
    webhooks.c.generation,
    webhooks.c.previous_until,
    webhooks.c.secret_mark,
    webhooks.c.created_at,
    webhooks.c.created_by,
)
DELIVERY_COLUMNS: Final = (
    deliveries.c.replay,
    deliveries.c.sequence,
    deliveries.c.outcome,
    deliveries.c.attempts,
    deliveries.c.status,
    deliveries.c.cause,
    deliveries.c.first_attempt_at,
    deliveries.c.last_attempt_at,
    deliveries.c.next_attempt_at,
)
_REPLAY_COLUMNS: Final = (
    replays.c.number,
    replays.c.first,
    replays.c.until,
    replays.c.cursor,
    replays.c.created_at,
    replays.c.created_by,
    replays.c.finished_at,
)


class StoredWebhooks:
    """Reading. Implements `webhooks.WebhookReader` for a class with a connection and a log."""

    connection: Connection

    @property
    @abstractmethod
    def log(self) -> int:
        """The log's number in the tables."""

    @property
    @abstractmethod
    def size(self) -> int:
        """Number of events of the log."""

    def webhook(self, identifier: str) -> Webhook | None:
        """One webhook, or None."""
        row = self.connection.execute(self._those().where(webhooks.c.id == identifier)).one_or_none()
        return None if row is None else Webhook(*row)

    def webhooks(self, after: str, limit: int, scope: frozenset[str] | None) -> Sequence[Webhook]:
        """Webhooks with an id above `after`, ascending; scope: folded keys of lines, None for all."""
        rows = self.connection.execute(
            self._those().where(webhooks.c.id > after).order_by(webhooks.c.id)
        ).all()
        found = (Webhook(*row) for row in rows)  # few: a plant has no more than a bounded number
        seen = [
            each
            for each in found
            if scope is None or (each.line is not None and each.line.casefold() in scope)
        ]
        return seen[:limit]

    def webhook_progress(self, identifier: str) -> Progress | None:
        """How far a webhook is, or None."""
        row = self.connection.execute(
            select(webhooks.c.cursor, webhooks.c.resume_at).where(*self._own(identifier))
        ).one_or_none()
        if row is None:
            return None
        waiting = self.connection.execute(
            select(*DELIVERY_COLUMNS)
            .where(
                deliveries.c.webhook == identifier,
                deliveries.c.replay == 0,
                deliveries.c.outcome == WAITING,
            )
            .order_by(deliveries.c.sequence)
            .limit(1)
        ).one_or_none()
        again = self.connection.execute(
            select(*_REPLAY_COLUMNS)
            .where(replays.c.webhook == identifier)
            .order_by(replays.c.number.desc())
            .limit(MOST_REPLAYS_SHOWN)
        ).all()
        return Progress(
            cursor=row.cursor,
            size=self.size,
            resume_at=row.resume_at,
            waiting=None if waiting is None else Delivery(*waiting),
            replays=[Replay(*each) for each in again],
        )

    def deliveries(
        self, identifier: str, replay: int, after: int, limit: int, outcome: str | None
    ) -> Sequence[Delivery]:
        """Deliveries of one pass with a sequence above `after`, ascending; outcome None for any."""
        query = select(*DELIVERY_COLUMNS).where(
            deliveries.c.webhook == identifier,
            deliveries.c.replay == replay,
            deliveries.c.sequence > after,
        )
        if outcome is not None:
            query = query.where(deliveries.c.outcome == outcome)
        rows = self.connection.execute(query.order_by(deliveries.c.sequence).limit(limit))
        return [Delivery(*row) for row in rows]

    def _own(self, identifier: str) -> tuple[Any, ...]:
        return (webhooks.c.log == self.log, webhooks.c.id == identifier, webhooks.c.removed_at.is_(None))

    def _those(self) -> Any:
        return select(*WEBHOOK_COLUMNS).where(webhooks.c.log == self.log, webhooks.c.removed_at.is_(None))


class WebhookRows(StoredWebhooks):
    """Writing, under the plant's write lock. Implements `webhooks.WebhookWriter`."""

    def add_webhook(self, row: Webhook, cursor: int) -> None:
        """One more webhook. cursor: first sequence that it is to get."""
        self.connection.execute(
            insert(webhooks),
            {**asdict(row), "log": self.log, "cursor": cursor, "resume_at": None, "removed_at": None},
        )

    def change_webhook(self, row: Webhook, *, at_once: bool) -> None:
        """Writes a webhook anew. at_once: what waited is tried at once, as if for the first time."""
        values = {name: value for name, value in asdict(row).items() if name != "id"}
        if at_once:
            values["resume_at"] = None
        # The webhook's row first, as the relay does: locks taken in one order cannot block each other.
        self.connection.execute(update(webhooks).where(*self._own(row.id)).values(**values))
        if at_once:
            self.connection.execute(
                delete(deliveries).where(deliveries.c.webhook == row.id, deliveries.c.outcome == WAITING)
            )

    def remove_webhook(self, identifier: str, removed_at: str) -> None:
        """Ends a webhook and forgets its URL, also in the answers kept under idempotency keys.

        The relay forgets its deliveries bit by bit.
        """
        self.connection.execute(
            update(webhooks).where(*self._own(identifier)).values(url="", active=False, removed_at=removed_at)
        )

        named = idempotency_keys.c.answer.contains(f'"id":"{identifier}"', autoescape=True)
        kept = select(idempotency_keys.c.scope, idempotency_keys.c.answer).where(named)
        for scope, answer in self.connection.execute(kept).all():
            document = orjson.loads(answer)
            if isinstance(document.get("webhook"), dict) and document["webhook"]["id"] == identifier:
                document["webhook"]["url"] = ""
                self.connection.execute(
                    update(idempotency_keys)
                    .where(idempotency_keys.c.scope == scope)
                    .values(answer=orjson.dumps(document).decode("utf-8"))
                )

    def add_replay(self, identifier: str, start: int, end: int, created_at: str, created_by: str) -> Replay:
        """Has events [start, end) sent once more."""
        last: int | None = self.connection.execute(
            select(func.max(replays.c.number)).where(replays.c.webhook == identifier)
        ).scalar()
        made = Replay((last or 0) + 1, start, end, start, created_at, created_by, None)
        self.connection.execute(
            insert(replays),
            {
                "webhook": identifier,
                "number": made.number,
                "first": start,
                "until": end,
                "cursor": start,
                "created_at": created_at,
                "created_by": created_by,
                "finished_at": None,
            },
        )
        return made

    def open_replays(self, identifier: str) -> int:
        """How many replays of a webhook are not finished."""
        count: int | None = self.connection.execute(
            select(func.count()).where(replays.c.webhook == identifier, replays.c.finished_at.is_(None))
        ).scalar()
        return count or 0


def webhook_of(row: Row[*tuple[Any, ...]]) -> Webhook:
    """The webhook that a row with WEBHOOK_COLUMNS first states."""
    return Webhook(*row[: len(WEBHOOK_COLUMNS)])
