"""Time of three requests in one process, as ratios to a bare Flask endpoint in the same run.

A line of 60 hangers is erected in a fresh SQLite store; then each request is called as WSGI, without a
socket, in rounds that alternate, so that a slow moment of the machine meets all of them alike. The
median of each is divided by the median of the bare endpoint.

Run: make bench
"""

from __future__ import annotations

import io
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from flask import Flask

from service import bootstrap
from service.application import access
from service.config import Settings
from service.demo import records as invented
from service.demo.work import Clock, Crew, open_demo_plant
from service.persistence.migrate import migrate
from service.persistence.store import open_store

HANGERS = 60
ROUNDS = int(os.environ.get("BENCH_ROUNDS", "300"))


def main() -> int:
    """Build the line, time the requests, print the table."""
    with tempfile.TemporaryDirectory() as folder:
        settings = Settings.from_environment({"DATA_DIR": folder, "LOG_LEVEL": "error"})
        migrate(settings)
        token = _erect(settings)
        app = bootstrap.make_app(settings)
        bare = Flask("bare")
        bare.add_url_rule("/", view_func=lambda: "{}")
        base = f"/v1/plants/{invented.PLANT}"
        calls: dict[str, Callable[[], None]] = {
            "bare Flask endpoint": _caller(bare, "/", None),
            "hanger GET": _caller(app, f"{base}/hangers/MS-10-04", token),
            "checks of a hanger": _caller(app, f"{base}/hangers/MS-10-04/checks", token),
            f"readiness of a {HANGERS}-hanger line": _caller(
                app, f"{base}/lines/MS-10/readiness?for=release", token
            ),
        }
        times: dict[str, list[float]] = {name: [] for name in calls}
        for round_number in range(ROUNDS + 5):
            for name, call in calls.items():
                started = time.perf_counter()
                call()
                if round_number >= 5:
                    times[name].append(time.perf_counter() - started)
        unit = statistics.median(times["bare Flask endpoint"])
        print(f"{'request':38} {'median ms':>10} {'ratio':>8}")
        for name, measured in times.items():
            median = statistics.median(measured)
            print(f"{name:38} {median * 1000:10.3f} {median / unit:8.1f}")
    return 0


def _erect(settings: Settings) -> str:
    """A line of 60 inspected hangers; returns a reader's token."""
    clock = Clock(bootstrap.now())
    store = open_store(settings, clock=clock)
    base = bootstrap.operator_context(store, clock())
    persons = {}
    for part in ("engineer", "fitter", "inspector", "integrator"):
        document = {"kind": "system" if part == "integrator" else "person"}
        persons[part] = access.register_principal(base, document, bootstrap.new_id("pr_")).document["id"]
    open_demo_plant(replace(base, now=clock()))
    pattern = [support for support in invented.SUPPORTS if support.line == "MS-10"]
    supports = tuple(
        replace(pattern[place % len(pattern)], mark=f"MS-10-{place + 1:02}") for place in range(HANGERS)
    )
    invented.SUPPORTS = supports  # type: ignore[misc]
    crew = Crew(base, clock, persons)
    crew.register_lines()
    for support in supports:
        crew.register(support)
        crew.inspect(support)
    crew.inspect_line("MS-10")
    request = {"principal": persons["engineer"], "role": "reader"}
    context = replace(base, now=bootstrap.now())
    return str(
        access.issue_token(context, request, bootstrap.new_id("tk_"), bootstrap.new_secret).document["token"]
    )


def _caller(app: Flask, target: str, token: str | None) -> Callable[[], None]:
    """A WSGI call that must answer 200."""
    path, _, query = target.partition("?")

    def call() -> None:
        environ: dict[str, Any] = {
            "REQUEST_METHOD": "GET",
            "PATH_INFO": path,
            "QUERY_STRING": query,
            "SERVER_NAME": "bench",
            "SERVER_PORT": "80",
            "SERVER_PROTOCOL": "HTTP/1.1",
            "wsgi.version": (1, 0),
            "wsgi.url_scheme": "http",
            "wsgi.input": io.BytesIO(),
            "wsgi.errors": sys.stderr,
            "wsgi.multithread": False,
            "wsgi.multiprocess": False,
            "wsgi.run_once": False,
            "HTTP_HOST": "bench",
        }
        if token is not None:
            environ["HTTP_AUTHORIZATION"] = f"Bearer {token}"
        answered: list[str] = []
        chunks = app(environ, lambda status, headers, info=None: answered.append(status))
        body = b"".join(chunks)
        if not answered[0].startswith("200"):
            raise SystemExit(f"{target}: {answered[0]} {body[:300]!r}")

    return call


if __name__ == "__main__":
    raise SystemExit(main())
