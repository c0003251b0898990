"""Checks of random lines in space against two independent frame packages, all components of everything.

The packages know no arcs: bends are chords of softened pipe there and here. PyNite knows no shear
deformation: it is left out there and here; OpenSees is given lines with it.
"""

from __future__ import annotations

from types import ModuleType

from tests.lines.comparison import Comparison
from tests.lines.opensees import load_opensees
from tests.lines.other_packages import opensees_solution, pynite_solution
from tests.lines.property_checks import apart
from tests.lines.random_lines import random_line

SEEDS = tuple(range(12))
CHORDS = 4
TOLERANCE = 1e-8
COMPARED = "six components at every node, every reaction"
PYNITE = "PyNite 3.2 (PyNiteFEA)"
OPENSEES = "OpenSees 3.7 (openseespylinux)"


def beside_pynite(seed: int) -> float:
    """Largest difference of any kind over the largest of its kind, without shear deformation."""
    line = random_line(seed, chords=CHORDS, shear=False)
    other = pynite_solution(line.frame, line.case, line.hangers)
    return apart(line.solved(), other.displacements, other.reactions, line.frame)


def beside_opensees(ops: ModuleType, seed: int) -> float:
    """Largest difference of any kind over the largest of its kind, with shear deformation."""
    line = random_line(seed, chords=CHORDS)
    other = opensees_solution(ops, line.frame, line.case, line.hangers)
    return apart(line.solved(), other.displacements, other.reactions, line.frame)


def pynite() -> Comparison:
    """All random lines against PyNite."""
    worst = max(beside_pynite(seed) for seed in SEEDS)
    return Comparison(f"{len(SEEDS)} random lines in space", PYNITE, COMPARED, worst, TOLERANCE)


def opensees() -> Comparison | None:
    """All random lines against OpenSees; None where no wheel of it is installed."""
    ops = load_opensees()
    if ops is None:
        return None
    worst = max(beside_opensees(ops, seed) for seed in SEEDS)
    return Comparison(f"{len(SEEDS)} random lines in space, with shear", OPENSEES, COMPARED, worst, TOLERANCE)
