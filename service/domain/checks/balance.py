"""Rules of what the line's balance says: loads with the stops in, and where springs stand with them out.

They run only where the line has a model. A load is an interval where pick-up heights are not surveyed: it
passes when the whole interval does, fails when none of it does, and between the two nothing can be said.
Loads at the pipe are upward positive; movements are cold to hot, up positive.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import Final, Literal

from service.domain.balance.weighing import HangerWeighing, Standing, Weighing
from service.domain.checks.design import CAPACITY_MESSAGES, linkage
from service.domain.checks.look import Look, Row
from service.domain.checks.strength import ROD_MESSAGES, operating_stress, rods_under, test_stress
from service.domain.checks.weighed import NotWeighed, lacking
from service.engineering import checks, springs
from service.engineering.checks import Verdict
from service.engineering.comparison import at_most
from service.units import Dimension

FORCE, LENGTH, RATIO = Dimension.FORCE, Dimension.LENGTH, Dimension.RATIO

Interval = tuple[float, float]

# Shares of assemblies that differ by less than this are equal.
_EQUAL: Final = 1e-9

# States of a hanger that carries on its stops; None is that of a posted record. In easing some may be out.
_STOPS_IN: Final = frozenset({"locked", "cleared", None})


# --- loads with the stops in ------------------------------------------------------------------------
def _reason(look: Look, part: str) -> str:
    """Why the balance cannot say a part, as a sentence to follow another; empty where it gives no reason."""
    weighing = look.subject.weighing
    reason = weighing.unsaid.get(part, "") if isinstance(weighing, Weighing) else ""
    return f" {reason}" if reason else ""


def _said(look: Look, hanger: HangerWeighing, interval: Interval | None, part: str = "locked") -> Interval:
    """An interval that the balance gives; ends the rule where it gives none. part: as `Weighing.unsaid`."""
    if interval is None:
        reason = _reason(look, part)
        if part == "locked" and not reason and look.subject.state not in _STOPS_IN:
            look.not_applicable("The hanger is not locked.")
        for pointer in hanger.missing:
            look.lack(pointer)
        look.cannot_say(f"The balance of the line cannot say this load.{reason}")
    return interval


def _indicative(look: Look) -> bool:
    weighing = look.subject.weighing
    return isinstance(weighing, Weighing) and weighing.indicative


def _within(
    look: Look, interval: Interval, verdict_of: Callable[[float], Verdict], messages: dict[str, str]
) -> Row:
    """The row of an interval whose upper end is the worse: nothing is said where its ends differ."""
    best, worst = verdict_of(interval[0]), verdict_of(interval[1])
    if worst.status == "pass" or best.status != "pass":
        return look.compared(worst, FORCE, messages)
    because = ", since pick-up heights are not surveyed" if _indicative(look) else ""
    low, high = (f"{load / 1000.0:.1f}" for load in interval)
    return look.undecided(
        worst,
        FORCE,
        f"The load lies between {low} and {high} kN{because}; it may exceed what is allowed.",
    )


def _assembly_load(look: Look, interval: Interval) -> Interval:
    """The assembly's part of a load of the hanger at the pipe, hardware weight included [N]."""
    hardware_n = look.si("/design/hardware_weight", FORCE)
    share = look.load_share()
    low, high = (springs.spring_load_n(load, hardware_n, share) for load in interval)
    return low, high


def _locked_row(look: Look, at_pipe: Interval) -> Row:
    load = _assembly_load(look, at_pipe)
    capacity = look.si("/design/locked_assembly_capacity", FORCE)
    look.settle()
    return _within(look, load, lambda found: checks.upper(found, capacity), CAPACITY_MESSAGES)


def locked_load(look: Look) -> Row:
    """Load of the locked assembly as the line stands against what it may carry locked."""
    hanger = look.hanger_weighing()
    return _locked_row(look, _said(look, hanger, hanger.locked_load_n))


def locked_load_test(look: Look) -> Row:
    """Load of the locked assembly under the pressure test against what it may carry locked."""
    hanger = look.hanger_weighing()
    return _locked_row(look, _said(look, hanger, hanger.locked_test_load_n, "locked_test"))


def rod_load(look: Look) -> Row:
    """Rods under the load of the locked hanger as the line stands, at the stress allowed in operation."""
    hanger = look.hanger_weighing()
    load = _assembly_load(look, _said(look, hanger, hanger.locked_load_n))
    return _within(look, load, rods_under(look, operating_stress(look)), ROD_MESSAGES)


