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
from service.domain.webhooks import secret_of
from service.http import logs
from service.http.app import create_app
from service.persistence.outbox import SqlOutbox
from service.persistence.signing import OPERATOR
from service.persistence.soundness import examine_before_writing
from service.persistence.store import open_store
from service.relay.relay import Relay

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
    store = open_store(chosen)
    examine_before_writing(store)
    return create_app(store=store, clock=now, new_id=new_id, settings=chosen, cursor_secret=secret)


def make_relay(settings: Settings | None = None) -> Relay:
    """The relay of the webhooks, ready to run in this process."""
    chosen = settings or settings_of()
    logs.configure(chosen.log_level)
    master = chosen.webhook_secret_file.read_bytes().strip()
    store = open_store(chosen)
    examine_before_writing(store)
    return Relay(
        store=store,
        outbox=SqlOutbox(store, chosen),
        secrets=lambda webhook, generation: secret_of(master, webhook, generation),
        allowed=chosen.webhook_allowed_targets,
        clock=now,
        new_id=new_id,
        actor=OPERATOR,
    )


def make_document_app() -> Flask:
    """The application without a store, for its OpenAPI document alone: no route of it can be served."""
    chosen = Settings.from_environment({})
    return create_app(store=None, clock=now, new_id=new_id, settings=chosen, cursor_secret=b"-" * 32)  # type: ignore[arg-type]
