"""Rules of what the scales show.

A reading taken with the stop in proves nothing about balance: the spring stands where the stop holds
it. Such rules answer `cannot_say` for a reading of a locked assembly.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from service.domain.checks.consistency import load_at_reading
from service.domain.checks.design import reserve
from service.domain.checks.erected import STOPS_OUT, cold_range
from service.domain.checks.expected import expected_released_cold, optional_expected
from service.domain.checks.look import Look, Row
from service.domain.facts import Fact
from service.domain.instants import parse_instant
from service.engineering import checks, springs
from service.engineering.comparison import at_most
from service.units import Dimension, quantity_to_si

FORCE, LENGTH, RATIO = Dimension.FORCE, Dimension.LENGTH, Dimension.RATIO

CONDITIONS = ("cold", "heating", "hot", "cooling")
_SETTING = "The indicator shows the setting, not the force."


def free_reading(look: Look, condition: str) -> tuple[float, Fact]:
    """Position [m] of the newest reading in a condition, taken with the stops out, and its fact.

    Ends the rule where there is none, where it could not be read, where the stop was in, where the
    adjuster was turned since, and where the line was not in the condition that the reading claims.
    """
    name = f"reading/{condition}"
    fact = look.optional_fact(name)
    if fact is None:
        look.lack(f"assembly/{look.assembly}/{name}")
        look.cannot_say(f"No {condition} reading is known.")
    reading: Mapping[str, Any] = fact.value
    if reading.get("release_state") not in STOPS_OUT:
        look.cannot_say("A reading taken with the stop in, or perhaps in, proves nothing about balance.")
    if reading.get("legible") is False:
        look.cannot_say("The scale could not be read.")
    if _turned_after(look, fact):
        look.cannot_say("The adjuster was turned after this reading; read again.")
    if reading.get("position") is None:
        look.lack(f"assembly/{look.assembly}/{name}/position")
        look.settle("The reading gives no position.")
    temperature = reading.get("line_temperature")
    if condition == "cold" and temperature is not None:
        low, high = cold_range(look)
        if checks.between(quantity_to_si(temperature, Dimension.TEMPERATURE), low, high).status != "pass":
            look.cannot_say("The line was outside its cold range when the cold reading was taken.")
    return quantity_to_si(reading["position"], LENGTH), fact


def _turned_after(look: Look, reading: Fact) -> bool:
    """Whether the adjuster was turned after a reading, by the log's order or by the time on site."""
    ledger = look.optional_fact("ledger")
    if ledger is None:
        return False
    return ledger.sequence > reading.sequence or _instant(ledger) > _instant(reading)


def _instant(fact: Fact) -> datetime:
    return parse_instant(fact.occurred_at)


def load_setting(look: Look) -> Row:
    """Load indicator of a constant support against its calibrated load.

    It shows the adjuster's setting, not the force; so it holds with the stop in too.
    """
    calibrated = look.si("/design/calibrated_load", FORCE)
    shown: list[tuple[int, str]] = []
    for condition in CONDITIONS:
        fact = look.subject.facts.get(f"assembly/{look.assembly}/reading/{condition}")
        if fact is not None and fact.value.get("load_indicator") and fact.value.get("legible") is not False:
            shown.append((fact.sequence, condition))
    if not shown:
        look.lack(f"assembly/{look.assembly}/reading/load_indicator")
    look.settle()
    reading = look.fact(f"reading/{max(shown)[1]}")
    return look.compared(
        checks.load_off_expected(
            quantity_to_si(reading["load_indicator"], FORCE), calibrated, look.limit("load_setting_tolerance")
        ),
        RATIO,
        {
            "pass": f"The load adjuster is set to the calibrated load. {_SETTING}",
            "fail": f"The load adjuster is not set to the calibrated load. {_SETTING}",
        },
    )


def _position_row(
    look: Look, position: float, expected: float, movement: float, what: str, band: float = 0.0
) -> Row:
    """Row of a position against the one expected. band: what friction may hold it off besides [m]."""
    share, least = look.limit("position_share"), look.limit("position_least")
    # What friction alone may explain is for attention, never accepted.
    explained = 1.0 + band / max(share * abs(movement), least) if band else 0.0
    verdict = checks.position_off_expected(
        position,
        expected,
        movement,
        share,
        least,
        max(look.limit("position_attention_factor"), explained),
    )
    return look.compared(
        verdict,
        LENGTH,
        {
            "pass": f"The {what} reading stands where it is expected.",
            "attention": f"The {what} reading stands off what is expected; it has to be investigated.",
            "fail": f"The {what} reading stands far off what is expected.",
        },
    )


