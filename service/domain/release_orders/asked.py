"""The request, read: units, precedence, limits and supports, every mark verified."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from service.domain.balance.analysis import Analysis, NotWeighable
from service.domain.balance.changes import with_friction
from service.domain.line_models.built import BuiltLine, SupportedHanger
from service.engineering.frames.elements import Array
from service.engineering.frames.frame import TRANSLATION, Interface
from service.engineering.release_order.steps import Support
from service.errors import Finding, InvalidDocument, OutOfRange
from service.units import Dimension, quantity_to_si

READING_TOLERANCE_M = 0.002
"""By how much a reading may differ before it counts as different [m]. Common practice, no source."""

MOST_HANGERS = 100
"""Hangers in one search; beyond it an answer takes minutes."""

# Limit of a support: field of the built hanger, dimension in a request, pointer into the hanger record.
LIMITS: Mapping[str, tuple[str, Dimension | None, str]] = {
    "rod_capacity": ("rod_capacity_n", Dimension.FORCE, "/rod"),
    "locked_capacity": ("locked_capacity_n", Dimension.FORCE, "/design/locked_assembly_capacity"),
    "stop_capacity_up": ("stop_capacity_up_n", Dimension.FORCE, "/design/stop_capacity_up"),
    "stop_capacity_down": ("stop_capacity_down_n", Dimension.FORCE, "/design/stop_capacity_down"),
    "turn_limit_raise": ("turn_limit_raise", None, "/adjuster/turn_limit_raise"),
    "turn_limit_lower": ("turn_limit_lower", None, "/adjuster/turn_limit_lower"),
}
_OF_RIGID = ("rod_capacity",)


@dataclass(frozen=True)
class Asked:
    """A request that can be worked on.

    Attributes:
        analysis: the line with limits and friction as asked and its temporary supports in
        bare: the same without temporary supports
        units: hangers released together, by index
        before: units that must be out before a unit
        stages: units by stage
        given: the order given, by unit; None where none was
        record: the order in which the line's hangers are recorded, by unit
        rule: `return` or `leave`
        tolerance_m: of readings [m]
        friction_known: whether every spring's friction is stated
        limits_given: limits that the request states instead of the record, in words
    """

    analysis: Analysis
    bare: Analysis
    units: tuple[tuple[int, ...], ...]
    before: Mapping[int, frozenset[int]]
    stages: tuple[frozenset[int], ...]
    given: tuple[int, ...] | None
    record: tuple[int, ...]
    rule: str
    tolerance_m: float
    friction_known: bool
    limits_given: tuple[str, ...]

    @property
    def temporary(self) -> tuple[int, ...]:
        """Indices of the temporary supports."""
        return tuple(range(len(self.bare.marks), len(self.analysis.marks)))


def read_request(analysis: Analysis, request: Mapping[str, Any]) -> Asked:
    """Reads a request that is valid by its schema.

    Raises:
        InvalidDocument: a mark or node that is not there, named twice, or out already; rules in a circle
        OutOfRange: more than 100 hangers whose stops are in
        NotWeighable: the temporary supports cannot be put in, since the line as it stands cannot be solved
    """
    marks = {mark.casefold(): place for place, mark in enumerate(analysis.marks)}
    built, given_limits = _with_limits(analysis.built, request, marks)
    if "friction" in request:
        built = with_friction(built, quantity_to_si(request["friction"], Dimension.RATIO))
    bare = Analysis(built)
    left = [place for place, each in enumerate(built.hangers) if each.kind != "rigid" and not each.released]
    if len(left) > MOST_HANGERS:
        raise OutOfRange(
            f"An order is searched for up to {MOST_HANGERS} hangers whose stops are in.",
            hangers=len(left),
            most=MOST_HANGERS,
        )
    reader = _Marks(marks, frozenset(left))
    units = _units(request, left, reader)
    unit_of = {place: number for number, unit in enumerate(units) for place in unit}
    before: dict[int, set[int]] = {}
    for number, entry in enumerate(request.get("before", ())):
        pointer = f"/before/{number}"
        first = unit_of[reader.place(entry["first"], f"{pointer}/first")]
        then = unit_of[reader.place(entry["then"], f"{pointer}/then")]
        before.setdefault(then, set()).add(first)
    stages = _stages(request, units, unit_of, reader)
    _verify_no_circle(units, before, stages)
    given = None
    if "given_order" in request:
        places = reader.each(request["given_order"], "/given_order")
        given = tuple(dict.fromkeys(unit_of[place] for place in places))
        if len(given) != len(units) or len(places) != len(left):
            raise _refused("/given_order", "every hanger whose stop is in has to stand in it once")
    return Asked(
        _with_supports(bare, request),
        bare,
        units,
        {unit: frozenset(firsts) for unit, firsts in before.items()},
        stages,
        given,
        tuple(dict.fromkeys(unit_of[place] for place in left)),
        request.get("nut_rule", "return"),
        READING_TOLERANCE_M
        if "reading_tolerance" not in request
        else quantity_to_si(request["reading_tolerance"], Dimension.LENGTH),
        all(each.friction_n is not None for each in built.hangers if each.kind != "rigid"),
        given_limits,
    )


def supports_of(built: BuiltLine) -> tuple[tuple[Support, ...], tuple[tuple[str, str, str], ...]]:
    """The supports, and what has no stated limit: (mark, limit, pointer into its record).

    Raises:
        NotWeighable: a record states no movement for a turn, or no ends of travel
    """
    supports: list[Support] = []
    unknown: list[tuple[str, str, str]] = []
    missing: dict[str, list[str]] = {}
    for each in built.hangers:
        names = _OF_RIGID if each.kind == "rigid" else tuple(LIMITS)
        limits: dict[str, float] = {}
        for name in names:
            attribute, _, pointer = LIMITS[name]
            value = getattr(each, attribute)
            if value is None:
                unknown.append((each.mark, name, pointer))
            else:
                limits[attribute] = float(value)
        if each.kind == "rigid":
            supports.append(Support(0.0, 0.0, 1.0, **limits))
        elif each.lead_m is None or each.travel_low_m is None or each.travel_high_m is None:
            missing[each.mark] = [*each.missing] or ["/adjuster/lead_per_turn"]
        else:
            # A built line tells the capacities of stops as force of the rod, its linkage taken in.
            supports.append(Support(each.travel_low_m, each.travel_high_m, each.lead_m, **limits))
    if missing:
        raise NotWeighable(
            "The movement for a turn or the ends of travel are not stated: " + ", ".join(missing) + ".",
            missing=missing,
        )
    return tuple(supports), tuple(unknown)


def base_offsets_m(built: BuiltLine) -> Array:
    """Offsets with every nut at zero net turns [m]."""
    return np.array([each.height_error_m or 0.0 for each in built.hangers])


# --- parts ----------------------------------------------------------------------------------------------
class _Marks:
    """Looks marks up, refusing what cannot be released."""

    def __init__(self, marks: Mapping[str, int], left: frozenset[int]) -> None:
        self._marks, self._left = marks, left

    def place(self, mark: str, pointer: str) -> int:
        place = self._marks.get(mark.casefold())
        if place is None:
            raise _refused(pointer, f"the line has no hanger {mark}")
        if place not in self._left:
            raise _refused(pointer, f"{mark} is rigid, or its stops are out already")
        return place

    def each(self, marks: Sequence[str], pointer: str) -> list[int]:
        found = [self.place(mark, f"{pointer}/{number}") for number, mark in enumerate(marks)]
        if len(set(found)) < len(found):
            raise _refused(pointer, "a hanger stands in it twice")
        return found


def _units(request: Mapping[str, Any], left: Sequence[int], reader: _Marks) -> tuple[tuple[int, ...], ...]:
    pair_of: dict[int, tuple[int, ...]] = {}
    for number, pair in enumerate(request.get("pairs", ())):
        places = tuple(sorted(reader.each(pair, f"/pairs/{number}")))
        for place in places:
            if place in pair_of:
                raise _refused(f"/pairs/{number}", "a hanger stands in two pairs")
            pair_of[place] = places
    return tuple(dict.fromkeys(pair_of.get(place, (place,)) for place in left))


def _stages(
    request: Mapping[str, Any],
    units: Sequence[tuple[int, ...]],
    unit_of: Mapping[int, int],
    reader: _Marks,
) -> tuple[frozenset[int], ...]:
    found: list[frozenset[int]] = []
    named: set[int] = set()
    for number, stage in enumerate(request.get("stages", ())):
        here = frozenset(unit_of[place] for place in reader.each(stage, f"/stages/{number}"))
        if here & named:
            raise _refused(f"/stages/{number}", "a hanger, or its pair, stands in two stages")
        named |= here
        found.append(here)
    rest = frozenset(range(len(units))) - named
    return (*found, rest) if found and rest else tuple(found)


def _verify_no_circle(
    units: Sequence[tuple[int, ...]], before: Mapping[int, set[int]], stages: Sequence[frozenset[int]]
) -> None:
    wanted = {unit: set(before.get(unit, ())) for unit in range(len(units))}
    earlier: set[int] = set()
    for stage in stages:
        for unit in stage:
            wanted[unit] |= earlier
        earlier |= stage
    done: set[int] = set()
    while len(done) < len(units):
        ready = {unit for unit in wanted if unit not in done and wanted[unit] <= done}
        if not ready:
            raise _refused("/before", "what has to go before what goes round in a circle")
        done |= ready


def _with_limits(
    built: BuiltLine, request: Mapping[str, Any], marks: Mapping[str, int]
) -> tuple[BuiltLine, tuple[str, ...]]:
    hangers = list(built.hangers)
    said: list[str] = []
    for number, entry in enumerate(request.get("limits", ())):
        place = marks.get(entry["mark"].casefold())
        if place is None:
            raise _refused(f"/limits/{number}/mark", f"the line has no hanger {entry['mark']}")
        fields: dict[str, float] = {}
        for name, (attribute, dimension, _) in LIMITS.items():
            if name in entry:
                value = entry[name]
                fields[attribute] = float(value) if dimension is None else quantity_to_si(value, dimension)
        hangers[place] = replace(hangers[place], **fields)  # type: ignore[arg-type]
        names = [name for name in LIMITS if name in entry]
        said.append(f"{hangers[place].mark}: {', '.join(names)} as given with the request.")
    return replace(built, hangers=tuple(hangers)), tuple(said)


def _with_supports(bare: Analysis, request: Mapping[str, Any]) -> Analysis:
    """The line with its temporary supports, each put under the pipe where it stands now, bearing nothing."""
    wanted = request.get("temporary_supports", ())
    if not wanted:
        return bare
    built = bare.built
    response = bare.response("present", bare.state("present"))
    supports: list[SupportedHanger] = []
    interfaces: list[Interface] = []
    for number, entry in enumerate(wanted):
        node = built.nodes.get(entry["node"])
        if node is None:
            raise _refused(f"/temporary_supports/{number}/node", f"the line has no node {entry['node']}")
        if any(each.node == entry["node"] for each in supports):
            raise _refused(f"/temporary_supports/{number}/node", "a node is named twice")
        interface = Interface(node)
        if not _is_free(built, node, interface):
            raise _refused(
                f"/temporary_supports/{number}/node", f"{entry['node']} has a hanger or is held already"
            )
        risen = float(np.dot(response.displacements[node][:3], interface.direction))
        stiffness = math.inf
        if "stiffness" in entry:
            stiffness = quantity_to_si(entry["stiffness"], Dimension.STIFFNESS)
        interfaces.append(interface)
        supports.append(
            SupportedHanger(
                f"temporary at {entry['node']}",
                "rigid",
                entry["node"],
                height_error_m=risen,
                height_uncertainty_m=0.0,
                series_n_per_m=stiffness,
            )
        )
    frames = {
        id(frame): replace(frame, interfaces=[*frame.interfaces, *interfaces])
        for frame in built.frames.values()
    }
    return Analysis(
        replace(
            built,
            frames={name: frames[id(frame)] for name, frame in built.frames.items()},
            hangers=(*built.hangers, *supports),
        )
    )


def _is_free(built: BuiltLine, node: int, interface: Interface) -> bool:
    """Whether nothing holds a node in the direction of an interface."""
    frame = built.frames["present"]
    hung = any(each.node == node for each in frame.interfaces)
    held = any(
        each.node == node and each.kind == TRANSLATION and np.dot(each.direction, interface.direction) != 0.0
        for each in frame.restraints
    )
    return not hung and not held


def _refused(pointer: str, detail: str) -> InvalidDocument:
    return InvalidDocument(
        f"The request cannot be followed: {detail}.",
        errors=[Finding("body", "release-order", detail, pointer=pointer)],
    )
