"""Criteria: the limits against which a plant's checks, plans and guards compare."""

from __future__ import annotations

from flask import Response

from service.application import records
from service.http import answers
from service.http.bodies import LINE_RECORD_BYTES
from service.http.documents import Document
from service.http.operations import Call, EdgeBlueprint, Operation, operation
from service.http.queries import DryRunQuery, RecordPageQuery, UnitsQuery
from service.http.replies import document_reply, link, page_reply, record_replies, written_replies

blueprint = EdgeBlueprint("criteria", __name__, description="Limits, each with its source, by plant.")

_LINKS = {"criteria": link("getCriteria", "The criteria.", plant="$request.path.plant")}


@operation(
    blueprint,
    Operation(
        "getCriteria",
        "GET",
        "/v1/plants/<plant>/criteria",
        "Read a plant's criteria",
        "The plant's criteria; revision 0 holds the service's defaults, where the plant has set none.",
        record_replies("criteria"),
        query=UnitsQuery,
    ),
)
def get_criteria(call: Call, plant: str) -> Response:
    """The plant's criteria."""
    return answers.record_answer(call, records.get_criteria(call.context, plant))


@operation(
    blueprint,
    Operation(
        "putCriteria",
        "PUT",
        "/v1/plants/<plant>/criteria",
        "Revise a plant's criteria",
        'Writes a new revision (If-Match with the entity tag that was read, `"r0"` for the defaults). '
        "A document may state only some limits; the defaults hold for the rest. Lines that are no longer "
        "ready lose their "
        "authorisation; the answer lists it. Role: engineer.",
        written_replies(_LINKS),
        query=DryRunQuery,
        body=Document("criteria"),
        body_limit=LINE_RECORD_BYTES,
        conditional=True,
        errors=("not-permitted",),
    ),
)
def put_criteria(call: Call, plant: str) -> Response:
    """Revise the plant's criteria."""
    return answers.written_answer(
        call, records.put_criteria(call.context, plant, call.body, call.precondition)
    )


@operation(
    blueprint,
    Operation(
        "listCriteriaRevisions",
        "GET",
        "/v1/plants/<plant>/criteria/revisions",
        "List the criteria's revisions",
        "Every revision that the plant has set, oldest first. None while the defaults hold: 404.",
        page_reply("page-criteria", "A page of revisions."),
        query=RecordPageQuery,
    ),
)
def list_criteria_revisions(call: Call, plant: str) -> Response:
    """Revisions of the criteria."""
    after = answers.start_of_page(call) or 0
    page = records.list_revisions(call.context, plant, "criteria", plant, after, call.query["limit"])
    return answers.page_answer(call, page, answers.revision_item)


@operation(
    blueprint,
    Operation(
        "getCriteriaRevision",
        "GET",
        "/v1/plants/<plant>/criteria/revisions/<revision>",
        "Read one revision of the criteria",
        "One revision as it was written, with the event that wrote it and the one that replaced it.",
        {200: document_reply("criteria-revision", "The revision.")},
        query=UnitsQuery,
    ),
)
def get_criteria_revision(call: Call, plant: str, revision: int) -> Response:
    """One revision of the criteria."""
    found = records.get_revision(call.context, plant, "criteria", plant, revision)
    return answers.json_answer(answers.in_units(call, answers.revision_item(found)))
