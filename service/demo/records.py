"""Records of the invented plant: its lines and their supports, from a few figures each.

Every number here is invented for demonstration. Loads in kN, lengths in mm, rates in N/mm; movement is
signed, up positive, from cold to hot.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

PLANT: Final = "demo"


def _q(value: float, unit: str) -> dict[str, Any]:
    return {"value": round(value, 6), "unit": unit}


@dataclass(frozen=True)
class Support:
    """The few figures from which one record is made.

    load_kn: operating load of the hanger at the pipe. movement_mm: cold to hot, up positive.
    rate_n_per_mm: of one assembly of a variable spring. assemblies: 2 for a trapeze.
    released_cold_offset_mm: how far off its cold mark it is expected when released; where it is None, 4 for
    a variable spring and 0 for a constant support. reserve_mm: travel of a constant support beyond either
    mark. stop_down_kn: what the stops of one assembly may carry downward; twice the hot load where it is
    None. slot_mm: clearance of the pin in the stop's slot. friction_percent: half the friction band; where
    it is None, 2 for a variable spring and 3 for a constant support. test_ratio: load under the pressure
    test over the operating load.
    """

    mark: str
    line: str
    kind: str
    load_kn: float
    movement_mm: float = 0.0
    rate_n_per_mm: float = 0.0
    thread: str = "M36"
    assemblies: int = 1
    stops: int = 2
    acts_from: str = "above"
    elevation_m: float = 12.0
    released_cold_offset_mm: float | None = None
    reserve_mm: float | None = None
    stop_down_kn: float | None = None
    slot_mm: float = 4.0
    friction_percent: float | None = None
    test_ratio: float = 1.5


# MS-10: proved; HR-20: in release; FW-30: erected, and not ready for five different reasons.
SUPPORTS: Final[tuple[Support, ...]] = (
    Support("MS-10-01", "MS-10", "rigid", 22.0, thread="M36", stops=0, elevation_m=31.2),
    Support("MS-10-02", "MS-10", "constant", 18.4, 96, thread="M36", elevation_m=30.4),
    Support("MS-10-03", "MS-10", "constant", 16.9, 88, thread="M36", elevation_m=28.1),
    Support("MS-10-04", "MS-10", "variable", 14.5, 40, 60, thread="M36", elevation_m=26.0),
    Support("MS-10-05", "MS-10", "variable", 13.2, 34, 60, thread="M36", elevation_m=24.3),
    Support(
        "MS-10-06", "MS-10", "constant", 30.2, 110, thread="M36", assemblies=2, stops=1, elevation_m=22.7
    ),
    Support("MS-10-07", "MS-10", "variable", 12.8, 28, 60, thread="M30", elevation_m=20.5),
    Support("MS-10-08", "MS-10", "variable", 12.1, 21, 60, thread="M30", elevation_m=18.8),
    Support("MS-10-09", "MS-10", "variable", 15.6, 15, 90, thread="M36", elevation_m=17.0),
    Support("MS-10-10", "MS-10", "variable", 15.9, 9, 90, thread="M36", elevation_m=15.6),
    Support("MS-10-11", "MS-10", "variable", 11.4, -8, 90, thread="M30", elevation_m=14.2),
    Support("MS-10-12", "MS-10", "variable", 10.8, -12, 60, thread="M30", elevation_m=13.1),
    Support("MS-10-13", "MS-10", "constant", 17.7, -62, thread="M36", elevation_m=12.0),
    Support("MS-10-14", "MS-10", "rigid", 19.0, thread="M36", stops=0, elevation_m=11.2),
    Support("HR-20-01", "HR-20", "rigid", 25.0, thread="M42", stops=0, elevation_m=29.8),
    Support("HR-20-02", "HR-20", "constant", 21.3, 104, thread="M42", elevation_m=28.9),
    Support("HR-20-03", "HR-20", "constant", 22.6, 97, thread="M42", elevation_m=27.0),
    Support("HR-20-04", "HR-20", "variable", 19.4, 45, 80, thread="M42", elevation_m=25.1),
    Support("HR-20-05", "HR-20", "variable", 18.8, 38, 80, thread="M42", elevation_m=23.4),
    Support(
        "HR-20-06", "HR-20", "variable", 36.0, 30, 80, thread="M36", assemblies=2, stops=1, elevation_m=21.6
    ),
    Support("HR-20-07", "HR-20", "variable", 17.2, 24, 80, thread="M36", elevation_m=19.9),
    Support("HR-20-08", "HR-20", "variable", 16.5, 18, 80, thread="M36", elevation_m=18.0),
    Support("HR-20-09", "HR-20", "variable", 16.1, 12, 80, thread="M36", elevation_m=16.3),
    Support("HR-20-10", "HR-20", "variable", 15.0, -6, 80, thread="M36", elevation_m=14.9),
    Support("HR-20-11", "HR-20", "variable", 14.2, -14, 80, thread="M36", elevation_m=13.7),
    Support("HR-20-12", "HR-20", "constant", 18.9, -71, thread="M36", elevation_m=12.6),
    Support("HR-20-13", "HR-20", "variable", 13.6, -10, 80, thread="M36", elevation_m=11.9),
    Support("HR-20-14", "HR-20", "rigid", 21.0, thread="M42", stops=0, elevation_m=11.0),
    Support("FW-30-01", "FW-30", "rigid", 14.0, thread="M30", stops=0, elevation_m=9.4),
    Support("FW-30-02", "FW-30", "variable", 11.9, 18, 60, thread="M30", elevation_m=9.0),
    Support("FW-30-03", "FW-30", "variable", 12.4, 16, 60, thread="M30", elevation_m=8.7),
    Support("FW-30-04", "FW-30", "variable", 12.0, 12, 60, thread="M30", elevation_m=8.3),
    Support("FW-30-05", "FW-30", "variable", 9.2, 8, 50, thread="M48x3", acts_from="below", elevation_m=6.1),
    Support("FW-30-06", "FW-30", "variable", 9.6, 6, 50, thread="M48x3", acts_from="below", elevation_m=6.0),
    Support("FW-30-07", "FW-30", "constant", 13.8, 58, thread="M30", elevation_m=7.4),
    Support("FW-30-08", "FW-30", "variable", 11.1, -7, 60, thread="M30", elevation_m=7.0),
    Support("FW-30-09", "FW-30", "variable", 10.7, -11, 60, thread="M30", elevation_m=6.8),
    Support("FW-30-10", "FW-30", "variable", 10.2, -13, 60, thread="M30", elevation_m=6.5),
    Support("FW-30-11", "FW-30", "variable", 10.0, -9, 60, thread="M30", elevation_m=6.3),
    Support("FW-30-12", "FW-30", "rigid", 13.0, thread="M30", stops=0, elevation_m=6.0),
)

# What the hangers of each line that is weighed have in common: good bearings, narrow slots.
_CR: Final[Mapping[str, Any]] = {
    "elevation_m": 14.0,
    "friction_percent": 1.5,
    "slot_mm": 1.0,
    "reserve_mm": 28.0,
}
_BP: Final[Mapping[str, Any]] = {
    "elevation_m": 10.0,
    "friction_percent": 1.0,
    "slot_mm": 0.8,
    "reserve_mm": 60.0,
    "stop_down_kn": 2.0,
    "test_ratio": 1.0,
}

# Loads and movements are those of the lines' models; BP-50's were worked out with lighter insulation.
WEIGHED_SUPPORTS: Final[tuple[Support, ...]] = (
    Support("CR-40-01", "CR-40", "constant", 12.8, 44, released_cold_offset_mm=3.5, **_CR),
    Support("CR-40-02", "CR-40", "constant", 15.5, 41, released_cold_offset_mm=7.5, **_CR),
    Support("CR-40-03", "CR-40", "constant", 10.7, 29, released_cold_offset_mm=9.5, **_CR),
    Support("CR-40-04", "CR-40", "constant", 23.4, 15, released_cold_offset_mm=9.5, **_CR),
    Support("CR-40-05", "CR-40", "variable", 19.7, 2, 60, released_cold_offset_mm=4.0, **_CR),
    Support("BP-50-01", "BP-50", "constant", 13.5, 56, released_cold_offset_mm=3.5, **_BP),
    Support("BP-50-02", "BP-50", "constant", 11.2, 44, released_cold_offset_mm=7.5, **_BP),
    Support("BP-50-03", "BP-50", "constant", 17.4, 29, released_cold_offset_mm=11.5, **_BP),
    Support("BP-50-04", "BP-50", "constant", 18.3, 12, released_cold_offset_mm=9.5, **_BP),
    Support("BP-50-05", "BP-50", "variable", 10.3, 4, 60, released_cold_offset_mm=3.5, **_BP),
)

LINES: Final[Mapping[str, dict[str, Any]]] = {
    "MS-10": {
        "description": "main steam, boiler outlet to turbine stop valve",
        "from_terminal": "boiler outlet nozzle",
        "to_terminal": "turbine stop valve",
        "design_temperature": {"value": 545, "unit": "degC"},
    },
    "HR-20": {
        "description": "hot reheat, reheater outlet to intercept valve",
        "from_terminal": "reheater outlet nozzle",
        "to_terminal": "intercept valve",
        "design_temperature": {"value": 545, "unit": "degC"},
    },
    "FW-30": {
        "description": "feedwater, pump discharge to economiser",
        "from_terminal": "feed pump nozzle",
        "to_terminal": "economiser inlet nozzle",
        "design_temperature": {"value": 210, "unit": "degC"},
    },
    "CR-40": {
        "description": "cold reheat, turbine outlet to reheater",
        "from_terminal": "turbine outlet nozzle",
        "to_terminal": "reheater anchor",
        "design_temperature": {"value": 350, "unit": "degC"},
    },
    "BP-50": {
        "description": "bypass, main steam to bypass station",
        "from_terminal": "main steam branch",
        "to_terminal": "bypass station",
        "design_temperature": {"value": 510, "unit": "degC"},
    },
}

# Lines without a model, and lines that are weighed by theirs.
PLAIN_LINES: Final = ("MS-10", "HR-20", "FW-30")
WEIGHED_LINES: Final = ("CR-40", "BP-50")

PLANT_RECORD: Final[dict[str, Any]] = {
    "name": "Invented demonstration plant",
    "time_zone": "Etc/UTC",
    "elevation_datum": "plant zero",
}


def supports_of(line: str) -> list[Support]:
    """Supports of a line, in its order."""
    return [support for support in (*SUPPORTS, *WEIGHED_SUPPORTS) if support.line == line]


def line_record(line: str) -> dict[str, Any]:
    """The line's record, with every support that its invented drawing shows."""
    return {
        **LINES[line],
        "supports_expected": {
            "marks": [support.mark for support in supports_of(line)],
            "drawing": f"P-{line}",
            "revision": "A",
        },
        "connected_lines": [],
        "weight_basis": {"contents": "empty", "insulation": "complete"},
        "pressure_test_required": line != "BP-50",
        "chemical_clean_required": False,
    }


