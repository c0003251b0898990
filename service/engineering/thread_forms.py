"""Areas of screw threads from diameter and pitch, by the formulas of the thread standards."""

from __future__ import annotations

import math


def unified_root_area_m2(diameter_m: float, pitch_m: float) -> float:
    """Root area of a Unified external thread: pi/4 (D - 1.2990/n)^2 with 1/n the pitch.

    Args:
        diameter_m: basic major diameter D [m]
        pitch_m: pitch 1/n, smaller than D/1.3 [m]

    Returns:
        area [m2]

    Source: ASME B1.1 (from memory); the values match a published rod table for 3/8 to 1 1/8 in.
    """
    return math.pi / 4.0 * (diameter_m - 1.2990 * pitch_m) ** 2


def unified_stress_area_m2(diameter_m: float, pitch_m: float) -> float:
    """Tensile stress area of a Unified external thread: pi/4 (D - 0.9743/n)^2 with 1/n the pitch.

    Args:
        diameter_m: basic major diameter D [m]
        pitch_m: pitch 1/n, smaller than D [m]

    Returns:
        area [m2]

    Source: ASME B1.1 (from memory); the values match published tables for 3/8 to 1 1/8 in.
    """
    return math.pi / 4.0 * (diameter_m - 0.9743 * pitch_m) ** 2


def metric_root_area_m2(diameter_m: float, pitch_m: float) -> float:
    """Area at the minor diameter of an ISO metric external thread: pi/4 d3^2, d3 = d - 1.226869 P.

    Args:
        diameter_m: nominal diameter d [m]
        pitch_m: pitch P, smaller than d/1.23 [m]

    Returns:
        area [m2]

    Source: ISO 724 (d3); the formula is repeated in the head of the table file.
    """
    return math.pi / 4.0 * (diameter_m - 1.226869 * pitch_m) ** 2


def metric_stress_area_m2(diameter_m: float, pitch_m: float) -> float:
    """Nominal stress area of an ISO metric thread: pi/4 ((d2 + d3)/2)^2, d2 = d - 0.649519 P.

    Args:
        diameter_m: nominal diameter d [m]
        pitch_m: pitch P, smaller than d [m]

    Returns:
        area [m2]

    Source: ISO 898-1, with d2 and d3 of ISO 724.
    """
    mean_m = diameter_m - (0.649519 + 1.226869) / 2.0 * pitch_m
    return math.pi / 4.0 * mean_m**2
