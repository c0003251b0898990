"""The reading expected when released cold: as the record states it, else as the line's balance gives it."""

from __future__ import annotations

import math
from typing import Final

from service.domain.balance.weighing import HangerWeighing, Weighing
from service.domain.checks.look import Look
from service.domain.checks.weighed import Weighed
from service.units import Dimension

EXPECTED: Final = "/indicator/expected_released_cold"


def of_hanger(weighing: Weighed | None, mark: str) -> HangerWeighing | None:
    """What the balance says of one hanger; None where it says nothing."""
    return weighing.hangers.get(mark) if isinstance(weighing, Weighing) else None


def optional_expected(look: Look) -> tuple[float, float] | None:
    """Reading expected when released cold and half the width of its friction band [m]; None where not known.

    One that the record states has no band; one that the balance gives names its line model.
    """
    stated = look.optional_si(EXPECTED, Dimension.LENGTH)
    if stated is not None:
        return stated, 0.0
    hanger = of_hanger(look.subject.weighing, look.subject.mark)
    if hanger is None or hanger.expected_released_cold_m is None:
        return None
    look.weighing()
    return hanger.expected_released_cold_m, hanger.expected_band_m or 0.0


def expected_released_cold(look: Look) -> tuple[float, float]:
    """As `optional_expected`; not a number where not known, which is noted as missing."""
    found = optional_expected(look)
    if found is None:
        look.lack(EXPECTED)
        return math.nan, 0.0
    return found
