"""The set of everything that agrees with what was seen, as rows of a mixed-integer linear program.

Each hanger's law is a union of straight pieces; which one it is on is settled by switches (0 or 1), so that
the set holds every history of friction and every contact that can be. Lengths are in mm and forces in kN
here, which keeps the rows near 1.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_matrix, diags, vstack

from service.engineering.estimates.problem import Array, Look, Moment, Problem

MM: Final = 1e-3
KN: Final = 1e3
GAP_MM: Final = 200.0
TURNED_MM: Final = 400.0
_MOST_NODES: Final = 150
_LEAST_NODES: Final = 4
_MOST_COLUMNS: Final = 4_000  # of all nodes together
_MOST_SEARCHED: Final = 12  # hangers; beyond it the bound before any search is taken
_KEPT: Final = 1e-5  # mm or kN by which a law may be broken
_EMPTY: Final = 2
_ROUNDING: Final = 1e-9


@dataclass(frozen=True)
class Bounded:
    """What the laws of one moment allow before anything was seen.

    excess_low, excess_high: rod less spring at least and at most, (m,) [kN]. load_high: rod at most [kN].
    may_hang_loose: whether the rod can be slack, (m,).
    """

    excess_low: Array
    excess_high: Array
    load_high: Array
    may_hang_loose: Any


@dataclass(frozen=True)
class Block:
    """Expressions of one moment over the columns of a program: value = matrix @ columns + constant.

    rod, pin, excess: load [kN], pin [mm] and load less spring [kN] of each hanger. low, high: walls [mm].
    band: half the friction band [kN]. above, below: how far the excess can go beyond it [kN]. first: the
    moment's first column.
    """

    rod: Any
    rod_constant: Array
    pin: Any
    pin_constant: Array
    excess: Any
    excess_constant: Array
    low: Array
    high: Array
    band: Array
    above: Array
    below: Array
    first: int


@dataclass
class Effort:
    """cut_short: whether a search ended before everything was settled, so that its bound may be wide."""

    cut_short: bool = False


class Program:
    """Columns: heights, shares, then for each moment: movements, gaps, three switches a hanger, turning."""

    def __init__(self, problem: Problem, bounded: list[Bounded]) -> None:
        """Lays out columns and the rows of every moment's laws; looks are added when it is solved."""
        self.problem = problem
        self.effort = Effort()
        m, groups = problem.size, len(problem.unknowns.weight_share)
        self.common = m + groups
        self.width = self.common + len(problem.moments) * (5 * m + 1)
        unknowns = problem.unknowns
        self._low = np.full(self.width, -np.inf)
        self._high = np.full(self.width, np.inf)
        self._low[:m] = (unknowns.height_m - unknowns.height_half_m) / MM
        self._high[:m] = (unknowns.height_m + unknowns.height_half_m) / MM
        self._low[m : self.common] = unknowns.weight_share - unknowns.weight_half
        self._high[m : self.common] = unknowns.weight_share + unknowns.weight_half
        self._stiffness = problem.stiffness_n_per_m * MM / KN
        self._weight = unknowns.weight_n / KN
        self._rows: list[Any] = []
        self._at_least: list[Array] = []
        self._at_most: list[Array] = []
        self.blocks = [
            self._moment(number, moment, bounded[number]) for number, moment in enumerate(problem.moments)
        ]
        self._looks = [self._look(look) for look in problem.looks]

    # --- expressions ---------------------------------------------------------------------------------
    def select(self, columns: Any) -> Any:
        """Rows that pick single columns."""
        count = len(columns)
        return csr_matrix((np.ones(count), (np.arange(count), columns)), shape=(count, self.width))

    def misfit(self) -> Any:
        """K h - W w, (m, columns) [kN]."""
        m = self.problem.size
        heights, shares = self.select(np.arange(m)), self.select(np.arange(m, self.common))
        return csr_matrix(self._stiffness) @ heights - csr_matrix(self._weight) @ shares

    def turning_column(self, moment: int) -> int:
        """Column of the turning of a moment [mm]."""
        return self.blocks[moment].first + 5 * self.problem.size

    # --- laws ----------------------------------------------------------------------------------------
    def _moment(self, number: int, moment: Moment, bounded: Bounded) -> Block:
        m = self.problem.size
        first = self.common + number * (5 * m + 1)
        places = np.arange(m)
        low = np.array([each.low_m for each in moment.hangers]) / MM
        high = np.array([each.high_m for each in moment.hangers]) / MM
        rate = np.array([each.rate_n_per_m for each in moment.hangers]) * MM / KN
        spring = np.array([each.load_n for each in moment.hangers]) / KN
        band = np.array([each.friction_n for each in moment.hangers]) / KN + moment.allowance_n / KN
        offset = np.array([each.offset_m for each in moment.hangers]) / MM
        give = np.array([1.0 / each.series_n_per_m for each in moment.hangers]) * KN / MM
        slotted = high > low
        loose = bounded.may_hang_loose
        moves, gaps = self.select(first + places), self.select(first + m + places)
        at_low, at_high = self.select(first + 2 * m + places), self.select(first + 3 * m + places)
        slack = self.select(first + 4 * m + places)
        turned = csr_matrix((m, self.width))
        self._low[first + 5 * m] = self._high[first + 5 * m] = 0.0
        if moment.turning is not None:
            self._low[first + 5 * m], self._high[first + 5 * m] = -TURNED_MM, TURNED_MM
            turned = csr_matrix(([1.0], ([moment.turning], [first + 5 * m])), shape=(m, self.width))
        self._low[first + m : first + 5 * m] = 0.0
        self._high[first + m : first + 2 * m] = np.where(loose, GAP_MM, 0.0)
        # A switch that the laws settle beforehand is no unknown.
        settled_low = slotted & (bounded.excess_low > band)
        settled_high = slotted & (bounded.excess_high < -band)
        can_low = slotted & (bounded.excess_high >= -band)
        can_high = slotted & (bounded.excess_low <= band)
        self._low[first + 2 * m : first + 3 * m] = np.where(settled_low, 1.0, 0.0)
        self._high[first + 2 * m : first + 3 * m] = np.where(can_low & ~settled_high, 1.0, 0.0)
        self._low[first + 3 * m : first + 4 * m] = np.where(settled_high, 1.0, 0.0)
        self._high[first + 3 * m : first + 4 * m] = np.where(can_high & ~settled_low, 1.0, 0.0)
        self._high[first + 4 * m : first + 5 * m] = np.where(loose, 1.0, 0.0)
        heights, shares = self.select(places), self.select(np.arange(m, self.common))
        rod = csr_matrix(self._stiffness) @ moves - csr_matrix(self._weight) @ shares
        rod_constant = -self.problem.load_n / KN
        pin = moves - heights + diags(give) @ rod - gaps - turned
        pin_constant = give * rod_constant - offset
        excess = rod + diags(rate) @ pin
        constant = rod_constant + rate * pin_constant - spring
        inside, reach = np.flatnonzero(slotted), high - low
        above = np.maximum(bounded.excess_high - band, 0.0)
        below = np.maximum(-band - bounded.excess_low, 0.0)
        self._add(pin, low - pin_constant, high - pin_constant)
        self._add(rod, -rod_constant, np.full(m, np.inf))
        self._add((excess - diags(above) @ at_low)[inside], -np.inf, (band - constant)[inside])
        self._add((excess + diags(below) @ at_high)[inside], (-band - constant)[inside], np.inf)
        self._add((pin + diags(reach) @ at_low)[inside], -np.inf, (high - pin_constant)[inside])
        self._add((pin - diags(reach) @ at_high)[inside], (low - pin_constant)[inside], np.inf)
        self._add((at_low + at_high)[inside], -np.inf, np.ones(len(inside)))
        some = np.flatnonzero(loose)
        self._add(
            (rod + diags(bounded.load_high) @ slack)[some], -np.inf, (bounded.load_high - rod_constant)[some]
        )
        self._add((gaps / GAP_MM - slack)[some], -np.inf, np.zeros(len(some)))
        both = np.flatnonzero(loose & slotted)
        self._add((slack - at_high)[both], -np.inf, np.zeros(len(both)))
        return Block(
            rod, rod_constant, pin, pin_constant, excess, constant, low, high, band, above, below, first
        )

    def _add(self, rows: Any, at_least: Array | float, at_most: Array | float) -> None:
        count = rows.shape[0]
        if count:
            rows = csr_matrix(rows)
            # Rows of like size, so that the solver's tolerance means the same in each.
            scale = 1.0 / np.maximum(np.asarray(abs(rows).max(axis=1).todense()).ravel(), 1e-12)
            self._rows.append(csr_matrix(diags(scale) @ rows))
            self._at_least.append(scale * np.asarray(at_least, dtype=float))
            self._at_most.append(scale * np.asarray(at_most, dtype=float))

    # --- looks -----------------------------------------------------------------------------------------
    def _look(self, look: Look) -> tuple[Any, Array, Array]:
        """Rows of one look, with their least and greatest values."""
        if look.kind == "height":
            return self.select([look.place]), np.array([look.low / MM]), np.array([look.high / MM])
        if look.kind == "share":
            column = self.select([self.problem.size + look.place])
            return column, np.array([look.low]), np.array([look.high])
        block, moment = self.blocks[look.moment], self.problem.moments[look.moment]
        hanger, place = moment.hangers[look.place], look.place
        rod, pin = block.rod[place], block.pin[place]
        rate, spring = hanger.rate_n_per_m * MM / KN, hanger.load_n / KN
        allowance = float(moment.allowance_n[place]) / KN
        band = hanger.friction_n / KN + allowance
        excess = rod + rate * pin
        constant = block.rod_constant[place] + rate * block.pin_constant[place] - spring
        low, high = hanger.low_m / MM, hanger.high_m / MM
        if look.kind == "load":
            shift = block.rod_constant[place]
            return rod, np.array([look.low / KN - shift]), np.array([look.high / KN - shift])
        if look.kind == "excess":
            least, most = look.low / KN - allowance, look.high / KN + allowance
            return excess, np.array([least - constant]), np.array([most - constant])
        if look.kind == "free":
            return excess, np.array([-band - constant]), np.array([band - constant])
        wall = high if look.kind == "upper" else low
        rows = vstack([pin, excess]).tocsr()
        at = wall - block.pin_constant[place]
        if look.kind == "upper":
            return rows, np.array([at, -np.inf]), np.array([at, band - constant])
        return rows, np.array([at, -band - constant]), np.array([at, np.inf])

    # --- solving -----------------------------------------------------------------------------------------
    def chosen(
        self,
        kept: Callable[[int], bool],
        *,
        settled: bool = True,
        misfit_kn: tuple[Array, Array] | None = None,
    ) -> Chosen:
        """The set with the looks of these observations alone, ready to be solved on.

        Args:
            kept: whether the looks of an observation count
            settled: whether every law is settled exactly; otherwise the set is the convex one about it
            misfit_kn: bounds of the misfit that are known already [kN]
        """
        rows, at_least, at_most = [*self._rows], [*self._at_least], [*self._at_most]
        for (matrix, low, high), look in zip(self._looks, self.problem.looks, strict=True):
            if kept(look.observation):
                rows.append(matrix)
                at_least.append(low)
                at_most.append(high)
        if misfit_kn is not None:
            rows.append(self.misfit())
            at_least.append(misfit_kn[0])
            at_most.append(misfit_kn[1])
        least, most = np.concatenate(at_least), np.concatenate(at_most)
        # What is met exactly counts as met whatever rounding did on the way.
        slack = _ROUNDING * np.maximum(1.0, np.where(np.isfinite(least), np.abs(least), 0.0))
        return Chosen(
            LinearConstraint(vstack(rows).tocsr(), least - slack, most + slack),
            self._low,
            self._high,
            tuple(self.blocks) if settled else (),
            self.effort,
        )


