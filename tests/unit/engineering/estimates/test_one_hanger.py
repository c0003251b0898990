"""One hanger alone, by hand."""

from __future__ import annotations

import pytest

from service.engineering.estimates.one_hanger import (
    rod_load_from_face,
    rod_load_from_turns,
    stiffness_with_error,
)
from service.engineering.nut_plans.intervals import Interval
from service.errors import OutOfRange

SPRING_N = 14787.938
STIFFNESS_N_PER_M = 793_727.0
LEAD_M = 0.006


def test_half_a_turn_at_the_worked_stiffness_gives_the_worked_rod_load() -> None:
    found = rod_load_from_turns(Interval.exact(0.5), SPRING_N, Interval.exact(STIFFNESS_N_PER_M), LEAD_M, 0.0)
    # 14787.938 N - 793.727 N/mm x 6 mm x 0.5 = 12406.757 N
    assert found.low == pytest.approx(12406.757, abs=1e-6)
    assert found.high == pytest.approx(12406.757, abs=1e-6)


def test_looks_friction_and_stiffness_each_widen_the_rod_load() -> None:
    found = rod_load_from_turns(
        Interval(0.333, 0.5), SPRING_N, stiffness_with_error(STIFFNESS_N_PER_M, 0.1), LEAD_M, 591.5
    )
    # low: S - f - 1.1 k p 0.5; high: S + f - 0.9 k p 0.333
    assert found.low == pytest.approx(14787.938 - 591.5 - 1.1 * 793.727 * 6.0 * 0.5)
    assert found.high == pytest.approx(14787.938 + 591.5 - 0.9 * 793.727 * 6.0 * 0.333)


def test_turns_that_lowered_say_that_the_rod_carried_more() -> None:
    found = rod_load_from_turns(
        Interval(-0.5, -0.25), SPRING_N, Interval.exact(STIFFNESS_N_PER_M), LEAD_M, 0.0
    )
    assert (found.low, found.high) == pytest.approx((14787.938 + 1190.5905, 14787.938 + 2381.181))


@pytest.mark.parametrize(
    ("sign", "expected"),
    [(1, (0.0, 15379.0)), (-1, (14197.0, None)), (0, (14197.0, 15379.0))],
)
def test_a_face_bounds_on_one_side_and_a_clear_pin_on_both(
    sign: int, expected: tuple[float, float | None]
) -> None:
    assert rod_load_from_face(sign, 14788.0, 591.0) == expected


def test_an_error_of_the_whole_stiffness_is_refused() -> None:
    with pytest.raises(OutOfRange):
        stiffness_with_error(STIFFNESS_N_PER_M, 1.0)
