"""A line that is reckoned by hand: two equal spans, both ends built in, one hanger in the middle.

Of w on both spans the hanger takes w L where it holds the pipe level, and 24 E I / L^3 for each unit of
height: the fixed-ended beam of 2 L, w (2 L)^4 / (384 E I) over (2 L)^3 / (192 E I).
"""

from __future__ import annotations

from dataclasses import replace

from service.domain.line_models.built import BuiltLine, SegmentPlace, SupportedHanger, WeighedItem
from service.engineering.frames.frame import TRANSLATION, Case, Frame, Restraint
from tests.lines.base import (
    COVER_KG_PER_M,
    FULL_N_PER_M,
    GRAVITY,
    PIPE_KG_PER_M,
    SECOND_MOMENT_M4,
    SPAN_M,
    YOUNG_PA,
    straight_frame,
)

LEVEL_N = FULL_N_PER_M * SPAN_M
STIFFNESS_N_PER_M = 24.0 * YOUNG_PA * SECOND_MOMENT_M4 / SPAN_M**3
RATE_N_PER_M = 60e3
RISE_M = 0.010
LEAD_M = 0.006
PER_SPAN = 9

SPRING = SupportedHanger(
    "H1",
    "variable",
    "H1",
    spring_load_n=LEVEL_N + RATE_N_PER_M * RISE_M,
    rate_n_per_m=RATE_N_PER_M,
    friction_n=0.0,
    travel_low_m=-0.04,
    travel_high_m=0.04,
    slot_clearance_m=0.0,
    linkage_ratio=1.0,
    lead_m=LEAD_M,
    turn_limit_raise=8.0,
    turn_limit_lower=8.0,
    height_error_m=0.0,
    height_uncertainty_m=0.0,
    rod_capacity_n=20120.0,
    rod_test_capacity_n=30000.0,
    stop_capacity_up_n=2800.0,
    stop_capacity_down_n=2800.0,
    locked_capacity_n=30000.0,
    operating_load_n=LEVEL_N,
    installed_load_n=LEVEL_N + RATE_N_PER_M * RISE_M,
    design_movement_m=RISE_M,
    indicator_sign=-1,
    locked_reading_m=0.070,
    cold_mark_m=0.070,
    hot_mark_m=0.060,
    expected_released_cold_m=0.0695,
)


def two_spans(
    *,
    bare: tuple[str, ...] = (),
    imposed_m: float = 0.0,
    test_factor: float = 1.0,
    loose: tuple[str, ...] = (),
    **fields: object,
) -> BuiltLine:
    """The line.

    bare: segments without cover now. imposed_m: rise of the right anchor from cold to hot. test_factor:
    weight under test over the weight as designed. loose: what the anchors let the line do: `rise`, `tilt`.
    fields: of the hanger.
    """
    frame = straight_frame(2, PER_SPAN)
    held = [each for each in frame.restraints if _lets(each) not in loose]
    frame = Frame(frame.coordinates, frame.straights, frame.bends, held, frame.interfaces)
    items, units, segments = [], [], {}
    cold, present, test = frame.no_load(), frame.no_load(), frame.no_load()
    for place, name in enumerate(("S1", "S2")):
        elements = tuple(range(place * PER_SPAN, (place + 1) * PER_SPAN))
        segments[name] = SegmentPlace(elements, (), (*elements, elements[-1] + 1), SPAN_M)
        for part, mass in (("pipe", PIPE_KG_PER_M), ("insulation", COVER_KG_PER_M)):
            weight = mass * SPAN_M * GRAVITY
            share = 0.0 if part == "insulation" and name in bare else 1.0
            weights = {"cold": weight, "present": weight, "hot": weight, "test": weight * test_factor}
            centre = ((place + 0.5) * SPAN_M, 0.0, 0.0)
            items.append(WeighedItem(name, "segment", part, weights, share, centre))  # type: ignore[arg-type]
            unit = frame.no_load()
            unit.straight_n_per_m[list(elements), 2] = -weight / SPAN_M
            units.append(unit)
            cold.straight_n_per_m[:, 2] += unit.straight_n_per_m[:, 2]
            present.straight_n_per_m[:, 2] += share * unit.straight_n_per_m[:, 2]
            test.straight_n_per_m[:, 2] += test_factor * unit.straight_n_per_m[:, 2]
    thermal = _imposing(frame, frame.no_load(), imposed_m)
    hot = _imposing(frame, replace(cold, imposed=cold.imposed.copy()), imposed_m)
    return BuiltLine(
        dict.fromkeys(("cold", "present", "hot", "test"), frame),  # type: ignore[arg-type]
        {"cold": cold, "present": present, "hot": hot, "test": test},
        (replace(SPRING, **fields),),  # type: ignore[arg-type]
        tuple(items),
        tuple(units),
        {"A": 0, "H1": PER_SPAN, "B": 2 * PER_SPAN},
        segments,
        thermal,
        ("A straight line that is reckoned by hand.",),
        surveyed=True,
    )


def _lets(restraint: Restraint) -> str:
    """What the line could do without a restraint."""
    if restraint.kind == TRANSLATION:
        return "rise" if restraint.direction[2] else "slide"
    return "tilt" if restraint.direction[1] else "turn"


def _imposing(frame: Frame, case: Case, rise_m: float) -> Case:
    for place, each in enumerate(frame.restraints):
        if each.node == 2 * PER_SPAN and each.kind == TRANSLATION and each.direction[2]:
            case.imposed[place] = rise_m
    return case
