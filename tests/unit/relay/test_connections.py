"""One connection: bounded in time and bytes whatever the other side does, kept where it may be."""

from __future__ import annotations

import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from service.domain.webhooks import Result, Target
from service.relay.connections import MOST_ANSWER, Deadlines, Sender

GOOD = b"HTTP/1.1 204 No Content\r\n\r\n"
HEADERS = {"content-type": "application/json", "webhook-id": "one"}


class Peer:
    """A socket server that does with each connection what a test says."""

    def __init__(self, behave: Callable[[socket.socket], None]) -> None:
        self.connections = 0
        self._behave = behave
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            self.connections += 1
            threading.Thread(target=self._one, args=(connection,), daemon=True).start()

    def _one(self, connection: socket.socket) -> None:
        try:
            with connection:
                self._behave(connection)
        except OSError:
            return

    def close(self) -> None:
        self._listener.close()


def read_request(connection: socket.socket) -> bytes:
    """One request, head and body."""
    held = b""
    while b"\r\n\r\n" not in held:
        block = connection.recv(65_536)
        if not block:
            raise ConnectionResetError
        held += block
    head, _, body = held.partition(b"\r\n\r\n")
    length = int(head.lower().partition(b"content-length: ")[2].split(b"\r\n")[0])
    while len(body) < length:
        body += connection.recv(65_536)
    return head + b"\r\n\r\n" + body


@pytest.fixture
def deadlines() -> Iterator[Deadlines]:
    made = Deadlines()
    yield made
    made.close()


Senders = Callable[..., Sender]


@pytest.fixture
def sender(deadlines: Deadlines) -> Iterator[Senders]:
    """Makes senders to a port, or to a target, and closes them."""
    made: list[Sender] = []

    def make(port: int = 0, target: Target | None = None, **more: Any) -> Sender:
        chosen = target or Target(False, "127.0.0.1", port, "/in?a=b", True)
        made.append(Sender(chosen, deadlines, **{"time_s": 5.0, **more}))
        return made[-1]

    yield make
    for each in made:
        each.close()


@pytest.fixture
def peer(request: pytest.FixtureRequest) -> Iterator[Callable[[Callable[[socket.socket], None]], Peer]]:
    made: list[Peer] = []

    def make(behave: Callable[[socket.socket], None]) -> Peer:
        made.append(Peer(behave))
        return made[-1]

    yield make
    for each in made:
        each.close()


def answering(*answers: bytes) -> Callable[[socket.socket], None]:
    """Answers each request of a connection with the next of these bytes, then closes it."""

    def behave(connection: socket.socket) -> None:
        for answer in answers:
            read_request(connection)
            connection.sendall(answer)

    return behave


def test_the_request_is_what_it_should_be(peer: Callable[..., Peer], sender: Senders) -> None:
    got: list[bytes] = []

    def behave(connection: socket.socket) -> None:
        got.append(read_request(connection))
        connection.sendall(GOOD)

    made = peer(behave)
    one = sender(made.port)
    assert one.send(HEADERS, b'{"a":1}') == Result(None, 204)
    head, _, body = got[0].partition(b"\r\n\r\n")
    lines = head.split(b"\r\n")
    assert lines[0] == b"POST /in?a=b HTTP/1.1"
    assert sorted(lines[1:]) == sorted(
        [
            f"host: 127.0.0.1:{made.port}".encode(),
            b"accept-encoding: identity",
            b"user-agent: spring-support-release",
            b"content-type: application/json",
            b"webhook-id: one",
            b"Content-Length: 7",
        ]
    )
    assert body == b'{"a":1}'