def hanger_record(support: Support) -> dict[str, Any]:
    """The hanger's record, complete and consistent with itself."""
    record: dict[str, Any] = {
        "line": support.line,
        "mark": support.mark,
        "kind": support.kind,
        "drawing": {"number": f"S-{support.mark}", "revision": "A"},
        "location": {
            "elevation": _q(support.elevation_m, "m"),
            "datum": "plant zero",
            "description": f"support {support.mark[-2:]} of the line, counted from its beginning",
        },
        "external_ids": [{"source": "maintenance", "id": f"EQ-{support.mark}"}],
        "acts_from": support.acts_from,
        "line_of_action": "vertical",
        "assemblies": [
            {"stops": support.stops, **_side(place, support.assemblies)}
            for place in range(support.assemblies)
        ],
        "design": _design(support),
    }
    if support.acts_from == "above":
        record["rod"] = _rod(support)
    if support.kind != "rigid":
        record["indicator"] = _indicator(support)
        record["adjuster"] = _adjuster(support)
        record["stop"] = {
            "slot_clearance": _q(support.slot_mm, "mm"),
            "pin_moves_down_when": "rod_tension_rises",
            "linkage_ratio": 1,
        }
        record["nameplate"] = nameplate(support)
    return record


def _side(place: int, count: int) -> dict[str, Any]:
    if count == 1:
        return {}
    return {
        "load_share": _q(100 / count, "%"),
        "arm": _q(-450 if place == 0 else 450, "mm"),
        "description": "north rod" if place == 0 else "south rod",
    }


