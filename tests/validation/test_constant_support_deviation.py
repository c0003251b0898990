"""Deviation of a constant support in a load test.

Source: GB/T 17116.1 (read on a secondary page): (max down - min up)/(max down + min up) not over 6 %,
friction included, and each reading within 6 % of the specified load; 6 % with friction also in ASME III
Subsection NF as stated in NRC Information Notice 2009-04 (read), which reports 8.7 % to 13.3 % after ageing.
The form about the rated load is MSS SP-58 (from memory). Expected values by hand.
"""

from __future__ import annotations

import pytest

from service.engineering import springs
from service.engineering.checks import constant_deviation


def test_a_test_between_10_4_down_and_9_7_up() -> None:
    """0.7/20.1 = 3.48 % about the mean, 0.7/20 = 3.50 % about the rated load; +4 % and -3 % each."""
    assert springs.deviation_about_mean(10.4, 9.7) == pytest.approx(0.0348, abs=0.00005)
    assert springs.deviation_about_rated(10.4, 9.7, 10.0) == pytest.approx(0.0350, rel=1e-12)
    assert springs.largest_single_deviation(10.4, 9.7, 10.0) == pytest.approx(0.04)


def test_a_load_that_never_changes_does_not_deviate() -> None:
    assert springs.deviation_about_mean(10.0, 10.0) == 0.0
    assert springs.largest_single_deviation(10.0, 9.3, 10.0) == pytest.approx(0.07)


@pytest.mark.parametrize(("deviation", "status"), [(0.06, "pass"), (0.087, "fail"), (0.133, "fail")])
def test_six_per_cent_is_kept_and_aged_supports_fail(deviation: float, status: str) -> None:
    assert constant_deviation(deviation, None, 0.06).status == status
