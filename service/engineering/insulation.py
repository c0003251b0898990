"""Insulation and jacketing of pipes: what they weigh."""

from __future__ import annotations

import math


def insulation_mass_kg_per_m(
    outside_diameter_m: float, thickness_m: float, density_kg_per_m3: float
) -> float:
    """Mass of the insulation for each metre of pipe: pi/4 ((D + 2 t)^2 - D^2) rho.

    Exact along the centre line of a bend too (Pappus).

    Args:
        outside_diameter_m: outside diameter of the pipe D [m]
        thickness_m: thickness of the insulation t [m]
        density_kg_per_m3: density as installed rho [kg/m^3]

    Returns:
        mass [kg/m]

    Source: geometry.
    """
    outer_m = outside_diameter_m + 2.0 * thickness_m
    return math.pi / 4.0 * (outer_m**2 - outside_diameter_m**2) * density_kg_per_m3


def jacketing_mass_kg_per_m(
    outside_diameter_m: float, thickness_m: float, mass_kg_per_m2: float, allowance: float
) -> float:
    """Mass of the jacketing for each metre of pipe: pi (D + 2 t) m (1 + a).

    Args:
        outside_diameter_m: outside diameter of the pipe D [m]
        thickness_m: thickness of the insulation under the jacketing t [m]
        mass_kg_per_m2: mass of the plain sheet m [kg/m^2]
        allowance: what laps, bands and fasteners add, as a share of it a; 0.05 to 0.1 is usual [1]

    Returns:
        mass [kg/m]

    Source: geometry; the allowance is common practice, no source.
    """
    return math.pi * (outside_diameter_m + 2.0 * thickness_m) * mass_kg_per_m2 * (1.0 + allowance)
