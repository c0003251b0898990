"""The only place that joins settings, store, clock, chance and the edge. No logic."""

from __future__ import annotations

import os
import secrets
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Final

from flask import Flask

from service.application.context import Context
from service.config import Settings, service_version
from service.domain.access import Principal
from service.domain.ports import Store
from service.http.app import create_app
from service.persistence.store import open_store

# Acts of the command line are this principal's: a system, never a person.
OPERATOR: Final = "pr_00000000000000000000000000"
_ALPHABET: Final = "0123456789abcdefghjkmnpqrstvwxyz"


def now() -> datetime:
    """The service's clock, UTC."""
    return datetime.now(UTC)


def new_id(prefix: str = "") -> str:
    """130 random bits in 26 characters, opaque; the prefix tells what it names."""
    return prefix + "".join(secrets.choice(_ALPHABET) for _ in range(26))


def new_secret() -> str:
    """A bearer token of 256 random bits."""
    return secrets.token_urlsafe(32)


def settings_of(environ: Mapping[str, str] | None = None) -> Settings:
    """The settings of this process."""
    return Settings.from_environment(os.environ if environ is None else environ)


def store_of(settings: Settings) -> Store:
    """The store that the settings name, already migrated."""
    return open_store(settings)


def operator_context(store: Store, moment: datetime | None = None) -> Context:
    """The command line's own context: an administrator of the whole service, by nobody's token."""
    principal = Principal(id=OPERATOR, kind="system", role="administrator", token_id="")
    return Context(
        store=store,
        now=moment or now(),
        new_id=new_id,
        principal=principal,
        request_id=new_id("rq_"),
        service_version=service_version(),
    )


def make_app(settings: Settings | None = None) -> Flask:
    """The WSGI application, ready to serve."""
    chosen = settings or settings_of()
    secret = chosen.cursor_secret_file.read_bytes()
    return create_app(store=store_of(chosen), clock=now, new_id=new_id, settings=chosen, cursor_secret=secret)


def make_document_app() -> Flask:
    """The application without a store, for its OpenAPI document alone: no route of it can be served."""
    chosen = Settings.from_environment({})
    return create_app(store=None, clock=now, new_id=new_id, settings=chosen, cursor_secret=b"-" * 32)  # type: ignore[arg-type]
