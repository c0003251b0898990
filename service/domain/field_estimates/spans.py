"""SI figures as quantities of the answer."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from service.errors import OutOfRange
from service.units import PREFERRED, Dimension, System, convert_document, quantity_from_si, rounded

_GREATEST = 1e12


class Figures:
    """Quantities in one system of units."""

    def __init__(self, system: System) -> None:
        """system: of the answer."""
        self._system = system

    def quantity(self, value_si: float, dimension: Dimension) -> dict[str, Any]:
        """A finite SI value as a quantity. Errors: OutOfRange for one that a quantity cannot hold."""
        if not math.isfinite(value_si):
            raise OutOfRange("The request leads to a number that is not finite.", value=str(value_si))
        found = quantity_from_si(rounded(value_si) + 0.0, PREFERRED[self._system][dimension], dimension)
        if abs(found["value"]) > _GREATEST:
            raise OutOfRange("The request leads to a value beyond what a quantity may hold.", **found)
        return {"value": found["value"] + 0.0, "unit": found["unit"]}

    def force(self, value_n: float) -> dict[str, Any]:
        """A force [N]."""
        return self.quantity(value_n, Dimension.FORCE)

    def length(self, value_m: float) -> dict[str, Any]:
        """A length [m]."""
        return self.quantity(value_m, Dimension.LENGTH)

    def ratio(self, value: float) -> dict[str, Any]:
        """A ratio [1]."""
        return self.quantity(value, Dimension.RATIO)

    def maybe(self, value_si: float | None, dimension: Dimension) -> dict[str, Any] | None:
        """A value that may not be known."""
        return None if value_si is None else self.quantity(value_si, dimension)

    def span(
        self, found: tuple[float | None, float | None] | None, dimension: Dimension
    ) -> dict[str, Any] | None:
        """An interval; a side without a bound is null."""
        if found is None:
            return None
        low, high = (None if each is None or not math.isfinite(each) else each for each in found)
        return {"low": self.maybe(low, dimension), "high": self.maybe(high, dimension)}

    def as_given(self, quantity: Mapping[str, Any]) -> Any:
        """A quantity in this system."""
        return convert_document(dict(quantity), self._system)


def turns_span(found: tuple[float, float] | None, lead_m: float | None) -> dict[str, Any] | None:
    """An interval of take-up as turns; null where it or the lead is not known."""
    if found is None or lead_m is None:
        return None
    low, high = (rounded(each / lead_m) + 0.0 if math.isfinite(each) else None for each in found)
    return {"low": low, "high": high}
