"""Webhooks in the store: rows in the plant's transaction, and the log as an outbox for one relay."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select, text, update

from service import errors
from service.config import Settings
from service.domain.webhooks import Delivery, Pass, Webhook
from service.persistence import engines
from service.persistence.migrate import migrate
from service.persistence.outbox import SqlOutbox
from service.persistence.store import SqlStore, open_store
from service.persistence.tables import logs
from service.persistence.webhook_tables import deliveries, replays, webhooks
from tests.contract.acts import (
    START,
    Clock,
    append,
    hanger_record,
    inspection,
    line_record,
    open_plant,
    plant_record,
    settings_for,
)

CHECKOUT = Path(__file__).resolve().parents[2]
AT = "2026-05-04T06:00:00.000000Z"


def row(number: int = 1, **more: Any) -> Webhook:
    values: dict[str, Any] = {
        "id": f"wh_{number:026d}", "url": "https://hooks.example/x", "line": None, "hanger": None,
        "type": None, "active": True, "disabled": None, "disabled_at": None, "revision": 1, "generation": 1,
        "previous_until": None, "secret_mark": "0" * 64, "created_at": AT, "created_by": "pr_x", **more,
    }  # fmt: skip
    return Webhook(**values)


def add(store: SqlStore, webhook: Webhook, cursor: int = 0, plant: str = "Works-1") -> Webhook:
    with store.write(plant) as writer:
        writer.add_webhook(webhook, cursor)
    return webhook


def made(sequence: int, outcome: str = "delivered", **more: Any) -> Delivery:
    waits = outcome == "waiting"
    values: dict[str, Any] = {
        "replay": 0, "sequence": sequence, "outcome": outcome, "attempts": 1, "status": 500 if waits else 200,
        "cause": "refused" if waits else None, "first_attempt_at": AT, "last_attempt_at": AT,
        "next_attempt_at": "2026-05-04T06:00:05.000000Z" if waits else None, **more,
    }  # fmt: skip
    return Delivery(**values)


@pytest.fixture
def outbox(store: SqlStore, settings: Settings) -> SqlOutbox:
    """Seven events: plant, two lines, two hangers, two inspections."""
    append(
        store,
        "Works-1",
        plant_record(),
        line_record("A"),
        line_record("B"),
        hanger_record("H-1", "A"),
        hanger_record("H-2", "B"),
        inspection("H-1", "A"),
        inspection("H-2", "B"),
    )
    return SqlOutbox(store, settings)


def only(outbox: SqlOutbox) -> Pass:
    (work,) = outbox.due(START)
    return work


# --- rows -------------------------------------------------------------------------------------------
def test_a_webhook_is_kept_and_found_in_its_own_plant_alone(store: SqlStore) -> None:
    open_plant(store, "Works-2")
    kept = add(store, row(line="A", type="hanger-inspected", previous_until=AT))
    with store.read("WORKS-1") as reader:
        assert reader.webhook(kept.id) == kept
        assert reader.webhook("wh_" + "9" * 26) is None
        assert list(reader.webhooks("", 10, None)) == [kept]
    with store.read("Works-2") as reader:
        assert reader.webhook(kept.id) is None
        assert list(reader.webhooks("", 10, None)) == []
        assert reader.webhook_progress(kept.id) is None


def test_webhooks_are_listed_by_id_and_by_the_lines_in_scope(store: SqlStore) -> None:
    lines = (None, "A", "b", "A", None)
    kept = [add(store, row(number, line=line)) for number, line in enumerate(lines)]
    with store.read("Works-1") as reader:
        assert list(reader.webhooks("", 2, None)) == kept[:2]
        assert list(reader.webhooks(kept[1].id, 10, None)) == kept[2:]
        assert list(reader.webhooks("", 10, frozenset({"a"}))) == [kept[1], kept[3]]
        assert list(reader.webhooks("", 1, frozenset({"a"}))) == [kept[1]]
        assert list(reader.webhooks(kept[1].id, 10, frozenset({"a", "b"}))) == [kept[2], kept[3]]
        assert list(reader.webhooks("", 10, frozenset())) == []


def test_a_row_and_its_event_are_undone_together(store: SqlStore) -> None:
    with store.write("Works-1") as writer:
        writer.append(plant_record())
        writer.add_webhook(row(), 0)
        writer.rollback_only()
    with store.read("Works-1") as reader:
        assert (reader.size, list(reader.webhooks("", 9, None))) == (0, [])


def test_a_changed_webhook_keeps_its_place(store: SqlStore, outbox: SqlOutbox) -> None:
    kept = add(store, row(), cursor=3)
    changed = replace(kept, url="https://other.example/", line="A", active=False, revision=2)
    with store.write("Works-1") as writer:
        writer.change_webhook(changed, at_once=True)
    with store.read("Works-1") as reader:
        assert reader.webhook(kept.id) == changed
        progress = reader.webhook_progress(kept.id)
    assert progress is not None
    assert (progress.cursor, progress.size) == (3, 7)


def test_a_removed_webhook_is_no_more_and_its_url_is_forgotten(store: SqlStore, outbox: SqlOutbox) -> None:
    kept, other = add(store, row(1)), add(store, row(2))
    with store.write("Works-1") as writer:
        writer.remove_webhook(kept.id, AT)
    with store.read("Works-1") as reader:
        assert reader.webhook(kept.id) is None
        assert list(reader.webhooks("", 9, None)) == [other]
    assert [work.webhook for work in outbox.due(START)] == [other]
    with store.engine.connect() as connection:
        assert connection.execute(select(webhooks.c.url).where(webhooks.c.id == kept.id)).scalar() == ""


# --- what is due --------------------------------------------------------------------------------------
def test_what_lies_before_the_cursor_is_due(store: SqlStore, outbox: SqlOutbox) -> None:
    assert list(outbox.due(START)) == []
    kept = add(store, row(), cursor=7)
    assert list(outbox.due(START)) == []
    append(store, "Works-1", inspection("H-1", "A", at="2026-05-04T08:01:00+02:00"))
    work = only(outbox)
    assert (work.webhook, work.plant, work.replay, work.cursor, work.end) == (kept, "Works-1", 0, 7, 8)


def test_what_is_not_active_or_rests_or_has_a_closed_log_is_not_due(
    store: SqlStore, outbox: SqlOutbox
) -> None:
    add(store, row(1, active=False))
    add(store, row(2))
    work = only(outbox)
    later = "2026-05-04T07:00:00.000000Z"
    assert outbox.record(work, [made(0, "waiting", cause="busy")], 0, later, START)
    assert list(outbox.due(START)) == []
    assert list(outbox.due(START + timedelta(minutes=59))) == []
    resumed = outbox.due(START + timedelta(minutes=60))
    assert [each.resume_at for each in resumed] == [later]
    with store.engine.begin() as connection:
        if connection.dialect.name == "sqlite":
            connection.execution_options(**{engines.WRITE: True})
        connection.execute(update(logs).where(logs.c.plant == "Works-1").values(fault="{}"))
    assert list(outbox.due(START + timedelta(minutes=60))) == []


def test_a_rest_set_by_a_clock_that_had_run_ahead_is_not_waited_for(
    store: SqlStore, outbox: SqlOutbox
) -> None:
    add(store, row())
    assert outbox.record(only(outbox), [], 0, "2096-05-04T07:00:00.000000Z", START)
    assert only(outbox).cursor == 0


# --- windows --------------------------------------------------------------------------------------------
def test_a_window_holds_the_next_events_with_their_exact_bytes(store: SqlStore, outbox: SqlOutbox) -> None:
    add(store, row())
    work = only(outbox)
    found, known, to = outbox.window(work, 0, 3)
    assert ([each.sequence for each in found], known, to) == ([0, 1, 2], [], 3)
    with store.read("Works-1") as reader:
        for each in found:
            event = reader.event(each.sequence)
            assert event is not None
            assert (each.body, each.leaf_hash.hex()) == (event.body, event.leaf_hash)
    found, known, to = outbox.window(work, 5, 3)
    assert ([each.sequence for each in found], to) == ([5, 6], 7)
    assert outbox.window(work, 7, 3) == ([], [], 7)


@pytest.mark.parametrize(
    ("wanted", "sequences"),
    [
        ({"line": "a"}, [1, 3, 5]),
        ({"hanger": "h-2"}, [4, 6]),
        ({"type": "hanger-inspected"}, [5, 6]),
        ({"line": "A", "hanger": "H-1", "type": "hanger-inspected"}, [5]),
        ({"line": "B", "hanger": "H-1"}, []),
    ],
)
def test_a_window_holds_what_the_filter_lets_through(
    store: SqlStore, outbox: SqlOutbox, wanted: dict[str, str], sequences: list[int]
) -> None:
    add(store, row(**wanted))
    found, _, to = outbox.window(only(outbox), 0, 64)
    assert ([each.sequence for each in found], to) == (sequences, 7)


def test_a_window_knows_what_was_delivered_and_what_waits(store: SqlStore, outbox: SqlOutbox) -> None:
    add(store, row(1))
    add(store, row(2))
    work, other = outbox.due(START)
    kept = [made(1), made(3, "waiting")]
    assert outbox.record(work, kept, 0, None, START)
    assert list(outbox.window(work, 0, 64)[1]) == kept
    assert list(outbox.window(work, 2, 64)[1]) == kept[1:]
    assert list(outbox.window(other, 0, 64)[1]) == []
    assert list(outbox.window(replace(work, replay=1), 0, 64)[1]) == []


# --- what is kept ---------------------------------------------------------------------------------------
def test_progress_is_kept_and_listed(store: SqlStore, outbox: SqlOutbox) -> None:
    kept = add(store, row())
    first = made(0, "waiting")
    assert outbox.record(only(outbox), [made(1), first, made(2)], 0, None, START)
    second = replace(first, attempts=2, status=None, cause="unreachable")
    assert outbox.record(only(outbox), [second], 0, "2026-05-04T06:00:09.000000Z", START)
    with store.read("Works-1") as reader:
        progress = reader.webhook_progress(kept.id)
        listed = list(reader.deliveries(kept.id, 0, -1, 10, None))
        assert list(reader.deliveries(kept.id, 0, 0, 1, None)) == [made(1)]
        assert list(reader.deliveries(kept.id, 0, -1, 10, "waiting")) == [second]
        assert list(reader.deliveries(kept.id, 0, -1, 10, "delivered")) == [made(1), made(2)]
        assert list(reader.deliveries(kept.id, 1, -1, 10, None)) == []
    assert listed == [second, made(1), made(2)]
    assert progress is not None
    assert (progress.cursor, progress.resume_at, progress.waiting) == (
        0,
        "2026-05-04T06:00:09.000000Z",
        second,
    )
    work = replace(only_at(outbox, minutes=1), resume_at=None)
    assert outbox.record(work, [replace(second, outcome="delivered", attempts=3, cause=None)], 3, None, START)
    assert only_at(outbox, minutes=1).cursor == 3


def only_at(outbox: SqlOutbox, **by: float) -> Pass:
    (work,) = outbox.due(START + timedelta(**by))
    return work


def test_what_another_relay_has_moved_on_is_not_overwritten(store: SqlStore, outbox: SqlOutbox) -> None:
    kept = add(store, row())
    stale = only(outbox)
    assert outbox.record(stale, [made(0)], 5, None, START)
    assert not outbox.record(stale, [made(3)], 1, None, START)
    assert only(outbox).cursor == 5
    with store.read("Works-1") as reader:
        assert [each.sequence for each in reader.deliveries(kept.id, 0, -1, 9, None)] == [0]


def test_of_a_webhook_changed_meanwhile_only_what_was_delivered_is_kept(
    store: SqlStore, outbox: SqlOutbox
) -> None:
    kept = add(store, row())
    work = only(outbox)
    with store.write("Works-1") as writer:
        writer.change_webhook(replace(kept, url="https://new.example/", revision=2), at_once=True)
    later = "2026-05-04T07:00:00.000000Z"
    assert outbox.record(work, [made(0), made(1, "waiting", cause="busy")], 1, later, START)
    assert (only(outbox).cursor, only(outbox).resume_at) == (1, None)
    with store.read("Works-1") as reader:
        assert [each.sequence for each in reader.deliveries(kept.id, 0, -1, 9, None)] == [0]


def test_of_a_removed_webhook_nothing_is_kept(store: SqlStore, outbox: SqlOutbox) -> None:
    kept = add(store, row())
    work = only(outbox)
    with store.write("Works-1") as writer:
        writer.remove_webhook(kept.id, AT)
    assert not outbox.record(work, [made(0)], 1, None, START)
    with store.engine.connect() as connection:
        assert connection.execute(select(func.count()).select_from(deliveries)).scalar() == 0


def test_a_change_that_tries_at_once_forgets_what_waited(store: SqlStore, outbox: SqlOutbox) -> None:
    kept = add(store, row())
    waits = made(1, "waiting", cause="busy")
    assert outbox.record(only(outbox), [made(0), waits], 1, "2026-05-04T07:00:00.000000Z", START)
    with store.write("Works-1") as writer:
        writer.change_webhook(replace(kept, revision=2), at_once=False)
    assert list(outbox.due(START)) == []
    with store.write("Works-1") as writer:
        writer.change_webhook(replace(kept, revision=3), at_once=True)
    work = only(outbox)
    assert (work.cursor, work.resume_at) == (1, None)
    assert list(outbox.window(work, 1, 9)[1]) == []
    with store.read("Works-1") as reader:
        assert [each.sequence for each in reader.deliveries(kept.id, 0, -1, 9, None)] == [0]


def test_a_cursor_from_another_state_of_the_log_goes_back_to_its_end(
    store: SqlStore, outbox: SqlOutbox
) -> None:
    """Else what takes the place of the lost events would be passed over in silence."""
    kept = add(store, row(), cursor=9)
    work = only(outbox)
    assert (work.cursor, work.end) == (9, 7)
    with store.engine.begin() as connection:
        if connection.dialect.name == "sqlite":
            connection.execution_options(**{engines.WRITE: True})
        connection.execute(
            text(
                "INSERT INTO deliveries (webhook, replay, sequence, outcome, attempts, first_attempt_at, "
                "last_attempt_at) VALUES (:id, 0, 7, 'delivered', 1, 'x', 'x'), "
                "(:id, 0, 6, 'delivered', 1, 'x', 'x')"
            ),
            {"id": kept.id},
        )
    assert outbox.window(work, 9, 64) == ([], [], 7)
    assert outbox.record(work, [], 7, None, START)
    assert list(outbox.due(START)) == []
    with store.read("Works-1") as reader:
        assert [each.sequence for each in reader.deliveries(kept.id, 0, -1, 9, None)] == [6]
    append(store, "Works-1", inspection("H-1", "A", at="2026-05-04T08:01:00+02:00"))
    found, known, _ = outbox.window(only(outbox), 7, 64)
    assert ([each.sequence for each in found], known) == ([7], [])


# --- replays --------------------------------------------------------------------------------------------
def test_a_replay_is_due_beside_what_comes_anew_one_at_a_time(store: SqlStore, outbox: SqlOutbox) -> None:
    kept = add(store, row(), cursor=6)
    with store.write("Works-1") as writer:
        one = writer.add_replay(kept.id, 0, 3, AT, "pr_x")
        two = writer.add_replay(kept.id, 2, 7, AT, "pr_x")
        assert writer.open_replays(kept.id) == 2
    assert (one.number, two.number, one.cursor) == (1, 2, 0)
    fresh, again = outbox.due(START)
    assert (fresh.replay, fresh.cursor, fresh.end) == (0, 6, 7)
    assert (again.replay, again.cursor, again.end) == (1, 0, 3)
    assert outbox.record(again, [made(0, replay=1), made(1, replay=1)], 2, None, START)
    assert not outbox.record(again, [made(2, replay=1)], 3, None, START)  # it stands at 2 by now
    assert outbox.record(replace(again, cursor=2), [made(2, replay=1)], 3, None, START)
    assert [(each.replay, each.cursor) for each in outbox.due(START)] == [(0, 6), (2, 2)]
    with store.read("Works-1") as reader:
        progress = reader.webhook_progress(kept.id)
        assert [each.sequence for each in reader.deliveries(kept.id, 1, -1, 9, None)] == [0, 1, 2]
    assert progress is not None
    assert [(each.number, each.cursor, each.finished_at) for each in progress.replays] == [
        (2, 2, None),
        (1, 3, AT),
    ]
    assert progress.waiting is None
    assert not outbox.record(replace(again, cursor=3), [], 3, None, START)


def test_a_replay_of_an_idle_webhook_is_due_alone(store: SqlStore, outbox: SqlOutbox) -> None:
    kept = add(store, row(), cursor=7)
    with store.write("Works-1") as writer:
        writer.add_replay(kept.id, 0, 7, AT, "pr_x")
    assert [(each.replay, each.cursor, each.end) for each in outbox.due(START)] == [(1, 0, 7)]


# --- forgetting -----------------------------------------------------------------------------------------
def test_old_deliveries_are_forgotten_and_what_waits_is_not(store: SqlStore, outbox: SqlOutbox) -> None:
    kept = add(store, row())
    recent = "2026-06-04T06:00:00.000000Z"
    rows = [made(0), made(1), made(2, "waiting"), made(3), made(4, last_attempt_at=recent)]
    assert outbox.record(only(outbox), rows, 2, None, START)
    before = START + timedelta(days=1)
    assert outbox.prune(START, 100) == 0
    assert outbox.prune(before, 1) == 1
    assert outbox.prune(before, 100) == 1
    with store.read("Works-1") as reader:
        left = [each.sequence for each in reader.deliveries(kept.id, 0, -1, 9, None)]
    # 3 lies behind the one that waits: without its row it would be sent again.
    assert left == [2, 3, 4]


def test_a_removed_webhook_is_forgotten_bit_by_bit(store: SqlStore, outbox: SqlOutbox) -> None:
    kept, other = add(store, row(1)), add(store, row(2))
    for work in outbox.due(START):
        assert outbox.record(work, [made(0), made(1), made(2, "waiting")], 2, None, START)
    with store.write("Works-1") as writer:
        writer.add_replay(kept.id, 0, 7, AT, "pr_x")
        writer.remove_webhook(kept.id, AT)
    assert [outbox.prune(START, 2) for _ in range(3)] == [2, 1, 0]
    with store.engine.connect() as connection:
        assert connection.execute(select(webhooks.c.id)).scalars().all() == [other.id]
        assert connection.execute(select(func.count()).select_from(replays)).scalar() == 0
        assert connection.execute(select(func.count()).select_from(deliveries)).scalar() == 3


# --- one leads ------------------------------------------------------------------------------------------
def test_one_of_two_leads_and_the_other_follows_when_it_lets_go(
    store: SqlStore, outbox: SqlOutbox, settings: Settings
) -> None:
    other = SqlOutbox(store, settings)
    first = outbox.lead()
    assert first is not None
    assert first.holds()
    assert other.lead() is None
    first.release()
    second = other.lead()
    assert second is not None
    second.release()


LEAD = """
import os, sys, time
from service.config import Settings
from service.persistence.outbox import SqlOutbox
from service.persistence.store import open_store
settings = Settings.from_environment(os.environ)
leadership = SqlOutbox(open_store(settings), settings).lead()
print("leads" if leadership else "follows", flush=True)
time.sleep(60)
"""


def test_a_leader_that_is_killed_is_followed_at_once(
    store: SqlStore, outbox: SqlOutbox, settings: Settings
) -> None:
    environment = {
        **os.environ,
        "DATABASE_URL": settings.database_url,
        "DATA_DIR": str(settings.data_directory),
        "PYTHONPATH": str(CHECKOUT),
    }
    process = subprocess.Popen(
        [sys.executable, "-c", LEAD], env=environment, stdout=subprocess.PIPE, text=True, cwd=CHECKOUT
    )
    assert process.stdout is not None
    with process.stdout:
        assert process.stdout.readline() == "leads\n"
        assert outbox.lead() is None
        process.kill()
        process.wait(30)
    for leadership in attempts(outbox):
        if leadership is not None:
            leadership.release()
            return
    pytest.fail("nobody could follow")


def attempts(outbox: SqlOutbox) -> Iterator[Any]:
    """A server notices at its own pace that a session's client is gone."""
    for _ in range(100):
        yield outbox.lead()
        time.sleep(0.05)


def test_a_session_that_ends_no_longer_leads(postgres_database: str, tmp_path: Path, clock: Clock) -> None:
    settings = settings_for(postgres_database, tmp_path / "data")
    migrate(settings)
    store = open_store(settings, clock=clock)
    outbox = SqlOutbox(store, settings)
    leadership = outbox.lead()
    assert leadership is not None
    with store.engine.connect() as connection:
        connection.execute(
            text(
                "SELECT pg_terminate_backend(pid) FROM pg_locks WHERE locktype = 'advisory' "
                "AND database = (SELECT oid FROM pg_database WHERE datname = current_database())"
            )
        )
    assert not leadership.holds()
    leadership.release()
    followed = outbox.lead()
    assert followed is not None
    followed.release()
    store.close()


def test_a_store_that_cannot_be_reached_is_busy(tmp_path: Path) -> None:
    settings = settings_for("postgresql://nobody@127.0.0.1:1/none", tmp_path, WRITE_LOCK_TIMEOUT_S="1")
    store = open_store(settings)
    with pytest.raises(errors.StoreBusy):
        SqlOutbox(store, settings).lead()
    with pytest.raises(errors.StoreBusy):
        SqlOutbox(store, settings).due(START)
    store.close()
