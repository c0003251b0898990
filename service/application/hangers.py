"""Hanger records: put, get, list, bulk, transfer and retirement."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import partial
from itertools import islice
from typing import Any, Final

from service.application.context import (
    Answer,
    Context,
    Page,
    answered,
    keep,
    nothing_there,
    plant_in_scope,
    recall,
    require,
)
from service.application.drafts import consequence, draft, occurred, receipt, unused_client_event
from service.application.preconditions import Precondition
from service.application.records import Written, record_event, safety_changes, same_document, same_key
from service.application.settle import AT_WORK, HELD_BY_RECORD, end_authorisation, hold, move, settle_line
from service.domain.events import Event
from service.domain.ports import HangerFilter, HangerRow, PlantReader, PlantWriter, Record
from service.errors import (
    Conflict,
    DuplicateKey,
    Finding,
    InvalidDocument,
    LogCorrupt,
    ServiceError,
    StoreBusy,
    StoreFull,
    SubjectRetired,
)

ROWS_PER_TRANSACTION: Final = 500


def hanger_in_scope(context: Context, reader: PlantReader, mark: str) -> HangerRow:
    """The hanger's row when it exists and its line is in scope. Errors: NotFound for both alike."""
    row = reader.hanger_row(mark)
    if row is None or not context.principal.sees_line(reader.plant, row.line):
        raise nothing_there()
    return row


# --- one record -----------------------------------------------------------------------------------
def put_hanger(
    context: Context, plant: str, mark: str, document: Mapping[str, Any], precondition: Precondition
) -> Written:
    """Create or revise a hanger record. A changed x-safety field undoes what rests on it."""
    require(context, "write_records")
    plant_in_scope(context, plant)
    with context.store.write(plant) as writer:
        written = _store(context, writer, mark, document, precondition)
        made = list(written.consequences)
        if written.sequence is not None:
            settled = settle_line(context, writer, document["line"], written.sequence)
            made += [event.as_document() for event in settled]
        if context.dry_run:
            writer.rollback_only()
    return replace(written, consequences=made)


def _store(
    context: Context, writer: PlantWriter, mark: str, document: Mapping[str, Any], precondition: Precondition
) -> Written:
    """Write one record; every refusal comes before the first event."""
    row = writer.hanger_row(mark)
    if row is None and context.principal.lines is not None:
        raise nothing_there()
    if row is not None and not context.principal.sees_line(writer.plant, row.line):
        raise nothing_there()
    precondition.judge(row.record if row else None)
    key = row.mark if row else mark
    same_key(document, "mark", key)
    same_key(document, "plant", writer.plant)
    line = _line_key(context, writer, document["line"], "/line")
    if row is not None:
        if row.retired:
            raise SubjectRetired(f"{key} is retired; its record stays as it was.", mark=key)
        if line != row.line:
            raise Conflict(
                "A hanger changes its line by a transfer, not by its record.",
                errors=[
                    Finding(
                        "body",
                        "line-by-transfer",
                        "the line differs from the present one",
                        "/line",
                        accepted=row.line,
                    )
                ],
            )
        if same_document(row.record.document, document):
            return Written(row.record.document, row.record.revision, None, False, False)
    _external_ids_free(writer, key, document)
    revision = 1 if row is None else row.record.revision + 1
    changed = [] if row is None else safety_changes("hanger-record", row.record.document, document)
    event = record_event(context, writer, "hanger", key, line, document, revision)
    made: list[Event] = []
    view = writer.line_view(line) if changed else None
    hanger = view.hanger(key) if view else None
    if view is not None and hanger is not None:
        made += end_authorisation(context, writer, view, "record-changed", event.sequence)
        made += hold(context, writer, [hanger], HELD_BY_RECORD, "record-changed", event.sequence)
    consequences = [caused.as_document() for caused in made]
    return Written(
        document, revision, event.sequence, row is None, True, consequences, changed, event.leaf_hash
    )


def _line_key(context: Context, reader: PlantReader, line: str, pointer: str) -> str:
    """The line as registered. Errors: InvalidDocument where the caller sees no such line in the plant."""
    record = reader.record("line", line)
    if record is None or not context.principal.sees_line(reader.plant, record.key):
        detail, accepted = "no such line in this plant", "the key of a registered line"
    elif record.key != line:
        detail, accepted = "the line is registered in another letter case", record.key
    else:
        return record.key
    raise InvalidDocument(
        f"{line} is not the key of a line: {detail}.",
        errors=[Finding("body", "known-line", detail, pointer, accepted=accepted)],
    )


