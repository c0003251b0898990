"""Problems: every answer that is not a success has one shape (RFC 9457) and one table of statuses."""

from __future__ import annotations

import html
from collections.abc import Iterator, Mapping
from typing import Any, Final

import orjson
from flask import Response, request
from werkzeug.exceptions import HTTPException

from service import errors
from service.domain.balance import analysis
from service.engineering.frames import holding, solution
from service.engineering.release_order import search
from service.engineering.states import state, tableau
from service.errors import ServiceError
from service.http.state import request_id

MEDIA_TYPE: Final = "application/problem+json"
RETRY_AFTER_S: Final = 2

# Error class -> status. A class without a row takes none from its parents: a test walks all classes.
STATUS: Final[Mapping[type[ServiceError], int]] = {
    errors.ServiceError: 500,
    errors.MalformedRequest: 400,
    errors.InvalidParameter: 400,
    errors.UnsupportedMediaType: 415,
    errors.NotAcceptable: 406,
    errors.TooLarge: 413,
    errors.InvalidDocument: 422,
    errors.UnknownUnit: 422,
    errors.MassForForce: 422,
    errors.UnknownThread: 422,
    errors.OutOfRange: 422,
    errors.FutureTime: 422,
    errors.NotAuthenticated: 401,
    errors.NotPermitted: 403,
    errors.NotFound: 404,
    errors.MethodNotAllowed: 405,
    errors.Conflict: 409,
    errors.OutOfOrder: 409,
    errors.GuardNotMet: 409,
    errors.NoStop: 409,
    errors.NotReady: 409,
    errors.NotConcedable: 409,
    errors.DuplicateKey: 409,
    errors.SubjectRetired: 409,
    errors.PreconditionRequired: 428,
    errors.PreconditionFailed: 412,
    errors.KeyReused: 422,
    errors.StoreBusy: 503,
    errors.WriteConflict: 503,
    errors.LogSealed: 503,
    errors.StoreFull: 507,
    errors.LogCorrupt: 500,
    errors.ConfigurationError: 500,
    analysis.NotWeighable: 422,
    holding.FrameUnstable: 422,
    solution.FrameResidual: 422,
    tableau.NoVerticalStiffness: 422,
    state.PathLost: 422,
    state.NotAtRest: 422,
    search.TooManyWays: 422,
}

# What a caller can do about it, for the page that `type` leads to.
ADVICE: Final[Mapping[str, str]] = {
    "internal": "A fault of the service. Report the request id; nothing was written.",
    "malformed-request": "Correct the text of the request. `errors` names the rule that it breaks.",
    "invalid-parameter": "Correct the query parameter, header or path part that `errors` names.",
    "unsupported-media-type": (
        "Send the body with the media type that `errors` names, in UTF-8, uncompressed."
    ),
    "not-acceptable": "Ask for one of the media types that `errors` names, or leave the Accept header out.",
    "too-large": "Send less at once: the limit stands in `facts`.",
    "invalid-document": (
        "Correct the places that `errors` names by JSON pointer. The schema stands in `facts`."
    ),
    "unknown-unit": "Write the quantity in one of the units that `errors` names.",
    "mass-for-force": "A mass is not a force: give kgf or lbf, or multiply the mass by standard gravity.",
    "unknown-thread": "Write the thread as ASME B1.1 or ISO 261 does.",
    "out-of-range": "Give a value inside the range that `errors` or `facts` names.",
    "future-time": (
        "Give the time at which the act happened; the service's clock may lag by five minutes at most."
    ),
    "not-authenticated": (
        "Send `Authorization: Bearer TOKEN` with a token that is neither expired nor revoked."
    ),
    "not-permitted": "Use a token of a role that may do this; `facts` names the roles.",
    "not-found": "Check the path. What a token may not see is answered like what does not exist.",
    "method-not-allowed": "Use one of the methods in the Allow header.",
    "conflict": "Look at the present state; `facts` says what stands against it.",
    "out-of-order": "Take one of the steps in `facts.possible`; each names what it still lacks.",
    "guard-not-met": "Bring what `facts.lacks` names, then repeat the step.",
    "no-stop": "A rigid support has no travel stop: nothing is to be released here.",
    "not-ready": "Clear the blockers in `facts`, or concede those that may be conceded.",
    "not-concedable": "This blocker may not be conceded, or does not stand as named: remove its cause.",
    "duplicate-key": (
        "Take another key, or use the resource that has it. Letter case does not tell keys apart."
    ),
    "retired": "The hanger is retired: its record and history stay, acts do not.",
    "precondition-required": "Send `If-Match` with the revision you read, or `If-None-Match: *` to create.",
    "precondition-failed": "Read the resource again, decide again, and send its present ETag.",
    "idempotency-key-reused": "Take a new key for a new request; repeat a request without changing it.",
    "store-busy": "Repeat the same request after the seconds in Retry-After, with the same idempotency key.",
    "write-conflict": (
        "Repeat the same request after the seconds in Retry-After, with the same idempotency key."
    ),
    "log-sealed": (
        "Do not repeat the write. `facts` names the first position that disagrees: tell the operator, who "
        "verifies the log and restores it."
    ),
    "store-full": "The service has no room; nothing was written. Tell its operator.",
    "log-corrupt": "The stored log does not agree with itself. Stop writing and tell the operator.",
    "not-weighable": "State in the hanger records what `facts.missing` names, by mark and JSON pointer.",
    "frame-unstable": "Hold the node that `facts` names in the direction named, in the line's model.",
    "frame-residual": (
        "The line was not balanced closely enough, so nothing is told. Look in its model for parts that are "
        "far stiffer, softer or shorter than the rest."
    ),
    "no-vertical-stiffness": "Nothing but constant supports would hold the line's height: name what does.",
    "path-lost": "The line's state could not be followed. Look in its model for what nothing holds.",
    "not-at-rest": "The line's state could not be followed. Look in its model for what nothing holds.",
    "too-many-ways": "Let the nuts go back after each stop, or ask for fewer hangers at once, in stages.",
    "configuration": "A setting of the service is wrong; its operator sees which.",
}


