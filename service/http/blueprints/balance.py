"""What a line weighs: its balance, the order of release, estimates from the field, and the drawing."""

from __future__ import annotations

from typing import Final

from flask import Response

from service.application import balance
from service.http import answers
from service.http.blueprints.stateless import documents_of, one_or_list
from service.http.bodies import MODELLED_BYTES, STATELESS_BYTES
from service.http.documents import Document
from service.http.operations import Call, EdgeBlueprint, Operation, Reply, operation
from service.http.queries import UnitsQuery
from service.http.replies import document_reply

blueprint = EdgeBlueprint(
    "balance", __name__, description="What a line weighs, and what each hanger carries in every state."
)

SVG: Final = "image/svg+xml"
WEIGHED_ERRORS: Final = (
    "not-weighable",
    "not-at-rest",
    "frame-unstable",
    "frame-residual",
    "no-vertical-stiffness",
    "path-lost",
    "out-of-range",
)
ORDER_ERRORS: Final = (*WEIGHED_ERRORS, "too-many-ways")
POSTED_ERRORS: Final = ("invalid-document", "unknown-unit", "mass-for-force", "unknown-thread")


@operation(
    blueprint,
    Operation(
        "balanceLine",
        "POST",
        "/v1/plants/<plant>/lines/<line>/balance",
        "Weigh a line",
        "Weights as designed, as the line stands now, hot and under the pressure test; what each hanger "
        "carries locked, released cold, hot and under test; what one turn does to the others; where each "
        "indicator will stand with all stops out, and whether a spring will, may or will not come to an end "
        "of its travel. From the line's model, records, inspections, turns and steps. It writes nothing. "
        "What cannot be said is null, with what is missing named.",
        {200: document_reply("balance", "The balance.")},
        query=UnitsQuery,
        body=Document("balance-request"),
        errors=WEIGHED_ERRORS,
    ),
)
def balance_line(call: Call, plant: str, line: str) -> Response:
    """What the line weighs, and what each hanger carries."""
    found = balance.line_balance(call.context, plant, line, call.body, call.units or "si")
    return answers.json_answer(answers.in_units(call, found))


@operation(
    blueprint,
    Operation(
        "balancePosted",
        "POST",
        "/v1/balance",
        "Weigh a line that is not stored",
        "The balance of a line whose model and hanger records the request brings with it. One request or a "
        "list of up to 100; the answer is a list in the same order. Nothing is stored.",
        {200: document_reply("balance-answers", "The balance of each request.")},
        query=UnitsQuery,
        body=one_or_list("balance-request"),
        body_limit=MODELLED_BYTES,
        errors=(*WEIGHED_ERRORS, *POSTED_ERRORS),
    ),
)
def balance_posted(call: Call) -> Response:
    """The balance of a line that the request brings with it."""
    requests = documents_of(call.body, "balance-request")
    listed = isinstance(call.body, list)
    found = balance.posted_balances(call.context, requests, call.units or "si", listed=listed)
    return answers.json_answer(answers.in_units(call, {"items": found}))


@operation(
    blueprint,
    Operation(
        "drawLine",
        "GET",
        "/v1/plants/<plant>/lines/<line>/balance.svg",
        "Draw a line's balance",
        "The elevation of the line with its hangers, their loads, what is out of balance as bars, and the "
        "settled shape exaggerated by a stated factor. The same figures stand in it as text.",
        {200: Reply("The drawing.", {SVG: {"type": "string"}})},
        formats=(SVG,),
        errors=WEIGHED_ERRORS,
    ),
)
def draw_line(call: Call, plant: str, line: str) -> Response:
    """The elevation of the line."""
    drawing = balance.line_elevation(call.context, plant, line)
    response = Response(drawing, content_type=f"{SVG}; charset=utf-8")
    response.headers["Cache-Control"] = "no-store"
    response.headers["Vary"] = "Authorization"
    return response


