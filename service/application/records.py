"""Plants, lines and their revisions: put, get, list."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

from service.application.context import (
    Context,
    Page,
    line_in_scope,
    nothing_there,
    plant_in_scope,
    require,
)
from service.application.drafts import consequence
from service.application.preconditions import Precondition
from service.application.settle import AT_WORK, HELD_BY_RECORD, end_authorisation, hold, settle_line
from service.canonical import CanonicalError, canonical_bytes
from service.domain.criteria import Criteria, default_criteria
from service.domain.events import Event
from service.domain.instants import format_instant
from service.domain.ports import PlantReader, PlantWriter, Record
from service.domain.release.safety_fields import changed_safety_fields
from service.errors import DuplicateKey, Finding, InvalidDocument, NotFound
from service.schema_files import load_schemas

# x-safety fields of a line by which its hangers were confirmed and proved: the weight that the springs
# were set for, and what counts as cold and as hot.
PROOF_RESTS_ON: Final = frozenset({"/weight_basis", "/cold_range", "/design_temperature"})


@dataclass(frozen=True)
class Written:
    """The answer to a PUT. sequence, leaf_hash: of the event written, None when nothing changed.

    invalidated: decisions that no longer stand, and the x-safety fields whose change undid them.
    """

    document: Mapping[str, Any]
    revision: int
    sequence: int | None
    created: bool
    changed: bool
    consequences: list[dict[str, Any]] = field(default_factory=list)
    safety_fields: list[str] = field(default_factory=list)
    leaf_hash: str | None = None


def same_key(document: Mapping[str, Any], name: str, key: str) -> None:
    """A key inside the body must be the key of the path, letter by letter. Errors: InvalidDocument."""
    stated = document.get(name)
    if stated is not None and stated != key:
        raise InvalidDocument(
            f"{name} in the body differs from the path.",
            errors=[
                Finding("body", "same-as-path", f"{name} differs from the path", f"/{name}", accepted=key)
            ],
        )


def same_document(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    """Whether JSON holds two documents for equal: 12 and 12.0 are, 1 and true are not."""
    return canonical_bytes(one) == canonical_bytes(other)


def record_event(
    context: Context,
    writer: PlantWriter,
    kind: str,
    key: str,
    line: str | None,
    document: Mapping[str, Any],
    revision: int,
) -> Event:
    """Append the event that writes a revision of a record."""
    subject = {"plant": "plant", "criteria": "criteria"}.get(kind, f"{kind}/{key}")
    data = {"revision": revision, "document": dict(document)}
    now = format_instant(context.now)
    return writer.append(consequence(context, f"{kind}-recorded", subject, line, now, data))


def safety_changes(name: str, old: Mapping[str, Any], new: Mapping[str, Any]) -> list[str]:
    """JSON pointers of x-safety fields that differ between two documents of one schema."""
    return list(changed_safety_fields(old, new, load_schemas()[name]))


def finish(context: Context, writer: PlantWriter) -> None:
    """Undo everything at the end of the transaction where it is a trial."""
    if context.dry_run:
        writer.rollback_only()


# --- plants ---------------------------------------------------------------------------------------
def put_plant(
    context: Context, plant: str, document: Mapping[str, Any], precondition: Precondition
) -> Written:
    """Open a plant with its own log, or revise its record. Administrator only."""
    require(context, "write_plants")
    plant_in_scope(context, plant)
    if context.principal.lines is not None:
        raise nothing_there()
    try:
        with context.store.write(plant) as writer:
            return write_plain(context, writer, "plant", writer.plant, None, document, precondition)
    except NotFound:
        precondition.judge(None)
        same_key(document, "plant", plant)
        _keepable(document)
    if context.dry_run:
        return Written(document, 1, 0, created=True, changed=True)
    _open(context, plant)
    with context.store.write(plant) as writer:
        if writer.record("plant", writer.plant) is not None:
            raise DuplicateKey("Another request opened this plant at the same time.", plant=plant)
        return write_plain(context, writer, "plant", writer.plant, None, document, precondition)


def _keepable(document: Mapping[str, Any]) -> None:
    """Refuse what the log cannot hold before a log is made for it. Errors: InvalidDocument."""
    try:
        canonical_bytes(document)
    except CanonicalError as error:
        raise InvalidDocument(f"The document cannot be kept: {error}.") from error


def _open(context: Context, plant: str) -> None:
    """Open the plant's log; a log left without its record by a crash is taken up again."""
    with context.store.write_service() as service:
        service.open_plant(plant)
        event = consequence(
            context, "plant-opened", "service/plants", None, format_instant(context.now), {"plant": plant}
        )
        service.append(event)


def write_plain(
    context: Context,
    writer: PlantWriter,
    kind: str,
    key: str,
    line: str | None,
    document: Mapping[str, Any],
    precondition: Precondition,
) -> Written:
    """Write a record; what follows elsewhere is the caller's."""
    current = writer.record(kind, key)
    precondition.judge(current)
    if kind in ("plant", "line", "line-model"):
        same_key(document, kind.removesuffix("-model"), key)
    same_key(document, "plant", writer.plant)
    if current is not None and same_document(current.document, document):
        return Written(current.document, current.revision, None, created=False, changed=False)
    revision = 1 if current is None else current.revision + 1
    event = record_event(context, writer, kind, key, line, document, revision)
    finish(context, writer)
    return Written(
        document,
        revision,
        event.sequence,
        created=current is None,
        changed=True,
        leaf_hash=event.leaf_hash,
    )


def get_plant(context: Context, plant: str) -> Record:
    """The plant's current record."""
    require(context, "read")
    plant_in_scope(context, plant)
    with context.store.read(plant) as reader:
        return found(reader.record("plant", reader.plant))


