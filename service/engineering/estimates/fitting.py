"""The fit: the heights and weights that agree best with what was seen, and how sure they are.

Bounded least squares over heights and shares of weight, each within its box. A look is one equation (a pin
that came free, a load) or a bound that counts only where it is broken (a face, a clear pin). The equations
are linear while no contact changes; where one does they are taken anew, until the contacts stay.

The standard uncertainties are those of the equations in the contacts of the estimate, with what was taken
of heights and weights beforehand as further equations. They are no bounds: those are `possible`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.optimize import lsq_linear

from service.engineering.estimates.problem import Array, Moment, Problem
from service.engineering.states.laws import FALLING, LOWER_WALL, RISING, SLACK, STUCK, UPPER_WALL, Hanger
from service.engineering.states.tracing import Line, State

_MOST_ROUNDS: Final = 30
UNKNOWN_KINDS: Final = frozenset({"height", "share"})
_SETTLED: Final = 1e-7
_EVEN: Final = math.sqrt(3.0)  # half width of an even distribution over its standard deviation


@dataclass(frozen=True)
class Equation:
    """What one observation gives the fit.

    observation, moment, place: as in `Look`. kind: `free_from` (the pin left its wall: rod less spring is
    nothing there), `load` (the rod carries `value_n`), or a bound: `upper`, `lower`, `free`. sign: +1 where
    the pin leaves the upper wall, -1 the lower; for `free_from`. value: of the load [N], or of the height
    [m] or share [1] for the kinds `height` and `share`. half: half width of what the observation leaves open,
    friction and turns together [N, or m, or 1].
    """

    observation: int
    moment: int
    place: int
    kind: str
    half: float
    sign: int = 0
    value: float = 0.0


@dataclass(frozen=True)
class Fit:
    """The estimate.

    height_m, share: of the unknowns. covariance: of both, in that order [m2, m, 1]. residual_n: of each
    equation, what the model gives less what was seen [N]; 0 for a bound that is kept. settled: whether the
    contacts stayed at the end.
    """

    height_m: Array
    share: Array
    covariance: Array
    residual_n: tuple[float, ...]
    settled: bool


@dataclass(frozen=True)
class Sensitivity:
    """Change of every rod's load for one unit of each offset, and of each load, while no contact changes.

    by_offset: (m, m) [N/m]. by_load: (m, m) [1].
    """

    by_offset: Array
    by_load: Array


def sensitivity(stiffness_n_per_m: Array, hangers: Sequence[Hanger], parts: Sequence[int]) -> Sensitivity:
    """Sensitivities of a state; with every pin held the offsets' are the line's own stiffness.

    Args:
        stiffness_n_per_m: of the line alone [N/m]
        hangers, parts: as in `State`

    Source: statics; K u = f + r with r = slope (offset - u), or u fixed to the offset.
    """
    count = len(hangers)
    slope = np.zeros(count)
    fixed = np.zeros(count, dtype=bool)
    for place, (hanger, part) in enumerate(zip(hangers, parts, strict=True)):
        if part in (LOWER_WALL, STUCK, UPPER_WALL):
            fixed[place] = math.isinf(hanger.series_n_per_m)
            slope[place] = 0.0 if fixed[place] else hanger.series_n_per_m
        elif part in (FALLING, RISING) and hanger.rate_n_per_m > 0.0:
            slope[place] = 1.0 / (1.0 / hanger.rate_n_per_m + 1.0 / hanger.series_n_per_m)
    free = ~fixed
    moves_by_offset, moves_by_load = np.diag(fixed.astype(float)), np.zeros((count, count))
    if free.any():
        matrix = stiffness_n_per_m[np.ix_(free, free)] + np.diag(slope[free])
        pushed = np.diag(slope)[free] - stiffness_n_per_m[np.ix_(free, fixed)] @ moves_by_offset[fixed]
        moves_by_offset[free] = np.linalg.solve(matrix, pushed)
        moves_by_load[free] = np.linalg.solve(matrix, np.eye(count)[free])
    by_offset = slope[:, None] * (np.eye(count) - moves_by_offset)
    by_load = -slope[:, None] * moves_by_load
    by_offset[fixed] = stiffness_n_per_m[fixed] @ moves_by_offset
    by_load[fixed] = stiffness_n_per_m[fixed] @ moves_by_load - np.eye(count)[fixed]
    return Sensitivity(by_offset, by_load)


def state_of(
    problem: Problem, moment: Moment, height_m: Array, share: Array, held: int | None = None
) -> State:
    """The state of a moment for these heights and weights, friction having held every pin while load came on.

    Of all that friction allows it is one in the middle. held: hanger whose pin is held at its `slider_m`,
    whatever it takes.

    Errors: NoVerticalStiffness, PathLost
    """
    hangers = tuple(
        replace(
            each,
            offset_m=each.offset_m + float(height_m[place]),
            **({"low_m": each.slider_m, "high_m": each.slider_m} if place == held else {}),
        )
        for place, each in enumerate(moment.hangers)
    )
    load = problem.load_n + problem.unknowns.weight_n @ share
    return Line(problem.stiffness_n_per_m).start(hangers, load)


def stiffness_seen(problem: Problem, state: State, place: int) -> float:
    """k: change of a rod's load for a unit of its nut, its own pin held and the others as they stand [N/m].

    Args:
        problem: the line
        state: in which the others stand
        place: the hanger
    """
    parts = list(state.parts)
    parts[place] = STUCK
    return float(sensitivity(problem.stiffness_n_per_m, state.hangers, parts).by_offset[place, place])


def stiffness_held(problem: Problem, moment: Moment, place: int, held: Sequence[bool]) -> float:
    """k with the pins of these hangers held, and of the others on their springs [N/m].

    Args:
        problem: the line
        moment: of which time
        place: the hanger, which counts as held
        held: whether each one's pin is held, as by its stop
    """
    parts = [STUCK if is_held or number == place else RISING for number, is_held in enumerate(held)]
    return float(sensitivity(problem.stiffness_n_per_m, moment.hangers, parts).by_offset[place, place])


def fit(problem: Problem, equations: Sequence[Equation]) -> Fit:
    """The estimate by bounded least squares.

    Errors: NoVerticalStiffness, PathLost: a moment's state cannot be followed

    Source: weighted linear least squares with box constraints; even distributions where only a half width
    is known.
    """
    unknowns, m = problem.unknowns, problem.size
    centre = np.concatenate([unknowns.height_m, unknowns.weight_share])
    half = np.concatenate([unknowns.height_half_m, unknowns.weight_half])
    scale = np.maximum(half, 1e-9) / _EVEN
    low, high = centre - np.maximum(half, 1e-12), centre + np.maximum(half, 1e-12)
    values = centre.copy()
    settled = False
    rows = _Rows(problem, equations)
    for round_number in range(_MOST_ROUNDS):
        matrix, right = rows.at(values)
        stacked = np.vstack([matrix * scale, np.eye(len(values))])
        wanted = np.concatenate([right + matrix @ values, centre / scale])
        found = lsq_linear(stacked, wanted, bounds=(low / scale, high / scale), method="bvls")
        step = found.x * scale - values
        if float(np.abs(step / scale).max(initial=0.0)) < _SETTLED:
            settled = True
            break
        # Full steps end the search where contacts stay; shorter ones end one that goes to and fro.
        values = values + step * (1.0 if round_number < _MOST_ROUNDS // 3 else 0.5)
    matrix, right = rows.at(values)
    stacked = np.vstack([matrix * scale, np.eye(len(values))])
    covariance = np.linalg.inv(stacked.T @ stacked) * np.outer(scale, scale)
    residual = tuple(-missing for missing in rows.missing_n(values))
    return Fit(values[:m], values[m:], covariance, residual, settled)


class _Rows:
    """Equations about a point: matrix @ change = right, each divided by its standard deviation."""

    def __init__(self, problem: Problem, equations: Sequence[Equation]) -> None:
        self._problem, self._equations = problem, equations

    def at(self, values: Array) -> tuple[Array, Array]:
        """Rows that count at these values."""
        rows: list[Array] = []
        right: list[float] = []
        for equation in self._equations:
            row, missing = self._one(equation, values)
            if row is not None:
                least = 1e-6 if equation.kind in UNKNOWN_KINDS else 1.0
                deviation = max(equation.half, least) / _EVEN
                rows.append(row / deviation)
                right.append(missing / deviation)
        if not rows:
            return np.zeros((0, len(values))), np.zeros(0)
        return np.array(rows), np.array(right)

    def missing_n(self, values: Array) -> list[float]:
        """What each equation lacks at these values [N]."""
        return [missing for _, missing in (self._one(equation, values) for equation in self._equations)]

    def _one(self, equation: Equation, values: Array) -> tuple[Array | None, float]:
        problem, place, m = self._problem, equation.place, self._problem.size
        height, share = values[:m], values[m:]
        if equation.kind in UNKNOWN_KINDS:
            column = place if equation.kind == "height" else m + place
            return np.eye(len(values))[column], equation.value - float(values[column])
        moment = problem.moments[equation.moment]
        hanger = moment.hangers[place]
        if equation.kind == "load":
            state = state_of(problem, moment, height, share)
            return self._row(state, place), equation.value - float(state.force_n[place])
        if equation.kind == "free":
            state = state_of(problem, moment, height, share)
            sign = 1 if state.parts[place] in (UPPER_WALL, SLACK) else -1
            if state.parts[place] in (FALLING, RISING, STUCK) and hanger.high_m > hanger.low_m:
                return None, 0.0
        else:
            sign = {"upper": 1, "lower": -1}.get(equation.kind, equation.sign)
        at_m = hanger.high_m if sign > 0 else hanger.low_m
        state = state_of(problem, _on_wall(moment, place, at_m), height, share, held=place)
        excess = float(state.force_n[place]) - hanger.spring_n(at_m)
        if equation.kind != "free_from" and sign * excess <= equation.half and equation.kind != "free":
            return None, 0.0
        if equation.kind == "free" and abs(excess) <= equation.half:
            return None, 0.0
        return self._row(state, place), -excess

    def _row(self, state: State, place: int) -> Array:
        seen = sensitivity(self._problem.stiffness_n_per_m, state.hangers, state.parts)
        by_share = seen.by_load[place] @ self._problem.unknowns.weight_n
        return np.concatenate([seen.by_offset[place], by_share])


def _on_wall(moment: Moment, place: int, at_m: float) -> Moment:
    """The moment with one hanger's pin marked to be held at a place of its slot."""
    hangers = list(moment.hangers)
    hangers[place] = replace(hangers[place], slider_m=at_m)
    return replace(moment, hangers=tuple(hangers))
