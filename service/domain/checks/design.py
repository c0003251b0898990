"""Rules of the design data: does the support meet the standard, and does it fit its travel."""

from __future__ import annotations

import math

from service.domain.checks.look import Look, Row
from service.engineering import checks
from service.units import Dimension

FORCE, LENGTH, RATE, RATIO = Dimension.FORCE, Dimension.LENGTH, Dimension.STIFFNESS, Dimension.RATIO


def variability(look: Look) -> Row:
    """Change of a variable spring's load over its movement, as a share of the operating load."""
    rate = look.si("/design/spring_rate", RATE)
    movement = look.si("/design/vertical_movement", LENGTH)
    hot = look.operating_load()
    look.settle()
    return look.compared(
        checks.variability_of_spring(rate, movement, hot, look.limit("variability_max")),
        RATIO,
        {
            "pass": "The load changes within the limit between cold and hot.",
            "fail": "The load changes by more than the limit between cold and hot.",
        },
    )


def constant_deviation(look: Look) -> Row:
    """Certified deviation of a constant support, not below its friction."""
    deviation = look.si("/design/deviation", RATIO)
    friction = look.optional_si("/design/friction", RATIO)
    look.settle()
    return look.compared(
        checks.constant_deviation(deviation, friction, look.limit("deviation_max")),
        RATIO,
        {
            "pass": "The certified deviation, friction included, keeps the limit.",
            "fail": "The certified deviation, friction included, exceeds the limit.",
        },
    )


def constant_total_travel(look: Look) -> Row:
    """Total travel of a constant support against movement plus allowance."""
    total = look.si("/design/total_travel", LENGTH)
    movement = look.si("/design/vertical_movement", LENGTH)
    look.settle()
    verdict = checks.total_travel(
        total, movement, look.limit("total_travel_share"), look.limit("total_travel_least")
    )
    return look.compared(
        verdict,
        LENGTH,
        {
            "pass": "The total travel holds the movement and its allowance.",
            "fail": "The total travel is less than the movement with its allowance.",
        },
    )


def design_positions(look: Look) -> tuple[list[float], float, float, bool]:
    """Positions that the design wants, ends of the scale, and whether the reading rises with the pipe.

    The positions are the cold mark, the same moved by the design movement, and the hot mark and the
    expected released-cold reading where they are stated. A spring that stands off its cold mark when
    released moves to the hot mark all the same; only where no hot mark is stated is that reading moved
    by the design movement too.
    """
    low = look.si("/indicator/span/low", LENGTH)
    high = look.si("/indicator/span/high", LENGTH)
    sense = look.value("/indicator/rises_when_pipe")
    cold = look.si("/indicator/cold_mark", LENGTH)
    movement = look.si("/design/vertical_movement", LENGTH)
    step = movement if sense == "rises" else -movement
    positions = [cold, cold + step]
    hot_mark = look.optional_si("/indicator/hot_mark", LENGTH)
    if hot_mark is not None:
        positions.append(hot_mark)
    released = look.optional_si("/indicator/expected_released_cold", LENGTH)
    if released is not None:
        positions += [released] if hot_mark is not None else [released, released + step]
    return positions, low, high, sense == "rises"


def reserve(look: Look, positions: list[float], low: float, high: float, at_high: bool) -> Row:
    """Least reserve of positions to one end of the scale."""
    verdict = checks.travel_reserve(
        positions,
        high if at_high else low,
        high - low if at_high else low - high,
        look.limit("reserve_share"),
        look.limit("reserve_least"),
    )
    return look.compared(
        verdict,
        LENGTH,
        {
            "pass": "The reserve to this end of travel is kept.",
            "attention": "Less than the wanted reserve is left to this end of travel.",
            "fail": "This end of travel is reached.",
        },
    )


def _reserve_at(look: Look, upper_end: bool) -> Row:
    positions, low, high, rises = design_positions(look)
    look.settle()
    if not low < high:
        look.cannot_say("The indicator's span has its low end above its high end.")
    # Where the reading falls when the pipe rises, the pipe's upper end lies at the scale's low end.
    return reserve(look, positions, low, high, at_high=upper_end == rises)


