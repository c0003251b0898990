"""Observations that the store's facts still show, in the form of a field-estimate request.

Only what still holds is told: a look at a stop goes stale with the next disturbance anywhere on the line.
How many turns an earlier look took is not kept as a fact; such observations come with the request.
"""

from __future__ import annotations

from typing import Any, Final

from service.domain.facts import Fact
from service.domain.instants import parse_instant
from service.domain.release.line_state import disturbances, is_undisturbed
from service.domain.views import HangerView, LineView

NOW: Final = "now"
_OUT: Final = frozenset({"out", "stowed"})
_ALIKE_TURNS: Final = 1e-6


def observations_of(line: LineView) -> list[dict[str, Any]]:
    """Bearing faces that the facts show and that still hold, with the state of the line they were seen in.

    Nothing is told where the state of that time is not known: a hanger whose stops are partly out, whose
    assemblies were turned by different amounts, or whose load adjuster stands away from where it was (its
    spring's force is not that of the record then).

    Args:
        line: the line as of one sequence, with its hangers

    Returns:
        members `observations` of a request (schemas/field-estimate-request.schema.json), all of the occasion
        `now`; turns are net turns, positive when they raise the load
    """
    springs = [view for view in line.hangers if view.kind != "rigid"]
    standing = {view.mark: _standing(view) for view in springs}
    if any(each is None for each in standing.values()):
        return []
    known = {mark: each for mark, each in standing.items() if each is not None}
    out = sorted(mark for mark, (is_out, _) in known.items() if is_out)
    turns = [{"mark": mark, "turns": net} for mark, (_, net) in sorted(known.items()) if net]
    found: list[dict[str, Any]] = []
    for view in springs:
        seen = None if known[view.mark][0] else _face(line, view)
        if seen is None:
            continue
        face, events = seen
        observation = {
            "id": f"{view.mark}-{events[-1]}",
            "kind": "bearing_face",
            "mark": view.mark,
            "bearing_face": face,
            "stops_out": out,
            "net_turns": turns,
            "occasion": NOW,
            "events": events,
        }
        moves = view.record.get("stop", {}).get("pin_moves_down_when")
        if moves is not None:
            observation["pin_moves_down_when"] = moves
        found.append(observation)
    return found


def _standing(view: HangerView) -> tuple[bool, float] | None:
    """Whether its stops are out, and its net turns; None where that cannot be told."""
    numbers = range(1, len(view.record.get("assemblies", ())) + 1)
    turns, positions = [], set()
    for number in numbers:
        ledger = view.facts.get(f"assembly/{number}/ledger")
        value = {} if ledger is None else ledger.value
        if value.get("load_adjuster_turns", 0.0):
            return None
        turns.append(float(value.get("net_turns", 0.0)))
        drawn = view.record["assemblies"][number - 1].get("stops")
        stops = _stops(view, number)
        if drawn is None or len(stops) != drawn or not stops:
            return None
        positions |= {"out" if stop.value["position"] in _OUT else stop.value["position"] for stop in stops}
    if not turns or max(turns) - min(turns) > _ALIKE_TURNS or positions not in ({"in"}, {"out"}):
        return None
    return positions == {"out"}, turns[0]


def _stops(view: HangerView, assembly: int) -> list[Fact]:
    prefix = f"assembly/{assembly}/stop/"
    return [fact for name, fact in sorted(view.facts.items()) if name.startswith(prefix)]


def _face(line: LineView, view: HangerView) -> tuple[str, list[int]] | None:
    """The face that every stop of a hanger was seen to bear on, and the events; None where they differ."""
    faces, events = set(), set()
    for number in range(1, len(view.record["assemblies"]) + 1):
        for stop in _stops(view, number):
            seen = stop.value["observed_sequence"]
            moment = stop.value["observed_at"]
            if seen is None or not is_undisturbed(
                seen, parse_instant(moment), disturbances(line, line.hangers)
            ):
                return None
            faces.add(stop.value["bearing_face"])
            events.add(stop.shown_by)
    if len(faces) != 1 or faces & {None, "unknown"}:
        return None
    return faces.pop(), sorted(events)
