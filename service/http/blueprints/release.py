"""Where a hanger's release stands, its checks, and plans for its adjusting nut."""

from __future__ import annotations

from flask import Response

from service.application import questions
from service.http import answers
from service.http.documents import Document
from service.http.operations import Call, EdgeBlueprint, Operation, operation
from service.http.queries import AsOfQuery, UnitsQuery
from service.http.replies import document_reply, link

blueprint = EdgeBlueprint("release", __name__, description="State, checks and nut plans of one hanger.")

_NEXT = {
    "transition": link(
        "makeTransition", "Take one of the steps.", plant="$request.path.plant", mark="$request.path.mark"
    )
}


@operation(
    blueprint,
    Operation(
        "getRelease",
        "GET",
        "/v1/plants/<plant>/hangers/<mark>/release",
        "Read where a hanger's release stands",
        "State, the steps possible from it with what each still lacks, the ledger of turns, and every stop.",
        {200: document_reply("release-status", "The hanger's release.", **_NEXT)},
        query=AsOfQuery,
    ),
)
def get_release(call: Call, plant: str, mark: str) -> Response:
    """Where the hanger's release stands."""
    found = questions.release_status(call.context, plant, mark, call.query.get("as_of"))
    return answers.json_answer(answers.in_units(call, found))


@operation(
    blueprint,
    Operation(
        "getChecks",
        "GET",
        "/v1/plants/<plant>/hangers/<mark>/checks",
        "Check a hanger",
        "Every check of the hanger: as designed, as erected and as read. A check that needs what is "
        "missing answers `cannot_say` and names it. The limits are those of the plant's criteria.",
        {200: document_reply("check-results", "The checks.")},
        query=AsOfQuery,
    ),
)
def get_checks(call: Call, plant: str, mark: str) -> Response:
    """Every check of the hanger."""
    found = questions.list_checks(call.context, plant, mark, call.query.get("as_of"))
    return answers.json_answer(answers.in_units(call, found))


@operation(
    blueprint,
    Operation(
        "planNut",
        "POST",
        "/v1/plants/<plant>/hangers/<mark>/nut-plan",
        "Plan the adjusting nut of a hanger",
        "A plan from the hanger's record and ledger and what is posted: direction, turns and flats as an "
        "interval, hold points, engagement, cautions and when to stop. It writes nothing. What cannot be "
        "reached is refused "
        "with the nearest that can. Only freedom seen by hand opens the way to a stop's withdrawal, "
        "never a plan.",
        {200: document_reply("nut-plan", "The plan.")},
        query=UnitsQuery,
        body=Document("nut-plan-request"),
        errors=("conflict", "no-stop", "out-of-range", "unknown-thread"),
    ),
)
def plan_nut(call: Call, plant: str, mark: str) -> Response:
    """Plan the adjusting nut of a hanger."""
    return answers.json_answer(
        answers.in_units(call, questions.nut_plan(call.context, plant, mark, call.body))
    )
