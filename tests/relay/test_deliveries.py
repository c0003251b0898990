"""Events reach their webhooks: signed, in order, once, and all of them."""

from __future__ import annotations

import time
from datetime import timedelta

import pytest
from standardwebhooks import WebhookVerificationError

from service.bootstrap import new_id
from service.domain.webhooks import secret_mark
from tests.contract.acts import append, inspection
from tests.relay.receiver import Got, Receiver, Reply, in_order, receiving, wait_until
from tests.relay.site import PLANT, Site


def url(receiver: Receiver, path: str = "/hook?site=1") -> str:
    return f"http://127.0.0.1:{receiver.port}{path}"


def test_each_event_arrives_once_signed_and_whole(either: Site, receiver: Receiver) -> None:
    hook = either.register(url(receiver))
    end = either.work(200)
    with either.relaying():
        got = receiver.wait_for(end)
        wait_until(lambda: either.progress(hook).cursor == end)
    assert sorted(each.sequence for each in got) == list(range(end))
    assert in_order(got)
    with either.store.read(PLANT) as reader:
        for each in got:
            each.verify(either.secret(hook.id))
            event = reader.event(each.sequence)
            assert event is not None
            assert each.body.endswith(b',"data":' + event.body + b"}")
            assert each.id == event.event.id
            assert each.document["source"] == f"/v1/plants/{PLANT}"
            assert each.document["time"] == event.event.recorded_at
            assert each.document["logid"] == event.event.log_id
    assert {each.path for each in got} == {"/hook?site=1"}
    assert {each.headers["content-type"] for each in got} == {"application/cloudevents+json"}
    assert {each.headers["host"] for each in got} == {f"127.0.0.1:{receiver.port}"}
    listed = either.deliveries(hook)
    assert [each.sequence for each in listed] == list(range(end))
    assert {(each.outcome, each.attempts, each.status, each.cause) for each in listed} == {
        ("delivered", 1, 204, None)
    }


def test_another_secret_does_not_verify(site: Site, receiver: Receiver) -> None:
    hook = site.register(url(receiver))
    with site.relaying():
        (got, *_) = receiver.wait_for(1)
    with pytest.raises(WebhookVerificationError):
        got.verify(site.secret(hook.id, 2))


def test_connections_are_kept_and_at_most_four(site: Site, receiver: Receiver) -> None:
    site.register(url(receiver))
    end = site.work(400)
    with site.relaying():
        receiver.wait_for(end)
    assert 1 <= receiver.connections <= 4


def test_what_comes_later_is_sent_within_a_moment(site: Site, receiver: Receiver) -> None:
    hook = site.register(url(receiver), cursor=site.size)
    with site.relaying():
        time.sleep(0.3)
        for number in range(3):
            begun = time.monotonic()
            append(site.store, PLANT, inspection("H-1", "B", at=f"2026-05-04T08:0{number}:00+02:00"))
            receiver.wait_for(number + 1)
            assert time.monotonic() - begun < 5
        wait_until(lambda: site.progress(hook).cursor == site.size)
    assert [each.sequence for each in receiver.got] == [11, 12, 13]


def test_only_what_the_filter_lets_through_is_sent(either: Site, receiver: Receiver) -> None:
    line = either.register(url(receiver, "/line"), line="a")
    hanger = either.register(url(receiver, "/hanger"), hanger="H-3", type="adjuster-turned")
    nothing = either.register(url(receiver, "/nothing"), type="stop-noted")
    end = either.work(80)
    with either.relaying():
        # Line A: its record, four hangers' records, half the turns. H-3: an eighth of the turns.
        receiver.wait_for(45 + 10)
        hooks = (line, hanger, nothing)
        wait_until(lambda: all(either.progress(hook).cursor == end for hook in hooks), 15)
    by_path = {path: [each for each in receiver.got if each.path == path] for path in ("/line", "/hanger")}
    assert len(receiver.got) == 55
    assert len(by_path["/line"]) == 45
    assert {each.document["data"]["line"] for each in by_path["/line"]} == {"A"}
    assert len(by_path["/hanger"]) == 10
    assert {(each.subject, each.document["data"]["type"]) for each in by_path["/hanger"]} == {
        ("hanger/H-3", "adjuster-turned")
    }


