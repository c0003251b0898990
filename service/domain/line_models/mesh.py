"""The frame of a line model: elements along each segment, cold and hot."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, Final

import numpy as np

from service.domain.line_models.built import SegmentPlace
from service.domain.line_models.faults import Faults
from service.domain.line_models.geometry import Geometry, Segment
from service.domain.line_models.holding import Holding
from service.engineering.frames.bends import Bends
from service.engineering.frames.elements import Array, Indices, Straights
from service.engineering.frames.frame import Case, Frame
from service.errors import OutOfRange
from service.units import Dimension, quantity_to_si

# Elements are exact for uniform loads whatever their length; more of them only show the shape better.
_DIAMETERS_PER_ELEMENT: Final = 3.0
_ELEMENTS_OF_A_LINE: Final = 2000


@dataclass(frozen=True)
class Mesh:
    """The frame cold and hot, and where its parts are.

    of_straight, of_bend: which segment an element belongs to, by its place in `places`. strain: thermal
    strain of each segment from cold to hot, in the order of `places` [1].
    """

    cold: Frame
    hot: Frame
    places: Mapping[str, SegmentPlace]
    nodes: Mapping[str, int]
    of_straight: Indices
    of_bend: Indices
    strain: Array

    def lay(self, case: Case, weight_n: Array) -> None:
        """Adds the weight of every segment, in the order of `places`, to a case: downward, along it [N]."""
        load_n_per_m = weight_n / np.array([place.length_m for place in self.places.values()])
        case.straight_n_per_m[:, 2] -= load_n_per_m[self.of_straight]
        case.bend_n_per_m[:, 2] -= load_n_per_m[self.of_bend]

    def grow(self, case: Case) -> None:
        """Adds the thermal strain of every segment to a case."""
        case.straight_strain[:] += self.strain[self.of_straight]
        case.bend_strain[:] += self.strain[self.of_bend]


@dataclass(frozen=True)
class Thermal:
    """What temperature does to each segment, in their order: moduli cold and hot [Pa], strain [1]."""

    cold_pa: tuple[float, ...]
    hot_pa: tuple[float, ...]
    strain: tuple[float, ...]


def read_thermal(model: Mapping[str, Any], segments: Sequence[Segment], faults: Faults) -> Thermal:
    """Moduli and strains; a temperature that a material's table does not reach is a fault, said once."""
    cold_k = quantity_to_si(model["temperatures"]["cold"], Dimension.TEMPERATURE)
    said: set[tuple[str, str]] = set()

    def within(pointer: str, value: Any) -> float:
        try:
            return float(value())
        except OutOfRange as error:
            if error.facts.get("temperature_k") == cold_k:
                pointer = "/temperatures/cold"
            if (pointer, error.detail) not in said:
                said.add((pointer, error.detail))
                faults.add("temperature-out-of-table", error.detail, pointer, "a temperature of the table")
            return math.nan

    cold, hot, strain = [], [], []
    for segment in segments:
        material = segment.pipe.material
        cold.append(within("/temperatures/cold", lambda material=material: material.cold_pa(cold_k)))
        hot.append(
            within(
                segment.hot_pointer,
                lambda material=material, segment=segment: material.hot_pa(segment.hot_k),
            )
        )
        found = math.nan
        if not (math.isnan(cold[-1]) or math.isnan(hot[-1])):
            found = within(
                segment.hot_pointer,
                lambda material=material, segment=segment: material.strain(cold_k, segment.hot_k),
            )
        strain.append(found)
    return Thermal(tuple(cold), tuple(hot), tuple(strain))


def mesh(geometry: Geometry, thermal: Thermal, holding: Holding) -> Mesh:
    """Elements along every segment: three diameters long at most, longer where that makes thousands."""
    segments = geometry.segments
    total = sum(segment.length_m for segment in segments)
    coordinates: list[Sequence[float]] = list(geometry.coordinates)
    straights: list[tuple[int, int, int]] = []
    bends: list[tuple[int, int, int]] = []
    places: dict[str, SegmentPlace] = {}
    for which, segment in enumerate(segments):
        if segment.bend is not None:
            bends.append((segment.start, segment.end, which))
            places[segment.id] = SegmentPlace(
                (), (len(bends) - 1,), (segment.start, segment.end), segment.length_m
            )
            continue
        longest = max(_DIAMETERS_PER_ELEMENT * segment.pipe.outside_diameter_m, total / _ELEMENTS_OF_A_LINE)
        count = max(1, math.ceil(segment.length_m / longest - 1e-9))
        ends = np.array(coordinates[segment.start]), np.array(coordinates[segment.end])
        inner = [ends[0] + (ends[1] - ends[0]) * (step / count) for step in range(1, count)]
        along = (segment.start, *range(len(coordinates), len(coordinates) + count - 1), segment.end)
        coordinates += [tuple(place) for place in inner]
        first = len(straights)
        straights += [(a, b, which) for a, b in pairwise(along)]
        places[segment.id] = SegmentPlace(tuple(range(first, first + count)), (), along, segment.length_m)
    of_straight = [which for _, _, which in straights]
    of_bend = [which for _, _, which in bends]
    frame = Frame(
        np.array(coordinates, dtype=float).reshape(-1, 3),
        Straights(
            np.array([(a, b) for a, b, _ in straights], dtype=np.int64).reshape(-1, 2),
            *_sections(segments, of_straight),
            *_moduli(segments, of_straight, thermal.cold_pa),
        ),
        Bends(
            np.array([(a, b) for a, b, _ in bends], dtype=np.int64).reshape(-1, 2),
            _of_bends(segments, of_bend, "corner").reshape(-1, 3),
            *_sections(segments, of_bend),
            *_moduli(segments, of_bend, thermal.cold_pa),
            _of_bends(segments, of_bend, "flexibility"),
        ),
        holding.restraints,
        holding.interfaces(),
    )
    young, shear = _moduli(segments, of_straight, thermal.hot_pa)
    bend_young, bend_shear = _moduli(segments, of_bend, thermal.hot_pa)
    hot = replace(
        frame,
        straights=replace(frame.straights, young_pa=young, shear_pa=shear),
        bends=replace(frame.bends, young_pa=bend_young, shear_pa=bend_shear),
    )
    nodes = {str(entry["id"]): place for place, entry in geometry.nodes}
    return Mesh(
        frame,
        hot,
        places,
        nodes,
        np.array(of_straight, dtype=np.int64),
        np.array(of_bend, dtype=np.int64),
        np.array(thermal.strain, dtype=float),
    )


def _sections(segments: Sequence[Segment], which: Sequence[int]) -> tuple[Array, Array, Array, Array]:
    """Area, second moment, torsion constant and shear area of elements."""
    sections = [segments[place].pipe.section for place in which]
    return (
        np.array([each.area_m2 for each in sections], dtype=float),
        np.array([each.second_moment_m4 for each in sections], dtype=float),
        np.array([each.torsion_m4 for each in sections], dtype=float),
        np.array([each.shear_area_m2 for each in sections], dtype=float),
    )


def _moduli(
    segments: Sequence[Segment], which: Sequence[int], young_pa: Sequence[float]
) -> tuple[Array, Array]:
    """Modulus of elasticity and shear modulus E / (2 (1 + v)) of elements."""
    young = np.array([young_pa[place] for place in which], dtype=float)
    poisson = np.array([segments[place].pipe.material.poissons_ratio for place in which], dtype=float)
    return young, young / (2.0 * (1.0 + poisson))


def _of_bends(segments: Sequence[Segment], which: Sequence[int], name: str) -> Array:
    return np.array([getattr(segments[place].bend, name) for place in which], dtype=float)
