"""Checks of the design data, in SI."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from service.engineering import rods, springs
from service.engineering.checks.verdicts import Verdict, between, lower, upper
from service.engineering.comparison import at_most


def variability_of_spring(rate_n_per_m: float, movement_m: float, hot_load_n: float, limit: float) -> Verdict:
    """Variability of a variable spring against its limit.

    Args:
        rate_n_per_m: spring rate [N/m]
        movement_m: design movement, cold to hot, up positive; the sign does not matter [m]
        hot_load_n: spring load in operation [N]
        limit: largest variability [1]

    Returns:
        verdict, as ratios [1]

    Raises:
        OutOfRange: the hot load is not positive

    Source: ASME B31.1 121.7.3(D), MSS SP-58 (from memory).
    """
    return upper(springs.variability(rate_n_per_m, movement_m, hot_load_n), limit)


def constant_deviation(deviation: float, friction: float | None, limit: float) -> Verdict:
    """Deviation of a constant support, friction included, against its limit.

    Args:
        deviation: certified deviation, friction included [1]
        friction: half width of the friction band, which the deviation cannot be below; or None [1]
        limit: largest deviation [1]

    Returns:
        verdict, as ratios [1]

    Source: ASME III Subsection NF as stated in NRC Information Notice 2009-04.
    """
    return upper(deviation if friction is None else max(deviation, friction), limit)


def total_travel(total_m: float, movement_m: float, share: float, least_m: float) -> Verdict:
    """Total travel of a constant support against design movement plus allowance.

    Args:
        total_m: total travel [m]
        movement_m: design movement, of either sign [m]
        share: allowance as a share of the movement [1]
        least_m: least allowance [m]

    Returns:
        verdict [m]

    Source: MSS SP-58 (from memory).
    """
    return lower(total_m, springs.required_total_travel_m(movement_m, share, least_m))


def travel_reserve(
    positions_m: Sequence[float], end_m: float, travel_m: float, share: float, least_m: float
) -> Verdict:
    """Least reserve to one end of travel over the positions that the spring takes.

    Args:
        positions_m: positions, on the indicator's scale; at least one [m]
        end_m: position of this end of travel; positions beyond it have a negative reserve [m]
        travel_m: whole travel, signed: positive for the end at the high side of the scale, negative for
            the end at its low side [m]
        share: required reserve as a share of the travel [1]
        least_m: least required reserve [m]

    Returns:
        verdict [m]: less than the required reserve is for attention, none at all fails

    Source: common practice, no source.
    """
    sign = 1.0 if travel_m >= 0.0 else -1.0
    found_m = min(sign * (end_m - position_m) for position_m in positions_m)
    scale_m = max(abs(end_m), *(abs(position_m) for position_m in positions_m))
    verdict = lower(
        found_m, springs.required_reserve_m(travel_m, share, least_m), attention=-math.inf, scale=scale_m
    )
    if at_most(found_m, 0.0, scale=scale_m):
        return replace(verdict, status="fail")
    return verdict


def working_range(
    load_n: float, minimum_n: float, maximum_n: float, rate_n_per_m: float, share: float, least_m: float
) -> Verdict:
    """A spring's load against its working range, with a reserve at each end.

    Args:
        load_n: spring load [N]
        minimum_n: least load of the range [N]
        maximum_n: largest load of the range [N]
        rate_n_per_m: spring rate, which turns the reserve into a load [N/m]
        share: required reserve as a share of the range [1]
        least_m: least required reserve [m]

    Returns:
        verdict; the limits are the range's ends less the reserve [N]. Without the reserve it is for
        attention, outside the range it fails

    Source: common practice, no source.
    """
    reserve_n = max(share * (maximum_n - minimum_n), least_m * rate_n_per_m)
    return between(
        load_n,
        minimum_n + reserve_n,
        maximum_n - reserve_n,
        minimum_n,
        maximum_n,
        scale=max(abs(minimum_n), abs(maximum_n)),
    )


def agreement(found: float, expected: float, limit: float) -> Verdict:
    """Relative difference of two figures that should agree.

    Args:
        found: one figure, any unit
        expected: the other, same unit; the difference is reckoned on it, or on the found one where it
            is zero
        limit: largest difference [1]

    Returns:
        verdict, as ratios [1]; equal figures differ by zero, zeros included

    Source: common practice, no source.
    """
    if found == expected:
        return upper(0.0, limit)
    base = abs(expected) if expected != 0.0 else abs(found)
    return upper(abs(found - expected) / base, limit, scale=1.0)


def lengths_agree(found_m: float, expected_m: float, share: float, least_m: float) -> Verdict:
    """Difference of two lengths or movements that should agree; a wrong sign does not pass.

    Args:
        found_m: one length, signed where the sign has a meaning [m]
        expected_m: the other [m]
        share: largest difference as a share of the expected [1]
        least_m: difference that is always allowed [m]

    Returns:
        verdict [m]

    Source: common practice, no source.
    """
    allowed_m = max(share * abs(expected_m), least_m)
    return upper(abs(found_m - expected_m), allowed_m, scale=max(abs(found_m), abs(expected_m)))


def rod_load(load_n: float, stress_pa: float, root_area_m2: float, number: int) -> Verdict:
    """Load of the rods of one assembly against what they may carry on the root area.

    Args:
        load_n: load of the assembly [N]
        stress_pa: allowable tension, reduction for threads included [Pa]
        root_area_m2: root area of one thread [m2]
        number: rods of the assembly

    Returns:
        verdict [N]

    Source: ASME B31.9 921.1.1(a); ASME B31.1 121.2.
    """
    return upper(load_n, rods.allowable_load_n(stress_pa, root_area_m2, number))


def rod_swing(movement_m: float, erected_offset_m: float, length_m: float, limit_rad: float) -> Verdict:
    """Largest angle of a rod, cold or hot, against its limit.

    Args:
        movement_m: horizontal movement between the pivots, cold to hot [m]
        erected_offset_m: offset as erected against the movement [m]
        length_m: length between the pivots [m]
        limit_rad: largest angle [rad]

    Returns:
        verdict [rad]

    Raises:
        OutOfRange: the length is not positive

    Source: MSS SP-58 (from memory).
    """
    return upper(rods.largest_swing_rad(movement_m, erected_offset_m, length_m), limit_rad)


def engagement(length_m: float, least_m: float) -> Verdict:
    """Thread engagement against the least allowed.

    Args:
        length_m: length of thread inside the adjuster [m]
        least_m: least allowed [m]

    Returns:
        verdict [m]

    Source: ASME B31.3 (2016) 321.1.5: full length of internal thread; the length is the drawing's.
    """
    return lower(length_m, least_m)
