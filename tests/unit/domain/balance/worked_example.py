"""The worked example of the developers' documentation as a request that carries its own line.

A bare pipe of 323.8 x 17.48 mm spans 18 m between two anchors; a variable spring hangs it in the middle.
"""

from __future__ import annotations

from typing import Any

Document = dict[str, Any]


def _q(value: float, unit: str) -> Document:
    return {"value": value, "unit": unit}


def _node(name: str, x_m: float) -> Document:
    return {"id": name, "x": _q(x_m, "m"), "y": _q(0, "m"), "z": _q(10, "m")}


REQUEST: Document = {
    "model": {
        "line": "EX-1",
        "temperatures": {"cold": _q(20, "degC"), "hot": _q(300, "degC")},
        "materials": [
            {
                "id": "steel",
                "modulus_cold": _q(203000, "MPa"),
                "modulus_hot": _q(203000, "MPa"),
                "mean_expansion": _q(0, "1/K"),
                "poissons_ratio": 0.3,
                "density": _q(7850, "kg/m3"),
            }
        ],
        "pipes": [
            {
                "id": "run",
                "outside_diameter": _q(323.8, "mm"),
                "wall": _q(17.48, "mm"),
                "material": "steel",
            }
        ],
        "line_contents": {"cold": "empty", "hot": "empty", "test": "empty"},
        "nodes": [_node("A", 0), _node("M", 9), _node("B", 18)],
        "segments": [
            {"id": "S1", "from": "A", "to": "M", "pipe": "run"},
            {"id": "S2", "from": "M", "to": "B", "pipe": "run"},
        ],
        "anchors": [{"id": "left", "node": "A"}, {"id": "right", "node": "B"}],
        "hangers": [
            {
                "mark": "EX-1-H1",
                "node": "M",
                "height": {"error": _q(0, "mm"), "uncertainty": _q(1, "mm")},
            }
        ],
        "present": {"contents": "empty"},
    },
    "hangers": [
        {
            "line": "EX-1",
            "mark": "EX-1-H1",
            "kind": "variable",
            "acts_from": "above",
            "line_of_action": "vertical",
            "assemblies": [{"stops": 1}],
            "design": {
                "operating_load": _q(11.65, "kN"),
                "hardware_weight": _q(0, "kN"),
                "vertical_movement": _q(10, "mm"),
                "spring_rate": _q(60, "N/mm"),
                "friction": _q(0, "%"),
                "locked_position": {"reading": _q(60, "mm"), "load": _q(12.25, "kN")},
            },
            "indicator": {
                "span": {"low": _q(0, "mm"), "high": _q(100, "mm")},
                "rises_when_pipe": "rises",
                "cold_mark": _q(60, "mm"),
                "hot_mark": _q(70, "mm"),
            },
            "adjuster": {"form": "turnbuckle", "thread": "M24", "hands": "opposite_hands"},
            "stop": {
                "slot_clearance": _q(0, "mm"),
                "pin_moves_down_when": "rod_tension_rises",
                "linkage_ratio": 1,
            },
        }
    ],
}
