"""A line of three supports of which everything is known and good, and ways to change one thing of it.

Expected values in the tests are written by hand; nothing here reads the code under test but the shapes
of views and facts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from service.domain.access import Principal
from service.domain.criteria import Criteria
from service.domain.facts import Fact
from service.domain.readiness import Weighed, assess
from service.domain.views import HangerView, LineView

AT = datetime(2026, 5, 5, 12, 0, tzinfo=UTC)
SEEN = "2026-05-04T08:30:00+02:00"
LATER = "2026-05-05T08:30:00+02:00"
PERSON = "pr_" + "0" * 26
OTHER = "pr_" + "1" * 26
CRITERIA = Criteria(None)

# Sequences: records 1 to 4, the line's inspection 20, those of the hangers from 30 on.
LINE_RECORDED, LINE_INSPECTED = 1, 20


def q(value: float, unit: str) -> dict[str, Any]:
    """A quantity."""
    return {"value": value, "unit": unit}


def fact(value: Any, sequence: int = 50, occurred_at: str = SEEN) -> Fact:
    """A fact shown by the event that made it."""
    return Fact(value, sequence, sequence, occurred_at, PERSON)


LINE_RECORD: Mapping[str, Any] = {
    "supports_expected": {"marks": ["V-1", "C-2", "R-3"], "drawing": "P-1001", "revision": "C"},
    "connected_lines": [],
    "weight_basis": {"contents": "empty", "insulation": "complete"},
    "pressure_test_required": True,
    "chemical_clean_required": True,
}

LINE_SEEN: Mapping[str, Any] = {
    "insulation": "complete",
    "jacketing": "complete",
    "welds": "complete",
    "rigid_supports": "complete",
    "temporary_supports": 0,
    "pressure_test": "done",
    "chemical_clean": "done",
    "contents": "empty",
    "line_temperature": q(21, "degC"),
    "connected_lines": "anchored_off",
}

ROD: Mapping[str, Any] = {
    "thread": "M36",
    "length_between_pins": q(2400, "mm"),
    "number": 1,
    "material": "ASTM A36",
    "allowable_stress": q(62.05, "MPa"),
    "stress_basis": "9000 psi on the root area",
    "yield_strength": q(248, "MPa"),
}
ADJUSTER: Mapping[str, Any] = {
    "form": "turnbuckle",
    "thread": "M36",
    "hands": "opposite_hands",
    "lead_per_turn": q(8, "mm"),
    "flats": 6,
    "clockwise_raises": True,
    "seen_from": "below",
    "engagement": [
        {"end": "upper", "as_drawn": q(60, "mm"), "least_allowed": q(36, "mm")},
        {"end": "lower", "as_drawn": q(60, "mm"), "least_allowed": q(36, "mm")},
    ],
    "turn_limit_raise": 6,
    "turn_limit_lower": 6,
    "locking_device": "locknut",
}
DIMENSION: Mapping[str, Any] = {
    "nominal": q(1850, "mm"),
    "tolerance_plus": q(10, "mm"),
    "tolerance_minus": q(10, "mm"),
}

# A variable spring of 60 N/mm: 14.8 kN hot with its hardware, 17.2 kN cold, 40 mm up.
VARIABLE: Mapping[str, Any] = {
    "line": "MS-1",
    "mark": "V-1",
    "kind": "variable",
    "location": {"elevation": q(12.4, "m"), "datum": "plant zero"},
    "acts_from": "above",
    "line_of_action": "vertical",
    "assemblies": [{"stops": 2}],
    "nameplate": {"operating_load": q(14.8, "kN"), "spring_rate": q(60, "N/mm")},
    "design": {
        "operating_load": q(14.5, "kN"),
        "hardware_weight": q(0.3, "kN"),
        "preset_basis": "hot_load",
        "weight_basis": {"contents": "empty", "insulation": "complete"},
        "vertical_movement": q(40, "mm"),
        "lateral_movement": q(60, "mm"),
        "erected_offset": q(30, "mm"),
        "installed_load": q(17.2, "kN"),
        "spring_rate": q(60, "N/mm"),
        "working_range": {"minimum_load": q(10, "kN"), "maximum_load": q(22, "kN")},
        "total_travel": q(200, "mm"),
        "friction": q(2, "%"),
        "pressure_test_load": q(24, "kN"),
        "locked_position": {"reading": q(80, "mm"), "load": q(17.2, "kN")},
        "locked_assembly_capacity": q(40, "kN"),
        "stop_capacity_up": q(20, "kN"),
        "stop_capacity_down": q(20, "kN"),
        "pipe_to_support_dimension": dict(DIMENSION),
    },
    "indicator": {
        "span": {"low": q(0, "mm"), "high": q(200, "mm")},
        "rises_when_pipe": "rises",
        "cold_mark": q(80, "mm"),
        "hot_mark": q(120, "mm"),
        "expected_released_cold": q(80, "mm"),
        "division": q(1, "mm"),
    },
    "rod": dict(ROD),
    "adjuster": dict(ADJUSTER),
    "stop": {"slot_clearance": q(4, "mm"), "pin_moves_down_when": "rod_tension_rises", "linkage_ratio": 1},
}

# A trapeze of two constant supports of 12 kN each, 40 mm down.
CONSTANT: Mapping[str, Any] = {
    "line": "MS-1",
    "mark": "C-2",
    "kind": "constant",
    "location": {"elevation": q(12.4, "m"), "datum": "plant zero"},
    "acts_from": "above",
    "line_of_action": "vertical",
    "assemblies": [{"stops": 1}, {"stops": 1}],
    "nameplate": {"calibrated_load": q(12, "kN")},
    "design": {
        "operating_load": q(23.6, "kN"),
        "hardware_weight": q(0.4, "kN"),
        "weight_basis": {"contents": "empty", "insulation": "complete"},
        "vertical_movement": q(-40, "mm"),
        "lateral_movement": q(0, "mm"),
        "calibrated_load": q(12, "kN"),
        "load_adjustability": {"raise": q(10, "%"), "lower": q(10, "%"), "load_per_turn": q(120, "N")},
        "friction": q(3, "%"),
        "deviation": q(5, "%"),
        "total_travel": q(100, "mm"),
        "pressure_test_load": q(40, "kN"),
        "locked_position": {"reading": q(70, "mm"), "load": q(12, "kN")},
        "locked_assembly_capacity": q(30, "kN"),
        "pipe_to_support_dimension": dict(DIMENSION),
    },
    "indicator": {
        "span": {"low": q(0, "mm"), "high": q(100, "mm")},
        "rises_when_pipe": "rises",
        "cold_mark": q(70, "mm"),
        "hot_mark": q(30, "mm"),
        "expected_released_cold": q(70, "mm"),
        "division": q(1, "mm"),
    },
    "rod": dict(ROD),
    "adjuster": dict(ADJUSTER),
    "stop": {"slot_clearance": q(4, "mm"), "pin_moves_down_when": "rod_tension_rises", "linkage_ratio": 1},
}

RIGID: Mapping[str, Any] = {
    "line": "MS-1",
    "mark": "R-3",
    "kind": "rigid",
    "location": {"elevation": q(12.4, "m"), "datum": "plant zero"},
    "acts_from": "above",
    "line_of_action": "vertical",
    "assemblies": [{"stops": 0}],
    "design": {
        "operating_load": q(18, "kN"),
        "hardware_weight": q(0.2, "kN"),
        "lateral_movement": q(0, "mm"),
        "pressure_test_load": q(27, "kN"),
    },
    "rod": dict(ROD),
}

_INSPECTED: Mapping[str, Any] = {
    "in_place": True,
    "rod_slack": False,
    "interference": False,
    "defects": [],
    "elevation": q(12.401, "m"),
    "rod_offset": q(0, "mm"),
}
_SPRING_INSPECTED: Mapping[str, Any] = {
    **_INSPECTED,
    "stops_damaged": 0,
    "pipe_to_support_dimension": q(1852, "mm"),
    "retaining_hardware": {"one_end": True, "other_end": True},
    "adjuster_locked": True,
    "engagement/upper": {"measured": q(60, "mm"), "full": True, "net_turns": 0.0},
    "engagement/lower": {"measured": q(60, "mm"), "full": True, "net_turns": 0.0},
}


def stop(position: str) -> dict[str, Any]:
    """A stop's fact."""
    return {
        "position": position,
        "bearing_face": None,
        "free_by_hand": None,
        "observed_sequence": None,
        "observed_at": None,
        "stowed_at": "bag 14" if position == "stowed" else None,
    }


