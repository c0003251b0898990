"""What can be: intervals that hold the truth whatever friction and contacts were, and what contradicts.

Every interval is the range of a quantity over the set of all heights, weights and states that agree with
everything seen, or a range about it. Nothing is averaged: where the set is empty, the observations that
cannot hold together are named.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final, Literal

import numpy as np

from service.engineering.estimates.problem import Array, Look, Moment, Problem
from service.engineering.estimates.program import GAP_MM, KN, MM, TURNED_MM, Bounded, Chosen, Program

_MOST_NARROWED: Final = 400
_ROUNDING_KN: Final = 1e-6
_ASKED: Final = -1

Range = tuple[float, float]


def _wide(problem: Problem, moment: Moment, loose: Any) -> Bounded:
    """What interval arithmetic allows: pins between their walls, heights and weights in their boxes."""
    stiffness, unknowns, hangers = problem.stiffness_n_per_m, problem.unknowns, moment.hangers
    m = problem.size
    give = np.array([1.0 / each.series_n_per_m for each in hangers])
    low = np.array([each.low_m for each in hangers])
    high = np.array([each.high_m for each in hangers])
    offset = np.array([each.offset_m for each in hangers])
    turned = np.zeros(m)
    if moment.turning is not None:
        turned[moment.turning] = TURNED_MM * MM
    middle = unknowns.height_m + offset + (low + high) / 2.0 + loose * GAP_MM * MM / 2.0
    half = unknowns.height_half_m + (high - low) / 2.0 + loose * GAP_MM * MM / 2.0 + turned
    solved = np.linalg.inv(np.eye(m) + stiffness * give)
    by_place, by_weight = solved @ stiffness, solved @ unknowns.weight_n
    rod = by_place @ middle - solved @ problem.load_n - by_weight @ unknowns.weight_share
    spread = np.abs(by_place) @ half + np.abs(by_weight) @ unknowns.weight_half
    rate = np.array([each.rate_n_per_m for each in hangers])
    spring = np.array([each.load_n for each in hangers])
    least, most = np.maximum(rod - spread, 0.0), np.maximum(rod + spread, 0.0)
    return Bounded(
        (least + rate * low - spring) / KN - _ROUNDING_KN,
        (most + rate * high - spring) / KN + _ROUNDING_KN,
        most / KN + _ROUNDING_KN,
        np.asarray(rod - spread <= 0.0),
    )


def _bounded(problem: Problem, moment: Moment, narrow: bool) -> Bounded:
    """Bounds of a moment. A rod hangs loose only where one that is tight could come down to nothing.

    All states are reached from one with every rod tight on a path inside the boxes, and the first rod to go
    loose on it does so from no load: where no tight state has one, none goes loose.
    """
    loose = np.zeros(problem.size, dtype=bool)
    tight = _wide(problem, moment, loose)
    if narrow:
        alone = replace(problem, moments=(moment,), looks=())
        tight = _narrowed(Program(alone, [replace(tight, may_hang_loose=loose)]), tight)
    if not tight.may_hang_loose.any():
        return tight
    while True:
        bounded = _wide(problem, moment, loose)
        grown = loose | bounded.may_hang_loose
        if np.array_equal(grown, loose):
            return replace(bounded, may_hang_loose=loose)
        loose = grown


def _narrowed(program: Program, bounded: Bounded) -> Bounded:
    """Bounds by linear programming over the laws, with every rod tight."""
    block, hangers = program.blocks[0], program.problem.moments[0].hangers
    chosen = program.chosen(lambda _: True, settled=False)
    low, high = bounded.excess_low.copy(), bounded.excess_high.copy()
    loose = np.zeros(len(hangers), dtype=bool)
    for place, hanger in enumerate(hangers):
        rod = _row(block.rod, place)
        if hanger.high_m > hanger.low_m:
            rate, spring = hanger.rate_n_per_m * MM / KN, hanger.load_n / KN
            row = rod + rate * _row(block.pin, place)
            constant = block.rod_constant[place] + rate * block.pin_constant[place] - spring
            least, most = chosen.least(row), chosen.least(-row)
            if least is not None and most is not None:
                low[place] = max(low[place], least + constant - _ROUNDING_KN)
                high[place] = min(high[place], constant - most + _ROUNDING_KN)
        lightest = chosen.least(rod)
        loose[place] = lightest is None or lightest + block.rod_constant[place] <= _ROUNDING_KN
    return Bounded(low, high, bounded.load_high, loose)


class Possible:
    """Everything that agrees with the looks of a problem."""

    def __init__(self, problem: Problem, known: Mapping[int, tuple[Moment, Bounded]] | None = None) -> None:
        """Bounds what the laws allow at each moment. known: such bounds and their moments, by id."""
        self.problem = problem
        narrow = problem.size * len(problem.moments) <= _MOST_NARROWED
        self._known = dict(known or {})
        for moment in problem.moments:
            if id(moment) not in self._known:
                self._known[id(moment)] = moment, _bounded(problem, moment, narrow)
        self.program = Program(problem, [self._known[id(moment)][1] for moment in problem.moments])

    @property
    def is_exact(self) -> bool:
        """Whether every search so far was ended; otherwise intervals may be wider than they need be."""
        return not self.program.effort.cut_short

    # --- agreement -------------------------------------------------------------------------------------
    def is_empty(self, kept: Iterable[int]) -> bool:
        """Whether nothing agrees with the looks of these observations together."""
        named = frozenset(kept)
        chosen = self.program.chosen(lambda each: each in named)
        return chosen.least(np.zeros(self.program.width)) is None

    def contradicting(self) -> tuple[int, ...]:
        """Observations that cannot hold together: none can be left out of them; empty where all agree.

        Found by leaving out one after the other. Further contradictions may stand beside the one named.
        """
        everyone = sorted({look.observation for look in self.problem.looks})
        if not everyone or not self.is_empty(everyone):
            return ()
        kept = list(everyone)
        for each in everyone:
            fewer = [other for other in kept if other != each]
            if self.is_empty(fewer):
                kept = fewer
        return tuple(kept)

    # --- intervals ---------------------------------------------------------------------------------------
    def misfit_n(self) -> list[Range] | None:
        """Combined misfit at each hanger, as the change of its rod's load with every pin held [N]."""
        rows = np.asarray(self.program.misfit().todense())
        return _all([_range(self._everything(), row, 0.0, KN) for row in rows])

    def heights_m(self) -> list[Range] | None:
        """Pick-up heights [m]."""
        columns = range(self.problem.size)
        return _all([_range(self._everything(), self._unit(column), 0.0, MM) for column in columns])

    def shares(self) -> list[Range] | None:
        """Shares by which the groups of weight differ from the model."""
        columns = range(self.problem.size, self.program.common)
        return _all([_range(self._everything(), self._unit(column), 0.0, 1.0) for column in columns])

    def rod_n(self, moment: Moment, place: int, misfit_n: Sequence[Range] | None = None) -> Range | None:
        """Load of a rod at a moment, one of the problem's or a further one [N]; None where nothing agrees.

        misfit_n: the misfit's intervals, where they are known already
        """
        known = [number for number, each in enumerate(self.problem.moments) if each is moment]
        here = self if known else self._further([moment])
        number = known[0] if known else len(self.problem.moments)
        block = here.program.blocks[number]
        bounds = None if misfit_n is None else _in_kn(misfit_n)
        chosen = here.program.chosen(lambda _: True, misfit_kn=bounds)
        found = _range(chosen, _row(block.rod, place), float(block.rod_constant[place]), KN)
        self.program.effort.cut_short |= here.program.effort.cut_short
        return None if found is None else (max(found[0], 0.0), max(found[1], 0.0))

    def _further(self, moments: Sequence[Moment]) -> Possible:
        problem = replace(self.problem, moments=(*self.problem.moments, *moments))
        further = Possible(problem, self._known)
        self._known.update(further._known)
        return further

    # --- parts ---------------------------------------------------------------------------------------------
    def _everything(self) -> Chosen:
        return self.program.chosen(lambda _: True)

    def _unit(self, column: int) -> Array:
        row = np.zeros(self.program.width)
        row[column] = 1.0
        return row


