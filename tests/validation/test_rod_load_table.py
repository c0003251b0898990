"""Safe loads of hanger rods against the published table.

Source: Facility Piping Systems Handbook (McGraw-Hill 2009), Table 2.10: root area of thread and maximum safe
load at a rod temperature of 650 degF; the loads are 9,000 psi on the root area, rounded (at most 0.35 % off,
at 5/8 in). Later loads of the support standard (from memory) are 10,700 psi on it within 0.7 %.
"""

from __future__ import annotations

import pytest

from service.engineering.materials import stress_bases
from service.engineering.rods import allowable_load_n
from service.engineering.tables.threads import unified_coarse
from service.engineering.threads import parse_thread

POUND_FORCE_N = 0.45359237 * 9.80665

TABLE = [
    # designation, safe load lbf, later safe load lbf or None
    ("3/8-16 UNC", 610, 730),
    ("1/2-13 UNC", 1130, 1350),
    ("5/8-11 UNC", 1810, 2160),
    ("3/4-10 UNC", 2710, 3230),
    ("7/8-9 UNC", 3770, 4480),
    ("1-8 UNC", 4960, 5900),
    ("1 1/8-7 UNC", 6230, None),
    ("1 1/4-7 UNC", 8000, 9500),
    ("1 3/8-6 UNC", 9470, None),
    ("1 1/2-6 UNC", 11630, 13800),
    ("1 3/4-5 UNC", 15690, 18600),
    ("2-4.5 UNC", 20690, 24600),
    ("2 1/4-4.5 UNC", 27200, 32300),
    ("2 1/2-4 UNC", 33500, 39800),
    ("2 3/4-4 UNC", 41600, 49400),
    ("3-4 UNC", 50600, 60100),
    ("3 1/4-4 UNC", 60500, 71900),
    ("3 1/2-4 UNC", 71260, 84700),
]


@pytest.mark.parametrize(("designation", "load", "later"), TABLE)
def test_nine_thousand_psi_on_the_root_area_gives_the_published_load(
    designation: str, load: int, later: int | None
) -> None:
    area = parse_thread(designation).root_area_m2
    basis = stress_bases()["handbook-table"].stress_pa
    assert allowable_load_n(basis, area) / POUND_FORCE_N == pytest.approx(load, rel=3.6e-3)
    if later is not None:
        basis = stress_bases()["later-support-standard"].stress_pa
        assert allowable_load_n(basis, area) / POUND_FORCE_N == pytest.approx(later, rel=7e-3)


def test_the_packaged_table_holds_the_published_loads() -> None:
    packaged = {
        f"{row['size']}-{float(row['threads_per_inch']):g} UNC": (
            int(row["safe_load_lbf"]),
            int(row["later_safe_load_lbf"]) if row["later_safe_load_lbf"] else None,
        )
        for row in unified_coarse().rows
    }
    assert packaged == {designation: (load, later) for designation, load, later in TABLE}


def test_a_three_quarter_inch_rod() -> None:
    """3/4-10 at 9,000 psi: 2,718 lbf on 0.3020 in2 against 2,710 lbf = 12.05 kN printed."""
    area = parse_thread("3/4-10 UNC").root_area_m2
    load_n = allowable_load_n(stress_bases()["handbook-table"].stress_pa, area)
    assert load_n / POUND_FORCE_N == pytest.approx(2718, abs=0.51)
    assert load_n / 1000 == pytest.approx(12.05, rel=3.6e-3)


def test_a_two_inch_rod() -> None:
    """2-4.5 at 9,000 psi: 2.3002 in2; 20,690 lbf = 92.0 kN printed."""
    load_n = allowable_load_n(
        stress_bases()["handbook-table"].stress_pa, parse_thread("2-4.5 UNC").root_area_m2
    )
    assert load_n / 1000 == pytest.approx(92.0, rel=1e-3)
