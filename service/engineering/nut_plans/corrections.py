"""Load of a released support: what the nut does to a variable spring, the load adjuster to a constant.

Turns, loads and load changes are positive when they raise the load on the pipe; movements are positive
upward.
"""

from __future__ import annotations

from dataclasses import dataclass

from service.engineering.comparison import at_least, at_most
from service.engineering.nut_plans.intervals import Interval, hull_over_corners, require_positive


def load_change_per_turn_n(spring_rate_n_per_m: float, stiffness_n_per_m: float, lead_m: float) -> float:
    """Change of load for one turn at a released variable support: p/(1/k_spring + 1/k).

    Args:
        spring_rate_n_per_m: rate of the spring, > 0 [N/m]
        stiffness_n_per_m: stiffness k of line, rod and steel at the support in the present state, > 0 [N/m]
        lead_m: change of length for one turn p, > 0 [m]

    Returns:
        load change for one raising turn [N]

    Source: mechanics (springs in series).
    """
    require_positive(
        spring_rate_n_per_m=spring_rate_n_per_m, stiffness_n_per_m=stiffness_n_per_m, lead_m=lead_m
    )
    return lead_m / (1.0 / spring_rate_n_per_m + 1.0 / stiffness_n_per_m)


def turns_for_load_change(
    load_change_n: float, spring_rate_n_per_m: float, stiffness_n_per_m: float, lead_m: float
) -> float:
    """Turns for a wanted load change of a released variable support: dF (1/k_spring + 1/k)/p.

    Args:
        load_change_n: wanted change dF, positive raises [N]
        spring_rate_n_per_m: rate of the spring, > 0 [N/m]
        stiffness_n_per_m: k, > 0 [N/m]
        lead_m: p, > 0 [m]

    Returns:
        turns, signed
    """
    return load_change_n / load_change_per_turn_n(spring_rate_n_per_m, stiffness_n_per_m, lead_m)


def load_change_for_turns_n(
    turns: float, spring_rate_n_per_m: float, stiffness_n_per_m: float, lead_m: float
) -> float:
    """Load change that turns make at a released variable support: n p/(1/k_spring + 1/k) [N].

    The inverse of `turns_for_load_change`, with its arguments.
    """
    return turns * load_change_per_turn_n(spring_rate_n_per_m, stiffness_n_per_m, lead_m)


@dataclass(frozen=True)
class VariableCorrection:
    """Turns for a load change and what moves. turns: hull over the stiffness interval, signed. aim: the
    fewest of them, read again before going on. pipe_movement_m and plate_movement_m: movement of pipe
    and rod end, and of the spring's load plate, up positive; their difference is n p [m]."""

    turns: Interval
    aim: float
    pipe_movement_m: Interval
    plate_movement_m: float


def variable_correction(
    load_change_n: float, spring_rate_n_per_m: float, stiffness_n_per_m: Interval, lead_m: float
) -> VariableCorrection:
    """Turns for a wanted load change of a released variable support, and the movement of its parts.

    The line (with rod and steel, whose stretch is small) rises by dF/k, the load plate goes down by
    dF/k_spring as the spring takes more, and both together are the take-up n p.

    Args:
        load_change_n: wanted change dF, positive raises [N]
        spring_rate_n_per_m: rate of the spring, > 0 [N/m]
        stiffness_n_per_m: k, > 0 [N/m]
        lead_m: p, > 0 [m]

    Returns:
        turns and movements

    Source: mechanics (springs in series).
    """
    turns = hull_over_corners(
        lambda k: turns_for_load_change(load_change_n, spring_rate_n_per_m, k, lead_m), stiffness_n_per_m
    )
    return VariableCorrection(
        turns=turns,
        aim=turns.low if load_change_n >= 0.0 else turns.high,
        pipe_movement_m=hull_over_corners(lambda k: load_change_n / k, stiffness_n_per_m),
        plate_movement_m=-load_change_n / spring_rate_n_per_m,
    )


@dataclass(frozen=True)
class LoadAdjustment:
    """Change of a constant support's set load by its load adjuster.

    change: share of the calibrated load, positive raises. load_change_n: the same as a load [N]. turns:
    signed turns of the load adjuster; None when the load for one turn is not known. within: whether the
    wanted setting lies within the adjustability. nearest_setting: the setting nearest to the wanted one
    that does.
    """

    change: float
    load_change_n: float
    turns: float | None
    within: bool
    nearest_setting: float


def load_adjustment(
    calibrated_load_n: float,
    setting: float,
    wanted: float,
    adjustability_lower: float,
    adjustability_raise: float,
    load_per_turn_n: float | None,
) -> LoadAdjustment:
    """How far a constant support's load adjuster has to go from one setting to another.

    Settings are shares of the calibrated load: 0 as calibrated, 0.03 three per cent above.

    Args:
        calibrated_load_n: calibrated load of the assembly, > 0 [N]
        setting: setting now
        wanted: setting wanted
        adjustability_lower: how far below the calibrated load it can be set, >= 0
        adjustability_raise: how far above, >= 0
        load_per_turn_n: change of load for one turn of the load adjuster, > 0; None when not known [N]

    Returns:
        the change

    Source: adjustability of at least 10 per cent either way: MSS SP-58 (from memory), GB/T 17116.1
    (seen on a secondary page). The limits of the record rule.
    """
    require_positive(calibrated_load_n=calibrated_load_n)
    change = wanted - setting
    load_change = change * calibrated_load_n
    turns: float | None = None
    if load_per_turn_n is not None:
        require_positive(load_per_turn_n=load_per_turn_n)
        turns = load_change / load_per_turn_n
    within = at_least(wanted, -adjustability_lower) and at_most(wanted, adjustability_raise)
    return LoadAdjustment(
        change=change,
        load_change_n=load_change,
        turns=turns,
        within=within,
        nearest_setting=min(max(wanted, -adjustability_lower), adjustability_raise),
    )
