"""One connection to one target: to an address that was judged, kept alive, bounded in time and in bytes.

A name is looked up once for each connection, every address that it has is judged, and the connection is
made to one of these addresses, with the name for TLS and the Host header. Whatever the name leads to a
moment later makes no difference. Redirects are answers like any other; no proxy is asked.
"""

from __future__ import annotations

import http.client
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Final

import urllib3.exceptions
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.response import BaseHTTPResponse

from service.domain.webhooks import Result, Target, inward, result_of

Resolve = Callable[[str, int], Sequence[str]]  # host and port -> addresses, in order of preference

TIME_S: Final = 15.0  # for one attempt, from the first byte sent to the end of the answer's head
CONNECT_S: Final = 10.0
MOST_ADDRESSES: Final = 4
MOST_ANSWER: Final = 64 * 1024  # bytes of an answer's body that are read, to use the connection again
_BLOCK: Final = 16 * 1024
_LOOK_S: Final = 0.25

# A connection that was left open and turns out to be closed: the request did not get there.
_CLOSED: Final = (
    http.client.RemoteDisconnected,
    ConnectionResetError,
    BrokenPipeError,
    ConnectionAbortedError,
)
_FAILED: Final = (OSError, http.client.HTTPException, urllib3.exceptions.HTTPError)


def look_up(host: str, port: int) -> Sequence[str]:
    """The addresses of a host. Errors: OSError when it has none."""
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(str(each[4][0]) for each in found))


class Deadlines:
    """Ends what takes too long, however slowly its bytes trickle in: a thread that shuts sockets down."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        """clock: seconds that never go back."""
        self._clock = clock
        self._under_way: dict[int, tuple[float, socket.socket]] = {}
        self._closed = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="relay-deadlines", daemon=True)
        self._thread.start()

    @contextmanager
    def within(self, sock: socket.socket, seconds: float) -> Iterator[None]:
        """The socket is shut down if the context lasts longer than this."""
        key = threading.get_ident()
        self._under_way[key] = (self._clock() + seconds, sock)
        try:
            yield
        finally:
            self._under_way.pop(key, None)

    def close(self) -> None:
        """Ends the thread."""
        self._closed.set()
        self._thread.join()

    def _watch(self) -> None:
        while not self._closed.wait(_LOOK_S):
            now = self._clock()
            for key, (deadline, sock) in list(self._under_way.items()):
                if now >= deadline and self._under_way.get(key) == (deadline, sock):
                    _shut(sock)


class Sender:
    """Sends one message at a time to one target. Not for two threads at once."""

    def __init__(
        self,
        target: Target,
        deadlines: Deadlines,
        *,
        resolve: Resolve = look_up,
        tls: ssl.SSLContext | None = None,
        time_s: float = TIME_S,
    ) -> None:
        """tls: by which https targets prove who they are; needed for them."""
        self._target = target
        self._deadlines = deadlines
        self._resolve = resolve
        self._tls = tls
        self._time_s = time_s
        self._connection: HTTPConnection | None = None

    def send(self, headers: Mapping[str, str], body: bytes) -> Result:
        """One attempt: what came of it."""
        sent = {
            "host": self._target.authority,
            "accept-encoding": "identity",
            "user-agent": "spring-support-release",
            **headers,
        }
        connection = self._connection
        if connection is not None and connection.is_connected:
            result = self._attempt(connection, sent, body, reused=True)
            if result is not None:
                return result
        self.close()
        opened = self._open()
        if isinstance(opened, Result):
            return opened
        self._connection = opened
        return self._attempt(opened, sent, body, reused=False) or Result("no-answer")

    def close(self) -> None:
        """Closes the connection; the next message opens another."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def _attempt(
        self, connection: HTTPConnection, headers: Mapping[str, str], body: bytes, *, reused: bool
    ) -> Result | None:
        """What came of it; None when a connection that was left open had been closed meanwhile."""
        connection.timeout = self._time_s
        sock = connection.sock
        assert sock is not None
        begun = time.monotonic()
        try:
            with self._deadlines.within(sock, self._time_s):
                connection.request(
                    "POST",
                    self._target.path,
                    body=body,
                    headers=headers,
                    preload_content=False,
                    decode_content=False,
                )
                response = connection.getresponse()
                result = result_of(response.status, response.headers.get("Retry-After"))
                whole = _drained(response)
        except _CLOSED:
            self.close()
            stale = reused and time.monotonic() - begun < self._time_s
            return None if stale else Result("no-answer")
        except _FAILED:
            self.close()
            return Result("no-answer")
        if not whole:
            self.close()
        return result

    def _open(self) -> HTTPConnection | Result:
        """A connection to an address that was judged, or why there is none."""
        try:
            addresses = self._resolve(self._target.host, self._target.port)
        except (OSError, UnicodeError):
            return Result("unreachable")
        if not addresses:
            return Result("unreachable")
        if not self._target.trusted and any(inward(address) is not None for address in addresses):
            return Result("inward-target")
        until = time.monotonic() + self._time_s
        for address in addresses[:MOST_ADDRESSES]:
            left = until - time.monotonic()
            if left <= 0:
                break
            # It bounds the handshake as a whole too, which the library counts against one deadline.
            connection = self._to(address, min(CONNECT_S, left))
            try:
                connection.connect()
            except (*_FAILED, ValueError):
                connection.close()
            else:
                return connection
        return Result("unreachable")

    def _to(self, address: str, seconds: float) -> HTTPConnection:
        if not self._target.secure:
            return HTTPConnection(address, self._target.port, timeout=seconds)
        return HTTPSConnection(
            address,
            self._target.port,
            timeout=seconds,
            ssl_context=self._tls,
            server_hostname=self._target.host,
        )


def _drained(response: BaseHTTPResponse) -> bool:
    """Whether the whole body was read, so that the connection may be used again.

    The status has decided already: what goes wrong here costs the connection and nothing else.
    """
    left = MOST_ANSWER
    try:
        while left > 0:
            block = response.read(min(_BLOCK, left))
            if not block:
                return True
            left -= len(block)
    except _FAILED:
        return False
    return False


def _shut(sock: socket.socket) -> None:
    try:
        # Not the method of a TLS socket, which would have the thread that reads it take the rest for plain.
        socket.socket.shutdown(sock, socket.SHUT_RDWR)
    except OSError:
        return
