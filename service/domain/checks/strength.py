"""Rules of rod and adjuster: strength on the thread's root, swing, engagement at each end."""

from __future__ import annotations

import math
from collections.abc import Callable

from service.domain.checks.design import cold_load
from service.domain.checks.look import Look, Row
from service.engineering import checks
from service.engineering.checks import Verdict
from service.engineering.materials import specification_unknown
from service.engineering.rods import threaded_allowable_stress_pa
from service.units import Dimension

FORCE, LENGTH, STRESS, ANGLE = Dimension.FORCE, Dimension.LENGTH, Dimension.STRESS, Dimension.ANGLE

ROD_MESSAGES = {
    "pass": "The rods carry this load on the root area of the thread.",
    "fail": "The load exceeds what the rods may carry on the root area of the thread.",
}


def _stated(look: Look) -> None:
    look.rests_on = {
        "source": look.optional("/rod/stress_basis") or "the hanger's record",
        "paragraph": None,
        "status": "plant",
    }


def operating_stress(look: Look) -> float:
    """Allowable tension in operation: the record's or the criteria's, with less for unknown steel."""
    stated = look.optional_si("/rod/allowable_stress", STRESS)
    unknown = specification_unknown(look.optional("/rod/material"))
    cap = math.inf
    if unknown:
        cap = threaded_allowable_stress_pa(
            look.limit("unknown_steel_allowable_stress"), look.limit("thread_reduction")
        )
    allowed = stated if stated is not None else look.limit("rod_allowable_stress")
    if cap < allowed:
        look.rest_on_limit("unknown_steel_allowable_stress")
        return cap
    if stated is not None:
        _stated(look)
    return allowed


def test_stress(look: Look) -> float:
    """Allowable tension under test: a share of the yield strength, or the cap for unknown steel."""
    strength = look.optional_si("/rod/yield_strength", STRESS)
    cap = look.limit("unknown_steel_test_stress")
    unknown = specification_unknown(look.optional("/rod/material"))
    if strength is None:
        look.rest_on_limit("unknown_steel_test_stress")
        return cap
    allowed = look.limit("test_yield_share") * strength
    if unknown and cap < allowed:
        look.rest_on_limit("unknown_steel_test_stress")
        return cap
    look.rest_on_limit("test_yield_share")
    return allowed


def rods_under(look: Look, stress: float) -> Callable[[float], Verdict]:
    """What the rods of the assembly say of a load [N], at an allowable stress; ends the rule without rods."""
    thread = look.thread("/rod/thread")
    number = look.value("/rod/number")
    if thread is None:
        look.cannot_say("The rod's thread is not on record, or not of an accepted form.")
    look.settle()
    return lambda load: checks.rod_load(load, stress, thread.root_area_m2, number)


def _rods_carry(look: Look, load: float, stress: float) -> Row:
    return look.compared(rods_under(look, stress)(load), FORCE, ROD_MESSAGES)


def rod_load_operation(look: Look) -> Row:
    """Rods under the operating load."""
    return _rods_carry(look, look.operating_load(), operating_stress(look))


def rod_load_cold(look: Look) -> Row:
    """Rods under the cold load."""
    return _rods_carry(look, cold_load(look), operating_stress(look))


def rod_load_locked(look: Look) -> Row:
    """Rods under the spring load as locked. The erected line may put another load on a locked rod."""
    return _rods_carry(look, look.si("/design/locked_position/load", FORCE), operating_stress(look))


def rod_load_test(look: Look) -> Row:
    """Rods under the load of the pressure test, at the stress allowed for a test."""
    return _rods_carry(look, look.share_of("/design/pressure_test_load"), test_stress(look))


def rod_swing(look: Look) -> Row:
    """Largest angle of the rod, cold or hot; a record without a drawn offset is a plumb rod."""
    movement = look.si("/design/lateral_movement", LENGTH)
    offset = look.optional_si("/design/erected_offset", LENGTH) or 0.0
    length = look.si("/rod/length_between_pins", LENGTH)
    look.settle()
    return look.compared(
        checks.rod_swing(movement, offset, length, look.limit("rod_swing_max")),
        ANGLE,
        {
            "pass": "The rod stays within the allowed angle, cold and hot.",
            "fail": "The rod swings beyond the allowed angle.",
        },
    )


# Ends that have a thread, by form of the adjuster; a nut or a load column has one, whichever is drawn.
_BOTH_ENDS = frozenset({"turnbuckle", "coupling"})


def engagement_entry(look: Look, end: str) -> str:
    """Pointer to the record's engagement of one end; ends the rule where that end has none.

    An end that the adjuster's form wants and the record does not state is missing, never skipped.
    """
    if look.subject.at("/adjuster") is None and look.subject.kind == "rigid":
        look.not_applicable("The rigid hanger has no adjuster on record.")
    form = look.value("/adjuster/form")
    entries = look.subject.at("/adjuster/engagement") or []
    place = next((number for number, entry in enumerate(entries) if entry["end"] == end), None)
    if place is None:
        if form is not None and form not in _BOTH_ENDS and entries:
            look.not_applicable("The adjuster has no thread at this end.")
        look.lack("/adjuster/engagement")
        look.cannot_say("The engagement at this end is not on record.")
    return f"/adjuster/engagement/{place}"


def least_engagement(look: Look, pointer: str) -> float:
    """Least engagement of one end [m]: the record's, else a number of diameters of the adjuster's thread."""
    stated = look.optional_si(f"{pointer}/least_allowed", LENGTH)
    if stated is not None:
        look.rests_on = {"source": "the hanger's record", "paragraph": None, "status": "plant"}
        return stated
    thread = look.thread("/adjuster/thread")
    return math.nan if thread is None else look.limit("engagement_diameters") * thread.diameter_m


def _engagement_drawn(look: Look, end: str) -> Row:
    pointer = engagement_entry(look, end)
    drawn = look.si(f"{pointer}/as_drawn", LENGTH)
    least = least_engagement(look, pointer)
    look.settle()
    return look.compared(
        checks.engagement(drawn, least),
        LENGTH,
        {
            "pass": "The engagement as drawn is not below the least allowed.",
            "fail": "The engagement as drawn is below the least allowed.",
        },
    )


def engagement_drawn_upper(look: Look) -> Row:
    """Thread engagement as drawn at the adjuster's upper end."""
    return _engagement_drawn(look, "upper")


def engagement_drawn_lower(look: Look) -> Row:
    """Thread engagement as drawn at the adjuster's lower end."""
    return _engagement_drawn(look, "lower")
