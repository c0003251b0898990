"""Unified threads against published areas.

Source: ASME B1.1 (formulas, from memory), stress area pi/4 (D - 0.9743/n)^2 and root area
pi/4 (D - 1.2990/n)^2. Root areas 3/8 in to 1 1/8 in as published in Facility Piping Systems Handbook
(McGraw-Hill 2009), Table 2.10; 8-thread areas as published with ASME PCC-1, Table H-1. Tolerance: half of
the last digit printed, two of them for the 8-thread root areas, which were printed from another formula.
"""

from __future__ import annotations

import pytest

from service.engineering.threads import parse_thread

IN2 = 0.0254**2

PUBLISHED = [
    # designation, stress area in2, root area in2, root area mm2
    ("3/8-16 UNC", 0.0775, 0.0678, 43.7),
    ("1/2-13 UNC", 0.1419, 0.1257, 81.1),
    ("5/8-11 UNC", 0.2260, 0.2018, 130.2),
    ("3/4-10 UNC", 0.3345, 0.3020, 194.8),
    ("7/8-9 UNC", 0.4617, 0.4193, 270.5),
    ("1-8 UNC", 0.6057, 0.5510, 355.5),
    ("1 1/8-7 UNC", 0.7633, 0.6931, 447.2),
    ("1 1/4-7 UNC", 0.9691, 0.8899, 574.1),
    ("1 1/2-6 UNC", 1.4052, 1.2938, 834.7),
    ("2-4.5 UNC", 2.4982, 2.3002, 1484.0),
    ("3-4 UNC", 5.9674, 5.6211, 3626.5),
    ("3 1/2-4 UNC", 8.3286, 7.9186, 5108.7),
]


@pytest.mark.parametrize(("designation", "stress", "root", "root_mm2"), PUBLISHED)
def test_a_unc_thread_has_its_published_areas(
    designation: str, stress: float, root: float, root_mm2: float
) -> None:
    thread = parse_thread(designation)
    assert thread.stress_area_m2 / IN2 == pytest.approx(stress, abs=0.51e-4)
    assert thread.root_area_m2 / IN2 == pytest.approx(root, abs=0.51e-4)
    assert thread.root_area_m2 * 1e6 == pytest.approx(root_mm2, abs=0.051)
    assert thread.tabulated


@pytest.mark.parametrize(
    ("designation", "root", "stress", "unit"),
    [
        ("1 1/4-8 UN", 0.9289, 0.9997, 1e-4),
        ("1 1/2-8 UN", 1.405, 1.492, 1e-3),
        ("2-8 UN", 2.652, 2.771, 1e-3),
        ("3-8 UN", 6.324, 6.506, 1e-3),
    ],
)
def test_an_eight_thread_has_its_published_areas(
    designation: str, root: float, stress: float, unit: float
) -> None:
    thread = parse_thread(designation)
    assert thread.root_area_m2 / IN2 == pytest.approx(root, abs=2 * unit)
    assert thread.stress_area_m2 / IN2 == pytest.approx(stress, abs=0.51 * unit)


@pytest.mark.parametrize(
    ("designation", "lead_mm"),
    [("3/8-16 UNC", 1.5875), ("1-8 UNC", 3.1750), ("2-4.5 UNC", 5.6444), ("1 3/4-5 UNC", 5.0800)],
)
def test_the_pitch_is_an_inch_over_the_threads_per_inch(designation: str, lead_mm: float) -> None:
    assert parse_thread(designation).pitch_m * 1000 == pytest.approx(lead_mm, abs=0.51e-4)
