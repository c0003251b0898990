"""Search: the order of release of least utilisation, and among those the one of least turning.

With nuts that return and springs without friction, the line's state depends only on which stops are out. The
search over sets is then exact: a first pass finds the least greatest utilisation P that any order can
keep, a second the least turning among the steps that stay within P. (The two cannot be had in one pass: the
order of least turning to a set may lie on a way above P.) Beyond a number of units the same is done
over the most promising sets alone, and a bound says how far from the best the answer can be.

Nuts that stay where the stops came out make the way part of the state: every way is then followed, the sets
replaced by ways, as far as their number allows.

With friction each set at rest is charged with the worst that its springs can do within their bands while
no contact changes; `worst_case` says what holds in any case, `follow` what one history really makes.

Source: dynamic programming over subsets (M. Held and R. M. Karp, J. SIAM 10 (1962), from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from service.engineering.release_order.bands import margins
from service.engineering.release_order.field import Field, Flags, Places, Rests
from service.engineering.release_order.steps import LEAVE, NOTHING, RETURN, Peak, Step, Yard
from service.engineering.states.laws import RISING, SLACK
from service.engineering.states.state import NotAtRest
from service.engineering.states.tracing import Array, NoVerticalStiffness, PathLost, State
from service.errors import ServiceError

EXACT_UNITS: Final = 14
LEAVE_UNITS: Final = 7
BEAM_WIDTH: Final = 48
_WIDER: Final = 8  # steps looked at for each set that is kept
_SAME: Final = 1e-6  # utilisations nearer than this, relatively, count as equal


class TooManyWays(ServiceError):
    """Nuts that stay where they are leave too many ways to follow; facts `units`, `most` (422)."""

    code = "too-many-ways"
    title = "Too many ways to release the line with the nuts left where they are"


@dataclass(frozen=True)
class Plan:
    """An order with its steps.

    order: units by number. steps: one a unit. peak: the greatest utilisation, the start included. turns: sum
    of the turns made to ease. complete: whether every unit is out at the end. bound: no order has a peak
    below this; exact: whether no order is better in peak and, at that peak, in turns. stopped: hangers that
    would leave the line free to drift at the step that could not be taken.
    """

    order: tuple[int, ...]
    steps: tuple[Step, ...]
    peak: Peak
    turns: float
    complete: bool
    bound: float
    exact: bool
    stopped: tuple[int, ...] = ()


@dataclass
class _Edges:
    """Steps between two levels: numbers of the sets before and after, unit, utilisation and turns, (e,)."""

    before: Places
    after: Places
    unit: Places
    peak: Array
    turns: Array


@dataclass
class _Level:
    """Sets (or ways) of one size. keys: units that are out, as bits; peak: at rest, (n,)."""

    keys: list[int]
    rests: Rests
    peak: Array
    edges: _Edges | None = None


class Search:
    """Orders of a set of units (hangers, or pairs) on one line."""

    def __init__(
        self,
        yard: Yard,
        start: State,
        units: Sequence[tuple[int, ...]],
        before: Mapping[int, frozenset[int]] | None = None,
        stages: Sequence[frozenset[int]] = (),
        *,
        out: frozenset[int] = frozenset(),
        friction_n: Array | None = None,
        rule: str = RETURN,
    ) -> None:
        """Prepares a search.

        Args:
            yard: the line with its supports
            start: before the first step, without friction
            units: hangers that are released together, each hanger in one unit at most
            before: units that must be out before a unit
            stages: units of a stage are out before any of a later one begins
            out: hangers whose stops are out already
            friction_n: half the friction band of each hanger, (m,) [N]; None takes none into account
            rule: RETURN or LEAVE
        """
        self._yard, self._start, self._out, self._rule = yard, start, out, rule
        self._units = tuple(units)
        wanted = {unit: set((before or {}).get(unit, ())) for unit in range(len(units))}
        earlier: set[int] = set()
        for stage in stages:
            for unit in stage:
                wanted[unit] |= earlier
            earlier |= stage
        self._before = [sum(1 << each for each in wanted[unit]) for unit in range(len(units))]
        self._field = Field(yard, start)
        self._friction = None if friction_n is None or not friction_n.any() else friction_n
        self._all = (1 << len(units)) - 1
        self.drifting: set[int] = set()

    # --- answers -----------------------------------------------------------------------------------------
    def follow(self, order: Iterable[int], start: State | None = None) -> Plan:
        """What a given order does, step by step, to its end or to where no step is possible.

        Args:
            order: units by number
            start: instead of the search's own: the line with friction, to simulate its history
        """
        state, out = self._start if start is None else start, self._out
        peaks = [self._yard.peak(state, out)]
        steps: list[Step] = []
        taken: list[int] = []
        stopped: tuple[int, ...] = ()
        for unit in order:
            try:
                step = self._yard.take(state, out, self._units[unit], self._rule)
            except NoVerticalStiffness as error:
                stopped = tuple(error.facts["hangers"])
                break
            except (PathLost, NotAtRest):
                stopped = self._units[unit]
                break
            steps.append(step)
            taken.append(unit)
            peaks.append(step.peak)
            state, out = step.after, out | set(self._units[unit])
        worst = max(peaks, key=lambda each: each.utilisation, default=NOTHING)
        turns = math.fsum(each.effort for each in steps)
        complete = len(taken) == len(self._units)
        return Plan(tuple(taken), tuple(steps), worst, turns, complete, 0.0, False, stopped)

    def permits(self, order: Sequence[int]) -> bool:
        """Whether an order holds to precedence and stages."""
        done = 0
        for unit in order:
            if self._before[unit] & ~done:
                return False
            done |= 1 << unit
        return True

    def best(self) -> Plan:
        """The best order: exact up to EXACT_UNITS units, beyond them by beam with its bound.

        With friction `exact` and `bound` are those of the worst case at rest, not of the simulated history.

        Raises:
            TooManyWays: nuts are left and there are more than LEAVE_UNITS units
        """
        if self._rule == LEAVE and len(self._units) > LEAVE_UNITS:
            raise TooManyWays(
                "With the nuts left where they are, every way has to be followed.",
                units=len(self._units),
                most=LEAVE_UNITS,
            )
        exact = len(self._units) <= EXACT_UNITS
        levels = self._levels(None if exact else BEAM_WIDTH)
        order, least = self._chosen(levels) if len(levels) > len(self._units) else ((), math.inf)
        bound = least if exact else self._bound(levels)
        plan = self.follow(order)
        return replace(plan, bound=min(bound, max(least, 0.0)), exact=exact and plan.complete)

    def charged(self, plan: Plan) -> float:
        """What the search weighs an order by: its peak, and the worst that friction can do at each rest."""
        rests = [self._field.of_state(self._start, self._out), *self._after(plan)]
        return max(plan.peak.utilisation, *(float(self._at_rest(each)[0]) for each in rests))

    def worst_case(self, plan: Plan, *, strict: bool = True) -> tuple[float, float | None]:
        """The worst that an order can do while every spring's load lies in its friction band.

        Between two rests the force of the eased hanger alone drives the others, so that the worst stands at
        the rests or at either face of the slot, where pins that may move at one of them count as such at all.

        Args:
            plan: as followed without friction
            strict: whether the second figure is wanted

        Returns:
            the utilisation while no contact changes by friction; and one that nothing within the bands
            passes, None where it cannot be had
        """
        if self._friction is None:
            return plan.peak.utilisation, plan.peak.utilisation
        before = self._field.of_state(self._start, self._out)
        likely = at_most = plan.peak.utilisation
        bound, out = strict, self._out
        for step, after in zip(plan.steps, self._after(plan), strict=True):
            moments = self._moments(step, before, after, out)
            likely = max(likely, self._worst_of(moments, None)[0])
            if bound:
                also, same = self._stray(step, moments, out)
                here, holds = self._worst_of(moments, also)
                at_most, bound = max(at_most, here), same and holds
            before, out = after, out | set(step.hangers)
        return likely, at_most if bound else None

    def _moments(
        self, step: Step, before: Rests, after: Rests, out: frozenset[int]
    ) -> list[tuple[Rests, Flags]]:
        """Before and after a step, at the middle of the slot and at its other face; who is out there."""
        own, size = list(step.hangers), len(self._yard.supports)
        flags, held = np.zeros((1, size), dtype=bool), np.zeros((1, size), dtype=bool)
        flags[0, [*out, *own]], held[0, list(out)] = True, True
        eased = self._field.of_state(step.eased, out)
        parts = eased.parts.copy()
        parts[0, own] = RISING
        moments = [(before, before.out), (after, after.out)]
        for share in (0.0, 1.0):
            offsets = eased.offsets.copy()
            for number, place in enumerate(own):
                more = step.other_face[number] - step.turns[number]
                offsets[0, place] += share * more * self._yard.leads[place]
            moments.append((self._field.rest(flags, parts, offsets), held))
        return moments

    def _stray(
        self, step: Step, moments: Sequence[tuple[Rests, Flags]], out: frozenset[int]
    ) -> tuple[Flags, bool]:
        """Locked pins that may stray at some moment, (1, m); whether the released keep their parts."""
        assert self._friction is not None
        others = np.ones(len(self._yard.supports), dtype=bool)
        others[list(step.hangers)] = False
        first = moments[0][0].parts[0]
        differ = np.any([rests.parts[0] != first for rests, _ in moments], axis=0) & others
        moving = [
            margins(self._field, rests, self._friction, strict=True).may_move[0] for rests, _ in moments
        ]
        also: Flags = (np.any(moving, axis=0) & others | differ)[None]
        return also, not bool(differ[list(out)].any())

    def _worst_of(self, moments: Sequence[tuple[Rests, Flags]], also: Flags | None) -> tuple[float, bool]:
        """The greatest utilisation, the strict figure where `also` is given; whether it is a bound."""
        assert self._friction is not None
        worst, holds = 0.0, True
        for rests, gone in moments:
            more = margins(self._field, rests, self._friction, strict=also is not None, also=also)
            figure, _, _ = self._field.utilisation(
                gone, rests.parts, rests.offsets, rests.force, rests.pin, more
            )
            worst = max(worst, float(figure[0]))
            holds &= bool(rests.sound[0]) and bool(more.bound[0])
        return worst, holds

    def _after(self, plan: Plan) -> list[Rests]:
        out, found = self._out, []
        for step in plan.steps:
            out = out | set(step.hangers)
            found.append(self._field.of_state(step.after, out))
        return found

    # --- levels --------------------------------------------------------------------------------------------
    def _levels(self, width: int | None) -> list[_Level]:
        """Sets of every size with the steps that lead to them; only the `width` best of a size are kept."""
        first = self._field.of_state(self._start, self._out)
        levels = [_Level([0], first, self._at_rest(first))]
        reached, effort = levels[0].peak, np.zeros(1)
        for _ in self._units:
            level = self._following(levels[-1], reached, width)
            if level is None:
                break
            peak, turns = _totals(reached, effort, level)
            if width is not None and len(level.keys) > width:
                kept = np.lexsort((np.arange(len(peak)), turns, peak))[:width]
                level, peak, turns = _kept(level, kept), peak[kept], turns[kept]
            reached, effort = peak, turns
            levels.append(level)
        return levels

    def _following(
        self, level: _Level, reached: Array | None = None, width: int | None = None
    ) -> _Level | None:
        """The sets with one unit more, and the steps to them; with a width the most promising steps alone.

        reached: the peak on the way to each set of the level.
        """
        pairs = [
            (row, unit)
            for row, key in enumerate(level.keys)
            for unit in range(len(self._units))
            if not key >> unit & 1 and not self._before[unit] & ~key
        ]
        if not pairs:
            return None
        single = [pair for pair in pairs if len(self._units[pair[1]]) == 1]
        others = [pair for pair in pairs if len(self._units[pair[1]]) > 1]
        edges: list[tuple[int, int, float, float]] = []
        built: list[tuple[int, Places, Array]] = []  # key, parts and offsets after, one for each edge
        if single:
            row = np.array([pair[0] for pair in single])
            place = np.array([self._units[pair[1]][0] for pair in single])
            steps = self._field.walk(level.rests, row, place, leave=self._rule == LEAVE)
            offsets = level.rests.offsets[row].copy()
            offsets[np.arange(len(row)), place] = steps.offset
            for number, pair in enumerate(single):
                if steps.sound[number]:
                    edges.append((*pair, float(steps.utilisation[number]), abs(float(steps.turns[number]))))
                    built.append((level.keys[pair[0]] | 1 << pair[1], steps.parts[number], offsets[number]))
                else:
                    others.append(pair)
        for pair in others:
            step = self._followed(level, *pair)
            if step is not None:
                edges.append((*pair, step.peak.utilisation, step.effort))
                after = self._field.of_state(step.after, self._outs(level.keys[pair[0]] | 1 << pair[1]))
                built.append((level.keys[pair[0]] | 1 << pair[1], after.parts[0], after.offsets[0]))
        if width is not None and reached is not None and len(edges) > _WIDER * width:
            # At rest the next set bears no more than on the way to it, friction apart: rank by the way alone.
            ranked = sorted(
                range(len(edges)), key=lambda e: (max(reached[edges[e][0]], edges[e][2]), edges[e][3], e)
            )
            edges = [edges[number] for number in ranked[: _WIDER * width]]
            built = [built[number] for number in ranked[: _WIDER * width]]
        return self._joined(level, edges, built) if edges else None

    def _joined(
        self,
        level: _Level,
        edges: list[tuple[int, int, float, float]],
        built: list[tuple[int, Places, Array]],
    ) -> _Level:
        """The next level: one row a set, or one a way where the nuts stay."""
        number_of: dict[int, int] = {}
        after: list[int] = []
        rows: list[int] = []
        for number, (key, _, _) in enumerate(built):
            name = number if self._rule == LEAVE else key
            if name not in number_of:
                number_of[name] = len(rows)
                rows.append(number)
            after.append(number_of[name])
        keys = [built[number][0] for number in rows]
        out = np.zeros((len(keys), len(self._yard.supports)), dtype=bool)
        for number, key in enumerate(keys):
            out[number, list(self._outs(key))] = True
        rests = self._field.rest(
            out, np.array([built[row][1] for row in rows]), np.array([built[row][2] for row in rows])
        )
        for row in np.flatnonzero(~rests.sound):
            before, unit, *_ = edges[rows[row]]
            self._follow_into(rests, int(row), self._followed(level, before, unit), keys[row])
        columns = list(zip(*edges, strict=True))
        return _Level(
            keys,
            rests,
            self._at_rest(rests),
            _Edges(
                np.array(columns[0]),
                np.array(after),
                np.array(columns[1]),
                np.array(columns[2]),
                np.array(columns[3]),
            ),
        )

    def _follow_into(self, rests: Rests, row: int, step: Step | None, key: int) -> None:
        """Puts what the path follower found in the place of a rest that does not verify."""
        if step is None:
            # Nothing holds it: beyond every limit.
            rests.parts[row, list(self._outs(key))] = SLACK
            rests.movement[row], rests.force[row], rests.pin[row] = 0.0, 0.0, 0.0
            return
        found = self._field.of_state(step.after, self._outs(key))
        for name in Rests.__dataclass_fields__:
            getattr(rests, name)[row] = getattr(found, name)[0]
        rests.movement[row], rests.force[row] = step.after.movement_m, step.after.force_n
        rests.pin[row] = step.after.pin_m

    def _followed(self, level: _Level, row: int, unit: int) -> Step | None:
        """The step by the path follower, or None where the line would be left free to drift."""
        key = level.keys[row]
        try:
            return self._yard.take(
                self._field.state(level.rests, row), self._outs(key), self._units[unit], self._rule
            )
        except NoVerticalStiffness as error:
            self.drifting.update(error.facts["hangers"])
        except (PathLost, NotAtRest):
            self.drifting.update(self._units[unit])
        return None

    def _at_rest(self, rests: Rests) -> Array:
        more = None if self._friction is None else margins(self._field, rests, self._friction)
        return self._field.utilisation(rests.out, rests.parts, rests.offsets, rests.force, rests.pin, more)[0]

    def _outs(self, key: int) -> frozenset[int]:
        named = (place for unit, places in enumerate(self._units) if key >> unit & 1 for place in places)
        return self._out | frozenset(named)

    # --- choice -------------------------------------------------------------------------------------
    def _chosen(self, levels: Sequence[_Level]) -> tuple[tuple[int, ...], float]:
        """The order of least peak, then least turns, through the levels; and that peak."""
        peak = levels[0].peak
        for level in levels[1:]:
            peak, _ = _totals(peak, np.zeros(len(peak)), level)
        least = float(peak.min())
        within = least * (1.0 + _SAME) + _SAME
        turns = np.where(levels[0].peak <= within, 0.0, np.inf)
        ways: list[dict[int, tuple[int, int]]] = []
        for level in levels[1:]:
            edges = level.edges
            assert edges is not None
            best = np.full(len(level.keys), np.inf)
            way: dict[int, tuple[int, int]] = {}
            allowed = (np.maximum(edges.peak, level.peak[edges.after]) <= within) & np.isfinite(
                turns[edges.before]
            )
            total = turns[edges.before] + edges.turns
            for number in np.flatnonzero(allowed):
                after = int(edges.after[number])
                if total[number] < best[after] - 1e-12:
                    best[after] = total[number]
                    way[after] = int(edges.before[number]), int(edges.unit[number])
            ways.append(way)
            turns = best
        at = int(turns.argmin())
        order: list[int] = []
        for way in reversed(ways):
            at, unit = way[at]
            order.append(unit)
        return tuple(reversed(order)), least

    def _bound(self, levels: Sequence[_Level]) -> float:
        """No order's peak lies below: the start, the end, and the best of all first and of all last steps."""
        bounds = [float(levels[0].peak[0])]
        everything = self._following(levels[0])
        if everything is None or everything.edges is None:
            return math.inf
        edges = everything.edges
        bounds.append(float(np.maximum(edges.peak, everything.peak[edges.after]).min()))
        if len(levels) > len(self._units):
            bounds.append(float(levels[-1].peak.min()))
        return max(bounds)


