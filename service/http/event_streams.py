"""Server-sent events: a log followed over one open answer, and how many may be open at once.

Each stream holds a thread of its process, so that only so many are given out; the rest is told to come
back. A stream gives up its place when its client is gone, when its token no longer counts, and after a
quarter of an hour in any case: the client reconnects with the id of the last event it had.
"""

from __future__ import annotations

import logging
import os
import select
import socket
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Protocol

from flask import Response

from service.domain.ports import StoredEvent
from service.errors import ServiceError, StoreBusy, WriteConflict
from service.http import logs
from service.http.state import EXTENSION

MEDIA: Final = "text/event-stream"
RECONNECT_MS: Final = 2_000
PIECE_BYTES: Final = 8_192
FAULT_LOG: Final = logging.getLogger(logs.FAULTS)


@dataclass(frozen=True)
class Pace:
    """Times of a stream, in seconds.

    poll_s: between two looks at the log while nothing is new. heartbeat_s: between two signs of life, at
    which the token is looked up again. longest_s: after which a stream ends by itself. send_s: longest
    time for one block to be taken by the client.
    """

    poll_s: float = 0.5
    heartbeat_s: float = 15.0
    longest_s: float = 900.0
    send_s: float = 60.0


class Follower(Protocol):
    """A place in a log: `application.streams.Following`."""

    position: int

    def more(self) -> Sequence[StoredEvent]:
        """What is new since the last look."""


def block(stored: StoredEvent) -> bytes:
    """An event as its block: its sequence as the id, its type, and the exact bytes stored.

    Canonical JSON has no line break, so that the bytes are one `data` line.
    """
    event = stored.event
    return b"id: %d\nevent: %s\ndata: %s\n\n" % (event.sequence, event.type.encode("ascii"), stored.body)


def heartbeat(position: int) -> bytes:
    """A sign of life. Its id moves a reader's cursor past events that its filter does not let through."""
    return b": %d\nid: %d\n\n" % (position, position - 1) if position else b": 0\n\n"


def pieces(rows: Sequence[StoredEvent]) -> Iterator[bytes]:
    """The events' blocks, many in one piece, but no more than a socket takes at once."""
    waiting, length = [], 0
    for stored in rows:
        waiting.append(block(stored))
        length += len(waiting[-1])
        if length >= PIECE_BYTES:
            yield b"".join(waiting)
            waiting, length = [], 0
    if waiting:
        yield b"".join(waiting)


class EventStreams:
    """The streams of one process. limit: most that are open at once."""

    def __init__(
        self,
        limit: int,
        pace: Pace | None = None,
        *,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        """clock: seconds that never go back. sleep: waits so many seconds."""
        self.limit = limit
        self.pace = pace or Pace()
        self.stopping: Callable[[], bool] = lambda: False  # asked at each look
        self._clock, self._sleep = clock, sleep
        self._lock = threading.Lock()
        self._open = 0

    @property
    def open(self) -> int:
        """How many are open now."""
        return self._open

    def answer(
        self, follower: Follower, counts: Callable[[], bool], environ: Mapping[str, Any], *, head: bool
    ) -> Response:
        """The streamed answer.

        Args:
            follower: the place in the log
            counts: whether the caller's token still counts; an error of the store counts as no
            environ: the request's WSGI environment; the server's socket is taken from it where it is there
            head: a HEAD request: headers alone, and no place is taken

        Raises:
            StoreBusy: all places are taken
        """
        if head:
            return _with_headers(Response(b"", content_type=MEDIA))
        release = self._take()
        found = environ.get("gunicorn.socket")
        link = found if isinstance(found, socket.socket) else None
        if link is not None:
            # A client that takes nothing for this long is gone: it must not hold its place for ever.
            link.settimeout(self.pace.send_s)
        response = Response(self._sent(follower, counts, link, release), content_type=MEDIA)
        response.call_on_close(release)  # also where nothing of it was ever asked for
        return _with_headers(response)

    def _take(self) -> Callable[[], None]:
        """Take a place; what comes back gives it up, once."""
        with self._lock:
            if self._open >= self.limit:
                raise StoreBusy("All places for event streams are taken in this process.", limit=self.limit)
            self._open += 1
        given_up = threading.Event()

        def release() -> None:
            with self._lock:
                if not given_up.is_set():
                    given_up.set()
                    self._open -= 1

        return release

    def _sent(
        self,
        follower: Follower,
        counts: Callable[[], bool],
        link: socket.socket | None,
        release: Callable[[], None],
    ) -> Iterator[bytes]:
        """The stream's blocks, as long as the client takes them."""
        try:
            for piece in self._blocks(follower, counts, lambda: _is_gone(link)):
                if not _takes(link, self.pace.send_s):
                    return
                yield piece
        finally:
            release()

    def _blocks(
        self, follower: Follower, counts: Callable[[], bool], gone: Callable[[], bool]
    ) -> Iterator[bytes]:
        yield b"retry: %d\n\n" % RECONNECT_MS
        pace = self.pace
        beat = self._clock()
        end = beat + pace.longest_s
        try:
            while self._clock() < end and not self.stopping():
                rows = _look(follower)
                yield from pieces(rows)
                if self._clock() - beat >= pace.heartbeat_s:
                    if not counts():
                        return
                    beat = self._clock()
                    yield heartbeat(follower.position)
                if not rows:
                    if gone():
                        return
                    self._sleep(pace.poll_s)
        except StoreBusy:
            return  # the client comes back with the id of the last event it had
        except ServiceError as error:
            FAULT_LOG.error("event stream ended", exc_info=error, extra={"fields": {"code": error.code}})
            return


def end_with_worker(worker: Any) -> None:
    """Has the streams of a worker process end when it is told to stop: the server would wait for them.

    worker: gunicorn's, with the application loaded; this is its hook `post_worker_init`.
    """
    streams: EventStreams = worker.wsgi.extensions[EXTENSION].streams
    # A worker whose master was killed is on its way out too, though nobody told it.
    streams.stopping = lambda: not worker.alive or os.getppid() != worker.ppid


def _look(follower: Follower) -> Sequence[StoredEvent]:
    try:
        return follower.more()
    except WriteConflict:  # a copy failed while it was read: the next look asks the database itself
        return ()


def _with_headers(response: Response) -> Response:
    response.headers["Cache-Control"] = "no-store"
    response.headers["X-Accel-Buffering"] = "no"
    return response


def _is_gone(link: socket.socket | None) -> bool:
    """Whether the client has closed its end: then the socket can be read and there is nothing to read."""
    if link is None:
        return False
    try:
        readable, _, _ = select.select([link], [], [], 0)
        return bool(readable) and link.recv(1, socket.MSG_PEEK) == b""
    except (OSError, ValueError):
        return True


def _takes(link: socket.socket | None, seconds: float) -> bool:
    """Whether the client takes more within so many seconds. One that does not is cut off."""
    if link is None:
        return True
    try:
        _, writable, _ = select.select([], [link], [], seconds)
        if not writable:
            # The end of the answer could not be sent either: without this the server would wait for it.
            link.shutdown(socket.SHUT_RDWR)
        return bool(writable)
    except (OSError, ValueError):
        return False
