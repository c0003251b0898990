"""Endpoints that fail: what is tried again and when, what is held back, and when a webhook is disabled."""

from __future__ import annotations

import threading
import time
from datetime import datetime, timedelta

import pytest
from sqlalchemy import update

from service.domain.instants import parse_instant
from service.domain.webhooks import Delivery
from service.errors import StoreBusy
from service.persistence import engines
from service.persistence.tables import logs
from tests.contract.acts import append, inspection
from tests.relay.receiver import Got, Receiver, Reply, in_order, receiving, wait_until
from tests.relay.site import PLANT, Site


def url(receiver: Receiver) -> str:
    return f"http://127.0.0.1:{receiver.port}/"


def seconds_between(one: str | None, other: str | None) -> float:
    assert one is not None
    assert other is not None
    return (parse_instant(other) - parse_instant(one)).total_seconds()


def waiting(site: Site, hook: object) -> list[Delivery]:
    return [each for each in site.deliveries(hook) if each.outcome == "waiting"]  # type: ignore[arg-type]


def test_an_event_that_is_refused_holds_back_its_own_hanger_alone(either: Site) -> None:
    def answer(got: Got) -> Reply:
        return Reply(422) if got.sequence == 4 else Reply()

    with receiving(answer) as receiver:
        hook = either.register(url(receiver))
        end = either.work(40)
        with either.relaying():
            # H-1's record is refused: its 5 turns wait behind it, everything else goes on.
            wait_until(lambda: len(either.deliveries(hook)) == end - 5)
            time.sleep(0.5)
            assert len(receiver.got) == end - 5
            assert either.progress(hook).cursor == 4
            (held,) = waiting(either, hook)
            assert (held.sequence, held.status, held.cause, held.attempts) == (4, 422, "refused", 1)
            assert seconds_between(held.last_attempt_at, held.next_attempt_at) == pytest.approx(5, abs=1e-5)
            receiver.answer = lambda _: Reply()
            either.clock.move(seconds=6)
            wait_until(lambda: either.progress(hook).cursor == end)
    refused = next(each for each in receiver.got if each.sequence == 4)
    taken = [each for each in receiver.got if each is not refused]
    assert sorted(each.sequence for each in taken) == list(range(end))
    assert in_order(taken)


def test_no_more_than_a_window_is_ahead_of_what_is_refused(site: Site) -> None:
    with receiving(lambda got: Reply(500) if got.sequence == 0 else Reply()) as receiver:
        hook = site.register(url(receiver))
        site.work(200)
        with site.relaying():
            wait_until(lambda: len(site.deliveries(hook)) == 64)
            time.sleep(0.5)
        assert sorted(each.sequence for each in receiver.got) == list(range(64))


def test_an_endpoint_that_is_down_rests_and_is_probed_by_one_message(site: Site) -> None:
    with receiving(lambda _: Reply(503)) as receiver:
        hook = site.register(url(receiver))
        site.work(40)
        with site.relaying():
            wait_until(lambda: site.progress(hook).resume_at is not None)
            time.sleep(0.3)
            # At most one message a lane, and then nothing.
            assert 1 <= len(receiver.got) <= 4
            for _ in range(4):
                receiver.got.clear()
                rested = site.progress(hook).resume_at
                site.clock.move(hours=1)
                receiver.wait_for(1)
                wait_until(lambda: site.progress(hook).resume_at != rested)  # noqa: B023 - called at once
                time.sleep(0.3)
                # The first that is not done, alone, however many others are due.
                assert [each.sequence for each in receiver.got] == [0]
            receiver.answer = lambda _: Reply()
            site.clock.move(hours=1)
            wait_until(lambda: site.progress(hook).cursor == 51)
            assert site.progress(hook).resume_at is None


def test_backoff_doubles_and_survives_restarts(either: Site) -> None:
    with receiving(lambda _: Reply(500)) as receiver:
        hook = either.register(url(receiver), line="A", type="line-recorded")
        delays = []
        for attempts in range(1, 6):
            with either.relaying():
                wait_until(lambda: len(receiver.got) == attempts)  # noqa: B023 - called at once
                wait_until(lambda: [each.attempts for each in waiting(either, hook)] == [attempts])  # noqa: B023
            (held,) = waiting(either, hook)
            delays.append(seconds_between(held.last_attempt_at, held.next_attempt_at))
            # A relay that starts before the time is up sends nothing.
            with either.relaying():
                time.sleep(0.4)
            assert len(receiver.got) == attempts
            either.clock.move(seconds=delays[-1])
        assert delays == pytest.approx([5, 10, 20, 40, 80], abs=1e-5)
        assert held.first_attempt_at < held.last_attempt_at


