"""Request bodies: what is refused before any schema is asked.

A JSON body is read twice. The first reader refuses what the standard library lets through: NaN
and infinities, lone surrogates, a byte order mark, bad UTF-8 and endless nesting. The second one
refuses what the first lets through: duplicate keys and integers that binary64 cannot hold.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import orjson
from flask import Request
from werkzeug.exceptions import RequestEntityTooLarge

from service.errors import Finding, MalformedRequest, ServiceError, TooLarge, UnsupportedMediaType

JSON: Final = "application/json"
NDJSON: Final = "application/x-ndjson"

MAX_DEPTH: Final = 32
# Beyond this, whole numbers of binary64 are no longer told apart, and canonical JSON has no
# single form that every reader understands.
MAX_MAGNITUDE: Final = 9_007_199_254_740_991

RECORD_BYTES: Final = 32_768
LINE_RECORD_BYTES: Final = 262_144
LINE_MODEL_BYTES: Final = 4_194_304
MODELLED_BYTES: Final = 8_388_608  # a model with the records of its hangers
ACT_BYTES: Final = 65_536
STATELESS_BYTES: Final = 1_048_576
BULK_BYTES: Final = 1_073_741_824  # the service's setting is less
ROW_BYTES: Final = RECORD_BYTES + 256  # the record and what stands around it
BULK_ROWS: Final = 10_000

_WRITTEN = (
    "One JSON value (RFC 8259) in UTF-8 without a byte order mark; no duplicate keys, no NaN or Infinity, "
    f"numbers up to {MAX_MAGNITUDE} in magnitude, at most {MAX_DEPTH} levels deep."
)


class _Refused(ValueError):
    """Raised inside the second reader; carries the rule, a sentence and the key or number."""

    def __init__(self, rule: str, detail: str) -> None:
        super().__init__(detail)
        self.rule = rule
        self.detail = detail


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) != len(pairs):
        seen: set[str] = set()
        for name, _ in pairs:
            if name in seen:
                raise _Refused("unique-keys", f"The key {name[:80]!r} stands twice in one object.")
            seen.add(name)
    return members


def _whole(text: str) -> int:
    if len(text) > 20 or abs(number := int(text)) > MAX_MAGNITUDE:
        raise _Refused("number-range", f"The number {text[:24]} cannot be held exactly.")
    return number


def _real(text: str) -> float | int:
    number = float(text)
    if not abs(number) <= MAX_MAGNITUDE:
        raise _Refused("number-range", f"The number {text[:24]} is too large.")
    # 12.0 and 12 are one number in JSON and in its canonical form; inside they are one type too.
    return int(number) if number.is_integer() else number


def _constant(text: str) -> Any:
    raise _Refused("number-range", f"{text} is no JSON number.")


def _too_deep(value: Any) -> bool:
    """Whether a value nests deeper than allowed; walks level by level, without recursion."""
    level = [value]
    for _ in range(MAX_DEPTH):
        below: list[Any] = []
        for item in level:
            if isinstance(item, dict):
                below.extend(each for each in item.values() if isinstance(each, dict | list))
            elif isinstance(item, list):
                below.extend(each for each in item if isinstance(each, dict | list))
        if not below:
            return False
        level = below
    return True


def parse_json(text: bytes, what: str = "body") -> Any:
    """The JSON value of a text, read strictly.

    Args:
        text: the bytes as received
        what: `body`, or `row N` of a bulk request, for the message

    Returns:
        the value; numbers without a fraction are int, others float

    Raises:
        MalformedRequest: with one finding that names the rule and what is accepted
    """
    if not text.strip(b" \t\r\n"):
        raise _malformed(what, "not-empty", f"The {what} is empty.")
    if text[:3] == b"\xef\xbb\xbf":
        raise _malformed(what, "no-byte-order-mark", f"The {what} begins with a byte order mark.")
    try:
        shape = orjson.loads(text)
    except orjson.JSONDecodeError as error:
        raise _malformed(what, *_reason(error), line=error.lineno, column=error.colno) from None
    if _too_deep(shape):
        raise _malformed(what, "depth", f"The {what} nests deeper than {MAX_DEPTH} levels.")
    try:
        return json.loads(
            text, object_pairs_hook=_unique, parse_int=_whole, parse_float=_real, parse_constant=_constant
        )
    except _Refused as refused:
        raise _malformed(what, refused.rule, refused.detail) from None
    except ValueError:
        raise _malformed(what, "json", f"The {what} is not JSON.") from None


def _reason(error: orjson.JSONDecodeError) -> tuple[str, str]:
    """Rule and sentence for a refusal of the first reader."""
    words = error.msg
    if "depth" in words or "recursion" in words.lower():
        return "depth", f"The JSON nests deeper than {MAX_DEPTH} levels."
    if "infinity" in words:
        return "number-range", "A number is too large."
    if "surrogate" in words and "UTF-8" not in words:
        return "unicode", "A string holds half of a surrogate pair."
    if "UTF-8" in words:
        return "utf-8", "The text is not UTF-8."
    return "json", f"The text is not JSON: {words}."


def _malformed(what: str, rule: str, detail: str, **facts: Any) -> MalformedRequest:
    finding = Finding("body", rule, detail, pointer="", accepted=_WRITTEN)
    return MalformedRequest(f"The {what} cannot be read. {detail}", errors=[finding], **facts)


def require_media_type(request: Request, accepted: str) -> None:
    """Refuse a body of another media type, charset or content coding.

    Raises:
        UnsupportedMediaType: naming what is accepted
    """
    given = request.mimetype
    charset = str(request.mimetype_params.get("charset", "utf-8")).lower()
    coding = request.headers.get("Content-Encoding", "identity").strip().lower()
    if given == accepted and charset in ("utf-8", "utf8") and coding in ("identity", ""):
        return
    if given != accepted:
        name, detail = (
            "Content-Type",
            f"{given[:80]!r} is not read here." if given else "No media type is given.",
        )
    elif coding not in ("identity", ""):
        name, detail = "Content-Encoding", f"The content coding {coding[:40]!r} is not read here."
    else:
        name, detail = "Content-Type", f"The charset {charset[:40]!r} is not read here; JSON is UTF-8."
    finding = Finding("header", "media-type", detail, name=name, accepted=[accepted])
    raise UnsupportedMediaType(f"Send the body as {accepted} in UTF-8, uncompressed.", errors=[finding])


def read_bytes(request: Request, limit: int) -> bytes:
    """The whole body, at most `limit` bytes. Raises TooLarge beyond, before the rest is read."""
    if request.content_length is not None and request.content_length > limit:
        raise too_large(limit, given=request.content_length)
    # A body of unknown length is cut off at the framework's limit without a word: one byte more
    # than allowed is read, so that a longer body is told from one that just fits.
    request.max_content_length = limit + 1
    try:
        body = request.get_data(cache=False)
    except RequestEntityTooLarge:
        raise too_large(limit) from None
    if len(body) > limit:
        raise too_large(limit)
    return body


def too_large(limit: int, **facts: Any) -> TooLarge:
    """The refusal of a body beyond its limit in bytes."""
    finding = Finding(
        "body",
        "size",
        f"The body is larger than {limit} bytes.",
        pointer="",
        accepted=f"at most {limit} bytes",
    )
    return TooLarge(f"The body may have at most {limit} bytes.", errors=[finding], limit_bytes=limit, **facts)


def require_body_media(request: Request, accepted: str) -> None:
    """Check the media type, unless neither a type nor a body was sent: then the body is what is missing."""
    if (
        request.mimetype
        or request.content_length
        or "chunked" in request.headers.get("Transfer-Encoding", "")
    ):
        require_media_type(request, accepted)


def refuse_body(request: Request) -> None:
    """Refuse a body where the operation reads none, so that no one believes it was heeded."""
    if read_bytes(request, ACT_BYTES):
        raise MalformedRequest(
            "This operation reads no body.",
            errors=[Finding("body", "empty", "A body was sent.", pointer="", accepted="no body")],
        )


@dataclass(frozen=True)
class RawRow:
    """One line of an NDJSON body: its number from 1, and its value or the error that it met."""

    number: int
    value: Any
    error: ServiceError | None


def split_rows(text: bytes) -> list[tuple[int, bytes]]:
    """The rows of an NDJSON body with their line numbers; blank lines are passed over.

    Raises:
        TooLarge: more rows than a bulk request may have
        MalformedRequest: no row at all
    """
    rows = [(number, line) for number, line in enumerate(text.split(b"\n"), 1) if line.strip(b" \t\r")]
    if len(rows) > BULK_ROWS:
        finding = Finding(
            "body",
            "rows",
            f"The body has {len(rows)} rows.",
            pointer="",
            accepted=f"at most {BULK_ROWS} rows",
        )
        raise TooLarge(f"At most {BULK_ROWS} rows.", errors=[finding], rows=len(rows), limit_rows=BULK_ROWS)
    if not rows:
        raise _malformed("body", "not-empty", "The body has no row.")
    return rows


def read_rows(rows: list[tuple[int, bytes]], limit: int) -> Iterator[RawRow]:
    """Each row as a value, or with its own error; a bad row does not stop the others."""
    for number, line in rows:
        try:
            if len(line) > limit:
                raise too_large(limit, row=number)
            yield RawRow(number, parse_json(line, f"row {number}"), None)
        except ServiceError as error:
            yield RawRow(number, None, error)
