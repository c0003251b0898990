"""Server-sent events: blocks, cursors, heartbeats and places in one process, then over a real socket."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from service.application import streams
from service.errors import LogCorrupt, StoreBusy
from service.http.event_streams import EventStreams, Pace
from tests.http.running import Caller, Running, hanger, inspection, problem_of

EVENTS = "/v1/plants/P/events"
STREAM = {"Accept": "text/event-stream"}
NDJSON = "application/x-ndjson"


@dataclass
class Block:
    """One block as the standard takes it apart: fields, and comments beside them."""

    id: str | None = None
    event: str | None = None
    data: str | None = None
    retry: str | None = None
    comment: str | None = None


def blocks(text: str) -> list[Block]:
    """The blocks of a stream's text: lines `name: value`, ended by an empty line."""
    found = []
    for part in text.split("\n\n"):
        block = Block()
        for line in filter(None, part.split("\n")):
            name, _, value = line.partition(": ")
            assert name in ("", "id", "event", "data", "retry"), line
            assert getattr(block, name or "comment") is None, part  # never a field twice
            setattr(block, name or "comment", value)
        if part:
            found.append(block)
    return found


class Passing:
    """A stream's time: it passes while the stream sleeps, and things happen at their second."""

    def __init__(self) -> None:
        self.seconds = 0.0
        self.to_come: list[tuple[float, Callable[[], Any]]] = []

    def __call__(self) -> float:
        return self.seconds

    def sleep(self, seconds: float) -> None:
        self.seconds += seconds
        due = [each for each in self.to_come if each[0] <= self.seconds]
        self.to_come = [each for each in self.to_come if each[0] > self.seconds]
        for _, happens in due:
            happens()


def timed(running: Running, limit: int = 4, **pace: float) -> Passing:
    """Puts the service's streams into a time of their own: an hour passes in no time."""
    passing = Passing()
    made = EventStreams(limit, Pace(**pace), clock=passing, sleep=passing.sleep)
    edge = running.app.extensions["service-edge"]
    running.app.extensions["service-edge"] = replace(edge, streams=made)
    return passing


def open_places(running: Running) -> int:
    count: int = running.app.extensions["service-edge"].streams.open
    return count


def read(caller: Caller, query: str = "", **headers: str) -> list[Block]:
    """Everything that a stream sends until it ends by itself."""
    answer = caller.get(f"{EVENTS}{query}", headers={**STREAM, **headers})
    assert answer.status_code == 200, answer.data
    assert answer.content_type == "text/event-stream"
    return blocks(answer.get_data(as_text=True))


def ids(found: list[Block]) -> list[int]:
    return [int(block.id) for block in found if block.data is not None and block.id is not None]


# --- blocks -------------------------------------------------------------------------------------------
def test_a_block_has_sequence_type_and_the_exact_bytes_stored(fresh: Running) -> None:
    timed(fresh, longest_s=1)
    first, *rest = read(fresh.caller("auditor"))
    assert first == Block(retry="2000")
    with fresh.store.read("P") as reader:
        stored = [reader.event(sequence) for sequence in range(3)]
    assert [block for block in rest if block.data is not None] == [
        Block(id=str(each.event.sequence), event=each.event.type, data=each.body.decode())
        for each in stored
        if each is not None
    ]


def test_a_line_break_in_what_was_sent_does_not_break_a_block(fresh: Running) -> None:
    timed(fresh, longest_s=1)
    engineer = fresh.caller("engineer")
    record = hanger(extensions={"of others": "above\nthe\r\nheader\u2028and\n\nbeside"})
    assert engineer.put("/v1/plants/P/hangers/H-1", record, {"If-Match": "*"}).status_code == 200
    last = [block for block in read(fresh.caller("auditor")) if block.data][-1]
    assert json.loads(str(last.data))["data"]["document"] == record


def test_the_answer_is_kept_by_nobody_and_marked_so(fresh: Running) -> None:
    timed(fresh, longest_s=1)
    answer = fresh.caller("auditor").get(EVENTS, headers=STREAM)
    assert answer.headers["Cache-Control"] == "no-store"
    assert answer.headers["X-Accel-Buffering"] == "no"