def test_what_a_receiver_asks_for_is_granted(site: Site) -> None:
    with receiving(lambda _: Reply(429, (("Retry-After", "600"),))) as receiver:
        hook = site.register(url(receiver), line="A", type="line-recorded")
        with site.relaying():
            wait_until(lambda: site.progress(hook).waiting is not None)
            held = site.progress(hook).waiting
            assert held is not None
            assert held.cause == "busy"
            assert seconds_between(held.last_attempt_at, held.next_attempt_at) == pytest.approx(600, abs=1e-5)
            site.clock.move(seconds=590)
            time.sleep(0.3)
            assert len(receiver.got) == 1
            receiver.answer = lambda _: Reply()
            site.clock.move(seconds=11)
            receiver.wait_for(2)


def test_gone_disables_at_once_and_the_log_says_so(either: Site) -> None:
    with receiving(lambda _: Reply(410)) as receiver:
        hook = either.register(url(receiver), line="B")
        with either.relaying():
            wait_until(lambda: not either.webhook(hook).active)
            time.sleep(0.3)
        sent = len(receiver.got)
        assert sent <= 4
        found = either.webhook(hook)
        assert (found.disabled, found.revision) == ("gone", 2)
        assert found.disabled_at is not None
        with either.store.read(PLANT) as reader:
            event = reader.event(reader.size - 1)
        assert event is not None
        assert (event.event.type, event.event.subject) == ("webhook-changed", f"webhook/{hook.id}")
        assert event.event.line == "B"
        assert event.event.data == {
            "webhook": hook.id, "host": f"127.0.0.1:{receiver.port}", "line": "B", "hanger": None,
            "type": None, "active": False, "disabled": "gone", "revision": 2, "secret_generation": 1,
        }  # fmt: skip
        # Being active again takes up where it stopped: nothing is skipped.
        receiver.answer = lambda _: Reply()
        receiver.got.clear()
        either.change(found, active=True, disabled=None, disabled_at=None)
        with either.relaying():
            wait_until(lambda: either.progress(hook).cursor == either.size)
    assert sorted(each.sequence for each in receiver.got) == [2, 4, 6, 8, 10, 11]


def test_five_days_without_success_disable_and_nothing_is_skipped(site: Site) -> None:
    with receiving(lambda _: Reply(500)) as receiver:
        hook = site.register(url(receiver), line="A", type="line-recorded")
        with site.relaying():
            receiver.wait_for(1)
            wait_until(lambda: len(waiting(site, hook)) == 1)
            site.clock.move(days=4, hours=23)
            receiver.wait_for(2)
            wait_until(lambda: waiting(site, hook)[0].attempts == 2)
            assert site.webhook(hook).active
            site.clock.move(hours=2)
            receiver.wait_for(3)
            wait_until(lambda: not site.webhook(hook).active)
        found = site.webhook(hook)
        assert found.disabled == "failing"
        receiver.answer = lambda _: Reply()
        site.change(found, active=True, disabled=None, disabled_at=None)
        with site.relaying():
            wait_until(lambda: site.progress(hook).cursor == site.size)
        (done,) = site.deliveries(hook)
        assert (done.sequence, done.outcome, done.attempts) == (1, "delivered", 1)


def test_who_was_changed_meanwhile_is_not_disabled(site: Site) -> None:
    """A 410 of the old target must not end what now leads to a new one."""
    held = threading.Event()

    def answer(_: Got) -> Reply:
        held.wait(10)
        return Reply(410)

    with receiving(answer) as old, receiving() as new:
        hook = site.register(url(old))
        with site.relaying():
            old.wait_for(1)
            site.change(hook, url=url(new))
            held.set()
            new.wait_for(11)
            wait_until(lambda: site.progress(hook).cursor == site.size)
    assert site.webhook(hook).active


@pytest.mark.parametrize("status", [301, 302, 303, 307, 308])
def test_a_redirect_is_never_followed(site: Site, receiver: Receiver, status: int) -> None:
    with receiving(lambda _: Reply(status, (("Location", url(receiver)),))) as first:
        hook = site.register(url(first), line="A", type="line-recorded")
        with site.relaying():
            wait_until(lambda: len(waiting(site, hook)) == 1)
    (held,) = waiting(site, hook)
    assert (held.cause, held.status) == ("redirected", status)
    assert receiver.got == []


