"""The application: blueprints, error handlers and what happens around each request.

Nothing is opened or read from the environment when this module is imported.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from datetime import datetime
from typing import Any, Final

from flask import Flask, Response, current_app, g, request
from flask_smorest import Api
from werkzeug.exceptions import HTTPException

from service.config import Settings, service_version
from service.domain.ports import Store
from service.errors import ServiceError
from service.http import logs, problems
from service.http.blueprints import (
    access,
    acts,
    balance,
    bulk,
    criteria,
    docs,
    erasures,
    events,
    hangers,
    health,
    ledger,
    line_models,
    lines,
    plants,
    readiness,
    release,
    schemas,
    stateless,
    webhooks,
)
from service.http.cursors import Cursors
from service.http.event_streams import EventStreams
from service.http.metrics import Metrics
from service.http.openapi import TITLE
from service.http.operations import refuse_slashes
from service.http.state import EXTENSION, Edge, accepted_request_id, edge

BLUEPRINTS: Final = (
    plants.blueprint,
    lines.blueprint,
    line_models.blueprint,
    balance.blueprint,
    hangers.blueprint,
    bulk.blueprint,
    criteria.blueprint,
    acts.blueprint,
    release.blueprint,
    readiness.blueprint,
    stateless.blueprint,
    events.blueprint,
    ledger.blueprint,
    webhooks.blueprint,
    erasures.blueprint,
    access.blueprint,
    schemas.blueprint,
    docs.blueprint,
    health.blueprint,
)

SECURITY_HEADERS: Final = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Content-Security-Policy": "default-src 'none'; frame-ancestors 'none'",
    "Cross-Origin-Resource-Policy": "same-origin",
}

# A token pasted into a path by mistake must not reach the log.
LOGGED_PARTS: Final = frozenset({"plant", "line", "mark", "revision", "sequence"})

ACCESS_LOG: Final = logging.getLogger(logs.ACCESS)
FAULT_LOG: Final = logging.getLogger(logs.FAULTS)


class EdgeApi(Api):
    """The library's Api with the service's own answers to errors."""

    def handle_http_exception(self, error: HTTPException) -> Response:
        """A problem document for whatever the framework refuses."""
        return problems.answer(problems.from_framework(error))


def create_app(
    *,
    store: Store,
    clock: Callable[[], datetime],
    new_id: Callable[[], str],
    settings: Settings,
    cursor_secret: bytes,
) -> Flask:
    """The WSGI application.

    Args:
        store: the whole store, open
        clock: the present, an aware time in UTC
        new_id: 26 characters of chance, for requests, principals and tokens
        settings: limits and log level
        cursor_secret: at least 16 bytes that sign paging cursors, alike on every machine

    Returns:
        the application, with nothing of it open but the store
    """
    logs.configure(settings.log_level)
    app = Flask("service", static_folder=None)
    version = service_version()
    app.config.update(API_TITLE=TITLE, API_VERSION=version, OPENAPI_VERSION="3.1.0", MAX_CONTENT_LENGTH=None)
    app.url_map.merge_slashes = False
    app.extensions[EXTENSION] = Edge(
        store=store,
        clock=clock,
        new_id=new_id,
        settings=settings,
        cursors=Cursors(cursor_secret),
        service_version=version,
        metrics=Metrics(version),
        streams=EventStreams(settings.event_stream_limit),
    )
    api = EdgeApi(app)
    app.before_request(_begin)
    app.after_request(_finish)
    for blueprint in BLUEPRINTS:
        api.register_blueprint(blueprint)
    app.register_error_handler(ServiceError, _refused)
    app.register_error_handler(Exception, _failed)
    return app


def _begin() -> None:
    """Take the time and name the request before anything else."""
    g.started = time.perf_counter()
    at_hand = edge()
    g.request_id = accepted_request_id(request.headers.get("X-Request-Id")) or f"rq_{at_hand.new_id()}"
    g.now = at_hand.clock()
    refuse_slashes()


def _finish(response: Response) -> Response:
    """Headers that every answer carries, one line in the log, one count."""
    response.headers["X-Request-Id"] = g.request_id
    _mark(response)
    for name, value in SECURITY_HEADERS.items():
        response.headers.setdefault(name, value)
    seconds = time.perf_counter() - g.started
    operation = _operation_id()
    edge().metrics.observe(operation, request.method, response.status_code, seconds)
    caller = g.get("principal")
    ACCESS_LOG.info(
        "answered",
        extra={
            "fields": {
                "request_id": g.request_id,
                "method": request.method,
                "operation": operation,
                "route": request.url_rule.rule if request.url_rule else None,
                "parts": {
                    name: value for name, value in (request.view_args or {}).items() if name in LOGGED_PARTS
                },
                "status": response.status_code,
                "ms": round(seconds * 1000, 2),
                "principal": caller.id if caller else None,
                "role": caller.role if caller else None,
                "token_id": caller.token_id if caller else None,
            }
        },
    )
    return response


def _mark(response: Response) -> None:
    """Mark what was read of a log that is closed to writes because it disagrees with itself."""
    plant = (request.view_args or {}).get("plant")
    if plant is None or request.method not in ("GET", "HEAD") or response.status_code >= 400:
        return
    try:
        fault = edge().store.fault(plant)
    except ServiceError:  # what was read was read; the next answer tells
        return
    if fault is not None:
        position = "" if fault.position is None else f"; position={fault.position}"
        response.headers["Log-Fault"] = f"{fault.reason}{position}"


def _operation_id() -> str:
    declared = getattr(_view(), "operation", None)
    return declared.id if declared is not None and request.method != "OPTIONS" else "none"


def _view() -> Any:
    """The view that serves this request, or None."""
    return current_app.view_functions.get(request.endpoint) if request.endpoint else None


def _refused(error: ServiceError) -> Response:
    """An answer for an error of the service; a fault of its own is logged with its trace."""
    if problems.STATUS[type(error)] == 500:
        FAULT_LOG.error(
            "fault", exc_info=error, extra={"fields": {"request_id": g.request_id, "code": error.code}}
        )
    return problems.answer(error)


def _failed(error: Exception) -> Response:
    """An answer for whatever else went wrong: nothing of it is told, all of it is logged."""
    if isinstance(error, HTTPException):
        return problems.answer(problems.from_framework(error))
    FAULT_LOG.error("fault", exc_info=error, extra={"fields": {"request_id": g.request_id}})
    return problems.answer(ServiceError("The service met a fault of its own."))
