"""Influence: what a turn at one hanger does to all of them, and how far that holds.

Turns are positive when they raise the load on the pipe. The tables hold within one contact state only.
"""

from __future__ import annotations

import math
from typing import Any, Literal

import numpy as np

from service.domain.balance.analysis import Analysis
from service.domain.balance.contacts import bears, height_transfer, way_to_contact_change
from service.domain.balance.figures import Figures, plain
from service.domain.balance.locked import Locked
from service.engineering.frames.elements import Array
from service.units import Dimension

Per = Literal["turn", "kilonewton"]

_KILONEWTON_N = 1e3


def influence_document(
    analysis: Analysis, locked: Locked | None, per: Per, figures: Figures
) -> dict[str, Any] | None:
    """The influence matrix of the line as it stands.

    Args:
        analysis: the line
        locked: its state with the stops that are in now; None where it cannot be said
        per: one raising turn at the hanger of each column, or one kilonewton more at it
        figures: system of units

    Returns:
        tables with a row for each hanger and a column for each that is turned; a column is null where
        the lead is not on record, or where a kilonewton is asked and turning does not change the load
    """
    if locked is None:
        return None
    movement, force = height_transfer(analysis.line("present").stiffness, locked.state)
    heights = [
        _height_m(each.lead_m, float(force[place, place]), per) for place, each in enumerate(locked.hangers)
    ]
    pins = _pins(locked, movement, force)
    columns = []
    for place, (hanger, height) in enumerate(zip(locked.hangers, heights, strict=True)):
        columns.append(
            {
                "mark": hanger.mark,
                "turns": None if height is None or hanger.lead_m is None else plain(height / hanger.lead_m),
                "holds_up_to": {"raise": None, "lower": None}
                if height is None
                else {
                    "raise": _holds(locked, movement, force, place, height),
                    "lower": _holds(locked, movement, force, place, -height),
                },
            }
        )
    scale = np.array([math.nan if each is None else each for each in heights])
    return {
        "per": per,
        "marks": list(analysis.marks),
        "columns": columns,
        "load_change": _table(force * scale, Dimension.FORCE, figures),
        "pipe_movement": _table(movement * scale, Dimension.LENGTH, figures),
        "indicator_movement": _table(pins * scale, Dimension.LENGTH, figures),
    }


def _height_m(lead_m: float | None, own_n_per_m: float, per: Per) -> float | None:
    """Height that is added at the hanger for one unit of the table [m]; None where there is none."""
    if per == "turn":
        return lead_m
    # A hanger whose pin moves freely and has no rate keeps its load whatever is turned.
    return None if own_n_per_m <= 1e-6 else _KILONEWTON_N / own_n_per_m


def _pins(locked: Locked, movement: Array, force: Array) -> Array:
    """Movement of each pin for a unit of height at each hanger, up positive, (m, m) [1]."""
    found = np.zeros_like(movement)
    for place, (law, part) in enumerate(zip(locked.state.hangers, locked.state.parts, strict=True)):
        if not bears(law, part) and law.low_m < law.high_m:
            found[place] = movement[place] + force[place] / law.series_n_per_m
            found[place, place] -= 1.0
    return found


def _holds(locked: Locked, movement: Array, force: Array, place: int, height_m: float) -> float | None:
    """Units of the table up to the next contact change, zero or more; None where no contact changes."""
    added = np.zeros(len(movement))
    added[place] = height_m
    way = way_to_contact_change(
        locked.state, movement[:, place] * height_m, force[:, place] * height_m, added
    )
    return None if math.isinf(way) else plain(way)


def _table(values_si: Array, dimension: Dimension, figures: Figures) -> dict[str, Any]:
    unknown = [bool(np.isnan(column).any()) for column in values_si.T]
    table = figures.table(np.where(np.isnan(values_si), 0.0, values_si), dimension)
    rows = [[None if unknown[place] else value for place, value in enumerate(row)] for row in table["rows"]]
    return {"unit": table["unit"], "rows": rows}
