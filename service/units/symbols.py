"""The allow-list: every unit that a caller may write, by dimension.

Each entry has the symbol as the trade writes it, its code in the Unified Code for Units of
Measure (UCUM) as a second accepted spelling, and the definition from which the one registry
makes the factor. A symbol may stand in two dimensions (a stress and a pressure share MPa);
the dimension that the caller's field wants decides which is meant.

Whatever is not here is refused: no string of a caller is ever parsed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from types import MappingProxyType


class Dimension(Enum):
    """What a quantity measures. The comment gives the SI unit in which the inside reckons."""

    FORCE = "force"  # N
    LENGTH = "length"  # m
    STIFFNESS = "stiffness"  # N/m
    STRESS = "stress"  # Pa
    PRESSURE = "pressure"  # Pa
    TEMPERATURE = "temperature"  # K, a reading on a scale and never a difference
    RATIO = "ratio"  # 1, the whole is 1
    ANGLE = "angle"  # rad
    MASS = "mass"  # kg
    DENSITY = "density"  # kg/m3
    AREA = "area"  # m2
    MOMENT = "moment"  # N*m; the joule is refused, a moment is no energy
    MASS_PER_AREA = "mass_per_area"  # kg/m2
    EXPANSION = "expansion"  # 1/K, strain for one degree of difference

    # Members are single objects; hashing them as such spares the look-ups of the door a detour.
    __hash__ = object.__hash__


@dataclass(frozen=True)
class Symbol:
    """One accepted unit: as the trade writes it, as UCUM writes it, and its definition.

    definition: the unit as the registry knows it. scale: `ratio` for a unit whose zero is the SI
    zero, `offset` for a temperature scale.
    """

    trade: str
    ucum: str
    definition: str
    scale: str = "ratio"


SI_DEFINITION: Mapping[Dimension, str] = MappingProxyType(
    {
        Dimension.FORCE: "newton",
        Dimension.LENGTH: "meter",
        Dimension.STIFFNESS: "newton/meter",
        Dimension.STRESS: "pascal",
        Dimension.PRESSURE: "pascal",
        Dimension.TEMPERATURE: "kelvin",
        Dimension.RATIO: "dimensionless",
        Dimension.ANGLE: "radian",
        Dimension.MASS: "kilogram",
        Dimension.DENSITY: "kilogram/meter**3",
        Dimension.AREA: "meter**2",
        Dimension.MOMENT: "newton*meter",
        Dimension.MASS_PER_AREA: "kilogram/meter**2",
        Dimension.EXPANSION: "1/kelvin",
    }
)

_STRESS_AND_PRESSURE = (
    Symbol("MPa", "MPa", "megapascal"),
    Symbol("kPa", "kPa", "kilopascal"),
    Symbol("Pa", "Pa", "pascal"),
    Symbol("psi", "[psi]", "pound_force_per_square_inch"),
)

SYMBOLS: Mapping[Dimension, tuple[Symbol, ...]] = MappingProxyType(
    {
        Dimension.FORCE: (
            Symbol("N", "N", "newton"),
            Symbol("kN", "kN", "kilonewton"),
            Symbol("MN", "MN", "meganewton"),
            Symbol("lbf", "[lbf_av]", "pound_force"),
            Symbol("kgf", "kgf", "kilogram_force"),
        ),
        Dimension.LENGTH: (
            Symbol("mm", "mm", "millimeter"),
            Symbol("cm", "cm", "centimeter"),
            Symbol("m", "m", "meter"),
            Symbol("in", "[in_i]", "inch"),
            Symbol("ft", "[ft_i]", "foot"),
        ),
        Dimension.STIFFNESS: (
            Symbol("N/mm", "N/mm", "newton/millimeter"),
            Symbol("N/m", "N/m", "newton/meter"),
            Symbol("kN/m", "kN/m", "kilonewton/meter"),
            Symbol("kN/mm", "kN/mm", "kilonewton/millimeter"),
            Symbol("lbf/in", "[lbf_av]/[in_i]", "pound_force/inch"),
            Symbol("lbf/ft", "[lbf_av]/[ft_i]", "pound_force/foot"),
            Symbol("kgf/mm", "kgf/mm", "kilogram_force/millimeter"),
        ),
        Dimension.STRESS: (
            *_STRESS_AND_PRESSURE,
            Symbol("N/mm2", "N/mm2", "newton/millimeter**2"),
            Symbol("ksi", "k[psi]", "kip/inch**2"),
        ),
        Dimension.PRESSURE: (*_STRESS_AND_PRESSURE, Symbol("bar", "bar", "bar")),
        Dimension.TEMPERATURE: (
            Symbol("degC", "Cel", "degC", scale="offset"),
            Symbol("degF", "[degF]", "degF", scale="offset"),
            Symbol("K", "K", "kelvin", scale="offset"),
        ),
        Dimension.RATIO: (Symbol("%", "%", "percent"), Symbol("1", "1", "dimensionless")),
        Dimension.ANGLE: (Symbol("deg", "deg", "degree"), Symbol("rad", "rad", "radian")),
        Dimension.MASS: (
            Symbol("kg", "kg", "kilogram"),
            Symbol("t", "t", "metric_ton"),
            Symbol("lb", "[lb_av]", "pound"),
        ),
        Dimension.DENSITY: (
            Symbol("kg/m3", "kg/m3", "kilogram/meter**3"),
            Symbol("lb/ft3", "[lb_av]/[ft_i]3", "pound/foot**3"),
        ),
        Dimension.AREA: (
            Symbol("mm2", "mm2", "millimeter**2"),
            Symbol("cm2", "cm2", "centimeter**2"),
            Symbol("m2", "m2", "meter**2"),
            Symbol("in2", "[in_i]2", "inch**2"),
        ),
        Dimension.MOMENT: (
            Symbol("N*m", "N.m", "newton*meter"),
            Symbol("kN*m", "kN.m", "kilonewton*meter"),
            Symbol("lbf*ft", "[lbf_av].[ft_i]", "pound_force*foot"),
            Symbol("lbf*in", "[lbf_av].[in_i]", "pound_force*inch"),
        ),
        Dimension.MASS_PER_AREA: (
            Symbol("kg/m2", "kg/m2", "kilogram/meter**2"),
            Symbol("lb/ft2", "[lb_av]/[ft_i]2", "pound/foot**2"),
        ),
        Dimension.EXPANSION: (
            Symbol("1/K", "1/K", "1/kelvin"),
            Symbol("1/degF", "1/[degF]", "1/delta_degree_Fahrenheit"),
        ),
    }
)

# The units in which the service answers, by system. Both lists name every dimension.
PREFERRED: Mapping[str, Mapping[Dimension, str]] = MappingProxyType(
    {
        "si": MappingProxyType(
            {
                Dimension.FORCE: "kN",
                Dimension.LENGTH: "mm",
                Dimension.STIFFNESS: "N/mm",
                Dimension.STRESS: "MPa",
                Dimension.PRESSURE: "MPa",
                Dimension.TEMPERATURE: "degC",
                Dimension.RATIO: "%",
                Dimension.ANGLE: "deg",
                Dimension.MASS: "kg",
                Dimension.DENSITY: "kg/m3",
                Dimension.AREA: "mm2",
                Dimension.MOMENT: "kN*m",
                Dimension.MASS_PER_AREA: "kg/m2",
                Dimension.EXPANSION: "1/K",
            }
        ),
        "us": MappingProxyType(
            {
                Dimension.FORCE: "lbf",
                Dimension.LENGTH: "in",
                Dimension.STIFFNESS: "lbf/in",
                Dimension.STRESS: "psi",
                Dimension.PRESSURE: "psi",
                Dimension.TEMPERATURE: "degF",
                Dimension.RATIO: "%",
                Dimension.ANGLE: "deg",
                Dimension.MASS: "lb",
                Dimension.DENSITY: "lb/ft3",
                Dimension.AREA: "in2",
                Dimension.MOMENT: "lbf*ft",
                Dimension.MASS_PER_AREA: "lb/ft2",
                Dimension.EXPANSION: "1/degF",
            }
        ),
    }
)

# Mass units that sites write where a force is meant: they get the hint instead of a bare refusal.
MASS_SPELLINGS: frozenset[str] = frozenset(
    {"kg", "t", "lb", "[lb_av]", "g", "lbs", "lbm", "tonne", "tonnes", "ton", "tons", "kgs"}
)
MASS_RATE_SPELLINGS: frozenset[str] = frozenset(
    {"kg/mm", "kg/cm", "kg/m", "lb/in", "lb/ft", "lbs/in", "[lb_av]/[in_i]", "[lb_av]/[ft_i]"}
)