def turned_m(
    problem: Problem, moment: Moment, place: int, rod_n: Range, misfit_n: Sequence[Range]
) -> Range | None:
    """By how much a nut has to be turned from a moment on until its pin may be and surely is free [m].

    The pin leaves the wall that it is on at that moment, within the friction band; where it is on none,
    nothing has to be turned. On the way the rod's load goes by no more than the stiffness with every other
    pin held, and by no less than that with every other pin on its spring.

    Args:
        problem: the line; its moments and looks count by way of the two arguments that follow
        moment: from which on the nut is turned
        place: the hanger
        rod_n: interval of its rod's load at that moment [N]
        misfit_n: intervals of the misfit, all hangers [N]

    Returns:
        the hull of all that is possible, positive where the load is raised; None where nothing agrees
    """
    hanger = moment.hangers[place]
    band = hanger.friction_n + float(moment.allowance_n[place])
    softest, stiffest = _stiffnesses(problem, moment, place)
    turning = replace(moment, turning=place)
    bounded = _bounded(problem, turning, True)
    found: list[Range] = []
    slotted = hanger.high_m > hanger.low_m
    most_inside, least_inside = hanger.spring_n(hanger.low_m) + band, hanger.spring_n(hanger.high_m) - band
    if slotted and rod_n[0] <= most_inside and rod_n[1] >= least_inside:
        found.append((0.0, 0.0))
    walls: tuple[tuple[Literal["upper", "lower"], int], ...] = (("upper", 1), ("lower", -1))
    for wall, sign in walls:
        spring = hanger.spring_n(hanger.high_m if sign > 0 else hanger.low_m)
        lacking = sorted((sign * (spring - rod_n[1]), sign * (spring - rod_n[0])))
        if lacking[1] < 0.0:
            continue
        least = max(0.0, lacking[0] - band) / stiffest
        most = (lacking[1] + band) / softest if softest > 0.0 else np.inf
        looks = (Look(_ASKED, 0, place, wall), Look(_ASKED, 0, place, "free"))
        program = Program(replace(problem, moments=(turning,), looks=looks), [bounded])
        row = np.zeros(program.width)
        row[program.turning_column(0)] = sign
        chosen = program.chosen(lambda _: True, misfit_kn=_in_kn(misfit_n))
        away = _range(chosen, row, 0.0, MM)
        if away is None or away[1] < 0.0:
            continue
        between = max(least, away[0]), min(most, away[1])
        if between[0] <= between[1]:
            found.append(between if sign > 0 else (-between[1], -between[0]))
    if not found:
        return None
    return min(low for low, _ in found), max(high for _, high in found)