def _external_ids_free(writer: PlantReader, mark: str, document: Mapping[str, Any]) -> None:
    seen: set[tuple[str, str]] = set()
    for place, item in enumerate(document.get("external_ids", ())):
        pair = (item["source"], item["id"])
        owner = writer.external_id_owner(*pair)
        if pair in seen or (owner is not None and owner.casefold() != mark.casefold()):
            raise DuplicateKey(
                "An external id names one hanger of the plant.",
                errors=[
                    Finding(
                        "body",
                        "unique-external-id",
                        "this id belongs to another hanger",
                        f"/external_ids/{place}",
                        accepted="an id that no other hanger of the plant holds within its source",
                    )
                ],
            )  # fmt: skip
        seen.add(pair)


def get_hanger(context: Context, plant: str, mark: str) -> Record:
    """The hanger's current record."""
    require(context, "read")
    plant_in_scope(context, plant)
    with context.store.read(plant) as reader:
        return hanger_in_scope(context, reader, mark).record


def list_hangers(context: Context, plant: str, wanted: HangerFilter, after: str, limit: int) -> Page:
    """Hangers of the plant in scope, by mark. wanted.lines is set from the scope here."""
    require(context, "read")
    plant_in_scope(context, plant)
    scoped = replace(wanted, lines=context.principal.lines)
    with context.store.read(plant) as reader:
        rows = reader.hangers(scoped, after, limit + 1)
    return Page(rows[:limit], rows[limit - 1].mark.casefold() if len(rows) > limit else None)


# --- bulk -----------------------------------------------------------------------------------------
@dataclass(frozen=True)
class BulkRow:
    """One row: its number in the body from 1, and either what it holds or why it could not be read."""

    line: int
    document: Mapping[str, Any] | None = None
    if_revision: int | None = None
    problem: Mapping[str, Any] | None = None


def error_document(error: ServiceError) -> dict[str, Any]:
    """An error as plain JSON; the edge adds status and type."""
    return {
        "code": error.code,
        "title": error.title,
        "detail": error.detail,
        "errors": [finding.as_document() for finding in error.errors],
        "facts": dict(error.facts),
    }


def bulk_hangers(
    context: Context, plant: str, rows: Iterable[BulkRow], atomic: bool
) -> Iterator[dict[str, Any]]:
    """Write many records: 500 rows a transaction, or all or nothing.

    Yields one outcome per row: line, status (created, revised, unchanged, refused, not_written),
    mark, revision, sequence, problem. A retry with the same key replays what was committed.
    """
    require(context, "write_records")
    plant_in_scope(context, plant)
    with context.store.read(plant):
        pass  # an absent plant is refused before the first row is answered
    return _bulk(context, plant, iter(rows), atomic)


def _bulk(context: Context, plant: str, rows: Iterator[BulkRow], atomic: bool) -> Iterator[dict[str, Any]]:
    number = 0
    # A dry run is undone as a whole, so that each row is judged after all those before it.
    rows_at_once = None if atomic or context.dry_run else ROWS_PER_TRANSACTION
    while chunk := list(islice(rows, rows_at_once)):
        write = partial(_write_chunk, context, plant, chunk, f"#{number}", atomic)
        # Chunks before this one may have been answered, so that the request as a whole cannot run again.
        yield from context.again(write)
        number += 1


def _write_chunk(
    context: Context, plant: str, chunk: list[BulkRow], suffix: str, atomic: bool
) -> list[dict[str, Any]]:
    """One transaction of a bulk. suffix: tells its answer from the other chunks' under the one key."""
    with context.store.write(plant) as writer:
        kept = recall(context, writer, suffix)
        if kept is not None:
            outcomes: list[dict[str, Any]] = kept.document["rows"]
        else:
            outcomes = _chunk(context, writer, chunk)
            if atomic and any(outcome["status"] == "refused" for outcome in outcomes):
                writer.rollback_only()
                outcomes = [_undone(outcome) for outcome in outcomes]
            else:
                keep(context, writer, {"rows": outcomes}, suffix)
        if context.dry_run:
            writer.rollback_only()
    return outcomes


def _undone(outcome: dict[str, Any]) -> dict[str, Any]:
    """The outcome of a row whose transaction is undone because another row was refused."""
    if outcome["status"] == "refused":
        return outcome
    return {**outcome, "status": "not_written", "revision": None, "sequence": None}


def _chunk(context: Context, writer: PlantWriter, chunk: list[BulkRow]) -> list[dict[str, Any]]:
    outcomes = []
    touched: dict[str, int] = {}
    for row in chunk:
        outcome = _row(context, writer, row)
        outcomes.append(outcome)
        if row.document is not None and outcome["sequence"] is not None:
            touched[row.document["line"]] = outcome["sequence"]
    for line, sequence in touched.items():
        settle_line(context, writer, line, sequence)
    return outcomes


