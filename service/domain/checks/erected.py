"""Rules of what was found on site: against the drawing, before and after release."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from service.domain.checks.look import Look, Row
from service.domain.checks.strength import engagement_entry, least_engagement
from service.engineering import checks
from service.units import Dimension, quantity_to_si

FORCE, LENGTH, RATE, RATIO, ANGLE = (
    Dimension.FORCE,
    Dimension.LENGTH,
    Dimension.STIFFNESS,
    Dimension.RATIO,
    Dimension.ANGLE,
)

_PLATE_QUANTITIES: Mapping[str, Dimension] = {
    "operating_load": FORCE,
    "installed_load": FORCE,
    "calibrated_load": FORCE,
    "spring_rate": RATE,
    "vertical_movement": LENGTH,
    "total_travel": LENGTH,
}


def _measured_cold(look: Look) -> None:
    """Ends the rule when the inspection was made on a line that was not cold: the pipe had moved."""
    fact = look.optional_fact("inspected_temperature")
    if fact is None:
        return
    temperature = quantity_to_si(fact.value, Dimension.TEMPERATURE)
    low, high = cold_range(look)
    if checks.between(temperature, low, high).status != "pass":
        look.cannot_say("It was measured while the line was outside its cold range.")


def cold_range(look: Look) -> tuple[float, float]:
    """Line temperatures that count as cold [K]: the line's own range, else that of the criteria."""
    line = look.subject.line_record
    stated = line.get("cold_range") if line is not None else None
    if stated is not None:
        return (
            quantity_to_si(stated["low"], Dimension.TEMPERATURE),
            quantity_to_si(stated["high"], Dimension.TEMPERATURE),
        )
    return look.limit("cold_range_low"), look.limit("cold_range_high")


def _plate_differences(look: Look, drawn: Mapping[str, Any], read: Mapping[str, Any]) -> Iterator[str]:
    """Items of the drawn nameplate that were read otherwise; one that was not read is noted as missing."""
    share, least = look.limit("nameplate_agreement"), look.limit("record_agreement_length")
    for name, expected in drawn.items():
        found = read.get(name)
        if found is None:
            look.lack(f"assembly/{look.assembly}/nameplate/{name}")
            continue
        dimension = _PLATE_QUANTITIES.get(name)
        if dimension is None:
            if str(found).strip().casefold() != str(expected).strip().casefold():
                yield name
            continue
        found_si, expected_si = quantity_to_si(found, dimension), quantity_to_si(expected, dimension)
        verdict = (
            checks.lengths_agree(found_si, expected_si, share, least)
            if dimension is LENGTH
            else checks.agreement(found_si, expected_si, share)
        )
        if verdict.status != "pass":
            yield name


def nameplate_as_drawn(look: Look) -> Row:
    """The nameplate as read on site against the nameplate as drawn, item by item."""
    drawn = look.value("/nameplate")
    read = look.fact("nameplate")
    look.settle()
    if read.get("legible") is False:
        look.cannot_say("The nameplate could not be read.")
    differing = list(_plate_differences(look, drawn, read))
    if not differing:
        look.settle("Not every item of the drawn nameplate was read on site.")
    return look.judged(
        not differing,
        len(differing),
        0,
        "The nameplate agrees with the drawing.",
        f"The nameplate differs from the drawing in {', '.join(differing).replace('_', ' ')}.",
    )


def pipe_to_support_dimension(look: Look) -> Row:
    """Pipe-to-support dimension as measured, within its drawn tolerance or else the criteria's."""
    nominal = look.si("/design/pipe_to_support_dimension/nominal", LENGTH)
    default = look.limit("dimension_tolerance")
    plus = look.optional_si("/design/pipe_to_support_dimension/tolerance_plus", LENGTH)
    minus = look.optional_si("/design/pipe_to_support_dimension/tolerance_minus", LENGTH)
    found = look.fact_si("pipe_to_support_dimension", LENGTH)
    look.settle()
    _measured_cold(look)
    if plus is not None and minus is not None:
        look.rests_on = {"source": "the hanger's drawing", "paragraph": None, "status": "plant"}
    verdict = checks.dimension_as_drawn(
        found, nominal, default if plus is None else plus, default if minus is None else minus
    )
    return look.compared(
        verdict,
        LENGTH,
        {
            "pass": "The dimension is as drawn.",
            "fail": "The dimension is not as drawn.",
        },
    )


def elevation(look: Look) -> Row:
    """Elevation of the pipe at the support as measured cold against the drawing's."""
    design = look.si("/location/elevation", LENGTH)
    found = look.fact_si("elevation", LENGTH)
    look.settle()
    _measured_cold(look)
    return look.compared(
        checks.elevation(found, design, look.limit("elevation_accept"), look.limit("elevation_limit")),
        LENGTH,
        {
            "pass": "The pipe's elevation at the support is as drawn.",
            "attention": "The pipe's elevation at the support is off; it has to be investigated.",
            "fail": "The pipe's elevation at the support is too far off.",
        },
    )


