"""Acts on site: inspections, readings, turns, stops and the transitions of a hanger's release."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from service.application.context import (
    Answer,
    Context,
    answered,
    line_in_scope,
    nothing_there,
    plant_in_scope,
    recall,
    require,
)
from service.application.drafts import (
    Performer,
    draft,
    occurred,
    performer_of,
    receipt,
    unused_client_event,
)
from service.application.hangers import hanger_in_scope, state_of
from service.application.limits import criteria_of
from service.application.settle import move, settle_line
from service.application.weigh import open_blockers
from service.application.weighings import weighing_of
from service.domain.checks.weighed import Weighed
from service.domain.events import CORRECTABLE, Event
from service.domain.ports import HangerRow, PlantReader, PlantWriter
from service.domain.readings import reading_flags, refuse_reading, state_at
from service.domain.release import corrections, guards, machine
from service.domain.release.persons import a_person
from service.domain.release.status_document import possible_steps
from service.domain.views import HangerView, LineView
from service.errors import (
    Finding,
    GuardNotMet,
    InvalidDocument,
    Lack,
    NoStop,
    OutOfOrder,
    SubjectRetired,
)

TRANSITION_ACTS: Final[Mapping[str, str]] = {"prove": "prove", "relock": "relock", "dispose": "dispose"}
# An entry of the log has a greatest size, and must never be refused for what it explains.
MOST_LACKS: Final = 10
# What people verify with their own hands: a system that states it has verified nothing.
VERIFIED_BY_HAND: Final = frozenset({"retaining_hardware", "adjuster_locked"})


# --- what all acts share --------------------------------------------------------------------------
def _views(writer: PlantReader, row: HangerRow) -> tuple[HangerView, LineView]:
    if row.retired:
        raise SubjectRetired(f"{row.mark} is retired; acts on it have ended.", mark=row.mark)
    line = writer.line_view(row.line)
    view = line.hanger(row.mark) if line else None
    if line is None or view is None:
        raise nothing_there()
    return view, line


def _assembly(view: HangerView, document: Mapping[str, Any]) -> None:
    """The assembly must be one of the record's. Errors: InvalidDocument."""
    count = len(view.record.get("assemblies", ()) or (None,))
    if document.get("assembly", 1) > count:
        raise InvalidDocument(
            f"{view.mark} has {count} assemblies by its record.",
            errors=[
                Finding("body", "known-assembly", "no such assembly", "/assembly", accepted=f"1 to {count}")
            ],
        )


def _situation(
    context: Context,
    writer: PlantWriter,
    view: HangerView,
    line: LineView,
    document: Mapping[str, Any],
    performer: Performer,
    blockers: Sequence[Lack] | None = None,
) -> guards.Situation:
    criteria, _ = criteria_of(writer)
    return guards.Situation(
        view=view,
        line=line,
        criteria=criteria,
        act=document,
        actor=context.principal,
        performed_by=performer.id,
        performed_by_kind=performer.kind,
        occurred_at=occurred(context, document),
        now=context.now,
        release_blockers=blockers,
        weigh=lambda: weighing_of(writer, line),
    )


def _refuse_unless_met(situation: guards.Situation, lacks: Sequence[Lack], what: str) -> None:
    if not lacks:
        return
    raise GuardNotMet(
        f"{what} is not open at {situation.view.mark}: " + "; ".join(lack.detail for lack in lacks[:3]),
        state=situation.view.state,
        lacks=[lack.as_document() for lack in lacks],
        possible=possible_steps(situation, situation.actor),
    )


# --- corrections ----------------------------------------------------------------------------------
def _correct(
    context: Context, writer: PlantWriter, type: str, subject: str, document: Mapping[str, Any]
) -> None:
    """Refuse a correction that does not name the newest version of a correctable event of this subject."""
    if "corrects" not in document:
        return
    assert type in CORRECTABLE
    corrections.check(writer.subject_events(subject), type, subject, document)


def _weighing_then(writer: PlantReader, line_key: str, sequence: int) -> Weighed | None:
    """What the line's balance said as of a sequence."""
    line = writer.line_view(line_key, as_of=sequence)
    return None if line is None else weighing_of(writer, line, sequence)


def _after_correction(
    context: Context,
    writer: PlantWriter,
    line_key: str,
    event: Event,
) -> list[Event]:
    """Put hangers of the line on hold when a guard that they have passed in this cycle would fail now.

    A correction at one hanger, or of the line, may take away what a neighbour's step rested on: each
    hanger at work is looked at again.
    """
    line = writer.line_view(line_key)
    if event.corrects is None or line is None:
        return []
    criteria, _ = criteria_of(writer)
    corrected = writer.subject_events(event.subject)
    made: list[Event] = []
    for view in line.hangers:
        if view.state in ("locked", "cleared", "on_hold"):
            continue
        own = view.subject == event.subject
        failing = corrections.reexamine(
            corrected if own else writer.subject_events(view.subject),
            lambda sequence: writer.line_view(line_key, as_of=sequence),
            view,
            criteria,
            {} if own else {event.subject: corrected},
            weighing=lambda sequence: _weighing_then(writer, line_key, sequence),
        )
        if failing:
            lacks = [lack.as_document() for lack in failing[:MOST_LACKS]]
            made.append(
                move(context, writer, view, "hold", "on_hold", "correction", event.sequence, lacks=lacks)
            )
    return made


