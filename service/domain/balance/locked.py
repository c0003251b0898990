"""Locked loads: what each hanger carries with its stop in, and how well that is known.

Heights are known within an interval, and a pin may lie anywhere between the faces of its slot that its
load allows. Both are carried linearly through the stiffness of the locked line. Loads are at the pipe,
upward positive; heights are positive where the pipe is held high.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np

from service.domain.balance.analysis import Analysis, NotWeighable
from service.domain.balance.contacts import Mask, height_transfer, load_transfer, loose_modes
from service.domain.line_models.built import CaseName, SupportedHanger
from service.engineering.frames.elements import Array
from service.engineering.states.laws import LOWER_WALL, SLACK, UPPER_WALL, Hanger, rigid
from service.engineering.states.tracing import NoVerticalStiffness, State

HEIGHT_UNCERTAINTY_M: Final = 0.003
"""Half width taken for a pick-up height that no survey states [m]. Common practice, no source."""

SLOT_HALF_M: Final = 0.002
"""Way of a pin to either side where the record states no slot [m]. Common practice, no source."""


def height_uncertainty_m(hanger: SupportedHanger) -> float:
    """Half width of the interval of a hanger's pick-up height [m]."""
    return HEIGHT_UNCERTAINTY_M if hanger.height_uncertainty_m is None else hanger.height_uncertainty_m


def slot_half_m(hanger: SupportedHanger) -> float:
    """Way of the pin to either side of the middle of its slot, as movement of the rod [m]."""
    if hanger.kind == "rigid":
        return 0.0
    if hanger.slot_clearance_m is None:
        return SLOT_HALF_M
    return hanger.slot_clearance_m / (2.0 * (hanger.linkage_ratio or 1.0))


@dataclass(frozen=True)
class Interval:
    """A load between two bounds [N]. deviation_n: its standard deviation, heights alone [N]."""

    value_n: float
    low_n: float
    high_n: float
    deviation_n: float


