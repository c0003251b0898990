"""One hanger alone: the rod's load before easing, from what easing it took.

Turns are net turns of its adjuster, positive when they raise the load on the pipe. Loads are upward on the
pipe. What is found is the combined misfit of weight and pick-up height: loads, turns and indicators need
only the sum of the two.
"""

from __future__ import annotations

from service.engineering.nut_plans.intervals import Interval
from service.errors import OutOfRange


def stiffness_with_error(stiffness_n_per_m: float, share: float) -> Interval:
    """k with its error to both sides.

    Args:
        stiffness_n_per_m: k seen at the hanger, > 0 [N/m]
        share: error as a share of k, 0 to less than 1
    """
    if not (0.0 <= share < 1.0 and stiffness_n_per_m > 0.0):
        raise OutOfRange("A stiffness and its error must be positive, the error below 1.", share=share)
    return Interval(stiffness_n_per_m * (1.0 - share), stiffness_n_per_m * (1.0 + share))


def rod_load_from_turns(
    turns: Interval, spring_load_n: float, stiffness_n_per_m: Interval, lead_m: float, friction_n: float
) -> Interval:
    """Rod load at zero net turns, from the turns between which the pin came free.

        F_rod = S + phi - k p n,    -f <= phi <= f

    The pin comes free at some n between the last look that bore and the first that was free. On the face
    the rod's load goes by k p a turn, so that F_rod is linear in each of n, k and phi: the extremes lie in
    the corners.

    Args:
        turns: n, from the last look that bore to the first that was free, signed
        spring_load_n: S with the pin on the face that it leaves [N]
        stiffness_n_per_m: k of that moment's line state, with its error, > 0 [N/m]
        lead_m: p, > 0 [m]
        friction_n: f, >= 0 [N]

    Returns:
        hull of F_rod [N]

    Source: mechanics; worked case: 0.5 turn at 793.727 N/mm and 6 mm from 14,787.938 N gives 12,406.8 N.
    """
    if not (lead_m > 0.0 and friction_n >= 0.0 and stiffness_n_per_m.low > 0.0):
        raise OutOfRange("Lead and stiffness must be positive and friction not negative.", lead_m=lead_m)
    taken = Interval.hull(
        k * lead_m * n
        for k in (stiffness_n_per_m.low, stiffness_n_per_m.high)
        for n in (turns.low, turns.high)
    )
    return Interval(spring_load_n - friction_n - taken.high, spring_load_n + friction_n - taken.low)


def rod_load_from_face(
    sign: int, spring_load_n: float, friction_n: float
) -> tuple[float | None, float | None]:
    """What a bearing face alone says of the rod's load: a bound, or a band; None where there is no bound.

    Args:
        sign: +1 the rod carries too little, -1 too much, 0 the pin is clear of both faces
        spring_load_n: S [N]
        friction_n: f, >= 0 [N]

    Returns:
        lower and upper bound of F_rod [N]

    Source: mechanics (service.engineering.nut_plans.faces).
    """
    low = max(0.0, spring_load_n - friction_n) if sign <= 0 else 0.0
    return low, (spring_load_n + friction_n if sign >= 0 else None)
