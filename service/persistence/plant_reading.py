"""Reading one plant: records, hangers, facts and views, now or as of a place in its log."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from functools import cache
from typing import Any, Final

import orjson
from sqlalchemy import (
    BindParameter,
    ColumnElement,
    Result,
    Row,
    Select,
    Table,
    and_,
    bindparam,
    func,
    or_,
    select,
    union,
)

from service.domain.facts import Fact, Facts
from service.domain.ports import HangerFilter, HangerRow, Record
from service.domain.views import HangerView, LineView
from service.persistence import filters
from service.persistence.identifiers import comparable
from service.persistence.log_reading import StoredLog
from service.persistence.projector import fact_from_text
from service.persistence.tables import (
    Position,
    events,
    external_ids,
    facts,
    hangers,
    memberships,
    records,
)
from service.persistence.webhooks import StoredWebhooks

_RECORD = (
    records.c.kind,
    records.c.spelling,
    records.c.revision,
    records.c.from_sequence,
    records.c.until_sequence,
    records.c.recorded_at,
    records.c.document,
)


# Each query is made once: making one anew costs more than running it. `past`: as of the sequence
# bound as `as_of`, else as it is now.
def _holds(table: Table, past: bool) -> ColumnElement[bool]:
    """Rows that hold now, or held just after the event `as_of`."""
    until = table.c.until_sequence
    if not past:
        return until.is_(None)
    as_of = bindparam("as_of", type_=Position)
    return and_(table.c.from_sequence <= as_of, or_(until.is_(None), until > as_of))


def _member_of_record(past: bool) -> ColumnElement[bool]:
    return and_(
        memberships.c.log == records.c.log,
        memberships.c.mark_key == records.c.key,
        _holds(memberships, past),
    )


@cache
def _record_query(of_hanger: bool, numbered: bool, past: bool) -> Select[Any]:
    query = select(*_RECORD, records.c.line)
    if numbered:
        query = query.where(records.c.revision == bindparam("revision"))
        if past:
            query = query.where(records.c.from_sequence <= bindparam("as_of", type_=Position))
    else:
        if of_hanger:
            query = select(*_RECORD, memberships.c.line).select_from(
                records.join(memberships, _member_of_record(past))
            )
        query = query.where(_holds(records, past))
    return query.where(
        records.c.log == bindparam("log"),
        records.c.kind == bindparam("kind"),
        records.c.key == bindparam("key"),
    )


@cache
def _members(of_line: bool, past: bool) -> Select[Any]:
    wanted = memberships.c.line_key if of_line else memberships.c.mark_key
    return (
        select(*_RECORD, records.c.key, memberships.c.line, memberships.c.retired_sequence)
        .select_from(memberships.join(records, _member_of_record(past)))
        .where(
            memberships.c.log == bindparam("log"),
            records.c.kind == "hanger",
            _holds(records, past),
            wanted == bindparam("key"),
        )
        .order_by(memberships.c.mark_key)
    )


@cache
def _facts_query(past: bool) -> Select[Any]:
    log: BindParameter[int] = bindparam("log")
    subjects: BindParameter[Any] = bindparam("subjects", expanding=True)
    if not past:
        return select(facts.c.subject, facts.c.name, facts.c.value).where(
            facts.c.log == log, facts.c.subject.in_(subjects), facts.c.until_sequence.is_(None)
        )
    # Each name that the subject ever had, and of each the last row not after `as_of`: an
    # index entry each, however many rows came since.
    as_of = bindparam("as_of", type_=Position)
    names = facts.alias("names")
    earlier = facts.alias("earlier")
    last = (
        select(func.max(earlier.c.from_sequence))
        .where(
            earlier.c.log == names.c.log,
            earlier.c.subject == names.c.subject,
            earlier.c.name == names.c.name,
            earlier.c.from_sequence <= as_of,
        )
        .correlate(names)
        .scalar_subquery()
    )
    same = and_(
        facts.c.log == names.c.log,
        facts.c.subject == names.c.subject,
        facts.c.name == names.c.name,
        facts.c.from_sequence == last,
    )
    return (
        select(facts.c.subject, facts.c.name, facts.c.value)
        .select_from(names.join(facts, same))
        .where(
            names.c.log == log,
            names.c.subject.in_(subjects),
            names.c.first,
            or_(facts.c.until_sequence.is_(None), facts.c.until_sequence > as_of),
        )
    )


_CURRENT: Final = and_(
    records.c.log == hangers.c.log,
    records.c.kind == "hanger",
    records.c.key == hangers.c.mark_key,
    records.c.revision == hangers.c.revision,
)
_HANGER_ROWS: Final = select(
    *_RECORD,
    hangers.c.mark,
    hangers.c.line,
    hangers.c.kind.label("hanger_kind"),
    hangers.c.state,
    hangers.c.changed,
    hangers.c.retired,
).select_from(hangers.join(records, _CURRENT))
_HANGER_ROW: Final = _HANGER_ROWS.where(
    hangers.c.log == bindparam("log"), hangers.c.mark_key == bindparam("key")
)
_LAST_AT: Final = (
    select(events.c.sequence)
    .where(events.c.log == bindparam("log"), events.c.recorded_at <= bindparam("instant"))
    .order_by(events.c.recorded_at.desc(), events.c.sequence.desc())
    .limit(1)
)
_RECORDED_AT: Final = select(events.c.recorded_at).where(
    events.c.log == bindparam("log"), events.c.sequence == bindparam("sequence")
)


def _record(row: Row[*tuple[Any, ...]], as_of: int | None = None) -> Record:
    until: int | None = row.until_sequence
    return Record(
        kind=row.kind,
        key=row.spelling,
        revision=row.revision,
        sequence=row.from_sequence,
        until=None if until is not None and as_of is not None and until > as_of else until,
        recorded_at=row.recorded_at,
        document=orjson.loads(row.document),
        line=row.line,
    )


class StoredPlant(StoredLog, StoredWebhooks):
    """One plant within one transaction. Implements `ports.PlantReader`."""

    @property
    def plant(self) -> str:
        """The plant's key as first spelt."""
        assert self.head.plant is not None
        return self.head.plant

    # --- records ----------------------------------------------------------------------------------
    def record(
        self, kind: str, key: str, revision: int | None = None, as_of: int | None = None
    ) -> Record | None:
        """A record: its current revision, or the one numbered, or the one in force as of a sequence.

        A hanger's `line` is the line that it belongs to then; for a numbered revision, the line that
        it belonged to when that revision was written.
        """
        query = _record_query(kind == "hanger", revision is not None, as_of is not None)
        wanted: dict[str, Any] = {"log": self.log, "kind": kind, "key": key.casefold()}
        if revision is not None:
            wanted["revision"] = revision
        if as_of is not None:
            wanted["as_of"] = as_of
        row = self.connection.execute(query, wanted).one_or_none()
        return None if row is None else _record(row, as_of)

    def revisions(self, kind: str, key: str, after: int, limit: int) -> Sequence[Record]:
        """Revisions numbered above `after`, ascending."""
        rows = self.connection.execute(
            select(*_RECORD, records.c.line)
            .where(
                records.c.log == self.log,
                records.c.kind == kind,
                records.c.key == key.casefold(),
                records.c.revision > after,
            )
            .order_by(records.c.revision)
            .limit(limit)
        )
        return [_record(row) for row in rows]

    def lines(self, after: str, limit: int, scope: frozenset[str] | None) -> Sequence[Record]:
        """Current line records with folded key above `after`, ascending."""
        query = select(*_RECORD, records.c.line).where(
            records.c.log == self.log,
            records.c.kind == "line",
            records.c.key > after,
            records.c.until_sequence.is_(None),
        )
        if scope is not None:
            query = query.where(records.c.key.in_(filters.folded(scope)))
        return [_record(row) for row in self.connection.execute(query.order_by(records.c.key).limit(limit))]

    def line_keys(self, scope: frozenset[str] | None) -> Sequence[str]:
        """Keys of every line that has a record or a hanger, as first spelt, in folded order."""
        recorded = select(records.c.key.label("key"), records.c.spelling.label("line")).where(
            records.c.log == self.log, records.c.kind == "line", records.c.until_sequence.is_(None)
        )
        with_hangers = select(hangers.c.line_key.label("key"), hangers.c.line).where(
            hangers.c.log == self.log
        )
        keys = {row.key: row.line for row in self.connection.execute(union(with_hangers, recorded))}
        wanted = None if scope is None else set(filters.folded(scope))
        return [keys[key] for key in sorted(keys) if wanted is None or key in wanted]

    # --- hangers ----------------------------------------------------------------------------------
    def hangers(self, wanted: HangerFilter, after: str, limit: int) -> Sequence[HangerRow]:
        """Current hangers that the filter lets through with folded mark above `after`, ascending."""
        query = _HANGER_ROWS.where(*filters.hanger_conditions(self.log, wanted, after))
        rows = self.connection.execute(query.order_by(hangers.c.mark_key).limit(limit))
        return [_hanger_row(row) for row in rows]

    def hanger_row(self, mark: str) -> HangerRow | None:
        """The current row of one hanger, retired or not, or None."""
        row = self.connection.execute(_HANGER_ROW, {"log": self.log, "key": mark.casefold()}).one_or_none()
        return None if row is None else _hanger_row(row)

    def external_id_owner(self, source: str, identifier: str) -> str | None:
        """Mark that holds this external id, or None."""
        owner: str | None = self.connection.execute(
            select(hangers.c.mark)
            .join(
                external_ids,
                and_(external_ids.c.log == hangers.c.log, external_ids.c.mark_key == hangers.c.mark_key),
            )
            .where(
                external_ids.c.log == self.log,
                external_ids.c.source == source,
                external_ids.c.identifier == identifier,
            )
        ).scalar()
        return owner

    # --- views --------------------------------------------------------------------------------------
    def facts(self, subject: str, as_of: int | None = None) -> Facts:
        """Facts of one subject."""
        return self._facts([subject.casefold()], as_of).get(subject.casefold(), {})

    def hanger_view(self, mark: str, as_of: int | None = None) -> HangerView | None:
        """A hanger, retired or not; None when it had no record as of then."""
        row = self._members(False, mark.casefold(), as_of).one_or_none()
        if row is None:
            return None
        subject = f"hanger/{row.key}"
        return _hanger_view(row, self._facts([subject], as_of).get(subject, {}), as_of)

    def line_view(self, line: str, as_of: int | None = None) -> LineView | None:
        """A line with its hangers; None when it has neither record nor hanger as of then.

        Three queries, however many hangers and however long their history.
        """
        key = line.casefold()
        record = self.record("line", line, as_of=as_of)
        rows = self._members(True, key, as_of).all()
        if record is None and not rows:
            return None
        kept = [row for row in rows if not _retired(row, as_of)]
        known = self._facts([f"line/{key}", *(f"hanger/{row.key}" for row in kept)], as_of)
        return LineView(
            plant=self.plant,
            line=rows[0].line if record is None else record.key,
            record=None if record is None else record.document,
            revision=0 if record is None else record.revision,
            record_sequence=None if record is None else record.sequence,
            facts=known.get(f"line/{key}", {}),
            hangers=tuple(_hanger_view(row, known.get(f"hanger/{row.key}", {}), as_of) for row in kept),
            sequence=self.size - 1 if as_of is None else min(as_of, self.size - 1),
        )

    def _members(self, of_line: bool, key: str, as_of: int | None) -> Result[Any]:
        """Hangers of a line, or the one with a mark, each with its record as of then."""
        wanted: dict[str, Any] = {"log": self.log, "key": key}
        if as_of is not None:
            wanted["as_of"] = as_of
        return self.connection.execute(_members(of_line, as_of is not None), wanted)

    def _facts(self, subjects: Sequence[str], as_of: int | None) -> Mapping[str, Facts]:
        wanted: dict[str, Any] = {"log": self.log, "subjects": list(subjects)}
        if as_of is not None:
            wanted["as_of"] = as_of
        return _by_subject(self.connection.execute(_facts_query(as_of is not None), wanted))

    # --- places and times ------------------------------------------------------------------------------
    def sequence_at(self, instant: datetime) -> int:
        """Last sequence with recorded_at <= instant, -1 when none."""
        found: int | None = self.connection.execute(
            _LAST_AT, {"log": self.log, "instant": comparable(instant)}
        ).scalar()
        return -1 if found is None else found

    def recorded_at(self, sequence: int) -> str | None:
        """When the event at this place was recorded, or None where there is none."""
        found: str | None = self.connection.execute(
            _RECORDED_AT, {"log": self.log, "sequence": sequence}
        ).scalar()
        return found


def _by_subject(rows: Iterable[Row[*tuple[Any, ...]]]) -> Mapping[str, Facts]:
    known: dict[str, dict[str, Fact]] = {}
    for subject, name, value in rows:
        known.setdefault(subject, {})[name] = fact_from_text(value)
    return known


def _hanger_row(row: Row[*tuple[Any, ...]]) -> HangerRow:
    return HangerRow(
        record=_record(row),
        mark=row.mark,
        line=row.line,
        kind=row.hanger_kind,
        state=row.state,
        changed=row.changed,
        retired=row.retired,
    )


def _retired(row: Row[*tuple[Any, ...]], as_of: int | None) -> bool:
    return row.retired_sequence is not None and (as_of is None or row.retired_sequence <= as_of)


def _hanger_view(row: Row[*tuple[Any, ...]], known: Facts, as_of: int | None) -> HangerView:
    document = orjson.loads(row.document)
    return HangerView(
        mark=row.spelling,
        line=row.line,
        kind=document["kind"],
        record=document,
        revision=row.revision,
        record_sequence=row.from_sequence,
        facts=known,
        retired=_retired(row, as_of),
    )
