"""Hangers: one record per support location, and what moves or ends it."""

from __future__ import annotations

from typing import Any

from flask import Response

from service.application import hangers, records
from service.domain.ports import HangerFilter, HangerRow
from service.http import answers
from service.http.bodies import ACT_BYTES, RECORD_BYTES
from service.http.documents import Document
from service.http.operations import Call, EdgeBlueprint, Operation, operation
from service.http.queries import DryRunQuery, HangerPageQuery, RecordPageQuery, UnitsQuery
from service.http.replies import (
    act_replies,
    document_reply,
    hanger_links,
    link,
    page_reply,
    record_replies,
    written_replies,
)

blueprint = EdgeBlueprint("hangers", __name__, description="Hanger records, transfers and retirements.")


def row_item(row: HangerRow) -> dict[str, Any]:
    """A hanger as lists show it: the record, and beside it what is not part of the record."""
    return {
        "mark": row.mark,
        "line": row.line,
        "kind": row.kind,
        "state": row.state,
        "retired": row.retired,
        "revision": row.record.revision,
        "changed": row.changed,
        "recorded_at": row.record.recorded_at,
        "record": dict(row.record.document),
    }


@operation(
    blueprint,
    Operation(
        "listHangers",
        "GET",
        "/v1/plants/<plant>/hangers",
        "List hangers",
        "Hangers of the plant in the token's scope, by mark. Filters combine; retired hangers are left "
        "out unless asked for.",
        page_reply("page-hangers", "A page of hangers."),
        query=HangerPageQuery,
    ),
)
def list_hangers(call: Call, plant: str) -> Response:
    """Hangers of the plant in scope, by mark."""
    wanted = HangerFilter(
        line=call.query.get("line"),
        kind=call.query.get("kind"),
        state=call.query.get("state"),
        external_source=call.query.get("external_source"),
        external_id=call.query.get("external_id"),
        changed_since=call.query.get("changed_since"),
        retired={"true": True, "any": None}.get(call.query.get("retired", "false"), False),
    )
    after = answers.start_of_page(call) or ""
    page = hangers.list_hangers(call.context, plant, wanted, after, call.query["limit"])
    return answers.page_answer(call, page, row_item)


@operation(
    blueprint,
    Operation(
        "putHanger",
        "PUT",
        "/v1/plants/<plant>/hangers/<mark>",
        "Create or revise a hanger",
        "Creates a hanger on a registered line (If-None-Match: *) or writes a new revision (If-Match). A "
        "record may be incomplete: each check that needs what is missing answers `cannot_say` and names "
        "it. A changed field "
        "marked x-safety undoes what rests on it: the line's authorisation ends, and the hanger goes back to "
        "`locked` or on hold; the answer names the fields and lists the events. Roles: engineer, integrator.",
        written_replies(hanger_links()),
        query=DryRunQuery,
        body=Document("hanger-record"),
        body_limit=RECORD_BYTES,
        conditional=True,
        errors=("not-permitted", "conflict", "duplicate-key", "retired"),
    ),
)
def put_hanger(call: Call, plant: str, mark: str) -> Response:
    """Create or revise a hanger."""
    return answers.written_answer(
        call, hangers.put_hanger(call.context, plant, mark, call.body, call.precondition)
    )


@operation(
    blueprint,
    Operation(
        "getHanger",
        "GET",
        "/v1/plants/<plant>/hangers/<mark>",
        "Read a hanger",
        "The hanger's current record. The release state is no part of it: see the hanger's release.",
        record_replies("hanger-record"),
        query=UnitsQuery,
    ),
)
def get_hanger(call: Call, plant: str, mark: str) -> Response:
    """The hanger's current record."""
    return answers.record_answer(call, hangers.get_hanger(call.context, plant, mark))


@operation(
    blueprint,
    Operation(
        "listHangerRevisions",
        "GET",
        "/v1/plants/<plant>/hangers/<mark>/revisions",
        "List a hanger's revisions",
        "Every revision of the hanger's record, oldest first.",
        page_reply("page-hanger-revisions", "A page of revisions."),
        query=RecordPageQuery,
    ),
)
def list_hanger_revisions(call: Call, plant: str, mark: str) -> Response:
    """Revisions of the hanger's record."""
    after = answers.start_of_page(call) or 0
    page = records.list_revisions(call.context, plant, "hanger", mark, after, call.query["limit"])
    return answers.page_answer(call, page, answers.revision_item)


@operation(
    blueprint,
    Operation(
        "getHangerRevision",
        "GET",
        "/v1/plants/<plant>/hangers/<mark>/revisions/<revision>",
        "Read one revision of a hanger",
        "One revision as it was written, with the event that wrote it and the one that replaced it.",
        {200: document_reply("hanger-revision", "The revision.")},
        query=UnitsQuery,
    ),
)
def get_hanger_revision(call: Call, plant: str, mark: str, revision: int) -> Response:
    """One revision of the hanger's record."""
    found = records.get_revision(call.context, plant, "hanger", mark, revision)
    return answers.json_answer(answers.in_units(call, answers.revision_item(found)))


_LINKS = {
    "hanger": link(
        "getHanger", "The hanger's record.", plant="$request.path.plant", mark="$request.path.mark"
    )
}


@operation(
    blueprint,
    Operation(
        "transferHanger",
        "POST",
        "/v1/plants/<plant>/hangers/<mark>/transfers",
        "Move a hanger to another line",
        "Moves the hanger to another line of the plant. Both lines lose their authorisation and list the "
        "transfer in their readiness; work at the hanger goes on hold. Role: engineer.",
        act_replies(_LINKS),
        query=DryRunQuery,
        body=Document("transfer"),
        body_limit=ACT_BYTES,
        writes=True,
        errors=("not-permitted", "conflict", "duplicate-key", "retired", "future-time"),
    ),
)
def transfer_hanger(call: Call, plant: str, mark: str) -> Response:
    """Move a hanger to another line."""
    return answers.act_answer(call, hangers.transfer_hanger(call.context, plant, mark, call.body))


@operation(
    blueprint,
    Operation(
        "retireHanger",
        "POST",
        "/v1/plants/<plant>/hangers/<mark>/retirements",
        "Retire a hanger",
        "Takes the hanger out of service: its record and history stay, acts end. Its line loses its "
        "authorisation. Role: engineer.",
        act_replies(_LINKS),
        query=DryRunQuery,
        body=Document("retirement"),
        body_limit=ACT_BYTES,
        writes=True,
        errors=("not-permitted", "duplicate-key", "retired", "future-time"),
    ),
)
def retire_hanger(call: Call, plant: str, mark: str) -> Response:
    """Retire a hanger."""
    return answers.act_answer(call, hangers.retire_hanger(call.context, plant, mark, call.body))
