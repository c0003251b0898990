"""Paging cursors: opaque, signed, and bound to the list, its filters and the caller."""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import json
from collections.abc import Mapping
from typing import Any, Final

from service.errors import Finding, InvalidParameter

_TAG_BYTES: Final = 16
_LONGEST: Final = 512


class Cursors:
    """Makes and reads cursors with one secret. A cursor of another list, filter or caller is refused."""

    def __init__(self, secret: bytes) -> None:
        if len(secret) < 16:
            raise ValueError("the cursor secret has fewer than 16 bytes")
        self._secret = secret

    def make(self, place: str | int, *, path: str, filters: Mapping[str, Any], principal: str) -> str:
        """The cursor after which a list goes on at `place`."""
        payload = json.dumps(place, separators=(",", ":")).encode()
        return _text(self._tag(payload, path, filters, principal) + payload)

    def read(self, cursor: str, *, path: str, filters: Mapping[str, Any], principal: str) -> str | int:
        """The place that a cursor names.

        Raises:
            InvalidParameter: the cursor was not made here, or for another list, filter or caller
        """
        try:
            raw = _bytes(cursor)
        except ValueError:
            raise _refused() from None
        tag, payload = raw[:_TAG_BYTES], raw[_TAG_BYTES:]
        if not payload or not hmac.compare_digest(tag, self._tag(payload, path, filters, principal)):
            raise _refused()
        place: str | int = json.loads(payload)
        return place

    def _tag(self, payload: bytes, path: str, filters: Mapping[str, Any], principal: str) -> bytes:
        bound = json.dumps([path, sorted((name, str(value)) for name, value in filters.items()), principal])
        return hmac.digest(self._secret, payload + b"\0" + bound.encode(), hashlib.sha256)[:_TAG_BYTES]


def _text(raw: bytes) -> str:
    return base64.urlsafe_b64encode(raw).rstrip(b"=").decode("ascii")


def _bytes(text: str) -> bytes:
    if len(text) > _LONGEST or not text.isascii():
        raise ValueError("not a cursor")
    raw = base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
    if _text(raw) != text:  # one place has one cursor
        raise binascii.Error("not in its one form")
    return raw


def _refused() -> InvalidParameter:
    return InvalidParameter(
        "The cursor does not belong to this list.",
        errors=[
            Finding(
                "query",
                "cursor",
                "not a cursor of this list, its filters and this token's principal",
                name="cursor",
                accepted="the cursor that the page before gave in `next`, with the same filters",
            )
        ],
    )
