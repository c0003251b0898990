"""Tableau: the line's answer with each hanger either held or moving, changed one hanger at a time.

With K the line's stiffness and s the slope that a moving hanger adds to it, F the hangers that move and B
those that are held,

    u_F = C g_F - X u_B             C = (K_FF + diag s_F)^-1,  g_F what pushes,  X = C K_FB
    r_B = X' g_F + S u_B - f_B      S = K_BB - K_BF C K_FB

and one symmetric matrix holds them all: -C, X and S. To let one hanger go, hold one, or change its slope is a
change of rank one, m^2 operations instead of m^3. The diagonal of S is the stiffness seen at a held
hanger; where it vanishes, nothing else fixes the line's height.

Source: the sweep operator (D. M. Goodnight, Am. Stat. 33 (1979), from memory).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.linalg.lapack import dpotrf, dpotri

from service.engineering.states.laws import Array, Mask
from service.errors import ServiceError

LEAST_PIVOT: Final = 1e-11  # stiffness left at a hanger that moves, over the line's greatest
POOR_PIVOT: Final = 1e-5  # below this a change loses digits, and the next one begins anew
LONGEST_LIFE: Final = 40  # changes of rank one before the matrix is made anew


class NoVerticalStiffness(ServiceError):
    """The hangers that move with the pipe leave the line free to drift; facts `hangers` (indices) (422)."""

    code = "no-vertical-stiffness"
    title = "Nothing fixes the line's height"


class Tableau:
    """The matrix for one choice of slopes; it is not changed in place."""

    def __init__(self, slopes: Array, matrix: Array, age: int) -> None:
        """slopes: (m,) [N/m], infinite where held. matrix: as the module says. age: changes since made."""
        self.slopes = slopes
        self.matrix = matrix
        self.age = age
        self.fixed: Mask = np.isinf(slopes)
        self.added: Array = np.where(self.fixed, 0.0, slopes)

    @property
    def worn(self) -> bool:
        """Whether it was changed so often, or so much, that the next change begins from the stiffness."""
        return self.age >= LONGEST_LIFE

    def solve(self, pushing: Array, holding: Array) -> tuple[Array, Array]:
        """Movements, and what the held hangers bear beside the load on them.

        Args:
            pushing: load on each hanger's place, and slope times offset, (m,) or (m, n) [N]; read where one
                moves
            holding: where each held hanger holds the pipe, of the same shape [m]

        Returns:
            movement [m]; and K u at the held hangers [N] (what stands at the others has no meaning)
        """
        fixed = self.fixed if pushing.ndim == 1 else self.fixed[:, None]
        found = self.matrix @ np.where(fixed, holding, pushing)
        return np.where(fixed, holding, -found), found


def made(stiffness: Array, slopes: Array, scale: float) -> Tableau:
    """The tableau from the stiffness itself.

    Args:
        stiffness: of the line alone, (m, m) [N/m]
        slopes: of each hanger, infinite where it is held, (m,) [N/m]
        scale: the greatest stiffness of the line [N/m]

    Raises:
        NoVerticalStiffness: the hangers that move leave the line free to drift
    """
    fixed = np.isinf(slopes)
    if fixed.all():
        return Tableau(slopes, stiffness.copy(), 0)
    free = np.flatnonzero(~fixed)
    inner = stiffness[np.ix_(free, free)]
    inner[np.diag_indices_from(inner)] += slopes[free]
    factor, failed = dpotrf(inner, lower=1, clean=1)
    if failed or not float(np.diag(factor).min()) ** 2 >= LEAST_PIVOT * scale:
        raise drifting(slopes)
    lower, _ = dpotri(factor, lower=1)
    compliance = np.tril(lower) + np.tril(lower, -1).T
    matrix = np.empty_like(stiffness)
    matrix[np.ix_(free, free)] = -compliance
    if len(free) < len(slopes):
        bound = np.flatnonzero(fixed)
        across = stiffness[np.ix_(free, bound)]
        coupling = compliance @ across
        matrix[np.ix_(free, bound)] = coupling
        matrix[np.ix_(bound, free)] = coupling.T
        matrix[np.ix_(bound, bound)] = stiffness[np.ix_(bound, bound)] - across.T @ coupling
    return Tableau(slopes, matrix, 0)


def changed(tableau: Tableau, place: int, slope: float, scale: float) -> Tableau:
    """The tableau with another slope at one hanger (infinite: held).

    Raises:
        NoVerticalStiffness: without it the line is free to drift
    """
    matrix, before = tableau.matrix, float(tableau.slopes[place])
    slopes = tableau.slopes.copy()
    slopes[place] = slope
    column = matrix[:, place].copy()
    pivot, poor = float(column[place]), False
    if before == slope:
        return tableau
    if np.isinf(before):
        stiff = pivot + slope
        if not stiff >= LEAST_PIVOT * scale:
            raise drifting(slopes)
        poor = stiff < POOR_PIVOT * scale
        column[place] = stiff
        swept = matrix - np.outer(column, column / stiff)
        swept[:, place] = swept[place, :] = column / stiff
        swept[place, place] = -1.0 / stiff
    elif np.isinf(slope):
        swept = matrix - np.outer(column, column / pivot)
        swept[:, place] = swept[place, :] = -column / pivot
        swept[place, place] = -1.0 / pivot - before
    else:
        stiff = -1.0 / pivot + (slope - before)
        if not stiff >= LEAST_PIVOT * scale:
            raise drifting(slopes)
        poor = stiff < POOR_PIVOT * scale
        swept = matrix + np.outer(column, column * ((slope - before) / (1.0 - (slope - before) * pivot)))
    return Tableau(slopes, swept, LONGEST_LIFE if poor else tableau.age + 1)


def drifting(slopes: Array) -> NoVerticalStiffness:
    """The error that names the hangers that move, by index."""
    return NoVerticalStiffness(
        "The hangers that move with the pipe leave the line free to drift.",
        hangers=[int(place) for place in np.flatnonzero(~np.isinf(slopes))],
    )
