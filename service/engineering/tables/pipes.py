"""The tables of pipe sizes and pipe materials, verified when they are loaded."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from types import MappingProxyType

from service.engineering.tables.loader import Table, TableError, load_table
from service.units import Dimension, to_si

# A row of a size: outside diameter and wall, millimetres.
Size = tuple[float, float]
# Points of a property over temperature: kelvin, and the property in SI.
Points = tuple[tuple[float, float], ...]

_MASS_FACTOR = 0.0246615  # kg/m for mm^2: pi * 7850 kg/m3 * 1e-6


def check_sizes(table: Table, name: str) -> None:
    """Compares each listed mass with (D - t) t, and each wall with half of its diameter.

    The head's `tolerance` is in units of the last place of the listed mass: 0.5 is plain rounding.

    Raises:
        TableError: a mass that the dimensions do not give, or a wall that leaves no bore
    """
    for cells in table.rows:
        row = table.numbers(cells)
        diameter, wall = row["outside_diameter_mm"], row["wall_mm"]
        if not 0.0 < wall < diameter / 2.0:
            raise TableError(f"{name}: {cells['pipe']} has no bore")
        if "mass_kg_per_m" not in row:
            continue
        computed = _MASS_FACTOR * (diameter - wall) * wall
        if abs(row["mass_kg_per_m"] - computed) > (float(table.head["tolerance"]) + 1e-3) * 0.01:
            raise TableError(f"{name}: {cells['pipe']} weighs {computed:.3f} kg/m by its dimensions")


@cache
def pipe_table() -> Table:
    """Pipe by nominal size and schedule; dimensions in millimetres."""
    table = load_table("pipe_sizes.csv")
    check_sizes(table, "pipe_sizes.csv")
    return table


@cache
def pipe_sizes() -> Mapping[str, Mapping[str, Size]]:
    """Outside diameter and wall in millimetres, by nominal size and then by schedule."""
    found: dict[str, dict[str, Size]] = {}
    for row in pipe_table().rows:
        size = (float(row["outside_diameter_mm"]), float(row["wall_mm"]))
        found.setdefault(row["nominal_size"], {})[row["schedule"]] = size
    return MappingProxyType({name: MappingProxyType(sizes) for name, sizes in found.items()})


@cache
def moduli(material: str) -> Points:
    """Modulus of elasticity of `carbon_steel`, `low_chrome` or `chrome_9`: temperature [K], modulus [Pa]."""
    return tuple(
        (to_si(float(row["temperature_c"]), "degC", Dimension.TEMPERATURE), float(row[material]) * 1e9)
        for row in load_table("elastic_moduli.csv").rows
        if row[material]
    )


@cache
def mean_expansions(material: str) -> tuple[float, Points]:
    """Mean expansion: temperature from which it is reckoned [K]; temperatures [K] and coefficients [1/K]."""
    if material == "chrome_9":
        name, unit, column, per, start = "expansion_chrome_9.csv", "degC", "temperature_c", "1/K", 20.0
        values = "mean_per_k_millionth"
    else:
        name, unit, column, per, start = (
            "expansion_carbon_low_chrome.csv",
            "degF",
            "temperature_f",
            "1/degF",
            70.0,
        )
        values = "mean_per_f_millionth"
    points = tuple(
        (
            to_si(float(row[column]), unit, Dimension.TEMPERATURE),
            to_si(float(row[values]) * 1e-6, per, Dimension.EXPANSION),
        )
        for row in load_table(name).rows
    )
    return to_si(start, unit, Dimension.TEMPERATURE), points