# States in which the stops have come out; a count of stops in the assembly then says nothing.
STOPS_OUT = frozenset({"stops_out", "positioning", "released", "proved"})


def _stops_in(look: Look) -> None:
    if look.subject.state in STOPS_OUT:
        look.not_applicable("The stops of this hanger are out.")


def stops_counted(look: Look) -> Row:
    """Travel stops physically counted in the assembly against the drawing's number."""
    _stops_in(look)
    drawn = look.value(f"{look.assembly_pointer}/stops")
    counted = look.fact("stops_counted")
    look.settle()
    return look.judged(
        counted == drawn,
        counted,
        drawn,
        "As many stops were counted as are drawn.",
        "The number of stops counted is not the drawing's.",
    )


def stops_undamaged(look: Look) -> Row:
    """No travel stop of the assembly is damaged."""
    _stops_in(look)
    damaged = look.fact("stops_damaged")
    look.settle()
    return look.judged(damaged == 0, damaged, 0, "No stop is damaged.", "A stop is damaged.")


def _offset(look: Look) -> tuple[float, float]:
    found = look.fact_si("rod_offset", LENGTH)
    length = look.si("/rod/length_between_pins", LENGTH)
    return found, length


def rod_offset(look: Look) -> Row:
    """The rod as found, plumb or at its drawn offset; a record without an offset is a plumb rod."""
    found, length = _offset(look)
    drawn = look.optional_si("/design/erected_offset", LENGTH) or 0.0
    look.settle()
    _measured_cold(look)
    return look.compared(
        checks.rod_off_drawn(found, drawn, length, look.limit("rod_offset_tolerance")),
        ANGLE,
        {
            "pass": "The rod is plumb, or at its drawn offset.",
            "fail": "The rod is neither plumb nor at its drawn offset.",
        },
    )


def rod_angle(look: Look) -> Row:
    """Angle of the rod from the vertical as found, cold or hot."""
    found, length = _offset(look)
    look.settle()
    return look.compared(
        checks.upper(
            math.atan2(found, length), look.limit("rod_swing_max"), look.limit("rod_swing_attention")
        ),
        ANGLE,
        {
            "pass": "The rod stands within the allowed angle.",
            "attention": "The rod stands beyond the allowed angle; it has to be investigated.",
            "fail": "The rod stands far beyond the allowed angle.",
        },
    )


def adjuster_locked(look: Look) -> Row:
    """The adjuster's locking device is on."""
    locked = look.fact("adjuster_locked")
    look.settle()
    return look.judged(
        locked,
        locked,
        True,
        "The adjuster's locking device is on.",
        "The adjuster's locking device is not on.",
    )


def _turned_since(look: Look, seen: Mapping[str, Any]) -> float:
    """Turns made since the engagement was seen, in either direction; not a number where not known."""
    ledger = look.optional_fact("ledger")
    now = ledger.value["net_turns"] if ledger is not None else 0.0
    then = seen.get("net_turns")
    return math.nan if then is None else abs(now - then)


def _worst_pitch(look: Look) -> float:
    first = look.thread("/adjuster/thread")
    second = look.thread("/adjuster/second_thread") if look.optional("/adjuster/second_thread") else None
    pitches = [thread.pitch_m for thread in (first, second) if thread is not None]
    return max(pitches, default=math.nan)


def _engagement_found(look: Look, end: str) -> Row:
    pointer = engagement_entry(look, end)
    seen = look.fact(f"engagement/{end}")
    look.settle()
    measured, full = seen.get("measured"), seen.get("full")
    turned = _turned_since(look, seen)
    if full is False:
        return look.row("fail", "The engagement is not full.", False, True)
    if measured is None:
        if full is None:
            look.lack(f"assembly/{look.assembly}/engagement/{end}")
            look.settle()
        if turned != 0.0:
            look.cannot_say("The adjuster was turned since the engagement was seen; look again.")
        return look.row("pass", "Full engagement was seen.", True, True)
    length = quantity_to_si(measured, LENGTH)
    least = least_engagement(look, pointer)
    look.settle()
    # Whichever way it was turned, an end can have lost no more than one pitch a turn.
    lost = turned * _worst_pitch(look) if turned != 0.0 else 0.0
    verdict = checks.engagement(length, least)
    if verdict.status == "pass" and turned != 0.0:
        verdict = checks.engagement(length - lost, least)
        look.settle("The adjuster was turned since the engagement was measured, and its thread is not known.")
        if verdict.status != "pass":
            look.cannot_say("The adjuster was turned since the engagement was measured; measure again.")
    return look.compared(
        verdict,
        LENGTH,
        {
            "pass": "The engagement as measured is not below the least allowed.",
            "fail": "The engagement as measured is below the least allowed.",
        },
    )


def engagement_found_upper(look: Look) -> Row:
    """Thread engagement as found at the adjuster's upper end."""
    return _engagement_found(look, "upper")


def engagement_found_lower(look: Look) -> Row:
    """Thread engagement as found at the adjuster's lower end."""
    return _engagement_found(look, "lower")
