"""Total travel of constant supports.

Source: MSS SP-58 (from memory): design movement and 20 % of it, at least 1 in (25 mm) more; GB/T 17116.1
(read on a secondary page): 20 %, at least 20 mm more. Expected values by hand; the crossing points are 5 in
(125 mm) and 100 mm.
"""

from __future__ import annotations

import pytest

from service.engineering.checks import total_travel
from service.engineering.springs import required_total_travel_m

INCH = 0.0254


@pytest.mark.parametrize(("movement", "total"), [(4.0, 5.0), (5.0, 6.0), (6.0, 7.2)])
def test_the_inch_form_of_the_rule(movement: float, total: float) -> None:
    assert required_total_travel_m(movement * INCH, 0.2, INCH) / INCH == pytest.approx(total)
    assert total_travel(total * INCH, -movement * INCH, 0.2, INCH).status == "pass"
    assert total_travel((total - 0.01) * INCH, movement * INCH, 0.2, INCH).status == "fail"


@pytest.mark.parametrize(("movement", "total"), [(60, 85), (125, 150), (130, 156), (200, 240)])
def test_the_metric_form_of_the_rule(movement: float, total: float) -> None:
    assert required_total_travel_m(movement / 1000, 0.2, 0.025) * 1000 == pytest.approx(total)


@pytest.mark.parametrize(("movement", "total"), [(60, 80), (100, 120), (200, 240)])
def test_the_chinese_form_of_the_rule(movement: float, total: float) -> None:
    assert required_total_travel_m(movement / 1000, 0.2, 0.020) * 1000 == pytest.approx(total)