def _hardware_kn(support: Support) -> float:
    return 0.3 * support.assemblies


def hot_load_kn(support: Support) -> float:
    """Load of one assembly in operation, hardware included."""
    return (support.load_kn + _hardware_kn(support)) / support.assemblies


def cold_load_kn(support: Support) -> float:
    """Load of one assembly at the cold mark: greater than hot when the pipe rises."""
    if support.kind != "variable":
        return hot_load_kn(support)
    return hot_load_kn(support) + support.rate_n_per_mm * support.movement_mm / 1000


def cold_mark_mm(support: Support) -> float:
    """Reading at the cold mark; the scale rises with the pipe."""
    if support.kind == "constant":
        reserve = _reserve_mm(support)
        return reserve if support.movement_mm > 0 else total_travel_mm(support) - reserve
    return total_travel_mm(support) / 2 - support.movement_mm / 2


def total_travel_mm(support: Support) -> float:
    """Total travel of the assembly."""
    if support.kind == "constant":
        return abs(support.movement_mm) + 2 * _reserve_mm(support)
    return 140.0


def _friction_percent(support: Support) -> float:
    if support.friction_percent is not None:
        return support.friction_percent
    return 2 if support.kind == "variable" else 3


def _reserve_mm(support: Support) -> float:
    """Travel of a constant support beyond its cold mark, and as much beyond its hot one."""
    if support.reserve_mm is not None:
        return support.reserve_mm
    return max(0.2 * abs(support.movement_mm), 25.0) / 2 + 5


