"""Growth of hot pipe against the published expansion of carbon steel.

Source: ASME Boiler and Pressure Vessel Code, Section II Part D (2001), Table TE-1, group 1: mean coefficient
from 70 degF (column B, 1e-6 per degF) and growth (column C, inches in 100 ft).
"""

from __future__ import annotations

import numpy as np
import pytest

from service.engineering.frames.solution import factorise
from tests.lines.beam_checks import BAR, NONE, expansion
from tests.lines.shapes import beam, quarter

# degF, column B, column C as printed.
TABLE = [
    (200, 6.7, 1.0),
    (400, 7.1, 2.8),
    (600, 7.4, 4.7),
    (800, 7.8, 6.8),
    (1000, 8.1, 9.0),
    (1200, 8.3, 11.3),
]


@pytest.mark.parametrize(("temperature_f", "coefficient", "inches"), TABLE)
def test_a_hundred_feet_grow_by_the_inches_of_the_table(
    temperature_f: float, coefficient: float, inches: float
) -> None:
    """Column C is printed to 0.1 in, column B to 0.1e-6."""
    frame = beam(BAR, [30.48], clamped=(0,))
    case = frame.no_load()
    case.straight_strain[:] = coefficient * 1e-6 * (temperature_f - 70.0)
    grown = factorise(frame).recover(case, NONE, NONE).displacements[-1, 0]
    within = 0.05 + 0.05e-6 * (temperature_f - 70.0) * 1200.0
    assert grown / 0.0254 == pytest.approx(inches, abs=within)


def test_thirty_metres_grow_by_226_mm_and_nothing_is_forced() -> None:
    found = expansion()
    assert found.kept, found
    by_hand = 8.1e-6 * 930.0 * 30.0
    assert by_hand == pytest.approx(0.226, abs=5e-5)


def test_a_bend_grows_in_likeness() -> None:
    frame = quarter(BAR, 2.0, 8.0)
    case = frame.no_load()
    case.bend_strain[:] = 8.1e-6 * 930.0
    response = factorise(frame).recover(case, NONE, NONE)
    assert response.displacements[1, :3] == pytest.approx(
        8.1e-6 * 930.0 * np.array([2.0, 2.0, 0.0]), rel=1e-9
    )
    assert np.abs(response.displacements[1, 3:]).max() < 1e-12