@pytest.mark.parametrize("most", [1, 2, 3, 500])
def test_nothing_is_passed_over_between_two_looks(
    fresh: Running, monkeypatch: pytest.MonkeyPatch, most: int
) -> None:
    passing = timed(fresh, longest_s=30)
    engineer = fresh.caller("engineer")

    def seen() -> None:
        for mark in ("H-1", "H-2"):
            path = f"/v1/plants/P/hangers/{mark}/inspections"
            assert engineer.post(path, inspection()).status_code == 201

    assert engineer.put("/v1/plants/P/hangers/H-2", hanger("H-2")).status_code == 201
    seen()
    monkeypatch.setattr(streams, "MOST", most)
    auditor = fresh.caller("auditor")
    passing.to_come = [(second, seen) for second in range(5)]
    assert ids(read(auditor)) == list(range(16))
    passing.to_come = [(passing.seconds + second, seen) for second in range(5)]
    assert ids(read(auditor, "?hanger=H-2")) == [3, *range(5, 26, 2)]


# --- where it begins ------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("query", "headers", "sequences"),
    [
        ("", {}, [0, 1, 2]),
        ("?from=1", {}, [1, 2]),
        ("?from=3", {}, []),
        ("", {"Last-Event-ID": "0"}, [1, 2]),
        ("?from=0", {"Last-Event-ID": "1"}, [2]),
        ("?from=2", {"Last-Event-ID": "0"}, [1, 2]),
        ("?from=900", {"Last-Event-ID": "0"}, [1, 2]),
        ("", {"Last-Event-ID": "2"}, []),
        ("?type=hanger-recorded", {"Last-Event-ID": "0"}, [2]),
    ],
)
def test_a_stream_begins_where_the_reader_says(
    fresh: Running, query: str, headers: dict[str, str], sequences: list[int]
) -> None:
    timed(fresh, longest_s=1)
    assert ids(read(fresh.caller("auditor"), query, **headers)) == sequences


@pytest.mark.parametrize(
    "given", ["", "-1", "+1", "1.0", "01", "1 2", "one", "0x1", "٣", "9" * 16, "1,2", '"1"']
)
@pytest.mark.parametrize("accept", ["text/event-stream", "application/json"])
def test_a_last_id_that_is_no_sequence_is_refused_in_every_form(
    shared: Running, given: str, accept: str
) -> None:
    headers = {"Accept": accept, "Last-Event-ID": given.encode().decode("latin-1")}
    answer = shared.caller("auditor").get(EVENTS, headers=headers)
    (finding,) = problem_of(answer, 400, "invalid-parameter")["errors"]
    assert (finding["in"], finding["name"], finding["rule"]) == ("header", "Last-Event-ID", "form")


@pytest.mark.parametrize("given", ["3", "4", "999999999999999"])
def test_a_last_id_beyond_the_last_event_is_refused(fresh: Running, given: str) -> None:
    answer = fresh.caller("auditor").get(EVENTS, headers={**STREAM, "Last-Event-ID": given})
    (finding,) = problem_of(answer, 400, "invalid-parameter")["errors"]
    assert (finding["name"], finding["rule"]) == ("Last-Event-ID", "within-the-log")
    assert finding["accepted"] == "0 to 2"


def test_a_start_beyond_the_end_is_refused(fresh: Running) -> None:
    answer = fresh.caller("auditor").get(f"{EVENTS}?from=4", headers=STREAM)
    (finding,) = problem_of(answer, 400, "invalid-parameter")["errors"]
    assert (finding["name"], finding["accepted"]) == ("from", "0 to 3")


def test_a_stream_has_no_end_to_be_asked_for(fresh: Running) -> None:
    answer = fresh.caller("auditor").get(f"{EVENTS}?to=2", headers=STREAM)
    (finding,) = problem_of(answer, 400, "invalid-parameter")["errors"]
    assert (finding["name"], finding["rule"]) == ("to", "without-end")
    assert open_places(fresh) == 0


def test_a_stream_is_for_those_who_may_read_the_log(fresh: Running) -> None:
    problem_of(fresh.caller("reader").get(EVENTS, headers=STREAM), 403, "not-permitted")
    hidden = fresh.caller("auditor", plants=["Q"])
    problem_of(hidden.get(EVENTS, headers=STREAM), 404, "not-found")
    scoped = fresh.caller("engineer", plants=["P"], lines=["L-2"])
    timed(fresh, longest_s=1)
    assert ids(read(scoped)) == []


