"""Figures: SI values as the answer writes them, in one system of units."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np

from service.engineering.frames.elements import Array
from service.errors import OutOfRange
from service.units import PREFERRED, Dimension, System, from_si, quantity_from_si, rounded

_LARGEST: Final = 1e12  # the largest value that the schema of quantities admits
_DIGITS: Final = {Dimension.FORCE: 1e-6, Dimension.LENGTH: 1e-12, Dimension.STIFFNESS: 1e-6}


def plain(value: float) -> float:
    """A number for the document: finite, 12 significant digits, no negative zero.

    Raises:
        OutOfRange: the inputs lead to a number that is not finite
    """
    if not math.isfinite(value):
        raise OutOfRange("The inputs lead to a number that is not finite.", value=str(value))
    return rounded(value) + 0.0


class Figures:
    """Writes SI values as quantities of one system of units; None stays None."""

    def __init__(self, system: System) -> None:
        """system: `si` or `us`."""
        self.system: System = system

    def quantity(self, value_si: float | None, dimension: Dimension) -> dict[str, Any] | None:
        """A quantity, or None for None. What lies below the noise of the solution is nothing."""
        if value_si is None:
            return None
        value = 0.0 if abs(value_si) < _DIGITS.get(dimension, 0.0) else value_si
        found = quantity_from_si(plain(value), PREFERRED[self.system][dimension], dimension)
        if abs(found["value"]) > _LARGEST:
            raise OutOfRange("The inputs lead to a value beyond what a quantity may hold.", **found)
        return {"value": found["value"] + 0.0, "unit": found["unit"]}

    def force(self, value_n: float | None) -> dict[str, Any] | None:
        """A force [N]."""
        return self.quantity(value_n, Dimension.FORCE)

    def length(self, value_m: float | None) -> dict[str, Any] | None:
        """A length or movement [m]."""
        return self.quantity(value_m, Dimension.LENGTH)

    def stiffness(self, value_n_per_m: float | None) -> dict[str, Any] | None:
        """A stiffness [N/m]; an infinite one is None."""
        if value_n_per_m is not None and math.isinf(value_n_per_m):
            return None
        return self.quantity(value_n_per_m, Dimension.STIFFNESS)

    def ratio(self, value: float | None) -> dict[str, Any] | None:
        """A ratio, 1 for the whole."""
        return self.quantity(value, Dimension.RATIO)

    def table(self, values_si: Array, dimension: Dimension) -> dict[str, Any]:
        """A table of values in one unit, row by row."""
        unit = PREFERRED[self.system][dimension]
        least = _DIGITS.get(dimension, 0.0)
        rows = np.where(np.abs(values_si) < least, 0.0, values_si)
        return {
            "unit": unit,
            "rows": [[plain(from_si(plain(float(each)), unit, dimension)) for each in row] for row in rows],
        }
