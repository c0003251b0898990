"""Messages, signatures, the schedule of attempts and the order of rounds."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import random
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.canonical import canonical_bytes
from service.domain import webhooks
from service.domain.webhooks import Delivery, Message, Result, StoredBytes, Webhook, Window
from service.errors import ConfigurationError

NOW = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)
AT = "2026-05-04T06:00:00.000000Z"


# --- messages -------------------------------------------------------------------------------------
def stored(**more: Any) -> StoredBytes:
    event = {
        "sequence": 7,
        "id": "01970000-0000-7000-8000-000000000007",
        "log_id": "ab" * 16,
        "type": "adjuster-turned",
        "schema_version": 1,
        "subject": "hanger/H-1",
        "recorded_at": AT,
        "data": {"turns": 0.5, "note": "\u00e9\u20ac\U0001f600", "large": 6.813706873903899e16},
        **more,
    }
    body = canonical_bytes(event)
    return StoredBytes(7, body, hashlib.sha256(b"\0" + body).digest())


def test_a_message_is_a_cloud_event_around_the_exact_stored_bytes() -> None:
    event = stored()
    message = webhooks.message_of("Works-1", event)
    document = json.loads(message.body)
    assert {name: value for name, value in document.items() if name != "data"} == {
        "specversion": "1.0",
        "id": "01970000-0000-7000-8000-000000000007",
        "source": "/v1/plants/Works-1",
        "type": "example.hangers.adjuster-turned.v1",
        "subject": "hanger/H-1",
        "time": AT,
        "datacontenttype": "application/json",
        "dataschema": "https://hangers.example/schemas/event.schema.json",
        "sequence": "00000000000000000007",
        "logid": "ab" * 16,
        "leafhash": event.leaf_hash.hex(),
    }
    exact = message.body.partition(b',"data":')[2][:-1]
    assert exact == event.body
    assert hashlib.sha256(b"\0" + exact).hexdigest() == document["leafhash"]
    assert (message.sequence, message.id, message.subject) == (7, document["id"], "hanger/H-1")


def test_a_message_sent_again_by_a_replay_says_so_and_keeps_its_id() -> None:
    first, again = webhooks.message_of("W", stored()), webhooks.message_of("W", stored(), 3)
    assert first.id == again.id
    assert "replay" not in json.loads(first.body)
    assert json.loads(again.body)["replay"] == 3


def test_sequences_sort_as_text() -> None:
    texts = [
        json.loads(webhooks.message_of("W", StoredBytes(n, stored().body, b"")).body)["sequence"]
        for n in (9, 10, 99, 100, 9_007_199_254_740_991)
    ]
    assert texts == sorted(texts)
    assert {len(text) for text in texts} == {20}


def test_the_signature_is_that_of_the_standard() -> None:
    """The worked example of the Standard Webhooks specification's own test vectors (from memory)."""
    secret = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
    body = b'{"test": 2432232314}'
    expected = "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="
    assert webhooks.signature(secret, "msg_p5jXN8AQM9LWM0D4loKWxJek", 1_614_265_330, body) == expected


def test_the_headers_carry_a_signature_for_each_secret_in_force() -> None:
    message = webhooks.message_of("W", stored())
    master = b"m" * 32
    secrets = [webhooks.secret_of(master, "wh_x", generation) for generation in (2, 1)]
    headers = webhooks.headers_of(message, secrets, NOW + timedelta(milliseconds=999))
    assert headers["content-type"] == "application/cloudevents+json"
    assert headers["webhook-id"] == message.id
    assert headers["webhook-timestamp"] == "1777874400"
    given_out = headers["webhook-signature"].split(" ")
    for secret, one in zip(secrets, given_out, strict=True):
        key = base64.b64decode(secret.removeprefix("whsec_"))
        signed = message.id.encode() + b".1777874400." + message.body
        assert one == "v1," + base64.b64encode(hmac.new(key, signed, "sha256").digest()).decode()


def test_secrets_differ_by_webhook_generation_and_master_and_repeat_otherwise() -> None:
    masters, names, generations = (b"a" * 32, b"b" * 32), ("wh_a", "wh_b"), (1, 11, 2)
    made = {
        webhooks.secret_of(master, name, generation)
        for master in masters
        for name in names
        for generation in generations
    }
    assert len(made) == 12
    assert webhooks.secret_of(b"a" * 32, "wh_a", 1) in made
    for secret in made:
        assert len(base64.b64decode(secret.removeprefix("whsec_"))) == 32
        assert webhooks.secret_mark(secret) == hashlib.sha256(secret.encode()).hexdigest()


