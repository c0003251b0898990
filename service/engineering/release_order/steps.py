"""Steps: one hanger, or a pair, eased, freed of its stop, and its nut returned; and what that takes.

A step is easing (the nut turned until the pin stands free in its slot), what happens should it be turned
too far (to the other face of the slot), withdrawal of the stop, and the nut's return. Utilisation is the
greatest of rod load over its capacity, stop load over its capacity, and net turns over their limit, at
every hanger, at every moment of the step.

Source of the sequence: field practice (common practice, no source); of the numbers: mechanics.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from service.engineering.states.laws import LOWER_WALL, SLACK, UPPER_WALL, Hanger
from service.engineering.states.tracing import Array, Line, State

RETURN: Final = "return"
LEAVE: Final = "leave"
CAUSES: Final = ("rod", "locked", "stop_up", "stop_down", "turns", "end_of_travel")
BEYOND: Final = 1e9  # utilisation of an end of travel: above that of any load
_ROUNDS: Final = 200


@dataclass(frozen=True)
class Support:
    """What a hanger can bear and where its travel ends.

    travel_low_m, travel_high_m: ends of travel from the locked position, up positive [m]. lead_m: rod
    movement for a turn [m]. linkage_ratio: rod force for a unit of the stop's; 1 where the stop's capacities
    are told as force of the rod [1]. rod_capacity_n [N]; locked_capacity_n: what the hanger bears while its
    stop is in, at the pipe [N]; stop_capacity_up_n: what the stop holds of the spring's push when the rod
    carries less; stop_capacity_down_n: what it holds of the rod's pull when the rod carries more than the
    spring [N]; turn_limit_raise, turn_limit_lower: net turns [1]. Infinite where there is no limit.
    """

    travel_low_m: float
    travel_high_m: float
    lead_m: float
    linkage_ratio: float = 1.0
    rod_capacity_n: float = math.inf
    locked_capacity_n: float = math.inf
    stop_capacity_up_n: float = math.inf
    stop_capacity_down_n: float = math.inf
    turn_limit_raise: float = math.inf
    turn_limit_lower: float = math.inf


@dataclass(frozen=True)
class Peak:
    """A utilisation, at which hanger, and its cause, one of CAUSES. An end of travel counts as BEYOND."""

    utilisation: float
    place: int
    cause: str


NOTHING: Final = Peak(0.0, -1, "")


@dataclass(frozen=True)
class Step:
    """One step taken. hangers: indices; turns: easing, signed, of each; other_face: turns at which its pin
    would reach the other face. before_n: what its stop bore before [N of the rod]. eased: the state with
    the stop ready to come out. after: when the step is done. peak: the greatest utilisation on the way.
    """

    hangers: tuple[int, ...]
    turns: tuple[float, ...]
    other_face: tuple[float, ...]
    before_n: tuple[float, ...]
    eased: State
    after: State
    peak: Peak

    @property
    def effort(self) -> float:
        """Turns made to ease, without sign."""
        return math.fsum(abs(each) for each in self.turns)


class Yard:
    """A line with its supports, on which steps can be taken."""

    def __init__(self, line: Line, supports: Sequence[Support], base_offset_m: Array) -> None:
        """base_offset_m: offsets with every nut at zero net turns [m]."""
        self.line = line
        self.supports = tuple(supports)
        self.base_m = base_offset_m
        self.leads = np.array([each.lead_m for each in supports])
        self.rods = np.array([each.rod_capacity_n for each in supports])
        self.locked = np.array([each.locked_capacity_n for each in supports])
        self.linkages = np.array([each.linkage_ratio for each in supports])
        self.ups = np.array([each.stop_capacity_up_n for each in supports])
        self.downs = np.array([each.stop_capacity_down_n for each in supports])
        self.raises = np.array([each.turn_limit_raise for each in supports])
        self.lowers = np.array([each.turn_limit_lower for each in supports])

    @staticmethod
    def hangers_of(load_n: Array, rate_n_per_m: Array, series_n_per_m: Array) -> list[Hanger]:
        """Hangers without friction that still want their faces and offsets."""
        return [
            Hanger(float(load), float(rate), 0.0, 0.0, 0.0, 0.0, float(series))
            for load, rate, series in zip(load_n, rate_n_per_m, series_n_per_m, strict=True)
        ]

    def peak(self, state: State, out: frozenset[int]) -> Peak:
        """The greatest utilisation in a state; out: hangers whose stops are out."""
        stop = state.stop_n() / self.linkages
        held = np.array([place not in out for place in range(len(self.supports))])
        turns = (np.array([each.offset_m for each in state.hangers]) - self.base_m) / self.leads
        shares = (
            state.force_n / self.rods,
            np.where(held, state.force_n, 0.0) / self.locked,
            np.where(held, -stop, 0.0) / self.ups,
            np.where(held, stop, 0.0) / self.downs,
            np.maximum(turns / self.raises, -turns / self.lowers),
            np.where(self._at_end(state) & ~held, BEYOND, 0.0),
        )
        found = NOTHING
        for cause, values in zip(CAUSES, shares, strict=True):
            place = int(values.argmax())
            if values[place] > found.utilisation:
                found = Peak(float(values[place]), place, cause)
        return found

    def take(self, state: State, out: frozenset[int], hangers: tuple[int, ...], rule: str) -> Step:
        """Takes one step.

        Args:
            state: before it
            out: hangers whose stops are out already
            hangers: the one to release, or a pair that is eased by turns and freed together
            rule: RETURN: the nuts go back to zero net turns once the stops are out; LEAVE: they stay
        """
        watched = _Watched(self, out)
        before = tuple(float(state.stop_n()[place]) for place in hangers)
        eased = self._ease(state, hangers, watched)
        turns = tuple(self._turned(state, eased, place) for place in hangers)
        other = tuple(
            self._overshoot(state, eased, place, turn, watched)
            for place, turn in zip(hangers, turns, strict=True)
        )
        watched.out = out | set(hangers)
        free = eased
        for place in hangers:
            support = self.supports[place]
            free = self.line.released(free, place, support.travel_low_m, support.travel_high_m, watched)
        after = free
        if rule == RETURN:
            offsets = np.array([each.offset_m for each in free.hangers])
            offsets[list(hangers)] = self.base_m[list(hangers)]
            after = self.line.follow(free, offset_m=offsets, watch=watched)
        return Step(hangers, turns, other, before, eased, after, watched.peak)

    # --- parts ------------------------------------------------------------------------------------------
    def _ease(self, state: State, hangers: tuple[int, ...], watched: _Watched) -> State:
        """Turns each nut until its pin stands in the middle of its slot, a pair by turns until both do."""
        for _ in range(_ROUNDS if len(hangers) > 1 else 1):
            moved = 0.0
            for place in hangers:
                state, offset = self._centre(state, place, watched)
                moved = max(moved, abs(offset))
            if moved < 1e-11:
                break
        return state

    def _centre(self, state: State, place: int, watched: _Watched) -> tuple[State, float]:
        hanger = state.hangers[place]
        middle = (hanger.low_m + hanger.high_m) / 2.0
        # Friction can hold a pin on a face with less force than the spring's: the pin's place decides.
        high = state.pin_m[place] > middle
        if hanger.low_m == hanger.high_m:
            high = state.force_n[place] < hanger.spring_n(middle)
        return self.line.turn_until(
            state, place, 1 if high else -1, self._reach(place), pin_m=middle, watch=watched
        )

    def _overshoot(self, before: State, eased: State, place: int, turns: float, watched: _Watched) -> float:
        """Turns at which the pin is at the other face, should the nut be turned on; seen by `watched` too."""
        hanger = eased.hangers[place]
        if hanger.low_m == hanger.high_m:
            return turns  # without clearance one face is the other
        onward = 1 if turns >= 0.0 else -1
        face = hanger.low_m if onward > 0 else hanger.high_m
        end, _ = self.line.turn_until(eased, place, onward, self._reach(place), pin_m=face, watch=watched)
        return self._turned(before, end, place)

    def _reach(self, place: int) -> float:
        """How far a nut is turned at most, in search of its pin's freedom [m]."""
        support = self.supports[place]
        limit = max(support.turn_limit_raise, support.turn_limit_lower)
        return min(limit, 1000.0) * 2.0 * support.lead_m

    def _turned(self, before: State, after: State, place: int) -> float:
        return (after.hangers[place].offset_m - before.hangers[place].offset_m) / self.supports[place].lead_m

    @staticmethod
    def _at_end(state: State) -> np.ndarray:
        return np.array(
            [
                part in (LOWER_WALL, UPPER_WALL, SLACK) and hanger.low_m < hanger.high_m
                for hanger, part in zip(state.hangers, state.parts, strict=True)
            ]
        )


class _Watched:
    """Keeps the greatest utilisation of the states that it is shown."""

    def __init__(self, yard: Yard, out: frozenset[int]) -> None:
        self._yard = yard
        self.out = out
        self.peak = NOTHING

    def __call__(self, state: State) -> None:
        found = self._yard.peak(state, frozenset(self.out))
        if found.utilisation > self.peak.utilisation:
            self.peak = found
