"""Stress rules of rods.

Source: ASME B31.1 (2016/2018) 121.2, text read: threaded rods 25 % less (g); steel of unknown specification
not over 9,500 psi (c); up to 80 % of the least yield strength during a hydrostatic test. The cap of
16,000 psi for unknown steel under test is read on a public data page that cites it; its sentence is from
memory.
"""

from __future__ import annotations

import pytest

from service.domain.criteria import Criteria
from service.engineering.rods import allowable_load_n, threaded_allowable_stress_pa
from service.engineering.threads import parse_thread

PSI = 0.45359237 * 9.80665 / 0.0254**2
POUND_FORCE_N = 0.45359237 * 9.80665


def test_twelve_thousand_less_a_quarter_is_nine_thousand_psi() -> None:
    assert threaded_allowable_stress_pa(12_000 * PSI, 0.25) / PSI == pytest.approx(9000)


def test_a_three_quarter_inch_rod_of_unknown_steel_under_test() -> None:
    """16,000 psi on 0.3020 in2: 4,832 lbf = 21.49 kN; 1.78 of the load in operation."""
    criteria = Criteria()
    area = parse_thread("3/4-10 UNC").root_area_m2
    test_n = allowable_load_n(criteria.si("unknown_steel_test_stress"), area)
    assert test_n / POUND_FORCE_N == pytest.approx(4832, abs=1.0)
    assert test_n / 1000 == pytest.approx(21.49, abs=0.0051)
    operation_n = allowable_load_n(criteria.si("rod_allowable_stress"), area)
    assert test_n / operation_n == pytest.approx(1.78, abs=0.0051)


def test_the_criteria_hold_the_rules_numbers() -> None:
    criteria = Criteria()
    assert criteria.si("unknown_steel_allowable_stress") / 1e6 == pytest.approx(65.5, abs=0.051)
    assert criteria.si("unknown_steel_test_stress") / 1e6 == pytest.approx(110.3, abs=0.051)
    assert criteria.si("thread_reduction") == pytest.approx(0.25)
    assert criteria.si("test_yield_share") == pytest.approx(0.80)