def test_a_short_master_secret_makes_no_secret() -> None:
    with pytest.raises(ConfigurationError):
        webhooks.secret_of(b"short" * 6, "wh_a", 1)


# --- schedule -------------------------------------------------------------------------------------
def test_the_delay_doubles_from_five_seconds_to_one_hour() -> None:
    shortest = [webhooks.retry_delay_s(attempts, 0.0) for attempts in range(1, 13)]
    longest = [webhooks.retry_delay_s(attempts, 0.999_999_999) for attempts in range(1, 13)]
    assert shortest == pytest.approx([5, 10, 20, 40, 80, 160, 320, 640, 1280, 2400, 2400, 2400])
    assert longest == pytest.approx([7.5, 15, 30, 60, 120, 240, 480, 960, 1920, 3600, 3600, 3600])


@given(st.integers(1, 10**9), st.floats(0, 1, exclude_max=True))
def test_no_delay_is_under_five_seconds_or_over_an_hour(attempts: int, chance: float) -> None:
    assert 5 <= webhooks.retry_delay_s(attempts, chance) <= 3600


@pytest.mark.parametrize(
    ("header", "seconds"),
    [
        (None, None),
        ("0", 0),
        ("120", 120),
        (" 120 ", 120),
        ("86401", 86_400),
        ("999999999999", 86_400),
        ("9" * 400, None),
        ("-5", None),
        ("1.5", None),
        ("\u0661\u0662", None),
        ("soon", None),
        ("", None),
        ("Mon, 04 May 2026 06:02:00 GMT", 120),
        ("Monday, 04-May-26 06:02:00 GMT", 120),
        ("Mon May  4 06:02:00 2026", 120),
        ("Mon, 04 May 2026 05:00:00 GMT", 0),
        ("Mon, 04 May 2099 05:00:00 GMT", 86_400),
    ],
)
def test_a_receivers_wish_is_read_as_seconds_or_a_date(header: str | None, seconds: float | None) -> None:
    assert webhooks.asked_delay_s(header, NOW) == seconds


def test_the_later_of_schedule_and_wish_counts() -> None:
    assert webhooks.next_attempt(NOW, 1, 0.0) == NOW + timedelta(seconds=5)
    assert webhooks.next_attempt(NOW, 1, 0.0, "2") == NOW + timedelta(seconds=5)
    assert webhooks.next_attempt(NOW, 1, 0.0, "77") == NOW + timedelta(seconds=77)


def test_waiting_ends_when_it_is_due_and_a_mad_clock_is_not_waited_for() -> None:
    assert not webhooks.must_wait(None, NOW)
    assert webhooks.must_wait(NOW + timedelta(microseconds=1), NOW)
    assert not webhooks.must_wait(NOW, NOW)
    assert webhooks.must_wait(NOW + timedelta(hours=24), NOW)
    assert not webhooks.must_wait(NOW + timedelta(days=400), NOW)


def test_five_days_without_success_are_enough() -> None:
    assert not webhooks.gives_up(NOW - timedelta(days=5) + timedelta(seconds=1), NOW)
    assert webhooks.gives_up(NOW - timedelta(days=5), NOW)


def test_all_attempts_of_the_schedule_fall_within_five_days_many_times() -> None:
    at, attempts = NOW, 0
    while not webhooks.gives_up(NOW, at):
        attempts += 1
        at = webhooks.next_attempt(at, attempts, 0.5)
    assert 120 <= attempts <= 200


# --- what an attempt makes of a delivery -----------------------------------------------------------
@pytest.mark.parametrize(
    ("status", "cause"),
    [(200, None), (201, None), (204, None), (299, None), (301, "redirected"), (302, "redirected"),
     (304, "redirected"), (400, "refused"), (401, "refused"), (404, "refused"), (409, "refused"),
     (410, "gone"), (429, "busy"), (500, "refused"), (502, "busy"), (503, "busy"), (504, "busy"),
     (101, "refused"), (600, "refused")],
)  # fmt: skip
def test_each_status_has_its_meaning(status: int, cause: str | None) -> None:
    result = webhooks.result_of(status, "9")
    assert (result.cause, result.status) == (cause, status)
    assert result.retry_after == ("9" if cause == "busy" else None)
    assert cause is None or cause in webhooks.CAUSES