def reading(position: float, state: str = "released", **changes: Any) -> dict[str, Any]:
    """A reading's fact: position in millimetres."""
    return {
        "position": q(position, "mm"),
        "load_indicator": None,
        "elevation": None,
        "line_temperature": None,
        "legible": True,
        "last_movement": "unknown",
        "reading_resolution": None,
        "release_state": state,
        "flags": [],
        "cycle": 1,
        "steady_hours": 12,
        **changes,
    }


def status(state: str, **changes: Any) -> dict[str, Any]:
    """A status fact's value."""
    return {
        "state": state,
        "cycle": 1,
        "cycle_started_at": None,
        "cycle_started_sequence": None,
        "held_from": None,
        "authorisation": 60,
        "authorised_by": PERSON,
        "paired_with": [],
        **changes,
    }


def locked_facts(record: Mapping[str, Any], sequence: int, plate: Mapping[str, Any]) -> dict[str, Fact]:
    """Facts of a spring just inspected, every stop in and counted."""
    facts = {}
    for number, assembly in enumerate(record["assemblies"], start=1):
        seen = {
            **_SPRING_INSPECTED,
            "nameplate": {"legible": True, **plate},
            "stops_counted": assembly["stops"],
        }
        seen["rod_offset"] = record["design"].get("erected_offset", q(0, "mm"))
        for name, value in seen.items():
            facts[f"assembly/{number}/{name}"] = fact(value, sequence)
        for place in range(1, assembly["stops"] + 1):
            facts[f"assembly/{number}/stop/{place}"] = fact(stop("in"), sequence)
    return facts


