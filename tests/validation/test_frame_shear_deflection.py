"""Short pipe, where shear matters.

Source: S. Timoshenko, Strength of Materials (from memory): shear adds P L/(G A) to a cantilever's tip,
w L^2/(8 G A) to the middle of a simple beam and P L/(4 G A) under a force there. Shear area of tubes: G. R.
Cowper, J. Appl. Mech. 33 (1966) (from memory): 2 (1 + v)/(4 + 3 v) of the metal for a thin one,
6 (1 + v)/(7 + 6 v) for a solid bar.
"""

from __future__ import annotations

import pytest

from service.engineering.frames.sections import pipe_section
from tests.lines.beam_checks import short_beams


def test_short_beams_give_by_bending_and_by_shear() -> None:
    found = short_beams()
    assert found.kept, found


@pytest.mark.parametrize("poisson", [0.0, 0.27, 0.3])
def test_the_shear_area_of_a_thin_tube_and_of_a_solid_bar(poisson: float) -> None:
    thin = pipe_section(1.0, 1e-6, poisson)
    assert thin.shear_area_m2 / thin.area_m2 == pytest.approx(2 * (1 + poisson) / (4 + 3 * poisson), rel=1e-5)
    solid = pipe_section(0.2, 0.1, poisson)
    assert solid.shear_area_m2 / solid.area_m2 == pytest.approx(
        6 * (1 + poisson) / (7 + 6 * poisson), rel=1e-12
    )
