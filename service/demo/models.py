"""Models of the two invented lines that are weighed: where their pipe runs, what lies on it, what holds it.

Every number here is invented for demonstration. Coordinates in metres, z up.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

Point = tuple[float, float, float]


def _q(value: float, unit: str) -> dict[str, Any]:
    return {"value": round(value, 6), "unit": unit}


def _point(at: Point) -> dict[str, Any]:
    return {axis: _q(value, "m") for axis, value in zip("xyz", at, strict=True)}


@dataclass(frozen=True)
class Run:
    """The few figures from which one model is made.

    Attributes:
        nodes: in the order of the line, from its nozzle to its anchor; a segment joins each to the next
        corners: of the bends, by the node where each begins
        radius_m: of the bends
        hangers: nodes of the hangers, in the order of their marks
        pipe: nominal size and schedule
        material: table of its properties
        insulation: thickness [mm] and density as laid [kg/m3]
        steam: temperature [degC] and pressure [MPa]
        nozzle_rise_mm: movement of the nozzle from cold to hot, up positive
        masses: node and kilograms by id
        tested_with_water: whether the line is full of water in its pressure test
    """

    nodes: Mapping[str, Point]
    corners: Mapping[str, Point]
    radius_m: float
    hangers: tuple[str, ...]
    pipe: tuple[str, str]
    material: str
    insulation: tuple[float, float]
    steam: tuple[float, float]
    nozzle_rise_mm: float
    masses: Mapping[str, tuple[str, float]]
    tested_with_water: bool


RUNS: Final[Mapping[str, Run]] = {
    "CR-40": Run(
        nodes={
            "N10": (0, 0, 8),
            "N20": (0, 0, 13.4),
            "N30": (0.6, 0, 14),
            "N40": (6, 0, 14),
            "N50": (15, 0, 14),
            "N60": (24, 0, 14),
            "N70": (33, 0, 14),
            "N80": (38.4, 0, 14),
            "N90": (39, 0.6, 14),
            "N100": (39, 7, 14),
            "N110": (39, 16, 14),
        },
        corners={"N20": (0, 0, 14), "N80": (39, 0, 14)},
        radius_m=0.6,
        hangers=("N40", "N50", "N60", "N70", "N100"),
        pipe=("16", "40"),
        material="carbon_steel",
        insulation=(110, 180),
        steam=(350, 4.2),
        nozzle_rise_mm=12,
        masses={"check-valve": ("N70", 300)},
        tested_with_water=True,
    ),
    # Its springs were set for insulation of 200 kg/m3; what was laid weighs 240, the whole line 4 % more.
    "BP-50": Run(
        nodes={
            "N10": (0, 0, 6),
            "N20": (0, 0, 9.5),
            "N30": (0.5, 0, 10),
            "N40": (6, 0, 10),
            "N50": (14, 0, 10),
            "N60": (22, 0, 10),
            "N70": (27.5, 0, 10),
            "N80": (28, 0.5, 10),
            "N90": (28, 5, 10),
            "N100": (28, 13, 10),
            "N110": (28, 21, 10),
        },
        corners={"N20": (0, 0, 10), "N70": (28, 0, 10)},
        radius_m=0.5,
        hangers=("N40", "N50", "N60", "N90", "N100"),
        pipe=("12", "80"),
        material="low_chrome",
        insulation=(120, 240),
        steam=(510, 8.0),
        nozzle_rise_mm=30,
        masses={},
        tested_with_water=False,
    ),
}


BARE_SEGMENTS: Final = ("S4", "S5", "S6")
"""Of CR-40: the spans from its first hanger to its fourth, not insulated yet when it is looked at."""


def line_model(line: str) -> dict[str, Any]:
    """The model of a line, as it would be posted."""
    run = RUNS[line]
    names = list(run.nodes)
    hot_degc, pressure_mpa = run.steam
    return {
        "line": line,
        "description": "invented for demonstration",
        "drawing": {"number": f"P-{line}", "revision": "A"},
        "temperatures": {"cold": _q(20, "degC"), "hot": _q(hot_degc, "degC")},
        "materials": [{"id": "steel", "table": run.material}],
        "pipes": [{"id": "main", "nominal_size": run.pipe[0], "schedule": run.pipe[1], "material": "steel"}],
        "insulations": [
            {
                "id": "cover",
                "thickness": _q(run.insulation[0], "mm"),
                "density": _q(run.insulation[1], "kg/m3"),
                "jacketing": {"mass_per_area": _q(2.16, "kg/m2"), "laps_and_bands": 0.08},
            }
        ],
        "contents": [
            {
                "id": "steam",
                "water": {"temperature": _q(hot_degc, "degC"), "pressure": _q(pressure_mpa, "MPa")},
            },
            {"id": "test-water", "density": _q(998, "kg/m3")},
        ],
        "line_contents": {"hot": "steam", "test": "test-water" if run.tested_with_water else "empty"},
        "nodes": [{"id": name, **_point(at)} for name, at in run.nodes.items()],
        "segments": [_segment(run, number, *ends) for number, ends in enumerate(pairwise(names), start=1)],
        "masses": [
            {"id": name, "node": node, "mass": _q(kilograms, "kg")}
            for name, (node, kilograms) in run.masses.items()
        ],
        "nozzles": [
            {
                "id": "outlet",
                "node": names[0],
                "movement": {"x": _q(0, "mm"), "y": _q(0, "mm"), "z": _q(run.nozzle_rise_mm, "mm")},
                "rotation": {axis: _q(0, "deg") for axis in "xyz"},
            }
        ],
        "anchors": [{"id": "end", "node": names[-1]}],
        "hangers": [
            {
                "mark": f"{line}-{number:02}",
                "node": node,
                "height": {"error": _q(0, "mm"), "uncertainty": _q(0, "mm")},
            }
            for number, node in enumerate(run.hangers, start=1)
        ],
    }


def _segment(run: Run, number: int, start: str, end: str) -> dict[str, Any]:
    segment: dict[str, Any] = {
        "id": f"S{number}",
        "from": start,
        "to": end,
        "pipe": "main",
        "insulation": "cover",
    }
    if start in run.corners:
        segment["bend"] = {"corner": _point(run.corners[start]), "radius": _q(1000 * run.radius_m, "mm")}
    return segment
