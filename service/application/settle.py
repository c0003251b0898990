"""What follows from an act elsewhere on the line: authorisations that end, hangers that go back.

Nothing that rested on what has changed may stand: a cleared hanger goes back to locked when the
line is no longer ready, and a hanger at work goes on hold when its own record changed. The service
takes these steps when it learns of the cause, so that they bear its own time, whenever the cause
happened on site: a step may not lie before the one that it follows.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

from service.application.context import Context
from service.application.drafts import consequence
from service.application.weigh import open_blockers
from service.domain.events import Event
from service.domain.instants import format_instant, parse_instant
from service.domain.ports import HangerFilter, PlantWriter
from service.domain.release.line_state import authorisations_in_force
from service.domain.release.machine import STATES
from service.domain.release.safety_fields import effect
from service.domain.views import HangerView, LineView

AT_WORK: Final = frozenset({"easing", "stops_out", "positioning"})
HELD_BY_RECORD: Final = frozenset(state for state in STATES if effect(state) == "hold")


def settle_line(context: Context, writer: PlantWriter, line_key: str, caused_by: int) -> list[Event]:
    """After an event on the line: no hanger stays cleared unless the line is ready and it is authorised.

    Ends the authorisation when cleared hangers stand on a line not ready. Costs what the line's size
    costs, and one look while no hanger is cleared.
    """
    if not writer.hangers(HangerFilter(line=line_key, state="cleared"), "", 1):
        return []
    line = writer.line_view(line_key)
    if line is None:
        return []
    if open_blockers(writer, line, "release", at=context.now):
        return end_authorisation(context, writer, line, "readiness-lost", caused_by)
    in_force = authorisations_in_force(line)
    return [
        move(context, writer, view, "lapse", "locked", "authorisation-ended", caused_by)
        for view in line.hangers
        if view.state == "cleared" and view.status["authorisation"] not in in_force
    ]


def end_authorisation(
    context: Context, writer: PlantWriter, line: LineView, cause: str, caused_by: int
) -> list[Event]:
    """End the line's authorisation if one is in force, and send every cleared hanger back to locked."""
    made: list[Event] = []
    fact = line.facts.get("authorisation")
    if fact is not None and fact.value["valid"]:
        data = {"authorisation": fact.value["sequence"], "cause": cause, "caused_by": caused_by}
        now = format_instant(context.now)
        subject = f"line/{line.line}"
        made.append(writer.append(consequence(context, "authorisation-ended", subject, line.line, now, data)))
    for view in line.hangers:
        if view.state == "cleared":
            made.append(move(context, writer, view, "lapse", "locked", cause, caused_by))
    return made


def hold(
    context: Context,
    writer: PlantWriter,
    views: Iterable[HangerView],
    states: frozenset[str],
    cause: str,
    caused_by: int,
) -> list[Event]:
    """Put those of the hangers on hold that stand in one of the states."""
    return [
        move(context, writer, view, "hold", "on_hold", cause, caused_by)
        for view in views
        if view.state in states
    ]


def move(
    context: Context,
    writer: PlantWriter,
    view: HangerView,
    transition: str,
    target: str,
    cause: str,
    caused_by: int,
    **fields: Any,
) -> Event:
    """Write one transition that the service makes by itself, with its cause."""
    data = {
        "transition": transition,
        "from": view.state,
        "to": target,
        "caused_by": caused_by,
        "cause": cause,
        **fields,
    }
    moment = _not_before_last_step(context, view)
    return writer.append(consequence(context, "transition-made", view.subject, view.line, moment, data))


def _not_before_last_step(context: Context, view: HangerView) -> str:
    """Now, or the time of the last step where a site clock that runs ahead puts it later."""
    status = view.facts.get("status")
    if status is not None and parse_instant(status.occurred_at) > context.now:
        return status.occurred_at
    return format_instant(context.now)
