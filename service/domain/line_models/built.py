"""A built line: what a line model and the hanger records say together, in SI, ready to be solved.

Up is positive. Movement is from cold to hot. Turns are positive when they raise the load on the pipe. What
is not known is None, and is named; nothing here is a guess.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

from service.engineering.frames.frame import Case, Frame
from service.engineering.states.laws import Hanger, rigid

CaseName = Literal["cold", "present", "hot", "test"]
CASES: Final[tuple[CaseName, ...]] = ("cold", "present", "hot", "test")


@dataclass(frozen=True)
class SupportedHanger:
    """One hanger as the line feels it: the whole location, all its assemblies together.

    Attributes:
        mark, kind, node: key of the hanger; `variable`, `constant` or `rigid`; id of its node
        spring_load_n: force of the springs on the pipe at the locked position, hardware deducted [N]
        rate_n_per_m: rate of the springs; 0 for a constant support [N/m]
        friction_n: half the friction band [N]
        travel_low_m, travel_high_m: ends of travel from the locked position, up positive [m]
        slot_clearance_m: whole clearance of the pin in the stop's slot [m]
        linkage_ratio: pin movement for one unit of rod movement [1]
        lead_m: change of the rod's length for one turn [m]
        turn_limit_raise, turn_limit_lower: net turns allowed, without sign
        net_turns: turned since erection, signed
        series_n_per_m: stiffness of rod, steel and assembly in series, a part that is not stated counting as
            rigid; infinite where all of them are [N/m]
        rigid_parts: which of `rod`, `steel`, `assembly` count as rigid because the record does not state them
        height_error_m: pick-up height as surveyed, positive where the rod is short and the pipe held
            high [m]; None where no survey states it
        height_uncertainty_m: half width of the survey's interval, or of what is taken without a survey [m]
        rod_capacity_n, rod_test_capacity_n: load that the rods may carry, at the pipe [N]
        stop_capacity_up_n: what the stops hold when the rod carries less than the spring [N of the rod]
        stop_capacity_down_n: what they hold when the rod carries more [N of the rod]
        locked_capacity_n: load that the locked assemblies may carry, at the pipe [N]
        operating_load_n, installed_load_n: at the pipe, of the hanger [N]
        design_movement_m: cold to hot, up positive [m]
        indicator_sign: 1 where the reading grows as the pipe rises, -1 where it falls
        locked_reading_m, cold_mark_m, hot_mark_m, expected_released_cold_m: readings of the indicator [m]
        released: whether every stop is out now
        locked_at_m: where the stops hold the pin, from the locked position of the record, up positive; None
            where they were put back elsewhere and no reading tells where [m]
        missing: pointers into the hanger record of what was looked for and is not stated
    """

    mark: str
    kind: Literal["variable", "constant", "rigid"]
    node: str
    spring_load_n: float | None = None
    rate_n_per_m: float | None = None
    friction_n: float | None = None
    travel_low_m: float | None = None
    travel_high_m: float | None = None
    slot_clearance_m: float | None = None
    linkage_ratio: float | None = None
    lead_m: float | None = None
    turn_limit_raise: float | None = None
    turn_limit_lower: float | None = None
    net_turns: float = 0.0
    series_n_per_m: float = math.inf
    rigid_parts: tuple[str, ...] = ()
    height_error_m: float | None = None
    height_uncertainty_m: float | None = None
    rod_capacity_n: float | None = None
    rod_test_capacity_n: float | None = None
    stop_capacity_up_n: float | None = None
    stop_capacity_down_n: float | None = None
    locked_capacity_n: float | None = None
    operating_load_n: float | None = None
    installed_load_n: float | None = None
    design_movement_m: float | None = None
    indicator_sign: int | None = None
    locked_reading_m: float | None = None
    cold_mark_m: float | None = None
    hot_mark_m: float | None = None
    expected_released_cold_m: float | None = None
    released: bool = False
    missing: tuple[str, ...] = ()
    locked_at_m: float | None = 0.0

    def _offset_m(self) -> float:
        """Pick-up height and nut together, as `Hanger.offset_m`; an unsurveyed height counts as drawn."""
        turned = self.net_turns * self.lead_m if self.lead_m is not None else 0.0
        return (self.height_error_m or 0.0) + turned

    def locked(self, *, friction: float = 1.0, offset_m: float | None = None) -> Hanger | None:
        """Its law with every stop in; None where the record, or no reading of where they are, tells enough.

        The slot lies about the position in which the stops were put in: the pin may move by clearance /
        (2 linkage ratio) of rod movement to either side. A rigid hanger carries what comes, in tension only.

        Args:
            friction: share of the friction band that acts, 0 to 1
            offset_m: instead of the pick-up height and turns on record [m]
        """
        offset = self._offset_m() if offset_m is None else offset_m
        if self.kind == "rigid":
            return rigid(offset, self.series_n_per_m)
        if self.spring_load_n is None or self.rate_n_per_m is None:
            return None
        if self.locked_at_m is None or (self.friction_n is None and friction):
            return None
        half = 0.0
        if self.slot_clearance_m is not None:
            half = self.slot_clearance_m / (2.0 * (self.linkage_ratio or 1.0))
        return Hanger(
            self.spring_load_n,
            self.rate_n_per_m,
            friction * (self.friction_n or 0.0),
            self.locked_at_m - half,
            self.locked_at_m + half,
            offset,
            self.series_n_per_m,
        )

    def free(self, *, friction: float = 1.0, offset_m: float | None = None) -> Hanger | None:
        """Its law with every stop out; None where load, rate, friction or an end of travel is not known."""
        offset = self._offset_m() if offset_m is None else offset_m
        if self.kind == "rigid":
            return rigid(offset, self.series_n_per_m)
        if self.spring_load_n is None or self.rate_n_per_m is None:
            return None
        if self.travel_low_m is None or self.travel_high_m is None:
            return None
        if self.friction_n is None and friction:
            return None
        return Hanger(
            self.spring_load_n,
            self.rate_n_per_m,
            friction * (self.friction_n or 0.0),
            self.travel_low_m,
            self.travel_high_m,
            offset,
            self.series_n_per_m,
        )


@dataclass(frozen=True)
class WeighedItem:
    """One thing that weighs: part of a segment, or a mass.

    Attributes:
        owner: id of the segment or mass. kind: `segment` or `mass`
        part: `pipe`, `insulation`, `jacketing`, `contents` or `mass`
        weight_n: weight of the whole part in each case, by case name [N]; `present` is what it would weigh
            now if all of it were there, of contents the greatest that is ever in the line
        share_present: share of weight_n["present"] that is there now, 0 to 1 (contents: by what is in the
            line)
        centre_m: where it acts, global axes [m]
    """

    owner: str
    kind: Literal["segment", "mass"]
    part: Literal["pipe", "insulation", "jacketing", "contents", "mass"]
    weight_n: Mapping[str, float]
    share_present: float
    centre_m: tuple[float, float, float]


@dataclass(frozen=True)
class SegmentPlace:
    """Where a segment lies in the frame: its elements and the nodes along it.

    Attributes:
        straights: indices into frame.straights, from the first node to the second. bends: likewise
        nodes: indices into frame.coordinates along it, both ends included
        length_m: along its centre line [m]
    """

    straights: tuple[int, ...]
    bends: tuple[int, ...]
    nodes: tuple[int, ...]
    length_m: float


@dataclass(frozen=True)
class BuiltLine:
    """A line ready to be solved.

    Attributes:
        frames: the frame for each case; its interfaces are the hangers, in the order of `hangers`. Cases
            share one object where they have the same moduli (all but `hot`, which has the hot moduli)
        cases: load cases: `cold` as designed, `present` as it stands (cold), `hot` as designed with thermal
            growth and imposed movements, `test` filled for the pressure test
        items: what weighs, for sums that can be checked by hand
        unit_loads: for each item, in their order: the load case of weight_n["present"] alone
        nodes: index of each named node in the coordinates of every frame
        segments: place of each segment
        thermal: growth and imposed movements from cold to hot alone, without weight; for frames["hot"]
        surveyed: whether a level survey states the pick-up height of every hanger
        limits: what the model leaves out, a sentence each, for the caller
        present_not_stated: pointers into the model of what is on or in the line now and neither an
            inspection nor the model states; the case `present` takes it as designed and cold
    """

    frames: Mapping[CaseName, Frame]
    cases: Mapping[CaseName, Case]
    hangers: tuple[SupportedHanger, ...]
    items: tuple[WeighedItem, ...]
    unit_loads: Sequence[Case]
    nodes: Mapping[str, int]
    segments: Mapping[str, SegmentPlace]
    thermal: Case
    limits: tuple[str, ...] = ()
    surveyed: bool = field(default=False)
    present_not_stated: tuple[str, ...] = ()
