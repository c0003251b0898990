"""The relay as a process: killed at the worst moment, beside a server, and gone with it."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import pytest

from service.domain.webhooks import WINDOW
from service.persistence.outbox import SqlOutbox
from service.relay.process import BESIDE
from tests.relay.receiver import Got, Receiver, in_order, wait_until
from tests.relay.site import Site

CHECKOUT = Path(__file__).resolve().parents[2]
SCRIPT = Path(__file__).with_name("process.py")
SERVER = f"""
import sys, time
from service.relay.process import start_beside, stop_beside
relay = start_beside([{str(SCRIPT)!r}])
print(relay.pid, flush=True)
sys.stdin.readline()
stop_beside(relay)
print(relay.returncode, flush=True)
"""


def environment(site: Site, **more: str) -> dict[str, str]:
    return {
        **os.environ,
        "DATABASE_URL": site.settings.database_url,
        "DATA_DIR": str(site.settings.data_directory),
        "WEBHOOK_ALLOWED_TARGETS": "127.0.0.1",
        "LOG_LEVEL": "error",
        "PYTHONPATH": str(CHECKOUT),
        **more,
    }


def start(site: Site, **more: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen([sys.executable, str(SCRIPT)], env=environment(site, **more), cwd=CHECKOUT)


def url(receiver: Receiver) -> str:
    return f"http://127.0.0.1:{receiver.port}/"


def first_time(got: list[Got]) -> list[Got]:
    """The messages without those whose id had come before, as a receiver keeps them."""
    seen: set[str] = set()
    kept = []
    for each in got:
        if each.id not in seen:
            seen.add(each.id)
            kept.append(each)
    return kept


def can_lead(site: Site) -> bool:
    leadership = SqlOutbox(site.store, site.settings).lead()
    if leadership is not None:
        leadership.release()
    return leadership is not None


def test_killed_between_delivery_and_cursor_only_that_round_is_sent_twice(
    either: Site, receiver: Receiver
) -> None:
    hook = either.register(url(receiver))
    end = either.bulk(300)
    killed = start(either, DIE_AT="3")
    assert killed.wait(60) == -signal.SIGKILL
    sent, cursor = len(receiver.got), either.progress(hook).cursor
    assert cursor == 2 * WINDOW
    assert cursor < sent <= cursor + WINDOW
    again = start(either)
    try:
        wait_until(lambda: either.progress(hook).cursor == end, 60)
    finally:
        again.terminate()
        assert again.wait(30) == 0
    times = Counter(each.sequence for each in receiver.got)
    assert sorted(times) == list(range(end))
    assert {sequence for sequence, count in times.items() if count > 1} == set(range(cursor, sent))
    assert max(times.values()) == 2
    ids = {(each.sequence, each.id) for each in receiver.got}
    assert len(ids) == end
    assert in_order(first_time(receiver.got))
    for each in receiver.got[-20:]:
        each.verify(either.secret(hook.id))


@pytest.mark.slow
def test_killed_at_random_nothing_is_lost_and_order_holds(site: Site, receiver: Receiver) -> None:
    drawn = random.Random(11)
    hook = site.register(url(receiver))
    end = site.bulk(3000)
    kills = 0
    deadline = time.monotonic() + 120
    while site.progress(hook).cursor < end and time.monotonic() < deadline:
        count = len(receiver.got)
        process = start(site)
        wait_until(lambda: len(receiver.got) > count or process.poll() is not None, 60)  # noqa: B023
        time.sleep(drawn.uniform(0.0, 0.3))
        process.kill()
        process.wait(30)
        kills += 1
        if kills == 4:
            process = start(site)
            wait_until(lambda: site.progress(hook).cursor == end, 90)
            process.terminate()
            process.wait(30)
    times = Counter(each.sequence for each in receiver.got)
    assert sorted(times) == list(range(end))
    # A kill doubles at most what was under way: one window.
    assert sum(times.values()) - end <= kills * WINDOW
    assert in_order(first_time(receiver.got))


def test_it_ends_when_told_to_and_keeps_what_it_sent(site: Site, receiver: Receiver) -> None:
    hook = site.register(url(receiver))
    site.bulk(2000)
    process = start(site)
    receiver.wait_for(100, 60)
    process.terminate()
    assert process.wait(30) == 0
    delivered = {each.sequence for each in site.deliveries(hook) if each.outcome == "delivered"}
    assert delivered == {each.sequence for each in receiver.got}


def test_beside_a_server_it_is_started_again_and_ends_with_it(
    site: Site, receiver: Receiver, tmp_path: Path
) -> None:
    pid_file = tmp_path / "pid"
    hook = site.register(url(receiver))
    server = subprocess.Popen(
        [sys.executable, "-c", SERVER],
        env=environment(site, PID_FILE=str(pid_file)),
        cwd=CHECKOUT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert server.stdin is not None
    assert server.stdout is not None
    with server.stdin, server.stdout:
        wait_until(lambda: site.progress(hook).cursor == 11, 60)
        first = int(pid_file.read_text())
        os.kill(first, signal.SIGKILL)
        end = site.bulk(100)
        wait_until(lambda: site.progress(hook).cursor == end, 60)
        second = int(pid_file.read_text())
        assert second != first
        server.kill()
        server.wait(30)
        wait_until(lambda: can_lead(site), 30)
        wait_until(lambda: not alive(second), 30)


def test_beside_a_server_it_ends_when_nothing_watches_over_it(
    site: Site, receiver: Receiver, tmp_path: Path
) -> None:
    pid_file = tmp_path / "pid"
    hook = site.register(url(receiver))
    watching = subprocess.Popen(
        [sys.executable, str(SCRIPT), BESIDE, str(os.getpid())],
        env=environment(site, PID_FILE=str(pid_file)),
        cwd=CHECKOUT,
    )
    wait_until(lambda: site.progress(hook).cursor == 11, 60)
    relay = int(pid_file.read_text())
    watching.kill()
    watching.wait(30)
    wait_until(lambda: can_lead(site), 30)
    wait_until(lambda: not alive(relay), 30)


def alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"


def test_beside_a_server_it_ends_when_the_server_says_so(
    site: Site, receiver: Receiver, tmp_path: Path
) -> None:
    hook = site.register(url(receiver))
    server = subprocess.Popen(
        [sys.executable, "-c", SERVER],
        env=environment(site),
        cwd=CHECKOUT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    wait_until(lambda: site.progress(hook).cursor == 11, 60)
    told, _ = server.communicate("\n", timeout=60)
    assert told.split()[1] == "0"
    assert server.returncode == 0
    assert can_lead(site)
