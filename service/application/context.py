"""What every use case is given: who calls, when, with which key; and what it may do there."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from service.domain.access import PERMITTED, Principal
from service.domain.ports import ERASED_REQUEST, KeyMemory, PlantWriter, ServiceWriter, Store
from service.errors import KeyReused, NotFound, NotPermitted


@dataclass(frozen=True)
class IdempotencyKey:
    """Key of a POST that writes. digest: hex SHA-256 of method, path, query and body."""

    method: str
    path: str
    key: str
    digest: str


def once(transaction: Callable[[], Any]) -> Any:
    """Runs a transaction once, for callers that do not try again."""
    return transaction()


@dataclass(frozen=True)
class Context:
    """One request's surroundings. now: the service's clock, UTC, read once.

    again: runs a whole transaction, and runs it again when another write undid it (WriteConflict).
    """

    store: Store
    now: datetime
    new_id: Callable[[], str]
    principal: Principal
    request_id: str
    key: IdempotencyKey | None = None
    dry_run: bool = False
    service_version: str = ""
    again: Callable[[Callable[[], Any]], Any] = once


@dataclass(frozen=True)
class Answer:
    """An answer of a POST that writes; replayed when the key had been used for the same request."""

    document: dict[str, Any]
    replayed: bool = False


@dataclass(frozen=True)
class Page:
    """A page of a list. following: where the next page starts, or None at the end."""

    items: Sequence[Any]
    following: str | int | None


def require(context: Context, act: str) -> None:
    """Refuse when the role does not permit the act. Errors: NotPermitted.

    Asked before anything is looked up, so that the answer tells nothing about what exists.
    """
    if not context.principal.may(act):
        roles = sorted(PERMITTED[act])
        raise NotPermitted(
            f"The role {context.principal.role} may not do this.",
            role=context.principal.role,
            permitted_roles=roles,
        )


def plant_in_scope(context: Context, plant: str) -> None:
    """Refuse a plant outside the scope exactly as one that does not exist. Errors: NotFound."""
    if not context.principal.sees_plant(plant):
        raise nothing_there()


def line_in_scope(context: Context, plant: str, line: str | None) -> None:
    """Refuse a line outside the scope exactly as one that does not exist. Errors: NotFound."""
    if not context.principal.sees_line(plant, line):
        raise nothing_there()


def nothing_there() -> NotFound:
    """The one answer for absent and hidden."""
    return NotFound("There is no such resource, or it is not visible to this token.")


def recall(context: Context, memory: KeyMemory, suffix: str = "") -> Answer | None:
    """The answer kept under this request's key, or None when the key is new.

    suffix tells the parts of one request apart (chunks of a bulk). A dry run is never replayed.
    Errors: KeyReused when the key belongs to another request.
    """
    key = context.key
    if key is None or context.dry_run:
        return None
    kept = memory.remembered(context.principal.id, key.method, key.path, key.key + suffix)
    if kept is None:
        return None
    if kept.request_digest == ERASED_REQUEST:
        raise KeyReused(
            "Words of this key's request were erased, so that it cannot be compared with this one. "
            "What it recorded stands; it was not done again.",
            key=key.key,
        )
    if kept.request_digest != key.digest:
        raise KeyReused("This idempotency key was used for another request; take a new key.", key=key.key)
    return Answer(dict(kept.answer), replayed=True)


def keep(context: Context, memory: KeyMemory, document: Mapping[str, Any], suffix: str = "") -> None:
    """Keep the answer under this request's key, in the transaction of the effect; a dry run has none."""
    key = context.key
    if key is None or context.dry_run:
        return
    memory.remember(
        context.principal.id, key.method, key.path, key.key + suffix, key.digest, document, context.now
    )


def answered(context: Context, writer: PlantWriter | ServiceWriter, document: dict[str, Any]) -> Answer:
    """End a write: keep the answer under the request's key, and undo everything where it was a dry run."""
    keep(context, writer, document)
    if context.dry_run:
        writer.rollback_only()
    return Answer(document)
