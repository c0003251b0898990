"""The straight line of the worked mechanics cases, as a built line.

Horizontal, fixed at x = 0 and x = 54 m; hangers H1 to H5 at 9, 18, 27, 36 and 45 m. No shear; rods and steel
rigid. The figures are those of the published cases in tests/validation/test_mechanics_cases.py.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from service.domain.line_models.built import BuiltLine, SegmentPlace, SupportedHanger, WeighedItem
from service.engineering.frames.bends import Bends
from service.engineering.frames.elements import Straights
from service.engineering.frames.frame import ROTATION, TRANSLATION, Case, Frame, Interface, Restraint

YOUNG_PA = 203e9
SECOND_MOMENT_M4 = 40182429.0 / YOUNG_PA
PIPE_KG_PER_M = 132.05
COVER_KG_PER_M = 35.5
GRAVITY = 9.80665
FULL_N_PER_M = 1643.1042
CALIBRATED_N = 14787.938
LEAD_M = 0.006
SPAN_M = 9.0
MARKS = ("H1", "H2", "H3", "H4", "H5")


def no_bends() -> Bends:
    none = np.zeros(0)
    return Bends(np.zeros((0, 2), int), np.zeros((0, 3)), none, none, none, none, none, none, none)


def straight_frame(spans: int = 6, per_span: int = 9) -> Frame:
    """Fixed at both ends, a hanger between each two spans."""
    count = spans * per_span
    x = np.linspace(0.0, spans * SPAN_M, count + 1)
    every = np.ones(count)
    straights = Straights(
        np.array([(place, place + 1) for place in range(count)]),
        every * 0.0168,
        every * SECOND_MOMENT_M4,
        every * 2.0 * SECOND_MOMENT_M4,
        every * np.inf,
        every * YOUNG_PA,
        every * YOUNG_PA / 2.6,
    )
    axes = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
    held = [
        Restraint(node, axis, kind, "anchor")
        for node in (0, count)
        for kind in (TRANSLATION, ROTATION)
        for axis in axes
    ]
    hangers = [Interface(per_span * (place + 1)) for place in range(spans - 1)]
    return Frame(np.stack([x, 0.0 * x, 0.0 * x], axis=1), straights, no_bends(), held, hangers)


def weight_case(
    frame: Frame, bare_spans: tuple[int, ...] = (), factor: float = 1.0, per_span: int = 9
) -> Case:
    """The weight of the line; spans by number from 1 without their insulation and jacketing."""
    case = frame.no_load()
    case.straight_n_per_m[:, 2] = -FULL_N_PER_M * factor
    for span in bare_spans:
        case.straight_n_per_m[(span - 1) * per_span : span * per_span, 2] += COVER_KG_PER_M * GRAVITY
    return case


def base_line(
    *,
    bare_spans: tuple[int, ...] = (),
    factor: float = 1.0,
    hangers: Mapping[str, Mapping[str, object]] | None = None,
    **every: object,
) -> BuiltLine:
    """The base line with constant supports.

    bare_spans: spans without cover now (case `present`). factor: weight now over the weight as designed.
    hangers: fields of single hangers by mark; other keywords: fields of every hanger.
    """
    frame = straight_frame()
    supports = []
    for mark in MARKS:
        hanger = SupportedHanger(
            mark,
            "constant",
            mark,
            spring_load_n=CALIBRATED_N,
            rate_n_per_m=0.0,
            friction_n=0.0,
            travel_low_m=-0.06,
            travel_high_m=0.04,
            slot_clearance_m=0.004,
            linkage_ratio=1.0,
            lead_m=LEAD_M,
            turn_limit_raise=20.0,
            turn_limit_lower=20.0,
            height_error_m=0.0,
            height_uncertainty_m=0.0,
            rod_capacity_n=20120.0,
            rod_test_capacity_n=30000.0,
            stop_capacity_up_n=2800.0,
            stop_capacity_down_n=2800.0,
            locked_capacity_n=30000.0,
            operating_load_n=CALIBRATED_N,
            design_movement_m=0.0,
            indicator_sign=1,
            locked_reading_m=0.0,
            cold_mark_m=0.0,
            hot_mark_m=0.0,
        )
        fields = {**every, **(hangers or {}).get(mark, {})}
        supports.append(replace(hanger, **fields))  # type: ignore[arg-type]
    items, units, segments = [], [], {}
    for span in range(1, 7):
        name, places = f"S{span}", range((span - 1) * 9, span * 9)
        segments[name] = SegmentPlace(tuple(places), (), (*places, span * 9), SPAN_M)
        centre = ((span - 0.5) * SPAN_M, 0.0, 0.0)
        for part, mass in (("pipe", PIPE_KG_PER_M), ("insulation", COVER_KG_PER_M)):
            weight = mass * SPAN_M * GRAVITY
            share = 0.0 if part == "insulation" and span in bare_spans else 1.0
            weights = dict.fromkeys(("cold", "present", "hot", "test"), weight)
            items.append(WeighedItem(name, "segment", part, weights, share, centre))  # type: ignore[arg-type]
            unit = frame.no_load()
            unit.straight_n_per_m[list(places), 2] = -weight / SPAN_M
            units.append(unit)
    full = weight_case(frame)
    present = weight_case(frame, bare_spans, factor)
    return BuiltLine(
        dict.fromkeys(("cold", "present", "hot", "test"), frame),  # type: ignore[arg-type]
        {"cold": full, "present": present, "hot": full, "test": full},
        tuple(supports),
        tuple(items),
        tuple(units),
        {mark: 9 * (place + 1) for place, mark in enumerate(MARKS)},
        segments,
        frame.no_load(),
        ("A straight line of a worked case.",),
        True,
    )
