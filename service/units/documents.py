"""Whole documents in one system of units.

Documents are stored and returned as they were given; only a caller who asks for a system gets
converted numbers.
"""

from __future__ import annotations

from typing import Any, Literal

from service.errors import UnknownUnit
from service.units.door import dimension_of, from_si, rounded, to_si
from service.units.symbols import PREFERRED

System = Literal["si", "us"]

_QUANTITY_KEYS = {"value", "unit"}


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
    return {"value": rounded(from_si(to_si(value, unit, dimension), preferred, dimension)), "unit": preferred}


def convert_document(document: Any, system: System) -> Any:
    """A JSON value with every quantity in the preferred unit of the system.

    Every object with exactly the keys `value` and `unit` is a quantity. What stands under a key
    `extensions` belongs to others and is returned as it came, at any depth.

    Args:
        document: any JSON value, not changed
        system: `si` (kN, mm, N/mm, MPa, degC, %, deg, kg, kg/m3, mm2, kN*m) or `us` (lbf, in, lbf/in,
            psi, degF, %, deg, lb, lb/ft3, in2, lbf*ft)

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
