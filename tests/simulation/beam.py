"""A straight line of equal spans, fixed at both ends: stiffness at its supports, for the worked cases."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def support_stiffness(bending_n_m2: float, span_m: float, spans: int) -> NDArray[np.float64]:
    """Vertical stiffness at the inner supports, rotations condensed out; (spans - 1, spans - 1) [N/m]."""
    size = 2 * (spans + 1)
    whole = np.zeros((size, size))
    length = span_m
    element = (
        bending_n_m2
        / length**3
        * np.array(
            [
                [12, 6 * length, -12, 6 * length],
                [6 * length, 4 * length**2, -6 * length, 2 * length**2],
                [-12, -6 * length, 12, -6 * length],
                [6 * length, 2 * length**2, -6 * length, 4 * length**2],
            ]
        )
    )
    for place in range(spans):
        whole[2 * place : 2 * place + 4, 2 * place : 2 * place + 4] += element
    inner = whole[2:-2, 2:-2]
    up, turn = np.arange(0, len(inner), 2), np.arange(1, len(inner), 2)
    coupled = inner[np.ix_(up, turn)]
    return inner[np.ix_(up, up)] - coupled @ np.linalg.solve(inner[np.ix_(turn, turn)], coupled.T)


def stiffness_seen(at_supports: NDArray[np.float64], support: int, released: list[int]) -> float:
    """Stiffness at one support while the released ones carry a constant load and the others stand fast."""
    if not released:
        return float(at_supports[support, support])
    coupled = at_supports[support, released]
    return float(
        at_supports[support, support]
        - coupled @ np.linalg.solve(at_supports[np.ix_(released, released)], coupled)
    )
