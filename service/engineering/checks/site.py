"""Checks of what was measured on site and read on the scales, in SI."""

from __future__ import annotations

from service.engineering import rods
from service.engineering.checks.verdicts import Verdict, between, lower, upper


def dimension_as_drawn(found_m: float, nominal_m: float, plus_m: float, minus_m: float) -> Verdict:
    """A measured dimension between its drawn limits.

    Args:
        found_m: as measured [m]
        nominal_m: as drawn [m]
        plus_m: tolerance above, >= 0 [m]
        minus_m: tolerance below, >= 0 [m]

    Returns:
        verdict [m]

    Source: the drawing.
    """
    return between(found_m, nominal_m - minus_m, nominal_m + plus_m, scale=nominal_m)


def elevation(found_m: float, design_m: float, accept_m: float, limit_m: float) -> Verdict:
    """Elevation of the pipe at the support off its design elevation, of either sign.

    Args:
        found_m: as measured, above the datum, up positive [m]
        design_m: as drawn, above the same datum [m]
        accept_m: accepted up to here [m]
        limit_m: investigated up to here [m]

    Returns:
        verdict on the size of the difference [m]

    Source: common practice, no source.
    """
    scale_m = max(abs(found_m), abs(design_m))
    return upper(abs(found_m - design_m), accept_m, limit_m, scale=scale_m)


def rod_off_drawn(offset_m: float, drawn_m: float, length_m: float, limit_rad: float) -> Verdict:
    """Angle between a rod as found and as drawn.

    Args:
        offset_m: horizontal offset between the rod's ends as measured, >= 0 [m]
        drawn_m: offset as drawn, 0 for a plumb rod [m]
        length_m: length between the pivots, > 0 [m]
        limit_rad: largest angle [rad]

    Returns:
        verdict [rad]

    Raises:
        OutOfRange: the length is not positive

    Source: common practice, no source.
    """
    return upper(rods.swing_angle_rad(offset_m - drawn_m, length_m), limit_rad)


def load_off_expected(load_n: float, expected_n: float, accept: float, limit: float | None = None) -> Verdict:
    """A load off the expected one, of either sign, as a share of the expected one.

    Args:
        load_n: load [N]
        expected_n: load expected, > 0 [N]
        accept: accepted up to here [1]
        limit: investigated up to here; None where there is no such zone [1]

    Returns:
        verdict on the size of the difference [1]

    Source: common practice, no source.
    """
    # The difference of two loads carries their rounding; it is compared on the scale of the whole.
    return upper(abs(load_n - expected_n) / expected_n, accept, limit, scale=1.0)


def position_off_expected(
    position_m: float, expected_m: float, movement_m: float, share: float, least_m: float, factor: float
) -> Verdict:
    """A position off the expected reading, of either sign.

    Args:
        position_m: reading [m]
        expected_m: reading expected [m]
        movement_m: design movement; the sign does not matter [m]
        share: accepted difference as a share of the movement [1]
        least_m: accepted difference at least [m]
        factor: up to this many times the accepted difference is investigated, >= 1 [1]

    Returns:
        verdict on the size of the difference [m]

    Source: common practice, no source.
    """
    accept_m = max(share * abs(movement_m), least_m)
    scale_m = max(abs(position_m), abs(expected_m))
    return upper(abs(position_m - expected_m), accept_m, factor * accept_m, scale=scale_m)


def travel_direction(measured_m: float, design_m: float) -> Verdict:
    """Direction of the measured travel: the part of it that goes the design's way, against zero.

    Args:
        measured_m: measured travel, cold to hot, up positive [m]
        design_m: design movement, cold to hot, up positive, not zero [m]

    Returns:
        verdict [m]: found is positive when both go the same way; a support that did not move fails too,
        since its limit is the comparison's slack above zero

    Source: common practice, no source.
    """
    along_m = measured_m if design_m > 0.0 else -measured_m
    if along_m > 0.0:
        return lower(along_m, 0.0)
    return Verdict("fail", along_m, 0.0, along_m)


def travel_ratio(
    measured_m: float,
    design_m: float,
    low: float,
    high: float,
    attention_low: float,
    attention_high: float,
) -> Verdict:
    """Measured travel over design movement, signed: the wrong direction is a negative ratio and fails.

    Args:
        measured_m: measured travel, cold to hot, up positive [m]
        design_m: design movement, cold to hot, up positive, not zero [m]
        low: accepted from here [1]
        high: accepted up to here [1]
        attention_low: investigated from here [1]
        attention_high: investigated up to here [1]

    Returns:
        verdict, as ratios [1]

    Source: common practice, no source.
    """
    return between(measured_m / design_m, low, high, attention_low, attention_high, scale=1.0)