def rod_load_test(look: Look) -> Row:
    """Rods under the load of the locked hanger under the pressure test, at the stress allowed for a test."""
    hanger = look.hanger_weighing()
    load = _assembly_load(look, _said(look, hanger, hanger.locked_test_load_n, "locked_test"))
    return _within(look, load, rods_under(look, test_stress(look)), ROD_MESSAGES)


def rod_load_released(look: Look) -> Row:
    """Rods under the greatest load with every stop out, cold or hot: what springs let go of, others take."""
    hanger = look.hanger_weighing()
    interval = hanger.released_load_n
    if interval is None:
        part = "cold" if _reason(look, "cold") else "hot"
        _lack_standing(look, hanger)
        look.cannot_say(f"What it carries with every stop out cannot be said.{_reason(look, part)}")
    load = _assembly_load(look, interval)
    return _within(look, load, rods_under(look, operating_stress(look)), ROD_MESSAGES)


def _stop_row(look: Look, off: Interval, at_pipe: Interval, up: bool) -> Row:
    """Force on the stops of the assembly, the way their capacity is stated for; none counts as 0.

    The springs of a hanger are alike, its rods may share the load unequally: what one rod carries of the load
    less what its own spring carries is its part of what the hanger is off, and what it carries beyond an
    equal part of the load.

    Args:
        look: the rule's look
        off: load of the hanger less the force of its springs, positive where the rods carry more [N]
        at_pipe: load of the hanger [N]
        up: whether the upward force is asked for, else the downward one
    """
    capacity = look.si(f"/design/stop_capacity_{'up' if up else 'down'}", FORCE)
    share, ratio = look.load_share(), linkage(look)
    look.settle()
    count = look.subject.assemblies
    beyond, hardware_n = share - 1.0 / count, 0.0
    if abs(beyond) > _EQUAL:
        hardware_n = look.si("/design/hardware_weight", FORCE)
        look.settle()
    uneven = sorted(beyond * (load + hardware_n) for load in at_pipe)
    low, high = (force / count + more for force, more in zip(off, uneven, strict=True))
    if up:
        low, high = -high, -low
    low, high = (max(force / ratio, 0.0) for force in (low, high))
    return _within(look, (low, high), lambda found: checks.upper(found, capacity), CAPACITY_MESSAGES)


def _capacity_stated(look: Look, pointer: str) -> None:
    """Ends the rule where no capacity is stated: the stop holds the spring from the shop on all the same."""
    if look.optional(pointer) is None:
        way = "upward" if pointer.endswith("up") else "downward"
        look.not_applicable(f"The record states no {way} capacity of the stops.")


def stop_force_up(look: Look) -> Row:
    """Upward force on the stops as the line stands: by how much the rod carries less than the spring."""
    hanger = look.hanger_weighing()
    _capacity_stated(look, "/design/stop_capacity_up")
    off = _said(look, hanger, hanger.out_of_balance_n)
    return _stop_row(look, off, _said(look, hanger, hanger.locked_load_n), up=True)


def stop_force_down(look: Look) -> Row:
    """Downward force on the stops as the line stands: by how much the rod carries more."""
    hanger = look.hanger_weighing()
    _capacity_stated(look, "/design/stop_capacity_down")
    off = _said(look, hanger, hanger.out_of_balance_n)
    return _stop_row(look, off, _said(look, hanger, hanger.locked_load_n), up=False)


def stop_force_test(look: Look) -> Row:
    """Downward force on the stops under the pressure test: the load locked less the spring's force.

    The spring's force is what its locked load and its out-of-balance leave.
    """
    hanger = look.hanger_weighing()
    _capacity_stated(look, "/design/stop_capacity_down")
    test = _said(look, hanger, hanger.locked_test_load_n, "locked_test")
    now = _said(look, hanger, hanger.locked_load_n)
    off = _said(look, hanger, hanger.out_of_balance_n)
    springs_n = (now[0] - off[0], now[1] - off[1])
    return _stop_row(look, (test[0] - max(springs_n), test[1] - min(springs_n)), test, up=False)


# --- where it will stand ------------------------------------------------------------------------------
# Nearer to an end than this a pin stands on it.
_ON_THE_END_M: Final = 5e-5


