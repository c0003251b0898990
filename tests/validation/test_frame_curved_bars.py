"""Bends against the closed forms of a curved bar, and against chords.

Source: Castigliano's theorem on a quarter of a circle (S. Timoshenko, Strength of Materials, part II, from
memory), with the flexibility factor on bending, and with axial force, shear and torsion; the integrals are
written out in tests/lines/bend_checks.py. Chords: extrapolation after L. F. Richardson.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.lines.bend_checks import (
    chords_of_a_bend,
    quarter_in_plane,
    quarter_out_of_plane,
    quarter_under_its_weight,
)
from tests.lines.comparison import Comparison


@pytest.mark.parametrize(
    "check",
    [quarter_in_plane, quarter_out_of_plane, quarter_under_its_weight, chords_of_a_bend],
    ids=["forces in its plane", "force across its plane", "its own weight", "chords without end"],
)
def test_a_bend_gives_way_as_a_curved_bar(check: Callable[[], Comparison]) -> None:
    found = check()
    assert found.kept, found