def test_one_webhook_that_hangs_holds_no_other_up(site: Site, receiver: Receiver) -> None:
    with receiving(lambda _: Reply(delay_s=3)) as slow:
        site.register(url(slow))
        site.register(url(receiver))
        with site.relaying(time_s=1.0):
            begun = time.monotonic()
            receiver.wait_for(11)
            assert time.monotonic() - begun < 2.5


def test_two_relays_send_nothing_twice_and_one_takes_over(either: Site, receiver: Receiver) -> None:
    either.register(url(receiver))
    end = either.work(100)
    with either.relaying():
        with either.relaying():
            receiver.wait_for(end)
            end = either.work(100)
            receiver.wait_for(end)
        end = either.work(100)
        receiver.wait_for(end)
    assert sorted(each.sequence for each in receiver.got) == list(range(end))
    assert in_order(receiver.got)


def test_stopping_and_starting_again_loses_and_doubles_nothing(either: Site, receiver: Receiver) -> None:
    either.register(url(receiver))
    end = either.bulk(300)
    count = 0
    while count < end:
        with either.relaying():
            receiver.wait_for(min(count + 40, end))
        assert len(receiver.got) > count
        count = len(receiver.got)
    assert sorted(each.sequence for each in receiver.got) == list(range(end))
    assert in_order(receiver.got)


# --- rotation and replays ---------------------------------------------------------------------------
def test_for_a_day_after_a_rotation_both_secrets_sign(site: Site, receiver: Receiver) -> None:
    until = (site.clock() + timedelta(hours=24)).isoformat().replace("+00:00", "Z")
    identifier = new_id("wh_")
    site.register(
        url(receiver),
        id=identifier,
        generation=2,
        previous_until=until,
        secret_mark=secret_mark(site.secret(identifier, 2)),
        cursor=9,
    )
    with site.relaying():
        for got in receiver.wait_for(2):
            assert len(got.headers["webhook-signature"].split(" ")) == 2
            got.verify(site.secret(identifier, 1))
            got.verify(site.secret(identifier, 2))
        receiver.got.clear()
        site.clock.move(hours=24)
        site.work(1)
        (got,) = receiver.wait_for(1)
    (signature,) = got.headers["webhook-signature"].split(" ")
    assert signature.startswith("v1,")


def test_a_replay_sends_a_range_again_in_order_and_marks_it(either: Site, receiver: Receiver) -> None:
    hook = either.register(url(receiver))
    end = either.work(150)
    with either.relaying():
        receiver.wait_for(end)
        with either.store.write(PLANT) as writer:
            made = writer.add_replay(hook.id, 20, 120, "2026-05-04T06:00:00.000000Z", "pr_x")
        receiver.wait_for(end + 100)
        wait_until(lambda: either.progress(hook).replays[0].finished_at is not None)
        last = either.work(5)
        receiver.wait_for(end + 105)
    again = [each for each in receiver.got if "replay" in each.document]
    assert sorted(each.sequence for each in again) == list(range(20, 120))
    assert {each.document["replay"] for each in again} == {made.number}
    assert in_order(again)
    first = {each.sequence: each.id for each in receiver.got if "replay" not in each.document}
    assert sorted(first) == list(range(last))
    assert all(first[each.sequence] == each.id for each in again)
    for each in again:
        each.verify(either.secret(hook.id))
    assert len(either.deliveries(hook, made.number)) == 100


def test_a_replay_holds_up_nothing_that_comes_anew(site: Site) -> None:
    def answer(got: Got) -> Reply:
        return Reply(500) if "replay" in got.document else Reply()

    with receiving(answer) as receiver:
        hook = site.register(url(receiver), cursor=site.size)
        with site.store.write(PLANT) as writer:
            writer.add_replay(hook.id, 0, 11, "2026-05-04T06:00:00.000000Z", "pr_x")
        with site.relaying():
            wait_until(lambda: any("replay" in each.document for each in receiver.got))
            end = site.work(20)
            wait_until(lambda: site.progress(hook).cursor == end)
        assert site.progress(hook).replays[0].finished_at is None
