"""Easing a locked support: the turns that take the load off the travel stop.

Signs: turns are positive when they raise the load on the pipe. All loads are those of one assembly at
the spring, hardware weight included.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from service.engineering.nut_plans.intervals import (
    Interval,
    hull_over_corners,
    require_not_negative,
    require_positive,
)
from service.errors import OutOfRange


@dataclass(frozen=True)
class EasingCase:
    """One locked assembly before its adjuster is turned.

    spring_load_n: force S of the spring with the pin where it stands, > 0 [N]. rod_load_n: load F_rod of
    the rod, >= 0 [N]; a slack rod has no case, its gap comes first. friction_n: half width f of the
    friction band [N]. stiffness_n_per_m: stiffness k seen by the adjuster in the line's present state
    [N/m]. lead_m: change of length for one turn p [m]. slot_clearance_m: whole clearance c of the pin in
    the slot [m]. linkage_ratio: pin movement for one unit of rod movement L. spring_rate_n_per_m: rate of
    a variable spring [N/m]; None for a constant support.
    """

    spring_load_n: Interval
    rod_load_n: Interval
    friction_n: float
    stiffness_n_per_m: Interval
    lead_m: float
    slot_clearance_m: float
    linkage_ratio: float
    spring_rate_n_per_m: float | None

    def __post_init__(self) -> None:
        require_positive(
            spring_load_n=self.spring_load_n.low,
            stiffness_n_per_m=self.stiffness_n_per_m.low,
            lead_m=self.lead_m,
            linkage_ratio=self.linkage_ratio,
        )
        require_not_negative(
            rod_load_n=self.rod_load_n.low,
            friction_n=self.friction_n,
            slot_clearance_m=self.slot_clearance_m,
        )
        if self.spring_rate_n_per_m is not None:
            require_positive(spring_rate_n_per_m=self.spring_rate_n_per_m)

    @property
    def imbalance_n(self) -> Interval:
        """B = S - F_rod: positive when the rod carries too little [N]."""
        return imbalance_n(self.spring_load_n, self.rod_load_n)


@dataclass(frozen=True)
class EasingTurns:
    """Turns at which the pin does what; each a hull over the case's intervals, signed (raise positive).

    may_be_free: from here the pin may be free. moves_off: here it leaves the face at the latest. centred:
    it stands in the middle of the slot. other_face: it reaches the other face. free_for_all: turns at
    which the pin is off both faces whatever the true values inside the intervals are; None when there
    are none. aim: middle of `free_for_all`; where that is None the centre that needs the fewest turns.
    """

    sign: int
    may_be_free: Interval
    moves_off: Interval
    centred: Interval
    other_face: Interval
    free_for_all: Interval | None
    aim: float

    @property
    def earliest(self) -> float:
        """The fewest turns, signed, from which the pin may be free."""
        return self.may_be_free.low if self.sign > 0 else self.may_be_free.high

    @property
    def latest(self) -> float:
        """The most turns, signed, at which the pin may still be off the other face."""
        return self.other_face.high if self.sign > 0 else self.other_face.low


def imbalance_n(spring_load_n: Interval, rod_load_n: Interval) -> Interval:
    """B = S - F_rod over intervals: positive when the rod carries too little [N].

    Args:
        spring_load_n: S [N]
        rod_load_n: F_rod [N]
    """
    return Interval(spring_load_n.low - rod_load_n.high, spring_load_n.high - rod_load_n.low)


def sign_from_imbalance(imbalance: Interval) -> int | None:
    """+1 raise, -1 lower; None where both signs (or zero) are possible, and the direction not known.

    Args:
        imbalance: B [N]
    """
    if imbalance.low > 0.0:
        return 1
    if imbalance.high < 0.0:
        return -1
    return None


def narrow_by_face(imbalance: Interval, face_sign: int, friction_n: float) -> Interval | None:
    """What a seen bearing face leaves of the imbalance's interval; None when the two contradict.

    A face that says "too little" gives B >= -f, "too much" gives B <= f, a clear pin gives |B| <= f.

    Args:
        imbalance: B [N]
        face_sign: +1 too little, -1 too much, 0 pin clear of both faces
        friction_n: f, >= 0 [N]
    """
    require_not_negative(friction_n=friction_n)
    low = -friction_n if face_sign >= 0 else -math.inf
    high = friction_n if face_sign <= 0 else math.inf
    return imbalance.meet(low, high)


def slot_factor(stiffness_n_per_m: float, spring_rate_n_per_m: float | None) -> float:
    """q: turns needed to cross the slot, as a multiple of those of a constant support.

    A constant support's pin takes the whole take-up; a variable spring yields by one part and the line
    by the other, so that crossing takes (k_spring + k)/k as much.

    Args:
        stiffness_n_per_m: k, > 0 [N/m]
        spring_rate_n_per_m: rate of a variable spring; None for a constant support [N/m]
    """
    if spring_rate_n_per_m is None:
        return 1.0
    return (spring_rate_n_per_m + stiffness_n_per_m) / stiffness_n_per_m


def easing_turns(case: EasingCase, sign: int, imbalance: Interval | None = None) -> EasingTurns:
    """Turns from which the pin may be free, moves off, stands centred, and reaches the other face.

        may be free from   (B - s f)/(k p), and 0 where |B| < f
        moves off          (B + s f)/(k p)
        centred            moves off + s (c/2) q/(L p)
        other face         moves off + s c q/(L p)

    Each magnitude rises with |B| and falls with k (q too falls with k), so that the extremes over the
    intervals lie at the least |B| with the largest k and the other way round.

    Args:
        case: the locked assembly
        sign: s, +1 raise or -1 lower: the sign of B, or what the bearing face says
        imbalance: B where a bearing face has narrowed it; otherwise the case's own [N]

    Returns:
        hulls of the turns, and the aim

    Raises:
        OutOfRange: part of B lies beyond the friction band on the other side of `sign`

    Source: mechanics of a pin in a slot with friction; proved against a simulation.
    """
    outward = (case.imbalance_n if imbalance is None else imbalance).times_sign(sign)
    if outward.low < -case.friction_n:
        raise OutOfRange("The imbalance does not have the stated sign.", low_n=outward.low, sign=sign)
    lead, friction, rate = case.lead_m, case.friction_n, case.spring_rate_n_per_m

    def may_be_free(b: float, k: float) -> float:
        return max(0.0, b - friction) / (k * lead)

    def moves_off(b: float, k: float) -> float:
        return (b + friction) / (k * lead)

    def across(b: float, k: float, part: float) -> float:
        return moves_off(b, k) + part * case.slot_clearance_m * slot_factor(k, rate) / (
            case.linkage_ratio * lead
        )

    box = (outward, case.stiffness_n_per_m)
    first = hull_over_corners(may_be_free, *box)
    off = hull_over_corners(moves_off, *box)
    centre = hull_over_corners(lambda b, k: across(b, k, 0.5), *box)
    other = hull_over_corners(lambda b, k: across(b, k, 1.0), *box)
    free = Interval(off.high, other.low) if off.high < other.low else None
    aim = centre.low if free is None else free.middle
    return EasingTurns(
        sign=sign,
        may_be_free=first.times_sign(sign),
        moves_off=off.times_sign(sign),
        centred=centre.times_sign(sign),
        other_face=other.times_sign(sign),
        free_for_all=None if free is None else free.times_sign(sign),
        aim=sign * aim,
    )


def rod_load_after_n(case: EasingCase, sign: int, turns: float) -> Interval:
    """Load of the rod after turns from the locked state, over the case's intervals [N].

    On the face the load goes by k p a turn; from where the pin moves off it goes by nothing more
    (constant) or by the share k_spring/(k_spring + k) of it (variable); on the other face by k p again.
    It rises with S and F_rod and goes further with k, so that its extremes lie in corners.

    Args:
        case: the locked assembly
        sign: s, direction of easing
        turns: turns made in that direction, signed (raise positive)

    Returns:
        load F_rod [N]

    Source: mechanics of a pin in a slot with friction; proved against a simulation.
    """
    rate = case.spring_rate_n_per_m
    take_up = abs(turns) * case.lead_m
    slot = case.slot_clearance_m / case.linkage_ratio

    def after(rod_load: float, spring_load: float, k: float) -> float:
        # Corners that a seen bearing face has ruled out count as standing at the edge of the band.
        threshold = max(0.0, sign * (spring_load - rod_load) + case.friction_n)
        if k * take_up <= threshold:
            return rod_load + sign * k * take_up
        beyond = take_up - threshold / k
        share = 0.0 if rate is None else rate / (rate + k)
        crossing = slot * slot_factor(k, rate)
        free = min(beyond, crossing)
        return rod_load + sign * (threshold + k * (free * share + (beyond - free)))

    return hull_over_corners(after, case.rod_load_n, case.spring_load_n, case.stiffness_n_per_m)
