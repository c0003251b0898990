"""Progress: what the log knows of a line that an order of release has to be held against."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from service.domain.facts import Fact
from service.domain.instants import parse_instant
from service.domain.release.line_state import disturbances, is_undisturbed
from service.domain.release.situation import Assembly, assemblies_of
from service.domain.release.stop_register import OUT, STOPS_OUT_STATES
from service.domain.views import HangerView, LineView
from service.units import Dimension, quantity_to_si


def progress_of(line: LineView) -> dict[str, Any]:
    """Where the work on a line stands, as `next_step` wants it.

    Turns are means over a hanger's assemblies, positive when they raise the load. A bearing face and a
    reading are told only while nothing has moved load on the line since they were seen.

    Args:
        line: the line with its hangers, as of one sequence

    Returns:
        document valid by release-order-progress.schema.json
    """
    return {
        "sequence": line.sequence,
        "hangers": [
            _hanger(line, view) for view in line.hangers if view.kind != "rigid" and not view.retired
        ],
    }


def _hanger(line: LineView, view: HangerView) -> dict[str, Any]:
    assemblies = assemblies_of(view)
    ledgers = [assembly.value("ledger") for assembly in assemblies]
    withdrawal = view.facts.get("withdrawal")
    return {
        "mark": view.mark,
        "state": view.state,
        "stops": _stops(view, assemblies),
        "withdrawn_at": None if withdrawal is None else withdrawal.sequence,
        "net_turns": _mean(ledgers, "net_turns"),
        "turned_up": _mean(ledgers, "turned_up"),
        "turned_down": _mean(ledgers, "turned_down"),
        "face": _face(line, assemblies),
        "reading": _reading(line, assemblies),
    }


def _stops(view: HangerView, assemblies: Sequence[Assembly]) -> str:
    """`in` or `out`; `mixed` where stops and state do not agree, `unknown` where no assembly is stated."""
    if not assemblies:
        return "unknown"
    state = view.status["held_from"] if view.state == "on_hold" else view.state
    by_state = "out" if state in STOPS_OUT_STATES else "in"
    positions = [fact.value["position"] for each in assemblies for fact in each.stops().values()]
    seen = {"out" if position in OUT else "in" for position in positions if position is not None}
    if by_state == "out" and any(len(each.stops()) != each.drawn for each in assemblies):
        return "mixed"
    return by_state if seen <= {by_state} else "mixed"


def _mean(ledgers: Sequence[Mapping[str, Any] | None], name: str) -> float:
    """Mean over the assemblies; an assembly without a ledger was never turned."""
    if not ledgers:
        return 0.0
    return sum(0.0 if each is None else float(each[name]) for each in ledgers) / len(ledgers)


def _face(line: LineView, assemblies: Sequence[Assembly]) -> str | None:
    """The face that every stop was seen to bear on since the last disturbance; None where they differ."""
    faces: set[str | None] = set()
    for assembly in assemblies:
        stops = assembly.stops()
        if len(stops) != (assembly.drawn or 0) or not stops:
            return None
        for fact in stops.values():
            seen = fact.value
            fresh = seen["observed_sequence"] is not None and _holds(
                line, seen["observed_sequence"], seen["observed_at"]
            )
            faces.add(seen["bearing_face"] if fresh else None)
    return faces.pop() if len(faces) == 1 else None


def _reading(line: LineView, assemblies: Sequence[Assembly]) -> dict[str, Any] | None:
    """The mean of the assemblies' cold readings, where each was taken since the last disturbance."""
    values: list[float] = []
    for assembly in assemblies:
        fact: Fact | None = assembly.fact("reading/cold")
        if fact is None or fact.value["position"] is None:
            return None
        if not _holds(line, fact.sequence, fact.occurred_at):
            return None
        values.append(quantity_to_si(fact.value["position"], Dimension.LENGTH))
    if not values:
        return None
    return {"value": 1e3 * sum(values) / len(values), "unit": "mm"}


def _holds(line: LineView, sequence: int, occurred_at: str) -> bool:
    return is_undisturbed(sequence, parse_instant(occurred_at), disturbances(line, line.hangers))
