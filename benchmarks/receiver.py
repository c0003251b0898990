"""A receiver of webhooks on the loopback address, as a process of its own: takes, counts, looks at the order.

Run: python benchmarks/receiver.py. It prints its port, answers POST with 204 and GET with its counts.
"""

from __future__ import annotations

import asyncio
import json
import re
import time
from typing import Any, Final

MARK: Final = 1_000  # deliveries
_LENGTH: Final = re.compile(rb"\r\ncontent-length: *([0-9]+)\r\n", re.IGNORECASE)


class Counts:
    """What has come so far. marks: when the first delivery came, and the first of each later thousand."""

    def __init__(self) -> None:
        self.deliveries = 0
        self.marks: list[float] = []
        self.places: set[int] = set()
        self.out_of_order = 0
        self.first_at = self.last_at = 0.0
        self._last: dict[str, int] = {}

    def take(self, body: bytes) -> None:
        """Counts one delivery and looks whether its hanger's events come in order."""
        self.last_at = time.monotonic()
        self.first_at = self.first_at or self.last_at
        message = json.loads(body)
        place, subject = int(message["sequence"]), message["subject"]
        if self.deliveries % MARK == 0:
            self.marks.append(self.last_at)
        self.deliveries += 1
        self.places.add(place)
        if place < self._last.get(subject, -1):
            self.out_of_order += 1
        self._last[subject] = max(place, self._last.get(subject, -1))

    def document(self) -> dict[str, Any]:
        """The counts as JSON. least, greatest: sequences. seconds: from the first delivery to the last."""
        return {
            "deliveries": self.deliveries,
            "events": len(self.places),
            "least": min(self.places, default=None),
            "greatest": max(self.places, default=None),
            "out_of_order": self.out_of_order,
            "seconds": self.last_at - self.first_at,
            "marks": self.marks,
        }


class Receiver(asyncio.Protocol):
    """One kept-open connection."""

    def __init__(self, counts: Counts) -> None:
        self._counts = counts
        self._read = b""
        self._transport: Any = None

    def connection_made(self, transport: Any) -> None:
        """Keeps the way back."""
        self._transport = transport

    def data_received(self, data: bytes) -> None:
        """Answers every request that is complete."""
        self._read += data
        while (end := self._read.find(b"\r\n\r\n")) >= 0:
            head = self._read[: end + 2]
            found = _LENGTH.search(head)
            length = int(found[1]) if found else 0
            if len(self._read) < end + 4 + length:
                return
            body = self._read[end + 4 : end + 4 + length]
            self._read = self._read[end + 4 + length :]
            if head.startswith(b"POST "):
                self._counts.take(body)
                self._transport.write(b"HTTP/1.1 204 No Content\r\n\r\n")
            else:
                shown = json.dumps(self._counts.document()).encode()
                self._transport.write(
                    b"HTTP/1.1 200 OK\r\nContent-Length: %d\r\n\r\n%s" % (len(shown), shown)
                )


async def main() -> None:
    """Listens until ended."""
    counts = Counts()
    server = await asyncio.get_running_loop().create_server(lambda: Receiver(counts), "127.0.0.1", 0)
    print(server.sockets[0].getsockname()[1], flush=True)
    await server.serve_forever()


if __name__ == "__main__":
    asyncio.run(main())
