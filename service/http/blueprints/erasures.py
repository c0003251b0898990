"""Erasures: a person's name or words go for good; the log and its receipts stay as they are."""

from __future__ import annotations

from flask import Response

from service.application import erasures
from service.http import answers
from service.http.blueprints.access import made_replies
from service.http.bodies import ACT_BYTES
from service.http.documents import Document
from service.http.operations import Call, EdgeBlueprint, Operation, operation
from service.http.queries import DryRunQuery
from service.http.replies import act_replies, link

blueprint = EdgeBlueprint(
    "erasures", __name__, description="Erasing names and words that are kept beside the log."
)


@operation(
    blueprint,
    Operation(
        "eraseWords",
        "POST",
        "/v1/plants/<plant>/events/<sequence>/erasures",
        "Erase the words of an event",
        "Erases free texts of one event for good: those named in `fields`, or all that it has. The log keeps "
        "the event with the salted digests of the words, so that every receipt and proof stays valid, and "
        "gains the event `text-erased`. No read, export or later backup shows the words; backups and exports "
        "made before keep them. 409 where nothing is left to erase. Role: administrator.",
        act_replies(),
        query=DryRunQuery,
        body=Document("text-erasure"),
        body_limit=ACT_BYTES,
        writes=True,
        errors=("not-permitted", "conflict"),
    ),
)
def erase_words(call: Call, plant: str, sequence: int) -> Response:
    """Erase the words of an event."""
    return answers.act_answer(call, erasures.erase_words(call.context, plant, sequence, call.body))


@operation(
    blueprint,
    Operation(
        "eraseName",
        "POST",
        "/v1/principals/<principal>/erasures",
        "Erase the name of a principal",
        "Erases the display name for good. The principal stays, under its opaque id, with its tokens and its "
        "acts; the service's log gains the event `name-erased`. 409 where there is no name. Reads no body. "
        "Role: administrator.",
        made_replies(
            "principal-row",
            principal=link("getPrincipal", "The principal.", principal="$request.path.principal"),
        ),
        query=DryRunQuery,
        writes=True,
        errors=("not-permitted", "conflict"),
    ),
)
def erase_name(call: Call, principal: str) -> Response:
    """Erase the name of a principal."""
    answer = erasures.erase_name(call.context, principal)
    return answers.act_answer(call, answer, f"/v1/principals/{principal}")