# --- as time goes by ------------------------------------------------------------------------------
def test_events_come_as_they_are_recorded(fresh: Running) -> None:
    passing = timed(fresh, longest_s=60)
    engineer = fresh.caller("engineer")

    def seen() -> None:
        assert engineer.post("/v1/plants/P/hangers/H-1/inspections", inspection()).status_code == 201

    passing.to_come = [(2, seen), (2, seen), (20, seen), (59, seen)]
    found = read(fresh.caller("auditor"))
    assert ids(found) == [0, 1, 2, 3, 4, 5, 6]
    assert [block.event for block in found if block.data][3:] == ["hanger-inspected"] * 4


def test_a_heartbeat_comes_every_fifteen_seconds_and_moves_the_cursor_past_what_is_filtered_out(
    fresh: Running,
) -> None:
    passing = timed(fresh)
    engineer = fresh.caller("engineer")

    def seen() -> None:
        assert engineer.post("/v1/plants/P/hangers/H-1/inspections", inspection()).status_code == 201

    passing.to_come = [(20, seen), (40, seen)]
    found = read(fresh.caller("auditor"), "?type=line-recorded")
    beats = [block for block in found if block.comment is not None]
    # 15 minutes of them; each names the last event looked at, and none has data.
    assert len(beats) == 900 // 15 - 1
    assert all(beat.data is None and beat.event is None for beat in beats)
    assert [beat.id for beat in beats[:4]] == ["2", "3", "4", "4"]
    assert ids(found) == [1]
    # A reader that comes back with that id has missed nothing and gets nothing twice.
    assert ids(read(fresh.caller("auditor"), "?type=hanger-inspected", **{"Last-Event-ID": "2"})) == [3, 4]
    assert passing.seconds >= 1800


def test_a_heartbeat_before_the_first_event_names_none(tmp_path: Path) -> None:
    running = Running(tmp_path)
    with running.store.write_service() as service:
        service.open_plant("P")
    timed(running, longest_s=20)
    found = read(running.caller("auditor"))
    assert found == [Block(retry="2000"), Block(comment="0")]
    answer = running.caller("auditor").get(EVENTS, headers={**STREAM, "Last-Event-ID": "0"})
    problem_of(answer, 400, "invalid-parameter")
    running.close()


def test_a_stream_ends_at_the_heartbeat_after_its_token_was_revoked(fresh: Running) -> None:
    passing = timed(fresh)
    auditor, administrator = fresh.caller("auditor"), fresh.caller("administrator")
    revoke = f"/v1/tokens/{auditor.token_id}/revocations"
    passing.to_come = [(20, lambda: administrator.post(revoke))]
    found = read(auditor)
    assert passing.seconds == 30
    assert len([block for block in found if block.comment is not None]) == 1
    problem_of(auditor.get(EVENTS, headers=STREAM), 401, "not-authenticated")
    assert open_places(fresh) == 0


def test_a_stream_ends_when_its_token_expires(fresh: Running) -> None:
    passing = timed(fresh)
    expires = (fresh.clock.now.replace(microsecond=0)).isoformat().replace("+00:00", "Z")
    auditor = fresh.caller("auditor", expires_at=expires.replace("T06:", "T08:"))
    passing.to_come = [(40, lambda: fresh.clock.advance(hours=3))]
    read(auditor)
    assert passing.seconds == 45


