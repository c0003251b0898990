"""Field: many sets of released hangers at once, without friction, by the parts that their hangers are on.

A set's state follows from one linear system once the part of its graph is known for each hanger. Easing one
more hanger moves everything else along a line that its force alone describes: the others' springs,
nuts and stops stay as they are. So one inverse a set gives the whole step of every candidate; where
another hanger changes its part on the way, the inverse is corrected for that row alone (Woodbury) and the
walk goes on from there. What was taken for granted is verified, and what does not verify is left to the
path follower of `states.tracing`, with which everything here agrees.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from service.engineering.release_order.steps import BEYOND, CAUSES, Yard
from service.engineering.states.laws import LOWER_WALL, RISING, SLACK, UPPER_WALL
from service.engineering.states.tracing import Array, State

if TYPE_CHECKING:
    from service.engineering.release_order.bands import Margins

Flags = NDArray[np.bool_]
Places = NDArray[np.int64]

_MOST_CHANGES: Final = 24  # changes of part by others in one step, before the path follower takes over
_FORCE: Final = 1e-3  # a part may be left by this much by rounding [N]
_LENGTH: Final = 1e-9  # likewise [m]
_LEAST_STIFFNESS: Final = 1e-10  # of the line's greatest: below it nothing holds a hanger's place


@dataclass(frozen=True)
class Rests:
    """States at rest, one a row (b). All (b, m) unless said.

    out: whether the stops are out. parts: part of its graph that each is on. offsets [m]; movement [m]; force
    [N]; pin [m]. inverse: of the system of the row, (b, m, m). product: stiffness of the line times inverse.
    sound: whether the row verifies, (b,).
    """

    out: Flags
    parts: Places
    offsets: Array
    movement: Array
    force: Array
    pin: Array
    inverse: Array
    product: Array
    sound: Flags


@dataclass(frozen=True)
class Steps:
    """Steps of one hanger each, from the row of a set, all (q,) unless said.

    turns, other_face: as `Step`, of its one hanger. utilisation, place, cause: of the worst moment between
    the set and the next (their rests not included). parts: in the next set at rest, (q, m). offset: of the
    hanger there [m]. sound: whether the step was followed to its end.
    """

    turns: Array
    other_face: Array
    utilisation: Array
    place: Places
    cause: Places
    parts: Places
    offset: Array
    sound: Flags


class Field:
    """A line and its hangers as arrays. Springs act without friction here."""

    def __init__(self, yard: Yard, start: State) -> None:
        """start: the state before the first step; low_m = high_m: no clearance, or a rigid hanger."""
        hangers, supports = start.hangers, yard.supports
        self.yard = yard
        self.stiffness, self.scale, self.line_load = yard.line.stiffness, yard.line.scale, start.load_n
        self.load = np.array([each.load_n for each in hangers])
        self.rate = np.array([each.rate_n_per_m for each in hangers])
        self.softness = np.array([1.0 / each.series_n_per_m for each in hangers])
        self.series = np.array([each.series_n_per_m for each in hangers])
        self.low_in = np.array([each.low_m for each in hangers])
        self.high_in = np.array([each.high_m for each in hangers])
        self.low_out = np.array([each.travel_low_m for each in supports])
        self.high_out = np.array([each.travel_high_m for each in supports])
        # A spring that has no force left lets its rod hang loose before the pin is at the upper end.
        empty = np.where(self.rate > 0.0, self.load / np.where(self.rate > 0.0, self.rate, 1.0), np.inf)
        playing = self.low_in < self.high_in
        self.high_in = np.where(
            playing, np.maximum(self.low_in, np.minimum(self.high_in, empty)), self.high_in
        )
        self.high_out = np.maximum(self.low_out, np.minimum(self.high_out, empty))
        self.lead = np.array([each.lead_m for each in supports])
        self._spring = 1.0 / (1.0 + self.rate * self.softness)
        self._stiff = np.isinf(self.series)

    # --- at rest ---------------------------------------------------------------------------------------
    def faces(self, out: Flags) -> tuple[Array, Array]:
        """Where the pin is held, (b, m) each."""
        return np.where(out, self.low_out, self.low_in), np.where(out, self.high_out, self.high_in)

    def rest(self, out: Flags, parts: Places, offsets: Array) -> Rests:
        """The states at rest on these parts, verified row by row."""
        low, high = self.faces(out)
        wall = (parts == LOWER_WALL) | (parts == UPPER_WALL)
        held_at = np.where(parts == LOWER_WALL, low, high)
        fixed = wall & self._stiff
        slope, constant = self._laws(parts, offsets, held_at)
        count, size = parts.shape
        system = np.broadcast_to(self.stiffness, (count, size, size)).copy()
        system[fixed] = 0.0
        diagonal = np.arange(size)
        system[:, diagonal, diagonal] += np.where(fixed, self.scale, slope)
        right = np.where(fixed, self.scale * (held_at + offsets), self.line_load + constant)
        inverse, sound = _inverses(system, self.scale)
        movement = np.einsum("bij,bj->bi", inverse, right)
        product = self.stiffness @ inverse
        pressed = movement @ self.stiffness - self.line_load
        force = np.where(fixed, pressed, constant - slope * movement)
        pin = np.where(
            wall, held_at, np.where(parts == SLACK, high, movement - offsets + force * self.softness)
        )
        found = Rests(out, parts, offsets, movement, force, pin, inverse, product, sound)
        return replace(found, sound=sound & self._verified(found, low, high))

    def of_state(self, state: State, out: frozenset[int]) -> Rests:
        """A state that was followed, as a row; taken as it is where its parts do not verify to rounding."""
        size = len(state.hangers)
        flags = np.array([[place in out for place in range(size)]])
        parts = np.array([[_joined(part) for part in state.parts]], dtype=np.int64)
        offsets = np.array([[each.offset_m for each in state.hangers]])
        return self.rest(flags, parts, offsets)

    def state(self, rests: Rests, row: int) -> State:
        """A row as a state that can be followed on."""
        low, high = self.faces(rests.out[row])
        hangers = tuple(
            replace(
                each,
                low_m=float(low[place]),
                high_m=float(high[place]),
                offset_m=float(rests.offsets[row, place]),
            )
            for place, each in enumerate(self.yard.hangers_of(self.load, self.rate, self.series))
        )
        return State(
            hangers,
            tuple(int(part) for part in rests.parts[row]),
            rests.movement[row].copy(),
            rests.force[row].copy(),
            rests.pin[row].copy(),
            self.line_load,
        )

    def _laws(self, parts: Places, offsets: Array, held_at: Array) -> tuple[Array, Array]:
        """slope and constant of r = constant - slope u, zero where u is fixed or the rod is slack."""
        wall = (parts == LOWER_WALL) | (parts == UPPER_WALL)
        series = np.where(self._stiff, 0.0, self.series)
        slope = np.where(wall, series, np.where(parts == SLACK, 0.0, self.rate * self._spring))
        on_spring = (self.load + self.rate * offsets) * self._spring
        constant = np.where(wall, series * (held_at + offsets), np.where(parts == SLACK, 0.0, on_spring))
        return slope, constant

    def _verified(self, rests: Rests, low: Array, high: Array) -> Flags:
        parts, force, pin = rests.parts, rests.force, rests.pin
        at_pin = self.load - self.rate * pin
        single = low == high
        gap = rests.movement - rests.offsets - high
        fits = np.select(
            [parts == LOWER_WALL, parts == UPPER_WALL, parts == SLACK],
            [
                force >= np.where(single, 0.0, at_pin) - _FORCE,
                (force <= at_pin + _FORCE) & (force >= -_FORCE),
                gap >= -_LENGTH,
            ],
            (pin >= low - _LENGTH) & (pin <= high + _LENGTH),
        )
        return np.asarray(fits.all(axis=1) & np.isfinite(force).all(axis=1))

    # --- steps -----------------------------------------------------------------------------------------
    def walk(self, rests: Rests, row: Places, place: Places, *, leave: bool = False) -> Steps:
        """Eases, over-eases, frees and returns the nut of one hanger each.

        Args:
            rests: sets at rest
            row, place: for each step its set and its hanger, (q,)
            leave: the nuts stay where the stops came out
        """
        return _Walk(self, rests, row, place, leave=leave).run()

    # --- utilisation --------------------------------------------------------------------------------------
    def utilisation(
        self, out: Flags, parts: Places, offsets: Array, force: Array, pin: Array, more: Margins | None = None
    ) -> tuple[Array, Places, Places]:
        """The greatest utilisation of each row, at which hanger, and its cause as an index into CAUSES."""
        yard = self.yard
        low, high = self.faces(out)
        single = low == high
        excess = force - (self.load - self.rate * pin)
        bears_up = (parts == LOWER_WALL) & ~single
        bears_down = ((parts == UPPER_WALL) | (parts == SLACK)) & ~single
        stop = np.where(bears_up, np.maximum(excess, 0.0), np.where(bears_down, np.minimum(excess, 0.0), 0.0))
        stop = np.where(single, excess, stop) / yard.linkages
        turns = (offsets - yard.base_m) / self.lead
        ends = np.isin(parts, (LOWER_WALL, UPPER_WALL, SLACK)) & ~single
        # Up and down as in Support: the rod carries less, or more, than its spring.
        up, down = -stop, stop
        if more is not None:
            force = force + more.force_up
            down = (excess + more.bears_up) / yard.linkages
            up = (-excess + more.bears_down) / yard.linkages
            ends = ends | ((pin - more.pin_down < low) | (pin + more.pin_up > high)) & ~single
        shares = np.stack(
            [
                force / yard.rods,
                np.where(out, 0.0, force) / yard.locked,
                np.where(out, 0.0, up) / yard.ups,
                np.where(out, 0.0, down) / yard.downs,
                np.maximum(turns / yard.raises, -turns / yard.lowers),
                np.where(ends & out, BEYOND, 0.0),
            ],
            axis=1,
        )
        flat = shares.reshape(len(shares), -1)
        worst = flat.argmax(axis=1)
        size = shares.shape[2]
        return flat[np.arange(len(flat)), worst], worst % size, worst // size


class _Walk:
    """The walks of one batch. The force of the hanger being eased alone drives the others."""

    def __init__(self, field: Field, rests: Rests, row: Places, place: Places, *, leave: bool) -> None:
        self.field, self.row, self.h, self.leave = field, row, place, leave
        self.rests = rests
        count = len(row)
        self.all = np.arange(count)
        self.out = rests.out[row]
        self.low, self.high = field.faces(self.out)
        self.offsets = rests.offsets[row]
        self.parts = rests.parts[row].copy()
        self.u, self.r, self.x = rests.movement[row].copy(), rests.force[row].copy(), rests.pin[row].copy()
        self.load, self.rate, self.soft = field.load[place], field.rate[place], field.softness[place]
        low, high = field.low_in[place], field.high_in[place]
        middle = (low + high) / 2.0
        part: Places = self._own(self.parts)
        pin, force = self._own(self.x), self._own(self.r)
        in_slot = ~np.isin(part, (LOWER_WALL, UPPER_WALL, SLACK))
        lowering = np.where(
            low == high,
            force > self.load - self.rate * low,
            np.where(in_slot, pin < middle, part == LOWER_WALL),
        )
        self.sign = np.where(lowering, -1.0, 1.0)
        self.middle, self.face = middle, np.where(lowering, high, low)
        self.at_middle = self.load - self.rate * middle
        self.end = self.load - self.rate * self.face
        self.before = self._own(self.offsets)
        self.base = field.yard.base_m[place]
        self.changed: Places = place[:, None].copy()
        self.u_middle = np.full(count, np.nan)
        self.parts_after = self.parts.copy()
        self.offset_after = np.full(count, np.nan)
        self.pin_after = np.full(count, np.nan)
        self.worst = np.full(count, -1.0)
        self.worst_place = np.full(count, -1, dtype=np.int64)
        self.worst_cause = np.zeros(count, dtype=np.int64)
        self.sound = rests.sound[row] & (self.end > 0.0) & (self.sign * (self.end - force) > -_FORCE)
        if not leave:
            # Already between the faces and its nut where it will go back to: the stop changes nothing.
            stays = in_slot & (np.abs(self.before - self.base) < 1e-15)
            self.offset_after[stays], self.pin_after[stays] = self.base[stays], pin[stays]

    def _own(self, values: Any) -> Any:
        return values[self.all, self.h]

    def run(self) -> Steps:
        active = self.all[self.sound]
        for _ in range(_MOST_CHANGES):
            if not len(active):
                break
            active = self._advance(active)
        self.sound[active] = False
        return self._finished()

    def _advance(self, q: Places) -> Places:
        """Goes on to the next change of another's part, or to the end; which walks have not ended."""
        du, dr, dx, sound = self._rates(q)
        self.sound[q[~sound]] = False
        q, du, dr, dx = q[sound], du[sound], dr[sound], dx[sound]
        if not len(q):
            return q
        own = (np.arange(len(q)), self.h[q])
        force, remaining = self.r[q, self.h[q]], np.abs(self.end[q] - self.r[q, self.h[q]])
        step, other, part = self._next(q, du, dr, dx)
        ended = ~(step < remaining * (1.0 - 1e-12))
        step = np.where(ended, remaining, step)
        reached = np.where(ended, self.end[q], force + self.sign[q] * step)
        self._stations(q, force, reached, du[own] * self.sign[q])
        self.u[q] += step[:, None] * du
        self.r[q] += step[:, None] * dr
        self.x[q] += step[:, None] * dx
        self.r[q, self.h[q]] = reached
        self._note(q)
        on = ~ended
        self.parts[q[on], other[on]] = part[on]
        held: Places = self.parts[q[on], other[on]]
        at = np.where(held == LOWER_WALL, self.low[q[on], other[on]], self.high[q[on], other[on]])
        walled = np.isin(held, (LOWER_WALL, UPPER_WALL, SLACK))
        self.x[q[on], other[on]] = np.where(walled, at, self.x[q[on], other[on]])
        onward: Places = q[on]
        self._remember(onward, other[on])
        return onward

    def _remember(self, q: Places, other: Places) -> None:
        """Notes whose rows of the inverse differ from the set's own; -1 fills up."""
        if not len(q):
            return
        known = (self.changed[q] == other[:, None]).any(axis=1)
        column = np.full(len(self.all), -1, dtype=np.int64)
        column[q[~known]] = other[~known]
        if (column >= 0).any():
            self.changed = np.concatenate([self.changed, column[:, None]], axis=1)

    def _rates(self, q: Places) -> tuple[Array, Array, Array, Flags]:
        """Movement, force and pin of every hanger for each newton that the eased one's force goes onward."""
        field, rows = self.field, self.row[q]
        changed: Places = self.changed[q]
        used = (changed >= 0).any(axis=0)
        changed = changed[:, used]
        there = changed >= 0
        chosen = np.where(there, changed, self.h[q][:, None])
        inverse, product = self.rests.inverse, self.rests.product
        row, first, second = rows[:, None, None], chosen[:, :, None], chosen[:, None, :]
        columns, pressed = inverse[rows[:, None], :, chosen], product[rows[:, None], :, chosen]
        small, moved = product[row, first, second], inverse[row, first, second]
        slope, fixed = self._slopes(q)
        own_slope = np.take_along_axis(slope, chosen, axis=1)
        own_fixed = np.take_along_axis(fixed, chosen, axis=1)
        small = np.where(own_fixed[:, :, None], field.scale * moved, small + own_slope[:, :, None] * moved)
        both = there[:, :, None] & there[:, None, :]
        small = np.where(both, small, np.eye(small.shape[1]))
        right = np.zeros(chosen.shape)
        right[:, 0] = 1.0
        shares, sound = _solved(small, right)
        shares = np.where(there, shares, 0.0)
        sign = self.sign[q][:, None]
        du = np.einsum("qji,qj->qi", columns, shares) * sign
        pushing = np.einsum("qji,qj->qi", pressed, shares) * sign
        dr = np.where(fixed, pushing, -slope * du)
        own = (np.arange(len(q)), self.h[q])
        dr[own] = self.sign[q]
        spring = ~np.isin(self.parts[q], (LOWER_WALL, UPPER_WALL, SLACK))
        dx = np.where(spring, du + dr * field.softness, 0.0)
        dx[own] = 0.0
        gives = du[own] * self.sign[q]
        sound &= (gives > 0.0) & (gives * field.scale * _LEAST_STIFFNESS < 1.0) & np.isfinite(du).all(axis=1)
        return du, dr, dx, sound

    def _slopes(self, q: Places) -> tuple[Array, Flags]:
        """Slope and fixedness of every hanger; the one that is eased is driven by its force alone."""
        field, parts = self.field, self.parts[q]
        wall = np.isin(parts, (LOWER_WALL, UPPER_WALL))
        slope, _ = field._laws(parts, self.offsets[q], self.x[q])
        fixed = wall & field._stiff
        own = (np.arange(len(q)), self.h[q])
        slope[own] = 0.0
        fixed[own] = False
        return slope, fixed

    def _next(self, q: Places, du: Array, dr: Array, dx: Array) -> tuple[Array, Places, Places]:
        """How far the next change of another's part is, whose, and to which part."""
        field, parts = self.field, self.parts[q]
        low, high, r, x = self.low[q], self.high[q], self.r[q], self.x[q]
        single = low == high
        at_pin = field.load - field.rate * x
        lower, upper, slack = parts == LOWER_WALL, parts == UPPER_WALL, parts == SLACK
        spring = ~(lower | upper | slack)
        onward = np.where(single, SLACK, RISING)
        back = np.where(single, LOWER_WALL, UPPER_WALL)
        options = (
            (lower, r - np.where(single, 0.0, at_pin), -dr, onward),
            (upper, at_pin - r, dr, np.full_like(parts, RISING)),
            (upper, r, -dr, np.full_like(parts, SLACK)),
            (slack, self.u[q] - self.offsets[q] - high, -du, back),
            (spring, x - low, -dx, np.full_like(parts, LOWER_WALL)),
            (spring, high - x, dx, np.full_like(parts, UPPER_WALL)),
        )
        ways, goals = [], []
        for on, gap, rate, goal in options:
            coming = on & (rate > 0.0)
            way = np.where(coming, np.maximum(gap, 0.0) / np.where(coming, rate, 1.0), np.inf)
            way[np.arange(len(q)), self.h[q]] = np.inf
            ways.append(way)
            goals.append(goal)
        size = parts.shape[1]
        flat = np.concatenate(ways, axis=1)
        nearest = flat.argmin(axis=1)
        every = np.arange(len(q))
        return flat[every, nearest], nearest % size, np.concatenate(goals, axis=1)[every, nearest]

    def _stations(self, q: Places, force: Array, reached: Array, gives: Array) -> None:
        """Takes what is wanted where this stretch passes the middle of the slot and the way back's end."""
        u = self.u[q, self.h[q]]
        passed = self.sign[q] * (reached - self.at_middle[q]) >= -_FORCE * 1e-6
        here = passed & np.isnan(self.u_middle[q])
        some = q[here]
        self.u_middle[some] = u[here] + gives[here] * (self.at_middle[some] - force[here])
        if self.leave:
            self.parts_after[some] = self.parts[some]
            self.pin_after[some] = self.middle[some]
            self.offset_after[some] = (
                self.u_middle[some] - self.middle[some] + self.at_middle[some] * self.soft[some]
            )
            return
        open_ = np.isnan(self.pin_after[q])
        rate, soft, load, base = self.rate[q], self.soft[q], self.load[q], self.base[q]
        constant = rate == 0.0
        with np.errstate(divide="ignore", invalid="ignore"):
            first = u + force * soft - (load - force) / rate - base
            last = u + gives * (reached - force) + reached * soft - (load - reached) / rate - base
            share = np.where(first == last, 0.0, first / (first - last))
            crosses = ~constant & (first * last <= 0.0)
            at = force + share * (reached - force)
            pin = np.where(constant, u + gives * (load - force) + load * soft - base, (load - at) / rate)
        found = open_ & (crosses | (constant & passed))
        some = q[found]
        self.parts_after[some] = self.parts[some]
        self.pin_after[some] = pin[found]
        self.offset_after[some] = self.base[some]

    def _note(self, q: Places) -> None:
        """Utilisation of this moment; the stop of the eased hanger only gets lighter."""
        field = self.field
        parts = self.parts[q].copy()
        own = (np.arange(len(q)), self.h[q])
        parts[own] = RISING
        x = self.x[q].copy()
        # On its way the pin is where its spring bears what the rod carries: the stop bears nothing.
        x[own] = np.where(
            self.rate[q] > 0.0,
            (self.load[q] - self.r[own_of(q, self.h)]) / np.where(self.rate[q] > 0.0, self.rate[q], 1.0),
            0.0,
        )
        found = field.utilisation(self.out[q], parts, self.offsets[q], self.r[q], x)
        self._keep(q, *found)

    def _keep(self, q: Places, value: Array, place: Places, cause: Places) -> None:
        higher = value > self.worst[q]
        some = q[higher]
        self.worst[some], self.worst_place[some], self.worst_cause[some] = (
            value[higher],
            place[higher],
            cause[higher],
        )

    def _finished(self) -> Steps:
        field, own = self.field, self.h
        eased = self.u_middle - self.middle + self.at_middle * self.soft
        other = self._own(self.u) - self.face + self.end * self.soft
        lead, yard = field.lead[own], field.yard
        for offset in (eased, other):
            net = (offset - self.base) / lead
            share = np.maximum(net / yard.raises[own], -net / yard.lowers[own])
            self._keep(
                self.all, np.nan_to_num(share, nan=-1.0), own, np.full(len(own), CAUSES.index("turns"))
            )
        within = (self.pin_after > field.low_out[own]) & (self.pin_after < field.high_out[own])
        self.parts_after[self.all, own] = RISING
        self.sound &= within & np.isfinite(eased) & np.isfinite(other)
        return Steps(
            (eased - self.before) / lead,
            (other - self.before) / lead,
            self.worst,
            self.worst_place,
            self.worst_cause,
            self.parts_after,
            self.offset_after,
            self.sound,
        )


