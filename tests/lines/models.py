"""Line models and hanger records as documents: the line of the worked cases, and a line in space.

The first makes what tests/lines/base.py makes by hand, with shear deformation in it. The second has a riser,
bends, a branch, a valve and a support of every kind; the operating loads and movements of its records are,
rounded, those of the hot line with every spring carrying its share of the weight.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

from tests.lines.base import CALIBRATED_N, COVER_KG_PER_M, MARKS, PIPE_KG_PER_M, YOUNG_PA

Document = dict[str, Any]

LINE = "L-1"
OUTSIDE_M, WALL_M = 0.3238, 0.01748
THICKNESS_M, INSULATION_KG_PER_M3, LAPS = 0.12, 200.0, 0.08


def q(value: float, unit: str) -> Document:
    """A quantity."""
    return {"value": value, "unit": unit}


def node(name: str, x: float, y: float, z: float) -> Document:
    """A node, coordinates in metres."""
    return {"id": name, "x": q(x, "m"), "y": q(y, "m"), "z": q(z, "m")}


def travel_stop(linkage_ratio: float = 1) -> Document:
    """A stop with 4 mm of slot."""
    slot = q(4, "mm")
    return {
        "slot_clearance": slot,
        "pin_moves_down_when": "rod_tension_rises",
        "linkage_ratio": linkage_ratio,
    }


def still(name: str, at: str) -> Document:
    """A nozzle that does not move."""
    zero, none = q(0, "mm"), q(0, "deg")
    return {
        "id": name,
        "node": at,
        "movement": {"x": zero, "y": zero, "z": zero},
        "rotation": {"x": none, "y": none, "z": none},
    }


# --- the straight line of the worked cases ------------------------------------------------------------------
def five_hanger_model(**changes: Any) -> Document:
    """The base line: 54 m of NPS 12 Sch 80 in six spans, five hangers, 132.05 + 35.5 kg/m.

    Pipe and cover weigh as the worked cases say; the sheet of the jacketing makes up what insulation leaves.
    changes: members of the model that replace its own.
    """
    insulation = math.pi / 4.0 * ((OUTSIDE_M + 2.0 * THICKNESS_M) ** 2 - OUTSIDE_M**2) * INSULATION_KG_PER_M3
    sheet = (COVER_KG_PER_M - insulation) / (math.pi * (OUTSIDE_M + 2.0 * THICKNESS_M) * (1.0 + LAPS))
    density = PIPE_KG_PER_M / (math.pi * (OUTSIDE_M - WALL_M) * WALL_M)
    names = ["A", *MARKS, "B"]
    return {
        "line": LINE,
        "temperatures": {"cold": q(20, "degC"), "hot": q(20, "degC")},
        "materials": [
            {
                "id": "steel",
                "modulus_cold": q(YOUNG_PA / 1e6, "MPa"),
                "modulus_hot": q(YOUNG_PA / 1e6, "MPa"),
                "mean_expansion": q(0.0, "1/K"),
                "poissons_ratio": 0.3,
                "density": q(density, "kg/m3"),
            }
        ],
        "pipes": [{"id": "main", "nominal_size": "12", "schedule": "80", "material": "steel"}],
        "insulations": [
            {
                "id": "cover",
                "thickness": q(THICKNESS_M * 1000.0, "mm"),
                "density": q(INSULATION_KG_PER_M3, "kg/m3"),
                "jacketing": {"mass_per_area": q(sheet, "kg/m2"), "laps_and_bands": LAPS},
            }
        ],
        "line_contents": {"hot": "empty", "test": "empty"},
        "nodes": [node(name, 9.0 * place, 0.0, 0.0) for place, name in enumerate(names)],
        "segments": [
            {"id": f"S{place + 1}", "from": a, "to": b, "pipe": "main", "insulation": "cover"}
            for place, (a, b) in enumerate(pairwise(names))
        ],
        "anchors": [{"id": "A", "node": "A"}, {"id": "B", "node": "B"}],
        "hangers": [
            {"mark": mark, "node": mark, "height": {"error": q(0, "mm"), "uncertainty": q(0, "mm")}}
            for mark in MARKS
        ],
        **changes,
    }


def five_hanger_records(**design: Any) -> dict[str, Document]:
    """Records of its hangers by mark: constant supports of 14,787.938 N, as tests/lines/base.py has them.

    The rods state no length and so count as rigid. design: members that replace those of each design.
    """
    return {
        mark: {
            "line": LINE,
            "mark": mark,
            "kind": "constant",
            "acts_from": "above",
            "line_of_action": "vertical",
            "assemblies": [{"stops": 2}],
            "design": {
                "operating_load": q(CALIBRATED_N, "N"),
                "hardware_weight": q(0, "N"),
                "calibrated_load": q(CALIBRATED_N, "N"),
                "friction": q(0, "%"),
                "vertical_movement": q(0, "mm"),
                "total_travel": q(100, "mm"),
                "locked_position": {"reading": q(0, "mm"), "load": q(CALIBRATED_N, "N")},
                "locked_assembly_capacity": q(30, "kN"),
                "stop_capacity_up": q(2800, "N"),
                "stop_capacity_down": q(2800, "N"),
                **design,
            },
            "indicator": {
                "span": {"low": q(-60, "mm"), "high": q(40, "mm")},
                "rises_when_pipe": "rises",
                "cold_mark": q(0, "mm"),
                "hot_mark": q(0, "mm"),
            },
            "rod": {
                "thread": "M24",
                "number": 1,
                "allowable_stress": q(62.05, "MPa"),
                "stress_basis": "9000 psi on the root area",
                "yield_strength": q(115.7, "MPa"),
            },
            "adjuster": {
                "form": "turnbuckle",
                "thread": "M24",
                "hands": "opposite_hands",
                "turn_limit_raise": 20,
                "turn_limit_lower": 20,
            },
            "stop": travel_stop(),
        }
        for mark in MARKS
    }


# --- a line in space ----------------------------------------------------------------------------------------
BEND_M = 0.4572
RISER_LINE = "HP-2"
# mark: kind, operating load kN, movement mm, rate N/mm
RISER_SUPPORTS: dict[str, tuple[str, float, float, float]] = {
    "HP-2-1": ("constant", 7.8, 43.0, 0.0),
    "HP-2-2": ("rigid", 40.4, 0.0, 0.0),
    "HP-2-3": ("constant", 14.1, -103.0, 0.0),
    "HP-2-4": ("variable", 4.1, -42.0, 20.0),
    "HP-2-5": ("constant", 22.4, -48.0, 0.0),
    "HP-2-6": ("variable", 4.4, -17.0, 60.0),
}


def _segment(name: str, a: str, b: str, pipe: str = "main", cover: str = "thick") -> Document:
    return {"id": name, "from": a, "to": b, "pipe": pipe, "insulation": cover}


def _bend(name: str, a: str, b: str, x: float, y: float, z: float) -> Document:
    corner = {"x": q(x, "m"), "y": q(y, "m"), "z": q(z, "m")}
    return {**_segment(name, a, b), "bend": {"corner": corner, "radius": q(BEND_M * 1000.0, "mm")}}


def riser_model(**changes: Any) -> Document:
    """A line from a moving nozzle down a riser to two anchors, 540 degC, steel with 1 to 3 % chromium."""
    nozzle = still("header", "N1")
    nozzle["movement"] = {"x": q(-6, "mm"), "y": q(0, "mm"), "z": q(25, "mm")}
    nozzle["rotation"] = {"x": q(0, "deg"), "y": q(0.05, "deg"), "z": q(0, "deg")}
    return {
        "line": RISER_LINE,
        "temperatures": {"cold": q(20, "degC"), "hot": q(540, "degC")},
        "materials": [{"id": "chrome", "table": "low_chrome"}],
        "pipes": [
            {"id": "main", "nominal_size": "12", "schedule": "80", "material": "chrome"},
            {"id": "branch", "outside_diameter": q(219.1, "mm"), "wall": q(12.7, "mm"), "material": "chrome"},
        ],
        "insulations": [
            {
                "id": "thick",
                "thickness": q(150, "mm"),
                "density": q(160, "kg/m3"),
                "jacketing": {"mass_per_area": q(2.16, "kg/m2"), "laps_and_bands": 0.1},
            },
            {"id": "thin", "thickness": q(100, "mm"), "density": q(128, "kg/m3")},
        ],
        "contents": [
            {"id": "steam", "water": {"temperature": q(540, "degC"), "pressure": q(16.5, "MPa")}},
            {"id": "water", "water": {"temperature": q(20, "degC"), "pressure": q(10, "bar")}},
        ],
        "line_contents": {"hot": "steam", "test": "water"},
        "nodes": [
            node("N1", 0, 0, 30),
            node("N2", 4, 0, 30),
            node("N3", 8 - BEND_M, 0, 30),
            node("N4", 8, 0, 30 - BEND_M),
            node("N5", 8, 0, 20),
            node("N6", 8, 0, 15),
            node("N7", 8, 0, 10 + BEND_M),
            node("N8", 8, BEND_M, 10),
            node("N9", 8, 6, 10),
            node("N10", 8, 9, 10),
            node("N11", 11, 9, 10),
            node("N12", 15, 9, 10),
            node("N13", 8, 12, 10),
            node("N14", 8, 13, 10),
            node("N15", 8, 17, 10),
            node("N16", 8, 22, 10),
        ],
        "segments": [
            _segment("header-1", "N1", "N2"),
            _segment("header-2", "N2", "N3"),
            _bend("elbow-1", "N3", "N4", 8, 0, 30),
            _segment("riser-1", "N4", "N5"),
            _segment("riser-2", "N5", "N6"),
            _segment("riser-3", "N6", "N7"),
            _bend("elbow-2", "N7", "N8", 8, 0, 10),
            _segment("run-1", "N8", "N9"),
            _segment("run-2", "N9", "N10"),
            _segment("branch-1", "N10", "N11", "branch", "thin"),
            _segment("branch-2", "N11", "N12", "branch", "thin"),
            _segment("run-3", "N10", "N13"),
            _segment("run-4", "N13", "N14"),
            _segment("run-5", "N14", "N15"),
            _segment("run-6", "N15", "N16"),
        ],
        "masses": [{"id": "valve", "node": "N13", "mass": q(1200, "kg"), "description": "gate valve"}],
        "nozzles": [nozzle],
        "anchors": [{"id": "end", "node": "N16"}, {"id": "branch-end", "node": "N12"}],
        "guides": [{"id": "riser-guide", "node": "N6", "directions": ["x", "y"]}],
        "hangers": [
            {"mark": mark, "node": place}
            for mark, place in zip(RISER_SUPPORTS, ("N2", "N5", "N9", "N11", "N14", "N15"), strict=True)
        ],
        **changes,
    }


def riser_records() -> dict[str, Document]:
    """Records of its hangers by mark: constants (one a trapeze), variables (one a base spring), one rigid."""
    return {mark: _record(mark, *figures) for mark, figures in RISER_SUPPORTS.items()}


def _record(mark: str, kind: str, load_kn: float, movement_mm: float, rate: float) -> Document:
    count = 2 if mark == "HP-2-5" else 1
    below = mark == "HP-2-6"
    hardware_kn = 0.3 * count
    hot_kn = (load_kn + hardware_kn) / count
    design: Document = {
        "operating_load": q(load_kn, "kN"),
        "hardware_weight": q(hardware_kn, "kN"),
        "vertical_movement": q(movement_mm, "mm"),
    }
    record: Document = {
        "line": RISER_LINE,
        "mark": mark,
        "kind": kind,
        "acts_from": "below" if below else "above",
        "line_of_action": "vertical",
        "assemblies": [{"stops": 0 if kind == "rigid" else 1} for _ in range(count)],
        "design": design,
    }
    if not below:
        record["rod"] = {
            "thread": "M48",
            "length_between_pins": q(2500, "mm"),
            "number": 1,
            "allowable_stress": q(62.05, "MPa"),
            "stress_basis": "9000 psi on the root area",
            "yield_strength": q(248, "MPa"),
        }
    if kind == "rigid":
        return record
    cold_mm = 110.0 - movement_mm / 2.0
    locked_kn = hot_kn + (rate * movement_mm / 1000.0 if kind == "variable" else 0.0)
    if kind == "variable":
        design |= {"spring_rate": q(rate, "N/mm"), "installed_load": q(locked_kn, "kN")}
    else:
        design |= {"calibrated_load": q(hot_kn, "kN")}
    design |= {
        "friction": q(2, "%"),
        "total_travel": q(220, "mm"),
        "locked_position": {"reading": q(cold_mm, "mm"), "load": q(locked_kn, "kN")},
        "locked_assembly_capacity": q(90, "kN"),
        "stop_capacity_up": q(40, "kN"),
        "stop_capacity_down": q(40, "kN"),
        "steel_stiffness": q(30, "kN/mm"),
    }
    record["indicator"] = {
        "span": {"low": q(0, "mm"), "high": q(220, "mm")},
        "rises_when_pipe": "rises",
        "cold_mark": q(cold_mm, "mm"),
        "hot_mark": q(cold_mm + movement_mm, "mm"),
    }
    record["adjuster"] = {
        "form": "load_column" if below else "turnbuckle",
        "thread": "M48",
        "hands": "single" if below else "opposite_hands",
        "turn_limit_raise": 8,
        "turn_limit_lower": 8,
    }
    record["stop"] = travel_stop()
    return record
