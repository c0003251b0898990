"""Random lines for orders of release, made by a seed."""

from __future__ import annotations

import math

import numpy as np

from service.engineering.frames.solution import factorise
from service.engineering.release_order.steps import Support, Yard
from service.engineering.states.laws import Hanger, rigid
from service.engineering.states.tracing import Line, State
from tests.lines.base import CALIBRATED_N, LEAD_M, straight_frame, weight_case


def random_yard(
    count: int,
    seed: int,
    *,
    height_m: float = 0.004,
    travel_m: float = 0.2,
    rigid_place: int | None = None,
    friction: float = 0.0,
) -> tuple[Yard, State]:
    """A straight line on constants and variables, some without clearance or on soft rods, at wrong heights.

    height_m: standard deviation of the pick-up heights. travel_m: travel to either end. rigid_place: a hanger
    that is rigid. friction: half the band over the spring's load.
    """
    chance = np.random.default_rng(seed)
    frame = straight_frame(count + 1, 2)
    condensed = factorise(frame).condense([weight_case(frame, per_span=2, factor=1.02)])
    hangers, supports = [], []
    for place in range(count):
        height = float(chance.normal(0.0, height_m))
        load = CALIBRATED_N * float(chance.uniform(0.95, 1.05))
        rate = float(chance.uniform(3e4, 3e5)) if chance.random() < 0.5 else 0.0
        half = float(chance.choice([0.0, 0.001, 0.003]))
        series = float(chance.choice([math.inf, 2e7]))
        if place == rigid_place:
            hangers.append(rigid(0.0, series))
        else:
            hangers.append(Hanger(load, rate, friction * load, -half, half, height, series))
        supports.append(
            Support(
                -travel_m,
                travel_m,
                LEAD_M,
                linkage_ratio=1.5 if place == 1 else 1.0,
                rod_capacity_n=25000.0,
                locked_capacity_n=27000.0,
                stop_capacity_up_n=float(chance.uniform(3000.0, 8000.0)),
                stop_capacity_down_n=float(chance.uniform(3000.0, 8000.0)),
                turn_limit_raise=12.0,
                turn_limit_lower=10.0,
            )
        )
    line = Line(condensed.stiffness)
    state = line.start(tuple(hangers), condensed.loads[:, 0])
    return Yard(line, supports, np.array([each.offset_m for each in hangers])), state
