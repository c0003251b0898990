"""Target for a WSGI server: `service.wsgi:application()` builds the application in the worker."""

from __future__ import annotations

from flask import Flask

from service.bootstrap import make_app


def application() -> Flask:
    """The application, with its own connections: called after a worker was forked."""
    return make_app()
