"""Loads and variability of variable springs.

Source: definitions of MSS SP-58 (from memory): cold load = hot load + rate x movement up; variability =
rate x movement over the HOT load, 25 % at most (also ASME B31.1 121.7.3(D), from memory, a recommendation).
Expected values by hand.
"""

from __future__ import annotations

import pytest

from service.engineering import springs
from service.engineering.checks import variability_of_spring
from service.units import Dimension, from_si, to_si


def lbf(value: float) -> float:
    return to_si(value, "lbf", Dimension.FORCE)


RATE = to_si(250, "lbf/in", Dimension.STIFFNESS)
MOVEMENT = to_si(0.8, "in", Dimension.LENGTH)


def test_a_pipe_that_rises_has_the_larger_load_cold() -> None:
    """3,000 lbf hot, 250 lbf/in, 0.8 in up: 3,200 lbf cold; 6.67 %."""
    cold = springs.cold_load_n(lbf(3000), RATE, MOVEMENT)
    assert from_si(cold, "lbf", Dimension.FORCE) == pytest.approx(3200, rel=1e-12)
    assert springs.variability(RATE, MOVEMENT, lbf(3000)) == pytest.approx(200 / 3000, rel=1e-12)


def test_a_pipe_that_sinks_has_the_smaller_load_cold() -> None:
    """The same 0.8 in down: 2,800 lbf cold, and the same variability."""
    cold = springs.cold_load_n(lbf(3000), RATE, -MOVEMENT)
    assert from_si(cold, "lbf", Dimension.FORCE) == pytest.approx(2800, rel=1e-12)
    assert springs.variability(RATE, -MOVEMENT, lbf(3000)) == pytest.approx(200 / 3000, rel=1e-12)


def test_the_largest_rate_for_twenty_five_per_cent() -> None:
    """10 kN hot, 40 mm: 62.5 N/mm; at 65 N/mm 26 % fails."""
    assert springs.largest_rate_n_per_m(0.25, 10_000, 0.04) == pytest.approx(62_500)
    assert variability_of_spring(62_500, 0.04, 10_000, 0.25).status == "pass"
    beyond = variability_of_spring(65_000, 0.04, 10_000, 0.25)
    assert beyond.found == pytest.approx(0.26)
    assert beyond.status == "fail"


def test_without_travel_the_load_does_not_vary() -> None:
    assert springs.variability(65_000, 0.0, 10_000) == 0.0


def test_each_unit_of_a_trapeze_carries_half_and_varies_by_its_own_rate() -> None:
    """20 kN on two units of 40 N/mm, 50 mm: 10 kN each, 2 kN of it, 20 %."""
    each = springs.spring_load_n(20_000, 0.0, 0.5)
    assert each == pytest.approx(10_000)
    assert springs.variability(40_000, 0.05, each) == pytest.approx(0.20)