def hot_mark_mm(support: Support) -> float:
    """Reading at the hot mark."""
    return cold_mark_mm(support) + support.movement_mm


def expected_released_cold_mm(support: Support) -> float:
    """Reading expected when released cold: a variable line settles off its cold marks."""
    offset = 4.0 if support.kind == "variable" else 0.0
    if support.released_cold_offset_mm is not None:
        offset = support.released_cold_offset_mm
    return cold_mark_mm(support) + offset


def _design(support: Support) -> dict[str, Any]:
    design: dict[str, Any] = {
        "operating_load": _q(support.load_kn, "kN"),
        "hardware_weight": _q(_hardware_kn(support), "kN"),
        "pressure_test_load": _q(support.test_ratio * support.load_kn, "kN"),
        "pipe_to_support_dimension": {
            "nominal": _q(1850, "mm"),
            "tolerance_plus": _q(10, "mm"),
            "tolerance_minus": _q(10, "mm"),
        },
        "design_temperature": LINES[support.line]["design_temperature"],
    }
    if support.acts_from == "above":
        design["lateral_movement"] = _q(45, "mm")
        design["erected_offset"] = _q(20, "mm")
    if support.kind == "rigid":
        return design
    hot, cold = hot_load_kn(support), cold_load_kn(support)
    stop_down_kn = 2 * hot if support.stop_down_kn is None else support.stop_down_kn
    design |= {
        "preset_basis": "hot_load",
        "weight_basis": {"contents": "empty", "insulation": "complete"},
        "vertical_movement": _q(support.movement_mm, "mm"),
        "total_travel": _q(total_travel_mm(support), "mm"),
        "friction": _q(_friction_percent(support), "%"),
        "locked_position": {"reading": _q(cold_mark_mm(support), "mm"), "load": _q(cold, "kN")},
        "locked_assembly_capacity": _q(3 * hot, "kN"),
        "stop_capacity_up": _q(2 * hot, "kN"),
        "stop_capacity_down": _q(stop_down_kn, "kN"),
        "steel_stiffness": _q(20, "kN/mm"),
    }
    if support.kind == "variable":
        # The scale's middle is the middle of the range: reading and load go with the spring rate.
        middle = (hot + cold) / 2
        half = support.rate_n_per_mm * total_travel_mm(support) / 2000
        design |= {
            "installed_load": _q(cold, "kN"),
            "spring_rate": _q(support.rate_n_per_mm, "N/mm"),
            "working_range": {
                "minimum_load": _q(middle - half, "kN"),
                "maximum_load": _q(middle + half, "kN"),
            },
        }
    else:
        design |= {
            "calibrated_load": _q(hot, "kN"),
            "load_adjustability": {
                "raise": _q(10, "%"),
                "lower": _q(10, "%"),
                "load_per_turn": _q(hot / 100, "kN"),
            },
            "deviation": _q(5, "%"),
        }
    return design