def drawn_facts(
    record: Mapping[str, Any], sequence: int, plate: Mapping[str, Any], state: str, cold: float, hot: float
) -> dict[str, Fact]:
    """Facts of a spring that is released, every stop stowed, with its readings."""
    facts = locked_facts(record, sequence, plate)
    facts["status"] = fact(status(state), 80, LATER)
    for name in list(facts):
        if "/stop/" in name:
            facts[name] = fact(stop("stowed"), 70, LATER)
    for number, _ in enumerate(record["assemblies"], start=1):
        facts[f"assembly/{number}/reading/cold"] = fact(reading(cold), 75, LATER)
        if state == "proved":
            load = record["design"].get("calibrated_load")
            facts[f"assembly/{number}/reading/hot"] = fact(reading(hot, load_indicator=load), 78, LATER)
    return facts


def locked_line() -> LineView:
    """Three supports, every spring locked: ready for test, clean and release."""
    hangers = (
        HangerView(
            "V-1", "MS-1", "variable", VARIABLE, 1, 2, locked_facts(VARIABLE, 30, VARIABLE["nameplate"])
        ),
        HangerView(
            "C-2", "MS-1", "constant", CONSTANT, 1, 3, locked_facts(CONSTANT, 31, CONSTANT["nameplate"])
        ),
        HangerView(
            "R-3",
            "MS-1",
            "rigid",
            RIGID,
            1,
            4,
            {f"assembly/1/{k}": fact(v, 32) for k, v in _INSPECTED.items()},
        ),
    )
    facts = {name: fact(value, LINE_INSPECTED) for name, value in LINE_SEEN.items()}
    return LineView("P1", "MS-1", LINE_RECORD, 1, LINE_RECORDED, facts, hangers, 90)


