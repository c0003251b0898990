"""Commands that make the service run: migrate, serve, relay, demo, openapi."""

from __future__ import annotations

import argparse
import subprocess
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from service import bootstrap
from service.config import Settings
from service.persistence.migrate import migrate
from service.relay import process

OPENAPI_FILE: Final = Path(__file__).resolve().parents[2] / "openapi.yaml"
_LOOK_S: Final = 1.0
_LONGEST_PAUSE_S: Final = 30.0


def add_commands(commands: Any) -> None:
    """Adds the commands to those of the parser."""
    add = commands.add_parser("migrate", help="bring the database and keys to this release")
    add.set_defaults(run=_migrate)

    add = commands.add_parser("serve", help="serve the API (after migrate), with the relay beside it")
    add.set_defaults(run=_serve)

    add = commands.add_parser(
        "relay", help="send what is in the log to the webhooks, as a process of its own"
    )
    add.add_argument(process.BESIDE, type=int, metavar="PID", help="end with this process, which started it")
    add.set_defaults(run=_relay)

    add = commands.add_parser(
        "demo", help="fill an empty service with an invented plant, print a tour, serve"
    )
    add.add_argument("--no-serve", action="store_true", help="fill and print, do not serve")
    add.set_defaults(run=_demo)

    add = commands.add_parser("openapi", help="compare openapi.yaml with the routes, or write it")
    group = add.add_mutually_exclusive_group(required=True)
    group.add_argument("--check", action="store_true")
    group.add_argument("--write", action="store_true")
    add.set_defaults(run=_openapi)


def _migrate(_: argparse.Namespace) -> int:
    migrate(bootstrap.settings_of())
    return 0


def _serve(_: argparse.Namespace) -> int:
    serve(bootstrap.settings_of())
    return 0


def _relay(chosen: argparse.Namespace) -> int:
    settings = bootstrap.settings_of()
    return process.main_loop(lambda: bootstrap.make_relay(settings), beside=chosen.beside)


class RelayBeside:
    """The relay's process beside the server: started again should it die, and ended with the server."""

    def __init__(self) -> None:
        self._ended = threading.Event()
        self._thread: threading.Thread | None = None
        self._process: subprocess.Popen[bytes] | None = None

    def start(self, tell: Callable[[str], Any]) -> None:
        """Starts it, and a thread that looks after it. tell: takes a line for the server's own log."""
        self._process = process.start_beside()
        self._thread = threading.Thread(target=self._keep, args=(tell,), name="relay-beside", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Ends it, and waits until what is under way has been kept."""
        self._ended.set()
        if self._thread is not None:
            self._thread.join()
        if self._process is not None:
            process.stop_beside(self._process)

    def _keep(self, tell: Callable[[str], Any]) -> None:
        pause = _LOOK_S
        while not self._ended.wait(pause):
            assert self._process is not None
            # The server reaps its children itself; one that is gone is known by that as well.
            if self._process.poll() is None:
                pause = _LOOK_S
                continue
            tell("The relay's process ended and is started again.")
            pause = min(2 * pause, _LONGEST_PAUSE_S)
            self._process = process.start_beside()


def serve(settings: Settings) -> None:
    """Serve under gunicorn with threads; each worker makes its own application and connections.

    The relay of the webhooks runs beside the workers, in a process of its own that ends with the server.
    """
    from gunicorn.app.base import BaseApplication

    from service.http.event_streams import end_with_worker

    relay = RelayBeside()

    def start_relay(server: Any) -> None:
        if settings.relay:
            relay.start(server.log.error)

    class Server(BaseApplication):
        """Gunicorn with settings from the service's own configuration."""

        def load_config(self) -> None:
            """Take over the settings."""
            options: dict[str, Any] = {
                "bind": f"[{settings.host}]:{settings.port}"
                if ":" in settings.host
                else f"{settings.host}:{settings.port}",
                "workers": settings.workers,
                "threads": settings.threads,
                "worker_class": "gthread",
                "timeout": settings.request_timeout_s,
                "graceful_timeout": 20,
                "keepalive": 5,
                "limit_request_line": 8190,
                # One socket in the home folder for every server of an account: none is wanted.
                "control_socket_disable": True,
                "proc_name": "spring-support-release",
                "loglevel": settings.log_level,
                "post_worker_init": end_with_worker,
                "when_ready": start_relay,
                "on_exit": lambda _: relay.stop(),
            }
            for name, value in options.items():
                self.cfg.set(name, value)

        def load(self) -> Any:
            """Build the application in the worker."""
            return bootstrap.make_app(settings)

    Server().run()


def _demo(chosen: argparse.Namespace) -> int:
    from service import demo

    settings = bootstrap.settings_of()
    migrate(settings)
    demo.fill(settings)
    if not chosen.no_serve and not demo.is_served(settings):
        serve(settings)
    return 0


def _openapi(chosen: argparse.Namespace) -> int:
    from service.http.openapi import check_openapi, write_openapi

    app = bootstrap.make_document_app()
    if chosen.write:
        write_openapi(app, OPENAPI_FILE)
        return 0
    differences = check_openapi(app, OPENAPI_FILE)
    for difference in differences:
        print(difference)
    return 1 if differences else 0