def message(sequence: int, subject: str = "hanger/H-1") -> Message:
    return Message(sequence, f"id-{sequence}", subject, b"{}")


def waiting(sequence: int, due: datetime, **more: Any) -> Delivery:
    at = due.isoformat(timespec="microseconds").replace("+00:00", "Z")
    values = {"attempts": 1, "status": 500, "cause": "refused", "first_attempt_at": AT, **more}
    return Delivery(0, sequence, "waiting", last_attempt_at=AT, next_attempt_at=at, **values)


def delivered(sequence: int) -> Delivery:
    return Delivery(0, sequence, "delivered", 1, 200, None, AT, AT, None)


def test_a_first_attempt_that_succeeds_is_done() -> None:
    made = webhooks.after_attempt(message(7), 0, None, Result(None, 204), NOW, 0.0)
    assert made == Delivery(0, 7, "delivered", 1, 204, None, AT, AT, None)


def test_failed_attempts_are_counted_and_the_first_is_remembered() -> None:
    one = webhooks.after_attempt(message(7), 2, None, Result("refused", 500), NOW, 0.0)
    assert one == Delivery(2, 7, "waiting", 1, 500, "refused", AT, AT, "2026-05-04T06:00:05.000000Z")
    later = NOW + timedelta(seconds=6)
    two = webhooks.after_attempt(message(7), 2, one, Result("unreachable"), later, 0.0)
    assert (two.attempts, two.status, two.cause) == (2, None, "unreachable")
    assert (two.first_attempt_at, two.last_attempt_at) == (AT, "2026-05-04T06:00:06.000000Z")
    assert two.next_attempt_at == "2026-05-04T06:00:16.000000Z"
    three = webhooks.after_attempt(message(7), 2, two, Result(None, 200), later, 0.0)
    assert (three.outcome, three.attempts, three.cause, three.next_attempt_at) == ("delivered", 3, None, None)


def test_gone_disables_at_once_and_failing_after_five_days() -> None:
    long_ago = "2026-04-29T06:00:00.000000Z"
    nearly = "2026-04-29T06:00:00.000001Z"
    reason = webhooks.disabling_reason
    assert reason([waiting(1, NOW), delivered(2)], NOW) is None
    assert reason([waiting(1, NOW, first_attempt_at=nearly)], NOW) is None
    assert reason([waiting(1, NOW, first_attempt_at=long_ago)], NOW) == "failing"
    assert reason([delivered(1), waiting(2, NOW, cause="gone", status=410)], NOW) == "gone"
    assert reason([waiting(1, NOW, cause="gone", first_attempt_at=long_ago)], NOW) == "gone"


def test_only_a_cause_of_the_endpoints_own_rests_all_of_it() -> None:
    assert webhooks.rest_until([waiting(1, NOW), delivered(2)]) is None
    later = NOW + timedelta(seconds=9)
    rests = [
        waiting(1, NOW, cause="unreachable"),
        waiting(2, later, cause="busy"),
        waiting(3, later + later.resolution),
    ]
    assert webhooks.rest_until(rests) == "2026-05-04T06:00:09.000000Z"


def webhook(**more: Any) -> Webhook:
    values: dict[str, Any] = {
        "id": "wh_" + "0" * 26, "url": "https://hooks.example.org/in?key=hidden", "line": "L-1",
        "hanger": None, "type": None, "active": True, "disabled": None, "disabled_at": None, "revision": 3,
        "generation": 2,
        "previous_until": None, "secret_mark": "0" * 64, "created_at": AT, "created_by": "pr_x", **more,
    }  # fmt: skip
    return Webhook(**values)


def test_the_secret_before_signs_until_its_time_is_over() -> None:
    assert webhook().generations(NOW) == (2,)
    rotated = webhook(previous_until="2026-05-05T06:00:00.000000Z")
    assert rotated.generations(NOW) == (2, 1)
    assert rotated.generations(NOW + timedelta(hours=24)) == (2,)


def test_the_log_learns_the_host_and_neither_path_nor_secret() -> None:
    data = webhook().as_data("hooks.example.org")
    assert data == {
        "webhook": "wh_" + "0" * 26, "host": "hooks.example.org", "line": "L-1", "hanger": None, "type": None,
        "active": True, "disabled": None, "revision": 3, "secret_generation": 2,
    }  # fmt: skip
    assert "hidden" not in json.dumps(data)


# --- rounds ---------------------------------------------------------------------------------------
def window(*messages: Message, deliveries: tuple[Delivery, ...] = (), end: int = 1000) -> Window:
    return Window(messages, {each.sequence: each for each in deliveries}, end)


