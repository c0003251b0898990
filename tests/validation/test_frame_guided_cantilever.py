"""A leg of pipe that another leg's growth pushes aside: the guided cantilever.

Source: M. W. Kellogg, Design of Piping Systems (from memory): force 12 E I d/L^3 and end moments 6 E I d/L^2;
with shear deformation over 1 + phi, phi = 12 E I/(G A L^2) (S. Timoshenko, from memory).
"""

from __future__ import annotations

import numpy as np
import pytest

from service.engineering.frames.frame import Frame
from service.engineering.frames.solution import factorise
from tests.lines.base import no_bends
from tests.lines.beam_checks import NONE, guided_cantilever
from tests.lines.shapes import Bar, chain, fixed


@pytest.mark.parametrize("sheared", [False, True], ids=["slender", "with shear"])
def test_a_leg_pushed_aside_resists_as_a_guided_cantilever(sheared: bool) -> None:
    found = guided_cantilever(sheared)
    assert found.kept, found


def test_the_growth_of_a_stiff_leg_pushes_the_other_one() -> None:
    """An L whose hot leg neither bends nor shortens by comparison: the method's own assumption."""
    bar, leg, growth = Bar(), 6.0, 0.0226
    frame = Frame(
        np.array([(0.0, 0.0, 0.0), (10.0, 0.0, 0.0), (10.0, 0.0, leg)]),
        bar.straights(chain(2)),
        no_bends(),
        [*fixed(0), *fixed(2)],
    )
    frame.straights.area_m2[0] *= 1e4
    frame.straights.second_moment_m4[0] *= 1e6
    case = frame.no_load()
    case.straight_strain[0] = growth / 10.0
    reactions = factorise(frame).recover(case, NONE, NONE).reactions
    assert reactions[6] == pytest.approx(-12.0 * bar.bending_n_m2 * growth / leg**3, rel=1e-4)
