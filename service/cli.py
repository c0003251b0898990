"""The command line: serve, migrate, demo, token, rebuild, verify-log, openapi."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from service import bootstrap
from service.application import access
from service.config import Settings
from service.domain.access import ROLES
from service.errors import ConfigurationError, LogCorrupt, ServiceError
from service.persistence.migrate import migrate
from service.persistence.rebuild import rebuild

OPENAPI_FILE: Final = Path(__file__).resolve().parent.parent / "openapi.yaml"


def main(arguments: Sequence[str]) -> int:
    """Run one command; returns the exit status: 0 done, 1 the answer is no, 2 it could not be done."""
    parser = _parser()
    chosen = parser.parse_args(arguments)
    try:
        return int(chosen.run(chosen))
    except ConfigurationError as error:
        print(f"setting: {error.detail}", file=sys.stderr)
        return 2
    except ServiceError as error:
        print(f"{error.code}: {error.detail}", file=sys.stderr)
        for finding in error.errors:
            print(f"  {finding.pointer or finding.name}: {finding.detail}", file=sys.stderr)
        return 2


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m service", description="Spring support release service")
    commands = parser.add_subparsers(dest="command", required=True)

    add = commands.add_parser("migrate", help="bring the database and keys to this release")
    add.set_defaults(run=_migrate)

    add = commands.add_parser("serve", help="serve the API (after migrate)")
    add.set_defaults(run=_serve)

    add = commands.add_parser("token", help="print a new token and nothing else")
    add.add_argument("--role", required=True, choices=ROLES)
    add.add_argument("--principal", help="id of a registered principal; a new person when left out")
    add.add_argument("--system", action="store_true", help="the new principal is a system, not a person")
    add.add_argument("--name", help="display name of the new principal")
    add.add_argument("--plant", action="append", help="plant in scope (repeatable); all when left out")
    add.add_argument("--line", action="append", help="line in scope (repeatable); all when left out")
    add.set_defaults(run=_token)

    add = commands.add_parser("rebuild", help="make every projection again from the log, report differences")
    add.add_argument("--write", action="store_true", help="replace what differs")
    add.set_defaults(run=_rebuild)

    add = commands.add_parser("verify-log", help="check every stored event against its hash and its chains")
    add.set_defaults(run=_verify_log)

    add = commands.add_parser("openapi", help="compare openapi.yaml with the routes, or write it")
    group = add.add_mutually_exclusive_group(required=True)
    group.add_argument("--check", action="store_true")
    group.add_argument("--write", action="store_true")
    add.set_defaults(run=_openapi)

    add = commands.add_parser(
        "demo", help="fill an empty service with an invented plant, print a tour, serve"
    )
    add.add_argument("--no-serve", action="store_true", help="fill and print, do not serve")
    add.set_defaults(run=_demo)
    return parser


def _migrate(_: argparse.Namespace) -> int:
    migrate(bootstrap.settings_of())
    return 0


def _serve(_: argparse.Namespace) -> int:
    serve(bootstrap.settings_of())
    return 0


def serve(settings: Settings) -> None:
    """Serve under gunicorn with threads; each worker makes its own application and connections."""
    from gunicorn.app.base import BaseApplication

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
                "proc_name": "spring-support-release",
                "loglevel": settings.log_level,
            }
            for name, value in options.items():
                self.cfg.set(name, value)

        def load(self) -> Any:
            """Build the application in the worker."""
            return bootstrap.make_app(settings)

    Server().run()


def _token(chosen: argparse.Namespace) -> int:
    store = bootstrap.store_of(bootstrap.settings_of())
    context = bootstrap.operator_context(store)
    principal = chosen.principal
    if principal is None:
        document = {"kind": "system" if chosen.system else "person"}
        if chosen.name:
            document["display_name"] = chosen.name
        principal = access.register_principal(context, document, bootstrap.new_id("pr_")).document["id"]
    request: dict[str, Any] = {"principal": principal, "role": chosen.role}
    if chosen.plant:
        request["plants"] = chosen.plant
    if chosen.line:
        request["lines"] = chosen.line
    answer = access.issue_token(context, request, bootstrap.new_id("tk_"), bootstrap.new_secret)
    print(answer.document["token"])
    return 0


def _rebuild(chosen: argparse.Namespace) -> int:
    differences = rebuild(bootstrap.settings_of(), write=chosen.write)
    for difference in differences:
        print(difference)
    print(f"{len(differences)} differences" + (" replaced" if chosen.write and differences else ""))
    return 1 if differences and not chosen.write else 0


def _verify_log(_: argparse.Namespace) -> int:
    from service.persistence.verify import verify_logs

    try:
        for name, size in verify_logs(bootstrap.settings_of()):
            print(f"{name}: {size} events agree with their hashes and chains")
    except LogCorrupt as error:
        print(f"{error.detail} {dict(error.facts)}", file=sys.stderr)
        return 1
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


def _demo(chosen: argparse.Namespace) -> int:
    from service import demo

    settings = bootstrap.settings_of()
    migrate(settings)
    demo.fill(settings)
    if not chosen.no_serve and not demo.is_served(settings):
        serve(settings)
    return 0