def cold_reading(look: Look) -> Row:
    """Cold reading of a released spring against the reading expected when released cold.

    It is the record's, else that of the line's balance. The cold mark is no substitute: a correctly released
    line of variable springs may stand well off it.
    """
    expected, band = expected_released_cold(look)
    movement = look.si("/design/vertical_movement", LENGTH)
    look.settle("The reading expected when released cold is not known; the cold mark does not replace it.")
    position, _ = free_reading(look, "cold")
    return _position_row(look, position, expected, movement, "cold", band)


def hot_reading(look: Look) -> Row:
    """Hot reading against the hot mark."""
    expected = look.si("/indicator/hot_mark", LENGTH)
    movement = look.si("/design/vertical_movement", LENGTH)
    look.settle()
    position, _ = free_reading(look, "hot")
    return _position_row(look, position, expected, movement, "hot")


def measured_travel(look: Look) -> float:
    """Travel from the cold to the hot reading of one campaign [m], cold to hot, up positive.

    Ends the rule where the readings are of different cycles. A turn after the older of them ends it too
    (`free_reading`): such a pair measures the turn as well.
    """
    sense = look.value("/indicator/rises_when_pipe")
    look.settle()
    cold, cold_fact = free_reading(look, "cold")
    hot, hot_fact = free_reading(look, "hot")
    if cold_fact.value.get("cycle") != hot_fact.value.get("cycle"):
        look.cannot_say("The cold and the hot reading are of different release cycles.")
    return springs.rise_from_reading_m(hot, cold, sense == "rises")


def _expected_travel(look: Look) -> float:
    """Travel to be measured on a released line [m], cold to hot, up positive.

    It goes from the reading expected when released cold to the hot mark. The design movement is no
    substitute: a released line of variable springs stands off its cold mark by design, and comes to the
    hot mark by less or more than that movement.
    """
    released, _ = expected_released_cold(look)
    hot_mark = look.si("/indicator/hot_mark", LENGTH)
    sense = look.value("/indicator/rises_when_pipe")
    look.settle("The travel expected of the released line is not known.")
    expected = springs.rise_from_reading_m(hot_mark, released, sense == "rises")
    if at_most(abs(expected), look.limit("position_least"), scale=max(abs(released), abs(hot_mark))):
        look.not_applicable(
            "The expected travel is within the tolerance of position; the readings show more."
        )
    return expected


def travel_direction(look: Look) -> Row:
    """Direction of the measured travel against the one expected."""
    expected = _expected_travel(look)
    return look.compared(
        checks.travel_direction(measured_travel(look), expected),
        LENGTH,
        {
            "pass": "The pipe moved in the expected direction.",
            "fail": "The pipe moved against the expected direction, or not at all.",
        },
    )


def travel_size(look: Look) -> Row:
    """Size of the measured travel as a ratio to the one expected."""
    expected = _expected_travel(look)
    verdict = checks.travel_ratio(
        measured_travel(look),
        expected,
        look.limit("travel_ratio_low"),
        look.limit("travel_ratio_high"),
        look.limit("travel_ratio_attention_low"),
        look.limit("travel_ratio_attention_high"),
    )
    return look.compared(
        verdict,
        RATIO,
        {
            "pass": "The measured travel is of the expected size.",
            "attention": "The measured travel differs from the expected; it has to be investigated.",
            "fail": "The measured travel is not the expected one, in size or direction.",
        },
    )


def _step(look: Look) -> float:
    """Change of the reading from released cold to hot [m], as the marks or else the design expect it."""
    released = optional_expected(look)
    hot_mark = look.optional_si("/indicator/hot_mark", LENGTH)
    if released is not None and hot_mark is not None:
        return hot_mark - released[0]
    sense = look.value("/indicator/rises_when_pipe")
    movement = look.si("/design/vertical_movement", LENGTH)
    return movement if sense == "rises" else -movement


def _margin(look: Look, upper_end: bool) -> Row:
    low = look.si("/indicator/span/low", LENGTH)
    high = look.si("/indicator/span/high", LENGTH)
    sense = look.value("/indicator/rises_when_pipe")
    step = _step(look)
    look.settle()
    known = [
        condition
        for condition in ("cold", "hot")
        if f"assembly/{look.assembly}/reading/{condition}" in look.subject.facts
    ]
    positions = [free_reading(look, condition)[0] for condition in known or ["cold"]]
    # One reading predicts the other; once both were read, nothing is predicted any more.
    if len(positions) == 1:
        positions.append(positions[0] - step if known == ["hot"] else positions[0] + step)
    return reserve(look, positions, low, high, at_high=upper_end == (sense == "rises"))


def margin_upper_end(look: Look) -> Row:
    """Travel left upwards from where the spring stands, cold and hot, read or predicted."""
    return _margin(look, upper_end=True)


