"""Weights of a line model: what each part weighs in each case, and the load cases that they make.

Weights are positive in `WeighedItem`; loads in a case are negative downward.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final, Literal, overload

import numpy as np

from service.domain.line_models.built import CASES, CaseName, WeighedItem
from service.domain.line_models.geometry import Geometry, Segment
from service.domain.line_models.mesh import Mesh
from service.domain.line_models.present import Present
from service.engineering.frames.frame import Case
from service.units import Dimension, quantity_to_si

GRAVITY_M_PER_S2: Final = 9.80665
"""Standard gravity, exact by definition."""

_Part = Literal["pipe", "insulation", "jacketing", "contents"]


def weighed_items(
    model: Mapping[str, Any], geometry: Geometry, present: Present, water: Mapping[str, float]
) -> tuple[WeighedItem, ...]:
    """Every part that weighs anything in some case: segment by segment, then the masses.

    Args:
        model: the line model
        geometry: its segments
        present: what is on and in the line now
        water: density of water in a segment by its id, for a line with water in it [kg/m^3]
    """
    items: list[WeighedItem] = []
    for segment in geometry.segments:
        shares = (1.0, 1.0)
        if segment.cover is not None:
            jacketed = segment.cover.sheet_kg_per_m2 > 0.0
            shares = present.cover(segment.id, segment.place, jacketed=jacketed)
        pipe = segment.pipe
        items.append(_part(segment, "pipe", dict.fromkeys(CASES, pipe.mass_kg_per_m), 1.0))
        if segment.cover is not None:
            diameter = pipe.outside_diameter_m
            insulation = dict.fromkeys(CASES, segment.cover.insulation_kg_per_m(diameter))
            items.append(_part(segment, "insulation", insulation, shares[0]))
            jacketing = dict.fromkeys(CASES, segment.cover.jacketing_kg_per_m(diameter))
            items.append(_part(segment, "jacketing", jacketing, shares[1]))
        now = {
            None: segment.contents["cold"],
            "empty": 0.0,
            "operating": segment.contents["hot"],
            "water": water[segment.id],
        }[present.contents]
        filled = {case: density * pipe.bore_m2 for case, density in segment.contents.items()}
        most = max(now * pipe.bore_m2, *filled.values())
        contents: dict[CaseName, float] = {
            "cold": filled["cold"],
            "present": most,
            "hot": filled["hot"],
            "test": filled["test"],
        }
        share = now * pipe.bore_m2 / most if most > 0.0 else 0.0
        items.append(_part(segment, "contents", contents, share))
    for entry in model.get("masses", ()):
        weight = quantity_to_si(entry["mass"], Dimension.MASS) * GRAVITY_M_PER_S2
        place = geometry.nodes.find(entry["node"])
        centre = geometry.coordinates[place or 0]
        weights: dict[str, float] = dict.fromkeys(CASES, weight)
        items.append(WeighedItem(entry["id"], "mass", "mass", weights, present.mass(entry["id"]), centre))
    return tuple(item for item in items if any(item.weight_n.values()))


def _part(segment: Segment, part: _Part, kg_per_m: Mapping[CaseName, float], share: float) -> WeighedItem:
    weights: dict[str, float] = {
        case: mass * segment.length_m * GRAVITY_M_PER_S2 for case, mass in kg_per_m.items()
    }
    return WeighedItem(segment.id, "segment", part, weights, share, segment.centre_m)


def load_cases(
    mesh: Mesh, items: Sequence[WeighedItem], of_masses: Mapping[str, int], imposed: Sequence[float]
) -> tuple[dict[CaseName, Case], Case]:
    """The load cases, and growth and imposed movements alone.

    Args:
        mesh: the frame
        items: what weighs
        of_masses: place of the node of each mass, by its id
        imposed: movement of each restraint from cold to hot, in its direction [m or rad]
    """
    cases: dict[CaseName, Case] = {}
    for name in CASES:
        cases[name] = mesh.cold.no_load()
        _lay(
            mesh,
            cases[name],
            of_masses,
            [
                (item, item.weight_n[name] * (item.share_present if name == "present" else 1.0))
                for item in items
            ],
        )
    thermal = replace(mesh.hot.no_load(), imposed=np.array(imposed, dtype=float))
    mesh.grow(thermal)
    cases["hot"] = replace(cases["hot"], imposed=thermal.imposed.copy())
    mesh.grow(cases["hot"])
    return cases, thermal


def _lay(
    mesh: Mesh, case: Case, of_masses: Mapping[str, int], weights_n: Iterable[tuple[WeighedItem, float]]
) -> None:
    """Adds what items weigh to a case."""
    of_segments = dict.fromkeys(mesh.places, 0.0)
    for item, weight_n in weights_n:
        if item.kind == "mass":
            case.nodal[of_masses[item.owner], 2] -= weight_n
        else:
            of_segments[item.owner] += weight_n
    mesh.lay(case, np.array(list(of_segments.values()), dtype=float))


class UnitLoads(Sequence[Case]):
    """The load case of each item's weight_n["present"] alone, made when it is asked for.

    A line of thousands of elements has thousands of items; all of their cases at once would fill the memory.
    """

    def __init__(self, mesh: Mesh, items: Sequence[WeighedItem], of_masses: Mapping[str, int]) -> None:
        self._mesh = mesh
        self._items = items
        self._of_masses = of_masses

    def __len__(self) -> int:
        return len(self._items)

    @overload
    def __getitem__(self, place: int) -> Case: ...
    @overload
    def __getitem__(self, place: slice) -> Sequence[Case]: ...
    def __getitem__(self, place: int | slice) -> Case | Sequence[Case]:
        """The case of one item, or those of several."""
        if isinstance(place, slice):
            return UnitLoads(self._mesh, self._items[place], self._of_masses)
        item = self._items[place]
        case = self._mesh.cold.no_load()
        weight_n = item.weight_n["present"]
        if item.kind == "mass":
            case.nodal[self._of_masses[item.owner], 2] = -weight_n
            return case
        segment = self._mesh.places[item.owner]
        case.straight_n_per_m[list(segment.straights), 2] = -weight_n / segment.length_m
        case.bend_n_per_m[list(segment.bends), 2] = -weight_n / segment.length_m
        return case
