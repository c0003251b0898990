"""Continuous pipe on rigid supports, also settled: the three-moment equation.

Source: S. Timoshenko, Strength of Materials (from memory), for constant E I and uniform load,
M1 L1 + 2 M2 (L1 + L2) + M3 L2 = -w (L1^3 + L2^3)/4 + 6 E I ((d2 - d1)/L1 + (d2 - d3)/L2), moments positive
sagging, settlements d positive downwards. The equation is solved by itself in tests/lines/beam_checks.py.
"""

from __future__ import annotations

from fractions import Fraction

import pytest

from tests.lines.beam_checks import settlement, three_moment_reactions, three_moments
from tests.lines.shapes import Bar

# By hand for two spans: M2 = -w (L1^3 + L2^3)/(8 (L1 + L2)) = -7/2 for spans of 4 and 6 and w = 1.
FOUR_AND_SIX = (
    Fraction(4, 2) - Fraction(7, 2) / 4,
    Fraction(10, 2) + Fraction(7, 2) / 4 + Fraction(7, 2) / 6,
    Fraction(6, 2) - Fraction(7, 2) / 6,
)


def test_the_equation_itself_gives_the_reactions_of_two_spans_by_hand() -> None:
    assert three_moment_reactions((4, 6), 1.0, (0, 0, 0), 1.0) == pytest.approx(
        [float(r) for r in FOUR_AND_SIX]
    )
    assert [float(r) for r in FOUR_AND_SIX] == pytest.approx([1.1250, 6.4583, 2.4167], abs=5e-5)


def test_the_equation_itself_gives_the_printed_reactions_of_three_spans() -> None:
    printed = [1.36355, 5.53063, 6.24196, 1.86386]
    assert three_moment_reactions((4, 6, 5), 1.0, (0, 0, 0, 0), 1.0) == pytest.approx(printed, abs=1e-5)


def test_the_equation_itself_gives_the_settlement_formula() -> None:
    """Two spans L whose middle settles by d: 3 E I d/L^3 to each end, 6 E I d/L^3 off the middle."""
    ei, d, span = Bar().bending_n_m2, 0.005, 6.0
    change = ei * d / span**3
    found = three_moment_reactions((span, span), 0.0, (0.0, d, 0.0), ei)
    assert found == pytest.approx([3 * change, -6 * change, 3 * change])


@pytest.mark.parametrize("spans", [(4.0, 6.0), (4.0, 6.0, 5.0), (9.0, 2.5, 7.0, 3.0)])
def test_unequal_spans_carry_what_the_equation_says(spans: tuple[float, ...]) -> None:
    found = three_moments(spans)
    assert found.kept, found


@pytest.mark.parametrize("settled", [(0.0, 0.003, 0.0, 0.0), (0.002, -0.004, 0.007, 0.001)])
def test_settled_supports_carry_what_the_equation_says(settled: tuple[float, ...]) -> None:
    found = three_moments((4.0, 6.0, 5.0), 1500.0, settled)
    assert found.kept, found


def test_the_settlement_of_a_middle_support_moves_load_to_its_neighbours() -> None:
    found = settlement()
    assert found.kept, found