# --- recorded acts --------------------------------------------------------------------------------
def _record(
    context: Context, plant: str, mark: str, document: Mapping[str, Any], type: str, act: str
) -> Answer:
    require(context, "record_acts")
    plant_in_scope(context, plant)
    occurred(context, document)
    performer = performer_of(context, document)
    with context.store.write(plant) as writer:
        row = hanger_in_scope(context, writer, mark)
        kept = recall(context, writer)
        if kept is not None:
            return kept
        view, line = _views(writer, row)
        _assembly(view, document)
        unused_client_event(context, writer, document)
        _correct(context, writer, type, view.subject, document)
        extra: dict[str, Any] = {}
        flags: list[str] = []
        if "withdraws" not in document:
            extra, flags = _judge(context, writer, view, line, document, performer, type, act)
        event = writer.append(draft(context, type, view.subject, view.line, document, performer, **extra))
        made = _after_correction(context, writer, view.line, event)
        made += settle_line(context, writer, view.line, event.sequence)
        answer = receipt(context, event, made, state=state_of(writer, view.mark), flags=flags)
        return answered(context, writer, answer)


def _judge(
    context: Context,
    writer: PlantWriter,
    view: HangerView,
    line: LineView,
    document: Mapping[str, Any],
    performer: Performer,
    type: str,
    act: str,
) -> tuple[dict[str, Any], list[str]]:
    """What the act needs before it may be written; returns fields the service adds, and flags."""
    situation = _situation(context, writer, view, line, document, performer)
    if type in ("adjuster-turned", "stop-noted") and view.kind == "rigid":
        raise NoStop(f"{view.mark} is a rigid hanger: it has no stop and nothing to turn for release.")
    if type == "hanger-inspected":
        by_hand = VERIFIED_BY_HAND & document.keys()
        _refuse_unless_met(situation, list(a_person(situation)) if by_hand else [], act)
        return {}, []
    if type == "adjuster-turned":
        _refuse_unless_met(situation, guards.turn_lacks(situation), act)
        return {"release_state": view.state}, []
    if type == "stop-noted":
        _refuse_unless_met(situation, guards.stop_lacks(situation), act)
        return {"release_state": view.state}, []
    refuse_reading(view, document)
    state = state_at(view, lambda: writer.subject_events(view.subject), situation.occurred_at)
    flags = reading_flags(view, document, situation.criteria, situation.occurred_at, state)
    return {"release_state": state, "flags": flags}, flags


def inspect_hanger(context: Context, plant: str, mark: str, document: Mapping[str, Any]) -> Answer:
    """Record what was seen at one assembly."""
    return _record(context, plant, mark, document, "hanger-inspected", "An inspection")


def take_reading(context: Context, plant: str, mark: str, document: Mapping[str, Any]) -> Answer:
    """Record readings of one assembly; outside the indicator's span they are refused, a jump is flagged."""
    return _record(context, plant, mark, document, "reading-taken", "A reading")


def make_turns(context: Context, plant: str, mark: str, document: Mapping[str, Any]) -> Answer:
    """Record counted turns; the ledger may not pass engagement or turn limits."""
    return _record(context, plant, mark, document, "adjuster-turned", "Turning")


def note_stop(context: Context, plant: str, mark: str, document: Mapping[str, Any]) -> Answer:
    """Record that a stop was observed, stowed or inserted."""
    return _record(context, plant, mark, document, "stop-noted", "This stop act")


# --- transitions ----------------------------------------------------------------------------------
def make_transition(context: Context, plant: str, mark: str, document: Mapping[str, Any]) -> Answer:
    """Take one step of the release; refused, with what is possible, when out of order or lacking."""
    name = document["transition"]
    require(context, TRANSITION_ACTS.get(name, "record_acts"))
    plant_in_scope(context, plant)
    occurred(context, document)
    performer = performer_of(context, document)
    with context.store.write(plant) as writer:
        row = hanger_in_scope(context, writer, mark)
        kept = recall(context, writer)
        if kept is not None:
            return kept
        view, line = _views(writer, row)
        if view.kind == "rigid":
            raise NoStop(f"{view.mark} is a rigid hanger: there is no stop, and nothing to release.")
        unused_client_event(context, writer, document)
        blockers = None
        if view.state == "cleared":
            blockers = open_blockers(writer, line, "release", at=context.now)
        situation = _situation(context, writer, view, line, document, performer, blockers)
        target = machine.target(view.state, name, view.status, document)
        if target is None:
            raise OutOfOrder(
                f"{name} is not possible while {view.mark} stands {view.state}.",
                state=view.state,
                possible=possible_steps(situation, situation.actor),
            )
        _refuse_unless_met(situation, guards.lacks(name, situation), name)
        fields = {"from": view.state, "to": target, "caused_by": None, "cause": None}
        event = writer.append(
            draft(context, "transition-made", view.subject, view.line, document, performer, **fields)
        )
        made = settle_line(context, writer, view.line, event.sequence)
        answer = receipt(context, event, made, state=state_of(writer, view.mark))
        return answered(context, writer, answer)


# --- the line -------------------------------------------------------------------------------------
def inspect_line(context: Context, plant: str, line: str, document: Mapping[str, Any]) -> Answer:
    """Record what was seen of a whole line."""
    require(context, "record_acts")
    line_in_scope(context, plant, line)
    occurred(context, document)
    performer = performer_of(context, document)
    with context.store.write(plant) as writer:
        kept = recall(context, writer)
        if kept is not None:
            return kept
        record = writer.record("line", line)
        if record is None:
            raise nothing_there()
        unused_client_event(context, writer, document)
        _correct(context, writer, "line-inspected", f"line/{record.key}", document)
        event = writer.append(
            draft(context, "line-inspected", f"line/{record.key}", record.key, document, performer)
        )
        made = _after_correction(context, writer, record.key, event)
        made += settle_line(context, writer, record.key, event.sequence)
        return answered(context, writer, receipt(context, event, made))
