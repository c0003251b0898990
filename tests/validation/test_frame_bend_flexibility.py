"""Flexibility factors of bends: k = 1.65/h with h = T R/r^2, and what they do to a bend.

Source: ASME B31.1 Appendix D, to the 2018 edition (from memory). The three bends are long-radius elbows of
NPS 8 and 12 standard wall and of NPS 16 schedule 160, worked by hand to three or four figures. 1.3/h: ASME
B31J Note 3, as an article on it states.
"""

from __future__ import annotations

import pytest

from service.engineering.frames.bends import flexibility_factor
from tests.lines.bend_checks import bend_flexibility

BENDS = [
    # name, outside diameter, wall, bend radius [mm], h, k
    ("NPS 8 STD", 219.1, 8.18, 304.8, 0.2242, 7.36),
    ("NPS 12 STD", 323.8, 9.53, 457.2, 0.1765, 9.35),
    ("NPS 16 Sch 160", 406.4, 40.49, 609.6, 0.7374, 2.238),
]


@pytest.mark.parametrize("bend", BENDS, ids=[each[0] for each in BENDS])
def test_a_bend_turns_as_many_times_as_far_as_its_factor_says(
    bend: tuple[str, float, float, float, float, float],
) -> None:
    found = bend_flexibility(*bend)
    assert found.kept, found


def test_the_factor_is_never_below_one() -> None:
    assert flexibility_factor(0.04, 2.0, 0.4) == 1.0


def test_the_other_numerator_scales_the_factor() -> None:
    _, diameter, wall, radius, h, _ = BENDS[1]
    assert flexibility_factor(wall, radius, diameter, 1.3) == pytest.approx(1.3 / h, rel=5e-4)
