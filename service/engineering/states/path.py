"""Path: one way of a line from a state to given loads and offsets, from event to event."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final, Protocol

import numpy as np

from service.engineering.states.laws import (
    FALLING,
    FRICTION_SIGN,
    LOWER_WALL,
    RISING,
    SLACK,
    STUCK,
    UPPER_WALL,
    Array,
    Mask,
    coordinates,
    held,
    neighbour,
)
from service.engineering.states.state import PathLost, State, residuals
from service.engineering.states.tableau import Tableau, changed

Watch = Callable[[State], None]

_NOISE: Final = 1e-12  # a rate below this share of the greatest is none
_TOGETHER: Final = (
    1e-13  # events nearer than this on the path count as one, and the first hanger's goes first
)


class Ground(Protocol):
    """What a path needs of the line."""

    stiffness: Array
    scale: float

    def tableau(self, slopes: Array, *, fresh: bool = False) -> Tableau:
        """The tableau for these slopes."""

    def remember(self, tableau: Tableau) -> None:
        """Keeps a tableau for a path that begins near where this one ended."""


class Path:
    """One path from a state to given loads and offsets.

    done: how much of it has been gone, 0 to 1.
    """

    def __init__(
        self,
        line: Ground,
        state: State,
        load_n: Array | None,
        offset_m: Array | None,
        until: tuple[int, float] | None = None,
        watch: Watch | None = None,
    ) -> None:
        """Arguments as `Line.follow`; until: a hanger, and where its pin [m] ends the path early."""
        self._line = line
        self._laws = state.laws
        self._hangers = state.hangers
        self._parts = np.array(state.parts, dtype=np.int64)
        self._moves = state.movement_m.copy()
        self._forces = state.force_n.copy()
        self._pins = state.pin_m.copy()
        self._loads = state.load_n
        self._offsets = state.offset_m
        self._sliders = np.array([each.slider_m for each in state.hangers])
        self._load_rate = np.zeros_like(self._loads) if load_n is None else load_n - self._loads
        self._offset_rate = np.zeros_like(self._offsets) if offset_m is None else offset_m - self._offsets
        self._until = until
        self._watch = watch
        self._limit = 200 + 60 * len(self._hangers)
        self._every = np.arange(len(self._hangers))
        self._arrive()
        self._tableau = line.tableau(self._laws.slopes[self._parts, self._every])
        self.done = 0.0

    def run(self) -> State:
        """Goes from event to event to the end, and verifies that the line is at rest there.

        Raises:
            NoVerticalStiffness: the line is free to drift at some point of the path
            PathLost: more events than can be
            NotAtRest: the end is no equilibrium within the tolerance
        """
        for _ in range(self._limit):
            movement, force, pin = self._rates()
            if self._stick(pin):
                continue
            along = self._along(movement, force, pin)
            step, place = self._next(along)
            reached = self._reaches(force, pin, step)
            if reached is not None:
                step, place = reached, -1
            self._moves += step * movement
            self._forces += step * force
            self._pins += step * pin
            self._coordinate += step * along
            self.done += step
            if place < 0:
                return self._end()
            if self._watch is not None:
                self._watch(self._state())
            onward = 1 if along[place] > 0.0 else -1
            smooth = not self._laws.friction[place] > 0.0
            point = bool(self._laws.point[place])
            self._enter(place, neighbour(int(self._parts[place]), onward, point=point, smooth=smooth))
        raise PathLost("The events of the path do not come to an end.", events=self._limit)

    # --- where the hangers are ---------------------------------------------------------------------
    def _arrive(self) -> None:
        """Coordinate of each hanger along its graph and between which values its part has it."""
        laws, parts = self._laws, self._parts
        self._held = held(parts)
        self._slack = parts == SLACK
        self._sliding = ~(self._held | self._slack)
        found = coordinates(laws, parts, self._moves, self._forces, self._pins, self._offsets)
        self._coordinate, self._lowest, self._highest = found

    def _enter(self, place: int, part: int) -> None:
        """Puts a hanger on the next part of its graph, its pin exactly where that part has it."""
        laws = self._laws
        self._parts[place] = part
        if part == LOWER_WALL:
            self._pins[place] = laws.low[place]
        elif part in (UPPER_WALL, SLACK):
            self._pins[place] = laws.top[place]
        self._held[place] = part in (LOWER_WALL, STUCK, UPPER_WALL)
        self._slack[place] = part == SLACK
        self._sliding[place] = part in (FALLING, RISING)
        self._lowest[place], self._highest[place] = laws.lowest[part, place], laws.highest[part, place]
        if self._held[place]:
            self._coordinate[place] = -self._forces[place]
        elif part == SLACK:
            offset = self._offsets[place] + self.done * self._offset_rate[place]
            self._coordinate[place] = self._moves[place] - offset
        else:
            self._coordinate[place] = self._pins[place]
        if part == STUCK:
            spring = laws.load[place] - laws.rate[place] * self._pins[place]
            self._lowest[place] = -(spring + laws.friction[place])
            self._highest[place] = -(spring - laws.friction[place])
        slope = float(laws.slopes[part, place])
        if slope != self._tableau.slopes[place]:
            self._tableau = self._changed(place, slope)

    def _changed(self, place: int, slope: float) -> Tableau:
        slopes = self._tableau.slopes.copy()
        slopes[place] = slope
        if self._tableau.worn:
            return self._line.tableau(slopes, fresh=True)
        return changed(self._tableau, place, slope, self._line.scale)

    # --- one step ------------------------------------------------------------------------------------
    def _rates(self) -> tuple[Array, Array, Array]:
        """Movement, force and pin of each hanger for each unit of the path, on the parts that they are on.

        On each part r = slope (offset - u) + constant, or u is fixed to the offset.
        """
        tableau, turned = self._tableau, self._offset_rate
        movement, found = tableau.solve(self._load_rate + tableau.added * turned, turned)
        force = np.where(tableau.fixed, found - self._load_rate, tableau.added * (turned - movement))
        pin = np.where(self._sliding, movement - turned + force * self._laws.flexible, 0.0)
        return movement, force, pin

    def _stick(self, pin: Array) -> bool:
        """Lets a pin that turns back be held by its friction; whether one did."""
        if not self._laws.friction.any():
            return False
        still = self._noise(pin)
        back = ((self._parts == RISING) & (pin < -still)) | ((self._parts == FALLING) & (pin > still))
        places = np.flatnonzero(back & (self._laws.friction > 0.0))
        if len(places) == 0:
            return False
        self._enter(int(places[0]), STUCK)
        return True

    def _along(self, movement: Array, force: Array, pin: Array) -> Array:
        """Rate of each hanger's coordinate along its graph; what is only rounding is none."""
        moving = np.where(self._slack, movement - self._offset_rate, pin)
        still = self._noise(movement)
        weak = _NOISE * max(_greatest(force), _greatest(self._load_rate))
        rate = np.where(self._held, -force, moving)
        return np.where(np.abs(rate) > np.where(self._held, weak, still), rate, 0.0)

    def _noise(self, movement: Array) -> float:
        return _NOISE * max(_greatest(movement), _greatest(self._offset_rate))

    def _next(self, along: Array) -> tuple[float, int]:
        """The way to the next event, and whose it is (-1: none before the end)."""
        left = 1.0 - self.done
        end = np.where(along > 0.0, self._highest, self._lowest)
        steps = np.full(len(along), np.inf)
        np.divide(end - self._coordinate, along, out=steps, where=along != 0.0)
        if len(steps) == 0:
            return left, -1
        least = float(steps.min())
        if not least < left - _TOGETHER:
            return left, -1
        place = int(np.flatnonzero(steps <= max(least, 0.0) + _TOGETHER)[0])
        return max(float(steps[place]), 0.0), place

    def _reaches(self, force: Array, pin: Array, step: float) -> float | None:
        """Where on this step the pin waited for is at its place, or None."""
        if self._until is None:
            return None
        place, goal = self._until
        if self._laws.low[place] == self._laws.high[place]:
            wanted = self._laws.load[place] - self._laws.rate[place] * goal
            gap, rate = wanted - self._forces[place], force[place]
        else:
            gap, rate = goal - self._pins[place], pin[place]
        if gap == 0.0:
            return 0.0
        if rate == 0.0 or gap / rate < 0.0 or gap / rate > step:
            return None
        return float(gap / rate)

    # --- states ----------------------------------------------------------------------------------------
    def _state(self) -> State:
        offsets = self._offsets + self.done * self._offset_rate
        hangers = list(self._hangers)
        slid = (self._laws.friction > 0.0) & (self._pins != self._sliders)
        for place in np.flatnonzero(slid | (self._offset_rate != 0.0)):
            slider = float(self._pins[place]) if slid[place] else hangers[place].slider_m
            hangers[place] = replace(hangers[place], offset_m=float(offsets[place]), slider_m=slider)
        state = State(
            tuple(hangers),
            tuple(self._parts.tolist()),
            self._moves.copy(),
            self._forces.copy(),
            self._pins.copy(),
            self._loads + self.done * self._load_rate,
        )
        # Offsets and sliders are not part of the laws, so that those of the beginning are these.
        vars(state)["laws"] = self._laws
        return state

    def _end(self) -> State:
        """The last state, its rounding taken out, and verified; once more from the stiffness if need be."""
        for fresh in (False, True):
            if fresh:
                self._tableau = self._line.tableau(self._tableau.slopes, fresh=True)
            self._settle()
            state = self._state()
            found = residuals(self._line.stiffness, state)
            if found.within:
                self._line.remember(self._tableau)
                if self._watch is not None:
                    self._watch(state)
                return state
        raise found.refusal()

    def _settle(self) -> None:
        """Movements, forces and pins from the parts alone: what rounding gathered on the way is taken out."""
        loads = self._loads + self.done * self._load_rate
        offsets = self._offsets + self.done * self._offset_rate
        tableau, fixed = self._tableau, self._tableau.fixed
        self._moves = np.where(fixed, self._pins + offsets, self._moves)
        for _ in range(2):
            self._bear(offsets)
            internal = self._line.stiffness @ self._moves
            wanted = np.where(fixed, 0.0, loads + self._forces - internal)
            correction, _ = tableau.solve(wanted, np.zeros_like(wanted))
            self._moves = self._moves + correction
        self._bear(offsets)
        self._forces = np.where(fixed, self._line.stiffness @ self._moves - loads, self._forces)

    def _bear(self, offsets: Array) -> None:
        """Force and pin of every hanger that is not simply held, from where the pipe is."""
        laws, hanging = self._laws, self._moves - offsets
        sliding: Mask = self._sliding
        driven = laws.load + FRICTION_SIGN[self._parts] * laws.friction
        slid = laws.ease * driven - laws.sliding * hanging
        stretched = np.where(self._tableau.added > 0.0, self._tableau.added, 0.0) * (self._pins - hanging)
        loose = np.where(self._slack, 0.0, np.where(sliding, slid, stretched))
        self._forces = np.where(self._tableau.fixed, self._forces, loose)
        self._pins = np.where(sliding, hanging + self._forces * laws.flexible, self._pins)


def _greatest(values: Array) -> float:
    return float(np.abs(values).max(initial=0.0))