def own_of(q: Places, place: Places) -> tuple[Places, Places]:
    """Index of the eased hanger in arrays of all walks."""
    return q, place[q]


def _joined(part: int) -> int:
    """Without friction the three parts between the walls are one."""
    return part if part in (LOWER_WALL, UPPER_WALL, SLACK) else RISING


def _inverses(systems: Array, scale: float) -> tuple[Array, Flags]:
    """Inverse of each, and whether something holds every hanger's place."""
    inverse: Array
    try:
        inverse = np.asarray(np.linalg.inv(systems), dtype=np.float64)
    except np.linalg.LinAlgError:
        inverse = np.empty_like(systems)
        for number, system in enumerate(systems):
            try:
                inverse[number] = np.linalg.inv(system)
            except np.linalg.LinAlgError:
                inverse[number] = np.nan
    greatest = np.abs(inverse).max(axis=(1, 2), initial=0.0)
    sound = np.isfinite(greatest) & (greatest * scale * _LEAST_STIFFNESS < 1.0)
    return np.where(np.isfinite(inverse), inverse, 0.0), np.asarray(sound, dtype=np.bool_)


def _solved(systems: Array, right: Array) -> tuple[Array, Flags]:
    """Solution of each small system; not sound where it has none."""
    if systems.shape[1] == 1:
        pivot = systems[:, 0, 0]
        sound = np.asarray(pivot != 0.0, dtype=np.bool_)
        return right / np.where(sound, pivot, 1.0)[:, None], sound
    solution: Array
    try:
        solution = np.asarray(np.linalg.solve(systems, right[:, :, None])[:, :, 0], dtype=np.float64)
    except np.linalg.LinAlgError:
        return np.zeros_like(right), np.zeros(len(systems), dtype=np.bool_)
    return solution, np.ones(len(systems), dtype=np.bool_)
