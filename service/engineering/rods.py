"""Hanger rods: what they carry, and how far they swing."""

from __future__ import annotations

import math

from service.errors import OutOfRange


def allowable_load_n(allowable_stress_pa: float, root_area_m2: float, rods: int = 1) -> float:
    """Load that the rods of one assembly may carry: stress on the root area of the thread.

    Args:
        allowable_stress_pa: allowable tension, reduction for threads included [Pa]
        root_area_m2: root area of one thread [m2]
        rods: number of rods that share the load equally

    Returns:
        load [N]

    Source: ASME B31.9 921.1.1(a) (root area); Facility Piping Systems Handbook Table 2.10.
    """
    return allowable_stress_pa * root_area_m2 * rods


def threaded_allowable_stress_pa(allowable_stress_pa: float, reduction: float) -> float:
    """Allowable tension of a threaded rod: the steel's allowable less the reduction for threads.

    Args:
        allowable_stress_pa: allowable tension of the steel [Pa]
        reduction: reduction as a ratio, 0.25 by the code [1]

    Returns:
        stress [Pa]

    Source: ASME B31.1 (2018) 121.2(g).
    """
    return allowable_stress_pa * (1.0 - reduction)


def swing_angle_rad(offset_m: float, length_m: float) -> float:
    """Angle of a rod from the vertical: atan(h/L).

    Args:
        offset_m: horizontal distance between the rod's pivots h, of either sign [m]
        length_m: length between the pivots measured along the vertical L, > 0 [m]

    Returns:
        angle, never negative [rad]

    Raises:
        OutOfRange: the length is not positive

    Source: geometry; the limit of 4 degrees is MSS SP-58 (from memory).
    """
    if not length_m > 0.0:
        raise OutOfRange("The length between the rod's pivots must be greater than zero.", length_m=length_m)
    return math.atan(abs(offset_m) / length_m)


def largest_swing_rad(movement_m: float, erected_offset_m: float, length_m: float) -> float:
    """Larger of the rod's angles cold and hot, when it was erected offset against the movement.

    Cold the rod stands off by the offset s, hot by |h - s|.

    Args:
        movement_m: horizontal movement between the pivots from cold to hot h, >= 0 [m]
        erected_offset_m: offset as erected against the movement s, >= 0 [m]
        length_m: length between the pivots, > 0 [m]

    Returns:
        angle [rad]

    Raises:
        OutOfRange: the length is not positive

    Source: geometry.
    """
    return max(
        swing_angle_rad(erected_offset_m, length_m), swing_angle_rad(movement_m - erected_offset_m, length_m)
    )


def rise_of_lower_end_m(angle_rad: float, length_m: float) -> float:
    """Rise of a swinging rod's lower end: L (1 - cos theta).

    Args:
        angle_rad: angle from the vertical [rad]
        length_m: length between the pivots [m]

    Returns:
        rise, up positive [m]

    Source: geometry.
    """
    return length_m * (1.0 - math.cos(angle_rad))


def horizontal_force_n(load_n: float, angle_rad: float) -> float:
    """Horizontal force of a swinging rod: F tan(theta).

    Args:
        load_n: vertical load F [N]
        angle_rad: angle from the vertical [rad]

    Returns:
        force [N]

    Source: mechanics.
    """
    return load_n * math.tan(angle_rad)
