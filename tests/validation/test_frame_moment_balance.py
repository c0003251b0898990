"""Loads of hangers by moments about free-body points.

Source: the hand method of piping handbooks (ASME B31.1 121.7.3 asks for a weight balance, from memory): a
span of 5 m with 1.5 kN/m of pipe and a valve of 8 kN at 1.5 m. By hand: 3.75 + 8 x 3.5/5 = 9.35 kN and
3.75 + 8 x 1.5/5 = 6.15 kN.
"""

from __future__ import annotations

import pytest

from service.engineering.frames.solution import factorise
from tests.lines.beam_checks import BAR, moment_balance
from tests.lines.shapes import beam


def test_a_span_with_a_valve_rests_on_its_ends_as_moments_say() -> None:
    found = moment_balance()
    assert found.kept, found


def test_hangers_carry_what_the_supports_would() -> None:
    frame = beam(BAR, [1.5, 3.5], hung=(0, 2))
    case = frame.no_load()
    case.straight_n_per_m[:, 2] = -1500.0
    case.nodal[3, 2] = -8000.0
    carried = -factorise(frame).condense([case]).loads[:, 0]
    assert carried == pytest.approx([9350.0, 6150.0], rel=1e-10)
