"""The invented plant of the tests: who works there, its supports in figures, and their records."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from service.application.preconditions import Precondition

PLANT = "Works-1"
NEW = Precondition(must_be_absent=True)
ANY = Precondition(any_revision=True)


def principal_id(number: int) -> str:
    return f"pr_{number:026d}"


# who -> (id, kind, role). Two engineers, two who work, one who looks, and a system that relays.
PEOPLE: dict[str, tuple[str, str, str]] = {
    "engineer": (principal_id(1), "person", "engineer"),
    "other engineer": (principal_id(2), "person", "engineer"),
    "fitter": (principal_id(3), "person", "recorder"),
    "other fitter": (principal_id(4), "person", "recorder"),
    "inspector": (principal_id(5), "person", "recorder"),
    "integrator": (principal_id(6), "system", "integrator"),
    "robot": (principal_id(7), "system", "recorder"),
    "auditor": (principal_id(8), "person", "auditor"),
    "administrator": (principal_id(9), "person", "administrator"),
    "reader": (principal_id(10), "person", "reader"),
    # A token that the service would not issue; guards must refuse it all the same.
    "engineering system": (principal_id(11), "system", "engineer"),
}


def q(value: float, unit: str) -> dict[str, Any]:
    return {"value": value, "unit": unit}


# --- the plant ---------------------------------------------------------------------------------------
@dataclass(frozen=True)
class Hanger:
    """The figures that a test needs of one support, worked out by hand (mm, kN, m, N/mm; up positive)."""

    mark: str
    line: str
    kind: str
    stops: tuple[int, ...] = ()
    operating_kn: float = 14.5
    spring_kn: float = 14.8  # of one assembly, hot, with hardware
    cold_kn: float = 14.8  # of one assembly, at the cold mark
    movement_mm: float = 40
    rate: float = 60
    span_mm: float = 140
    cold_mark: float = 50
    hot_mark: float = 90
    expected_mm: float = 54
    elevation_m: float = 20.0
    base: bool = False

    @property
    def assemblies(self) -> range:
        return range(1, max(len(self.stops), 1) + 1)

    @property
    def ends(self) -> tuple[str, ...]:
        return ("lower",) if self.base else ("upper", "lower")


HANGERS = {
    hanger.mark: hanger
    for hanger in (
        # 14.5 + 0.3 = 14.8 hot; 14.8 + 60 x 40 / 1000 = 17.2 cold.
        Hanger("A-1", "LA", "variable", (2,), cold_kn=17.2),
        Hanger("A-2", "LA", "constant", (2,), 18.4, 18.7, 18.7, 96, 0, 131, 17.5, 113.5, 17.5, 22.0),
        # 36.0 + 0.6 = 36.6 on two assemblies: 18.3 hot; 18.3 + 80 x 30 / 1000 = 20.7 cold.
        Hanger("A-3", "LA", "variable", (1, 1), 36.0, 18.3, 20.7, 30, 80, 140, 55, 85, 59, 18.0),
        # 9.2 + 0.3 = 9.5 hot; 9.5 + 50 x 8 / 1000 = 9.9 cold.
        Hanger("A-4", "LA", "variable", (2,), 9.2, 9.5, 9.9, 8, 50, 140, 66, 74, 70, 6.0, base=True),
        Hanger("A-5", "LA", "rigid", (0,), 22.0, elevation_m=10.0),
        Hanger("B-1", "LB", "variable", (2,), cold_kn=17.2),
        Hanger("B-2", "LB", "variable", (2,), cold_kn=17.2, elevation_m=21.0),
        Hanger("B-3", "LB", "rigid", (0,), 22.0, elevation_m=10.0),
    )
}


def on(line: str) -> list[Hanger]:
    return [hanger for hanger in HANGERS.values() if hanger.line == line]


def sprung(line: str) -> list[Hanger]:
    return [hanger for hanger in on(line) if hanger.kind != "rigid"]


def line_document(line: str, marks: list[str] | None = None, **changes: Any) -> dict[str, Any]:
    document = {
        "description": "an invented line",
        "supports_expected": {
            "marks": [hanger.mark for hanger in on(line)] if marks is None else marks,
            "drawing": f"P-{line}",
            "revision": "A",
        },
        "connected_lines": [],
        "design_temperature": q(545, "degC"),
        "weight_basis": {"contents": "empty", "insulation": "complete"},
        "pressure_test_required": True,
        "chemical_clean_required": False,
        **changes,
    }
    return {name: value for name, value in document.items() if value is not None}


def hanger_document(
    mark: str, line: str | None = None, like: str | None = None, **changes: Any
) -> dict[str, Any]:
    """A complete record that agrees with itself; `like` takes another support's figures."""
    hanger = HANGERS[like or mark]
    count = len(hanger.stops)
    shared = {"load_share": q(100 / count, "%")} if count > 1 else {}
    document: dict[str, Any] = {
        "line": line or hanger.line,
        "mark": mark,
        "kind": hanger.kind,
        "location": {"elevation": q(hanger.elevation_m, "m"), "datum": "zero"},
        "external_ids": [{"source": "maintenance", "id": f"EQ-{mark}"}],
        "acts_from": "below" if hanger.base else "above",
        "line_of_action": "vertical",
        "assemblies": [
            {"stops": stops, **shared, **({"arm": q(-450 if place == 0 else 450, "mm")} if shared else {})}
            for place, stops in enumerate(hanger.stops)
        ],
        "design": {
            "operating_load": q(hanger.operating_kn, "kN"),
            "hardware_weight": q(0.3 * count, "kN"),
            "pressure_test_load": q(1.5 * hanger.operating_kn, "kN"),
            "pipe_to_support_dimension": {
                "nominal": q(1850, "mm"), "tolerance_plus": q(10, "mm"), "tolerance_minus": q(10, "mm"),
            },
            "design_temperature": q(545, "degC"),
        },
    }  # fmt: skip
    if not hanger.base:
        document["rod"] = {
            "thread": "M36", "length_between_pins": q(2400, "mm"), "number": 1, "material": "ASTM A36",
            "allowable_stress": q(62.05, "MPa"), "stress_basis": "root area", "yield_strength": q(248, "MPa"),
        }  # fmt: skip
        document["design"] |= {"lateral_movement": q(45, "mm"), "erected_offset": q(20, "mm")}
    if hanger.kind != "rigid":
        document |= _spring(hanger) | {"design": {**document["design"], **_design(hanger)}}
    return {**document, **changes}


