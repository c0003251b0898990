"""Summary of a line's weights, in a form that a hand can check: length times mass of one metre."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from service.domain.line_models.built import CASES, BuiltLine, CaseName, WeighedItem
from service.domain.line_models.weights import GRAVITY_M_PER_S2
from service.units import Dimension, quantity_from_si


def summary(built: BuiltLine) -> dict[str, Any]:
    """Weights of a line by segment and part, by mass, and in all.

    Every mass and weight stands by case: `cold`, `hot` and `test` as designed, `present` as it stands now.

    Args:
        built: the line

    Returns:
        `segments`: each with id, length and parts; a part has its share that is on now, the mass of one metre
        and of the whole by case. `masses`: likewise, without a length. `total`: mass and weight by case
    """
    of_segments: dict[str, list[WeighedItem]] = {name: [] for name in built.segments}
    masses: list[WeighedItem] = []
    for item in built.items:
        (of_segments[item.owner] if item.kind == "segment" else masses).append(item)
    return {
        "segments": [
            {
                "segment": name,
                "length": quantity_from_si(built.segments[name].length_m, "m", Dimension.LENGTH),
                "parts": [_part(item, built.segments[name].length_m) for item in items],
                "weight": _by_case(items, weight=True),
            }
            for name, items in of_segments.items()
        ],
        "masses": [
            {"mass": item.owner, "share_present": item.share_present, "masses": _by_case([item])}
            for item in masses
        ],
        "total": {"masses": _by_case(built.items), "weight": _by_case(built.items, weight=True)},
    }


def weight_n(item: WeighedItem, case: CaseName) -> float:
    """What an item weighs in a case, now by the share of it that is on [N]."""
    return item.weight_n[case] * (item.share_present if case == "present" else 1.0)


def _part(item: WeighedItem, length_m: float) -> dict[str, Any]:
    return {
        "part": item.part,
        "share_present": item.share_present,
        "one_metre": _by_case([item], length_m),
        "masses": _by_case([item]),
    }


def _by_case(
    items: Iterable[WeighedItem], length_m: float = 1.0, *, weight: bool = False
) -> dict[str, dict[str, Any]]:
    """Mass in kg, or weight in kN, of items in each case; for each metre of a length where one is given."""
    listed = list(items)
    found: dict[str, dict[str, Any]] = {}
    for case in CASES:
        total = math.fsum(weight_n(item, case) for item in listed) / length_m
        if weight:
            found[case] = quantity_from_si(total, "kN", Dimension.FORCE)
        else:
            found[case] = quantity_from_si(total / GRAVITY_M_PER_S2, "kg", Dimension.MASS)
    return found
