"""Bearer tokens: looked up by their SHA-256 on every request, so that a revocation counts at once."""

from __future__ import annotations

import hashlib
import logging
import re
from typing import Final

from flask import Request, g

from service.domain.access import Principal
from service.errors import Finding, NotAuthenticated
from service.http.state import edge, request_id

_BEARER: Final = re.compile(r"[Bb]earer +([A-Za-z0-9._~+/-]{16,256}=*)")
LOG: Final = logging.getLogger("service.access")


def authenticate(request: Request) -> Principal:
    """The principal of the request's token.

    Raises:
        NotAuthenticated: no token, one of another form, or one that does not count; the answer
            does not tell which of the last two
    """
    header = request.headers.get("Authorization")
    if header is None:
        raise _refused("no token was sent")
    match = _BEARER.fullmatch(header.strip())
    if match is None:
        raise _refused("the header is not of the form Bearer TOKEN")
    g.token_digest = hashlib.sha256(match[1].encode("ascii")).hexdigest()
    found = edge().store.authenticate(g.token_digest, g.now)
    if found is None:
        LOG.warning("token refused", extra={"fields": {"request_id": request_id(), "path": request.path}})
        raise _refused("the token does not count: unknown, expired or revoked")
    return found


def _refused(detail: str) -> NotAuthenticated:
    return NotAuthenticated(
        "A valid token is required.",
        errors=[
            Finding(
                "header",
                "bearer-token",
                detail,
                name="Authorization",
                accepted="Bearer TOKEN, one that counts",
            )
        ],
    )
