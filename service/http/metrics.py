"""Measurements of requests, by route template: no path, no token, no name ever becomes a label."""

from __future__ import annotations

import os

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, generate_latest

_BOUNDS = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0)


class Metrics:
    """The measurements of one application in one process."""

    def __init__(self, service_version: str) -> None:
        self._registry = CollectorRegistry()
        labels = ["operation", "method", "status"]
        self._requests = Counter("http_requests", "Requests answered.", labels, registry=self._registry)
        self._seconds = Histogram(
            "http_request_duration_seconds",
            "Time to the first byte of the answer.",
            ["operation"],
            buckets=_BOUNDS,
            registry=self._registry,
        )
        info = Gauge(
            "service_info",
            "Version, and process that answers.",
            ["version", "process"],
            registry=self._registry,
        )
        info.labels(service_version, str(os.getpid())).set(1)

    def observe(self, operation: str, method: str, status: int, seconds: float) -> None:
        """Count one answer. operation: its id, or `none` for a path without one."""
        known = method if method in ("GET", "HEAD", "POST", "PUT", "OPTIONS") else "other"
        self._requests.labels(operation, known, str(status)).inc()
        self._seconds.labels(operation).observe(seconds)

    def text(self) -> bytes:
        """The measurements in the Prometheus text format."""
        return generate_latest(self._registry)