def _mm(length_m: float) -> str:
    return f"{length_m * 1000.0:.0f} mm"


def _short_of_end(look: Look, standing: Standing, position_m: float | None) -> float | None:
    """How far a position stops short of the end in question [m]; None where that is not known."""
    upper = standing.end == "upper"
    rises = look.optional("/indicator/rises_when_pipe")
    locked = look.optional_si("/design/locked_position/reading", LENGTH)
    # Where the reading falls when the pipe rises, the pipe's upper end lies at the scale's low end.
    side = "high" if upper == (rises == "rises") else "low"
    end = look.optional_si(f"/indicator/span/{side}", LENGTH)
    if standing.end is None or position_m is None or rises is None or locked is None or end is None:
        return None
    way = springs.rise_from_reading_m(end, locked, rises == "rises") - position_m
    return way if upper else -way


def _friction_words(look: Look, standing: Standing) -> str:
    """What the spring does without friction, and at the best of the friction band."""
    without = _short_of_end(look, standing, standing.position_m)
    best_m = standing.least_m if standing.end == "upper" else standing.greatest_m
    best = _short_of_end(look, standing, best_m)
    if without is None or best is None:
        return ""
    worst_m = standing.greatest_m if standing.end == "upper" else standing.least_m
    worst = _short_of_end(look, standing, worst_m)
    if worst is not None and worst > _ON_THE_END_M and (standing.margin_m or 0.0) < 0.0:
        return (
            f" (its friction leaves {_mm(worst)}; pick-up heights within their intervals may take it there)"
        )
    share = look.optional_si("/design/friction", RATIO)
    at = "with its friction" if share is None else f"at {share * 100.0:g} %"
    if without <= _ON_THE_END_M:
        return f" (it does without friction, stops {_mm(best)} short {at})"
    return f" (it stops {_mm(without)} short without friction, and may reach it {at})"


def _end_words(standing: Standing) -> str:
    return "an end of its travel" if standing.end is None else f"its {standing.end} end of travel"


def _standing_row(
    look: Look, hanger: HangerWeighing, part: Literal["cold", "hot"], opening: str, goes: str
) -> Row:
    """Whether the spring reaches an end of its travel. opening, goes: start and verb of the sentence."""
    standing = hanger.cold if part == "cold" else hanger.hot
    if standing.verdict == "cannot_say":
        _lack_standing(look, hanger)
        reason = _reason(look, part)
        look.cannot_say(f"{opening}where {hanger.mark} comes to stand cannot be said.{reason}")
    if standing.verdict == "will_not":
        return _inside_row(look, hanger, standing, opening)
    words = f"{hanger.mark} {standing.verdict} {goes} {_end_words(standing)}"
    friction = _friction_words(look, standing) if standing.verdict == "may" else ""
    said = f"{opening}{words}{friction}."
    margin = standing.margin_m
    if margin is None:
        return look.row("fail" if standing.verdict == "will" else "cannot_say", said)
    verdict = Verdict("fail", margin, 0.0, margin)
    if standing.verdict == "will":
        return look.compared(verdict, LENGTH, {"fail": said})
    return look.undecided(verdict, LENGTH, said)


def _lack_standing(look: Look, hanger: HangerWeighing) -> None:
    """Notes what is missing for where a pin stands: of any hanger of the line, for each moves the others."""
    weighing = look.subject.weighing
    wanting = weighing.wanting if isinstance(weighing, Weighing) else {}
    for pointer in hanger.missing:
        look.lack(pointer)
    for mark, pointers in sorted(wanting.items()):
        for pointer in pointers:
            look.lack(pointer if mark == hanger.mark else f"hanger/{mark}#{pointer}")


def _inside_row(look: Look, hanger: HangerWeighing, standing: Standing, opening: str) -> Row:
    low = look.si("/indicator/span/low", LENGTH)
    high = look.si("/indicator/span/high", LENGTH)
    look.settle()
    margin = standing.margin_m
    if margin is None or not margin > 0.0:
        look.cannot_say(f"{opening}what is left to {hanger.mark} of its travel cannot be said.")
    reserve = springs.required_reserve_m(high - low, look.limit("reserve_share"), look.limit("reserve_least"))
    return look.compared(
        checks.lower(margin, reserve, attention=0.0, scale=max(abs(low), abs(high))),
        LENGTH,
        {
            "pass": "The spring stands inside its travel over its friction band, reserve kept.",
            "attention": "The spring stands inside its travel, with less than the wanted reserve to an end.",
        },
    )


