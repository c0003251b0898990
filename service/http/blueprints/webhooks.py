"""Webhooks: a plant's events sent to an address of the caller's choosing, signed and in order."""

from __future__ import annotations

from typing import Any, Final

from flask import Response, request

from service.application import webhooks
from service.domain.webhooks import secret_of
from service.errors import ConfigurationError
from service.http import answers
from service.http.bodies import JSON
from service.http.documents import Document
from service.http.operations import Call, EdgeBlueprint, Operation, Reply, operation
from service.http.preconditions import etag, unchanged
from service.http.queries import DeliveryPageQuery, DryRunQuery, PageQuery
from service.http.replies import WRITTEN, document_reply, link, page_reply
from service.http.state import edge

blueprint = EdgeBlueprint("webhooks", __name__, description="Webhooks: events sent to other software.")

_PLANT: Final = "$request.path.plant"
_PATH: Final = "/v1/plants/<plant>/webhooks"


def _links(webhook: str) -> dict[str, Any]:
    return {
        "webhook": link("getWebhook", "The webhook.", plant=_PLANT, webhook=webhook),
        "progress": link("getWebhookProgress", "How far it is.", plant=_PLANT, webhook=webhook),
        "deliveries": link("listDeliveries", "Its deliveries.", plant=_PLANT, webhook=webhook),
    }


def _receipts(description: str, webhook: str) -> dict[int, Reply]:
    content = {JSON: Document("webhook-receipt")}
    return {
        200: Reply("Tried with `dry_run`. Nothing was written.", content),
        201: Reply(
            description,
            content,
            headers=("Location", "Idempotent-Replayed", *WRITTEN),
            links=_links(webhook),
        ),
    }


def _secret(identifier: str, generation: int) -> str:
    """A webhook's secret, from the file that the relay reads too."""
    file = edge().settings.webhook_secret_file
    try:
        master = file.read_bytes().strip()
    except OSError as error:
        raise ConfigurationError("The secret of the webhooks cannot be read.") from error
    return secret_of(master, identifier, generation)


def _receipt(call: Call, answer: Any, plant: str, identifier: str) -> Response:
    return answers.act_answer(call, answer, f"/v1/plants/{plant}/webhooks/{identifier}")


@operation(
    blueprint,
    Operation(
        "registerWebhook",
        "POST",
        _PATH,
        "Register a webhook",
        "Every event that the filter lets through is sent to the URL as a CloudEvent (1.0, structured JSON; "
        "`data` is the exact bytes that the log stores), signed as Standard Webhooks wants, at least once, "
        "and in the order of the log for each hanger and line. An answer of 2xx within 15 seconds is a "
        "delivery; anything else is tried again after 5 seconds to an hour, for 5 days; then the webhook is "
        "disabled, nothing is skipped, and being active again takes up where it stopped. 410 disables it at "
        "once. Redirects are not followed. A target that leads inward is refused, now and at each "
        "connection. The secret is in this answer alone: a repeat with the same Idempotency-Key tells "
        "everything but the secret. The log learns the host and the filter. A token scoped to lines "
        "registers for one of them. Role: integrator.",
        _receipts("Registered.", "$response.body#/webhook/id"),
        query=DryRunQuery,
        body=Document("webhook-request"),
        writes=True,
        errors=("not-permitted", "conflict"),
    ),
)
def register_webhook(call: Call, plant: str) -> Response:
    """Register a webhook."""
    answer = webhooks.register_webhook(
        call.context,
        plant,
        call.body,
        f"wh_{call.context.new_id()}",
        _secret,
        edge().settings.webhook_allowed_targets,
    )
    return _receipt(call, answer, plant, answer.document["webhook"]["id"])


@operation(
    blueprint,
    Operation(
        "listWebhooks",
        "GET",
        _PATH,
        "List webhooks",
        "Webhooks of the plant in the token's scope, by id. Roles: integrator, auditor.",
        page_reply("page-webhooks", "A page of webhooks."),
        query=PageQuery,
        errors=("not-permitted",),
    ),
)
def list_webhooks(call: Call, plant: str) -> Response:
    """Webhooks in scope, by id."""
    after = answers.start_of_page(call) or ""
    page = webhooks.list_webhooks(call.context, plant, after, call.query["limit"])
    return answers.page_answer(call, page, dict)


@operation(
    blueprint,
    Operation(
        "getWebhook",
        "GET",
        f"{_PATH}/<webhook>",
        "Read a webhook",
        "One webhook, without its secret. Roles: integrator, auditor.",
        {
            200: Reply("The webhook.", {JSON: Document("webhook")}, headers=("ETag",)),
            304: Reply("The caller holds this revision already.", headers=("ETag",)),
        },
        errors=("not-permitted",),
    ),
)
def get_webhook(call: Call, plant: str, webhook: str) -> Response:
    """One webhook."""
    row = webhooks.get_webhook(call.context, plant, webhook)
    tag = etag(row.revision, None)
    if unchanged(request, tag):
        response = Response(status=304)
    else:
        response = answers.json_answer(webhooks.webhook_document(row))
    response.headers["ETag"] = tag
    response.headers["Cache-Control"] = "private, no-cache"
    response.headers["Vary"] = "Authorization"
    return response


