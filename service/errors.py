"""Errors of every floor: a public code, a sentence, and facts; no HTTP here.

The edge maps each class to a status in one table (`service.http.problems.STATUS`); an
error without a row there fails the build. `code` is public: it ends the problem's
`type` (`/problems/CODE`) and never changes its meaning.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar


@dataclass(frozen=True)
class Finding:
    """One fault in one place of a request.

    place: `body`, `query`, `header` or `path`. pointer: JSON pointer into the body (RFC 6901),
    or None. name: the query parameter or header, or None. rule: short code of the rule broken.
    accepted: what would have been accepted, in words or as a list.
    """

    place: str
    rule: str
    detail: str
    pointer: str | None = None
    name: str | None = None
    accepted: Any = None

    def as_document(self) -> dict[str, Any]:
        """The finding as the problem document carries it; keys without a value are left out."""
        document: dict[str, Any] = {"in": self.place, "rule": self.rule, "detail": self.detail}
        if self.pointer is not None:
            document["pointer"] = self.pointer
        if self.name is not None:
            document["name"] = self.name
        if self.accepted is not None:
            document["accepted"] = self.accepted
        return document


class ServiceError(Exception):
    """Base of every error that a caller may see. detail: one sentence; facts: plain JSON values."""

    code: ClassVar[str] = "internal"
    title: ClassVar[str] = "Internal error"

    def __init__(self, detail: str, /, *, errors: Sequence[Finding] = (), **facts: Any) -> None:
        super().__init__(detail)
        self.detail = detail
        self.errors: tuple[Finding, ...] = tuple(errors)
        self.facts: Mapping[str, Any] = facts


# --- requests that cannot be read --------------------------------------------------------------
class MalformedRequest(ServiceError):
    """The body or a parameter cannot be parsed (400)."""

    code = "malformed-request"
    title = "The request cannot be read"


class InvalidParameter(ServiceError):
    """A query parameter, header or path part is not of its form (400)."""

    code = "invalid-parameter"
    title = "A parameter is not of its form"


class UnsupportedMediaType(ServiceError):
    """The body's media type is not one that this operation reads (415)."""

    code = "unsupported-media-type"
    title = "The media type is not accepted here"


class NotAcceptable(ServiceError):
    """No representation that the caller accepts (406)."""

    code = "not-acceptable"
    title = "No representation that was asked for"


class TooLarge(ServiceError):
    """The body or a document is over its limit (413)."""

    code = "too-large"
    title = "The document is too large"


class InvalidDocument(ServiceError):
    """The document was read but breaks its schema or a rule of its own (422)."""

    code = "invalid-document"
    title = "The document breaks its rules"


class UnknownUnit(InvalidDocument):
    """A unit that is not on the list of its dimension (422)."""

    code = "unknown-unit"
    title = "The unit is not accepted here"


class MassForForce(UnknownUnit):
    """A mass unit where a force is wanted (422)."""

    code = "mass-for-force"
    title = "A mass was given where a force is wanted"


class UnknownThread(InvalidDocument):
    """A thread designation that is not of an accepted form (422)."""

    code = "unknown-thread"
    title = "The thread designation is not accepted"


class OutOfRange(InvalidDocument):
    """A value outside the range in which the formula or scale holds (422)."""

    code = "out-of-range"
    title = "The value is out of range"


class FutureTime(InvalidDocument):
    """`occurred_at` lies too far ahead of the service's clock (422)."""

    code = "future-time"
    title = "The time lies in the future"


# --- who ------------------------------------------------------------------------------------------
class NotAuthenticated(ServiceError):
    """No token, or one that does not count (401)."""

    code = "not-authenticated"
    title = "A valid token is required"


class NotPermitted(ServiceError):
    """The role does not permit the act (403)."""

    code = "not-permitted"
    title = "The role does not permit this"


class NotFound(ServiceError):
    """Absent, or hidden from this principal: one answer (404)."""

    code = "not-found"
    title = "Nothing there"


class MethodNotAllowed(ServiceError):
    """The resource has no such method (405)."""

    code = "method-not-allowed"
    title = "The method is not offered here"


# --- state ----------------------------------------------------------------------------------------
class Conflict(ServiceError):
    """The state of the resource forbids it (409)."""

    code = "conflict"
    title = "The present state forbids this"


class OutOfOrder(Conflict):
    """A transition or act that the state does not permit; facts name what is possible (409)."""

    code = "out-of-order"
    title = "Not possible in this state"


class GuardNotMet(Conflict):
    """The transition exists here but lacks something; facts name each lack (409)."""

    code = "guard-not-met"
    title = "Something is still lacking"


class NoStop(Conflict):
    """A rigid support has nothing to release (409)."""

    code = "no-stop"
    title = "This support has no travel stop"


class NotReady(Conflict):
    """Readiness was needed and is not given; facts carry the blockers (409)."""

    code = "not-ready"
    title = "The line is not ready"


class NotConcedable(Conflict):
    """The blocker may not be conceded, or does not exist (409)."""

    code = "not-concedable"
    title = "This cannot be conceded"


class DuplicateKey(Conflict):
    """A key that is in use, perhaps in other letter case (409)."""

    code = "duplicate-key"
    title = "The key is in use"


class SubjectRetired(Conflict):
    """The hanger is retired; its record and history stay, acts do not (409)."""

    code = "retired"
    title = "The hanger is retired"


class PreconditionRequired(ServiceError):
    """If-Match or If-None-Match is required (428)."""

    code = "precondition-required"
    title = "A precondition header is required"


class PreconditionFailed(ServiceError):
    """The revision is not the one named (412)."""

    code = "precondition-failed"
    title = "The resource has another revision"


class KeyReused(ServiceError):
    """An idempotency key came again with another request (422)."""

    code = "idempotency-key-reused"
    title = "The idempotency key belongs to another request"


# --- service ----------------------------------------------------------------------------------------
class StoreBusy(ServiceError):
    """The write lock or the database could not be had in time (503, Retry-After)."""

    code = "store-busy"
    title = "The store is busy"


class WriteConflict(StoreBusy):
    """Another write came between and the whole transaction was undone; nothing was written (503)."""

    code = "write-conflict"
    title = "Another write came between"


class LogSealed(ServiceError):
    """The log disagrees with itself or with a checkpoint it gave; writes are refused, reads go on (503)."""

    code = "log-sealed"
    title = "The log is closed to writes"


class StoreFull(ServiceError):
    """The disk or the database has no room; nothing was written (507)."""

    code = "store-full"
    title = "The store is full"


class LogCorrupt(ServiceError):
    """Stored log, hashes and projections disagree (500 at the edge, and writes stop)."""

    code = "log-corrupt"
    title = "The log does not agree with itself"


class ConfigurationError(ServiceError):
    """A setting is wrong; the service does not start (never reaches the edge)."""

    code = "configuration"
    title = "A setting is wrong"


@dataclass(frozen=True)
class Lack:
    """One thing that a guard still wants: a code of the published list, a sentence, what shows it."""

    code: str
    detail: str
    subject: str
    expected: Any = None
    known: Any = None
    shown_by: int | None = None
    facts: Mapping[str, Any] = field(default_factory=dict)

    def as_document(self) -> dict[str, Any]:
        """The lack as JSON; `shown_by` is the sequence of the event that shows it, or null."""
        return {
            "code": self.code,
            "detail": self.detail,
            "subject": self.subject,
            "expected": self.expected,
            "known": self.known,
            "shown_by": self.shown_by,
        }
