"""What easing has measured, and how many turns the design explains.

Turns are positive when they raise the load on the pipe. What is found is the combined misfit of weight
and pick-up height; loads, turns and indicators need only the sum of the two and cannot tell them apart.
"""

from __future__ import annotations

from dataclasses import dataclass

from service.engineering.nut_plans.intervals import (
    Interval,
    hull_over_corners,
    require_not_negative,
    require_positive,
)
from service.errors import OutOfRange


def rod_load_before_n(
    turns: float, spring_load_n: Interval, stiffness_n_per_m: Interval, lead_m: float, friction_n: float
) -> Interval:
    """Rod load before easing, from the turns at which the pin was found free: S - k p n, within +-f.

    Args:
        turns: turns from the start at which it was free, signed
        spring_load_n: S [N]
        stiffness_n_per_m: k of that moment's line state, with its error, > 0 [N/m]
        lead_m: p, > 0 [m]
        friction_n: f, >= 0 [N]

    Returns:
        hull of F_rod before easing [N]

    Source: mechanics.
    """
    require_positive(lead_m=lead_m, stiffness_n_per_m=stiffness_n_per_m.low)
    require_not_negative(friction_n=friction_n)
    return hull_over_corners(
        lambda spring, k, within: spring - k * lead_m * turns + within,
        spring_load_n,
        stiffness_n_per_m,
        Interval(-friction_n, friction_n),
    )


@dataclass(frozen=True)
class BreakAway:
    """What break-away in both directions gives: friction f and the rod load before easing [N]."""

    friction_n: Interval
    rod_load_n: Interval


def break_away(
    turns_raising: float,
    turns_lowering: float,
    spring_load_n: Interval,
    stiffness_n_per_m: Interval,
    lead_m: float,
) -> BreakAway:
    """Friction and rod load from the turns at which the pin began to move in each direction.

    f = k p (n_up - n_down)/2 and F_rod = S - k p (n_up + n_down)/2, both counted from the same start.

    Args:
        turns_raising: turns at which it began to move when raising, signed
        turns_lowering: turns at which it began to move when lowering, signed, not above the other
        spring_load_n: S [N]
        stiffness_n_per_m: k, > 0 [N/m]
        lead_m: p, > 0 [m]

    Returns:
        friction and rod load, over the intervals

    Raises:
        OutOfRange: raising broke away at fewer turns than lowering

    Source: mechanics.
    """
    require_positive(lead_m=lead_m, stiffness_n_per_m=stiffness_n_per_m.low)
    if turns_raising < turns_lowering:
        raise OutOfRange(
            "Break-away when raising cannot lie below break-away when lowering.",
            turns_raising=turns_raising,
            turns_lowering=turns_lowering,
        )
    half_width = (turns_raising - turns_lowering) / 2.0
    middle = (turns_raising + turns_lowering) / 2.0
    return BreakAway(
        friction_n=hull_over_corners(lambda k: k * lead_m * half_width, stiffness_n_per_m),
        rod_load_n=hull_over_corners(
            lambda spring, k: spring - k * lead_m * middle, spring_load_n, stiffness_n_per_m
        ),
    )


def explained_turns(
    designed_imbalance_n: float,
    friction_n: float,
    height_tolerance_m: float,
    reading_tolerance_m: float,
    stiffness_n_per_m: Interval,
    lead_m: float,
    to_centre_turns: float,
) -> Interval | None:
    """Turns that the designed cold imbalance with its tolerances explains; beyond them, the engineer.

    The pin centred lies within n = (B_design +- f)/(k p) +- (heights + reading)/p +- half the slot. Of the
    stiffness interval the end is taken that explains less, so that the crew stops early rather than late.

    Args:
        designed_imbalance_n: B as designed, spring load less rod load, cold and locked [N]
        friction_n: f, >= 0 [N]
        height_tolerance_m: tolerance of the erected height, >= 0 [m]
        reading_tolerance_m: tolerance of readings, as movement at the rod, >= 0 [m]
        stiffness_n_per_m: k, > 0 [N/m]
        lead_m: p, > 0 [m]
        to_centre_turns: turns across half the slot, >= 0

    Returns:
        most lowering (low) and most raising (high) turns explained, signed; None where the stiffness is
        known so poorly that no number of turns is explained by all of its interval

    Source: mechanics; common practice, no source, for the tolerances.
    """
    require_positive(lead_m=lead_m, stiffness_n_per_m=stiffness_n_per_m.low)
    require_not_negative(
        friction_n=friction_n,
        height_tolerance_m=height_tolerance_m,
        reading_tolerance_m=reading_tolerance_m,
        to_centre_turns=to_centre_turns,
    )
    tolerance = (height_tolerance_m + reading_tolerance_m) / lead_m + to_centre_turns
    ends = (stiffness_n_per_m.low, stiffness_n_per_m.high)
    highest = min((designed_imbalance_n + friction_n) / (k * lead_m) for k in ends) + tolerance
    lowest = max((designed_imbalance_n - friction_n) / (k * lead_m) for k in ends) - tolerance
    return Interval(lowest, highest) if lowest <= highest else None