@operation(
    blueprint,
    Operation(
        "putWebhook",
        "PUT",
        f"{_PATH}/<webhook>",
        "Change a webhook",
        "Writes target, filter and activity anew (If-Match); what equals the present writes no event. Its "
        "place in the log and its secret stay. With a new target, or active again, what waited is tried at "
        "once. Role: integrator.",
        {
            200: Reply(
                "Changed; or unchanged (`event` is null); or tried with `dry_run`.",
                {JSON: Document("webhook-receipt")},
                headers=("ETag",),
                links=_links("$request.path.webhook"),
            )
        },
        query=DryRunQuery,
        body=Document("webhook-record"),
        conditional=True,
        errors=("not-permitted",),
    ),
)
def put_webhook(call: Call, plant: str, webhook: str) -> Response:
    """Change a webhook."""
    changed = webhooks.put_webhook(
        call.context, plant, webhook, call.body, call.precondition, edge().settings.webhook_allowed_targets
    )
    return answers.json_answer(changed.document, headers={"ETag": etag(changed.revision, None)})


@operation(
    blueprint,
    Operation(
        "removeWebhook",
        "POST",
        f"{_PATH}/<webhook>/removals",
        "Remove a webhook",
        "Nothing is sent any more, and the URL is forgotten; the log keeps that there was one. Reads no "
        "body. Role: integrator.",
        _receipts("Removed.", "$request.path.webhook"),
        query=DryRunQuery,
        writes=True,
        errors=("not-permitted",),
    ),
)
def remove_webhook(call: Call, plant: str, webhook: str) -> Response:
    """Remove a webhook."""
    answer = webhooks.remove_webhook(call.context, plant, webhook)
    return _receipt(call, answer, plant, webhook)


@operation(
    blueprint,
    Operation(
        "rotateWebhookSecret",
        "POST",
        f"{_PATH}/<webhook>/secret-rotations",
        "Give a webhook a new secret",
        "The new secret is in this answer alone. For 24 hours each message carries a signature by the "
        "secret before as well; a further rotation within that time ends the oldest at once. Reads no "
        "body. Role: integrator.",
        _receipts("Rotated.", "$request.path.webhook"),
        query=DryRunQuery,
        writes=True,
        errors=("not-permitted",),
    ),
)
def rotate_webhook_secret(call: Call, plant: str, webhook: str) -> Response:
    """Give a webhook a new secret."""
    answer = webhooks.rotate_secret(call.context, plant, webhook, _secret)
    return _receipt(call, answer, plant, webhook)


@operation(
    blueprint,
    Operation(
        "replayWebhook",
        "POST",
        f"{_PATH}/<webhook>/replays",
        "Send events once more",
        "Sends the events of a range that the filter lets through once more, each with the same id and "
        "with the number of the replay as `replay`; in order among themselves, beside what comes anew. "
        "Role: integrator.",
        {
            200: Reply(
                "Tried with `dry_run`. Nothing was written.", {JSON: Document("webhook-replay-receipt")}
            ),
            201: Reply(
                "It begins now, where the webhook is active.",
                {JSON: Document("webhook-replay-receipt")},
                headers=("Location", "Idempotent-Replayed"),
                links=_links("$request.path.webhook"),
            ),
        },
        query=DryRunQuery,
        body=Document("webhook-replay-request"),
        writes=True,
        errors=("not-permitted", "conflict"),
    ),
)
def replay_webhook(call: Call, plant: str, webhook: str) -> Response:
    """Send events once more."""
    answer = webhooks.replay_events(call.context, plant, webhook, call.body)
    return answers.act_answer(call, answer, f"/v1/plants/{plant}/webhooks/{webhook}/progress")


@operation(
    blueprint,
    Operation(
        "listDeliveries",
        "GET",
        f"{_PATH}/<webhook>/deliveries",
        "List a webhook's deliveries",
        "Deliveries of the first time round, or of one replay, by sequence. Those made are kept for 30 days; "
        "those that wait, until they are made. Roles: integrator, auditor.",
        page_reply("page-webhook-deliveries", "A page of deliveries."),
        query=DeliveryPageQuery,
        errors=("not-permitted",),
    ),
)
def list_deliveries(call: Call, plant: str, webhook: str) -> Response:
    """Deliveries by sequence."""
    start = answers.start_of_page(call)
    page = webhooks.list_deliveries(
        call.context,
        plant,
        webhook,
        call.query["replay"],
        -1 if start is None else start,
        call.query["limit"],
        call.query.get("outcome"),
    )
    return answers.page_answer(call, page, dict)


@operation(
    blueprint,
    Operation(
        "getWebhookProgress",
        "GET",
        f"{_PATH}/<webhook>/progress",
        "Read how far a webhook is",
        "The place up to which everything was delivered, what waits and until when, and the last replays. "
        "Roles: integrator, auditor.",
        {200: document_reply("webhook-progress", "How far it is.")},
        errors=("not-permitted",),
    ),
)
def get_webhook_progress(call: Call, plant: str, webhook: str) -> Response:
    """How far a webhook is."""
    return answers.json_answer(webhooks.get_progress(call.context, plant, webhook))
