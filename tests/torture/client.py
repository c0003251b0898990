"""Requests over real sockets, told apart by whether the server may have done them."""

from __future__ import annotations

import http.client
import json
import socket
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

NDJSON = "application/x-ndjson"


class NotSent(Exception):
    """No server took the request: nothing can have been done."""


class Lost(Exception):
    """The request was sent, the whole answer did not come: nobody knows what was done."""


@dataclass(frozen=True)
class Answer:
    """A complete answer."""

    status: int
    headers: Mapping[str, str]
    body: bytes

    def json(self) -> Any:
        """The body's document."""
        return json.loads(self.body)

    def rows(self) -> list[Any]:
        """The documents of an NDJSON body."""
        return [json.loads(line) for line in self.body.splitlines()]


class Client:
    """One caller of one server; keeps its connection open between requests."""

    def __init__(self, port: int, token: str, timeout_s: float = 20.0) -> None:
        self.port, self.token, self._timeout_s = port, token, timeout_s
        self._connection: http.client.HTTPConnection | None = None

    def close(self) -> None:
        """Closes the connection."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def send(
        self, method: str, path: str, body: bytes | None = None, headers: Mapping[str, str] | None = None
    ) -> Answer:
        """Sends one request and waits for its whole answer.

        Raises:
            NotSent: there was no connection to be had
            Lost: anything else that kept the answer from being complete
        """
        connection = self._connected()
        try:
            connection.request(
                method, path, body, {"Authorization": f"Bearer {self.token}", **(headers or {})}
            )
            response = connection.getresponse()
            found = Answer(response.status, dict(response.headers.items()), response.read())
            if response.will_close:
                self.close()
            return found
        except (OSError, http.client.HTTPException, ValueError) as error:
            self.close()
            raise Lost(f"{type(error).__name__}: {error}") from error

    def stream(self, path: str, headers: Mapping[str, str]) -> http.client.HTTPResponse:
        """Sends a GET on a connection of its own and returns the answer to be read piece by piece.

        Raises:
            NotSent, Lost
        """
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=self._timeout_s)
        try:
            connection.connect()
        except OSError as error:
            raise NotSent(str(error)) from error
        try:
            connection.request("GET", path, None, {"Authorization": f"Bearer {self.token}", **headers})
            response = connection.getresponse()
        except (OSError, http.client.HTTPException) as error:
            connection.close()
            raise Lost(str(error)) from error
        response.connection = connection  # type: ignore[attr-defined]
        return response

    def _connected(self) -> http.client.HTTPConnection:
        if self._connection is not None:
            return self._connection
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=self._timeout_s)
        try:
            connection.connect()
            assert connection.sock is not None
            connection.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        except OSError as error:
            raise NotSent(str(error)) from error
        self._connection = connection
        return connection
