"""Whole documents in one system of units.

Documents are stored and returned as they were given; only a caller who asks for a system gets
converted numbers.
"""

from __future__ import annotations

from typing import Any, Final, Literal

from service.errors import UnknownUnit
from service.units.door import dimension_of, from_si, rounded, to_si
from service.units.symbols import PREFERRED, Dimension

System = Literal["si", "us"]

_QUANTITY_KEYS = {"value", "unit"}
# The bound of every quantity in schemas/: what is returned keeps to it as what is posted does.
GREATEST: Final = 1e12


def _converted(value: Any, unit: Any, system: System) -> dict[str, Any]:
    """A quantity in the system's unit; one that is no quantity of ours, or already is in it, as it came."""
    unchanged = {"value": value, "unit": unit}
    if isinstance(value, bool) or not isinstance(value, int | float):
        return unchanged
    try:
        dimension = dimension_of(unit)
    except UnknownUnit:
        return unchanged
    preferred = PREFERRED[system][dimension]
    if unit == preferred:
        return unchanged
    converted = rounded(from_si(to_si(value, unit, dimension), preferred, dimension))
    if dimension is Dimension.TEMPERATURE:
        # Scales have different zeros: what subtraction leaves at one of them is no temperature.
        converted = round(converted, 9) + 0.0
    elif converted == 0.0 and value != 0:
        return unchanged
    if abs(converted) > GREATEST:
        return unchanged
    return {"value": converted, "unit": preferred}


def convert_document(document: Any, system: System) -> Any:
    """A JSON value with every quantity in the preferred unit of the system.

    Every object with exactly the keys `value` and `unit` is a quantity. One that the system's unit
    would take beyond the greatest value of a quantity, or to nothing, stays in its own unit. What
    stands under a key `extensions` belongs to others and is returned as it came, at any depth.

    Args:
        document: any JSON value, not changed
        system: `si` (kN, mm, N/mm, MPa, degC, %, deg, kg, kg/m3, mm2, kN*m, kg/m2, 1/K) or `us`
            (lbf, in, lbf/in, psi, degF, %, deg, lb, lb/ft3, in2, lbf*ft, lb/ft2, 1/degF)

    Returns:
        a new value; converted numbers have 12 significant digits

    Raises:
        OutOfRange: a quantity has no finite value in the system
    """
    if isinstance(document, dict):
        if document.keys() == _QUANTITY_KEYS:
            return _converted(document["value"], document["unit"], system)
        return {
            key: value if key == "extensions" else convert_document(value, system)
            for key, value in document.items()
        }
    if isinstance(document, list):
        return [convert_document(item, system) for item in document]
    return document
