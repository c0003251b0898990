"""What a turn does to a released support.

Source: mechanics, two springs in series: a movement s of the nut changes the load by s k_s k_p/(k_s + k_p).
Expected values by hand.
"""

from __future__ import annotations

import pytest

from service.engineering.nut_plans import load_change_for_turns_n, turns_for_load_change
from service.engineering.threads import parse_thread

PITCH = parse_thread("M24").pitch_m


def test_turns_to_raise_the_load_by_one_and_a_half_kilonewtons() -> None:
    """k_s 100, k_p 656 N/mm: s = 1500 (1/100 + 1/656) = 17.29 mm: 5.76 turns, 2.88 of a turnbuckle."""
    assert turns_for_load_change(1500, 100e3, 656e3, PITCH) == pytest.approx(5.76, abs=0.006)
    assert turns_for_load_change(1500, 100e3, 656e3, 2 * PITCH) == pytest.approx(2.88, abs=0.006)
    assert turns_for_load_change(1500, 100e3, 656e3, 0.001) == pytest.approx(17.29, abs=0.006)


def test_two_turns_of_a_nut() -> None:
    """6 mm at k_s 100 and k_p 200 N/mm: +400 N; the pipe rises 2 mm, the indicator moves 4 mm."""
    change = load_change_for_turns_n(2, 100e3, 200e3, PITCH)
    assert change == pytest.approx(400)
    assert change / 200e3 == pytest.approx(0.002)
    assert change / 100e3 == pytest.approx(0.004)