@dataclass(frozen=True)
class Chosen:
    """A set to be solved on, again and again with other objectives. blocks: moments settled exactly."""

    rows: LinearConstraint
    low: Array
    high: Array
    blocks: tuple[Block, ...]
    effort: Effort

    @property
    def width(self) -> int:
        """Number of columns."""
        return len(self.low)

    def least(self, objective: Array) -> float | None:
        """The least value of an objective over the set, or a bound below it; None where the set is empty.

        Branch and bound, the lowest bound first: where a solution breaks a hanger's law most, the set is
        parted into one with the pin on that wall (or the rod loose) and one without. What is still open when
        the nodes are used up counts with its bound: the answer is never above the least value.
        """
        root = self._linear(objective, self.low, self.high, -math.inf)
        if root is None:
            return None
        heap = [(root[0], 0, root[1], self.low, self.high)]
        nodes = 0
        if all(len(block.low) <= _MOST_SEARCHED for block in self.blocks):
            nodes = max(_LEAST_NODES, min(_MOST_NODES, _MOST_COLUMNS // self.width))
        for number in range(1, nodes + 1):
            bound, _, columns, low, high = heapq.heappop(heap)
            if columns is None:
                self.effort.cut_short = True
                return bound
            switch = self._broken(columns, low, high)
            if switch is None:
                return bound
            for value in (0.0, 1.0):
                lower, upper = low.copy(), high.copy()
                lower[switch] = upper[switch] = value
                found = self._linear(objective, lower, upper, bound)
                if found is not None:
                    heapq.heappush(heap, (found[0], 2 * number + int(value), found[1], lower, upper))
            if not heap:
                return None
        self.effort.cut_short = True
        return heap[0][0]

    def _broken(self, columns: Array, low: Array, high: Array) -> int | None:
        """The open switch of the law that is broken most; None where every law holds."""
        worst, found = _KEPT, None
        for block in self.blocks:
            m = len(block.low)
            pin = block.pin @ columns + block.pin_constant
            excess = block.excess @ columns + block.excess_constant
            rod = block.rod @ columns + block.rod_constant
            gap = columns[block.first + m : block.first + 2 * m]
            slotted = block.high > block.low
            breaks = (
                (2, np.where(slotted, np.minimum(pin - block.low, excess - block.band), 0.0)),
                (3, np.where(slotted, np.minimum(block.high - pin, -block.band - excess), 0.0)),
                (4, np.minimum(gap, rod)),
            )
            for part, by in breaks:
                place = int(by.argmax())
                switch = block.first + part * m + place
                if by[place] > worst and low[switch] < high[switch]:
                    worst, found = float(by[place]), switch
        return found

    def _linear(
        self, objective: Array, low: Array, high: Array, known: float
    ) -> tuple[float, Array | None] | None:
        """Least value and columns with the laws relaxed; None where empty. known: a bound before."""
        for options in ({}, {"presolve": False}):
            found = milp(objective, bounds=Bounds(low, high), constraints=self.rows, options=options)
            if found.status == _EMPTY:
                return None
            if found.fun is not None and found.x is not None:
                return max(float(found.fun), known), found.x
        # Neither solved nor shown to be empty: what bounded it before still does.
        return known, None