def list_plants(context: Context, after: str, limit: int) -> Page:
    """Plants in scope, by key."""
    require(context, "read")
    keys = context.store.plants(after, limit + 1, context.principal.plants)
    records = []
    for key in keys[:limit]:
        with context.store.read(key) as reader:
            record = reader.record("plant", reader.plant)
            if record is not None:
                records.append(record)
    return Page(records, keys[limit - 1].casefold() if len(keys) > limit else None)


# --- lines ----------------------------------------------------------------------------------------
def put_line(
    context: Context, plant: str, line: str, document: Mapping[str, Any], precondition: Precondition
) -> Written:
    """Create or revise a line. A changed x-safety field ends the line's authorisation and holds work.

    Where it is one on which confirmation or proof rests, released and proved hangers are held too.
    """
    require(context, "write_lines")
    line_in_scope(context, plant, line)
    with context.store.write(plant) as writer:
        current = writer.record("line", line)
        if current is None and context.principal.lines is not None:
            raise nothing_there()
        key = current.key if current else line
        written = write_plain(context, writer, "line", key, key, document, precondition)
        if not written.changed or written.sequence is None:
            return written
        changed = safety_changes("line-record", current.document, document) if current else []
        made: list[Event] = []
        view = writer.line_view(key)
        if changed and view is not None:
            held = HELD_BY_RECORD if PROOF_RESTS_ON.intersection(changed) else AT_WORK
            made += end_authorisation(context, writer, view, "record-changed", written.sequence)
            made += hold(context, writer, view.hangers, held, "record-changed", written.sequence)
        made += settle_line(context, writer, key, written.sequence)
        finish(context, writer)
        consequences = [event.as_document() for event in made]
        return replace(written, consequences=consequences, safety_fields=changed)


def get_line(context: Context, plant: str, line: str) -> Record:
    """The line's current record."""
    require(context, "read")
    line_in_scope(context, plant, line)
    with context.store.read(plant) as reader:
        return found(reader.record("line", line))


def list_lines(context: Context, plant: str, after: str, limit: int) -> Page:
    """Lines of the plant in scope, by key."""
    require(context, "read")
    plant_in_scope(context, plant)
    with context.store.read(plant) as reader:
        rows = reader.lines(after, limit + 1, context.principal.lines)
    return Page(rows[:limit], rows[limit - 1].key.casefold() if len(rows) > limit else None)


# --- criteria -------------------------------------------------------------------------------------
def get_criteria(context: Context, plant: str) -> Record:
    """The plant's criteria; revision 0, the defaults, where the plant has set none."""
    require(context, "read")
    plant_in_scope(context, plant)
    with context.store.read(plant) as reader:
        return _criteria(reader)


def _criteria(reader: PlantReader) -> Record:
    return reader.record("criteria", reader.plant) or _default_criteria(reader)


def _default_criteria(reader: PlantReader) -> Record:
    return Record("criteria", reader.plant, 0, -1, None, "", default_criteria())


def put_criteria(
    context: Context, plant: str, document: Mapping[str, Any], precondition: Precondition
) -> Written:
    """Revise the plant's criteria; lines whose readiness that takes away lose their authorisation."""
    require(context, "write_criteria")
    plant_in_scope(context, plant)
    if context.principal.lines is not None:
        raise nothing_there()
    with context.store.write(plant) as writer:
        current = _criteria(writer)
        precondition.judge(current)
        if same_document(current.document, document):
            return Written(current.document, current.revision, None, created=False, changed=False)
        revision = current.revision + 1
        Criteria.from_document(document)  # what contradicts itself is refused before it is written
        event = record_event(context, writer, "criteria", writer.plant, None, document, revision)
        made: list[Event] = []
        for key in writer.line_keys(None):
            made += settle_line(context, writer, key, event.sequence)
        finish(context, writer)
        return Written(
            document,
            revision,
            event.sequence,
            created=revision == 1,
            changed=True,
            consequences=[caused.as_document() for caused in made],
            leaf_hash=event.leaf_hash,
        )


# --- revisions ------------------------------------------------------------------------------------
def list_revisions(context: Context, plant: str, kind: str, key: str, after: int, limit: int) -> Page:
    """Revisions of one record, ascending."""
    require(context, "read")
    plant_in_scope(context, plant)
    with context.store.read(plant) as reader:
        if kind != "criteria":  # a plant that has set none has none to list
            found(_visible(context, reader, kind, key))
        rows = reader.revisions(kind, key, after, limit + 1)
    return Page(rows[:limit], rows[limit - 1].revision if len(rows) > limit else None)


def get_revision(context: Context, plant: str, kind: str, key: str, revision: int) -> Record:
    """One revision of one record, as it was written."""
    require(context, "read")
    plant_in_scope(context, plant)
    with context.store.read(plant) as reader:
        if kind == "criteria" and revision == 0:
            return _default_criteria(reader)
        found(_visible(context, reader, kind, key))
        return found(reader.record(kind, key, revision=revision))


def _visible(context: Context, reader: PlantReader, kind: str, key: str) -> Record | None:
    """The current record when the caller may see it."""
    record = reader.record(kind, key)
    if record is None:
        return None
    if kind in ("line", "line-model") and not context.principal.sees_line(reader.plant, record.key):
        return None
    if kind == "hanger" and not context.principal.sees_line(reader.plant, record.line):
        return None
    return record


def found(record: Record | None) -> Record:
    """The record, or the answer for absent and hidden. Errors: NotFound."""
    if record is None:
        raise nothing_there()
    return record
