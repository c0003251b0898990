"""Projections: what the tables say after one more event, worked out first and written afterwards.

Working out reads and may refuse; it writes nothing, so that a refused event leaves no trace in a
transaction that goes on. The same code serves an append and the rebuild, which gives it other tables.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import orjson
from sqlalchemy import BindParameter, Connection, Table, and_, bindparam, delete, insert, select, update
from sqlalchemy.sql import Executable

from service.canonical import lossless_text
from service.domain.events import Event
from service.domain.facts import Fact, Facts
from service.domain.views import INITIAL_STATUS
from service.errors import DuplicateKey, PreconditionFailed
from service.persistence import tables
from service.persistence.folding import FoldTable

RECORD_KINDS: Final[Mapping[str, str]] = {
    "plant-recorded": "plant",
    "line-recorded": "line",
    "hanger-recorded": "hanger",
    "criteria-recorded": "criteria",
    "line-model-recorded": "line-model",
}


@dataclass(frozen=True)
class ProjectionTables:
    """The tables to write: the store's own, or those of a rebuild."""

    records: Table = tables.records
    hangers: Table = tables.hangers
    external_ids: Table = tables.external_ids
    memberships: Table = tables.memberships
    facts: Table = tables.facts


class _Statements:
    """The statements on one set of tables, made once: making one anew costs more than running it."""

    def __init__(self, at: ProjectionTables) -> None:
        records, hangers, names, members, facts = (
            at.records,
            at.hangers,
            at.external_ids,
            at.memberships,
            at.facts,
        )
        log: BindParameter[int] = bindparam("of_log")
        record = (
            records.c.log == log,
            records.c.kind == bindparam("of_kind"),
            records.c.key == bindparam("of_key"),
        )
        current = records.c.until_sequence.is_(None)
        self.line_of_records = select(records.c.spelling).where(*record).order_by(records.c.revision).limit(1)
        self.line_of_members = (
            select(members.c.line)
            .where(members.c.log == log, members.c.line_key == bindparam("of_key"))
            .order_by(members.c.from_sequence)
            .limit(1)
        )
        self.revision = select(records.c.revision).where(*record, current)
        self.end_record = update(records).where(*record, current).values(until_sequence=bindparam("sequence"))
        self.add_record = insert(records)
        subject = (facts.c.log == log, facts.c.subject == bindparam("of_subject"))
        holds = facts.c.until_sequence.is_(None)
        self.facts = select(facts.c.name, facts.c.value).where(*subject, holds)
        self.names = select(facts.c.name).where(*subject, facts.c.first)
        self.end_fact = (
            update(facts)
            .where(*subject, facts.c.name == bindparam("of_name"), holds)
            .values(until_sequence=bindparam("sequence"))
        )
        self.add_facts = insert(facts)
        hanger = (hangers.c.log == log, hangers.c.mark_key == bindparam("of_mark"))
        self.hanger = select(hangers.c.line_key, hangers.c.state).where(*hanger)
        self.touch_hanger = update(hangers).where(*hanger).values(changed=bindparam("sequence"))
        self.change_hanger = update(hangers).where(*hanger)
        self.add_hanger = insert(hangers)
        member = (
            members.c.log == log,
            members.c.mark_key == bindparam("of_mark"),
            members.c.until_sequence.is_(None),
        )
        self.retire_member = update(members).where(*member).values(retired_sequence=bindparam("sequence"))
        self.end_member = update(members).where(*member).values(until_sequence=bindparam("sequence"))
        self.add_member = insert(members)
        name = (
            names.c.log == log,
            names.c.source == bindparam("of_source"),
            names.c.identifier == bindparam("of_identifier"),
        )
        self.external_ids = select(names.c.source, names.c.identifier).where(
            names.c.log == log, names.c.mark_key == bindparam("of_mark")
        )
        self.remove_external_id = delete(names).where(*name)
        self.add_external_ids = insert(names)
        self.holder = (
            select(hangers.c.mark)
            .join(names, and_(names.c.log == hangers.c.log, names.c.mark_key == hangers.c.mark_key))
            .where(*name)
        )


_STORE: Final = _Statements(ProjectionTables())


@dataclass
class Plan:
    """Statements that bring the projections to the state after an event, in order."""

    writes: list[tuple[Executable, Any]] = field(default_factory=list)

    def add(self, statement: Executable, parameters: Any = None) -> None:
        """One more statement; parameters: a mapping, a list of mappings, or None."""
        self.writes.append((statement, parameters))