def margin_lower_end(look: Look) -> Row:
    """Travel left downwards from where the spring stands, cold and hot, read or predicted."""
    return _margin(look, upper_end=False)


def _load_row(look: Look, load: float, expected: float, accept: str, limit: str, what: str) -> Row:
    look.settle()
    return look.compared(
        checks.load_off_expected(load, expected, look.limit(accept), look.limit(limit)),
        RATIO,
        {
            "pass": f"The load inferred from the {what} position is as expected.",
            "attention": f"The load inferred from the {what} position is off; it has to be investigated.",
            "fail": f"The load inferred from the {what} position is too far off.",
        },
    )


def cold_load_inferred(look: Look) -> Row:
    """Load of a variable spring inferred from its cold position, against the expected released-cold load."""
    expected = load_at_reading(look, expected_released_cold(look)[0])
    look.settle("The load expected when released cold is not known.")
    if not expected > 0.0:
        look.cannot_say("The load expected when released cold is not greater than zero.")
    position, _ = free_reading(look, "cold")
    load = load_at_reading(look, position)
    return _load_row(look, load, expected, "cold_load_accept", "cold_load_limit", "cold")


def hot_load_inferred(look: Look) -> Row:
    """Load of a variable spring inferred from its hot position, against the operating load."""
    expected = look.operating_load()
    look.settle()
    position, _ = free_reading(look, "hot")
    load = load_at_reading(look, position)
    return _load_row(look, load, expected, "hot_load_accept", "hot_load_limit", "hot")


def deviation_as_read(look: Look) -> Row:
    """Deviation of a constant support as read: one reading stands anywhere in the friction band.

    It answers `cannot_say`: only a load test in both directions shows the deviation.
    """
    look.optional("/design/friction")
    look.lack(f"assembly/{look.assembly}/load_test")
    look.cannot_say(
        "One reading stands anywhere inside the friction band; only a load test in both directions "
        "shows the deviation."
    )


def reading_jump(look: Look) -> Row:
    """Whether the newest readings were flagged as a jump when they were taken."""
    jumped, known = False, False
    for condition in CONDITIONS:
        fact = look.optional_fact(f"reading/{condition}")
        if fact is not None:
            known = True
            jumped = jumped or "jump" in (fact.value.get("flags") or [])
    if not known:
        look.lack(f"assembly/{look.assembly}/reading")
        look.settle("No reading is known.")
    if jumped:
        return look.row("attention", "A reading jumped although nothing was done; read the scale again.")
    return look.row("pass", "No reading jumped.")


def reading_in_span(look: Look) -> Row:
    """Every newest reading lies on the indicator's scale, whatever the stop does."""
    low = look.si("/indicator/span/low", LENGTH)
    high = look.si("/indicator/span/high", LENGTH)
    positions = []
    for condition in CONDITIONS:
        fact = look.optional_fact(f"reading/{condition}")
        if fact is not None and fact.value.get("position") is not None:
            positions.append(quantity_to_si(fact.value["position"], LENGTH))
    if not positions:
        look.lack(f"assembly/{look.assembly}/reading/position")
    look.settle()
    scale = max(abs(low), abs(high))
    verdict = checks.between(positions[0], low, high, scale=scale)
    for position in positions[1:]:
        verdict = checks.worse(verdict, checks.between(position, low, high, scale=scale))
    return look.compared(
        verdict,
        LENGTH,
        {"pass": "The readings lie on the scale.", "fail": "A reading lies off the scale; it is wrong."},
    )


def pair_readings(look: Look) -> Row:
    """Difference between the assemblies' positions of one hanger: a trapeze rolls when they differ."""
    if not look.subject.assemblies:
        look.lack("/assemblies")
        look.settle()
    if look.subject.assemblies == 1:
        look.not_applicable("The hanger has one assembly.")
    worst: float | None = None
    for condition in ("cold", "hot"):
        positions = []
        for number in range(1, look.subject.assemblies + 1):
            fact = look.optional_fact(f"assembly/{number}/reading/{condition}")
            if fact is not None and fact.value.get("position") is not None:
                positions.append(quantity_to_si(fact.value["position"], LENGTH))
        if len(positions) == look.subject.assemblies:
            difference = max(positions) - min(positions)
            worst = difference if worst is None else max(worst, difference)
    if worst is None:
        look.lack("assembly/*/reading")
        look.cannot_say("Not every assembly of the hanger has a position in the same condition.")
    return look.compared(
        checks.upper(worst, look.limit("pair_reading_max"), scale=1.0),
        LENGTH,
        {
            "pass": "The assemblies stand alike.",
            "fail": "The assemblies stand apart by more than the limit.",
        },
    )
