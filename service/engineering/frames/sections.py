"""Pipe sections: what a round tube is to a beam."""

from __future__ import annotations

import math
from dataclasses import dataclass

from service.errors import OutOfRange


@dataclass(frozen=True)
class Section:
    """A round tube as a beam section.

    area_m2: metal area [m^2]. second_moment_m4: about any diameter [m^4]. torsion_m4: torsion constant [m^4].
    shear_area_m2: area that gives the same shear deformation at uniform stress [m^2].
    """

    area_m2: float
    second_moment_m4: float
    torsion_m4: float
    shear_area_m2: float


def pipe_section(outside_diameter_m: float, wall_m: float, poisson: float = 0.3) -> Section:
    """The section of a pipe.

    A = pi/4 (D^2 - d^2), I = pi/64 (D^4 - d^4), J = 2 I, and the shear area A kappa with

        kappa = 6 (1 + v) (1 + m^2)^2 / ((7 + 6 v)(1 + m^2)^2 + (20 + 12 v) m^2),   m = d/D

    Args:
        outside_diameter_m: outside diameter D, > 0 [m]
        wall_m: wall thickness, > 0 and at most D/2 [m]
        poisson: Poisson's ratio v [1]

    Returns:
        the section

    Raises:
        OutOfRange: the dimensions make no tube

    Source: mechanics; kappa: G. R. Cowper, "The shear coefficient in Timoshenko's beam theory", J. Appl.
    Mech. 33 (1966), hollow circle (from memory).
    """
    if not (outside_diameter_m > 0.0 and 0.0 < wall_m <= outside_diameter_m / 2.0):
        raise OutOfRange(
            "A pipe has a diameter above zero and a wall of at most half of it.",
            outside_diameter_m=outside_diameter_m,
            wall_m=wall_m,
        )
    bore_m = outside_diameter_m - 2.0 * wall_m
    ratio = (bore_m / outside_diameter_m) ** 2
    area = math.pi / 4.0 * (outside_diameter_m**2 - bore_m**2)
    second_moment = math.pi / 64.0 * (outside_diameter_m**4 - bore_m**4)
    kappa = (
        6.0
        * (1.0 + poisson)
        * (1.0 + ratio) ** 2
        / ((7.0 + 6.0 * poisson) * (1.0 + ratio) ** 2 + (20.0 + 12.0 * poisson) * ratio)
    )
    return Section(area, second_moment, 2.0 * second_moment, kappa * area)