@dataclass(frozen=True)
class _Known:
    """The facts of a subject that hold now: as facts, and as their stored texts."""

    facts: Facts
    texts: Mapping[str, str]


def fact_text(fact: Fact) -> str:
    """A fact as it is stored: equal facts have equal texts."""
    return lossless_text(
        {
            "value": fact.value,
            "sequence": fact.sequence,
            "shown_by": fact.shown_by,
            "occurred_at": fact.occurred_at,
            "performed_by": fact.performed_by,
        }
    )


def fact_from_text(text: str) -> Fact:
    """The fact that a stored text states."""
    return Fact(**orjson.loads(text))


class Projector:
    """Keeps one plant's projections in step with its log."""

    def __init__(
        self,
        connection: Connection,
        log: int,
        plant: str,
        folds: FoldTable,
        at: ProjectionTables | None = None,
    ) -> None:
        """plant: key as first spelt. at: other tables than the store's own."""
        self._connection = connection
        self._log = log
        self._plant = plant
        self._folds = folds
        self._do = _STORE if at is None else _Statements(at)

    def line_spelling(self, line: str) -> str:
        """The line's key as it was first written, or as given when it is new."""
        wanted = {"of_log": self._log, "of_kind": "line", "of_key": line.casefold()}
        found: str | None = self._connection.execute(self._do.line_of_records, wanted).scalar()
        if found is None:
            found = self._connection.execute(
                self._do.line_of_members, {"of_log": self._log, "of_key": line.casefold()}
            ).scalar()
        return line if found is None else found

    def plan(
        self, event: Event, document: Mapping[str, Any] | None, history: Callable[[], Sequence[Event]]
    ) -> Plan:
        """What an event changes.

        Args:
            event: as its stored bytes state it
            document: the whole document of a record event, also where its data holds a digest of it
            history: gives all events of the subject before this one; called for a correction only

        Raises:
            DuplicateKey: an external id belongs to another hanger; facts source, id and mark
            PreconditionFailed: the record's revision is not the next one
        """
        plan = Plan()
        facts = self._plan_facts(plan, event, history)
        kind = RECORD_KINDS.get(event.type)
        if kind is not None:
            self._plan_record(plan, kind, event, document or {})
        if event.subject.startswith("hanger/"):
            self._plan_hanger(plan, event, document or {}, facts)
        return plan

    def apply(self, plan: Plan) -> None:
        """Writes what was planned."""
        for statement, parameters in plan.writes:
            self._connection.execute(statement, parameters)

    # --- facts ------------------------------------------------------------------------------------
    def _plan_facts(self, plan: Plan, event: Event, history: Callable[[], Sequence[Event]]) -> Facts:
        folds = self._folds.of(event.subject)
        if folds is None:
            return {}
        known = self._known(event.subject.casefold())
        after: dict[str, Fact] = dict(known.facts)
        if event.corrects is None:
            for name, fact in folds.step(known.facts, event).items():
                if fact is None:
                    after.pop(name, None)
                else:
                    after[name] = fact
        else:
            after = dict(folds.whole([*history(), event]))
        self._plan_differences(plan, event, known, after)
        return after

    def _known(self, subject: str) -> _Known:
        rows = self._connection.execute(self._do.facts, {"of_log": self._log, "of_subject": subject}).all()
        return _Known(
            {name: fact_from_text(value) for name, value in rows},
            dict(rows),
        )

    def _plan_differences(self, plan: Plan, event: Event, known: _Known, after: Facts) -> None:
        subject = event.subject.casefold()
        # A fact that the fold handed through untouched is the same object: nothing to compare.
        changed = {name: fact_text(fact) for name, fact in after.items() if fact is not known.facts.get(name)}
        changed = {name: text for name, text in changed.items() if known.texts.get(name) != text}
        ended = [name for name in known.facts if name in changed or name not in after]
        if ended:
            plan.add(
                self._do.end_fact,
                [
                    {
                        "of_log": self._log,
                        "of_subject": subject,
                        "of_name": name,
                        "sequence": event.sequence,
                    }
                    for name in ended
                ],
            )
        if changed:
            fresh = changed.keys() - known.facts.keys()
            seen = self._names(subject) if fresh else frozenset()
            plan.add(
                self._do.add_facts,
                [
                    {
                        "log": self._log,
                        "subject": subject,
                        "name": name,
                        "from_sequence": event.sequence,
                        "until_sequence": None,
                        "first": name in fresh and name not in seen,
                        "value": text,
                    }
                    for name, text in sorted(changed.items())
                ],
            )

    def _names(self, subject: str) -> frozenset[str]:
        wanted = {"of_log": self._log, "of_subject": subject}
        return frozenset(self._connection.execute(self._do.names, wanted).scalars())

    # --- records ----------------------------------------------------------------------------------
    def _plan_record(self, plan: Plan, kind: str, event: Event, document: Mapping[str, Any]) -> None:
        spelling = event.subject.partition("/")[2] or self._plant
        key = spelling.casefold()
        revision = event.data["revision"]
        which = {"of_log": self._log, "of_kind": kind, "of_key": key}
        current = self._connection.execute(self._do.revision, which).scalar()
        if revision != (current or 0) + 1:
            raise PreconditionFailed("The record has another revision.", current=current or 0, given=revision)
        if current is not None:
            plan.add(self._do.end_record, {**which, "sequence": event.sequence})
        plan.add(
            self._do.add_record,
            {
                "log": self._log,
                "kind": kind,
                "key": key,
                "revision": revision,
                "spelling": spelling,
                "from_sequence": event.sequence,
                "until_sequence": None,
                "recorded_at": event.recorded_at,
                "line": event.line if kind == "hanger" else None,
                "document": lossless_text(document),
            },
        )

    # --- hangers ------------------------------------------------------------------------------------
    def _plan_hanger(self, plan: Plan, event: Event, document: Mapping[str, Any], facts: Facts) -> None:
        mark = event.subject.partition("/")[2]
        key = mark.casefold()
        which = {"of_log": self._log, "of_mark": key}
        row = self._connection.execute(self._do.hanger, which).one_or_none()
        status = facts.get("status")
        values: dict[str, Any] = {
            "changed": event.sequence,
            "state": (INITIAL_STATUS if status is None else status.value)["state"],
        }
        line: str | None = None
        if event.type == "hanger-recorded":
            line = event.line or str(document["line"])
            values |= {"kind": document["kind"], "revision": event.data["revision"]}
            self._plan_external_ids(plan, key, document)
        elif event.type == "hanger-transferred":
            line = self.line_spelling(event.data["to_line"])
        elif event.type == "hanger-retired":
            values["retired"] = True
            plan.add(self._do.retire_member, {**which, "sequence": event.sequence})
        if line is not None and (row is None or row.line_key != line.casefold()):
            values |= {"line": line, "line_key": line.casefold()}
            self._plan_membership(plan, key, line, event.sequence, moves=row is not None)
        if row is None:
            if event.type == "hanger-recorded":
                plan.add(
                    self._do.add_hanger,
                    {"log": self._log, "mark_key": key, "mark": mark, "retired": False, **values},
                )
        elif values.keys() == {"changed", "state"} and values["state"] == row.state:
            plan.add(self._do.touch_hanger, {**which, "sequence": event.sequence})
        else:
            plan.add(self._do.change_hanger.values(**values), which)

    def _plan_membership(self, plan: Plan, mark_key: str, line: str, sequence: int, *, moves: bool) -> None:
        if moves:
            which = {"of_log": self._log, "of_mark": mark_key}
            plan.add(self._do.end_member, {**which, "sequence": sequence})
        plan.add(
            self._do.add_member,
            {
                "log": self._log,
                "mark_key": mark_key,
                "from_sequence": sequence,
                "until_sequence": None,
                "retired_sequence": None,
                "line_key": line.casefold(),
                "line": line,
            },
        )

    def _plan_external_ids(self, plan: Plan, mark_key: str, document: Mapping[str, Any]) -> None:
        wanted = {(each["source"], each["id"]) for each in document.get("external_ids", ())}
        held = {
            (row.source, row.identifier)
            for row in self._connection.execute(
                self._do.external_ids, {"of_log": self._log, "of_mark": mark_key}
            )
        }
        for source, identifier in sorted(wanted - held):
            self._refuse_taken(source, identifier)
        for source, identifier in sorted(held - wanted):
            plan.add(self._do.remove_external_id, self._external_id(source, identifier))
        if wanted - held:
            plan.add(
                self._do.add_external_ids,
                [
                    {"log": self._log, "source": source, "identifier": identifier, "mark_key": mark_key}
                    for source, identifier in sorted(wanted - held)
                ],
            )

    def _external_id(self, source: str, identifier: str) -> dict[str, Any]:
        return {"of_log": self._log, "of_source": source, "of_identifier": identifier}

    def _refuse_taken(self, source: str, identifier: str) -> None:
        holder = self._connection.execute(self._do.holder, self._external_id(source, identifier)).scalar()
        if holder is not None:
            raise DuplicateKey(
                "The external id belongs to another hanger.", source=source, id=identifier, mark=holder
            )
