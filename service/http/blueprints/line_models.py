"""Models of lines: the piping by which a line is weighed."""

from __future__ import annotations

from flask import Response

from service.application import line_models, records
from service.application.weighings import KIND
from service.http import answers
from service.http.bodies import LINE_MODEL_BYTES
from service.http.documents import Document
from service.http.operations import Call, EdgeBlueprint, Operation, operation
from service.http.queries import DryRunQuery, RecordPageQuery, UnitsQuery
from service.http.replies import document_reply, line_links, page_reply, record_replies, written_replies

blueprint = EdgeBlueprint("line-models", __name__, description="Models of lines, by which they are weighed.")


@operation(
    blueprint,
    Operation(
        "putLineModel",
        "PUT",
        "/v1/plants/<plant>/lines/<line>/model",
        "Store or revise the model of a line",
        "Stores a line's model (If-None-Match: *) or writes a new revision (If-Match). What does not fit is "
        "refused with a pointer to each fault: pieces that hang together with nothing, ids given twice, "
        "lengths of zero, hangers that the register does not hold. The line's readiness is judged anew. "
        "Role: engineer.",
        written_replies(line_links()),
        query=DryRunQuery,
        body=Document("line-model"),
        body_limit=LINE_MODEL_BYTES,
        conditional=True,
        errors=("not-permitted",),
    ),
)
def put_line_model(call: Call, plant: str, line: str) -> Response:
    """Store or revise the model of a line."""
    return answers.written_answer(
        call, line_models.put_line_model(call.context, plant, line, call.body, call.precondition)
    )


@operation(
    blueprint,
    Operation(
        "getLineModel",
        "GET",
        "/v1/plants/<plant>/lines/<line>/model",
        "Read the model of a line",
        "The line's current model.",
        record_replies("line-model"),
        query=UnitsQuery,
    ),
)
def get_line_model(call: Call, plant: str, line: str) -> Response:
    """The model of the line."""
    return answers.record_answer(call, line_models.get_line_model(call.context, plant, line))


@operation(
    blueprint,
    Operation(
        "listLineModelRevisions",
        "GET",
        "/v1/plants/<plant>/lines/<line>/model/revisions",
        "List the revisions of a line's model",
        "Every revision of the line's model, oldest first, 20 a page at most.",
        page_reply("page-line-models", "A page of revisions."),
        query=RecordPageQuery,
    ),
)
def list_line_model_revisions(call: Call, plant: str, line: str) -> Response:
    """Revisions of the line's model."""
    after = answers.start_of_page(call) or 0
    page = line_models.list_line_model_revisions(call.context, plant, line, after, call.query["limit"])
    return answers.page_answer(call, page, answers.revision_item)


@operation(
    blueprint,
    Operation(
        "getLineModelRevision",
        "GET",
        "/v1/plants/<plant>/lines/<line>/model/revisions/<revision>",
        "Read one revision of a line's model",
        "One revision as it was written, with the event that wrote it and the one that replaced it.",
        {200: document_reply("line-model-revision", "The revision.")},
        query=UnitsQuery,
    ),
)
def get_line_model_revision(call: Call, plant: str, line: str, revision: int) -> Response:
    """One revision of the line's model."""
    found = records.get_revision(call.context, plant, KIND, line, revision)
    return answers.json_answer(answers.in_units(call, answers.revision_item(found)))
