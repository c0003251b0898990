"""Pieces of a line model in SI: materials, pipes, insulations, contents."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, cast

from service.domain.line_models.faults import Faults, Named
from service.engineering.contents import saturated_density_kg_per_m3, water_density_kg_per_m3
from service.engineering.frames.sections import Section, pipe_section
from service.engineering.insulation import insulation_mass_kg_per_m, jacketing_mass_kg_per_m
from service.engineering.pipes import (
    STEEL_DENSITY_KG_PER_M3,
    STEEL_POISSONS_RATIO,
    PipeSteel,
    bore_area_m2,
    expansion,
    modulus_pa,
    pipe_mass_kg_per_m,
    standard_pipe,
)
from service.errors import OutOfRange
from service.units import Dimension, quantity_to_si

EMPTY: Final = "empty"
_GIVEN = ("modulus_cold", "modulus_hot", "mean_expansion", "poissons_ratio", "density")


def si(entry: Mapping[str, Any], name: str, dimension: Dimension) -> float | None:
    """A quantity of an entry in SI; None where it is not stated."""
    return quantity_to_si(entry[name], dimension) if name in entry else None


@dataclass(frozen=True)
class Material:
    """A material. table: name of its table, None where everything is given; given values go before it."""

    place: int
    table: PipeSteel | None
    modulus_cold_pa: float | None
    modulus_hot_pa: float | None
    mean_expansion_per_k: float | None
    poissons_ratio: float
    density_kg_per_m3: float

    def cold_pa(self, cold_k: float) -> float:
        """Modulus cold [Pa]. Errors: OutOfRange from its table."""
        if self.modulus_cold_pa is not None:
            return self.modulus_cold_pa
        return modulus_pa(cast("PipeSteel", self.table), cold_k)

    def hot_pa(self, hot_k: float) -> float:
        """Modulus hot [Pa]. Errors: OutOfRange from its table."""
        if self.modulus_hot_pa is not None:
            return self.modulus_hot_pa
        return modulus_pa(cast("PipeSteel", self.table), hot_k)

    def strain(self, cold_k: float, hot_k: float) -> float:
        """Thermal strain from cold to hot, positive where it grows [1]. Errors: OutOfRange from its table."""
        if self.mean_expansion_per_k is not None:
            return self.mean_expansion_per_k * (hot_k - cold_k)
        return expansion(cast("PipeSteel", self.table), cold_k, hot_k)


@dataclass(frozen=True)
class Pipe:
    """A pipe. outside_diameter_m, wall_m: [m]. mass_kg_per_m: of the metal. bore_m2: area of its bore."""

    outside_diameter_m: float
    wall_m: float
    material: Material
    section: Section
    mass_kg_per_m: float
    bore_m2: float


@dataclass(frozen=True)
class Cover:
    """An insulation with its jacketing. sheet_kg_per_m2: mass of the plain sheet; 0 without jacketing."""

    thickness_m: float
    density_kg_per_m3: float
    sheet_kg_per_m2: float
    allowance: float

    def insulation_kg_per_m(self, outside_diameter_m: float) -> float:
        """Mass of the insulation on a pipe [kg/m]."""
        return insulation_mass_kg_per_m(outside_diameter_m, self.thickness_m, self.density_kg_per_m3)

    def jacketing_kg_per_m(self, outside_diameter_m: float) -> float:
        """Mass of the jacketing on a pipe [kg/m]."""
        return jacketing_mass_kg_per_m(
            outside_diameter_m, self.thickness_m, self.sheet_kg_per_m2, self.allowance
        )


@dataclass(frozen=True)
class Pieces:
    """What segments are made of, by place in its list; a faulty piece is None.

    densities: of contents, by folded id [kg/m^3]; None where the contents are faulty.
    """

    pipes: tuple[Named, tuple[Pipe | None, ...]]
    covers: tuple[Named, tuple[Cover, ...]]
    densities: Mapping[str, float | None]


def read_pieces(model: Mapping[str, Any], faults: Faults) -> Pieces:
    """Materials, pipes, insulations and contents of a model; what is wrong with them is noted as faults."""
    named = Named(model, "materials", faults)
    materials = tuple(_material(place, entry, faults) for place, entry in named)
    pipes = Named(model, "pipes", faults)
    covers = Named(model, "insulations", faults)
    contents = Named(model, "contents", faults)
    densities: dict[str, float | None] = {EMPTY: 0.0}
    for place, entry in contents:
        if entry["id"].casefold() == EMPTY:
            faults.add(
                "reserved-id",
                "`empty` stands for no contents at all.",
                f"/contents/{place}/id",
                "another id",
            )
            continue
        densities.setdefault(entry["id"].casefold(), _density(place, entry, faults))
    return Pieces(
        (pipes, tuple(_pipe(place, entry, named, materials, faults) for place, entry in pipes)),
        (covers, tuple(_cover(entry) for _, entry in covers)),
        densities,
    )


def _material(place: int, entry: Mapping[str, Any], faults: Faults) -> Material | None:
    table = entry.get("table")
    lacking = [name for name in _GIVEN if name not in entry]
    if table is None and lacking:
        faults.add(
            "material-not-stated",
            f"The material names no table and does not state {', '.join(lacking)}.",
            f"/materials/{place}",
            f"`table`, or all of {', '.join(_GIVEN)}",
        )
        return None
    return Material(
        place,
        table,
        si(entry, "modulus_cold", Dimension.STRESS),
        si(entry, "modulus_hot", Dimension.STRESS),
        si(entry, "mean_expansion", Dimension.EXPANSION),
        entry.get("poissons_ratio", STEEL_POISSONS_RATIO),
        _or(si(entry, "density", Dimension.DENSITY), STEEL_DENSITY_KG_PER_M3),
    )


def _or(value: float | None, otherwise: float) -> float:
    return otherwise if value is None else value


def _pipe(
    place: int,
    entry: Mapping[str, Any],
    named: Named,
    materials: tuple[Material | None, ...],
    faults: Faults,
) -> Pipe | None:
    at = f"/pipes/{place}"
    found = named.refer(entry["material"], f"{at}/material")
    dimensions = _dimensions(at, entry, faults)
    material = None if found is None else materials[found]
    if material is None or dimensions is None:
        return None
    diameter, wall = dimensions
    if not wall <= diameter / 2.0 * (1.0 + 1e-12):
        faults.add(
            "wall-too-thick",
            "The wall is more than half of the outside diameter.",
            f"{at}/wall",
            f"at most {diameter / 2.0 * 1000.0:g} mm",
        )
        return None
    wall = min(wall, diameter / 2.0)
    try:
        section = pipe_section(diameter, wall, material.poissons_ratio)
    except OutOfRange as error:
        faults.add("no-pipe", error.detail, at, "a diameter and a wall above zero")
        return None
    return Pipe(
        diameter,
        wall,
        material,
        section,
        pipe_mass_kg_per_m(diameter, wall, material.density_kg_per_m3),
        bore_area_m2(diameter, wall),
    )


def _dimensions(at: str, entry: Mapping[str, Any], faults: Faults) -> tuple[float, float] | None:
    by_size = {"nominal_size", "schedule"} & entry.keys()
    by_dimensions = {"outside_diameter", "wall"} & entry.keys()
    if len(by_size) + len(by_dimensions) != 2 or (by_size and by_dimensions):
        faults.add(
            "pipe-not-stated",
            "A pipe is stated by nominal size and schedule, or by outside diameter and wall.",
            at,
            "`nominal_size` and `schedule`, or `outside_diameter` and `wall`",
        )
        return None
    if by_dimensions:
        return (
            quantity_to_si(entry["outside_diameter"], Dimension.LENGTH),
            quantity_to_si(entry["wall"], Dimension.LENGTH),
        )
    try:
        size = standard_pipe(entry["nominal_size"], entry["schedule"])
    except OutOfRange as error:
        faults.add("unknown-size", error.detail, f"{at}/{error.facts['part']}", error.facts["accepted"])
        return None
    return size.outside_diameter_m, size.wall_m


def _cover(entry: Mapping[str, Any]) -> Cover:
    jacketing = entry.get("jacketing", {})
    return Cover(
        quantity_to_si(entry["thickness"], Dimension.LENGTH),
        quantity_to_si(entry["density"], Dimension.DENSITY),
        _or(si(jacketing, "mass_per_area", Dimension.MASS_PER_AREA), 0.0),
        jacketing.get("laps_and_bands", 0.0),
    )


def _density(place: int, entry: Mapping[str, Any], faults: Faults) -> float | None:
    at = f"/contents/{place}"
    if ("density" in entry) == ("water" in entry):
        faults.add(
            "contents-not-stated", "Contents state a density or a state of water.", at, "`density` or `water`"
        )
        return None
    if "density" in entry:
        return quantity_to_si(entry["density"], Dimension.DENSITY)
    water = entry["water"]
    if ("pressure" in water) == ("saturated" in water):
        faults.add(
            "contents-not-stated",
            "A state of water is its temperature and either its pressure or that it is saturated.",
            f"{at}/water",
            "`temperature` with `pressure`, or `temperature` with `saturated`",
        )
        return None
    temperature = quantity_to_si(water["temperature"], Dimension.TEMPERATURE)
    try:
        if "saturated" in water:
            return saturated_density_kg_per_m3(temperature, water["saturated"])
        return water_density_kg_per_m3(temperature, quantity_to_si(water["pressure"], Dimension.PRESSURE))
    except OutOfRange as error:
        faults.add("state-out-of-range", error.detail, f"{at}/water", "a state within the formulation")
        return None
