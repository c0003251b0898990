"""A service for tests: the whole application on its own SQLite file, with a clock and chance that repeat."""

from __future__ import annotations

import atexit
import functools
import hashlib
import itertools
import json
import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from flask import Flask
from werkzeug.test import TestResponse

from service.application import access
from service.application.context import Context
from service.config import Settings
from service.domain.access import Principal
from service.domain.ports import Store
from service.http.app import create_app
from service.persistence.migrate import migrate
from service.persistence.store import open_store

START = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)
ALPHABET = "0123456789abcdefghjkmnpqrstvwxyz"


class Clock:
    """A clock that goes on by a second at each look, and by as much as a test says."""

    def __init__(self, start: datetime = START) -> None:
        self.now = start
        self.step_s = 1

    def __call__(self) -> datetime:
        self.now += timedelta(seconds=self.step_s)
        return self.now

    def advance(self, **by: float) -> None:
        self.now += timedelta(**by)


class Chance:
    """Ids and bytes that repeat from run to run: each is the hash of its number."""

    def __init__(self, seed: str = "") -> None:
        self._seed, self._numbers = seed, itertools.count()

    def bytes(self, count: int) -> bytes:
        made = b""
        while len(made) < count:
            made += hashlib.sha256(f"{self._seed}{next(self._numbers)}".encode()).digest()
        return made[:count]

    def id(self, prefix: str = "") -> str:
        return prefix + "".join(ALPHABET[byte % 32] for byte in self.bytes(26))


@dataclass
class Caller:
    """One principal with one token; sends JSON as a careful client does."""

    app: Flask
    principal: str
    token: str
    role: str
    token_id: str = ""
    _keys: Iterator[int] = field(default_factory=itertools.count)

    def send(self, method: str, path: str, **options: Any) -> TestResponse:
        headers = {"Authorization": f"Bearer {self.token}", **options.pop("headers", {})}
        headers = {name: value for name, value in headers.items() if value is not None}
        return self.app.test_client().open(path, method=method, headers=headers, **options)

    def get(self, path: str, **options: Any) -> TestResponse:
        return self.send("GET", path, **options)

    def put(
        self, path: str, document: Any, headers: dict[str, Any] | None = None, **options: Any
    ) -> TestResponse:
        chosen = {"If-None-Match": "*"} if headers is None else headers
        return self.send("PUT", path, json=document, headers=chosen, **options)

    def revise(self, path: str, document: Any) -> TestResponse:
        return self.put(path, document, {"If-Match": "*"})

    def post(
        self, path: str, document: Any = None, headers: dict[str, Any] | None = None, **options: Any
    ) -> TestResponse:
        chosen = {"Idempotency-Key": f"test-key-{id(self)}-{next(self._keys)}", **(headers or {})}
        if document is not None:
            options["json"] = document
        return self.send("POST", path, headers=chosen, **options)

    def post_bytes(
        self, path: str, body: bytes, media: str = "application/json", **headers: Any
    ) -> TestResponse:
        chosen = {"Idempotency-Key": f"test-key-{id(self)}-{next(self._keys)}"}
        chosen.update({name.replace("_", "-"): value for name, value in headers.items()})
        return self.send("POST", path, data=body, content_type=media, headers=chosen)


@functools.cache
def _migrated() -> Path:
    """A folder with a migrated database, copied for each service: migrating takes longer than a test."""
    folder = Path(tempfile.mkdtemp(prefix="migrated-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    settings = Settings.from_environment({"DATA_DIR": str(folder)})
    migrate(settings, clock=lambda: START, random_bytes=Chance("migration").bytes)
    return folder


class Running:
    """The application, its store and callers of every role."""

    def __init__(self, folder: Path, **environ: str) -> None:
        self.clock, self.chance = Clock(), Chance()
        shutil.copytree(_migrated(), folder, dirs_exist_ok=True)
        self.settings = Settings.from_environment({"DATA_DIR": str(folder), "LOG_LEVEL": "error", **environ})
        self.store: Store = open_store(self.settings, clock=self.clock, random_bytes=self.chance.bytes)
        self.app = create_app(
            store=self.store,
            clock=self.clock,
            new_id=self.chance.id,
            settings=self.settings,
            cursor_secret=hashlib.sha256(b"cursor").digest(),
        )

    def close(self) -> None:
        self.store.close()  # type: ignore[attr-defined]

    def context(self) -> Context:
        operator = Principal("pr_00000000000000000000000000", "system", "administrator", "")
        return Context(self.store, self.clock(), self.chance.id, operator, "rq_test")

    def caller(
        self,
        role: str,
        *,
        kind: str = "person",
        principal: str | None = None,
        register: bool = False,
        **scope: Any,
    ) -> Caller:
        """A caller with a new token: of a new principal (with this id, where given) or of a known one."""
        if principal is None or register:
            identifier = principal or self.chance.id("pr_")
            principal = access.register_principal(self.context(), {"kind": kind}, identifier).document["id"]
        request = {"principal": principal, "role": role, **scope}
        secret = self.chance.id() + self.chance.id()
        token_id = self.chance.id("tk_")
        access.issue_token(self.context(), request, token_id, lambda: secret)
        return Caller(self.app, principal, secret, role, token_id)


def problem_of(response: TestResponse, status: int, code: str) -> dict[str, Any]:
    """The problem that a response carries, after its shape was looked at."""
    assert response.status_code == status, response.get_data(as_text=True)
    assert response.content_type == "application/problem+json"
    document: dict[str, Any] = json.loads(response.data)
    assert set(document) == {"type", "title", "status", "detail", "code", "request_id", "errors", "facts"}
    assert document["code"] == code, document
    assert document["type"] == f"/problems/{code}"
    assert document["status"] == status
    assert document["request_id"] == response.headers["X-Request-Id"]
    return document


PLANT = {"name": "Invented plant"}
LINE = {"description": "main steam", "connected_lines": []}


def hanger(mark: str = "H-1", line: str = "L-1", **more: Any) -> dict[str, Any]:
    """A small hanger record."""
    return {"mark": mark, "line": line, "kind": "variable", "assemblies": [{"stops": 2}], **more}


def inspection(**more: Any) -> dict[str, Any]:
    """A small inspection."""
    return {"occurred_at": "2026-05-04T05:00:00Z", "assembly": 1, "in_place": True, **more}
