"""Patterns in words, so that a refusal says what would have been accepted."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

KEY_WORDS: Final = (
    "1 to 64 letters, digits, dots, low lines and hyphens; the first and the last a letter or digit"
)

PATTERNS: Final[Mapping[str, str]] = {
    r"^[A-Za-z0-9](?:[A-Za-z0-9._-]{0,62}[A-Za-z0-9])?$": KEY_WORDS,
    r"^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]{1,6})?(Z|[+-][0-9]{2}:[0-9]{2})$": (
        "RFC 3339 with offset and at most six decimals, as 2026-05-04T08:30:00+02:00"
    ),
    r"^pr_[0-9a-hjkmnp-tv-z]{26}$": "a principal's id: pr_ and 26 characters",
    r"^[A-Za-z0-9._:-]{1,64}$": "1 to 64 letters, digits, dots, low lines, colons and hyphens",
    r"\S": "at least one character that is not blank",
    r"^[^\u0000-\u001f\u007f]+$": "one line of text without control characters",
    r"^[0-9a-f]{64}$": "64 lower-case hexadecimal digits",
    r"^[a-z][a-z0-9+.-]{1,20}:[!-~]{1,478}$": "an absolute URI of printable ASCII",
    r"^[a-z]+/[a-z0-9.+-]+$": "a media type, as image/jpeg",
    r"^(?:[0-9]{1,2}(?: [0-9]/[0-9])?|[0-9]/[0-9])$": "a nominal pipe size, as 12, 2 1/2 or 3/4",
    r"^[0-9A-Z]{2,4}$": "a schedule or weight class, as 80, 160, STD or XS",
    r"^[a-z][a-z0-9-]{1,60}$": "a code: lower-case letters, digits and hyphens",
    r"^(line|hanger)/[A-Za-z0-9._-]{1,64}(/assembly/[1-8])?$": (
        "a subject as readiness names it: line/KEY, hanger/MARK or hanger/MARK/assembly/N"
    ),
}


def accepted_pattern(pattern: str) -> str:
    """The pattern in words; one without words is shown as it is."""
    return PATTERNS.get(pattern, f"text that matches {pattern} in full")
