"""What the store knows of an assembly, in the members of a nut-plan request.

Only what still holds is told: a bearing face goes stale with any disturbance on the line, a measured
engagement and a reading with the next turn. What is stale is left out, so that the plan asks for it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from service.domain.facts import Fact
from service.domain.instants import parse_instant
from service.domain.release.line_state import disturbances, is_undisturbed
from service.domain.views import HangerView, LineView


def known_of(view: HangerView, line: LineView, assembly: int) -> dict[str, Any]:
    """The members of a request that the store can fill, for one assembly.

    Args:
        view: the hanger
        line: its line, as of the same sequence: its disturbances make observations stale
        assembly: number of the assembly, from 1

    Returns:
        `stops_in`, `ledger`, `load_adjuster_ledger`, `bearing_face`, `rod_slack`, `engagement`, `reading`:
        those that are known and still hold; turns are signed, positive when they raise the load
    """
    ledger = view.facts.get(f"assembly/{assembly}/ledger")
    net_turns = 0.0 if ledger is None else float(ledger.value["net_turns"])
    load_turns = 0.0 if ledger is None else float(ledger.value["load_adjuster_turns"])
    found: dict[str, Any] = {
        "ledger": [net_turns] if net_turns else [],
        "load_adjuster_ledger": [load_turns] if load_turns else [],
    }
    stops = list(_stops(view, assembly))
    _put(found, "stops_in", _stops_in(view, assembly, stops))
    _put(found, "bearing_face", _bearing_face(line, stops))
    slack = view.facts.get(f"assembly/{assembly}/rod_slack")
    if slack is not None and _holds(line, slack.sequence, slack.occurred_at):
        found["rod_slack"] = slack.value
    engagement = list(_engagement(view, assembly, net_turns))
    if engagement:
        found["engagement"] = engagement
    reading = view.facts.get(f"assembly/{assembly}/reading/cold")
    if reading is not None and reading.value["position"] is not None and _after(reading, ledger):
        found["reading"] = reading.value["position"]
    return found


def _engagement(view: HangerView, assembly: int, net_turns: float) -> Iterator[dict[str, Any]]:
    """Engagement as seen at each end, where no turn has been made since."""
    for end in ("upper", "lower"):
        fact = view.facts.get(f"assembly/{assembly}/engagement/{end}")
        if fact is not None and fact.value["net_turns"] == net_turns:
            seen = {name: fact.value[name] for name in ("measured", "full") if fact.value[name] is not None}
            yield {"end": end, **seen}


def _put(found: dict[str, Any], name: str, value: Any) -> None:
    if value is not None:
        found[name] = value


def _stops(view: HangerView, assembly: int) -> Iterator[Fact]:
    prefix = f"assembly/{assembly}/stop/"
    return (fact for name, fact in view.facts.items() if name.startswith(prefix))


def _stops_in(view: HangerView, assembly: int, stops: list[Fact]) -> bool | None:
    """True when every drawn stop is in, False when every one is out; unknown between."""
    drawn = view.record["assemblies"][assembly - 1].get("stops")
    positions = [fact.value["position"] for fact in stops]
    if drawn is None or len(positions) != drawn:
        return None
    if all(position == "in" for position in positions):
        return True
    return False if all(position in ("out", "stowed") for position in positions) else None


def _bearing_face(line: LineView, stops: list[Fact]) -> str | None:
    """The face that every stop was seen to bear on since the last disturbance; unknown when they differ."""
    faces = set()
    for fact in stops:
        seen: Mapping[str, Any] = fact.value
        if seen["observed_sequence"] is None or not _holds(
            line, seen["observed_sequence"], seen["observed_at"]
        ):
            return None
        faces.add(seen["bearing_face"])
    if not faces:
        return None
    return faces.pop() if len(faces) == 1 else "unknown"


def _holds(line: LineView, sequence: int, occurred_at: str) -> bool:
    """Whether nothing has moved load on the line since something was seen."""
    return is_undisturbed(sequence, parse_instant(occurred_at), disturbances(line, line.hangers))


def _after(fact: Fact, other: Fact | None) -> bool:
    if other is None:
        return True
    return fact.sequence > other.sequence and parse_instant(fact.occurred_at) > parse_instant(
        other.occurred_at
    )
