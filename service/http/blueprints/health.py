"""The service itself: index, version, health and measurements."""

from __future__ import annotations

from flask import Response

from service.config import DISTRIBUTION
from service.http import answers
from service.http.operations import Call, EdgeBlueprint, Operation, Reply, operation
from service.http.replies import document_reply
from service.http.state import edge

blueprint = EdgeBlueprint("service", __name__, description="Index, version, health and measurements.")

MEASUREMENTS = "text/plain"

_WHAT = (
    "Takes the spring supports of hot piping from erected and locked to released and proved hot, "
    "with every act in an append-only log."
)
_PLACES = {
    "plants": "/v1/plants",
    "openapi": "/openapi.yaml",
    "reference": "/docs",
    "schemas": "/schemas/",
    "problems": "/problems/",
    "version": "/version",
    "health": "/health/ready",
}


@operation(
    blueprint,
    Operation(
        "getIndex",
        "GET",
        "/",
        "Find the way",
        "What the service is and where to go on.",
        {200: document_reply("index", "The index.")},
        public=True,
    ),
)
def get_index(call: Call) -> Response:
    """What the service is and where to go on."""
    return answers.json_answer(
        {"service": DISTRIBUTION, "version": edge().service_version, "what": _WHAT, "paths": _PLACES}
    )


@operation(
    blueprint,
    Operation(
        "getVersion",
        "GET",
        "/version",
        "Read the version",
        "Name and version of the service, and of its interface.",
        {200: document_reply("version", "The version.")},
        public=True,
    ),
)
def get_version(call: Call) -> Response:
    """Name and version."""
    return answers.json_answer(
        {"service": DISTRIBUTION, "version": edge().service_version, "interface": "v1"}
    )


@operation(
    blueprint,
    Operation(
        "getLive",
        "GET",
        "/health/live",
        "Does the process live?",
        "200 as long as the process answers.",
        {200: document_reply("health", "It lives.")},
        public=True,
    ),
)
def get_live(call: Call) -> Response:
    """The process answers."""
    return answers.json_answer({"status": "live"})


@operation(
    blueprint,
    Operation(
        "getReady",
        "GET",
        "/health/ready",
        "Can it serve?",
        "200 when the store can be read and written.",
        {200: document_reply("health", "It can serve.")},
        public=True,
        errors=("store-busy", "log-corrupt"),
    ),
)
def get_ready(call: Call) -> Response:
    """The store can serve."""
    edge().store.ready()
    return answers.json_answer({"status": "ready"})


@operation(
    blueprint,
    Operation(
        "getMetrics",
        "GET",
        "/metrics",
        "Read measurements",
        "Counts and durations of requests in the Prometheus text format, of the worker process that answers. "
        "They hold no token, key or name.",
        {200: Reply("The measurements.", {MEASUREMENTS: {"type": "string"}})},
        public=True,
        formats=(MEASUREMENTS,),
    ),
)
def get_metrics(call: Call) -> Response:
    """Counts and durations of requests."""
    response = Response(edge().metrics.text(), content_type="text/plain; version=0.0.4; charset=utf-8")
    response.headers["Cache-Control"] = "no-store"
    return response
