"""Plants: each owns its lines, its hangers and one log."""

from __future__ import annotations

from flask import Response

from service.application import records
from service.http import answers
from service.http.bodies import RECORD_BYTES
from service.http.documents import Document
from service.http.operations import Call, EdgeBlueprint, Operation, operation
from service.http.queries import DryRunQuery, RecordPageQuery, UnitsQuery
from service.http.replies import document_reply, page_reply, plant_links, record_replies, written_replies

blueprint = EdgeBlueprint("plants", __name__, description="Plants, each with one log of its own.")


@operation(
    blueprint,
    Operation(
        "listPlants",
        "GET",
        "/v1/plants",
        "List plants",
        "Plants in the token's scope, by key.",
        page_reply("page-plants", "A page of plants."),
        query=RecordPageQuery,
    ),
)
def list_plants(call: Call) -> Response:
    """Plants in scope, by key."""
    after = answers.start_of_page(call) or ""
    page = records.list_plants(call.context, after, call.query["limit"])
    return answers.page_answer(call, page, answers.revision_item)


@operation(
    blueprint,
    Operation(
        "putPlant",
        "PUT",
        "/v1/plants/<plant>",
        "Open or revise a plant",
        "Opens a plant with its own log (If-None-Match: *), or writes a new revision of its record "
        "(If-Match). A record equal to the current one writes no event. Role: administrator.",
        written_replies(plant_links()),
        query=DryRunQuery,
        body=Document("plant-record"),
        body_limit=RECORD_BYTES,
        conditional=True,
        errors=("not-permitted", "duplicate-key"),
    ),
)
def put_plant(call: Call, plant: str) -> Response:
    """Open or revise a plant."""
    return answers.written_answer(call, records.put_plant(call.context, plant, call.body, call.precondition))


@operation(
    blueprint,
    Operation(
        "getPlant",
        "GET",
        "/v1/plants/<plant>",
        "Read a plant",
        "The plant's current record.",
        record_replies("plant-record"),
        query=UnitsQuery,
    ),
)
def get_plant(call: Call, plant: str) -> Response:
    """The plant's current record."""
    return answers.record_answer(call, records.get_plant(call.context, plant))


@operation(
    blueprint,
    Operation(
        "listPlantRevisions",
        "GET",
        "/v1/plants/<plant>/revisions",
        "List a plant's revisions",
        "Every revision of the plant's record, oldest first.",
        page_reply("page-plants", "A page of revisions."),
        query=RecordPageQuery,
    ),
)
def list_plant_revisions(call: Call, plant: str) -> Response:
    """Revisions of the plant's record."""
    after = answers.start_of_page(call) or 0
    page = records.list_revisions(call.context, plant, "plant", plant, after, call.query["limit"])
    return answers.page_answer(call, page, answers.revision_item)


@operation(
    blueprint,
    Operation(
        "getPlantRevision",
        "GET",
        "/v1/plants/<plant>/revisions/<revision>",
        "Read one revision of a plant",
        "One revision as it was written, with the event that wrote it and the one that replaced it.",
        {200: document_reply("plant-revision", "The revision.")},
        query=UnitsQuery,
    ),
)
def get_plant_revision(call: Call, plant: str, revision: int) -> Response:
    """One revision of the plant's record."""
    found = records.get_revision(call.context, plant, "plant", plant, revision)
    return answers.json_answer(answers.in_units(call, answers.revision_item(found)))
