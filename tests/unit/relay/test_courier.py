"""The courier with an outbox in memory: what it asks, what it keeps, and how often."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from service.canonical import canonical_bytes
from service.domain.webhooks import Delivery, Message, Pass, Result, StoredBytes, Webhook, secret_mark
from service.relay import courier as courier_module
from service.relay.courier import Courier
from service.relay.endpoints import Attempt, Endpoint

NOW = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)
AT = "2026-05-04T06:00:00.000000Z"
HOOK = Webhook(
    id="wh_" + "0" * 26, url="https://hooks.example/", line=None, hanger=None, type=None, active=True,
    disabled=None, disabled_at=None, revision=1, generation=1, previous_until=None,
    secret_mark=secret_mark("secret-1"), created_at=AT, created_by="pr_x",
)  # fmt: skip


def stored(sequence: int, subject: str) -> StoredBytes:
    body = canonical_bytes(
        {
            "id": f"id-{sequence}",
            "type": "t",
            "schema_version": 1,
            "subject": subject,
            "recorded_at": AT,
            "log_id": "l",
        }
    )
    return StoredBytes(sequence, body, b"")


class Memory:
    """An outbox in memory; `wanted` says which sequences of the log the webhook wants."""

    def __init__(self, size: int, wanted: Callable[[int], bool] = lambda _: True) -> None:
        self.size, self.wanted = size, wanted
        self.cursor, self.resume_at = 0, None
        self.known: dict[int, Delivery] = {}
        self.windows: list[int] = []
        self.kept: list[tuple[int, int]] = []  # cursor, deliveries

    def work(self, **more: Any) -> Pass:
        return replace(Pass(HOOK, "W", 1, 0, self.cursor, self.size, self.resume_at), **more)

    def window(self, work: Pass, start: int, limit: int) -> Any:
        self.windows.append(start)
        found = [n for n in range(start, work.end) if self.wanted(n)][:limit]
        to = work.end if len(found) < limit else found[-1] + 1
        known = [self.known[n] for n in found if n in self.known]
        return [stored(n, f"hanger/H-{n % 4}") for n in found], known, to

    def record(
        self, work: Pass, made: Sequence[Delivery], cursor: int, resume_at: Any, now: datetime
    ) -> bool:
        assert work.cursor == self.cursor
        self.kept.append((cursor, len(made)))
        self.cursor, self.resume_at = cursor, resume_at
        self.known.update({each.sequence: each for each in made})
        return True


class Always(Endpoint):
    """An endpoint whose answers a function gives."""

    def __init__(self, answer: Callable[[Message], Result]) -> None:
        self.answer = answer
        self.sent: list[int] = []

    def deliver(self, lanes: Any, secrets: Sequence[str], halt: threading.Event) -> list[Attempt]:
        made = []
        for lane in lanes:
            for message in lane:
                self.sent.append(message.sequence)
                made.append(Attempt(message, self.answer(message), NOW))
                if made[-1].result.cause:
                    break
        return made

    def close(self) -> None:
        """Nothing is open."""


def courier_of(outbox: Memory, endpoint: Endpoint, now: Callable[[], datetime] = lambda: NOW) -> Courier:
    return Courier(
        store=None, outbox=outbox, secrets=lambda hook, number: f"secret-{number}",  # type: ignore[arg-type]
        make_endpoint=lambda url: endpoint, clock=now, chance=lambda: 0.0, new_id=lambda prefix: prefix + "x",
        actor="pr_0", halt=threading.Event(),
    )  # fmt: skip


def test_a_backlog_is_worked_off_a_window_at_a_time() -> None:
    outbox, endpoint = Memory(300), Always(lambda _: Result(None, 200))
    assert courier_of(outbox, endpoint).turn([outbox.work()]) == 300
    assert sorted(endpoint.sent) == list(range(300))
    assert outbox.kept == [(64, 64), (128, 64), (192, 64), (256, 64), (300, 44)]
    assert outbox.windows == [0, 64, 128, 192, 256]


def test_passing_over_what_is_not_wanted_is_not_kept_each_time(monkeypatch: pytest.MonkeyPatch) -> None:
    seconds = [100.0]
    monkeypatch.setattr(courier_module.time, "monotonic", lambda: seconds[0])
    outbox, endpoint = Memory(10, lambda n: n == 25), Always(lambda _: Result(None, 200))
    courier = courier_of(outbox, endpoint)
    for size in (10, 15, 20):
        outbox.size = size
        assert courier.has_work(outbox.work(), NOW)
        assert courier.turn([outbox.work()]) == 0
        assert not courier.has_work(outbox.work(), NOW)
    # Each look began where the last one ended, and nothing was written.
    assert (outbox.windows, outbox.kept) == ([0, 10, 15], [])
    seconds[0] += 5.0
    assert courier.has_work(outbox.work(), NOW)
    assert courier.turn([outbox.work()]) == 0
    assert outbox.kept == [(20, 0)]
    outbox.size = 30
    assert courier.turn([outbox.work()]) == 1
    assert endpoint.sent == [25]
    assert outbox.kept[1:] == [(30, 1)]


def test_a_changed_webhook_is_looked_at_from_its_cursor(monkeypatch: pytest.MonkeyPatch) -> None:
    """What another filter passed over may be wanted now."""
    outbox, endpoint = Memory(10, lambda _: False), Always(lambda _: Result(None, 200))
    courier = courier_of(outbox, endpoint)
    assert courier.turn([outbox.work()]) == 0
    outbox.wanted = lambda n: n == 3
    changed = replace(HOOK, revision=2)
    assert courier.turn([outbox.work(webhook=changed)]) == 1
    assert endpoint.sent == [3]


def test_what_is_held_is_not_asked_for_again_before_its_time() -> None:
    now = [NOW]
    outbox = Memory(8)
    endpoint = Always(lambda m: Result("refused", 500) if m.sequence == 2 else Result(None, 200))
    courier = courier_of(outbox, endpoint, lambda: now[0])
    courier.turn([outbox.work()])
    assert (outbox.cursor, endpoint.sent.count(2)) == (2, 1)
    assert 6 not in endpoint.sent
    assert not courier.has_work(outbox.work(), now[0])
    outbox.size = 9  # something new came
    assert courier.has_work(outbox.work(), now[0])
    courier.turn([outbox.work()])
    assert endpoint.sent[-1] == 8
    assert not courier.has_work(outbox.work(), now[0])
    now[0] += timedelta(seconds=5)
    assert courier.has_work(outbox.work(), now[0])
    endpoint.answer = lambda _: Result(None, 200)
    courier.turn([outbox.work()])
    assert outbox.cursor == 9
    assert endpoint.sent[-2:] == [2, 6]


def test_an_endpoint_that_fails_ends_the_turn() -> None:
    outbox, endpoint = Memory(300), Always(lambda _: Result("unreachable"))
    assert courier_of(outbox, endpoint).turn([outbox.work()]) == 4
    assert (outbox.cursor, len(outbox.kept)) == (0, 1)
    assert outbox.resume_at == "2026-05-04T06:00:05.000000Z"


def test_passes_of_one_webhook_take_turns(monkeypatch: pytest.MonkeyPatch) -> None:
    outbox, endpoint = Memory(200), Always(lambda _: Result(None, 200))
    order: list[int] = []
    monkeypatch.setattr(
        outbox,
        "record",
        lambda work, made, cursor, *_: order.append(work.replay) or True,  # type: ignore[func-returns-value]
    )
    courier_of(outbox, endpoint).turn([outbox.work(), outbox.work(replay=3)])
    assert order == [0, 3, 0, 3, 0, 3, 0, 3]


def test_a_pass_that_is_no_more_is_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    outbox, endpoint = Memory(200), Always(lambda _: Result(None, 200))
    monkeypatch.setattr(outbox, "record", lambda *_: False)
    assert courier_of(outbox, endpoint).turn([outbox.work()]) == 64


def test_nothing_is_sent_once_the_relay_is_to_stop() -> None:
    outbox, endpoint = Memory(200), Always(lambda _: Result(None, 200))
    courier = courier_of(outbox, endpoint)
    courier._halt.set()
    assert courier.turn([outbox.work()]) == 0
    assert endpoint.sent == []


# --- lanes ------------------------------------------------------------------------------------------
class Scripted:
    """A sender that answers by sequence, and says what it was given."""

    def __init__(self, answers: dict[bytes, Result]) -> None:
        self.answers, self.sent = answers, []

    def send(self, headers: Any, body: bytes) -> Result:
        self.sent.append((headers["webhook-id"], headers["webhook-signature"].count("v1,")))
        return self.answers.get(body, Result(None, 200))

    def close(self) -> None:
        """Nothing is open."""


def message(number: int) -> Message:
    return Message(number, f"id-{number}", f"hanger/H-{number}", str(number).encode())


def test_a_lane_ends_at_its_first_failure_and_the_others_go_on() -> None:
    sender = Scripted({b"2": Result("refused", 500)})
    with ThreadPoolExecutor(4) as executor:
        endpoint = Endpoint(lambda: sender, executor, lambda: NOW)  # type: ignore[arg-type,return-value]
        lanes = [[message(1), message(2), message(3)], [message(4), message(5)]]
        made = endpoint.deliver(lanes, ["whsec_AAAA", "whsec_BBBB"], threading.Event())
    assert sorted(each.message.sequence for each in made) == [1, 2, 4, 5]
    assert {each.message.sequence for each in made if each.result.cause} == {2}
    assert all(count == 2 for _, count in sender.sent)


def test_all_lanes_end_when_the_endpoint_itself_fails() -> None:
    sender = Scripted({b"1": Result("unreachable")})
    with ThreadPoolExecutor(4) as executor:
        endpoint = Endpoint(lambda: sender, executor, lambda: NOW)  # type: ignore[arg-type,return-value]
        made = endpoint.deliver([[message(1), message(2)]], ["whsec_AAAA"], threading.Event())
        assert [each.message.sequence for each in made] == [1]

        class Waiting(Scripted):
            """Its first message comes back once the other lane's has failed."""

            def send(self, headers: Any, body: bytes) -> Result:
                if body == b"1":
                    failed.wait(10)
                found = super().send(headers, body)
                if body == b"9":
                    threading.Timer(0.3, failed.set).start()
                return found

        failed = threading.Event()
        other = Waiting({b"9": Result("unreachable")})
        endpoint = Endpoint(lambda: other, executor, lambda: NOW)  # type: ignore[arg-type,return-value]
        lanes = [[message(1), message(2), message(3)], [message(9), message(10)]]
        made = endpoint.deliver(lanes, ["whsec_AAAA"], threading.Event())
        assert sorted(each.message.sequence for each in made) == [1, 9]
        halted = threading.Event()
        halted.set()
        assert endpoint.deliver([[message(4)], [message(5)]], ["whsec_AAAA"], halted) == []
