"""Random lines in space beside two general-purpose frame packages.

Source: PyNite (PyNiteFEA 3.2, Euler beams: no shear deformation here either) and OpenSees (Timoshenko beams).
Runs in all directions, risers, branches, bends as chords, pipe from NPS 2 to NPS 30, springs, hangers, heat,
wind, point loads, and movements of all anchors and guides at once; six components at every node and every
reaction, within 1e-8 of the largest of its kind.
"""

from __future__ import annotations

import importlib.util

import numpy as np
import pytest

from service.engineering.frames.elements import tangents
from tests.lines.opensees import load_opensees
from tests.lines.package_checks import CHORDS, SEEDS, TOLERANCE, beside_opensees, beside_pynite
from tests.lines.random_lines import random_line


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.skipif(importlib.util.find_spec("Pynite") is None, reason="PyNiteFEA is not installed")
def test_a_random_line_moves_and_presses_as_pynite_says(seed: int) -> None:
    assert beside_pynite(seed) <= TOLERANCE


@pytest.mark.parametrize("seed", SEEDS)
def test_a_random_line_moves_and_presses_as_opensees_says(seed: int) -> None:
    ops = load_opensees()
    if ops is None:
        pytest.skip("openseespylinux is installed on Linux with Python 3.11 only")
    assert beside_opensees(ops, seed) <= TOLERANCE


def test_the_random_lines_hold_what_they_are_said_to_hold() -> None:
    lines = [random_line(seed, chords=CHORDS) for seed in SEEDS]
    vertical = branched = several_sizes = 0
    for line in lines:
        frame, case = line.frame, line.case
        way, _ = tangents(frame.coordinates, frame.straights.nodes)
        vertical += bool(np.any(np.abs(way[:, 2]) > 0.999))
        branched += int(np.bincount(frame.straights.nodes.ravel()).max() > 2)
        several_sizes += len(set(frame.straights.area_m2)) > 1
        softened = frame.straights.torsion_m4 > 2.001 * frame.straights.second_moment_m4
        assert np.any(softened)
        assert np.all(case.imposed != 0.0)
        assert case.straight_strain[0] != 0.0
        assert len(frame.springs) == 2
        assert len(line.hangers) >= 2
    assert branched == len(lines)
    assert min(vertical, several_sizes) > len(lines) // 3