def _totals(peak: Array, turns: Array, level: _Level) -> tuple[Array, Array]:
    """Least peak of a way to each set, and the least turns among the ways of that peak."""
    edges = level.edges
    assert edges is not None
    worst = np.maximum(np.maximum(peak[edges.before], edges.peak), level.peak[edges.after])
    least = np.full(len(level.keys), np.inf)
    np.minimum.at(least, edges.after, worst)
    total = np.where(worst <= least[edges.after] * (1.0 + _SAME), turns[edges.before] + edges.turns, np.inf)
    fewest = np.full(len(level.keys), np.inf)
    np.minimum.at(fewest, edges.after, total)
    return least, fewest


def _kept(level: _Level, rows: Places) -> _Level:
    """The level with these sets alone, and the steps to them."""
    edges = level.edges
    assert edges is not None
    number = np.full(len(level.keys), -1)
    number[rows] = np.arange(len(rows))
    there = number[edges.after] >= 0
    rests = Rests(*(getattr(level.rests, name)[rows] for name in Rests.__dataclass_fields__))
    return _Level(
        [level.keys[row] for row in rows],
        rests,
        level.peak[rows],
        _Edges(
            edges.before[there],
            number[edges.after[there]],
            edges.unit[there],
            edges.peak[there],
            edges.turns[there],
        ),
    )
