"""Continuous pipe over two to five equal spans under uniform load.

Source: Civil Engineering Formulas (McGraw-Hill), Table 2.1: reactions as fractions of w L, moments at the
supports as fractions of w L^2; the fractions are in tests/lines/beam_checks.py. Two loaded spans of four: a
public page on pipe supports, which adds shears that are rounded to three decimals.
"""

from __future__ import annotations

from fractions import Fraction

import pytest

from service.engineering.frames.solution import factorise
from tests.lines.beam_checks import BAR, EQUAL_SPANS, NONE, equal_spans
from tests.lines.shapes import beam


@pytest.mark.parametrize("count", EQUAL_SPANS)
def test_the_fractions_carry_the_whole_beam(count: int) -> None:
    assert sum(Fraction(each) for each in EQUAL_SPANS[count][0]) == count


@pytest.mark.parametrize("count", EQUAL_SPANS)
def test_equal_spans_carry_the_fractions_of_the_handbook(count: int) -> None:
    found = equal_spans(count)
    assert found.kept, found


def test_four_spans_of_which_the_first_and_third_are_loaded() -> None:
    frame = beam(BAR, [1.0] * 4, supports=range(5))
    case = frame.no_load()
    for span in (0, 2):
        case.straight_n_per_m[3 * span : 3 * span + 3, 2] = -1.0
    reactions = factorise(frame).recover(case, NONE, NONE).reactions[:5]
    assert reactions == pytest.approx([0.446, 0.572, 0.464, 0.572, -0.054], abs=1e-3)
