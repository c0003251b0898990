"""Tracing: how a line moves from one state to the next while loads, nuts and stops are changed.

The line alone obeys K u = f + r; each hanger obeys its graph (`laws`). Along a path on which loads and
offsets change in proportion, everything is linear between events, and an event is one hanger's arrival
at an end of the part of its graph that it is on. Steps go from event to event, so that the result is
exact for these laws, and friction keeps the history that made it.

Where springs have no friction the state depends on loads, nuts and stops alone; where they have, also on
the way there.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.engineering.states.laws import (
    FALLING,
    LOWER_WALL,
    RISING,
    SLACK,
    STUCK,
    UPPER_WALL,
    Hanger,
)
from service.errors import ServiceError

Array = NDArray[np.float64]

_LEAST_PIVOT: Final = 1e-11  # of the stiffness of the hangers that move, over the line's greatest
_STILL: Final = 1e-15


class NoVerticalStiffness(ServiceError):
    """The hangers that move with the pipe leave the line free to drift; facts `hangers` (indices) (422)."""

    code = "no-vertical-stiffness"
    title = "Nothing fixes the line's height"


class PathLost(ServiceError):
    """The events of a path do not come to an end (422)."""

    code = "path-lost"
    title = "The line's movement could not be followed"


@dataclass(frozen=True)
class State:
    """The line at rest.

    hangers: as they are. parts: the part of its graph that each is on. movement_m: u of each [m]; force_n: r of
    each [N]; pin_m: x of each [m]; load_n: f at each [N].
    """

    hangers: tuple[Hanger, ...]
    parts: tuple[int, ...]
    movement_m: Array
    force_n: Array
    pin_m: Array
    load_n: Array

    def stop_n(self) -> Array:
        """What each stop or end of travel adds to the spring: positive where it bears the pipe up [N].

        Of the rod; the pin carries it divided by the linkage ratio. What friction carries, the stop does
        not: this is the least that the stop can be carrying.
        """
        found = np.zeros(len(self.hangers))
        for place, (hanger, part) in enumerate(zip(self.hangers, self.parts, strict=True)):
            excess = self.force_n[place] - hanger.spring_n(self.pin_m[place])
            if part == LOWER_WALL and hanger.low_m < hanger.high_m:
                found[place] = max(0.0, excess - hanger.friction_n)
            elif part in (UPPER_WALL, SLACK) and hanger.low_m < hanger.high_m:
                found[place] = min(0.0, excess + hanger.friction_n)
            elif part in (LOWER_WALL, SLACK):
                found[place] = math.copysign(max(0.0, abs(excess) - hanger.friction_n), excess)
        return found


Watch = Callable[[State], None]


@dataclass(frozen=True)
class _Rates:
    """Rates along the path: movement, force and pin of each hanger, for each unit of the path."""

    movement: Array
    force: Array
    pin: Array


class Line:
    """A condensed line: stiffness (m, m) [N/m], as its hangers feel it."""

    def __init__(self, stiffness: Array) -> None:
        """stiffness: symmetric, positive semidefinite, of the line without its hangers."""
        self.stiffness = (stiffness + stiffness.T) / 2.0
        self.scale = float(np.abs(self.stiffness).max(initial=0.0)) or 1.0

    def start(self, hangers: tuple[Hanger, ...], load_n: Array) -> State:
        """The state in which the line comes to rest under a load, reached with every pin free to move.

        Without friction it is the only one; with friction it is the one in which every slider was at rest
        at its `slider_m` while the load came on.

        Raises:
            NoVerticalStiffness: the line is free to drift
            PathLost: more events than can be
        """
        pins = np.array([min(max(each.slider_m, each.low_m), each.high_m) for each in hangers])
        parts: list[int] = []
        forces = np.empty(len(hangers))
        for place, hanger in enumerate(hangers):
            forces[place] = max(hanger.spring_n(pins[place]), 0.0)
            if hanger.low_m == hanger.high_m:
                # Somewhere on its wall: any force above zero will do to begin with.
                parts.append(LOWER_WALL)
                forces[place] += 1e-3 * self.scale
            else:
                parts.append(STUCK if hanger.friction_n > 0.0 else RISING)
        offsets = np.array([each.offset_m for each in hangers])
        series = np.array([each.series_n_per_m for each in hangers])
        moves = pins + offsets - forces / series
        held = tuple(
            each.stuck_at(float(pins[place])) if each.friction_n > 0.0 else each
            for place, each in enumerate(hangers)
        )
        first = State(held, tuple(parts), moves, forces, pins, self.stiffness @ moves - forces)
        return self.follow(first, load_n)

    def follow(
        self,
        state: State,
        load_n: Array | None = None,
        offset_m: Array | None = None,
        watch: Watch | None = None,
    ) -> State:
        """The state after loads and offsets have gone to these values, in proportion to each other.

        watch: called with the state at every event and at the end. Between events every force and movement
        changes in proportion, so that whatever is convex in them is greatest at one of these.

        Raises:
            NoVerticalStiffness: the line is free to drift at some point of the path
            PathLost: more events than can be
        """
        return _Path(self, state, load_n, offset_m, watch=watch).run()

    def turn_until(self, state: State, place: int, direction: int, most_m: float, *, pin_m: float, watch: Watch | None = None) -> tuple[State, float]:
        """The state when the pin of one hanger, its nut being turned, is at a position, and the offset added.

        Args:
            state: where it begins
            place: the hanger
            direction: 1 to raise, -1 to lower
            most_m: greatest change of the offset [m]
            pin_m: where the turning ends [m]; for a slot without clearance: where the stop bears nothing

        Returns:
            the state, and by how much the offset was changed (signed) [m]; at `most_m` the pin did not get there
        """
        offsets = np.array([each.offset_m for each in state.hangers])
        offsets[place] += direction * most_m
        path = _Path(self, state, None, offsets, until=(place, pin_m), watch=watch)
        end = path.run()
        return end, direction * most_m * path.done

    def released(self, state: State, place: int, low_m: float, high_m: float, watch: Watch | None = None) -> State:
        """The state after the stop of a hanger was taken out, whatever it bore let go gradually.

        Args:
            state: with the stop in
            place: the hanger
            low_m, high_m: ends of travel, instead of the faces of the slot [m]
        """
        hanger = state.hangers[place]
        spring, pin = hanger.spring_n(state.pin_m[place]), float(state.pin_m[place])
        kept = min(max(float(state.force_n[place]), spring - hanger.friction_n), spring + hanger.friction_n)
        free = replace(hanger, low_m=low_m, high_m=high_m, slider_m=pin)
        forces, loads = state.force_n.copy(), state.load_n.copy()
        loads[place] += forces[place] - kept
        forces[place] = kept
        parts = list(state.parts)
        parts[place] = STUCK if hanger.friction_n > 0.0 else RISING
        hangers = (*state.hangers[:place], free, *state.hangers[place + 1 :])
        # A stop that bears holds the pipe by this force until it is let go; a rod is stretched by it too.
        stretch = 0.0 if math.isinf(hanger.series_n_per_m) else (forces[place] - state.force_n[place]) / hanger.series_n_per_m
        offsets = np.array([each.offset_m for each in hangers])
        shifted = (*hangers[:place], replace(free, offset_m=free.offset_m + stretch), *hangers[place + 1 :])
        return self.follow(replace(state, hangers=shifted, parts=tuple(parts), force_n=forces, load_n=loads), state.load_n, offsets, watch)


class _Path:
    """One path from a state to given loads and offsets."""

    def __init__(
        self,
        line: Line,
        state: State,
        load_n: Array | None,
        offset_m: Array | None,
        until: tuple[int, float] | None = None,
        watch: Watch | None = None,
    ) -> None:
        self._line = line
        self._hangers = list(state.hangers)
        self._parts = list(state.parts)
        self._moves = state.movement_m.copy()
        self._forces = state.force_n.copy()
        self._pins = state.pin_m.copy()
        self._loads = state.load_n
        self._offsets = np.array([each.offset_m for each in state.hangers])
        self._load_rate = np.zeros_like(self._loads) if load_n is None else load_n - self._loads
        self._offset_rate = np.zeros_like(self._offsets) if offset_m is None else offset_m - self._offsets
        self._until = until
        self._watch = watch
        self._limit = 200 + 60 * len(self._hangers)
        self.done = 0.0

    def run(self) -> State:
        """Goes from event to event to the end."""
        for _ in range(self._limit):
            rates = self._rates()
            if self._stick(rates):
                continue
            step, place, onward = self._next(rates)
            reached = self._reaches(rates, step)
            if reached is not None:
                step, place = reached, -1
            self._moves += step * rates.movement
            self._forces += step * rates.force
            self._pins += step * rates.pin
            self.done += step
            if self._watch is not None:
                self._watch(self._state())
            if place < 0:
                return self._state()
            self._enter(place, _neighbour(self._hangers[place], self._parts[place], onward))
        raise PathLost("The events of the path do not come to an end.", events=self._limit)

    def _state(self) -> State:
        offsets = self._offsets + self.done * self._offset_rate
        hangers = tuple(
            replace(
                each,
                offset_m=float(offsets[place]),
                slider_m=float(self._pins[place]) if each.friction_n > 0.0 else each.slider_m,
            )
            for place, each in enumerate(self._hangers)
        )
        loads = self._loads + self.done * self._load_rate
        return State(
            hangers, tuple(self._parts), self._moves.copy(), self._forces.copy(), self._pins.copy(), loads
        )

    # --- one step ------------------------------------------------------------------------------------
    def _rates(self) -> _Rates:
        """Rates for the parts that the hangers are on.

        On each part r = slope (offset - u) + constant, or u is fixed to the offset.
        """
        count = len(self._hangers)
        fixed = np.zeros(count, dtype=bool)
        slope = np.zeros(count)
        for place, (hanger, part) in enumerate(zip(self._hangers, self._parts, strict=True)):
            series, rate = hanger.series_n_per_m, hanger.rate_n_per_m
            if part in (LOWER_WALL, STUCK, UPPER_WALL):
                fixed[place] = math.isinf(series)
                slope[place] = 0.0 if fixed[place] else series
            elif part in (FALLING, RISING) and rate > 0.0:
                slope[place] = 1.0 / (1.0 / rate + 1.0 / series)
        stiffness, free = self._line.stiffness, ~fixed
        movement = np.where(fixed, self._offset_rate, 0.0)
        if free.any():
            matrix = stiffness[np.ix_(free, free)] + np.diag(slope[free])
            pushed = self._load_rate[free] + slope[free] * self._offset_rate[free]
            right = pushed - stiffness[np.ix_(free, fixed)] @ movement[fixed]
            movement[free] = _solved(matrix, right, self._line.scale, free)
        force = slope * (self._offset_rate - movement)
        if fixed.any():
            force[fixed] = (stiffness[fixed] @ movement) - self._load_rate[fixed]
        pin = np.zeros(count)
        for place, (hanger, part) in enumerate(zip(self._hangers, self._parts, strict=True)):
            if part in (FALLING, RISING):
                stretch = force[place] / hanger.series_n_per_m
                pin[place] = movement[place] - self._offset_rate[place] + stretch
        return _Rates(movement, force, pin)

    def _stick(self, rates: _Rates) -> bool:
        """Lets the pin of one hanger that turns back be held by its friction; whether one did."""
        for place, (hanger, part) in enumerate(zip(self._hangers, self._parts, strict=True)):
            rate = rates.pin[place]
            if hanger.friction_n > 0.0 and (
                (part == RISING and rate < -_STILL) or (part == FALLING and rate > _STILL)
            ):
                self._hangers[place] = hanger.stuck_at(float(self._pins[place]))
                self._parts[place] = STUCK
                return True
        return False

    def _next(self, rates: _Rates) -> tuple[float, int, int]:
        """The way to the next event, whose it is (-1: none before the end), and which way along its graph."""
        step, found, onward = 1.0 - self.done, -1, 0
        for place in range(len(self._hangers)):
            for gap, rate, direction in self._ends(place, rates):
                if rate > 0.0 and max(gap, 0.0) < rate * (step - _STILL):
                    step, found, onward = max(gap, 0.0) / rate, place, direction
        return step, found, onward

    def _reaches(self, rates: _Rates, step: float) -> float | None:
        """Where on this step the pin waited for is at its place, or None."""
        if self._until is None:
            return None
        place, goal = self._until
        hanger = self._hangers[place]
        if hanger.low_m == hanger.high_m:
            gap, rate = hanger.spring_n(goal) - self._forces[place], rates.force[place]
        else:
            gap, rate = goal - self._pins[place], rates.pin[place]
        if gap == 0.0:
            return 0.0
        if rate == 0.0 or gap / rate < 0.0 or gap / rate > step:
            return None
        return float(gap / rate)

    def _enter(self, place: int, part: int) -> None:
        """Puts a hanger on the next part of its graph, its pin exactly where that part has it."""
        hanger = self._hangers[place]
        self._parts[place] = part
        if part == LOWER_WALL:
            self._pins[place] = hanger.low_m
        elif part in (UPPER_WALL, SLACK):
            self._pins[place] = hanger.high_m
        if part in (LOWER_WALL, UPPER_WALL) and hanger.friction_n > 0.0:
            self._hangers[place] = hanger.stuck_at(float(self._pins[place]))

    def _ends(self, place: int, rates: _Rates) -> Iterator[tuple[float, float, int]]:
        """For each end of the part a hanger is on: how far it is, how fast it comes, and which way it lies."""
        hanger, part = self._hangers[place], self._parts[place]
        pin, force = self._pins[place], self._forces[place]
        pin_rate, force_rate = rates.pin[place], rates.force[place]
        spring, friction = hanger.spring_n(pin), hanger.friction_n
        if part == LOWER_WALL:
            # On the wall friction holds the pin as well, until the force has fallen through the whole band.
            least = 0.0 if hanger.low_m == hanger.high_m else spring - friction
            yield force - least, -force_rate, 1
        elif part == UPPER_WALL:
            yield spring + friction - force, force_rate, -1
            yield force, -force_rate, 1
        elif part == STUCK:
            yield spring + friction - force, force_rate, -1
            yield force - (spring - friction), -force_rate, 1
        elif part == SLACK:
            offset = self._offsets[place] + self.done * self._offset_rate[place]
            above = self._moves[place] - offset - hanger.high_m
            yield above, self._offset_rate[place] - rates.movement[place], -1
        else:
            if part == FALLING or friction == 0.0:
                yield pin - hanger.low_m, -pin_rate, -1
            if part == RISING or friction == 0.0:
                yield hanger.high_m - pin, pin_rate, 1


def _neighbour(hanger: Hanger, part: int, onward: int) -> int:
    """The part of the graph that follows; onward: 1 as the pipe rises, -1 as it falls."""
    if hanger.low_m == hanger.high_m:
        return SLACK if part == LOWER_WALL else LOWER_WALL
    if part == SLACK:
        return UPPER_WALL
    if part == UPPER_WALL:
        return SLACK if onward > 0 else RISING if hanger.friction_n == 0.0 else FALLING
    if part == LOWER_WALL:
        return RISING
    if part == STUCK:
        return RISING if onward > 0 else FALLING
    return UPPER_WALL if onward > 0 else LOWER_WALL


def _solved(matrix: Array, right: Array, scale: float, free: NDArray[np.bool_]) -> Array:
    """Movement rates of the hangers that are not held. Errors: NoVerticalStiffness."""
    try:
        factor = np.linalg.cholesky(matrix)
    except np.linalg.LinAlgError:
        raise _drifting(free) from None
    if float(np.diag(factor).min()) ** 2 < _LEAST_PIVOT * scale:
        raise _drifting(free)
    solved: Array = np.linalg.solve(factor.T, np.linalg.solve(factor, right))
    return solved


def _drifting(free: NDArray[np.bool_]) -> NoVerticalStiffness:
    return NoVerticalStiffness(
        "The hangers that move with the pipe leave the line free to drift.",
        hangers=[int(place) for place in np.flatnonzero(free)],
    )