def sequences(window: Window, **more: Any) -> list[list[int]]:
    lanes = webhooks.plan_round(window, NOW, **{"probing": False, **more}).lanes
    return [[each.sequence for each in lane] for lane in lanes]


def test_one_subject_has_one_lane_in_order() -> None:
    many = [message(n) for n in range(5)]
    assert sequences(window(*many)) == [[0, 1, 2, 3, 4]]


def test_subjects_are_dealt_out_evenly_to_at_most_four_lanes() -> None:
    many = [message(n, f"hanger/H-{n % 8}") for n in range(64)]
    lanes = sequences(window(*many))
    assert [len(lane) for lane in lanes] == [16, 16, 16, 16]
    assert all(lane == sorted(lane) for lane in lanes)


def test_letter_case_tells_no_subjects_apart() -> None:
    assert sequences(window(message(1, "hanger/h-1"), message(2, "hanger/H-1"))) == [[1, 2]]


def test_what_is_delivered_is_not_sent_again() -> None:
    given = window(message(1), message(2), message(3), deliveries=(delivered(1), delivered(3)))
    assert sequences(given) == [[2]]


def test_what_waits_holds_back_its_own_subject_alone() -> None:
    due = NOW + timedelta(seconds=30)
    given = window(
        message(1, "hanger/A"), message(2, "hanger/B"), message(3, "hanger/A"), message(4, "hanger/B"),
        deliveries=(waiting(2, due),),
    )  # fmt: skip
    planned = webhooks.plan_round(given, NOW, probing=False)
    assert [[each.sequence for each in lane] for lane in planned.lanes] == [[1, 3]]
    assert planned.held_until == due
    again = webhooks.plan_round(given, due, probing=False)
    assert sorted(each.sequence for lane in again.lanes for each in lane) == [1, 2, 3, 4]
    assert again.held_until is None


def test_a_probe_sends_the_first_message_alone() -> None:
    many = [message(n, f"hanger/H-{n}") for n in range(9)]
    assert sequences(window(*many), probing=True) == [[0]]
    held = window(*many, deliveries=(waiting(0, NOW + timedelta(seconds=1)),))
    assert sequences(held, probing=True) == [[1]]
    assert sequences(window(), probing=True) == []


def test_the_cursor_stops_before_the_first_that_is_not_done() -> None:
    given = window(
        message(10),
        message(20),
        message(30),
        message(40),
        deliveries=(delivered(20), waiting(30, NOW)),
        end=64,
    )
    assert webhooks.cursor_after(given, set()) == 10
    assert webhooks.cursor_after(given, {40}) == 10
    assert webhooks.cursor_after(given, {10}) == 30
    assert webhooks.cursor_after(given, {10, 30}) == 40
    assert webhooks.cursor_after(given, {10, 30, 40}) == 64
    assert webhooks.cursor_after(window(end=99), set()) == 99


@given(st.integers(0, 2**32), st.integers(1, 12), st.integers(0, 64))
def test_whatever_fails_each_subject_arrives_in_order_and_nothing_is_left_out(
    seed: int, subjects: int, count: int
) -> None:
    """A receiver that fails at random, round after round, gets each subject's events once and in order."""
    drawn = random.Random(seed)
    messages = [message(n * 2, f"hanger/H-{drawn.randrange(subjects)}") for n in range(count)]
    known: dict[int, Delivery] = {}
    got: dict[str, list[int]] = {}
    now, cursor, failures = NOW, 0, 0
    while cursor < 2 * count:
        pending = [each for each in messages if each.sequence >= cursor]
        given = Window(pending, known, 2 * count)
        planned = webhooks.plan_round(given, now, probing=drawn.random() < 0.2)
        assert len(planned.lanes) <= 4
        for lane in planned.lanes:
            for each in lane:
                good = failures > 500 or drawn.random() < 0.7
                failures += not good
                result = Result(None, 200) if good else Result("refused", 500)
                before = known.get(each.sequence)
                known[each.sequence] = webhooks.after_attempt(each, 0, before, result, now, drawn.random())
                if not good:
                    break
                got.setdefault(each.subject, []).append(each.sequence)
        moved = webhooks.cursor_after(given, set())
        assert moved >= cursor
        cursor = moved
        now += timedelta(hours=1)
    for subject in {each.subject for each in messages}:
        assert got[subject] == [each.sequence for each in messages if each.subject == subject]
