"""Sound hangers for the tests of the checks: every rule that applies passes; tests then spoil them."""

from __future__ import annotations

import copy
from collections.abc import Mapping
from typing import Any

from service.domain.checks import run_checks
from service.domain.criteria import Criteria
from service.domain.facts import Fact
from service.domain.views import HangerView, LineView

Document = dict[str, Any]


def q(value: float, unit: str) -> Document:
    return {"value": value, "unit": unit}


VARIABLE: Document = {
    "line": "L-1",
    "mark": "V-1",
    "kind": "variable",
    "acts_from": "above",
    "line_of_action": "vertical",
    "location": {"elevation": q(12.4, "m"), "datum": "plant zero"},
    "assemblies": [{"stops": 2}],
    "nameplate": {
        "mark": "V-1",
        "type_number": 51,
        "operating_load": q(10, "kN"),
        "installed_load": q(12, "kN"),
        "spring_rate": q(50, "N/mm"),
        "vertical_movement": q(40, "mm"),
    },
    "design": {
        "operating_load": q(9.8, "kN"),
        "hardware_weight": q(0.2, "kN"),
        "vertical_movement": q(40, "mm"),
        "lateral_movement": q(60, "mm"),
        "erected_offset": q(30, "mm"),
        "installed_load": q(12, "kN"),
        "spring_rate": q(50, "N/mm"),
        "working_range": {"minimum_load": q(6, "kN"), "maximum_load": q(16, "kN")},
        "total_travel": q(200, "mm"),
        "pressure_test_load": q(19.8, "kN"),
        "locked_position": {"reading": q(80, "mm"), "load": q(12, "kN")},
        "locked_assembly_capacity": q(30, "kN"),
        "stop_capacity_up": q(15, "kN"),
        "stop_capacity_down": q(10, "kN"),
        "pipe_to_support_dimension": {
            "nominal": q(1850, "mm"),
            "tolerance_plus": q(10, "mm"),
            "tolerance_minus": q(5, "mm"),
        },
    },
    "indicator": {
        "span": {"low": q(0, "mm"), "high": q(200, "mm")},
        "rises_when_pipe": "rises",
        "cold_mark": q(80, "mm"),
        "hot_mark": q(120, "mm"),
        "expected_released_cold": q(100, "mm"),
    },
    "rod": {"thread": "M30", "length_between_pins": q(2000, "mm"), "number": 1},
    "adjuster": {
        "form": "turnbuckle",
        "thread": "M30",
        "hands": "opposite_hands",
        "lead_per_turn": q(7, "mm"),
        "engagement": [
            {"end": "upper", "as_drawn": q(45, "mm"), "least_allowed": q(30, "mm")},
            {"end": "lower", "as_drawn": q(45, "mm"), "least_allowed": q(30, "mm")},
        ],
    },
    "stop": {"slot_clearance": q(4, "mm"), "linkage_ratio": 1},
}

CONSTANT: Document = {
    "line": "L-1",
    "mark": "C-1",
    "kind": "constant",
    "acts_from": "above",
    "line_of_action": "vertical",
    "location": {"elevation": q(40, "ft"), "datum": "plant zero"},
    "assemblies": [{"stops": 1, "load_share": q(50, "%")}, {"stops": 1, "load_share": q(0.5, "1")}],
    "nameplate": {
        "calibrated_load": q(2800, "lbf"),
        "total_travel": q(8, "in"),
        "vertical_movement": q(-5, "in"),
    },
    "design": {
        "operating_load": q(5400, "lbf"),
        "hardware_weight": q(200, "lbf"),
        "vertical_movement": q(-5, "in"),
        "lateral_movement": q(2, "in"),
        "calibrated_load": q(2800, "lbf"),
        "friction": q(3, "%"),
        "deviation": q(5, "%"),
        "total_travel": q(8, "in"),
        "pressure_test_load": q(8800, "lbf"),
        "locked_position": {"reading": q(6.5, "in"), "load": q(2800, "lbf")},
        "locked_assembly_capacity": q(6000, "lbf"),
        "pipe_to_support_dimension": {"nominal": q(6, "ft")},
    },
    "indicator": {
        "span": {"low": q(0, "in"), "high": q(8, "in")},
        "rises_when_pipe": "rises",
        "cold_mark": q(6.5, "in"),
        "hot_mark": q(1.5, "in"),
        "expected_released_cold": q(6.5, "in"),
    },
    "rod": {"thread": "1-8 UNC", "length_between_pins": q(8, "ft"), "number": 1},
    "adjuster": {
        "form": "nut",
        "thread": "1-8 UNC",
        "hands": "single",
        "lead_per_turn": q(0.125, "in"),
        "engagement": [{"end": "lower", "as_drawn": q(1.5, "in"), "least_allowed": q(1, "in")}],
    },
    "stop": {"linkage_ratio": 1},
}

RIGID: Document = {
    "line": "L-1",
    "mark": "R-1",
    "kind": "rigid",
    "acts_from": "above",
    "line_of_action": "vertical",
    "assemblies": [{"stops": 0}],
    "design": {
        "operating_load": q(18, "kN"),
        "hardware_weight": q(0.2, "kN"),
        "lateral_movement": q(20, "mm"),
        "pressure_test_load": q(27, "kN"),
    },
    "rod": {"thread": "M30", "length_between_pins": q(2000, "mm"), "number": 1},
}

