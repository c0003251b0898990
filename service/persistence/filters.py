"""Filters as conditions of a query, each one served by an index."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import ColumnElement, Connection, and_, select

from service.domain.ports import EventFilter, HangerFilter
from service.persistence.identifiers import comparable
from service.persistence.tables import events, external_ids, hangers


def event_range(
    connection: Connection, log: int, wanted: EventFilter, start: int, end: int
) -> tuple[int, int]:
    """The sequences [start, end) that `since` and `until` leave.

    Because recorded_at never goes back, both are bounds of the sequence: found once through
    their index, they cost nothing on the way.
    """
    if wanted.since is not None:
        start = max(start, _first_recorded(connection, log, comparable(wanted.since), end))
    if wanted.until is not None:
        end = min(end, _first_recorded(connection, log, comparable(wanted.until), end))
    return start, end


def _first_recorded(connection: Connection, log: int, instant: str, otherwise: int) -> int:
    found: int | None = connection.execute(
        select(events.c.sequence)
        .where(events.c.log == log, events.c.recorded_at >= instant)
        .order_by(events.c.recorded_at, events.c.sequence)
        .limit(1)
    ).scalar()
    return otherwise if found is None else found


def event_conditions(log: int, wanted: EventFilter, start: int, end: int) -> list[ColumnElement[bool]]:
    """Conditions for events [start, end) of a log that the filter lets through, without since and until."""
    conditions = [events.c.log == log, events.c.sequence >= start, events.c.sequence < end]
    if wanted.line is not None:
        conditions.append(events.c.line == wanted.line.casefold())
    if wanted.hanger is not None:
        conditions.append(events.c.subject == f"hanger/{wanted.hanger.casefold()}")
    if wanted.type is not None:
        conditions.append(events.c.type == wanted.type)
    if wanted.occurred_since is not None:
        conditions.append(events.c.occurred_at >= comparable(wanted.occurred_since))
    if wanted.occurred_until is not None:
        conditions.append(events.c.occurred_at < comparable(wanted.occurred_until))
    if wanted.lines is not None:
        conditions.append(events.c.line.in_(folded(wanted.lines)))
    return conditions


def hanger_conditions(log: int, wanted: HangerFilter, after: str) -> list[ColumnElement[bool]]:
    """Conditions for current hangers of a log with a folded mark above `after`."""
    conditions = [hangers.c.log == log, hangers.c.mark_key > after]
    if wanted.line is not None:
        conditions.append(hangers.c.line_key == wanted.line.casefold())
    if wanted.kind is not None:
        conditions.append(hangers.c.kind == wanted.kind)
    if wanted.state is not None:
        conditions.append(hangers.c.state == wanted.state)
    if wanted.changed_since is not None:
        conditions.append(hangers.c.changed > wanted.changed_since)
    if wanted.retired is not None:
        conditions.append(hangers.c.retired.is_(wanted.retired))
    if wanted.lines is not None:
        conditions.append(hangers.c.line_key.in_(folded(wanted.lines)))
    if wanted.external_source is not None or wanted.external_id is not None:
        names = [external_ids.c.log == log, external_ids.c.mark_key == hangers.c.mark_key]
        if wanted.external_source is not None:
            names.append(external_ids.c.source == wanted.external_source)
        if wanted.external_id is not None:
            names.append(external_ids.c.identifier == wanted.external_id)
        conditions.append(select(external_ids.c.mark_key).where(and_(*names)).exists())
    return conditions


def folded(keys: frozenset[str]) -> Sequence[str]:
    """Keys as they are compared, in one order so that equal scopes make equal queries."""
    return sorted({key.casefold() for key in keys})