def test_an_answer_that_does_not_come_in_time_is_none(site: Site) -> None:
    with receiving(lambda _: Reply(delay_s=2)) as receiver:
        hook = site.register(url(receiver), line="A", type="line-recorded")
        with site.relaying(time_s=0.5):
            wait_until(lambda: len(waiting(site, hook)) == 1)
    (held,) = waiting(site, hook)
    assert (held.cause, held.status) == ("no-answer", None)
    assert seconds_between(held.first_attempt_at, held.last_attempt_at) == 0


def test_nobody_there_is_unreachable_until_somebody_is(site: Site) -> None:
    with receiving() as receiver:
        port = receiver.port
    hook = site.register(f"http://127.0.0.1:{port}/", line="A", type="line-recorded")
    with site.relaying():
        wait_until(lambda: len(waiting(site, hook)) == 1)
        assert waiting(site, hook)[0].cause == "unreachable"
        assert site.progress(hook).resume_at is not None


def test_a_connection_closed_without_an_answer_is_tried_again_later(site: Site) -> None:
    with receiving(lambda _: Reply(close=True)) as receiver:
        hook = site.register(url(receiver), line="A", type="line-recorded")
        with site.relaying():
            wait_until(lambda: len(waiting(site, hook)) == 1)
            assert waiting(site, hook)[0].cause == "no-answer"
            assert len(receiver.got) == 1


def test_a_log_that_is_closed_to_writes_rests(site: Site, receiver: Receiver) -> None:
    def seal(fault: str | None) -> None:
        writers = site.store.engine.execution_options(**{engines.WRITE: True})
        with writers.connect() as connection, connection.begin():
            connection.execute(update(logs).where(logs.c.plant == PLANT).values(fault=fault))

    hook = site.register(url(receiver))
    seal('{"position":3,"reason":"altered","found_at":"2026-05-04T06:00:00.000000Z"}')
    with site.relaying():
        time.sleep(0.5)
        assert receiver.got == []
        seal(None)
        receiver.wait_for(11)
        wait_until(lambda: site.progress(hook).cursor == 11)


def test_a_busy_store_delays_and_doubles_nothing(site: Site, receiver: Receiver) -> None:
    """What was sent is kept as soon as the store has time again, before anything else is sent."""
    hook = site.register(url(receiver))
    end = site.work(50)
    relay = site.relay()
    record, failures = relay.outbox.record, iter(range(5))

    def failing(*given: object) -> bool:
        if next(failures, None) is not None:
            raise StoreBusy("busy")
        return record(*given)  # type: ignore[arg-type]

    relay.outbox.record = failing  # type: ignore[method-assign,assignment]
    stop = threading.Event()
    thread = threading.Thread(target=relay.run, args=(stop,))
    thread.start()
    try:
        wait_until(lambda: site.progress(hook).cursor == end)
    finally:
        stop.set()
        thread.join()
    assert sorted(each.sequence for each in receiver.got) == list(range(end))
    assert next(failures, None) is None


def test_a_machine_with_another_secret_sends_nothing(site: Site, receiver: Receiver) -> None:
    hook = site.register(url(receiver), secret_mark="0" * 64)
    with site.relaying():
        wait_until(lambda: len(waiting(site, hook)) == 1)
        time.sleep(0.3)
    assert receiver.got == []
    (held,) = waiting(site, hook)
    assert (held.sequence, held.cause) == (0, "other-secret")


def test_a_time_stepped_back_stops_nothing(site: Site, receiver: Receiver) -> None:
    hook = site.register(url(receiver))
    site.clock.move(days=400)
    receiver.answer = lambda _: Reply(503)
    with site.relaying():
        wait_until(lambda: site.progress(hook).resume_at is not None)
        rests = site.progress(hook).resume_at
        assert rests is not None
        assert parse_instant(rests) > datetime.now().astimezone() + timedelta(days=399)
        receiver.answer = lambda _: Reply()
        site.clock.move(days=-400)
        wait_until(lambda: site.progress(hook).cursor == site.size, 15)


def test_words_never_leave_by_a_webhook(site: Site, receiver: Receiver) -> None:
    append(site.store, PLANT, inspection("H-1", "B", texts={"note": "seen by somebody"}))
    site.register(url(receiver))
    with site.relaying():
        receiver.wait_for(12)
    assert all(b"somebody" not in each.body for each in receiver.got)