@pytest.mark.parametrize(
    ("answer", "expected"),
    [
        (b"HTTP/1.1 200 OK\r\nContent-Length: 2\r\n\r\nok", Result(None, 200)),
        (b"HTTP/1.0 200 OK\r\n\r\nok", Result(None, 200)),
        (
            b"HTTP/1.1 202 Accepted\r\nTransfer-Encoding: chunked\r\n\r\n2\r\nok\r\n0\r\n\r\n",
            Result(None, 202),
        ),
        (b"HTTP/1.1 410 Gone\r\nContent-Length: 0\r\n\r\n", Result("gone", 410)),
        (
            b"HTTP/1.1 503 Busy\r\nRetry-After: 9\r\nContent-Length: 0\r\n\r\n",
            Result("busy", 503, "9"),
        ),
        (
            b"HTTP/1.1 307 Go\r\nLocation: http://10.0.0.1/\r\nContent-Length: 0\r\n\r\n",
            Result("redirected", 307),
        ),
        (b"HTTP/1.1 500 No\r\nContent-Length: 3\r\n\r\nbad", Result("refused", 500)),
        # The status has decided; what is wrong with the rest costs the connection alone.
        (b"HTTP/1.1 200 OK\r\nX: a", Result(None, 200)),
        (b"HTTP/1.1 200 OK\r\nContent-Length: 200\r\n\r\ncut", Result(None, 200)),
        (b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n", Result(None, 200)),
        (b"HTTP/1.1 200 OK\r\nContent-Encoding: gzip\r\nContent-Length: 3\r\n\r\nnot", Result(None, 200)),
        # No answer.
        (b"", Result("no-answer")),
        (b"SSH-2.0-something\r\n", Result("no-answer")),
        (b"HTTP/1.1 twohundred OK\r\n\r\n", Result("no-answer")),
        (b"HTTP/1.1 200 OK\r\nX: " + b"a" * 70_000 + b"\r\n\r\n", Result("no-answer")),
        (b"HTTP/1.1 200 OK\r\n" + b"X: a\r\n" * 200 + b"\r\n", Result("no-answer")),
    ],
)
def test_each_answer_has_its_meaning(
    peer: Callable[..., Peer], sender: Senders, answer: bytes, expected: Result
) -> None:
    one = sender(peer(answering(answer)).port)
    assert one.send(HEADERS, b"{}") == expected


def test_a_connection_is_used_again(peer: Callable[..., Peer], sender: Senders) -> None:
    made = peer(answering(*[GOOD] * 20))
    one = sender(made.port)
    assert [one.send(HEADERS, b"{}").cause for _ in range(20)] == [None] * 20
    assert made.connections == 1


def test_a_connection_closed_by_the_other_side_is_opened_again(
    peer: Callable[..., Peer], sender: Senders
) -> None:
    made = peer(answering(GOOD))
    one = sender(made.port)
    assert one.send(HEADERS, b"{}") == Result(None, 204)
    time.sleep(0.1)
    assert one.send(HEADERS, b"{}") == Result(None, 204)
    assert made.connections == 2


def test_a_connection_that_closes_as_the_next_request_comes_costs_nothing(
    peer: Callable[..., Peer], sender: Senders
) -> None:
    def behave(connection: socket.socket) -> None:
        read_request(connection)
        connection.sendall(GOOD)
        connection.recv(1)  # the next request begins, and is answered by an end

    made = peer(behave)
    one = sender(made.port)
    assert [one.send(HEADERS, b"{}").cause for _ in range(3)] == [None] * 3
    assert made.connections == 3


def test_an_answer_that_says_close_is_believed(peer: Callable[..., Peer], sender: Senders) -> None:
    closing = b"HTTP/1.1 200 OK\r\nConnection: close\r\nContent-Length: 0\r\n\r\n"
    made = peer(answering(closing, GOOD))
    one = sender(made.port)
    assert [one.send(HEADERS, b"{}").cause for _ in range(2)] == [None] * 2
    assert made.connections == 2


def test_a_large_body_is_not_read_to_its_end(peer: Callable[..., Peer], sender: Senders) -> None:
    sent = []

    def behave(connection: socket.socket) -> None:
        read_request(connection)
        connection.sendall(b"HTTP/1.1 200 OK\r\nContent-Length: 1000000000\r\n\r\n")
        for _ in range(10_000):
            sent.append(connection.send(b"a" * 65_536))

    made = peer(behave)
    one = sender(made.port)
    begun = time.monotonic()
    assert one.send(HEADERS, b"{}") == Result(None, 200)
    assert time.monotonic() - begun < 4
    time.sleep(0.2)
    assert sum(sent) < 50_000_000
    assert one.send(HEADERS, b"{}") == Result(None, 200)
    assert made.connections == 2
    assert MOST_ANSWER == 65_536


@pytest.mark.parametrize("part", ["head", "status", "silence", "deaf"])
def test_bytes_that_trickle_end_with_the_time(peer: Callable[..., Peer], sender: Senders, part: str) -> None:
    """Each byte comes long before a socket would time out; the whole must end nevertheless."""

    def behave(connection: socket.socket) -> None:
        if part == "deaf":
            time.sleep(5)
            return
        read_request(connection)
        if part == "silence":
            time.sleep(5)
            return
        connection.sendall(b"HTTP/1.1 200 OK\r\n" if part == "head" else b"HTT")
        for _ in range(100):
            time.sleep(0.05)
            connection.sendall(b"X: a\r\n" if part == "head" else b" ")

    one = sender(peer(behave).port, time_s=0.6)
    body = b"a" * (20_000_000 if part == "deaf" else 2)
    begun = time.monotonic()
    # Once there is a status line it decides, however little comes after it.
    assert one.send(HEADERS, body) == (Result(None, 200) if part == "head" else Result("no-answer"))
    assert 0.5 < time.monotonic() - begun < 3


def test_a_body_that_trickles_costs_the_connection_and_not_the_delivery(
    peer: Callable[..., Peer], sender: Senders
) -> None:
    def behave(connection: socket.socket) -> None:
        read_request(connection)
        connection.sendall(b"HTTP/1.1 200 OK\r\nContent-Length: 1000\r\n\r\n")
        for _ in range(100):
            time.sleep(0.05)
            connection.sendall(b"a")

    made = peer(behave)
    one = sender(made.port, time_s=0.6)
    begun = time.monotonic()
    assert one.send(HEADERS, b"{}") == Result(None, 200)
    assert time.monotonic() - begun < 3
    assert one.send(HEADERS, b"{}") == Result(None, 200)
    assert made.connections == 2


def test_nobody_there_is_unreachable(sender: Senders) -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    assert sender(port).send(HEADERS, b"{}") == Result("unreachable")


def test_a_plain_peer_where_tls_is_wanted_is_unreachable(peer: Callable[..., Peer], sender: Senders) -> None:
    made = peer(answering(GOOD))
    target = Target(True, "127.0.0.1", made.port, "/", True)
    one = sender(target=target, tls=ssl.create_default_context())
    assert one.send(HEADERS, b"{}") == Result("unreachable")


def test_the_next_address_is_tried_where_the_first_does_not_answer(
    peer: Callable[..., Peer], sender: Senders
) -> None:
    made = peer(answering(GOOD))
    target = Target(False, "hooks.example", made.port, "/", True)
    one = sender(target=target, resolve=lambda host, port: ["127.9.9.9", "127.0.0.1"])
    assert one.send(HEADERS, b"{}") == Result(None, 204)


@pytest.mark.parametrize("secure", [True, False])
def test_a_peer_that_never_says_hello_ends_with_the_time(
    peer: Callable[..., Peer], sender: Senders, secure: bool
) -> None:
    """The time counts for all addresses together, and for a handshake whose bytes trickle in."""

    def behave(connection: socket.socket) -> None:
        for byte in b"\x16\x03\x03\x3f\xff" + bytes(100):
            time.sleep(0.1)
            connection.sendall(bytes([byte]))

    made = peer(behave)
    target = Target(secure, "hooks.example", made.port, "/", True)
    one = sender(
        target=target,
        tls=ssl.create_default_context(),
        time_s=0.7,
        resolve=lambda host, port: ["127.0.0.1"] * 4,
    )
    begun = time.monotonic()
    assert one.send(HEADERS, b"{}") == Result("unreachable" if secure else "no-answer")
    assert time.monotonic() - begun < 3


def test_a_host_without_addresses_is_unreachable(sender: Senders) -> None:
    target = Target(True, "hooks.example", 443, "/", False)
    assert sender(target=target, resolve=lambda host, port: []).send(HEADERS, b"") == Result("unreachable")


def test_no_proxy_of_the_environment_is_asked(
    peer: Callable[..., Peer], sender: Senders, monkeypatch: pytest.MonkeyPatch
) -> None:
    proxy, made = peer(answering(GOOD)), peer(answering(GOOD))
    for name in ("http_proxy", "HTTP_PROXY", "https_proxy", "HTTPS_PROXY", "all_proxy", "ALL_PROXY"):
        monkeypatch.setenv(name, f"http://127.0.0.1:{proxy.port}")
    assert sender(made.port).send(HEADERS, b"{}") == Result(None, 204)
    assert (proxy.connections, made.connections) == (0, 1)
