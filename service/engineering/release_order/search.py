"""Search: the order of release that keeps the line's utilisation least, and among those the one of least turning.

With nuts that return and springs without friction, the line's state depends only on which stops are out. The
search over sets is then exact: a first pass finds the least greatest utilisation P that any order can
keep, a second the least turning among the steps that stay within P. (The two cannot be had in one pass: the
order of least turning to a set may lie on a way above P.) Beyond a number of units the same is done
over the most promising sets alone, and a bound says how far from the best the answer can be.

Source: dynamic programming over subsets (M. Held and R. M. Karp, J. SIAM 10 (1962), from memory).
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from service.engineering.release_order.steps import NOTHING, RETURN, Peak, Step, Yard
from service.engineering.states.tracing import NoVerticalStiffness, PathLost, State

EXACT_UNITS: Final = 14
BEAM_WIDTH: Final = 48
_SAME: Final = 1e-9  # utilisations nearer than this count as equal


@dataclass(frozen=True)
class Plan:
    """An order with its steps.

    order: units by number. steps: one a unit. peak: the greatest utilisation, the start included. turns: sum of
    the turns made to ease. complete: whether every unit is out at the end. bound: no order has a peak below
    this; exact: whether no order is better in peak and, at that peak, in turns.
    """

    order: tuple[int, ...]
    steps: tuple[Step, ...]
    peak: Peak
    turns: float
    complete: bool
    bound: float
    exact: bool


class Search:
    """Orders of a set of units (hangers, or pairs) on one line."""

    def __init__(
        self,
        yard: Yard,
        start: State,
        units: Sequence[tuple[int, ...]],
        before: Mapping[int, frozenset[int]] | None = None,
        stages: Sequence[frozenset[int]] = (),
    ) -> None:
        """units: hangers that are released together, each hanger in one unit at most. before: units that
        must be out before a unit. stages: units of a stage are out before any of a later one begins.
        """
        self._yard = yard
        self._units = tuple(units)
        self._before = {unit: set((before or {}).get(unit, ())) for unit in range(len(units))}
        earlier: set[int] = set()
        for stage in stages:
            for unit in stage:
                self._before[unit] |= earlier
            earlier |= stage
        self._states: dict[frozenset[int], State] = {frozenset(): start}
        self._steps: dict[tuple[frozenset[int], int], Step | None] = {}
        self._start_peak = yard.peak(start, frozenset())

    # --- answers -----------------------------------------------------------------------------------------
    def follow(self, order: Iterable[int]) -> Plan:
        """What a given order does, step by step, to its end or to where no step is possible."""
        out: frozenset[int] = frozenset()
        steps: list[Step] = []
        taken: list[int] = []
        for unit in order:
            step = self._step(out, unit)
            if step is None:
                break
            steps.append(step)
            taken.append(unit)
            out |= {unit}
        return self._plan(tuple(taken), steps, 0.0, exact=False)

    def best(self) -> Plan:
        """The best order: exact up to EXACT_UNITS units, beyond them by beam with its bound."""
        exact = len(self._units) <= EXACT_UNITS
        order = self._exact() if exact else self._beam()
        bound = self._least_start()
        plan = self.follow(order)
        least = plan.peak.utilisation if exact and plan.complete else bound
        return Plan(plan.order, plan.steps, plan.peak, plan.turns, plan.complete, least, exact and plan.complete)

    # --- exact -------------------------------------------------------------------------------------------
    def _exact(self) -> tuple[int, ...]:
        """Sets in order of the least peak on a way to them: none is looked at whose peak is above the best order's."""
        everything = frozenset(range(len(self._units)))
        least: dict[frozenset[int], float] = {frozenset(): self._start_peak.utilisation}
        waiting = [(self._start_peak.utilisation, 0, (), frozenset[int]())]
        while waiting:
            peak, _, _, out = heapq.heappop(waiting)
            if peak > least[out]:
                continue
            if out == everything:
                return self._least_turning(everything, peak * (1.0 + _SAME) + _SAME)
            for unit in self._possible(out):
                step = self._step(out, unit)
                if step is None:
                    continue
                reached, worst = out | {unit}, max(peak, step.peak.utilisation)
                if worst < least.get(reached, math.inf):
                    least[reached] = worst
                    heapq.heappush(waiting, (worst, -len(reached), tuple(sorted(reached)), reached))
        return ()

    def _least_turning(self, everything: frozenset[int], within: float) -> tuple[int, ...]:
        known: dict[frozenset[int], tuple[float, tuple[int, ...]]] = {frozenset(): (0.0, ())}
        for _ in self._units:
            following: dict[frozenset[int], tuple[float, tuple[int, ...]]] = {}
            for out, (turns, order) in known.items():
                for unit in self._possible(out):
                    step = self._step(out, unit)
                    if step is None or step.peak.utilisation > within:
                        continue
                    reached, found = out | {unit}, (turns + step.effort, (*order, unit))
                    if reached not in following or found < following[reached]:
                        following[reached] = found
            known = following
        return known[everything][1]

    # --- beam --------------------------------------------------------------------------------------------
    def _beam(self) -> tuple[int, ...]:
        kept: list[tuple[float, float, tuple[int, ...], frozenset[int]]] = [
            (self._start_peak.utilisation, 0.0, (), frozenset())
        ]
        for _ in self._units:
            best: dict[frozenset[int], tuple[float, float, tuple[int, ...], frozenset[int]]] = {}
            for peak, turns, order, out in kept:
                for unit in self._possible(out):
                    step = self._step(out, unit)
                    if step is None:
                        continue
                    reached = out | {unit}
                    found = (max(peak, step.peak.utilisation), turns + step.effort, (*order, unit), reached)
                    if reached not in best or found < best[reached]:
                        best[reached] = found
            kept = sorted(best.values(), key=lambda each: each[:3])[:BEAM_WIDTH]
            living = {each[3] for each in kept}
            self._states = {out: state for out, state in self._states.items() if out in living or not out}
            if not kept:
                return ()
        return kept[0][2]

    # --- parts ---------------------------------------------------------------------------------------------
    def _possible(self, out: frozenset[int]) -> list[int]:
        return [unit for unit in range(len(self._units)) if unit not in out and self._before[unit] <= out]

    def _step(self, out: frozenset[int], unit: int) -> Step | None:
        """The step from a set, or None where the line would be left without anything to fix its height."""
        key = (out, unit)
        if key not in self._steps:
            released = frozenset(place for each in out for place in self._units[each])
            try:
                step: Step | None = self._yard.take(self._states[out], released, self._units[unit], RETURN)
            except (NoVerticalStiffness, PathLost):
                step = None
            self._steps[key] = step
            if step is not None:
                self._states.setdefault(out | {unit}, step.after)
        return self._steps[key]

    def _least_start(self) -> float:
        """A bound on every order's peak: the start is common to all, and some unit is the first."""
        firsts = [self._step(frozenset(), unit) for unit in self._possible(frozenset())]
        least = min((each.peak.utilisation for each in firsts if each is not None), default=math.inf)
        return max(self._start_peak.utilisation, least)

    def _plan(self, order: tuple[int, ...], steps: list[Step], bound: float, *, exact: bool) -> Plan:
        peaks = [self._start_peak, *(each.peak for each in steps)]
        worst = max(peaks, key=lambda each: each.utilisation, default=NOTHING)
        turns = math.fsum(each.effort for each in steps)
        return Plan(order, tuple(steps), worst, turns, len(order) == len(self._units), bound, exact)
