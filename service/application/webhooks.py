"""Webhooks: register, change, remove, rotate the secret, send again, and see how far they are.

A webhook of one line belongs to that line: a token scoped to lines sees and changes those alone.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from service.application.context import (
    Answer,
    Context,
    Page,
    answered,
    keep,
    line_in_scope,
    nothing_there,
    plant_in_scope,
    recall,
    require,
)
from service.application.drafts import consequence
from service.application.preconditions import Precondition
from service.domain.events import Event
from service.domain.instants import format_instant
from service.domain.ports import PlantReader, PlantWriter, Record
from service.domain.webhooks import (
    MOST_REPLAYS,
    MOST_WEBHOOKS,
    OVERLAP,
    Delivery,
    Progress,
    Replay,
    Webhook,
    host_of,
    parse_target,
    secret_mark,
)
from service.errors import Conflict, Finding, InvalidDocument

Secrets = Callable[[str, int], str]  # webhook's id and number of the secret -> the secret

_FIELDS: Final = ("line", "hanger", "type")


@dataclass(frozen=True)
class Changed:
    """The answer to a PUT: its document, and the revision that stands now."""

    document: dict[str, Any]
    revision: int


def register_webhook(
    context: Context,
    plant: str,
    document: Mapping[str, Any],
    identifier: str,
    secrets: Secrets,
    allowed: Collection[str],
) -> Answer:
    """Register a webhook. Its secret is in this answer alone: a repeat tells everything but the secret.

    Args:
        document: url, filter, and the sequence from which it wants events; its own registration
            when left out
        identifier: id of the new webhook
        allowed: targets that the operator lets point inward

    Errors: InvalidDocument for a target that points inward, a line or hanger that is not there, or a
    start beyond the log; Conflict when the plant has as many as it may.
    """
    require(context, "write_webhooks")
    line_in_scope(context, plant, document.get("line"))
    parse_target(document["url"], allowed)
    with context.store.write(plant) as writer:
        kept = recall(context, writer)
        if kept is not None:
            return kept
        if len(writer.webhooks("", MOST_WEBHOOKS, None)) >= MOST_WEBHOOKS:
            raise Conflict("The plant has as many webhooks as it may.", accepted=MOST_WEBHOOKS)
        chosen = _filter(context, writer, document)
        start = _start(document, writer.size)
        secret = secrets(identifier, 1)
        row = Webhook(
            id=identifier,
            url=document["url"],
            **chosen,
            active=document.get("active", True),
            disabled=None,
            disabled_at=None,
            revision=1,
            generation=1,
            previous_until=None,
            secret_mark=secret_mark(secret),
            created_at=format_instant(context.now),
            created_by=context.principal.id,
        )
        event = _append(context, writer, "webhook-registered", row)
        writer.add_webhook(row, event.sequence if start is None else start)
        return _shown_once(context, writer, receipt(context, row, event), secret)


def list_webhooks(context: Context, plant: str, after: str, limit: int) -> Page:
    """Webhooks of the plant in scope, by id."""
    require(context, "read_webhooks")
    plant_in_scope(context, plant)
    with context.store.read(plant) as reader:
        rows = reader.webhooks(after, limit + 1, context.principal.lines)
    documents = [webhook_document(row) for row in rows[:limit]]
    return Page(documents, rows[limit - 1].id if len(rows) > limit else None)


def get_webhook(context: Context, plant: str, identifier: str) -> Webhook:
    """One webhook."""
    require(context, "read_webhooks")
    plant_in_scope(context, plant)
    with context.store.read(plant) as reader:
        return _found(context, reader, plant, identifier)


def put_webhook(
    context: Context,
    plant: str,
    identifier: str,
    document: Mapping[str, Any],
    precondition: Precondition,
    allowed: Collection[str],
) -> Changed:
    """Change a webhook's target, filter or activity. Its place in the log stays what it was.

    A new target, and being active again, have everything that waits tried at once. Errors: as for
    registering; NotFound, PreconditionRequired, PreconditionFailed.
    """
    require(context, "write_webhooks")
    plant_in_scope(context, plant)
    with context.store.write(plant) as writer:
        before = _found(context, writer, plant, identifier)
        line_in_scope(context, plant, document.get("line"))
        precondition.judge(_record(before))
        parse_target(document["url"], allowed)
        wanted = {"url": document["url"], "active": document["active"], **_filter(context, writer, document)}
        if all(getattr(before, name) == value for name, value in wanted.items()):
            return Changed(receipt(context, before, None), before.revision)
        activated = wanted["active"] and not before.active
        row = replace(before, **wanted, revision=before.revision + 1, disabled=None, disabled_at=None)
        event = _append(context, writer, "webhook-changed", row)
        writer.change_webhook(row, at_once=activated or row.url != before.url)
        if context.dry_run:
            writer.rollback_only()
        return Changed(receipt(context, row, event), row.revision)


def rotate_secret(context: Context, plant: str, identifier: str, secrets: Secrets) -> Answer:
    """Give a webhook a new secret, in this answer alone. The one before it signs too for 24 hours.

    A second rotation within that time ends the first secret at once.
    """
    require(context, "write_webhooks")
    plant_in_scope(context, plant)
    with context.store.write(plant) as writer:
        before = _found(context, writer, plant, identifier)
        kept = recall(context, writer)
        if kept is not None:
            return kept
        secret = secrets(identifier, before.generation + 1)
        row = replace(
            before,
            revision=before.revision + 1,
            generation=before.generation + 1,
            previous_until=format_instant(context.now + OVERLAP),
            secret_mark=secret_mark(secret),
        )
        event = _append(context, writer, "webhook-changed", row)
        writer.change_webhook(row, at_once=False)
        return _shown_once(context, writer, receipt(context, row, event), secret)


def remove_webhook(context: Context, plant: str, identifier: str) -> Answer:
    """End a webhook: nothing is sent from now on, and its URL is forgotten. The events stay."""
    require(context, "write_webhooks")
    plant_in_scope(context, plant)
    with context.store.write(plant) as writer:
        kept = recall(context, writer)
        if kept is not None:
            return kept
        before = _found(context, writer, plant, identifier)
        row = replace(before, active=False, revision=before.revision + 1)
        event = _append(context, writer, "webhook-removed", row)
        row = replace(row, url="")
        writer.remove_webhook(identifier, format_instant(context.now))
        return answered(context, writer, receipt(context, row, event))


def replay_events(context: Context, plant: str, identifier: str, document: Mapping[str, Any]) -> Answer:
    """Have events of a range sent once more, beside those that come anew.

    Errors: InvalidDocument for a range that is empty or beyond the log; Conflict when as many replays
    as may be are not finished.
    """
    require(context, "write_webhooks")
    plant_in_scope(context, plant)
    with context.store.write(plant) as writer:
        _found(context, writer, plant, identifier)
        kept = recall(context, writer)
        if kept is not None:
            return kept
        start, end = document["from"], document.get("until", writer.size)
        if end > writer.size:
            raise _refused("/until", "within-the-log", "not reached yet", f"1 to {writer.size}")
        if start >= end:
            raise _refused("/from", "range", "not before the end of the range", "a sequence before `until`")
        if writer.open_replays(identifier) >= MOST_REPLAYS:
            raise Conflict("As many replays as may be are not finished.", accepted=MOST_REPLAYS)
        made = writer.add_replay(identifier, start, end, format_instant(context.now), context.principal.id)
        return answered(context, writer, {**replay_document(made), "dry_run": context.dry_run})


def list_deliveries(
    context: Context, plant: str, identifier: str, replay: int, after: int, limit: int, outcome: str | None
) -> Page:
    """Deliveries of one pass, by sequence."""
    require(context, "read_webhooks")
    plant_in_scope(context, plant)
    with context.store.read(plant) as reader:
        _found(context, reader, plant, identifier)
        rows = reader.deliveries(identifier, replay, after, limit + 1, outcome)
    documents = [delivery_document(row) for row in rows[:limit]]
    return Page(documents, rows[limit - 1].sequence if len(rows) > limit else None)


def get_progress(context: Context, plant: str, identifier: str) -> dict[str, Any]:
    """How far a webhook is, what waits, and its replays."""
    require(context, "read_webhooks")
    plant_in_scope(context, plant)
    with context.store.read(plant) as reader:
        row = _found(context, reader, plant, identifier)
        progress = reader.webhook_progress(identifier)
    if progress is None:
        raise nothing_there()
    return progress_document(row, progress)


# --- documents ------------------------------------------------------------------------------------
def webhook_document(row: Webhook) -> dict[str, Any]:
    """A webhook as JSON, without its secret."""
    return {
        "id": row.id,
        "url": row.url,
        "line": row.line,
        "hanger": row.hanger,
        "type": row.type,
        "active": row.active,
        "disabled": row.disabled,
        "disabled_at": row.disabled_at,
        "revision": row.revision,
        "secret_generation": row.generation,
        "previous_secret_until": row.previous_until,
        "created_at": row.created_at,
        "created_by": row.created_by,
    }


def delivery_document(row: Delivery) -> dict[str, Any]:
    """A delivery as JSON."""
    return {
        "replay": row.replay,
        "sequence": row.sequence,
        "outcome": row.outcome,
        "attempts": row.attempts,
        "status": row.status,
        "cause": row.cause,
        "first_attempt_at": row.first_attempt_at,
        "last_attempt_at": row.last_attempt_at,
        "next_attempt_at": row.next_attempt_at,
    }


def replay_document(row: Replay) -> dict[str, Any]:
    """A replay as JSON."""
    return {
        "number": row.number,
        "from": row.start,
        "until": row.end,
        "next_sequence": row.cursor,
        "created_at": row.created_at,
        "created_by": row.created_by,
        "finished_at": row.finished_at,
    }


def progress_document(row: Webhook, progress: Progress) -> dict[str, Any]:
    """How far a webhook is, as JSON."""
    return {
        "webhook": row.id,
        "active": row.active,
        "next_sequence": progress.cursor,
        "log_size": progress.size,
        "behind": max(progress.size - progress.cursor, 0),
        "resting_until": progress.resume_at,
        "waiting": None if progress.waiting is None else delivery_document(progress.waiting),
        "replays": [replay_document(each) for each in progress.replays],
    }


def receipt(context: Context, row: Webhook, event: Event | None) -> dict[str, Any]:
    """What a write did: the webhook as it stands now, and the event that was written, None when none was."""
    return {
        "webhook": webhook_document(row),
        "secret": None,
        "event": None if event is None else event.as_document(),
        "leaf_hash": None if event is None else event.leaf_hash,
        "dry_run": context.dry_run,
    }


# --- parts ----------------------------------------------------------------------------------------
def _found(context: Context, reader: PlantReader, plant: str, identifier: str) -> Webhook:
    """The webhook, where there is one and it is in scope. Errors: NotFound."""
    row = reader.webhook(identifier)
    if row is None:
        raise nothing_there()
    line_in_scope(context, plant, row.line)
    return row


def _record(row: Webhook) -> Record:
    """The webhook as a record with a revision, for its precondition."""
    return Record("webhook", row.id, row.revision, 0, None, row.created_at, {})


def _append(context: Context, writer: PlantWriter, type: str, row: Webhook) -> Event:
    now = format_instant(context.now)
    return writer.append(
        consequence(context, type, f"webhook/{row.id}", row.line, now, row.as_data(host_of(row.url)))
    )


def _shown_once(context: Context, writer: PlantWriter, document: dict[str, Any], secret: str) -> Answer:
    """The answer with the secret; what is kept for a repeat, and a trial, have none."""
    keep(context, writer, document)
    if context.dry_run:
        writer.rollback_only()
        return Answer(document)
    return Answer({**document, "secret": secret})


def _filter(context: Context, reader: PlantReader, document: Mapping[str, Any]) -> dict[str, str | None]:
    """The filter, with keys as first spelt. Errors: InvalidDocument for one that could match nothing."""
    chosen: dict[str, str | None] = {name: document.get(name) for name in _FIELDS}
    line, mark = chosen["line"], chosen["hanger"]
    if line is not None:
        spelt = {key.casefold(): key for key in reader.line_keys(context.principal.lines)}
        if line.casefold() not in spelt:
            raise _refused("/line", "known-line", "no line has this key", "the key of a line of this plant")
        chosen["line"] = spelt[line.casefold()]
    if mark is not None:
        row = reader.hanger_row(mark)
        if row is None or not context.principal.sees_line(reader.plant, row.line):
            raise _refused(
                "/hanger", "known-hanger", "no hanger has this mark", "the mark of a hanger of this plant"
            )
        if line is not None and row.line.casefold() != line.casefold():
            raise _refused("/hanger", "of-the-line", f"belongs to line {row.line}", "a hanger of the line")
        chosen["hanger"] = row.mark
    return chosen


def _start(document: Mapping[str, Any], size: int) -> int | None:
    start: int | None = document.get("from")
    if start is not None and start > size:
        raise _refused("/from", "within-the-log", "not reached yet", f"0 to {size}")
    return start


def _refused(pointer: str, rule: str, detail: str, accepted: Any) -> InvalidDocument:
    return InvalidDocument(
        f"{pointer[1:]}: {detail}.", errors=[Finding("body", rule, detail, pointer, accepted=accepted)]
    )
