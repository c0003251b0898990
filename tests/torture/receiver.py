"""A webhook's receiver: it verifies each message, writes it down, and now and then refuses one."""

from __future__ import annotations

import base64
import json
import threading
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from random import Random
from typing import Any

from standardwebhooks import Webhook

from tests.torture.history import Delivered, History

BEFORE_DATA = b',"data":'


class Receiver:
    """Listens on a port of its own; one path for each plant's webhook."""

    def __init__(self, history: History, chance: Random, refusing: float) -> None:
        """refusing: the share of messages answered with 500, or with nothing at all."""
        self.secrets: dict[str, str] = {}
        self._history, self._chance, self._refusing = history, chance, refusing
        self._lock = threading.Lock()
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                status = receiver._take(self.path.rpartition("/")[2], dict(self.headers.items()), body)
                if status == 0:
                    self.close_connection = True
                    return
                self.send_response(status)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: Any) -> None:
                pass

        class Server(ThreadingHTTPServer):
            daemon_threads = True

            def handle_error(self, *_: Any) -> None:
                """A relay that was killed leaves its connections broken."""

        self._server = Server(("127.0.0.1", 0), Handler)
        self._thread = threading.Thread(target=self._server.serve_forever, name="receiver", daemon=True)
        self._thread.start()

    @property
    def authority(self) -> str:
        """Host and port, as the operator allows them."""
        return f"127.0.0.1:{self._server.server_address[1]}"

    def url(self, plant: str) -> str:
        """Where a plant's events are to go."""
        return f"http://{self.authority}/events/{plant}"

    def _take(self, plant: str, headers: dict[str, str], body: bytes) -> int:
        signed = self._signed(plant, {name.lower(): value for name, value in headers.items()}, body)
        event = json.loads(body)
        stored = body[body.index(BEFORE_DATA) + len(BEFORE_DATA) : -1]
        with self._lock:
            drawn = self._chance.random()
            accepted = drawn >= self._refusing
            self._history.add(
                Delivered(plant, event["id"], base64.b64encode(stored).decode("ascii"), accepted, signed)
            )
        if accepted:
            return 204
        return 500 if drawn < self._refusing / 2 else 0

    def _signed(self, plant: str, headers: dict[str, str], body: bytes) -> bool:
        """Whether a signature is good; the time is not judged, since the servers' clocks are set at will."""
        try:
            sent_at = datetime.fromtimestamp(int(headers["webhook-timestamp"]), UTC)
            expected = Webhook(self.secrets[plant]).sign(headers["webhook-id"], sent_at, body.decode("utf-8"))
            return expected in headers["webhook-signature"].split()
        except (KeyError, ValueError):
            return False

    def stop(self) -> None:
        """Closes the port."""
        self._server.shutdown()
        self._server.server_close()
