"""Principals and tokens: administrators' acts, kept in the service's own log."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from datetime import timedelta
from typing import Any, Final

from service.application.context import (
    Answer,
    Context,
    Page,
    answered,
    keep,
    nothing_there,
    recall,
    require,
)
from service.application.drafts import consequence
from service.domain.instants import format_instant, parse_instant
from service.domain.ports import EventFilter, PrincipalRow, TokenRow
from service.errors import Conflict, Finding, InvalidDocument, NotPermitted

DEFAULT_LIFE: Final = timedelta(days=365)


def whole_service(context: Context, act: str = "administer") -> None:
    """What is the whole service's wants a token for the whole service: no scope may widen itself.

    Errors: NotPermitted.
    """
    require(context, act)
    if context.principal.plants is not None or context.principal.lines is not None:
        raise NotPermitted("This wants a token whose scope is the whole service.")


def token_hash(token: str) -> str:
    """SHA-256 of a bearer token in hex: what is stored and looked up. The token has 256 random bits."""
    return hashlib.sha256(token.encode("utf-8")).hexdigest()


def register_principal(context: Context, document: Mapping[str, Any], identifier: str) -> Answer:
    """Register a person or a system under an opaque random id. The name stays beside the log."""
    whole_service(context)
    with context.store.write_service() as service:
        kept = recall(context, service)
        if kept is not None:
            return kept
        created = format_instant(context.now)
        event = consequence(
            context, "principal-registered", "service/principals", None, created,
            {"principal": identifier, "kind": document["kind"]},
        )  # fmt: skip
        service.append(event)
        service.add_principal(identifier, document["kind"], document.get("display_name"), created)
        answer = principal_document(
            PrincipalRow(identifier, document["kind"], document.get("display_name"), created)
        )
        return answered(context, service, answer)


def principal_document(row: PrincipalRow) -> dict[str, Any]:
    """A principal as JSON."""
    return {"id": row.id, "kind": row.kind, "display_name": row.display_name, "created_at": row.created_at}


def token_document(row: TokenRow) -> dict[str, Any]:
    """A token as JSON: never the token itself."""
    return {
        "id": row.id,
        "principal": row.principal,
        "role": row.role,
        "plants": list(row.plants) if row.plants is not None else None,
        "lines": list(row.lines) if row.lines is not None else None,
        "created_at": row.created_at,
        "expires_at": row.expires_at,
        "revoked_at": row.revoked_at,
    }


def get_principal(context: Context, identifier: str) -> dict[str, Any]:
    """One principal."""
    whole_service(context)
    with context.store.read_service() as service:
        row = service.principal(identifier)
    if row is None:
        raise nothing_there()
    return principal_document(row)


def list_principals(context: Context, after: str, limit: int) -> Page:
    """Principals by id."""
    whole_service(context)
    with context.store.read_service() as service:
        rows = service.principals(after, limit + 1)
    documents = [principal_document(row) for row in rows[:limit]]
    return Page(documents, rows[limit - 1].id if len(rows) > limit else None)


def issue_token(
    context: Context, document: Mapping[str, Any], identifier: str, make_secret: Callable[[], str]
) -> Answer:
    """Issue a token. It is shown once: a replay of the request tells everything but the token.

    Errors: InvalidDocument for an unknown principal, an end in the past, or an engineer's role for a
    system.
    """
    whole_service(context)
    with context.store.write_service() as service:
        kept = recall(context, service)
        if kept is not None:
            return kept
        principal = service.principal(document["principal"])
        if principal is None:
            raise _refused(
                "/principal",
                "known-principal",
                "no principal has this id",
                "the id of a registered principal",
            )
        if principal.kind == "system" and document["role"] == "engineer":
            raise _refused(
                "/role",
                "person",
                "an engineer is a person",
                ["reader", "recorder", "integrator", "auditor", "administrator"],
            )
        expires = context.now + DEFAULT_LIFE
        if "expires_at" in document:
            expires = parse_instant(document["expires_at"], "/expires_at")
            if expires <= context.now:
                raise _refused(
                    "/expires_at", "in-the-future", "the token would never count", "an instant to come"
                )
        row = TokenRow(
            id=identifier,
            principal=principal.id,
            role=document["role"],
            plants=tuple(document["plants"]) if "plants" in document else None,
            lines=tuple(document["lines"]) if "lines" in document else None,
            created_at=format_instant(context.now),
            expires_at=format_instant(expires),
            revoked_at=None,
        )
        secret = make_secret()
        service.append(
            consequence(
                context,
                "token-issued",
                "service/tokens",
                None,
                row.created_at,
                {"token": token_document(row)},
            )
        )
        service.add_token(row, token_hash(secret))
        keep(context, service, {**token_document(row), "token": None})
        if context.dry_run:
            service.rollback_only()
            secret = ""
        return Answer({**token_document(row), "token": secret or None})


def _refused(pointer: str, rule: str, detail: str, accepted: Any) -> InvalidDocument:
    return InvalidDocument(
        f"{pointer[1:]}: {detail}.", errors=[Finding("body", rule, detail, pointer, accepted=accepted)]
    )


def get_token(context: Context, identifier: str) -> dict[str, Any]:
    """One token's data."""
    whole_service(context)
    with context.store.read_service() as service:
        row = service.token(identifier)
    if row is None:
        raise nothing_there()
    return token_document(row)


def list_tokens(context: Context, after: str, limit: int) -> Page:
    """Tokens by id, never the tokens themselves."""
    whole_service(context)
    with context.store.read_service() as service:
        rows = service.tokens(after, limit + 1)
    documents = [token_document(row) for row in rows[:limit]]
    return Page(documents, rows[limit - 1].id if len(rows) > limit else None)


def revoke_token(context: Context, identifier: str) -> Answer:
    """Revoke a token: it counts no more from this moment."""
    whole_service(context)
    with context.store.write_service() as service:
        kept = recall(context, service)
        if kept is not None:
            return kept
        row = service.token(identifier)
        if row is None:
            raise nothing_there()
        if row.revoked_at is not None:
            raise Conflict("This token was revoked before.", revoked_at=row.revoked_at)
        now = format_instant(context.now)
        service.append(
            consequence(context, "token-revoked", "service/tokens", None, now, {"token": identifier})
        )
        service.revoke_token(identifier, now)
        answer = {**token_document(row), "revoked_at": now}
        return answered(context, service, answer)


def list_service_events(context: Context, start: int, limit: int) -> Page:
    """Events of the service log, in order."""
    whole_service(context, "read_service_log")
    with context.store.read_service() as service:
        rows = service.events(EventFilter(), start, limit + 1)
    return Page(rows[:limit], rows[limit - 1].event.sequence + 1 if len(rows) > limit else None)
