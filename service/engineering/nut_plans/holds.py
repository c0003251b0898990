"""Hold points: where the crew stops turning, looks and reads before it goes on.

Turns are positive when they raise the load on the pipe.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from service.engineering.nut_plans.intervals import require_not_negative, require_positive

MOST_HOLDS = 200
_SLACK = 1e-9


@dataclass(frozen=True)
class HoldLimits:
    """What ends a step. load_fraction: largest predicted change of load, here or at a neighbour, as a
    share of the operating load there. movement_m: largest take-up of the rod, which bounds the movement
    of the pipe [m]. part_of_total: largest part of all turns asked for, for work on a released support;
    None where it does not apply.

    Source of the defaults: common practice, no source (a tenth of the load, a quarter of the total, 6 mm).
    """

    load_fraction: float = 0.10
    movement_m: float = 0.006
    part_of_total: float | None = None

    def __post_init__(self) -> None:
        require_positive(load_fraction=self.load_fraction, movement_m=self.movement_m)
        if self.part_of_total is not None:
            require_positive(part_of_total=self.part_of_total)


@dataclass(frozen=True)
class Influence:
    """What one turn here does to a support. operating_load_n: its operating load, > 0 [N].
    load_per_turn_n: largest change of its load for one turn, either sign [N]. mark: its name."""

    mark: str
    operating_load_n: float
    load_per_turn_n: float

    def __post_init__(self) -> None:
        require_positive(operating_load_n=self.operating_load_n)
        require_not_negative(load_per_turn_n=abs(self.load_per_turn_n))


@dataclass(frozen=True)
class Step:
    """Most turns between two holds, > 0, and why: `load_here`, `load_at_neighbour`, `rod_movement`,
    `part_of_total`. mark: the neighbour, where it is one."""

    turns: float
    reason: str
    mark: str | None = None


@dataclass(frozen=True)
class Hold:
    """A hold point: its place, turns made from the start (signed), and why it stands there.

    reason: a step's reason, `pin_may_be_free`, or `aim` for the last.
    """

    number: int
    turns: float
    reason: str
    mark: str | None = None


def largest_step(
    limits: HoldLimits,
    lead_m: float,
    here: Influence | None,
    neighbours: Sequence[Influence] = (),
    total_turns: float | None = None,
) -> Step:
    """Most turns that may be made between two holds: the tightest of all limits.

    Args:
        limits: what ends a step
        lead_m: change of length for one turn, > 0 [m]
        here: this support; None when the effect of a turn on its load is not known
        neighbours: supports whose load a turn here changes
        total_turns: all turns asked for, either sign; None where their part does not count

    Returns:
        the step

    Source: common practice, no source.
    """
    require_positive(lead_m=lead_m)
    steps = [Step(limits.movement_m / lead_m, "rod_movement")]
    if limits.part_of_total is not None and total_turns:
        steps.append(Step(abs(total_turns) * limits.part_of_total, "part_of_total"))
    for influence, reason in [(here, "load_here"), *((one, "load_at_neighbour") for one in neighbours)]:
        if influence is not None and influence.load_per_turn_n != 0.0:
            turns = limits.load_fraction * influence.operating_load_n / abs(influence.load_per_turn_n)
            mark = influence.mark if reason == "load_at_neighbour" else None
            steps.append(Step(turns, reason, mark))
    return min(steps, key=lambda step: step.turns)


def whole_flats(turns: float, flats: int | None) -> float:
    """A step cut down to whole flats where it holds at least one; a smaller one stays as it is.

    Args:
        turns: turns of a step, > 0
        flats: flats of the part that is turned; None when not known

    Returns:
        turns, > 0 and not above the step
    """
    if flats is None:
        return turns
    count = math.floor(turns * flats * (1.0 + _SLACK))
    return count / flats if count >= 1 else turns


def hold_points(
    aim: float, step: Step, flats: int | None, free_from: float | None = None, look: float | None = None
) -> tuple[Hold, ...] | None:
    """The hold points from the start to the aim.

    Up to where the pin may be free they stand a step apart; one stands there; from there on they stand
    no further apart than `look`, so that the free part of the slot cannot be passed between two looks.

    Args:
        aim: all turns asked for, signed
        step: most turns between two holds
        flats: flats of the part that is turned; None when not known
        free_from: turns, signed, from which the pin may be free; None where no pin is watched
        look: most turns between looks from there on, > 0; None for the step

    Returns:
        holds in order, the last at the aim; None when there would be more than `MOST_HOLDS`
    """
    total, sign = abs(aim), (1 if aim >= 0 else -1)
    watched = total if free_from is None else min(abs(free_from), total)
    stride = whole_flats(step.turns, flats)
    close = stride if look is None else min(stride, whole_flats(look, flats))
    if close <= 0.0 or watched / stride + (total - watched) / close > MOST_HOLDS - 2:
        return None
    places = [(turns, step.reason, step.mark) for turns in _between(0.0, watched, stride)]
    if free_from is not None and 0.0 < watched < total * (1.0 - _SLACK):
        places.append((watched, "pin_may_be_free", None))
    closer = close < stride
    for turns in _between(watched, total, close):
        places.append((turns, "pin_may_be_free", None) if closer else (turns, step.reason, step.mark))
    places.append((total, "aim", None))
    return tuple(Hold(place, sign * turns, why, mark) for place, (turns, why, mark) in enumerate(places, 1))


def _between(start: float, end: float, stride: float) -> list[float]:
    """The places start + stride, start + 2 stride, ... that lie before the end."""
    count = math.ceil((end * (1.0 - _SLACK) - start) / stride) - 1
    return [start + stride * place for place in range(1, count + 1)]