def _row(context: Context, writer: PlantWriter, row: BulkRow) -> dict[str, Any]:
    blank: dict[str, Any] = {"line": row.line, "mark": None, "revision": None, "sequence": None}
    if row.document is None:
        return {**blank, "status": "refused", "problem": row.problem}
    mark = row.document["mark"]
    blank["mark"] = mark
    try:
        written = _store(context, writer, mark, row.document, _row_precondition(writer, row))
    except (StoreBusy, StoreFull, LogCorrupt):
        raise  # the store's troubles are not the row's
    except ServiceError as error:
        return {**blank, "status": "refused", "problem": error_document(error)}
    status = "created" if written.created else "revised" if written.changed else "unchanged"
    return {**blank, "status": status, "revision": written.revision, "sequence": written.sequence}


def _row_precondition(writer: PlantWriter, row: BulkRow) -> Precondition:
    """A row states the revision it expects (0: none), or takes whatever is there."""
    if row.if_revision is None:
        exists = row.document is not None and writer.hanger_row(row.document["mark"]) is not None
        return Precondition(any_revision=exists, must_be_absent=not exists)
    if row.if_revision == 0:
        return Precondition(must_be_absent=True)
    return Precondition(if_match=(row.if_revision,))


# --- transfer, retirement -------------------------------------------------------------------------
def transfer_hanger(context: Context, plant: str, mark: str, document: Mapping[str, Any]) -> Answer:
    """Move a hanger to another line: both lose their authorisation, work at the hanger is held."""
    require(context, "transfer")
    plant_in_scope(context, plant)
    occurred(context, document)
    with context.store.write(plant) as writer:
        row = hanger_in_scope(context, writer, mark)
        kept = recall(context, writer)
        if kept is not None:
            return kept
        target = _line_key(context, writer, document["to_line"], "/to_line")
        if row.retired:
            raise SubjectRetired(f"{row.mark} is retired.", mark=row.mark)
        if target == row.line:
            raise Conflict(f"{row.mark} belongs to {row.line} already.", line=row.line)
        unused_client_event(context, writer, document)
        subject = f"hanger/{row.mark}"
        event = writer.append(
            draft(context, "hanger-transferred", subject, row.line, document, from_line=row.line)
        )
        made = _leave(context, writer, row, "transfer", event)
        record = {**row.record.document, "line": target}
        made.append(
            record_event(context, writer, "hanger", row.mark, target, record, row.record.revision + 1)
        )
        made += _register(context, writer, target, "transferred_in", row.mark, event)
        return answered(context, writer, receipt(context, event, made, state=state_of(writer, row.mark)))


def retire_hanger(context: Context, plant: str, mark: str, document: Mapping[str, Any]) -> Answer:
    """Take a hanger out of service. Its line loses its authorisation; its record and history stay."""
    require(context, "retire")
    plant_in_scope(context, plant)
    occurred(context, document)
    with context.store.write(plant) as writer:
        row = hanger_in_scope(context, writer, mark)
        kept = recall(context, writer)
        if kept is not None:
            return kept
        if row.retired:
            raise SubjectRetired(f"{row.mark} is retired already.", mark=row.mark)
        unused_client_event(context, writer, document)
        event = writer.append(draft(context, "hanger-retired", f"hanger/{row.mark}", row.line, document))
        made = _leave(context, writer, row, "retirement", event)
        return answered(context, writer, receipt(context, event, made, state=state_of(writer, row.mark)))


def _leave(context: Context, writer: PlantWriter, row: HangerRow, cause: str, event: Event) -> list[Event]:
    """Undo what rests on the hanger on the line that it leaves."""
    made: list[Event] = []
    hanger = writer.hanger_view(row.mark)
    if hanger is not None and row.state == "cleared":
        made.append(move(context, writer, hanger, "lapse", "locked", cause, event.sequence))
    elif hanger is not None and cause == "transfer":
        made += hold(context, writer, [hanger], HELD_BY_RECORD, cause, event.sequence)
    change = "transferred_out" if cause == "transfer" else "retired"
    return made + _register(context, writer, row.line, change, row.mark, event)


def _register(
    context: Context, writer: PlantWriter, line: str, change: str, mark: str, event: Event
) -> list[Event]:
    """Tell a line that its register changed; its authorisation ends, and work on it is held."""
    data = {"change": change, "mark": mark, "caused_by": event.sequence}
    made = [
        writer.append(consequence(context, "register-changed", f"line/{line}", line, event.occurred_at, data))
    ]
    view = writer.line_view(line)
    if view is not None:
        made += end_authorisation(context, writer, view, "register-changed", event.sequence)
        made += hold(context, writer, view.hangers, AT_WORK, "register-changed", event.sequence)
    return made


def state_of(reader: PlantReader, mark: str) -> str | None:
    """Release state of a hanger by its row, or None."""
    row = reader.hanger_row(mark)
    return row.state if row else None