def _design(hanger: Hanger) -> dict[str, Any]:
    design = {
        "preset_basis": "hot_load",
        "weight_basis": {"contents": "empty", "insulation": "complete"},
        "vertical_movement": q(hanger.movement_mm, "mm"),
        "total_travel": q(hanger.span_mm, "mm"),
        "friction": q(2, "%"),
        "locked_position": {"reading": q(hanger.cold_mark, "mm"), "load": q(hanger.cold_kn, "kN")},
        "locked_assembly_capacity": q(3 * hanger.spring_kn, "kN"),
        "stop_capacity_up": q(2 * hanger.spring_kn, "kN"),
        "stop_capacity_down": q(2 * hanger.spring_kn, "kN"),
        "steel_stiffness": q(20, "kN/mm"),
    }
    if hanger.kind == "constant":
        return design | {
            "calibrated_load": q(hanger.spring_kn, "kN"),
            "load_adjustability": {"raise": q(10, "%"), "lower": q(10, "%"), "load_per_turn": q(0.187, "kN")},
            "deviation": q(5, "%"),
        }
    middle, half = (hanger.spring_kn + hanger.cold_kn) / 2, hanger.rate * hanger.span_mm / 2000
    return design | {
        "installed_load": q(hanger.cold_kn, "kN"),
        "spring_rate": q(hanger.rate, "N/mm"),
        "working_range": {"minimum_load": q(middle - half, "kN"), "maximum_load": q(middle + half, "kN")},
    }


def _spring(hanger: Hanger) -> dict[str, Any]:
    least, drawn, thread, lead = (48, 90, "M48x3", 3) if hanger.base else (36, 66, "M36", 8)
    return {
        "indicator": {
            "span": {"low": q(0, "mm"), "high": q(hanger.span_mm, "mm")},
            "rises_when_pipe": "rises",
            "cold_mark": q(hanger.cold_mark, "mm"),
            "hot_mark": q(hanger.hot_mark, "mm"),
            "expected_released_cold": q(hanger.expected_mm, "mm"),
            "division": q(1, "mm"),
        },
        "adjuster": {
            "form": "load_column" if hanger.base else "turnbuckle",
            "thread": thread,
            "hands": "single" if hanger.base else "opposite_hands",
            "lead_per_turn": q(lead, "mm"),
            "flats": 6,
            "clockwise_raises": not hanger.base,
            "seen_from": "above" if hanger.base else "below",
            "engagement": [
                {"end": end, "as_drawn": q(drawn, "mm"), "least_allowed": q(least, "mm")}
                for end in hanger.ends
            ],
            "inspection_hole": True,
            "turn_limit_raise": 3,
            "turn_limit_lower": 3,
            "locking_device": "locknut",
        },
        "stop": {
            "slot_clearance": q(4, "mm"), "pin_moves_down_when": "rod_tension_rises", "linkage_ratio": 1,
        },
        "nameplate": plate(hanger),
    }  # fmt: skip


def plate(hanger: Hanger) -> dict[str, Any]:
    shown = {
        "mark": hanger.mark,
        "operating_load": q(hanger.spring_kn, "kN"),
        "vertical_movement": q(hanger.movement_mm, "mm"),
        "total_travel": q(hanger.span_mm, "mm"),
    }
    if hanger.kind == "constant":
        return shown | {"calibrated_load": q(hanger.spring_kn, "kN")}
    return shown | {"installed_load": q(hanger.cold_kn, "kN"), "spring_rate": q(hanger.rate, "N/mm")}
