"""Lines: piping that is released as one."""

from __future__ import annotations

from flask import Response

from service.application import records
from service.http import answers
from service.http.bodies import LINE_RECORD_BYTES
from service.http.documents import Document
from service.http.operations import Call, EdgeBlueprint, Operation, operation
from service.http.queries import DryRunQuery, RecordPageQuery, UnitsQuery
from service.http.replies import document_reply, line_links, page_reply, record_replies, written_replies

blueprint = EdgeBlueprint("lines", __name__, description="Lines: the piping that is released as one.")


@operation(
    blueprint,
    Operation(
        "listLines",
        "GET",
        "/v1/plants/<plant>/lines",
        "List lines",
        "Lines of the plant in the token's scope, by key.",
        page_reply("page-lines", "A page of lines."),
        query=RecordPageQuery,
    ),
)
def list_lines(call: Call, plant: str) -> Response:
    """Lines of the plant in scope, by key."""
    after = answers.start_of_page(call) or ""
    page = records.list_lines(call.context, plant, after, call.query["limit"])
    return answers.page_answer(call, page, answers.revision_item)


@operation(
    blueprint,
    Operation(
        "putLine",
        "PUT",
        "/v1/plants/<plant>/lines/<line>",
        "Create or revise a line",
        "Creates a line (If-None-Match: *) or writes a new revision (If-Match). A changed field marked "
        "x-safety ends the line's authorisation and holds the hangers at work; the answer names both. "
        "Roles: engineer, integrator.",
        written_replies(line_links()),
        query=DryRunQuery,
        body=Document("line-record"),
        body_limit=LINE_RECORD_BYTES,
        conditional=True,
        errors=("not-permitted",),
    ),
)
def put_line(call: Call, plant: str, line: str) -> Response:
    """Create or revise a line."""
    return answers.written_answer(
        call, records.put_line(call.context, plant, line, call.body, call.precondition)
    )


@operation(
    blueprint,
    Operation(
        "getLine",
        "GET",
        "/v1/plants/<plant>/lines/<line>",
        "Read a line",
        "The line's current record.",
        record_replies("line-record"),
        query=UnitsQuery,
    ),
)
def get_line(call: Call, plant: str, line: str) -> Response:
    """The line's current record."""
    return answers.record_answer(call, records.get_line(call.context, plant, line))


@operation(
    blueprint,
    Operation(
        "listLineRevisions",
        "GET",
        "/v1/plants/<plant>/lines/<line>/revisions",
        "List a line's revisions",
        "Every revision of the line's record, oldest first.",
        page_reply("page-lines", "A page of revisions."),
        query=RecordPageQuery,
    ),
)
def list_line_revisions(call: Call, plant: str, line: str) -> Response:
    """Revisions of the line's record."""
    after = answers.start_of_page(call) or 0
    page = records.list_revisions(call.context, plant, "line", line, after, call.query["limit"])
    return answers.page_answer(call, page, answers.revision_item)


@operation(
    blueprint,
    Operation(
        "getLineRevision",
        "GET",
        "/v1/plants/<plant>/lines/<line>/revisions/<revision>",
        "Read one revision of a line",
        "One revision as it was written, with the event that wrote it and the one that replaced it.",
        {200: document_reply("line-revision", "The revision.")},
        query=UnitsQuery,
    ),
)
def get_line_revision(call: Call, plant: str, line: str, revision: int) -> Response:
    """One revision of the line's record."""
    found = records.get_revision(call.context, plant, "line", line, revision)
    return answers.json_answer(answers.in_units(call, answers.revision_item(found)))
