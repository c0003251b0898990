"""Weights of insulation and jacketing."""

from __future__ import annotations

import math

import pytest

from service.engineering.insulation import insulation_mass_kg_per_m, jacketing_mass_kg_per_m


def test_insulation_is_a_ring_of_its_density() -> None:
    # Rings of 0.3238 and 0.5638 m: pi/4 (0.31787 - 0.10485) 200 = 33.46 kg/m.
    assert insulation_mass_kg_per_m(0.3238, 0.12, 200.0) == pytest.approx(33.46, abs=0.005)
    assert insulation_mass_kg_per_m(0.2, 0.05, 100.0) == pytest.approx(math.pi * 0.25 * 0.05 * 100.0)


def test_jacketing_is_a_sheet_about_the_insulation_with_its_laps() -> None:
    # pi 0.5638 = 1.7712 m of sheet for each metre, at 2.16 kg/m2 and 10 % for laps.
    assert jacketing_mass_kg_per_m(0.3238, 0.12, 2.16, 0.1) == pytest.approx(1.77123 * 2.16 * 1.1, rel=1e-5)
    assert jacketing_mass_kg_per_m(0.3238, 0.12, 2.16, 0.0) == pytest.approx(1.77123 * 2.16, rel=1e-5)


def test_the_sheets_of_the_trade_weigh_what_lists_say() -> None:
    # Aluminium 0.8 mm of 2700 kg/m3 is 2.16 kg/m2.
    assert jacketing_mass_kg_per_m(1.0 / math.pi - 0.2, 0.1, 2700.0 * 0.0008, 0.0) == pytest.approx(2.16)
