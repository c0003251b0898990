"""What holds a line: anchors, nozzles and guides, and the places of its hangers.

Up is positive; movements and rotations are from cold to hot, rotations right-handed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from service.domain.line_models.faults import Faults, Named
from service.domain.line_models.geometry import Geometry, Point, point
from service.engineering.frames.frame import ROTATION, TRANSLATION, Interface, Restraint
from service.units import Dimension, quantity_to_si

_AXES: Final[Mapping[str, Point]] = {"x": (1.0, 0.0, 0.0), "y": (0.0, 1.0, 0.0), "z": (0.0, 0.0, 1.0)}
_UNIT_TOLERANCE: Final = 1e-3
_DEPENDENT: Final = 1e-6


@dataclass(frozen=True)
class Holding:
    """Restraints with the movement imposed on each from cold to hot [m or rad], and hangers' places.

    hangers: entry of the model and place of its node, in the model's order.
    """

    restraints: tuple[Restraint, ...]
    imposed: tuple[float, ...]
    hangers: tuple[tuple[int, Mapping[str, Any], int], ...]

    def interfaces(self) -> tuple[Interface, ...]:
        """Where the hangers act, vertically."""
        return tuple(Interface(node) for _, _, node in self.hangers)


def read_holding(
    model: Mapping[str, Any],
    geometry: Geometry,
    records: Mapping[str, Mapping[str, Any]],
    faults: Faults,
) -> Holding:
    """Restraints and hangers of a model; what is wrong with them is noted as faults.

    Args:
        model: the line model
        geometry: its nodes
        records: hanger records by folded mark
        faults: where faults are noted
    """
    read = _Holding(geometry, faults)
    for place, entry in Named(model, "anchors", faults):
        read.fixed(f"/anchors/{place}", entry, f"anchor {entry['id']}", (0.0,) * 6)
    for place, entry in Named(model, "nozzles", faults):
        turned = entry["rotation"]
        rotation = tuple(quantity_to_si(turned[axis], Dimension.ANGLE) for axis in "xyz")
        read.fixed(
            f"/nozzles/{place}", entry, f"nozzle {entry['id']}", (*point(entry["movement"]), *rotation)
        )
    for place, entry in Named(model, "guides", faults):
        read.guide(f"/guides/{place}", entry)
    hangers = Named(model, "hangers", faults, key="mark")
    for place, entry in hangers:
        read.hanger(place, entry, model.get("line"), records)
    if not read.restraints and not hangers.entries:
        faults.add(
            "nothing-holds",
            "Nothing holds the line.",
            "",
            "at least one of anchors, nozzles, guides or hangers",
        )
    return Holding(tuple(read.restraints), tuple(read.imposed), tuple(read.hangers))


class _Holding:
    """Reads what holds the line, keeping what each node is held by already."""

    def __init__(self, geometry: Geometry, faults: Faults) -> None:
        self._nodes = geometry.nodes
        self._faults = faults
        self.restraints: list[Restraint] = []
        self.imposed: list[float] = []
        self.hangers: list[tuple[int, Mapping[str, Any], int]] = []
        self._fixed: dict[int, str] = {}
        # Orthonormal directions that hold a node already, by node and kind.
        self._held: dict[tuple[int, int], list[Point]] = {}
        self._carried: dict[int, str] = {}

    def fixed(self, at: str, entry: Mapping[str, Any], name: str, movement: tuple[float, ...]) -> None:
        """An anchor or a nozzle."""
        node = self._not_fixed(at, entry)
        if node is None:
            return
        self._fixed[node] = name
        for kind in (TRANSLATION, ROTATION):
            for axis, direction in enumerate(_AXES.values()):
                self._hold(node, kind, direction, name, movement[kind + axis])

    def _not_fixed(self, at: str, entry: Mapping[str, Any]) -> int | None:
        """Node of an anchor, nozzle or guide; None, and a fault, where every direction is held already."""
        node = self._nodes.refer(entry["node"], f"{at}/node")
        if node not in self._fixed:
            return node
        self._faults.add(
            "held-twice",
            f"Node {entry['node']} is held by {self._fixed[node]} already.",
            f"{at}/node",
            "a node without anchor or nozzle",
        )
        return None

    def guide(self, at: str, entry: Mapping[str, Any]) -> None:
        """A guide or another restraint of some directions."""
        name = f"guide {entry['id']}"
        if not entry.get("directions") and not entry.get("rotations"):
            self._faults.add(
                "holds-nothing", f"{name.capitalize()} holds no direction.", at, "`directions` or `rotations`"
            )
        node = self._not_fixed(at, entry)
        if node is None:
            return
        for kind, key in ((TRANSLATION, "directions"), (ROTATION, "rotations")):
            for place, given in enumerate(entry.get(key, ())):
                direction = self._direction(given, f"{at}/{key}/{place}")
                if direction is None:
                    continue
                if not self._hold(node, kind, direction, name, 0.0):
                    self._faults.add(
                        "held-twice",
                        f"Node {entry['node']} is held in this direction already.",
                        f"{at}/{key}/{place}",
                        "directions of which none follows from the others",
                    )

    def hanger(
        self,
        place: int,
        entry: Mapping[str, Any],
        line: str | None,
        records: Mapping[str, Mapping[str, Any]],
    ) -> None:
        """A hanger; where it stands and whether its record fits."""
        at, mark = f"/hangers/{place}", entry["mark"]
        record = records.get(mark.casefold())
        if record is None:
            self._faults.add(
                "unknown-hanger", f"There is no record of hanger {mark}.", f"{at}/mark", "a mark on record"
            )
        elif record.get("line_of_action") == "horizontal":
            self._faults.add(
                "not-vertical",
                f"Hanger {mark} acts horizontally; the model takes vertical hangers.",
                f"{at}/mark",
                "a hanger with a vertical line of action",
            )
        elif line is not None and str(record["line"]).casefold() != line.casefold():
            self._faults.add(
                "hanger-of-another-line",
                f"Hanger {mark} is on record for line {record['line']}.",
                f"{at}/mark",
                f"a hanger of line {line}",
            )
        node = self._nodes.refer(entry["node"], f"{at}/node")
        if node is None:
            return
        taken = self._carried.get(node)
        if taken is None and (node in self._fixed or self._rest(node, TRANSLATION, _AXES["z"]) is None):
            taken = self._fixed.get(node, "a guide")
        if taken is not None:
            self._faults.add(
                "node-not-free",
                f"The height of node {entry['node']} is held by {taken} already.",
                f"{at}/node",
                "a node that nothing else holds vertically",
            )
            return
        self._carried[node] = f"hanger {mark}"
        self.hangers.append((place, entry, node))

    def _direction(self, given: Any, pointer: str) -> Point | None:
        if isinstance(given, str):
            return _AXES[given]
        vector: Point = (float(given["x"]), float(given["y"]), float(given["z"]))
        length = math.hypot(*vector)
        if abs(length - 1.0) > _UNIT_TOLERANCE:
            self._faults.add(
                "not-of-unit-length",
                f"The vector has length {length:.4g}.",
                pointer,
                "a vector of length 1, within 0.1 %",
            )
            return None
        return vector[0] / length, vector[1] / length, vector[2] / length

    def _rest(self, node: int, kind: int, direction: Point) -> Point | None:
        """What is left of a direction beside those that hold the node, as a unit vector; None for nothing."""
        rest = direction
        for held in self._held.get((node, kind), ()):
            share = sum(a * b for a, b in zip(rest, held, strict=True))
            rest = (rest[0] - share * held[0], rest[1] - share * held[1], rest[2] - share * held[2])
        size = math.hypot(*rest)
        return None if size < _DEPENDENT else (rest[0] / size, rest[1] / size, rest[2] / size)

    def _hold(self, node: int, kind: int, direction: Point, name: str, movement: float) -> bool:
        rest = self._rest(node, kind, direction)
        if rest is None:
            return False
        self._held.setdefault((node, kind), []).append(rest)
        self.restraints.append(Restraint(node, direction, kind, name))
        self.imposed.append(movement)
        return True