def released_line(state: str = "released") -> LineView:
    """The same with every spring released (or proved): ready for heat-up (or acceptance)."""
    line = locked_line()
    variable, constant, rigid = line.hangers
    variable = replace(variable, facts=drawn_facts(VARIABLE, 30, VARIABLE["nameplate"], state, 80.0, 120.0))
    constant = replace(constant, facts=drawn_facts(CONSTANT, 31, CONSTANT["nameplate"], state, 70.0, 30.0))
    return replace(line, hangers=(variable, constant, rigid))


def good_line(purpose: str) -> LineView:
    """A line that is ready for the purpose."""
    if purpose == "heat_up":
        return released_line()
    if purpose == "acceptance":
        return released_line("proved")
    return locked_line()


def with_line_fact(line: LineView, name: str, value: Any, sequence: int = 50, at: str = SEEN) -> LineView:
    """The line with one fact set."""
    return replace(line, facts={**line.facts, name: fact(value, sequence, at)})


def without_line_fact(line: LineView, name: str) -> LineView:
    """The line with one fact gone, which has to be there."""
    assert name in line.facts
    return replace(line, facts={key: held for key, held in line.facts.items() if key != name})


def with_line_record(line: LineView, **changes: Any) -> LineView:
    """The line's record with keys changed; None takes a key out."""
    assert line.record is not None
    record = {**line.record, **changes}
    return replace(line, record={key: value for key, value in record.items() if value is not None})


def with_hanger(line: LineView, mark: str, **changes: Any) -> LineView:
    """The line with one hanger's view changed."""
    hangers = tuple(replace(view, **changes) if view.mark == mark else view for view in line.hangers)
    return replace(line, hangers=hangers)


def with_fact(
    line: LineView, mark: str, name: str, value: Any, sequence: int = 50, at: str = SEEN
) -> LineView:
    """The line with one fact of one hanger set."""
    view = line.hanger(mark)
    assert view is not None
    return with_hanger(line, mark, facts={**view.facts, name: fact(value, sequence, at)})


def turned(line: LineView, mark: str, assembly: int) -> LineView:
    """The line after a turn of one adjuster and back, later than every inspection and reading."""
    ledger = {
        "net_turns": 0.0,
        "cycle_net_turns": 0.0,
        "turned_up": 1.0,
        "turned_down": 1.0,
        "entries": 2,
        "load_adjuster_turns": 0.0,
    }
    return with_fact(line, mark, f"assembly/{assembly}/ledger", ledger, 79, LATER)


def without_fact(line: LineView, mark: str, name: str) -> LineView:
    """The line with one fact of one hanger gone, which has to be there."""
    view = line.hanger(mark)
    assert view is not None
    assert name in view.facts
    return with_hanger(line, mark, facts={key: held for key, held in view.facts.items() if key != name})


def with_record(line: LineView, mark: str, path: str, value: Any) -> LineView:
    """The line with one field of one hanger's record set; path with dots; None takes the field out."""
    view = line.hanger(mark)
    assert view is not None
    return with_hanger(line, mark, record=_set(view.record, path.split("."), value))


def _set(document: Any, path: list[str], value: Any) -> Any:
    head, *rest = path
    if isinstance(document, list):
        place = int(head)
        return [_set(entry, rest, value) if at == place else entry for at, entry in enumerate(document)]
    changed = dict(document)
    if rest:
        changed[head] = _set(changed.get(head, {}), rest, value)
    elif value is None:
        del changed[head]
    else:
        changed[head] = value
    return changed


def answer(
    line: LineView,
    purpose: str,
    criteria: Criteria = CRITERIA,
    explain: bool = False,
    weighing: Weighed | None = None,
) -> dict[str, Any]:
    """The answer for a line at the tests' instant."""
    return assess(
        line,
        purpose,
        criteria,
        at=AT,
        explain=explain,
        criteria_revision=0,
        service_version="0.1.0",
        weighing=weighing,
    )


def engineer(identifier: str = OTHER, kind: str = "person") -> Principal:
    """An engineer, by default another person than who performs."""
    return Principal(identifier, kind, "engineer", "tk_1")
