"""What holds for every line, on random lines in space with bends, branches, springs, hangers and heat."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from service.engineering.frames.solution import factorise
from tests.lines import property_checks as checks
from tests.lines.random_lines import random_line

LINES = range(6)
ROUNDING = 1e-9
# Finer division and other axes change how rounding falls, not what is solved.
ILL_CONDITIONED = 1e-8


@pytest.mark.parametrize("seed", LINES)
@pytest.mark.parametrize(
    ("measure", "tolerance"),
    [
        (checks.superposition, ROUNDING),
        (checks.reciprocity, ROUNDING),
        (checks.weight_and_reactions, ROUNDING),
        (checks.free_growth, ROUNDING),
        (checks.units, ILL_CONDITIONED),
        (checks.refinement, ILL_CONDITIONED),
    ],
    ids=lambda value: value.__name__ if callable(value) else "",
)
def test_every_line_obeys_mechanics(measure: Callable[[int], float], tolerance: float, seed: int) -> None:
    assert measure(seed) <= tolerance


@pytest.mark.parametrize("angle_rad", [0.3, np.pi / 2.0, 2.5, -1.1])
@pytest.mark.parametrize("seed", LINES[:3])
def test_a_line_turned_about_the_vertical_gives_its_results_turned(seed: int, angle_rad: float) -> None:
    assert checks.rotation(seed, angle_rad) <= ILL_CONDITIONED


@pytest.mark.parametrize("seed", LINES)
def test_what_the_hangers_feel_is_symmetric_and_resists_every_movement(seed: int) -> None:
    line = random_line(seed)
    stiffness = factorise(line.frame).condense([line.case]).stiffness
    assert (stiffness == stiffness.T).all()
    assert np.linalg.eigvalsh(stiffness)[0] > 0.0


@pytest.mark.parametrize("seed", range(20, 40))
def test_every_line_is_balanced_far_within_what_is_asked(seed: int) -> None:
    assert random_line(seed).solved().residual < 1e-10


def test_doubling_everything_doubles_everything() -> None:
    line = random_line(3)
    factorised = factorise(line.frame)
    twice = line.frame.no_load()
    for name in vars(twice):
        getattr(twice, name)[:] = 2.0 * getattr(line.case, name)
    one, two = factorised.condense([line.case, twice]).loads.T
    assert two == pytest.approx(2.0 * one, rel=1e-12)
