"""Tracing: how a line moves from one state to the next while loads, nuts and stops are changed.

The line alone obeys K u = f + r; each hanger obeys its graph (`laws`). Along a path on which loads and
offsets change in proportion, everything is linear between events, and an event is one hanger's arrival
at an end of the part of its graph that it is on. Steps go from event to event, so that the result is
exact for these laws, and friction keeps the history that made it. Every state that is returned has been
verified to be at rest (`state.residuals`).

Where springs have no friction the state depends on loads, nuts and stops alone; where they have, also on
the way there.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from service.engineering.states.laws import (
    LOWER_WALL,
    RISING,
    STUCK,
    UPPER_WALL,
    Array,
    Hanger,
    Laws,
)
from service.engineering.states.path import Path, Watch
from service.engineering.states.state import (
    NotAtRest,
    PathLost,
    Residuals,
    State,
    residuals,
)
from service.engineering.states.tableau import (
    NoVerticalStiffness,
    Tableau,
    changed,
    made,
)

__all__ = [
    "Array",
    "Line",
    "NoVerticalStiffness",
    "NotAtRest",
    "PathLost",
    "Residuals",
    "State",
    "Watch",
    "verify",
]

_KEPT: Final = 6  # tableaus that a line keeps at hand
_SOFT: Final = 1e-6  # of the line's greatest stiffness: what creeping holds the line by
_CREEPS: Final = 60


class Line:
    """A condensed line: stiffness (m, m) [N/m], as its hangers feel it.

    It keeps what it worked out last, so that the next question in the neighbourhood is a small change; a
    line is used by one thread at a time.
    """

    def __init__(self, stiffness: Array) -> None:
        """stiffness: symmetric, positive semidefinite, of the line without its hangers, (m, m) [N/m]."""
        self.stiffness: Array = (stiffness + stiffness.T) / 2.0
        self.scale = float(np.abs(self.stiffness).max(initial=0.0)) or 1.0
        self._kept: list[Tableau] = []

    # --- states ------------------------------------------------------------------------------------------
    def start(self, hangers: tuple[Hanger, ...], load_n: Array) -> State:
        """The state in which the line comes to rest under a load.

        Every pin is thought held at its `slider_m` until the load is on, then all are let go together, in
        proportion. Without friction the state does not depend on that; with friction it is one of those
        that can be.

        Args:
            hangers: in the order of the line's interfaces
            load_n: f at each, negative for weight, (m,) [N]

        Raises:
            NoVerticalStiffness: the line is free to drift
            PathLost: more events than can be
            NotAtRest: the state found is no equilibrium within the tolerance
        """
        begun = self._begun(hangers, load_n)
        try:
            return self.follow(begun, load_n)
        except NoVerticalStiffness:
            return self._crept(begun, load_n)

    def follow(
        self,
        state: State,
        load_n: Array | None = None,
        offset_m: Array | None = None,
        watch: Watch | None = None,
    ) -> State:
        """The state after loads and offsets have gone to these values, in proportion to each other.

        Args:
            state: where it begins
            load_n: f at each at the end, (m,) [N]; as it is where None
            offset_m: offsets at the end, (m,) [m]; as they are where None
            watch: called with the state at every event and at the end. Between events every force and
                movement changes in proportion, so that whatever is convex in them is greatest at one of these

        Raises:
            NoVerticalStiffness: the line is free to drift at some point of the path
            PathLost: more events than can be
            NotAtRest: the end is no equilibrium within the tolerance
        """
        return Path(self, state, load_n, offset_m, watch=watch).run()

    def turn_until(
        self,
        state: State,
        place: int,
        direction: int,
        most_m: float,
        *,
        pin_m: float,
        watch: Watch | None = None,
    ) -> tuple[State, float]:
        """The state when the pin of one hanger, its nut being turned, is at a position, and the offset added.

        Args:
            state: where it begins
            place: the hanger
            direction: 1 to raise, -1 to lower
            most_m: greatest change of the offset [m]
            pin_m: where the turning ends [m]; for a slot without clearance: where the stop bears nothing
            watch: as `follow`

        Returns:
            the state, and by how much the offset was changed (signed) [m]; at `most_m` the pin did not get
            there

        Raises:
            as `follow`
        """
        offsets = state.offset_m
        offsets[place] += direction * most_m
        path = Path(self, state, None, offsets, until=(place, pin_m), watch=watch)
        end = path.run()
        return end, direction * most_m * path.done

    def released(
        self, state: State, place: int, low_m: float, high_m: float, watch: Watch | None = None
    ) -> State:
        """The state after the stop of a hanger was taken out, whatever it bore let go gradually.

        Args:
            state: with the stop in
            place: the hanger
            low_m, high_m: ends of travel, instead of the faces of the slot [m]
            watch: as `follow`

        Raises:
            as `follow`
        """
        hanger = state.hangers[place]
        pin, borne = float(state.pin_m[place]), float(state.force_n[place])
        spring = hanger.spring_n(pin)
        kept = min(max(borne, spring - hanger.friction_n), spring + hanger.friction_n)
        free = replace(hanger, low_m=low_m, high_m=high_m, slider_m=pin)
        forces, loads = state.force_n.copy(), state.load_n.copy()
        loads[place] += borne - kept
        forces[place] = kept
        parts = list(state.parts)
        parts[place] = STUCK if hanger.friction_n > 0.0 else RISING
        # A stop that bears holds the pipe by this force until it is let go; a rod is stretched by it too, and
        # one that hangs loose is thought just long enough to be taut at first.
        taut = float(state.movement_m[place]) - pin + kept / hanger.series_n_per_m
        shifted = replace(free, offset_m=taut)
        hangers = (*state.hangers[:place], shifted, *state.hangers[place + 1 :])
        begun = replace(state, hangers=hangers, parts=tuple(parts), force_n=forces, load_n=loads)
        return self.follow(begun, state.load_n, state.offset_m, watch)

    # --- what paths ask ------------------------------------------------------------------------------
    def tableau(self, slopes: Array, *, fresh: bool = False) -> Tableau:
        """The line's answer with these slopes at its hangers; near one at hand it is made from that.

        Args:
            slopes: of each hanger, infinite where it is held, (m,) [N/m]
            fresh: make it from the stiffness itself

        Raises:
            NoVerticalStiffness: the line is free to drift
        """
        if not fresh and self._kept:
            others = [int(np.count_nonzero(each.slopes != slopes)) for each in self._kept]
            nearest = int(np.argmin(others))
            near = self._kept[nearest]
            if others[nearest] <= max(1, len(slopes) // 8) and not near.worn:
                return self._moved(near, slopes)
        return made(self.stiffness, slopes, self.scale)

    def remember(self, tableau: Tableau) -> None:
        """Keeps a tableau at hand, and lets go of the one that was not used for longest."""
        others = [each for each in self._kept if not np.array_equal(each.slopes, tableau.slopes)]
        self._kept = [tableau, *others[: _KEPT - 1]]

    def _moved(self, near: Tableau, slopes: Array) -> Tableau:
        """One tableau from another, the changes that stiffen first: on the way the line is never looser."""
        places = np.flatnonzero(near.slopes != slopes)
        for place in sorted(places, key=lambda each: bool(slopes[each] < near.slopes[each])):
            if near.worn:
                return made(self.stiffness, slopes, self.scale)
            near = changed(near, int(place), float(slopes[place]), self.scale)
        return near

    # --- beginnings --------------------------------------------------------------------------------------
    def _begun(self, hangers: tuple[Hanger, ...], load_n: Array) -> State:
        """A state from which the load can come on: all pins held, and what holds them counted as load.

        Where all pins were held under the load, each hanger would bear some force. What its own graph does
        not bear of it, the load is thought to bear at first. A pin without friction begins on the face of
        its slot that this force drives it to, if the slot's play cannot use the force up.
        """
        laws = Laws(hangers)
        offsets = np.array([each.offset_m for each in hangers])
        sliders = np.array([each.slider_m for each in hangers])
        pins = np.clip(np.where(laws.friction > 0.0, sliders, 0.0), laws.low, laws.top)
        excess = self._locked(laws, pins + offsets, load_n) - laws.spring(pins)
        smooth = (laws.friction == 0.0) & ~laws.point
        room = np.where(excess > 0.0, pins - laws.low, laws.top - pins)
        driven = smooth & (np.abs(excess) > np.diag(self.stiffness) * room)
        pins = np.where(driven, np.where(excess > 0.0, laws.low, laws.top), pins)
        forces = self._locked(laws, pins + offsets, load_n)
        spring = laws.spring(pins)
        low, high = (pins == laws.low) & ~laws.point, (pins == laws.top) & ~laws.point
        parts = np.where(laws.friction > 0.0, STUCK, RISING)
        parts = np.where(high & (forces < spring - laws.friction), UPPER_WALL, parts)
        parts = np.where(laws.point | (low & (forces > spring + laws.friction)), LOWER_WALL, parts)
        on_wall = (parts == LOWER_WALL) | (parts == UPPER_WALL)
        forces = np.where(
            on_wall, np.maximum(forces, 0.0), np.clip(forces, spring - laws.friction, spring + laws.friction)
        )
        moves = pins + offsets - forces * laws.flexible
        held = tuple(
            each.stuck_at(float(pins[place])) if each.friction_n > 0.0 else each
            for place, each in enumerate(hangers)
        )
        return State(held, tuple(parts.tolist()), moves, forces, pins, self.stiffness @ moves - forces)

    def _locked(self, laws: Laws, holding: Array, load_n: Array) -> Array:
        """What each hanger bears with every pin held where it is, (m,) [N]."""
        rods = self.tableau(laws.series)
        movement, found = rods.solve(load_n + rods.added * holding, holding)
        return np.where(rods.fixed, found - load_n, rods.added * (holding - movement))

    def _crept(self, begun: State, load_n: Array) -> State:
        """The state where the way to it passes a moment at which nothing fixes the line's height.

        Soft springs hold the line while it falls; they are set to where the line stands again and again,
        until they bear nothing. Source: the proximal point method (R. T. Rockafellar 1976, from memory).
        """
        soft = Line(self.stiffness + _SOFT * self.scale * np.eye(len(self.stiffness)))
        bears = _SOFT * self.scale
        state = replace(begun, load_n=begun.load_n + bears * begun.movement_m)
        force = max(float(np.abs(load_n).max()), 1.0)
        for _ in range(_CREEPS):
            before = state.movement_m
            state = soft.follow(state, load_n + bears * before)
            if bears * float(np.abs(state.movement_m - before).max()) <= 1e-12 * force:
                break
        return self.follow(replace(state, load_n=self.stiffness @ state.movement_m - state.force_n), load_n)


def verify(line: Line, state: State) -> Residuals:
    """Proves that a state is at rest; `start` and `follow` do so with every state that they return.

    Args:
        line: the line
        state: one of its states

    Returns:
        residuals: relative, each at most 1e-9

    Raises:
        NotAtRest: one is greater
    """
    found = residuals(line.stiffness, state)
    if not found.within:
        raise found.refusal()
    return found