@operation(
    blueprint,
    Operation(
        "orderRelease",
        "POST",
        "/v1/plants/<plant>/lines/<line>/release-order",
        "Order the release of a line",
        "In which order the travel stops should come out so that the worst load on rods, stops and turn "
        "limits is least, and among such orders the one of least turning; each step with direction, turns as "
        "an interval, what to expect before and at the neighbours, and when to stop. An order given, and "
        "that of the register, are weighed beside it. No order is offered where a spring may end at an end "
        "of its travel, or where every order passes a limit: the least bad is then shown as such. Nothing is "
        "written.",
        {200: document_reply("release-order", "The order, or why there is none.")},
        query=UnitsQuery,
        body=Document("release-order-request"),
        errors=ORDER_ERRORS,
    ),
)
def order_release(call: Call, plant: str, line: str) -> Response:
    """The order of release of a stored line."""
    found = balance.line_release_order(call.context, plant, line, call.body, call.units or "si")
    return answers.json_answer(answers.in_units(call, found))


@operation(
    blueprint,
    Operation(
        "orderPosted",
        "POST",
        "/v1/release-order",
        "Order the release of a line that is not stored",
        "The order of release of a line whose model and hanger records the request brings with it. Nothing "
        "is stored.",
        {200: document_reply("release-order", "The order, or why there is none.")},
        query=UnitsQuery,
        body=Document("release-order-request"),
        body_limit=MODELLED_BYTES,
        errors=(*ORDER_ERRORS, *POSTED_ERRORS),
    ),
)
def order_posted(call: Call) -> Response:
    """The order of release of a line that the request brings with it."""
    found = balance.posted_release_order(call.context, call.body, call.units or "si")
    return answers.json_answer(answers.in_units(call, found))


@operation(
    blueprint,
    Operation(
        "nextStep",
        "POST",
        "/v1/plants/<plant>/lines/<line>/release-order/next",
        "Follow an order of release",
        "The step of an order that comes next after what has been recorded since it was made. What differs "
        "from what the order expects (turns, bearing faces, readings) holds the work, with the reason. An "
        "order made by another revision of the model or of a hanger's record is refused. It writes nothing.",
        {200: document_reply("release-order-next", "The step, or what holds the work.")},
        query=UnitsQuery,
        body=Document("release-order-followed"),
        body_limit=STATELESS_BYTES,
        errors=(*WEIGHED_ERRORS, "conflict"),
    ),
)
def next_step(call: Call, plant: str, line: str) -> Response:
    """The step that comes next, or what holds the work."""
    found = balance.line_next_step(call.context, plant, line, call.body["order"])
    return answers.json_answer(answers.in_units(call, found))


@operation(
    blueprint,
    Operation(
        "estimateFromField",
        "POST",
        "/v1/plants/<plant>/lines/<line>/field-estimate",
        "Estimate a line's misfit from what was seen",
        "What turns, bearing faces, break-away and levels say together: the rod loads before easing, the "
        "combined misfit of weight and pick-up height with its interval, contradictions, and what the "
        "remaining hangers will take. Weight and height are told apart only where a level survey or a "
        "weighed load is given. Bearing faces on record that still hold are taken with those of the request.",
        {200: document_reply("field-estimate", "The estimate.")},
        query=UnitsQuery,
        body=Document("field-estimate-request"),
        body_limit=STATELESS_BYTES,
        errors=WEIGHED_ERRORS,
    ),
)
def estimate_from_field(call: Call, plant: str, line: str) -> Response:
    """What the observations of a stored line say together."""
    found = balance.line_field_estimate(call.context, plant, line, call.body, call.units or "si")
    return answers.json_answer(answers.in_units(call, found))


@operation(
    blueprint,
    Operation(
        "estimatePosted",
        "POST",
        "/v1/field-estimate",
        "Estimate the misfit of a line that is not stored",
        "The estimate for a line whose model and hanger records the request brings with it. Nothing is "
        "stored.",
        {200: document_reply("field-estimate", "The estimate.")},
        query=UnitsQuery,
        body=Document("field-estimate-request"),
        body_limit=MODELLED_BYTES,
        errors=(*WEIGHED_ERRORS, *POSTED_ERRORS),
    ),
)
def estimate_posted(call: Call) -> Response:
    """The estimate for a line that the request brings with it."""
    found = balance.posted_field_estimate(call.context, call.body, call.units or "si")
    return answers.json_answer(answers.in_units(call, found))
