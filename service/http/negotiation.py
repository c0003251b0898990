"""Which representation a caller asks for, by the Accept header (RFC 9110, 12.5.1)."""

from __future__ import annotations

from collections.abc import Sequence

from flask import Request

from service.errors import Finding, NotAcceptable


def choose(request: Request, offered: Sequence[str]) -> str:
    """The offered media type that the Accept header likes best; the first one without a header.

    Raises:
        NotAcceptable: the header leaves none
    """
    header = request.headers.get("Accept")
    if not header or header == "*/*":
        return offered[0]
    best = request.accept_mimetypes.best_match(offered)
    if best is None:
        raise NotAcceptable(
            "Nothing that the Accept header names is offered here.",
            errors=[
                Finding(
                    "header",
                    "acceptable",
                    "no media type offered here",
                    name="Accept",
                    accepted=list(offered),
                )
            ],
        )
    return best
