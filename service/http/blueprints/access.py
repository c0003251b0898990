"""Principals and tokens: who may call. For administrators."""

from __future__ import annotations

import secrets
from typing import Any

from flask import Response

from service.application import access
from service.http import answers
from service.http.blueprints.events import events_page
from service.http.documents import Document
from service.http.operations import Call, EdgeBlueprint, Operation, Reply, operation
from service.http.queries import DryRunQuery, PageQuery, ServiceEventQuery
from service.http.replies import document_reply, link, page_reply

blueprint = EdgeBlueprint("access", __name__, description="Principals, tokens and the service's own log.")


def made_replies(name: str, **links: Any) -> dict[int, Reply]:
    """What was made, or would be."""
    return {
        200: Reply("Tried with `dry_run`. Nothing was written.", {"application/json": Document(name)}),
        201: Reply(
            "Made.",
            {"application/json": Document(name)},
            headers=("Location", "Idempotent-Replayed"),
            links=links,
        ),
    }


@operation(
    blueprint,
    Operation(
        "listPrincipals",
        "GET",
        "/v1/principals",
        "List principals",
        "Principals by id. Role: administrator.",
        page_reply("page-principals", "A page of principals."),
        query=PageQuery,
        errors=("not-permitted",),
    ),
)
def list_principals(call: Call) -> Response:
    """Principals by id."""
    after = answers.start_of_page(call) or ""
    return answers.page_answer(call, access.list_principals(call.context, after, call.query["limit"]), dict)


@operation(
    blueprint,
    Operation(
        "registerPrincipal",
        "POST",
        "/v1/principals",
        "Register a principal",
        "Registers a person or a system under an opaque random id; the name stays beside the log and can "
        "be erased. Role: administrator.",
        made_replies(
            "principal-row",
            principal=link("getPrincipal", "The principal.", principal="$response.body#/id"),
        ),
        query=DryRunQuery,
        body=Document("principal"),
        writes=True,
        errors=("not-permitted",),
    ),
)
def register_principal(call: Call) -> Response:
    """Register a principal."""
    answer = access.register_principal(call.context, call.body, f"pr_{call.context.new_id()}")
    return answers.act_answer(call, answer, f"/v1/principals/{answer.document['id']}")


@operation(
    blueprint,
    Operation(
        "getPrincipal",
        "GET",
        "/v1/principals/<principal>",
        "Read a principal",
        "One principal. Role: administrator.",
        {200: document_reply("principal-row", "The principal.")},
        errors=("not-permitted",),
    ),
)
def get_principal(call: Call, principal: str) -> Response:
    """One principal."""
    return answers.json_answer(access.get_principal(call.context, principal))


@operation(
    blueprint,
    Operation(
        "listTokens",
        "GET",
        "/v1/tokens",
        "List tokens",
        "Tokens by id: what they may do and until when, never the tokens themselves. Role: administrator.",
        page_reply("page-tokens", "A page of tokens."),
        query=PageQuery,
        errors=("not-permitted",),
    ),
)
def list_tokens(call: Call) -> Response:
    """Tokens by id."""
    after = answers.start_of_page(call) or ""
    return answers.page_answer(call, access.list_tokens(call.context, after, call.query["limit"]), dict)


@operation(
    blueprint,
    Operation(
        "issueToken",
        "POST",
        "/v1/tokens",
        "Issue a token",
        "Issues a token for a registered principal. The token is in this answer alone: a repeat with the "
        "same Idempotency-Key tells everything but the token. Role: administrator.",
        made_replies(
            "issued-token",
            data=link("getToken", "The token's data.", token_id="$response.body#/id"),  # noqa: S106
        ),
        query=DryRunQuery,
        body=Document("token-request"),
        writes=True,
        errors=("not-permitted",),
    ),
)
def issue_token(call: Call) -> Response:
    """Issue a token."""
    answer = access.issue_token(
        call.context, call.body, f"tk_{call.context.new_id()}", lambda: secrets.token_urlsafe(32)
    )
    return answers.act_answer(call, answer, f"/v1/tokens/{answer.document['id']}")


@operation(
    blueprint,
    Operation(
        "getToken",
        "GET",
        "/v1/tokens/<token_id>",
        "Read a token's data",
        "What a token may do and until when, by its id; never the token itself. Role: administrator.",
        {200: document_reply("token", "The token's data.")},
        errors=("not-permitted",),
    ),
)
def get_token(call: Call, token_id: str) -> Response:
    """A token's data."""
    return answers.json_answer(access.get_token(call.context, token_id))


@operation(
    blueprint,
    Operation(
        "revokeToken",
        "POST",
        "/v1/tokens/<token_id>/revocations",
        "Revoke a token",
        "The token counts no more from this moment. It stays listed. Reads no body. Role: administrator.",
        made_replies(
            "token",
            data=link("getToken", "The token's data.", token_id="$request.path.token_id"),  # noqa: S106
        ),
        query=DryRunQuery,
        writes=True,
        errors=("not-permitted", "conflict"),
    ),
)
def revoke_token(call: Call, token_id: str) -> Response:
    """Revoke a token."""
    return answers.act_answer(call, access.revoke_token(call.context, token_id), f"/v1/tokens/{token_id}")


@operation(
    blueprint,
    Operation(
        "listServiceEvents",
        "GET",
        "/v1/service-events",
        "Read the service's own log",
        "Principals registered, tokens issued and revoked, plants opened, in order. Roles: "
        "administrator, auditor.",
        {200: Reply("Events in order.", {"application/json": Document("page-events")}, headers=("Link",))},
        query=ServiceEventQuery,
        errors=("not-permitted",),
    ),
)
def list_service_events(call: Call) -> Response:
    """Events of the service's own log."""
    return events_page(access.list_service_events(call.context, call.query["start"], call.query["limit"]))
