"""Corrections: what may be corrected, and which passed steps would not be passed any more.

A correction takes the place of what it corrects, and the facts are folded again. Transitions are not
corrected: when a correction takes away what one of them rested on, the hanger goes on hold.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import cache, partial
from types import MappingProxyType
from typing import Any, Final

from service.domain.access import Principal
from service.domain.checks import Weighed
from service.domain.criteria import Criteria
from service.domain.events import CORRECTABLE, Event
from service.domain.instants import parse_instant
from service.domain.release import guards
from service.domain.release.fold import refold_hanger, refold_line
from service.domain.views import HangerView, LineView
from service.errors import Finding, InvalidDocument, Lack

# Steps that rest on a reason, not on facts of the site.
_DECISIONS: Final = frozenset({"hold", "dispose"})


def check(events: Sequence[Event], type: str, subject: str, act: Mapping[str, Any]) -> None:
    """Refuse a correction that does not hold.

    Args:
        events: every event of the subject, in order
        type: event type that the act would write
        subject: its subject
        act: document of the act, with `corrects`

    Raises:
        InvalidDocument: the corrected event is of another subject or type or of one that is not
            corrected, is not the newest version, was withdrawn, or no reason is given
    """
    corrected = act["corrects"]
    known = {event.sequence: event for event in events if event.subject == subject}
    event = known.get(corrected)
    if event is None:
        raise _refusal(
            "same-subject", "No event of this subject has this sequence.", "an event of this subject"
        )
    if event.type not in CORRECTABLE:
        raise _refusal(
            "correctable", f"An event of type {event.type} is not corrected.", ", ".join(sorted(CORRECTABLE))
        )
    if event.type != type:
        raise _refusal(
            "same-type", f"The event is of type {event.type}, not {type}.", f"an event of type {type}"
        )
    newer = [other.sequence for other in known.values() if other.corrects == corrected]
    if newer:
        newest = _newest(known, corrected)
        raise _refusal(
            "newest-version", "The event was corrected before; correct its newest version.", newest
        )
    if event.data.get("withdraws"):
        raise _refusal(
            "not-withdrawn", "The event was withdrawn; record the act anew.", "an event that counts"
        )
    if not act.get("reason"):
        raise InvalidDocument(
            "A correction needs a reason.",
            errors=[Finding("body", "reason-given", "no reason is given", "/reason", accepted="a reason")],
        )


def _newest(known: Mapping[int, Event], sequence: int) -> int:
    newer = {event.corrects: event.sequence for event in known.values() if event.corrects is not None}
    while sequence in newer:
        sequence = newer[sequence]
    return sequence


def _refusal(rule: str, detail: str, accepted: Any) -> InvalidDocument:
    return InvalidDocument(
        detail, errors=[Finding("body", rule, detail, pointer="/corrects", accepted=accepted)]
    )


def passed_steps(events: Sequence[Event]) -> list[Event]:
    """Steps taken at the hanger since it last stood locked, in order.

    Those of the service are left out, and holds and dispositions, which rest on a reason.
    """
    path: list[Event] = []
    for event in events:
        if event.type != "transition-made":
            continue
        if event.data["to"] == "locked":
            path = []
        elif event.data.get("caused_by") is None and event.data["transition"] not in _DECISIONS:
            path.append(event)
    return path


def reexamine(
    events: Sequence[Event],
    line_before: Callable[[int], LineView | None],
    view: HangerView,
    criteria: Criteria,
    others: Mapping[str, Sequence[Event]] = MappingProxyType({}),
    weighing: Callable[[int], Weighed | None] = lambda sequence: None,
) -> list[Lack]:
    """What the guards of the steps passed since the hanger last stood locked lack by the newest correction.

    Each guard is judged on the facts as they stood before its step, with the corrections made since put
    in their places. What a guard would lack without the newest correction too was disposed of before, and
    is not found again. Whether the line was ready is not judged here.

    Args:
        events: every event of the hanger, in order
        line_before: the line as of a sequence, as the log then showed it; None where it has none
        view: the hanger as it stands
        criteria: the limits that hold
        others: by subject, every event of the line or of another hanger whose own was corrected: it may
            have moved load here after a stop was seen free, or show that a stop was not out
        weighing: what the line's balance said as of a sequence; None where the line had no model then

    Returns:
        lacks, each with the step and its sequence in its facts and its detail
    """
    known_events = (*events, *(event for history in others.values() for event in history))
    newest = max((event.sequence for event in known_events if event.corrects is not None), default=None)
    earlier = _without(events, newest)
    others_earlier = {subject: _without(history, newest) for subject, history in others.items()}
    place = _place(known_events, newest)
    found: list[Lack] = []
    for step in passed_steps(events):
        # What was passed before the corrected event did not rest on it.
        line = line_before(step.sequence - 1) if step.sequence > place else None
        if line is None:
            continue
        was = _line_as_corrected(line, others_earlier, step)
        now = _line_as_corrected(line, others, step)
        weigh = cache(partial(weighing, step.sequence - 1))
        before = _lacks_of(step, _as_corrected(earlier, was, view, criteria, step, weigh))
        after = _lacks_of(step, _as_corrected(events, now, view, criteria, step, weigh))
        known = {(lack.code, lack.subject, lack.detail) for lack in before}
        found += [lack for lack in after if (lack.code, lack.subject, lack.detail) not in known]
    return found


def _lacks_of(step: Event, situation: guards.Situation) -> list[Lack]:
    name = step.data["transition"]
    return [
        replace(
            lack,
            detail=f"{name} at sequence {step.sequence}: {lack.detail}",
            facts={"transition": name, "sequence": step.sequence},
        )
        for lack in guards.lacks(name, situation)
    ]


def _place(events: Sequence[Event], sequence: int | None) -> int:
    """Place of a correction: that of the event which its chain corrects in the end."""
    corrects = {event.sequence: event.corrects for event in events}
    while sequence is not None and corrects[sequence] is not None:
        sequence = corrects[sequence]
    return -1 if sequence is None else sequence


def _without(events: Sequence[Event], sequence: int | None) -> list[Event]:
    return [event for event in events if event.sequence != sequence]


def _line_as_corrected(line: LineView, others: Mapping[str, Sequence[Event]], step: Event) -> LineView:
    """The line before a step, with the corrections of its own events and of its hangers' in their places."""
    own = others.get(f"line/{line.line}")
    hangers = tuple(
        replace(hanger, facts=refold_hanger(others[hanger.subject], before=step.sequence))
        if hanger.subject in others
        else hanger
        for hanger in line.hangers
    )
    facts = line.facts if own is None else refold_line(own, before=step.sequence)
    return replace(line, facts=facts, hangers=hangers)


def _as_corrected(
    events: Sequence[Event],
    line: LineView,
    view: HangerView,
    criteria: Criteria,
    step: Event,
    weigh: Callable[[], Weighed | None],
) -> guards.Situation:
    then = line.hanger(view.mark) or view
    hanger = replace(then, facts=refold_hanger(events, before=step.sequence))
    hangers = tuple(hanger if one.mark == view.mark else one for one in line.hangers)
    return guards.Situation(
        view=hanger,
        line=replace(line, hangers=hangers),
        criteria=criteria,
        act=step.data,
        actor=Principal(step.actor, "person", step.role, ""),
        performed_by=step.performed_by,
        # The guard that wants a person was passed, and a correction does not change who performed.
        performed_by_kind="person",
        occurred_at=parse_instant(step.occurred_at),
        now=parse_instant(step.recorded_at),
        release_blockers=(),
        weigh=weigh,
    )
