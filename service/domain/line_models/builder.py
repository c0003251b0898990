"""The builder: a line model and the hanger records become a line that is ready to be solved.

Up is positive; movement is from cold to hot; turns are positive when they raise the load on the pipe.
Everything that is wrong with a model is said at once, each fault with its pointer.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any, Final

from service.domain.criteria import Criteria
from service.domain.line_models.built import BuiltLine, CaseName
from service.domain.line_models.faults import Faults, Named
from service.domain.line_models.geometry import Geometry, read_geometry
from service.domain.line_models.holding import read_holding
from service.domain.line_models.mesh import mesh, read_thermal
from service.domain.line_models.pieces import read_pieces
from service.domain.line_models.present import Present
from service.domain.line_models.supports import supported_hanger
from service.domain.line_models.weights import UnitLoads, load_cases, weighed_items
from service.engineering.contents import water_density_kg_per_m3
from service.engineering.frames.frame import Frame
from service.errors import OutOfRange
from service.units import Dimension, quantity_to_si

ATMOSPHERE_PA: Final = 101325.0
# Water of a pressure test, hot or cold, is not lighter than this; no gas is as heavy.
_AS_HEAVY_AS_WATER_KG_PER_M3: Final = 900.0

LIMITS: Final = (
    "Small movements of a linear elastic line: no large displacement, no yielding, no creep.",
    "Guides, anchors and nozzles hold without gap and without friction.",
    "Hanger rods act vertically: the pull of a rod that swings is left out.",
    "Equipment nozzles are rigid; what they move by is imposed as stated.",
    "Valves and flanges are masses at a node and stiffen nothing.",
    "Branches join as rigid nodes, without the flexibility of the branch.",
    "Insulation and jacketing weigh, and stiffen nothing.",
    "Lengthening by internal pressure and the straightening of bends under it are left out.",
    "Weights at rest: no wind, earthquake, thrust of valves or waterhammer.",
    "Each segment has one temperature; bowing by a temperature across the pipe is left out.",
)


def build_line(
    model: Mapping[str, Any],
    records: Mapping[str, Mapping[str, Any]],
    *,
    present: Mapping[str, Any] | None = None,
    net_turns: Mapping[str, float] | None = None,
    load_adjuster_turns: Mapping[str, float] | None = None,
    released: Collection[str] | None = None,
    locked_readings: Mapping[str, float | None] | None = None,
    criteria: Criteria | None = None,
) -> BuiltLine:
    """A line ready to be solved.

    Args:
        model: a line model that is valid by its schema
        records: hanger records by mark
        present: what inspections saw, as `Present` takes it; it goes before the model's own statements
        net_turns: turns since erection by mark, positive where the load was raised; none where not named
        load_adjuster_turns: of the load adjuster of a constant support off its calibrated load, likewise; the
            mean over its assemblies, as of `net_turns`
        released: marks of the hangers whose stops are out
        locked_readings: of hangers that were locked again: what the indicator shows since, None where no
            reading tells [m]; all others stand where their records have them locked
        criteria: allowable stresses of rods whose record states none; the defaults where None

    Returns:
        the built line; marks of all arguments ignore letter case

    Raises:
        InvalidDocument: with every fault of the model, each with pointer, rule and what would be accepted
    """
    faults = Faults()
    folded = {str(mark).casefold(): record for mark, record in records.items()}
    pieces = read_pieces(model, faults)
    geometry = read_geometry(model, pieces, faults)
    holding = read_holding(model, geometry, folded, faults)
    masses = Named(model, "masses", faults)
    of_masses = {
        str(entry["id"]): geometry.nodes.refer(entry["node"], f"/masses/{place}/node")
        for place, entry in masses
    }
    seen = Present(model, present, faults)
    thermal = read_thermal(model, geometry.segments, faults)
    water = _water(model, geometry, faults) if seen.contents == "water" else {}
    if not len(faults):
        filled = {segment.id: water.get(segment.id, 0.0) for segment in geometry.segments}
        items = weighed_items(model, geometry, seen, filled)
    faults.settle()
    whole = mesh(geometry, thermal, holding)
    at_nodes = {name: node for name, node in of_masses.items() if node is not None}
    cases, growth = load_cases(whole, items, at_nodes, holding.imposed)
    frames: dict[CaseName, Frame] = dict.fromkeys(cases, whole.cold)
    frames["hot"] = whole.hot
    limits = Criteria() if criteria is None else criteria
    turned, adjusted = _folded(net_turns), _folded(load_adjuster_turns)
    out = {str(mark).casefold() for mark in released or ()}
    relocked = {str(mark).casefold(): reading for mark, reading in (locked_readings or {}).items()}
    hangers = tuple(
        supported_hanger(
            entry,
            folded[entry["mark"].casefold()],
            limits,
            net_turns=turned.get(entry["mark"].casefold(), 0.0),
            load_adjuster_turns=adjusted.get(entry["mark"].casefold(), 0.0),
            released=entry["mark"].casefold() in out,
            relocked=entry["mark"].casefold() in relocked,
            locked_reading_m=relocked.get(entry["mark"].casefold()),
        )
        for _, entry, _ in holding.hangers
    )
    return BuiltLine(
        frames,
        cases,
        hangers,
        items,
        UnitLoads(whole, items, at_nodes),
        whole.nodes,
        whole.places,
        growth,
        (*LIMITS, *_of_this_line(model, folded, seen)),
        bool(hangers) and all(hanger.height_error_m is not None for hanger in hangers),
        tuple(seen.not_stated),
    )


def _node_on_record(record: Mapping[str, Any]) -> str | None:
    node = record.get("location", {}).get("node")
    return None if node is None else str(node)


def _folded(by_mark: Mapping[str, float] | None) -> dict[str, float]:
    return {str(mark).casefold(): value for mark, value in (by_mark or {}).items()}


def _water(model: Mapping[str, Any], geometry: Geometry, faults: Faults) -> dict[str, float]:
    """Density of the water in each segment of a line with water in it [kg/m^3].

    The contents of the pressure test where they are as heavy as water; where the test is done empty, or with
    a gas or another light medium, water at the cold temperature.
    """
    found: dict[str, float] = {}
    cold = quantity_to_si(model["temperatures"]["cold"], Dimension.TEMPERATURE)
    for segment in geometry.segments:
        density = segment.contents["test"]
        if density < _AS_HEAVY_AS_WATER_KG_PER_M3:
            try:
                density = water_density_kg_per_m3(cold, ATMOSPHERE_PA)
            except OutOfRange as error:
                faults.add("state-out-of-range", error.detail, "/temperatures/cold", "a temperature of water")
                return found
        found[segment.id] = density
    return found


def _of_this_line(
    model: Mapping[str, Any], records: Mapping[str, Mapping[str, Any]], seen: Present
) -> list[str]:
    """What is left out of this line in particular."""
    sentences = []
    placed = {entry["mark"].casefold() for entry in model.get("hangers", ())}
    line = str(model.get("line", "")).casefold()
    absent = sorted(
        str(record["mark"])
        for mark, record in records.items()
        if mark not in placed and line and str(record["line"]).casefold() == line
    )
    if absent:
        sentences.append(f"Hangers on record that the model does not place: {', '.join(absent)}.")
    elsewhere = [
        f"{entry['mark']} ({node})"
        for entry in model.get("hangers", ())
        if (node := _node_on_record(records[entry["mark"].casefold()])) is not None
        and node.casefold() != entry["node"].casefold()
    ]
    if elsewhere:
        sentences.append(f"Records name other nodes of these hangers: {', '.join(elsewhere)}.")
    if seen.unknown_segments:
        names = ", ".join(seen.unknown_segments)
        sentences.append(f"Inspections name segments that the model does not have: {names}.")
    return sentences
