"""Canonical JSON: the one sequence of bytes that stands for a document (RFC 8785).

What is hashed, stored and compared is always these bytes. Two documents that JSON holds for
equal have the same bytes, whatever the order of their keys and however their numbers were written.
"""

from __future__ import annotations

import json
import re
from typing import Any, Final

import orjson
import rfc8785

GREATEST_INTEGER: Final = 2**53 - 1
_LONG_NUMBER = re.compile(rb"[0-9]{16}")


class CanonicalError(ValueError):
    """A value that has no canonical form: the message says which rule it breaks."""


def canonical_bytes(value: Any) -> bytes:
    """The canonical bytes of a JSON value (RFC 8785).

    value: dict with text keys, list, tuple, str, bool, int, float or None, nested at will.

    Raises:
        CanonicalError: NaN or an infinity; an integer beyond 2^53 - 1, since binary64 cannot tell
            it from its neighbours; a lone surrogate; a key that is no text; a value of another
            type; nesting too deep to be walked.
    """
    try:
        return rfc8785.dumps(value)
    except UnicodeEncodeError as error:
        raise CanonicalError("a text holds a lone surrogate") from error
    except RecursionError as error:
        raise CanonicalError("the value is nested too deeply") from error
    except rfc8785.CanonicalizationError as error:
        raise CanonicalError(str(error)) from error


def parse_canonical(body: bytes) -> Any:
    """The value that canonical bytes state, such that `canonical_bytes` gives the same bytes again.

    RFC 8785 writes the float 6.813706873903899e16 as 68137068739038990, which as an integer is
    another number. Whole numbers beyond 2^53 - 1 are therefore read as the floats that they were.

    Raises:
        CanonicalError: the bytes are not JSON.
    """
    try:
        value = orjson.loads(body)
    except orjson.JSONDecodeError as error:
        raise CanonicalError("the bytes are not JSON") from error
    return _with_floats(value) if _LONG_NUMBER.search(body) else value


def lossless_text(value: Any) -> str:
    """JSON text that any parser reads back as the value was: canonical, but for great whole floats.

    Those are written with an exponent here, so that no reader takes them for integers. For what is
    read often and never hashed.

    Raises:
        CanonicalError: as `canonical_bytes`.
    """
    body = canonical_bytes(value)
    if _LONG_NUMBER.search(body):
        return json.dumps(value, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return body.decode("utf-8")


def _with_floats(value: Any) -> Any:
    """The value with every integer beyond 2^53 - 1 as a float."""
    if isinstance(value, dict):
        return {key: _with_floats(each) for key, each in value.items()}
    if isinstance(value, list):
        return [_with_floats(each) for each in value]
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) > GREATEST_INTEGER:
        return float(value)
    return value