def _stiffnesses(problem: Problem, moment: Moment, place: int) -> Range:
    """Least and greatest change of a rod's load for a unit of its nut, whatever the other pins do [N/m]."""
    others = [number for number in range(problem.size) if number != place]
    stiffness = problem.stiffness_n_per_m
    give = np.array([1.0 / each.series_n_per_m for each in moment.hangers])
    found = []
    for held in (False, True):
        springs = np.zeros(problem.size)
        for number in others:
            if held and give[number] > 0.0:
                springs[number] = 1.0 / give[number]
        inner = stiffness[np.ix_(others, others)] + np.diag(springs[others])
        coupling = stiffness[place, others]
        seen = float(stiffness[place, place])
        free = np.array([not held or give[number] > 0.0 for number in others], dtype=bool)
        if free.any():
            solved = np.linalg.lstsq(inner[np.ix_(free, free)], coupling[free], rcond=None)[0]
            seen -= float(coupling[free] @ solved)
        seen = max(seen, 0.0)
        found.append(seen / (1.0 + seen * give[place]))
    return found[0], found[1]


def _in_kn(misfit_n: Sequence[Range]) -> tuple[Array, Array]:
    """Bounds of the misfit, widened by rounding [kN]."""
    bounds: Array = np.array(misfit_n, dtype=float).T / KN
    margin = _ROUNDING_KN * (1.0 + np.abs(bounds[np.isfinite(bounds)]).max(initial=0.0))
    return bounds[0] - margin, bounds[1] + margin


def _row(matrix: Any, place: int) -> Array:
    row: Array = np.asarray(matrix[place].todense()).ravel()
    return row


def _range(chosen: Chosen, row: Array, constant: float, scale: float) -> Range | None:
    least = chosen.least(row)
    if least is None:
        return None
    most = chosen.least(-row)
    if most is None:
        return None
    return (least + constant) * scale, (constant - most) * scale


def _all(found: Sequence[Range | None]) -> list[Range] | None:
    """Every one of them, or None where the set is empty."""
    kept = [each for each in found if each is not None]
    return kept if len(kept) == len(found) else None