BASE: Document = {
    "line": "L-1",
    "mark": "B-1",
    "kind": "variable",
    "acts_from": "below",
    "line_of_action": "vertical",
    "assemblies": [{"stops": 2}],
    "adjuster": {
        "form": "load_column",
        "thread": "M48x3",
        "hands": "single",
        "lead_per_turn": q(3, "mm"),
        "engagement": [{"end": "lower", "as_drawn": q(60, "mm"), "least_allowed": q(48, "mm")}],
    },
}


def fact(value: Any, sequence: int, occurred_at: str = "2026-05-04T08:00:00+02:00") -> Fact:
    return Fact(value, sequence, sequence, occurred_at, "pr_00000000000000000000000000")


def inspected(assembly: int, **seen: Any) -> dict[str, Fact]:
    """Facts of one inspection of an assembly, event 10."""
    return {f"assembly/{assembly}/{name.replace('__', '/')}": fact(value, 10) for name, value in seen.items()}


def read(
    assembly: int, condition: str, sequence: int, *, state: str = "released", **reading: Any
) -> dict[str, Fact]:
    """The fact of one reading of an assembly, taken in a release state."""
    value = {"release_state": state, "flags": [], "cycle": 1, **reading}
    day = sequence % 28 + 1
    return {f"assembly/{assembly}/reading/{condition}": fact(value, sequence, f"2026-06-{day:02}T08:00:00Z")}


def engaged(measured: Any = None, full: bool | None = None, net_turns: float | None = 0.0) -> Document:
    return {"measured": measured, "full": full, "net_turns": net_turns}


def variable_facts() -> dict[str, Fact]:
    return {
        **inspected(
            1,
            nameplate=copy.deepcopy(VARIABLE["nameplate"]) | {"legible": True},
            stops_counted=2,
            stops_damaged=0,
            pipe_to_support_dimension=q(1852, "mm"),
            elevation=q(12.402, "m"),
            rod_offset=q(31, "mm"),
            adjuster_locked=True,
            engagement__upper=engaged(q(46, "mm")),
            engagement__lower=engaged(full=True),
        ),
        **read(1, "cold", 20, position=q(101, "mm"), line_temperature=q(21, "degC")),
        **read(1, "hot", 21, position=q(120, "mm")),
    }


def constant_facts() -> dict[str, Fact]:
    facts: dict[str, Fact] = {}
    for number in (1, 2):
        facts |= inspected(
            number,
            nameplate=copy.deepcopy(CONSTANT["nameplate"]),
            stops_counted=1,
            stops_damaged=0,
            pipe_to_support_dimension=q(1829, "mm"),
            elevation=q(12.192, "m"),
            rod_offset=q(0, "mm"),
            adjuster_locked=True,
            engagement__lower=engaged(q(1.5, "in"), True),
        )
        facts |= read(number, "cold", 20, position=q(6.45, "in"), load_indicator=q(2810, "lbf"))
        facts |= read(number, "hot", 21, position=q(1.5, "in"))
    return facts


def changed(record: Mapping[str, Any], pointer: str, value: Any) -> Document:
    """A copy of a record with one place changed, or removed where the value is None."""
    copied: Any = copy.deepcopy(dict(record))
    *path, last = pointer.split("/")[1:]
    place = copied
    for part in path:
        place = place[int(part)] if isinstance(place, list) else place.setdefault(part, {})
    if isinstance(place, list):
        place[int(last)] = value
    elif value is None:
        place.pop(last, None)
    else:
        place[last] = value
    return dict(copied)


def view(
    record: Mapping[str, Any],
    facts: Mapping[str, Fact] | None = None,
    state: str | None = None,
    held_from: str | None = None,
) -> HangerView:
    known = dict(facts or {})
    if state is not None:
        status = {"state": state, "cycle": 1, "held_from": held_from}
        known["status"] = fact(status, 15)
    return HangerView(record["mark"], record["line"], record["kind"], record, 1, 0, known)


def line_of(*views: HangerView, record: Mapping[str, Any] | None = None) -> LineView:
    return LineView("P", "L-1", record, 1, 0, {}, views, 30)


def rows(
    record: Mapping[str, Any],
    rule: str,
    facts: Mapping[str, Fact] | None = None,
    *,
    criteria: Criteria | None = None,
    state: str | None = None,
    held_from: str | None = None,
    line: LineView | None = None,
) -> list[Document]:
    """The rows of one rule."""
    found = run_checks(view(record, facts, state, held_from), criteria or Criteria(), line=line)
    return [row for row in found if row["rule"] == rule]


def row(
    record: Mapping[str, Any], rule: str, facts: Mapping[str, Fact] | None = None, **given: Any
) -> Document:
    """The only row of one rule, or that of its first assembly."""
    return rows(record, rule, facts, **given)[0]


def plant_limit(value: Any) -> Document:
    return {"value": value, "source": "plant procedure", "source_status": "plant"}
