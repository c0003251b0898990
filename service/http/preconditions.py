"""Conditional requests: entity tags name a revision and a representation, never the token."""

from __future__ import annotations

import re
from typing import Final

from flask import Request

from service.application.preconditions import Precondition
from service.errors import Finding, InvalidParameter

_ONE: Final = re.compile(r'\s*(W/)?"([\x21\x23-\x7e]*)"\s*')
_OURS: Final = re.compile(r"r(0|[1-9][0-9]{0,14})(?:-(?:si|us))?")
ETAG_WORDS: Final = 'an entity tag as the service gave it, as "r3", or *'


def etag(revision: int, units: str | None) -> str:
    """The entity tag of a record's representation: `"r3"` as given, `"r3-si"` in a system of units."""
    return f'"r{revision}-{units}"' if units else f'"r{revision}"'


def _tags(header: str, name: str) -> list[tuple[bool, str]]:
    """The entity tags of a header as (weak, opaque text). Raises InvalidParameter."""
    found: list[tuple[bool, str]] = []
    rest = header
    while True:
        match = _ONE.match(rest)
        if match is None:
            raise _bad(name, "not a list of entity tags", ETAG_WORDS)
        found.append((match[1] is not None, match[2]))
        rest = rest[match.end() :]
        if not rest:
            return found
        if not rest.startswith(","):
            raise _bad(name, "not a list of entity tags", ETAG_WORDS)
        rest = rest[1:]


def _bad(name: str, detail: str, accepted: str) -> InvalidParameter:
    return InvalidParameter(
        f"The header {name} is not of its form.",
        errors=[Finding("header", "entity-tags", detail, name=name, accepted=accepted)],
    )


def precondition_of(request: Request) -> Precondition:
    """The precondition of a PUT. If-Match takes any representation of the current revision.

    A weak tag or one of another service never matches, as RFC 9110 wants for If-Match.

    Raises:
        InvalidParameter: a header that is no list of entity tags; If-None-Match other than `*`
    """
    if_match = request.headers.get("If-Match")
    if_none_match = request.headers.get("If-None-Match")
    if if_none_match is not None and if_none_match.strip() != "*":
        raise _bad("If-None-Match", "only * is accepted on PUT", "*")
    absent = if_none_match is not None
    if if_match is None:
        return Precondition(must_be_absent=absent)
    if if_match.strip() == "*":
        return Precondition(any_revision=True, must_be_absent=absent)
    revisions = tuple(
        int(ours[1])
        for weak, text in _tags(if_match, "If-Match")
        if not weak and (ours := _OURS.fullmatch(text)) is not None
    )
    return Precondition(if_match=revisions, must_be_absent=absent)


def unchanged(request: Request, tag: str) -> bool:
    """Whether a GET's If-None-Match names this representation, so that 304 answers it.

    Raises:
        InvalidParameter: the header is no list of entity tags
    """
    header = request.headers.get("If-None-Match")
    if header is None:
        return False
    if header.strip() == "*":
        return True
    return tag.strip('"') in [text for _, text in _tags(header, "If-None-Match")]