@pytest.mark.parametrize("error", [StoreBusy("No connection."), LogCorrupt("The head differs.")])
def test_a_stream_ends_when_the_store_cannot_tell(
    fresh: Running, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    passing = timed(fresh)

    def fails(*_: Any, **__: Any) -> Any:
        raise error

    passing.to_come = [(5, lambda: monkeypatch.setattr(fresh.store, "pull", fails))]
    read(fresh.caller("auditor"))
    assert passing.seconds == 5
    assert open_places(fresh) == 0


def test_a_token_that_cannot_be_looked_up_does_not_count(
    fresh: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    passing = timed(fresh)

    def fails(*_: Any) -> Any:
        raise StoreBusy("No connection.")

    passing.to_come = [(5, lambda: monkeypatch.setattr(fresh.store, "authenticate", fails))]
    read(fresh.caller("auditor"))
    assert passing.seconds == 15


def test_a_stream_ends_with_its_process(fresh: Running) -> None:
    passing = timed(fresh)
    made = fresh.app.extensions["service-edge"].streams
    passing.to_come = [(3, lambda: setattr(made, "stopping", lambda: True))]
    read(fresh.caller("auditor"))
    assert passing.seconds == 3


# --- places -------------------------------------------------------------------------------------------
def test_only_so_many_streams_are_open_and_a_closed_one_frees_its_place(fresh: Running) -> None:
    timed(fresh, limit=2)
    auditor = fresh.caller("auditor")
    client = fresh.app.test_client()
    headers = {**STREAM, "Authorization": f"Bearer {auditor.token}"}
    opened = [client.get(EVENTS, headers=headers, buffered=False) for _ in range(2)]
    assert [answer.status_code for answer in opened] == [200, 200]
    full = auditor.get(EVENTS, headers=STREAM)
    problem_of(full, 503, "store-busy")
    assert int(full.headers["Retry-After"]) > 0
    # Everything else goes on.
    assert auditor.get(EVENTS).status_code == 200
    assert auditor.get(EVENTS, headers={"Accept": "application/x-ndjson"}).status_code == 200
    opened[0].close()
    opened[0].close()
    assert open_places(fresh) == 1
    again = client.get(EVENTS, headers=headers, buffered=False)
    assert again.status_code == 200
    for answer in (opened[1], again):
        answer.close()
    assert open_places(fresh) == 0


def test_no_place_is_taken_by_head_or_by_a_refusal(fresh: Running) -> None:
    timed(fresh, limit=1)
    auditor = fresh.caller("auditor")
    head = auditor.send("HEAD", EVENTS, headers=STREAM)
    assert (head.status_code, head.data) == (200, b"")
    assert head.content_type == "text/event-stream"
    problem_of(auditor.get(f"{EVENTS}?from=99", headers=STREAM), 400, "invalid-parameter")
    assert open_places(fresh) == 0


def test_a_limit_of_none_refuses_every_stream(tmp_path: Path) -> None:
    running = Running(tmp_path, EVENT_STREAM_LIMIT="0")
    with running.store.write_service() as service:
        service.open_plant("P")
    problem_of(running.caller("auditor").get(EVENTS, headers=STREAM), 503, "store-busy")
    running.close()


def test_a_stream_of_which_nothing_was_asked_for_gives_its_place_back() -> None:
    made = EventStreams(1)
    answer = made.answer(Nothing(), lambda: True, {}, head=False)
    assert made.open == 1
    answer.close()
    assert made.open == 0


def test_a_client_that_has_gone_is_noticed_at_the_next_look_and_not_at_the_next_heartbeat() -> None:
    passing = Passing()
    near, far = socket.socketpair()
    with near, far:
        made = EventStreams(1, clock=passing, sleep=passing.sleep)
        answer = made.answer(Nothing(), lambda: True, {"gunicorn.socket": near}, head=False)
        passing.to_come = [(3, far.close)]
        assert b"".join(answer.response) == b"retry: 2000\n\n"  # type: ignore[arg-type]
        assert passing.seconds == 3
        assert made.open == 0


def test_a_client_that_takes_nothing_is_cut_off_after_its_time() -> None:
    near, far = socket.socketpair()
    with near, far:
        assert Pace().send_s == 60
        made = EventStreams(1, Pace(send_s=0.2))
        answer = made.answer(Nothing(), lambda: True, {"gunicorn.socket": near}, head=False)
        assert near.gettimeout() == 0.2
        near.setblocking(False)
        with contextlib.suppress(BlockingIOError):
            while True:
                near.send(b"x" * 65_536)
        assert list(answer.response) == []
        with pytest.raises(BrokenPipeError):
            near.send(b"the end of the answer, for which the server would wait")
        assert made.open == 0


class Nothing:
    """A place in a log in which nothing happens."""

    position = 0

    def more(self) -> tuple[()]:
        return ()


# --- over a real socket ---------------------------------------------------------------------------
SERVER = """
from service import bootstrap
from service.http.event_streams import Pace
app = bootstrap.make_app()
app.extensions["service-edge"].streams.pace = Pace(poll_s=0.1, heartbeat_s=0.5, longest_s=30.0, send_s=2.0)
"""


@dataclass
class Served:
    """A service under its real server in a process of its own."""

    running: Running
    port: int
    process: subprocess.Popen[bytes]

    def open(self, caller: Caller, query: str = "", **headers: str) -> Stream:
        return Stream(self.port, caller.token, query, headers)


class Stream:
    """One open stream, read as it comes."""

    def __init__(self, port: int, token: str, query: str, headers: dict[str, str]) -> None:
        self.connection = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
        sent = {**STREAM, "Authorization": f"Bearer {token}", **headers}
        self.connection.request("GET", f"{EVENTS}{query}", headers=sent)
        self.answer = self.connection.getresponse()
        self.status = self.answer.status

    def next(self) -> Block | None:
        """The next block, or None at the stream's end."""
        lines = []
        while line := self.answer.readline().decode():
            if line == "\n":
                return blocks("".join(lines))[0]
            lines.append(line)
        assert not lines
        return None

    def until(self, wanted: Callable[[Block], bool]) -> Block:
        while (block := self.next()) is not None:
            if wanted(block):
                return block
        raise AssertionError("the stream ended before")

    def sequence(self) -> int:
        """The sequence of the next event, heartbeats passed over."""
        return int(self.until(lambda block: block.data is not None).id or "")

    def close(self) -> None:
        self.answer.close()
        self.connection.close()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("served")
    running = Running(folder)
    running.clock.now = running.clock.now.now(running.clock.now.tzinfo)  # type: ignore[arg-type]
    assert running.caller("administrator").put("/v1/plants/P", {"name": "Invented plant"}).status_code == 201
    engineer = running.caller("engineer")
    assert engineer.put("/v1/plants/P/lines/L-1", {}).status_code == 201
    assert engineer.put("/v1/plants/P/hangers/H-1", hanger()).status_code == 201
    (folder / "served.py").write_text(SERVER)
    (folder / "conf.py").write_text(
        "from service.http.event_streams import end_with_worker as post_worker_init\ngraceful_timeout = 20\n"
    )
    port = free_port()
    process = subprocess.Popen(
        [
            *(sys.executable, "-m", "gunicorn", "served:app", "--bind", f"127.0.0.1:{port}"),
            *("--worker-class", "gthread", "--workers", "1", "--threads", "8"),
            *("--pythonpath", str(folder), "--log-level", "warning", "--config", str(folder / "conf.py")),
        ],
        env={
            **os.environ,
            "DATA_DIR": str(folder),
            "LOG_LEVEL": "error",
            "EVENT_STREAM_LIMIT": "3",
            "PYTHONPATH": str(Path(__file__).resolve().parents[2]),
        },
        cwd=folder,
    )
    deadline = time.monotonic() + 30
    while True:
        try:
            with socket.create_connection(("127.0.0.1", port), timeout=1):
                break
        except OSError:
            assert time.monotonic() < deadline
            assert process.poll() is None
            time.sleep(0.05)
    yield Served(running, port, process)
    process.send_signal(signal.SIGTERM)
    process.wait(timeout=20)
    running.close()


def record(served: Served, count: int = 1) -> list[int]:
    """Sequences of as many new events, written by another process than the one that serves."""
    engineer = served.running.caller("engineer")
    made = []
    for _ in range(count):
        answer = engineer.post("/v1/plants/P/hangers/H-1/inspections", inspection())
        assert answer.status_code == 201
        made.append(answer.json["event"]["sequence"])
    return made


def test_events_and_heartbeats_arrive_while_the_answer_stays_open(served: Served) -> None:
    stream = served.open(served.running.caller("auditor"))
    assert stream.status == 200
    assert stream.next() == Block(retry="2000")
    assert [stream.sequence() for _ in range(3)] == [0, 1, 2]
    beat = stream.until(lambda block: block.comment is not None)
    assert beat.id is not None
    (made,) = record(served)
    while (found := stream.sequence()) != made:
        assert found < made
    stream.close()


def test_a_reader_that_comes_back_with_its_last_id_misses_nothing_and_gets_nothing_twice(
    served: Served,
) -> None:
    auditor = served.running.caller("auditor")
    first = record(served, 3)[0]
    found: list[int] = []
    last: int | None = None
    for turn in range(4):
        headers = {} if last is None else {"Last-Event-ID": str(last)}
        stream = served.open(auditor, f"?from={first}", **headers)
        for _ in range(2):
            found.append(stream.sequence())
        last = found[-1]
        stream.connection.sock.close()  # cut off in the middle
        stream.close()
        record(served, 2 + turn % 2)
    assert found == list(range(first, first + 8))


def test_a_stream_ends_soon_after_its_token_was_revoked(served: Served) -> None:
    auditor, administrator = served.running.caller("auditor"), served.running.caller("administrator")
    stream = served.open(auditor)
    stream.sequence()
    assert administrator.post(f"/v1/tokens/{auditor.token_id}/revocations").status_code == 201
    began = time.monotonic()
    while stream.next() is not None:
        assert time.monotonic() - began < 5
    stream.close()
    refused = served.open(auditor)
    assert refused.status == 401
    refused.close()


def test_beyond_the_limit_the_answer_is_503_and_a_client_that_goes_frees_its_place(served: Served) -> None:
    auditor = served.running.caller("auditor")
    with contextlib.ExitStack() as opened:
        held = []
        for _ in range(3):
            stream = until_admitted(served, auditor)  # those of the tests before may take a moment to end
            opened.callback(stream.close)
            held.append(stream)
        refused = served.open(auditor)
        assert refused.status == 503
        assert int(refused.answer.headers["Retry-After"]) > 0
        assert json.loads(refused.answer.read())["code"] == "store-busy"
        refused.close()
        # The other threads serve on.
        page = http.client.HTTPConnection("127.0.0.1", served.port, timeout=10)
        page.request("GET", f"{EVENTS}?limit=1", headers={"Authorization": f"Bearer {auditor.token}"})
        assert page.getresponse().status == 200
        page.close()
        held[1].close()
        began = time.monotonic()
        again = until_admitted(served, auditor)
        assert time.monotonic() - began < 3
        again.close()


def until_admitted(served: Served, caller: Caller) -> Stream:
    """A stream that got a place, asked for until it did."""
    deadline = time.monotonic() + 10
    while True:
        stream = served.open(caller)
        if stream.status == 200:
            stream.next()
            return stream
        assert stream.status == 503
        stream.close()
        assert time.monotonic() < deadline
        time.sleep(0.05)


def test_a_client_that_takes_nothing_loses_its_place(served: Served) -> None:
    auditor = served.running.caller("auditor")
    # More than the buffers between the two hold.
    large = [hanger(f"S-{number}", extensions={"filler": "x" * 12_000}) for number in range(500)]
    rows = b"".join(json.dumps({"record": each}).encode() + b"\n" for each in large)
    path = "/v1/plants/P/hangers:bulk"
    assert served.running.caller("engineer").post_bytes(path, rows, NDJSON).status_code == 200
    time.sleep(1)  # the streams of the tests before have ended
    request = (
        f"GET {EVENTS}?from=0 HTTP/1.1\r\nHost: x\r\nAccept: text/event-stream\r\n"
        f"Authorization: Bearer {auditor.token}\r\n\r\n"
    )
    stalled = []
    for _ in range(3):
        link = socket.socket()
        link.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        link.connect(("127.0.0.1", served.port))
        link.sendall(request.encode())
        stalled.append(link)
    time.sleep(0.5)
    refused = served.open(auditor)
    for link in stalled:
        # What has arrived is left lying; the connection stays open on this side.
        assert link.recv(12, socket.MSG_PEEK) == b"HTTP/1.1 200"
    assert refused.status == 503  # all places are taken by those who take nothing
    refused.close()
    until_admitted(served, auditor).close()
    for link in stalled:
        link.close()


def test_streams_end_at_once_when_the_server_is_told_to_stop(served: Served) -> None:
    stream = until_admitted(served, served.running.caller("auditor"))
    began = time.monotonic()
    served.process.send_signal(signal.SIGTERM)
    while stream.next() is not None:  # the answer has a proper end
        pass
    stream.close()
    assert served.process.wait(timeout=15) == 0
    assert time.monotonic() - began < 10
