"""Is a line ready, for what, and if not, what stands in the way."""

from __future__ import annotations

from flask import Response

from service.application import questions
from service.http import answers
from service.http.operations import Call, EdgeBlueprint, Operation, operation
from service.http.queries import PlantReadinessQuery, ReadinessQuery
from service.http.replies import document_reply

blueprint = EdgeBlueprint(
    "readiness", __name__, description="Readiness for a purpose, with every blocker named."
)


@operation(
    blueprint,
    Operation(
        "getReadiness",
        "GET",
        "/v1/plants/<plant>/lines/<line>/readiness",
        "Is a line ready?",
        "The verdict for one purpose: `ready`, `ready_with_concessions`, `not_ready` or `cannot_say`; "
        "`ready` is true for the first two alone. Each blocker has its code, subject, what was expected, "
        "what is known and the "
        "event that shows it. What is not known is never taken as good.",
        {200: document_reply("readiness", "The verdict.")},
        query=ReadinessQuery,
    ),
)
def get_readiness(call: Call, plant: str, line: str) -> Response:
    """Is the line ready for the purpose."""
    query = call.query
    found = questions.line_readiness(
        call.context, plant, line, query["purpose"], query.get("as_of"), bool(query["explain"])
    )
    return answers.json_answer(answers.in_units(call, found))


@operation(
    blueprint,
    Operation(
        "getPlantReadiness",
        "GET",
        "/v1/plants/<plant>/readiness",
        "Which lines are ready?",
        "The verdict for one purpose for every line in the token's scope, with the number of blockers of "
        "each.",
        {200: document_reply("plant-readiness", "The verdicts.")},
        query=PlantReadinessQuery,
    ),
)
def get_plant_readiness(call: Call, plant: str) -> Response:
    """The verdict of every line in scope."""
    query = call.query
    found = questions.plant_readiness(call.context, plant, query["purpose"], query.get("as_of"))
    return answers.json_answer(answers.in_units(call, found))
