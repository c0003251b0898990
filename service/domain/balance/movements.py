"""Movements: what growth and imposed movements do at each hanger, and what the hot line then weighs on it.

Up is positive; movement is from cold to hot.
"""

from __future__ import annotations

import numpy as np

from service.domain.balance.analysis import Analysis, NotWeighable
from service.domain.balance.contacts import least_stiffness_n_per_m
from service.engineering.frames.elements import Array


def thermal_movement_m(analysis: Analysis) -> Array:
    """Movement of the pipe at each hanger from cold to hot by growth and imposed movements alone, (m,) [m].

    The springs are taken as forces that do not change, which is what a design takes that sets every spring
    to its weight share in the hot position. Where only springs fix the line's height they act by their
    rates. Rigid hangers hold their places.

    Raises:
        NotWeighable: nothing fixes the line's height, or only springs do and a rate is not stated

    Source: mechanics; the hot line's stiffness against the thermal loads.
    """
    condensed = analysis.factorised("hot").condense([analysis.built.thermal])
    hangers = analysis.built.hangers
    rigid = np.array([each.kind == "rigid" for each in hangers], dtype=np.bool_)
    series = np.array([each.series_n_per_m for each in hangers])
    fixed = rigid & np.isinf(series)
    held = np.where(rigid & ~fixed, series, 0.0)
    rates = np.array([0.0 if each.rate_n_per_m is None else each.rate_n_per_m for each in hangers])
    movement, free = np.zeros(len(series)), ~fixed
    if not free.any():
        return movement
    least = least_stiffness_n_per_m(condensed.stiffness)
    slopes = [held]
    if all(each.rate_n_per_m is not None for each in hangers if each.kind != "rigid"):
        slopes.append(held + np.where(rigid, 0.0, 1.0 / (1.0 / np.maximum(rates, 1e-9) + 1.0 / series)))
    for slope in slopes:
        matrix = condensed.stiffness[np.ix_(free, free)] + np.diag(slope[free])
        if float(np.linalg.eigvalsh(matrix).min()) >= least:
            movement[free] = np.linalg.solve(matrix, condensed.loads[free, 0])
            return movement
    raise NotWeighable(
        "Nothing fixes the height of the hot line as it grows.",
        missing={
            each.mark: list(each.missing) for each in hangers if each.rate_n_per_m is None and each.missing
        },
    )


def hot_demand_n(analysis: Analysis) -> Array:
    """What the hot line's weight presses on each hanger, each where growth alone takes it, (m,) [N].

    Held there the growth asks nothing of the hangers, so that the weights alone remain. Rigid hangers also
    take what growth puts on them; that is not counted here.
    """
    thermal = analysis.factorised("hot").condense([analysis.built.thermal]).loads[:, 0]
    demand: Array = thermal - analysis.load_n("hot")
    return demand


def design_sum_n(analysis: Analysis) -> tuple[float, float] | None:
    """Sum of the springs' operating loads, and of what the hot line presses on them [N].

    Rigid hangers are left out of both. None where an operating load is not stated.
    """
    hangers = analysis.built.hangers
    springs = [place for place, each in enumerate(hangers) if each.kind != "rigid"]
    known = [load for place in springs if (load := hangers[place].operating_load_n) is not None]
    if not springs or len(known) < len(springs):
        return None
    return sum(known), float(hot_demand_n(analysis)[springs].sum())