def all_errors() -> Iterator[type[ServiceError]]:
    """Every error class there is, the base first, in the order of their definition."""
    waiting: list[type[ServiceError]] = [ServiceError]
    while waiting:
        found = waiting.pop(0)
        yield found
        waiting.extend(found.__subclasses__())


CATALOGUE: Final[Mapping[str, type[ServiceError]]] = {found.code: found for found in all_errors()}


def document_of(error: ServiceError) -> dict[str, Any]:
    """The problem document of an error."""
    internal = STATUS[type(error)] == 500
    return {
        "type": f"/problems/{error.code}",
        "title": error.title,
        "status": STATUS[type(error)],
        "detail": "The service met a fault of its own." if internal else error.detail,
        "code": error.code,
        "request_id": request_id(),
        "errors": [] if internal else [finding.as_document() for finding in error.errors],
        "facts": {} if internal else dict(error.facts),
    }


def answer(error: ServiceError) -> Response:
    """The response to an error, with the headers that its status calls for."""
    status = STATUS[type(error)]
    response = Response(orjson.dumps(document_of(error), default=str), status=status, content_type=MEDIA_TYPE)
    response.headers["Cache-Control"] = "no-store"
    if status == 401:
        response.headers["WWW-Authenticate"] = 'Bearer realm="service"'
    elif status == 503 and not isinstance(error, errors.LogSealed):
        response.headers["Retry-After"] = str(RETRY_AFTER_S)
    elif status == 405 and error.facts.get("allowed"):
        response.headers["Allow"] = ", ".join(error.facts["allowed"])
    if status in (413, 415) and request.method != "HEAD":
        # The rest of a refused body may still be on the wire.
        response.headers["Connection"] = "close"
    return response


def from_framework(error: HTTPException) -> ServiceError:
    """The service's own error for one that the framework raised."""
    code = error.code or 500
    if code == 405:
        allowed = sorted(getattr(error, "valid_methods", None) or ())
        return errors.MethodNotAllowed(f"{request.method} is not offered here.", allowed=allowed)
    if code == 404:
        return errors.NotFound("There is no such path.")
    if code == 413:
        return errors.TooLarge("The request is too large.")
    if code == 415:
        return errors.UnsupportedMediaType("The body's media type is not read here.")
    if code == 406:
        return errors.NotAcceptable("There is no such representation.")
    if code == 503:
        return errors.StoreBusy("The service is busy.")
    if 400 <= code < 500:
        return errors.MalformedRequest("The request cannot be read.")
    return ServiceError("The framework could not answer.")


def page_document(found: type[ServiceError]) -> dict[str, Any]:
    """What `/problems/CODE` says of a code."""
    meaning = (found.__doc__ or "").strip().splitlines()[0]
    return {
        "code": found.code,
        "title": found.title,
        "status": STATUS[found],
        "meaning": meaning,
        "advice": ADVICE[found.code],
    }


def page_html(found: type[ServiceError]) -> str:
    """The same for people."""
    said = {name: html.escape(str(value)) for name, value in page_document(found).items()}
    return (
        "<!doctype html>\n"
        f'<html lang="en"><head><meta charset="utf-8"><title>{said["title"]}</title></head>\n'
        f"<body><h1>{said['title']}</h1><p>Code <code>{said['code']}</code>, status {said['status']}.</p>\n"
        f"<p>{said['meaning']}</p><p>{said['advice']}</p></body></html>\n"
    )