def end_of_travel_cold(look: Look) -> Row:
    """Where the spring stands cold when all stops are out, with the weight that is on the line now."""
    hanger = look.hanger_weighing()
    weighing = look.weighing()
    missing = "" if weighing is None else lacking(weighing.missing_weights)
    opening = f"{missing}; released now, " if missing else "Released now, "
    return _standing_row(look, hanger, "cold", opening, "go to")


def end_of_travel_hot(look: Look) -> Row:
    """Where the spring stands hot when all stops are out, with the weight of the design."""
    hanger = look.hanger_weighing()
    return _standing_row(look, hanger, "hot", "Hot as designed, ", "come to")


# --- beside the drawing -------------------------------------------------------------------------------
def tolerance_m(look: Look, movement_m: float) -> float:
    """Accepted difference of a position, by the design movement of either sign [m]."""
    return max(look.limit("position_share") * abs(movement_m), look.limit("position_least"))


def movement(look: Look) -> Row:
    """Thermal movement by the balance beside the drawing's: a second opinion, so that it never fails."""
    hanger = look.hanger_weighing()
    found = hanger.thermal_movement_m
    if found is None:
        look.not_applicable("The balance of the line gives no thermal movement here.")
    drawn = look.si("/design/vertical_movement", LENGTH)
    look.settle()
    return _beside(
        look,
        abs(found - drawn),
        tolerance_m(look, drawn),
        max(abs(found), abs(drawn)),
        "movement",
    )


def expected_reading(look: Look) -> Row:
    """The released-cold reading of the record beside the one that the balance expects."""
    hanger = look.hanger_weighing()
    stated = look.optional_si("/indicator/expected_released_cold", LENGTH)
    found = hanger.expected_released_cold_m
    if stated is None or found is None:
        look.not_applicable("Record and balance do not both state a reading expected when released cold.")
    drawn = look.si("/design/vertical_movement", LENGTH)
    look.settle()
    return _beside(
        look,
        abs(found - stated),
        tolerance_m(look, drawn),
        max(abs(found), abs(stated)),
        "reading expected when released cold",
    )


def _beside(look: Look, off_m: float, accepted_m: float, scale_m: float, what: str) -> Row:
    return look.compared(
        checks.upper(off_m, accepted_m, math.inf, scale=scale_m),
        LENGTH,
        {
            "pass": f"Record and balance agree on the {what}.",
            "attention": f"Record and balance differ in the {what}; find out which is right.",
        },
    )


# --- the line ---------------------------------------------------------------------------------------
def design_sum(look: Look) -> Row:
    """Sum of the springs' operating loads against what the hot line presses on them as designed."""
    if isinstance(look.subject.weighing, NotWeighed):
        look.missing += [f"hanger/{mark}#{pointer}" for mark, pointer in _pointers(look.subject.weighing)]
        look.cannot_say(f"The line is not weighed: {look.subject.weighing.reason}")
    weighing = look.weighing()
    if weighing is None:
        look.not_applicable("The line has no model.")
    if weighing.design_sum_n is None:
        for mark, hanger in sorted(weighing.hangers.items()):
            for pointer in hanger.missing:
                look.lack(f"hanger/{mark}#{pointer}")
        look.cannot_say(f"The sums of the design cannot be said.{_reason(look, 'design_sum')}")
    found, expected = weighing.design_sum_n
    if at_most(expected, 0.0):
        look.cannot_say("What the hot line presses on its springs is not greater than zero.")
    return look.compared(
        checks.load_off_expected(
            found, expected, look.limit("load_sum_accept"), look.limit("load_sum_limit")
        ),
        RATIO,
        {
            "pass": "The springs' operating loads together carry what the hot line weighs on them.",
            "attention": "The springs' operating loads together are off what the hot line weighs on them; "
            "it has to be investigated.",
            "fail": "The springs' operating loads together are too far off what the hot line weighs on them.",
        },
    )


def _pointers(weighing: NotWeighed) -> Iterator[tuple[str, str]]:
    for mark, pointers in sorted(weighing.missing.items()):
        for pointer in pointers:
            yield mark, pointer
