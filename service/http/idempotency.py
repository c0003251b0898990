"""The Idempotency-Key header: one key names one request, so that a repeat does nothing twice."""

from __future__ import annotations

import hashlib
import re
from typing import Final

from flask import Request

from service.application.context import IdempotencyKey
from service.errors import Finding, InvalidParameter

HEADER: Final = "Idempotency-Key"
ACCEPTED: Final = (
    "8 to 128 letters, digits, dots, low lines, colons and hyphens, quoted or bare; a UUID does well"
)
PATTERN: Final = r"[A-Za-z0-9._:-]{8,128}"
_KEY: Final = re.compile(rf'(?:"({PATTERN})"|({PATTERN}))')


def key_of(request: Request, body: bytes) -> IdempotencyKey:
    """The request's key with the digest of method, path, query and body.

    Raises:
        InvalidParameter: no key, or one of another form
    """
    given = request.headers.get(HEADER)
    if given is None:
        raise _refused("required", "is missing; every POST that writes needs one")
    match = _KEY.fullmatch(given.strip())
    if match is None:
        raise _refused("form", "is not of the form wanted")
    digest = hashlib.sha256()
    for part in (request.method, request.path, request.query_string.decode("latin-1")):
        digest.update(part.encode("utf-8", "surrogateescape") + b"\0")
    digest.update(body)
    return IdempotencyKey(request.method, request.path, match[1] or match[2], digest.hexdigest())


def _refused(rule: str, detail: str) -> InvalidParameter:
    return InvalidParameter(
        f"The header {HEADER} {detail}.",
        errors=[Finding("header", rule, detail, name=HEADER, accepted=ACCEPTED)],
    )
