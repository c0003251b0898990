"""Checks and nut plans of posted documents that are stored nowhere."""

from __future__ import annotations

from typing import Any

from flask import Response

from service.application import questions
from service.errors import Finding, InvalidDocument, ServiceError
from service.http import answers
from service.http.bodies import STATELESS_BYTES
from service.http.documents import Document, refusal
from service.http.operations import Call, EdgeBlueprint, Operation, operation
from service.http.queries import UnitsQuery
from service.http.replies import document_reply

blueprint = EdgeBlueprint(
    "stateless", __name__, description="Questions about posted documents; nothing is stored."
)

MOST_DOCUMENTS = 100


def one_or_list(name: str) -> dict[str, Any]:
    """The schema of a body that is one document or a list of them."""
    reference = Document(name).reference
    return {
        "oneOf": [reference, {"type": "array", "minItems": 1, "maxItems": MOST_DOCUMENTS, "items": reference}]
    }


def documents_of(body: Any, name: str) -> list[Any]:
    """The posted documents as a list, each valid. Raises InvalidDocument with pointers into the body."""
    kind = Document(name)
    if not isinstance(body, list):
        return [kind.validate(body)]
    if not 1 <= len(body) <= MOST_DOCUMENTS:
        finding = Finding(
            "body",
            "items",
            f"The list has {len(body)} documents.",
            pointer="",
            accepted=f"1 to {MOST_DOCUMENTS}",
        )
        raise InvalidDocument(f"Send 1 to {MOST_DOCUMENTS} documents.", errors=[finding])
    findings: list[Finding] = []
    for place, document in enumerate(body):
        try:
            kind.validate(document, f"/{place}")
        except ServiceError as error:
            findings.extend(error.errors)
    if findings:
        raise refusal(name, findings)
    return body


@operation(
    blueprint,
    Operation(
        "checkDocuments",
        "POST",
        "/v1/checks",
        "Check records that are not stored",
        "Runs the design checks on posted hanger records, by the service's default criteria or those "
        "posted with them. One document or a list of up to 100; the answer is a list in the same order. "
        "Nothing is stored.",
        {200: document_reply("check-answers", "The checks of each document.")},
        query=UnitsQuery,
        body=one_or_list("check-request"),
        body_limit=STATELESS_BYTES,
        errors=("invalid-document", "unknown-unit", "mass-for-force", "unknown-thread", "out-of-range"),
    ),
)
def check_documents(call: Call) -> Response:
    """Check records that are not stored."""
    found = questions.check_documents(call.context, documents_of(call.body, "check-request"))
    return answers.json_answer(answers.in_units(call, {"items": found}))


@operation(
    blueprint,
    Operation(
        "planDocuments",
        "POST",
        "/v1/nut-plans",
        "Plan nuts of hangers that are not stored",
        "Plans from posted requests that carry their own hanger record. One request or a list of up to "
        "100; the answer is a list in the same order. Nothing is stored.",
        {200: document_reply("nut-plan-answers", "The plan of each request.")},
        query=UnitsQuery,
        body=one_or_list("nut-plan-request"),
        body_limit=STATELESS_BYTES,
        errors=(
            "invalid-document",
            "unknown-unit",
            "mass-for-force",
            "unknown-thread",
            "out-of-range",
            "conflict",
            "no-stop",
        ),
    ),
)
def plan_documents(call: Call) -> Response:
    """Plan nuts of hangers that are not stored."""
    found = questions.plan_documents(call.context, documents_of(call.body, "nut-plan-request"))
    return answers.json_answer(answers.in_units(call, {"items": found}))