def _indicator(support: Support) -> dict[str, Any]:
    return {
        "span": {"low": _q(0, "mm"), "high": _q(total_travel_mm(support), "mm")},
        "rises_when_pipe": "rises",
        "cold_mark": _q(cold_mark_mm(support), "mm"),
        "hot_mark": _q(hot_mark_mm(support), "mm"),
        "expected_released_cold": _q(expected_released_cold_mm(support), "mm"),
        "division": _q(1, "mm"),
    }


def _rod(support: Support) -> dict[str, Any]:
    return {
        "thread": support.thread,
        "length_between_pins": _q(2400, "mm"),
        "number": 1,
        "material": "ASTM A36",
        "allowable_stress": _q(62.05, "MPa"),
        "stress_basis": "9,000 psi on the root area of the thread",
        "yield_strength": _q(248, "MPa"),
    }


def _adjuster(support: Support) -> dict[str, Any]:
    if support.acts_from == "below":
        return {
            "form": "load_column",
            "thread": support.thread,
            "hands": "single",
            "lead_per_turn": _q(3, "mm"),
            "flats": 6,
            "clockwise_raises": False,
            "seen_from": "above",
            "engagement": [{"end": "lower", "as_drawn": _q(90, "mm"), "least_allowed": _q(48, "mm")}],
            "inspection_hole": True,
            "turn_limit_raise": 10,
            "turn_limit_lower": 10,
            "locking_device": "locknut",
        }
    pitch = {"M30": 3.5, "M36": 4.0, "M42": 4.5}[support.thread]
    least = float(support.thread[1:])
    return {
        "form": "turnbuckle",
        "thread": support.thread,
        "hands": "opposite_hands",
        "lead_per_turn": _q(2 * pitch, "mm"),
        "flats": 6,
        "clockwise_raises": True,
        "seen_from": "below",
        "engagement": [
            {"end": end, "as_drawn": _q(least + 30, "mm"), "least_allowed": _q(least, "mm")}
            for end in ("upper", "lower")
        ],
        "inspection_hole": True,
        "turn_limit_raise": 6,
        "turn_limit_lower": 6,
        "locking_device": "locknut",
    }


def nameplate(support: Support) -> dict[str, Any]:
    """What stands on the plate, as drawn."""
    plate: dict[str, Any] = {
        "mark": support.mark,
        "serial_number": f"D-{support.mark}",
        "operating_load": _q(hot_load_kn(support), "kN"),
        "vertical_movement": _q(support.movement_mm, "mm"),
        "total_travel": _q(total_travel_mm(support), "mm"),
    }
    if support.kind == "variable":
        plate["installed_load"] = _q(cold_load_kn(support), "kN")
        plate["spring_rate"] = _q(support.rate_n_per_mm, "N/mm")
    else:
        plate["calibrated_load"] = _q(hot_load_kn(support), "kN")
    return plate
