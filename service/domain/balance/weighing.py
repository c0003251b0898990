"""Weighing: what checks and readiness take from the balance of a line, hanger by hanger.

Loads are at the pipe, upward positive. Readings are those of the position indicator. What cannot be said is
None or `cannot_say`, with the pointers of what is missing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

EndOfTravel = Literal["will", "may", "will_not", "cannot_say"]


@dataclass(frozen=True)
class Standing:
    """Where a hanger's pin will stand with all stops out, in one case.

    Attributes:
        verdict: whether it `will`, `may` or `will_not` reach an end of its travel within the friction band
        end: `upper` or `lower`: the end in question, None where neither
        position_m: without friction, from the locked position, up positive [m]
        least_m, greatest_m: over the friction band [m]
        margin_m: from the nearer end at the worst of the band; negative: by how much the end is passed, which
            is not reckoned for a line of many hangers: None [m]
        nearer: the end that the margin is from
    """

    verdict: EndOfTravel
    end: Literal["upper", "lower"] | None = None
    position_m: float | None = None
    least_m: float | None = None
    greatest_m: float | None = None
    margin_m: float | None = None
    nearer: Literal["upper", "lower"] | None = None


@dataclass(frozen=True)
class HangerWeighing:
    """What the balance says of one hanger.

    Attributes:
        mark: its key
        locked_load_n: load of the locked hanger as the line stands now, as an interval (low, high) over
            the uncertainty of the pick-up heights [N]
        locked_test_load_n: load locked under the pressure test, likewise [N]
        out_of_balance_n: locked load less the spring's force, likewise [N]
        expected_released_cold_m: reading when all stops of the line are out, cold, as designed [m]
        expected_band_m: half width of that reading over the friction band [m]
        cold, hot: where it will stand, all stops out, as the line stands now and hot as designed
        missing: pointers into its record of what was wanted and is not stated
        thermal_movement_m: what growth and imposed movements do at it, cold to hot, up positive; None where
            it is not said [m]
        complete: where it will stand, all stops out, cold, with the heights and turns of now and all weight
            of the design on; None where no weight is missing
        released_load_n: greatest load with all stops out, cold as the line stands now and hot as designed, as
            an interval over the friction bands and the pick-up heights [N]
    """

    mark: str
    locked_load_n: tuple[float, float] | None
    locked_test_load_n: tuple[float, float] | None
    out_of_balance_n: tuple[float, float] | None
    expected_released_cold_m: float | None
    expected_band_m: float | None
    cold: Standing
    hot: Standing
    missing: tuple[str, ...] = ()
    thermal_movement_m: float | None = None
    complete: Standing | None = None
    released_load_n: tuple[float, float] | None = None


@dataclass(frozen=True)
class MissingWeight:
    """A part that is not wholly on. owner: segment or mass; part: insulation, jacketing or contents [N]."""

    owner: str
    part: str
    weight_n: float


@dataclass(frozen=True)
class Weighing:
    """What the balance of a line says.

    Attributes:
        model_revision, model_sequence: of the line model; None for a posted one
        hangers: by mark
        design_sum_n: sum of the springs' operating loads, and of what the hot line presses on them with
            every hanger held at its hot position (found, expected) [N]; None where it cannot be said
        drifting: marks of the hangers that would leave the line without anything to fix its height
        unheld: node and direction that nothing holds, where the frame is a mechanism
        missing_weights: greatest first
        indicative: whether pick-up heights are not surveyed, so that locked loads are intervals
        limits: what the model leaves out
        unsaid: why something cannot be said, by what it is: `locked`, `locked_test`, `expected_cold`, `cold`,
            `hot`, `design_sum`, `thermal_movement`; a sentence each
        wanting: pointers of what is missing for the standing of the hangers, by mark: each moves all others
        assumed: what was taken where nothing was stated, a sentence each
        present_not_stated: pointers into the model of what is on or in the line now and nothing states; the
            line as it stands takes it as designed and cold
    """

    model_revision: int | None
    model_sequence: int | None
    hangers: Mapping[str, HangerWeighing]
    design_sum_n: tuple[float, float] | None
    drifting: tuple[str, ...]
    unheld: str | None
    missing_weights: tuple[MissingWeight, ...]
    indicative: bool
    limits: tuple[str, ...]
    unsaid: Mapping[str, str] = field(default_factory=dict)
    wanting: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    assumed: tuple[str, ...] = ()
    present_not_stated: tuple[str, ...] = ()
