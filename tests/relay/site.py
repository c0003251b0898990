"""A plant with a store on either engine, webhooks in it, and relays that run in this process."""

from __future__ import annotations

import ssl
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from service.bootstrap import OPERATOR, new_id
from service.config import Settings
from service.domain.webhooks import Delivery, Progress, Webhook, secret_mark, secret_of
from service.persistence.migrate import migrate
from service.persistence.outbox import SqlOutbox
from service.persistence.store import SqlStore, open_store
from service.relay.connections import look_up
from service.relay.relay import Relay
from tests.contract.acts import (
    act,
    append,
    hanger_record,
    line_record,
    open_plant,
    plant_record,
    settings_for,
    turn,
)

PLANT = "Works-1"


class Ahead:
    """The present, some way ahead where a test says so."""

    def __init__(self) -> None:
        self.by = timedelta()

    def __call__(self) -> datetime:
        return datetime.now(UTC) + self.by

    def move(self, **by: float) -> None:
        self.by += timedelta(**by)


class Site:
    """A plant with hangers H-0 to H-7 on two lines: 11 events."""

    def __init__(self, url: str, folder: Path) -> None:
        self.settings: Settings = settings_for(
            url, folder, WEBHOOK_ALLOWED_TARGETS="127.0.0.1,[::1],localhost"
        )
        migrate(self.settings)
        self.clock = Ahead()
        self.store: SqlStore = open_store(self.settings)
        self.master = self.settings.webhook_secret_file.read_bytes().strip()
        open_plant(self.store, PLANT)
        append(self.store, PLANT, plant_record(), line_record("A"), line_record("B"))
        append(self.store, PLANT, *(hanger_record(f"H-{n}", "AB"[n % 2]) for n in range(8)))

    def close(self) -> None:
        self.store.close()

    @property
    def size(self) -> int:
        with self.store.read(PLANT) as reader:
            return reader.size

    def work(self, count: int, hangers: int = 8) -> int:
        """Appends turns of the adjusters, one after the other around the hangers; the log's size after."""
        for start in range(0, count, 500):
            with self.store.write(PLANT) as writer:
                for n in range(start, min(start + 500, count)):
                    mark = n % hangers
                    writer.append(turn(f"H-{mark}", "AB"[mark % 2], 0.25))
        return self.size

    def bulk(self, count: int, subjects: int = 150) -> int:
        """Appends events of a kind that no projection follows, which takes less; the log's size after."""
        for start in range(0, count, 1_000):
            with self.store.write(PLANT) as writer:
                for n in range(start, min(start + 1_000, count)):
                    subject = f"webhook/wh_{n * 7 % subjects:026d}"
                    writer.append(
                        act("webhook-changed", subject, {"webhook": "x", "padding": "y" * 150}, "A")
                    )
        return self.size

    def secret(self, webhook: str, generation: int = 1) -> str:
        return secret_of(self.master, webhook, generation)

    def register(self, url: str, cursor: int = 0, **more: Any) -> Webhook:
        """A webhook, without the event that the use case writes."""
        identifier = new_id("wh_")
        values: dict[str, Any] = {
            "id": identifier, "url": url, "line": None, "hanger": None, "type": None, "active": True,
            "disabled": None, "disabled_at": None, "revision": 1, "generation": 1, "previous_until": None,
            "secret_mark": secret_mark(self.secret(identifier)), "created_at": "2026-05-04T06:00:00.000000Z",
            "created_by": "pr_x", **more,
        }  # fmt: skip
        row = Webhook(**values)
        with self.store.write(PLANT) as writer:
            writer.add_webhook(row, cursor)
        return row

    def change(self, row: Webhook, *, at_once: bool = True, **more: Any) -> Webhook:
        changed = replace(row, revision=row.revision + 1, **more)
        with self.store.write(PLANT) as writer:
            writer.change_webhook(changed, at_once=at_once)
        return changed

    def webhook(self, row: Webhook) -> Webhook:
        with self.store.read(PLANT) as reader:
            found = reader.webhook(row.id)
        assert found is not None
        return found

    def progress(self, row: Webhook) -> Progress:
        with self.store.read(PLANT) as reader:
            found = reader.webhook_progress(row.id)
        assert found is not None
        return found

    def deliveries(self, row: Webhook, replay: int = 0) -> Sequence[Delivery]:
        with self.store.read(PLANT) as reader:
            return reader.deliveries(row.id, replay, -1, 100_000, None)

    def relay(
        self,
        *,
        resolve: Callable[[str, int], Sequence[str]] = look_up,
        tls: ssl.SSLContext | None = None,
        time_s: float = 15.0,
        allowed: frozenset[str] | None = None,
    ) -> Relay:
        return Relay(
            store=self.store,
            outbox=SqlOutbox(self.store, self.settings),
            secrets=self.secret,
            allowed=self.settings.webhook_allowed_targets if allowed is None else allowed,
            clock=self.clock,
            new_id=new_id,
            actor=OPERATOR,
            chance=lambda: 0.0,
            resolve=resolve,
            tls=tls,
            time_s=time_s,
            poll_s=0.05,
        )

    @contextmanager
    def relaying(self, **more: Any) -> Iterator[Relay]:
        """A relay at work in a thread of its own."""
        relay = self.relay(**more)
        stop = threading.Event()
        thread = threading.Thread(target=relay.run, args=(stop,))
        thread.start()
        try:
            yield relay
        finally:
            stop.set()
            thread.join(60)
            assert not thread.is_alive()
