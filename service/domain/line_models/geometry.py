"""Geometry of a line model: nodes, straight segments and bends, and whether they make one line.

Coordinates in metres; z is up.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from service.domain.line_models.faults import Faults, Named
from service.domain.line_models.pieces import EMPTY, Cover, Pieces, Pipe, si
from service.engineering.frames.bends import flexibility_factor
from service.units import Dimension, quantity_to_si

LEAST_LENGTH_M: Final = 1e-4
RADIUS_TOLERANCE_M: Final = 1e-3
RADIUS_TOLERANCE: Final = 1e-3
LEAST_ANGLE_RAD: Final = math.radians(0.1)
RIGHT_ANGLE_TOLERANCE_RAD: Final = math.radians(0.5)
_SAME_DIRECTION: Final = 1.0 - 1e-9
_APPENDIX_D, _NOTE_3 = "asme_b31.1_appendix_d", "asme_b31j_note_3"

Point = tuple[float, float, float]


@dataclass(frozen=True)
class Bend:
    """A bend. corner: where its tangents meet, equally far from both ends [m]. flexibility: factor, >= 1."""

    corner: Point
    radius_m: float
    angle_rad: float
    flexibility: float


@dataclass(frozen=True)
class Segment:
    """A segment. start, end: places of its nodes. contents: density by case [kg/m^3]; None while faulty.

    hot_k: its temperature in operation [K]. hot_pointer: where that is stated. centre_m: of its line.
    """

    place: int
    id: str
    start: int
    end: int
    pipe: Pipe
    cover: Cover | None
    contents: Mapping[str, float]
    hot_k: float
    hot_pointer: str
    bend: Bend | None
    length_m: float
    centre_m: Point


@dataclass(frozen=True)
class Geometry:
    """Nodes and segments. nodes: by id. coordinates: of each node [m]. segments: those without a fault."""

    nodes: Named
    coordinates: Sequence[Point]
    segments: tuple[Segment, ...]


def point(entry: Mapping[str, Any]) -> Point:
    """x, y and z of an entry [m]."""
    x, y, z = (quantity_to_si(entry[axis], Dimension.LENGTH) for axis in ("x", "y", "z"))
    return x, y, z


def _less(a: Point, b: Point) -> Point:
    return a[0] - b[0], a[1] - b[1], a[2] - b[2]


def _along(a: Point, direction: Point, by: float) -> Point:
    return a[0] + by * direction[0], a[1] + by * direction[1], a[2] + by * direction[2]


def _dot(a: Point, b: Point) -> float:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def _unit(a: Point) -> Point:
    size = math.hypot(*a)
    return a[0] / size, a[1] / size, a[2] / size


def read_geometry(model: Mapping[str, Any], pieces: Pieces, faults: Faults) -> Geometry:
    """Nodes and segments of a model; what is wrong with them is noted as faults."""
    before = len(faults)
    nodes = Named(model, "nodes", faults)
    coordinates = [point(entry) for _, entry in nodes]
    named = Named(model, "segments", faults)
    ends = [
        (
            nodes.refer(entry["from"], f"/segments/{place}/from"),
            nodes.refer(entry["to"], f"/segments/{place}/to"),
        )
        for place, entry in named
    ]
    joined = [(a, b) for a, b in ends if a is not None and b is not None]
    if len(faults) == before:
        _refuse_pieces_apart(nodes, joined, faults)
    _refuse_coincident(nodes, coordinates, faults)
    read = _Segments(model, pieces, nodes, coordinates, faults)
    segments = [
        read.segment(place, entry, a, b)
        for (place, entry), (a, b) in zip(named, ends, strict=True)
        if a is not None and b is not None
    ]
    found = tuple(segment for segment in segments if segment is not None)
    _refuse_twice(found, coordinates, faults)
    return Geometry(nodes, coordinates, found)


class _Segments:
    """Reads segments one by one, with what all of them share."""

    def __init__(
        self,
        model: Mapping[str, Any],
        pieces: Pieces,
        nodes: Named,
        coordinates: Sequence[Point],
        faults: Faults,
    ) -> None:
        self._pieces = pieces
        self._coordinates = coordinates
        self._nodes = nodes
        self._faults = faults
        self._of_line: Mapping[str, str] = model.get("line_contents", {})
        self._hot_k = quantity_to_si(model["temperatures"]["hot"], Dimension.TEMPERATURE)
        self._lacking: set[str] = set()
        for case, given in self._of_line.items():
            self._density(given, f"/line_contents/{case}")

    def segment(self, place: int, entry: Mapping[str, Any], a: int, b: int) -> Segment | None:
        """One segment; None where it has a fault."""
        at = f"/segments/{place}"
        pipes, found = self._pieces.pipes
        which = pipes.refer(entry["pipe"], f"{at}/pipe")
        pipe = None if which is None else found[which]
        cover = None
        if "insulation" in entry:
            covers, of_cover = self._pieces.covers
            which = covers.refer(entry["insulation"], f"{at}/insulation")
            cover = None if which is None else of_cover[which]
        contents = self._contents(at, entry)
        start, end = self._coordinates[a], self._coordinates[b]
        chord = math.dist(start, end)
        if chord <= LEAST_LENGTH_M:
            self._faults.add(
                "zero-length",
                f"Segment {entry['id']} begins and ends at one place.",
                at,
                "two nodes at least 0.1 mm apart",
            )
            return None
        if pipe is None or contents is None:
            return None
        bend: Bend | None = None
        length, centre = chord, _along(start, _less(end, start), 0.5)
        if "bend" in entry:
            bend = self._bend(at, entry["bend"], start, end, pipe)
            if bend is None:
                return None
            length = bend.radius_m * bend.angle_rad
            centre = _centroid(bend, start, end)
        own = si(entry, "hot_temperature", Dimension.TEMPERATURE)
        return Segment(
            place,
            entry["id"],
            a,
            b,
            pipe,
            cover,
            contents,
            self._hot_k if own is None else own,
            "/temperatures/hot" if own is None else f"{at}/hot_temperature",
            bend,
            length,
            centre,
        )

    def _density(self, given: str, pointer: str) -> float | None:
        if given.casefold() not in self._pieces.densities:
            self._faults.add(
                "unknown-reference",
                f"There is no {given} among the contents.",
                pointer,
                "an id of /contents, or `empty`",
            )
        return self._pieces.densities.get(given.casefold())

    def _contents(self, at: str, entry: Mapping[str, Any]) -> dict[str, float] | None:
        """Density in each case; a case that neither the segment nor the line states is a fault, said once."""
        own: Mapping[str, str] = entry.get("contents", {})
        found: dict[str, float] = {}
        for case in ("cold", "hot", "test"):
            given = own.get(case, self._of_line.get(case, EMPTY if case == "cold" else None))
            if given is None:
                if case not in self._lacking:
                    self._lacking.add(case)
                    self._faults.add(
                        "contents-not-stated",
                        f"Neither segment {entry['id']} nor the line states the contents for `{case}`.",
                        f"/line_contents/{case}",
                        "an id of /contents, or `empty`",
                    )
                continue
            density = (
                self._density(given, f"{at}/contents/{case}")
                if case in own
                else self._pieces.densities.get(given.casefold())
            )
            if density is not None:
                found[case] = density
        return found if len(found) == 3 else None

    def _bend(self, at: str, entry: Mapping[str, Any], start: Point, end: Point, pipe: Pipe) -> Bend | None:
        corner = point(entry["corner"])
        first, second = math.dist(start, corner), math.dist(corner, end)
        add = self._faults.add
        if min(first, second) <= LEAST_LENGTH_M:
            add(
                "zero-length",
                "The corner of the bend lies on one of its ends.",
                f"{at}/bend/corner",
                "the point where the two tangents meet",
            )
            return None
        if abs(first - second) > max(RADIUS_TOLERANCE_M, RADIUS_TOLERANCE * max(first, second)):
            add(
                "tangents-unequal",
                f"The corner is {first * 1000:.1f} mm from one end, {second * 1000:.1f} mm from the other.",
                f"{at}/bend/corner",
                "a corner equally far from both ends, within 1 mm or 0.1 %",
            )
            return None
        angle = _angle(start, corner, end)
        if not LEAST_ANGLE_RAD <= angle <= math.pi - LEAST_ANGLE_RAD:
            add(
                "no-bend",
                f"The bend turns by {math.degrees(angle):.1f} degrees.",
                f"{at}/bend/corner",
                "more than 0 and less than 180 degrees",
            )
            return None
        # What the tolerance lets pass is put right: the corner moves onto the plane midway between the ends.
        chord = _less(end, start)
        middle = _along(start, chord, 0.5)
        corner = _along(corner, chord, -_dot(_less(corner, middle), chord) / _dot(chord, chord))
        angle = _angle(start, corner, end)
        radius = math.dist(start, corner) / math.tan(angle / 2.0)
        stated = quantity_to_si(entry["radius"], Dimension.LENGTH)
        if abs(stated - radius) > max(RADIUS_TOLERANCE_M, RADIUS_TOLERANCE * radius):
            add(
                "radius-differs",
                f"Nodes and corner make a radius of {radius * 1000:.1f} mm.",
                f"{at}/bend/radius",
                f"{radius * 1000:.1f} mm within 1 mm or 0.1 %",
            )
            return None
        flexibility = self._flexibility(at, entry, angle, radius, pipe)
        return None if flexibility is None else Bend(corner, radius, angle, flexibility)

    def _flexibility(
        self, at: str, entry: Mapping[str, Any], angle: float, radius: float, pipe: Pipe
    ) -> float | None:
        given: Mapping[str, Any] = entry.get("flexibility", {"edition": _APPENDIX_D})
        if "factor" in given:
            return float(given["factor"])
        if given["edition"] == _NOTE_3 and abs(angle - math.pi / 2.0) > RIGHT_ANGLE_TOLERANCE_RAD:
            self._faults.add(
                "edition-not-for-this-bend",
                f"The factor 1.3/h is for bends of 90 degrees; this one turns by {math.degrees(angle):.1f}.",
                f"{at}/bend/flexibility/edition",
                [_APPENDIX_D],
            )
            return None
        numerator = 1.3 if given["edition"] == _NOTE_3 else 1.65
        return flexibility_factor(pipe.wall_m, radius, pipe.outside_diameter_m, numerator)


def _angle(start: Point, corner: Point, end: Point) -> float:
    """Angle by which a bend turns [rad]."""
    into, out_of = _unit(_less(corner, start)), _unit(_less(end, corner))
    across = math.dist(into, out_of)  # 2 sin(angle/2)
    along = math.hypot(*_along(into, out_of, 1.0))  # 2 cos(angle/2)
    return 2.0 * math.atan2(across, along)


def _centroid(bend: Bend, start: Point, end: Point) -> Point:
    """Centroid of the arc: on the bisector of its angle, R sin(h)/h from the centre with h half the angle."""
    half = bend.angle_rad / 2.0
    inward = _unit(_less(_along(start, _less(end, start), 0.5), bend.corner))
    return _along(bend.corner, inward, bend.radius_m * (1.0 / math.cos(half) - math.sin(half) / half))


def _refuse_coincident(nodes: Named, coordinates: Sequence[Point], faults: Faults) -> None:
    """Two nodes at one place: a line drawn that way would not be joined there, though it looks so."""
    seen: dict[Point, int] = {}
    for place, entry in nodes:
        x, y, z = (round(value / LEAST_LENGTH_M) + 0.0 for value in coordinates[place])
        first = seen.setdefault((x, y, z), place)
        if first != place:
            other = nodes.entries[first]["id"]
            faults.add(
                "same-place",
                f"Nodes {other} and {entry['id']} are at one place.",
                f"/nodes/{place}",
                f"one node, {other}, used by all that meet there",
            )


def _refuse_pieces_apart(nodes: Named, joined: Sequence[tuple[int, int]], faults: Faults) -> None:
    """Pieces that no segment joins to the first."""
    leader = list(range(len(nodes.entries)))

    def lead(place: int) -> int:
        while leader[place] != place:
            leader[place] = leader[leader[place]]
            place = leader[place]
        return place

    for a, b in joined:
        first, second = sorted((lead(a), lead(b)))
        leader[second] = first
    used = {place for pair in joined for place in pair}
    start = min(used, default=0)
    main = nodes.entries[start]["id"]
    for place, entry in nodes:
        if lead(place) != place or place == lead(start):
            continue
        alone = place not in used
        faults.add(
            "disconnected",
            f"Node {entry['id']} belongs to no segment."
            if alone
            else f"The piece with node {entry['id']} is not joined to that with {main}.",
            f"/nodes/{place}",
            "one connected line; each separate piece is a model of its own",
        )


def _refuse_twice(segments: Sequence[Segment], coordinates: Sequence[Point], faults: Faults) -> None:
    """Pipe that is drawn twice: between the same nodes on the same path, or on top of another straight."""
    paths: dict[Any, Segment] = {}
    leaving: dict[int, list[tuple[Point, Segment]]] = {}
    for segment in segments:
        start, end = coordinates[segment.start], coordinates[segment.end]
        corner = None if segment.bend is None else tuple(round(value, 3) for value in segment.bend.corner)
        first = paths.setdefault((frozenset((segment.start, segment.end)), corner), segment)
        if first is not segment:
            _drawn_twice(segment, first, faults)
            continue
        if segment.bend is not None:
            continue
        for place, direction in (
            (segment.start, _unit(_less(end, start))),
            (segment.end, _unit(_less(start, end))),
        ):
            others = leaving.setdefault(place, [])
            over = next((other for way, other in others if _dot(way, direction) > _SAME_DIRECTION), None)
            if over is not None:
                _drawn_twice(segment, over, faults)
                break
            others.append((direction, segment))


def _drawn_twice(segment: Segment, first: Segment, faults: Faults) -> None:
    faults.add(
        "drawn-twice",
        f"Segment {segment.id} lies on segment {first.id}.",
        f"/segments/{segment.place}",
        "each length of pipe once",
    )
