"""What one request carries with it, and what the application carries for all requests."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from flask import current_app, g, has_request_context

from service.config import Settings
from service.domain.access import Principal
from service.domain.ports import Store
from service.http.cursors import Cursors

EXTENSION: Final = "service-edge"
_REQUEST_ID: Final = re.compile(r"[A-Za-z0-9._-]{8,64}")


@dataclass(frozen=True)
class Edge:
    """What every view may use: store, clock, maker of ids, settings, cursors, places of event streams."""

    store: Store
    clock: Callable[[], datetime]
    new_id: Callable[[], str]
    settings: Settings
    cursors: Cursors
    service_version: str
    metrics: Any
    streams: Any


def edge() -> Edge:
    """The edge of the running application."""
    found: Edge = current_app.extensions[EXTENSION]
    return found


def accepted_request_id(given: str | None) -> str | None:
    """The caller's request id when it is of the accepted form, else None."""
    return given if given is not None and _REQUEST_ID.fullmatch(given) else None


def request_id() -> str:
    """The id of this request, or an empty text outside one."""
    return str(g.get("request_id", "")) if has_request_context() else ""


def principal() -> Principal | None:
    """Who calls, once known."""
    found: Principal | None = g.get("principal")
    return found
