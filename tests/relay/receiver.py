"""A receiver of webhooks over a real socket: verifies with packages made elsewhere, answers as told."""

from __future__ import annotations

import datetime as dt
import hashlib
import ipaddress
import json
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from cloudevents.core.bindings.http import HTTPMessage, from_structured_event
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID
from standardwebhooks import Webhook


@dataclass(frozen=True)
class Got:
    """A message as it came. sequence: of the event. at: seconds that never go back."""

    path: str
    headers: dict[str, str]
    body: bytes
    connection: int
    at: float

    @property
    def document(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.body)
        return found

    @property
    def sequence(self) -> int:
        return int(self.document["sequence"])

    @property
    def subject(self) -> str:
        return str(self.document["subject"])

    @property
    def id(self) -> str:
        return self.headers["webhook-id"]

    def verify(self, secret: str) -> None:
        """Signature and time by standardwebhooks, form by cloudevents, and the exact bytes by their hash."""
        Webhook(secret).verify(self.body, self.headers)
        event = from_structured_event(HTTPMessage(headers=self.headers, body=self.body))
        assert event.get_id() == self.id
        assert event.get_specversion() == "1.0"
        assert event.get_datacontenttype() == "application/json"
        data = event.get_data()
        assert isinstance(data, dict)
        assert data["sequence"] == int(event.get_extension("sequence"))
        assert data["id"] == event.get_id()
        assert data["subject"] == event.get_subject()
        assert event.get_type() == f"example.hangers.{data['type']}.v{data['schema_version']}"
        exact = self.body.partition(b',"data":')[2][:-1]
        assert hashlib.sha256(b"\0" + exact).hexdigest() == event.get_extension("leafhash")


@dataclass(frozen=True)
class Reply:
    """How to answer. delay_s: before the answer. close: without any answer."""

    status: int = 204
    headers: tuple[tuple[str, str], ...] = ()
    body: bytes = b""
    delay_s: float = 0.0
    close: bool = False


class Receiver:
    """Listens on a port of the loopback address. `answer` may be set at any time."""

    def __init__(
        self,
        answer: Callable[[Got], Reply] = lambda _: Reply(),
        tls: ssl.SSLContext | None = None,
        host: str = "127.0.0.1",
    ) -> None:
        self.answer = answer
        self.got: list[Got] = []
        self.connections = 0
        self._lock = threading.Lock()
        outer = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"
            wbufsize = -1
            disable_nagle_algorithm = True

            def setup(self) -> None:
                super().setup()
                with outer._lock:
                    outer.connections += 1
                    self.number = outer.connections

            def do_POST(self) -> None:
                length = int(self.headers["Content-Length"])
                body = self.rfile.read(length)
                if len(body) < length:  # the sender died on the way
                    self.close_connection = True
                    return
                headers = {name.lower(): value for name, value in self.headers.items()}
                got = Got(self.path, headers, body, self.number, time.monotonic())
                with outer._lock:
                    outer.got.append(got)
                reply = outer.answer(got)
                time.sleep(reply.delay_s)
                if reply.close:
                    self.close_connection = True
                    return
                self.send_response(reply.status)
                for name, value in reply.headers:
                    self.send_header(name, value)
                if reply.status not in (204, 304):
                    self.send_header("Content-Length", str(len(reply.body)))
                self.end_headers()
                self.wfile.write(reply.body)

            def log_message(self, format: str, *args: Any) -> None:
                """Silent."""

        class Server(ThreadingHTTPServer):
            daemon_threads = True
            address_family = socket.AF_INET6 if ":" in host else socket.AF_INET

            def handle_error(self, request: Any, client_address: Any) -> None:
                """A client that went away is no error here."""

        self._server = Server((host, 0), Handler)
        if tls is not None:
            self._server.socket = tls.wrap_socket(self._server.socket, server_side=True)
        self.port: int = self._server.server_address[1]
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    def wait_for(self, count: int, limit_s: float = 30.0) -> list[Got]:
        """The messages, once there are this many."""
        wait_until(lambda: len(self.got) >= count, limit_s, lambda: f"{len(self.got)} of {count} came")
        return list(self.got)


@contextmanager
def receiving(*args: Any, **more: Any) -> Iterator[Receiver]:
    receiver = Receiver(*args, **more)
    try:
        yield receiver
    finally:
        receiver.close()


def wait_until(
    condition: Callable[[], bool], limit_s: float = 30.0, told: Callable[[], str] = lambda: "not in time"
) -> None:
    deadline = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < deadline, told()
        time.sleep(0.01)


def in_order(got: list[Got]) -> bool:
    """Whether each subject's events came in the order of the log."""
    last: dict[str, int] = {}
    for each in got:
        if each.sequence <= last.get(each.subject, -1):
            return False
        last[each.subject] = each.sequence
    return True


class Authority:
    """A certificate authority of its own, whose files lie in a folder."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "an authority of tests")])
        self.certificate = self._certificate(self._name, self._key, None)

    def trusted(self) -> ssl.SSLContext:
        """A client's context that trusts this authority alone."""
        pem = self.certificate.public_bytes(serialization.Encoding.PEM).decode()
        return ssl.create_default_context(cadata=pem)

    def server(self, *names: str, expired: bool = False) -> ssl.SSLContext:
        """A server's context with a certificate for these names or addresses."""
        key = ec.generate_private_key(ec.SECP256R1())
        certificate = self._certificate(
            x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, names[0])]), key, names, expired
        )
        file = self._folder / f"{names[0].replace(':', '_')}-{expired}.pem"
        file.write_bytes(
            key.private_bytes(
                serialization.Encoding.PEM,
                serialization.PrivateFormat.PKCS8,
                serialization.NoEncryption(),
            )
            + certificate.public_bytes(serialization.Encoding.PEM)
        )
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(file)
        return context

    def _certificate(
        self,
        subject: x509.Name,
        key: ec.EllipticCurvePrivateKey,
        names: tuple[str, ...] | None,
        expired: bool = False,
    ) -> x509.Certificate:
        now = dt.datetime.now(dt.UTC)
        end = now - dt.timedelta(days=1) if expired else now + dt.timedelta(days=1)
        made = (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(self._name)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - dt.timedelta(days=2))
            .not_valid_after(end)
            .add_extension(x509.BasicConstraints(ca=names is None, path_length=None), critical=True)
            .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
            .add_extension(
                x509.AuthorityKeyIdentifier.from_issuer_public_key(self._key.public_key()), critical=False
            )
        )
        if names is None:
            usage = x509.KeyUsage(False, False, False, False, False, True, True, False, False)
            made = made.add_extension(usage, critical=True)
        else:
            made = made.add_extension(
                x509.SubjectAlternativeName([_general(name) for name in names]), critical=False
            )
        return made.sign(self._key, hashes.SHA256())


def _general(name: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name)
