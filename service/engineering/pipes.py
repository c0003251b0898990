"""Pipes: sizes by the standard, masses, and the properties of their steels over temperature."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

from service.engineering.tables.pipes import Points, mean_expansions, moduli, pipe_sizes
from service.errors import OutOfRange

PipeSteel = Literal["carbon_steel", "low_chrome", "chrome_9"]

STEEL_DENSITY_KG_PER_M3: Final = 7850.0
"""Density of pipe steel [kg/m^3]. Source: ASME B36.10M, whose masses are 0.0246615 (D - t) t kg/m."""

STEEL_POISSONS_RATIO: Final = 0.3
"""Poisson's ratio of steel [1]. Source: 0.3 at all temperatures, ASME B31.3 319.3.3 (from memory)."""


@dataclass(frozen=True)
class PipeSize:
    """Dimensions of a pipe. outside_diameter_m, wall_m: nominal [m]."""

    outside_diameter_m: float
    wall_m: float


def standard_pipe(nominal_size: str, schedule: str) -> PipeSize:
    """The dimensions of a pipe by its nominal size and schedule or weight class.

    Args:
        nominal_size: NPS as `12`, `2 1/2` or `3/4`
        schedule: as `80`, `STD` or `XS`; a pipe without that schedule in the table is refused

    Returns:
        its dimensions

    Raises:
        OutOfRange: no such size, or no such schedule of it; fact `accepted` lists what there is

    Source: ASME B36.10M, as tables/pipe_sizes.csv says.
    """
    sizes = pipe_sizes().get(nominal_size)
    if sizes is None:
        raise OutOfRange(
            f"The table has no nominal size {nominal_size}.", part="nominal_size", accepted=list(pipe_sizes())
        )
    if schedule not in sizes:
        raise OutOfRange(
            f"The table has no schedule {schedule} of nominal size {nominal_size}.",
            part="schedule",
            accepted=list(sizes),
        )
    diameter_mm, wall_mm = sizes[schedule]
    return PipeSize(diameter_mm / 1000.0, wall_mm / 1000.0)


def pipe_mass_kg_per_m(outside_diameter_m: float, wall_m: float, density_kg_per_m3: float) -> float:
    """Mass of a pipe for each metre: pi (D - t) t rho.

    Args:
        outside_diameter_m: outside diameter D [m]
        wall_m: wall t [m]
        density_kg_per_m3: density of its material rho [kg/m^3]

    Returns:
        mass [kg/m]

    Source: geometry; with 7850 kg/m^3 it is the formula of ASME B36.10M.
    """
    return math.pi * (outside_diameter_m - wall_m) * wall_m * density_kg_per_m3


def bore_area_m2(outside_diameter_m: float, wall_m: float) -> float:
    """Area of a pipe's bore: pi/4 (D - 2 t)^2.

    Args:
        outside_diameter_m: outside diameter D [m]
        wall_m: wall t, at most D/2 [m]

    Returns:
        area [m^2]

    Source: geometry.
    """
    return math.pi / 4.0 * (outside_diameter_m - 2.0 * wall_m) ** 2


def modulus_pa(steel: PipeSteel, temperature_k: float) -> float:
    """Modulus of elasticity of a pipe steel, linear between the temperatures of the table.

    Args:
        steel: which table
        temperature_k: metal temperature [K]

    Returns:
        modulus [Pa]

    Raises:
        OutOfRange: the table does not reach the temperature; facts give its range

    Source: ASME B31.1 Table C-1 and II-D Table TM-1 (from memory), as tables/elastic_moduli.csv says.
    """
    return _between(moduli(steel), temperature_k)


def expansion(steel: PipeSteel, cold_k: float, hot_k: float) -> float:
    """Thermal strain of a pipe steel from cold to hot, positive where it grows.

    With the mean coefficient a(T) from a reference temperature T0, linear between the temperatures of the
    table: a(hot) (hot - T0) - a(cold) (cold - T0).

    Args:
        steel: which table
        cold_k: metal temperature cold [K]
        hot_k: metal temperature hot [K]

    Returns:
        strain [1]

    Raises:
        OutOfRange: the table does not reach a temperature; facts give its range

    Source: ASME II-D Table TE-1; for 9 % chromium EN 10216-2 (from memory), as the tables say.
    """
    reference_k, points = mean_expansions(steel)
    return _between(points, hot_k) * (hot_k - reference_k) - _between(points, cold_k) * (cold_k - reference_k)


def _between(points: Points, temperature_k: float) -> float:
    """Linear interpolation; nothing is carried on beyond the ends."""
    low_k, high_k = points[0][0], points[-1][0]
    # A temperature converted from another scale may miss the end of the table by rounding alone.
    if not low_k - 1e-9 <= temperature_k <= high_k + 1e-9:
        raise OutOfRange(
            f"The table of this material runs from {low_k - 273.15:.0f} to {high_k - 273.15:.0f} degC.",
            temperature_k=temperature_k,
            low_k=low_k,
            high_k=high_k,
        )
    for (first_k, first), (second_k, second) in pairwise(points):
        if temperature_k <= second_k:
            return first + (second - first) * (temperature_k - first_k) / (second_k - first_k)
    return points[-1][1]