def reserve_upper_end(look: Look) -> Row:
    """Travel left upwards from every position of the design."""
    return _reserve_at(look, upper_end=True)


def reserve_lower_end(look: Look) -> Row:
    """Travel left downwards from every position of the design."""
    return _reserve_at(look, upper_end=False)


def cold_load(look: Look) -> float:
    """Spring load cold [N]: as installed where it is stated, else from operating load, rate and movement.

    Of a constant support: its calibrated load.
    """
    if look.subject.kind == "constant":
        return look.si("/design/calibrated_load", FORCE)
    installed = look.optional_si("/design/installed_load", FORCE)
    if installed is not None:
        return installed
    rate = look.si("/design/spring_rate", RATE)
    movement = look.si("/design/vertical_movement", LENGTH)
    return look.operating_load() + rate * movement


def _in_range(look: Look, load: float) -> Row:
    minimum = look.si("/design/working_range/minimum_load", FORCE)
    maximum = look.si("/design/working_range/maximum_load", FORCE)
    rate = look.si("/design/spring_rate", RATE)
    look.settle()
    verdict = checks.working_range(
        load, minimum, maximum, rate, look.limit("reserve_share"), look.limit("reserve_least")
    )
    return look.compared(
        verdict,
        FORCE,
        {
            "pass": "The load stands in the working range with its reserve.",
            "attention": "The load stands in the working range, without the wanted reserve to its end.",
            "fail": "The load stands outside the working range.",
        },
    )


def working_range_cold(look: Look) -> Row:
    """Cold load of a variable spring in its working range."""
    return _in_range(look, cold_load(look))


def working_range_hot(look: Look) -> Row:
    """Operating load of a variable spring in its working range."""
    return _in_range(look, look.operating_load())


CAPACITY_MESSAGES = {"pass": "The capacity is not exceeded.", "fail": "The capacity is exceeded."}


def locked_capacity(look: Look) -> Row:
    """Largest known load of the locked assembly against what it may carry locked.

    A known load that is too large fails even where another load is missing.
    """
    capacity = look.si("/design/locked_assembly_capacity", FORCE)
    loads = [look.share_of("/design/pressure_test_load"), look.operating_load(), cold_load(look)]
    known = [load for load in loads if not math.isnan(load)]
    unsaid = "Not every load of the locked assembly, or not its capacity, is stated."
    if not known or math.isnan(capacity):
        look.cannot_say(unsaid)
    verdict = checks.upper(max(known), capacity)
    if verdict.status != "fail":
        look.settle(unsaid)
    return look.compared(verdict, FORCE, CAPACITY_MESSAGES)


def linkage(look: Look) -> float:
    """Pin movement for one unit of rod movement [1]; not a number where the record does not state it."""
    ratio = look.value("/stop/linkage_ratio")
    return math.nan if ratio is None else float(ratio)


def _stop_holds(look: Look, force: float, capacity_pointer: str) -> Row:
    capacity = look.si(capacity_pointer, FORCE)
    look.settle()
    return look.compared(checks.upper(force, capacity), FORCE, CAPACITY_MESSAGES)


def stop_capacity_up(look: Look) -> Row:
    """The stop holding the whole spring force, as with a slack rod, against its upward capacity."""
    if look.optional("/design/stop_capacity_up") is None:
        look.not_applicable("The record states no upward capacity of the stops.")
    force = look.si("/design/locked_position/load", FORCE) / linkage(look)
    return _stop_holds(look, force, "/design/stop_capacity_up")


def stop_capacity_down(look: Look) -> Row:
    """The stop holding what the rod carries over the spring's load under test, against its capacity."""
    if look.optional("/design/stop_capacity_down") is None:
        look.not_applicable("The record states no downward capacity of the stops.")
    test = look.share_of("/design/pressure_test_load")
    held = look.si("/design/locked_position/load", FORCE)
    # A test load below the spring's leaves nothing downward for the stop to hold.
    force = max((test - held) / linkage(look), 0.0)
    return _stop_holds(look, force, "/design/stop_capacity_down")