class Locked:
    """The line at rest with given stops in, and what its heights leave open."""

    def __init__(self, analysis: Analysis, case: CaseName, released: Collection[str] = ()) -> None:
        """released: marks of the hangers whose stops are out.

        Raises:
            NotWeighable: the law of a hanger whose stop is out is not known, or where one was locked again
            NoVerticalStiffness: the line is free to drift
        """
        self._analysis = analysis
        self._case: CaseName = case
        self.hangers = analysis.built.hangers
        self.out: Mask = np.array(
            [each.mark in released and each.kind != "rigid" for each in self.hangers], dtype=bool
        )
        unread = [
            each.mark
            for each, out in zip(self.hangers, self.out, strict=True)
            if each.locked_at_m is None and not out
        ]
        if unread:
            raise NotWeighable(
                "These were locked again, and no reading with their stops in tells where: "
                + ", ".join(unread)
                + ".",
                missing={mark: ["reading/cold"] for mark in unread},
            )
        laws = [_law(each, bool(out)) for each, out in zip(self.hangers, self.out, strict=True)]
        unknown = {
            each.mark: list(each.missing) for each, law in zip(self.hangers, laws, strict=True) if law is None
        }
        if unknown:
            raise NotWeighable(
                "Hangers whose stops are out act by laws that their records do not state: "
                + ", ".join(unknown)
                + ".",
                missing=unknown,
            )
        self.laws = tuple(law for law in laws if law is not None)
        self.state: State = analysis.line(case).start(self.laws, analysis.load_n(case))
        loose = loose_modes(analysis.line(case).stiffness, self.state)
        if loose:
            raise NoVerticalStiffness("The line floats on its springs.", hangers=list(loose))

    @cached_property
    def held_state(self) -> State:
        """The state with every pin of a locked hanger held where it lies in its slot."""
        parts = tuple(
            part if out or part == SLACK else LOWER_WALL
            for part, out in zip(self.state.parts, self.out, strict=True)
        )
        return replace(self.state, parts=parts)

    @cached_property
    def _held(self) -> Array:
        """Change of each hanger's load for a unit of height at each, locked pins held, (m, m) [N/m]."""
        return height_transfer(self._analysis.line(self._case).stiffness, self.held_state)[1]

    @cached_property
    def _heights_m(self) -> Array:
        return np.array([height_uncertainty_m(each) for each in self.hangers])

    @cached_property
    def _slots_m(self) -> Array:
        """Lowest and highest that each pin may lie in its slot, from where the state has it, (m, 2) [m]."""
        found = np.zeros((len(self.hangers), 2))
        for place, hanger in enumerate(self.hangers):
            if not self.out[place]:
                half, pin = slot_half_m(hanger), float(self.state.pin_m[place])
                at = hanger.locked_at_m or 0.0
                # A spring that is not stated is held like a rigid hanger, its pin reckoned from there.
                middle = at - pin if _is_told(hanger) else -pin
                found[place] = middle - half, middle + half
        return found

    @cached_property
    def _settled(self) -> Mask:
        """Which locked pins stay on their face whatever the heights are within their intervals.

        Those that might leave it may lie elsewhere in their slots, which widens the loads of the others, so
        that further pins might leave theirs; the ones left over at the end are settled, for none of them
        can be the first to leave.
        """
        settled = np.array(
            [not out and self._on_face(place) for place, out in enumerate(self.out)], dtype=bool
        )
        while True:
            low, high = self._bounds(settled)
            kept = settled.copy()
            for place in np.flatnonzero(settled):
                hanger, law = self.hangers[place], self.laws[place]
                if hanger.kind == "rigid" or law.low_m == law.high_m:
                    continue
                band = hanger.friction_n or 0.0
                spring = law.spring_n(float(self.state.pin_m[place]))
                kept[place] = high[place] < spring - band or low[place] > spring + band
            if bool(np.array_equal(kept, settled)):
                return settled
            settled = kept

    def _on_face(self, place: int) -> bool:
        """Whether a locked pin bears where the state has it; not where its spring or slot is not stated."""
        hanger, law, part = self.hangers[place], self.laws[place], self.state.parts[place]
        if hanger.kind == "rigid":
            return True
        if not _is_told(hanger) or hanger.slot_clearance_m is None:
            return False
        return part in (LOWER_WALL, UPPER_WALL) or law.low_m == law.high_m

    def _bounds(self, settled: Mask) -> tuple[Array, Array]:
        """Loads over the heights, and over the slots of the pins that are not settled [N]."""
        held, force = self._held, self.state.force_n
        spread = np.abs(held) @ self._heights_m
        # A pin that moves freely may be held back by its friction, and passes that on to the others.
        spread += np.abs(self._force_to_force) @ np.where(self.out, self._frictions_n, 0.0)
        lowest, highest = self._ways_m(settled).T
        raising, lowering = np.maximum(held, 0.0), np.minimum(held, 0.0)
        low = force - spread + raising @ lowest + lowering @ highest
        high = force + spread + raising @ highest + lowering @ lowest
        return np.maximum(low, 0.0), np.maximum(high, 0.0)

    @cached_property
    def _loads(self) -> tuple[Array, Array]:
        """Least and greatest load of each hanger, (m,) [N]."""
        return self._bounds(self._settled)

    @cached_property
    def _ways(self) -> Array:
        """Lowest and highest that each pin may lie from where the state has it, (m, 2) [m]."""
        return self._ways_m(self._settled)

    @cached_property
    def _frictions_n(self) -> Array:
        return np.array([each.friction_n or 0.0 for each in self.hangers])

    def _ways_m(self, settled: Mask) -> Array:
        """Lowest and highest that each pin may lie from where the state has it, (m, 2) [m].

        A settled pin stays. Another lies within its slot, and no further from where it is than what disturbs
        the line can push it: the pins come to rest at the least of a quadratic function over a box, and such
        a point moves no further, in the norm of that function, than it would without the box.

        Source: mechanics; projection on a convex set does not lengthen distances.
        """
        ways = np.where((settled | self.out)[:, None], 0.0, self._slots_m)
        told = np.array(
            [_is_told(each) and each.slot_clearance_m is not None for each in self.hangers], dtype=bool
        )
        loose = np.flatnonzero(~settled & ~self.out & told)
        if not loose.size:
            return ways
        held = self._held[loose]
        rates = np.array([self.laws[place].rate_n_per_m for place in loose])
        matrix = held[:, loose] + np.diag(rates)
        try:
            inverse = np.linalg.inv(matrix)
        except np.linalg.LinAlgError:
            return ways
        frictions = self._frictions_n
        unstated = ~settled & ~self.out & ~told
        heights = self._heights_m + np.where(unstated, np.abs(self._slots_m).max(axis=1), 0.0)
        pushes = [held * heights, np.eye(len(self.hangers))[loose] * frictions]
        pushes.append((self._force_to_force[loose] * frictions)[:, self.out])
        columns = np.concatenate(pushes, axis=1)
        energies = (columns * (inverse @ columns)).sum(axis=0)
        furthest = np.sqrt(np.maximum(energies, 0.0)).sum() * np.sqrt(np.diag(inverse))
        ways[loose] = np.clip(ways[loose], -furthest[:, None], furthest[:, None])
        return ways

    @cached_property
    def _force_to_force(self) -> Array:
        """Change of each hanger's load for a unit of friction at each released spring, (m, m) [1]."""
        stiffness = self._analysis.line(self._case).stiffness
        passed = load_transfer(stiffness, self.held_state)[1] + np.eye(len(self.hangers))
        # A rod in series takes a part of what its own spring gives.
        shares = [1.0 / (1.0 + law.rate_n_per_m / law.series_n_per_m) for law in self.laws]
        found: Array = passed * np.array(shares)
        return found

    def interval(self, place: int) -> Interval:
        """What a hanger carries: as reckoned, and between which bounds."""
        low, high = self._loads
        deviation = float(np.linalg.norm(self._held[place] * self._heights_m)) / math.sqrt(3.0)
        return Interval(float(self.state.force_n[place]), float(low[place]), float(high[place]), deviation)

    def out_of_balance(self, place: int) -> Interval | None:
        """Load less the spring's force at its pin: positive where the rod carries more; None where not known.

        On a face of the slot the spring's force is that at the face; where the pin may lie elsewhere, that of
        all the places where it may.
        """
        hanger = self.hangers[place]
        if hanger.kind == "rigid" or hanger.spring_load_n is None or hanger.rate_n_per_m is None:
            return None
        load, pin = self.interval(place), float(self.state.pin_m[place])
        spring = hanger.spring_load_n - hanger.rate_n_per_m * pin
        springs = spring - hanger.rate_n_per_m * self._ways[place]
        value = load.value_n - spring
        low, high = load.low_n - float(springs.max()), load.high_n - float(springs.min())
        return Interval(value, min(low, value), max(high, value), load.deviation_n)

    def may_go_slack(self) -> tuple[str, ...]:
        """Marks of the hangers whose rod hangs loose, or may within the heights' intervals."""
        low, _ = self._loads
        return tuple(each.mark for place, each in enumerate(self.hangers) if low[place] <= 0.0)


def _is_told(hanger: SupportedHanger) -> bool:
    """Whether the record states what the spring does."""
    return hanger.spring_load_n is not None and hanger.rate_n_per_m is not None


def _law(hanger: SupportedHanger, out: bool) -> Hanger | None:
    """What a hanger does; a locked one whose spring is not stated holds the pipe at its height."""
    if out:
        return hanger.free(friction=0.0)
    law = hanger.locked(friction=0.0)
    if law is not None:
        return law
    turned = hanger.net_turns * hanger.lead_m if hanger.lead_m is not None else 0.0
    at = hanger.locked_at_m or 0.0
    return rigid((hanger.height_error_m or 0.0) + turned + at, hanger.series_n_per_m)
