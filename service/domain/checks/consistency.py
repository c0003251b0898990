"""Rules of the record itself: figures that state one thing twice have to agree."""

from __future__ import annotations

import math
from collections.abc import Iterator

from service.domain.checks.design import cold_load
from service.domain.checks.look import Look, Row
from service.engineering import checks, springs
from service.engineering.checks import Verdict
from service.engineering.nut_plans import lead_per_turn_m
from service.engineering.threads import parse_thread
from service.errors import UnknownThread
from service.units import Dimension

FORCE, LENGTH, RATE, RATIO = Dimension.FORCE, Dimension.LENGTH, Dimension.STIFFNESS, Dimension.RATIO

_AGREE = {"pass": "The figures agree.", "fail": "The figures do not agree."}


def load_rate_travel(look: Look) -> Row:
    """Cold load as stated against operating load, rate and movement of a variable spring."""
    installed = look.si("/design/installed_load", FORCE)
    rate = look.si("/design/spring_rate", RATE)
    movement = look.si("/design/vertical_movement", LENGTH)
    hot = look.operating_load()
    look.settle()
    expected = springs.cold_load_n(hot, rate, movement)
    return look.compared(checks.agreement(installed, expected, look.limit("record_agreement")), RATIO, _AGREE)


def calibrated_load_agrees(look: Look) -> Row:
    """Calibrated load of a constant support against the load that it has to carry."""
    calibrated = look.si("/design/calibrated_load", FORCE)
    hot = look.operating_load()
    look.settle()
    return look.compared(checks.agreement(calibrated, hot, look.limit("record_agreement")), RATIO, _AGREE)


def threads_known(look: Look) -> Row:
    """Every thread of the record is of an accepted form and of its standard."""
    pointers = ["/adjuster/thread", "/adjuster/second_thread"]
    if not look.subject.from_below:
        pointers.insert(0, "/rod/thread")
    wrong = []
    stated = 0
    for pointer in pointers:
        text = look.optional(pointer)
        if text is None:
            continue
        stated += 1
        try:
            parse_thread(text)
        except UnknownThread as error:
            wrong.append(f"{pointer}: {error.detail}")
    if not stated:
        look.lack(pointers[0])
        look.settle()
    return look.judged(
        not wrong, len(wrong), 0, "Every stated thread is of an accepted form.", " ".join(wrong)
    )


def lead_agrees(look: Look) -> Row:
    """Lead for one turn as stated against the threads and their hands."""
    stated = look.si("/adjuster/lead_per_turn", LENGTH)
    hands = look.value("/adjuster/hands")
    thread = look.thread("/adjuster/thread")
    second = look.thread("/adjuster/second_thread") if look.optional("/adjuster/second_thread") else None
    if hands == "same_hand_coupler" and second is None:
        look.lack("/adjuster/second_thread")
    if thread is None:
        look.cannot_say("The adjuster's thread is not on record, or not of an accepted form.")
    look.settle()
    derived = lead_per_turn_m(hands, thread.pitch_m, second.pitch_m if second is not None else None)
    return look.compared(checks.agreement(stated, derived, look.limit("record_agreement")), RATIO, _AGREE)


def marks_agree(look: Look) -> Row:
    """Distance of the hot mark from the cold mark against the design movement, sign included."""
    cold = look.si("/indicator/cold_mark", LENGTH)
    hot = look.si("/indicator/hot_mark", LENGTH)
    sense = look.value("/indicator/rises_when_pipe")
    movement = look.si("/design/vertical_movement", LENGTH)
    look.settle()
    rise = springs.rise_from_reading_m(hot, cold, sense == "rises")
    verdict = checks.lengths_agree(
        rise, movement, look.limit("record_agreement"), look.limit("record_agreement_length")
    )
    return look.compared(verdict, LENGTH, _AGREE)


def marks_in_span(look: Look) -> Row:
    """Cold mark and whatever other readings the record states, within the indicator's span."""
    low = look.si("/indicator/span/low", LENGTH)
    high = look.si("/indicator/span/high", LENGTH)
    readings = [look.si("/indicator/cold_mark", LENGTH)]
    for pointer in (
        "/indicator/hot_mark",
        "/indicator/expected_released_cold",
        "/design/locked_position/reading",
    ):
        reading = look.optional_si(pointer, LENGTH)
        if reading is not None:
            readings.append(reading)
    look.settle()
    scale = max(abs(low), abs(high))
    verdict = checks.between(readings[0], low, high, scale=scale)
    for reading in readings[1:]:
        verdict = checks.worse(verdict, checks.between(reading, low, high, scale=scale))
    return look.compared(
        verdict,
        LENGTH,
        {"pass": "Every stated reading lies on the scale.", "fail": "A stated reading lies off the scale."},
    )


def span_agrees(look: Look) -> Row:
    """Length of the indicator's span against the total travel."""
    low = look.si("/indicator/span/low", LENGTH)
    high = look.si("/indicator/span/high", LENGTH)
    total = look.si("/design/total_travel", LENGTH)
    look.settle()
    verdict = checks.lengths_agree(
        high - low, total, look.limit("record_agreement"), look.limit("record_agreement_length")
    )
    return look.compared(verdict, LENGTH, _AGREE)


def load_shares_agree(look: Look) -> Row:
    """The assemblies' shares of the load make the whole; where none is stated they are equal."""
    assemblies = look.value("/assemblies")
    look.settle()
    pointers = [f"/assemblies/{place}/load_share" for place in range(len(assemblies))]
    if not any("load_share" in entry for entry in assemblies):
        return look.row("pass", "No share is stated; the assemblies share the load equally.")
    total = sum(look.si(pointer, RATIO) for pointer in pointers)
    look.settle("Some assemblies state a share of the load and some do not.")
    return look.compared(checks.agreement(total, 1.0, look.limit("record_agreement")), RATIO, _AGREE)


def _nameplate_pairs(look: Look) -> Iterator[tuple[str, Verdict, Dimension]]:
    """Each value of the nameplate as drawn that the record states otherwise too, compared."""
    limit, least = look.limit("nameplate_agreement"), look.limit("record_agreement_length")
    for name, dimension in (
        ("operating_load", FORCE),
        ("installed_load", FORCE),
        ("calibrated_load", FORCE),
        ("spring_rate", RATE),
        ("vertical_movement", LENGTH),
        ("total_travel", LENGTH),
    ):
        plate = look.optional_si(f"/nameplate/{name}", dimension)
        if plate is None:
            continue
        design = look.operating_load() if name == "operating_load" else look.si(f"/design/{name}", dimension)
        if math.isnan(design):
            continue
        if dimension is LENGTH:
            yield name, checks.lengths_agree(plate, design, limit, least), LENGTH
        else:
            yield name, checks.agreement(plate, design, limit), RATIO


def nameplate_record_agrees(look: Look) -> Row:
    """The nameplate as drawn against the design values of the same record."""
    if look.subject.at("/nameplate") is None:
        look.lack("/nameplate")
        look.settle()
    worst: tuple[str, Verdict, Dimension] | None = None
    for pair in _nameplate_pairs(look):
        # Pairs of different dimensions are ranked by status and by how much of the limit is used.
        if worst is None or _use(pair[1]) > _use(worst[1]):
            worst = pair
    if worst is None or worst[1].status == "pass":
        look.settle()
    if worst is None:
        look.lack("/nameplate")
        look.cannot_say("The nameplate as drawn states no figure that the design states too.")
    name, verdict, dimension = worst
    return look.compared(
        verdict,
        dimension,
        {
            "pass": "The nameplate as drawn agrees with the design values.",
            "fail": f"The nameplate as drawn and the design value differ in {name.replace('_', ' ')}.",
        },
    )


def _use(verdict: Verdict) -> float:
    return verdict.found / verdict.limit


def locked_position_agrees(look: Look) -> Row:
    """Spring load as locked against the load that belongs to the locked reading.

    A constant support's is its calibrated load, wherever it is locked.
    """
    load = look.si("/design/locked_position/load", FORCE)
    if look.subject.kind == "constant":
        expected = cold_load(look)
    else:
        reading = look.si("/design/locked_position/reading", LENGTH)
        expected = load_at_reading(look, reading)
    look.settle()
    return look.compared(checks.agreement(load, expected, look.limit("record_agreement")), RATIO, _AGREE)


def load_at_reading(look: Look, reading: float) -> float:
    """Load of a variable spring at a reading [N], from the operating load at the hot mark and the rate."""
    hot_mark = look.si("/indicator/hot_mark", LENGTH)
    sense = look.value("/indicator/rises_when_pipe")
    rate = look.si("/design/spring_rate", RATE)
    hot = look.operating_load()
    rise = springs.rise_from_reading_m(reading, hot_mark, sense == "rises")
    return springs.load_at_position_n(hot, rate, rise)


def working_range_agrees(look: Look) -> Row:
    """Total travel against the travel that the working range makes at the spring rate."""
    minimum = look.si("/design/working_range/minimum_load", FORCE)
    maximum = look.si("/design/working_range/maximum_load", FORCE)
    rate = look.si("/design/spring_rate", RATE)
    total = look.si("/design/total_travel", LENGTH)
    look.settle()
    travel = (maximum - minimum) / rate
    if not travel > 0.0:
        return look.row("fail", "The working range has its least load above its largest.")
    verdict = checks.lower(
        total, travel - max(look.limit("record_agreement") * travel, look.limit("record_agreement_length"))
    )
    return look.compared(
        verdict,
        LENGTH,
        {
            "pass": "The total travel holds the whole working range.",
            "fail": "The total travel is shorter than the working range at this spring rate.",
        },
    )


def _words(name: str) -> str:
    return name.replace("_", " ").capitalize()


def _contradictions(look: Look) -> Iterator[tuple[str, tuple[str, ...]]]:
    """Statements of the record that cannot be true together, and where they stand."""
    at, kind = look.subject.at, look.subject.kind
    form, hands = at("/adjuster/form"), at("/adjuster/hands")
    if look.subject.from_below and at("/rod") is not None:
        yield "A base spring has no rod.", ("/acts_from", "/rod")
    if look.subject.from_below and form in ("turnbuckle", "coupling"):
        yield "A base spring has a load column or nut as its adjuster.", ("/acts_from", "/adjuster/form")
    if at("/acts_from") == "above" and form == "load_column":
        yield "A load column belongs to a base spring.", ("/acts_from", "/adjuster/form")
    if kind == "rigid":
        for place, entry in enumerate(at("/assemblies") or []):
            if entry.get("stops"):
                yield "A rigid hanger has no travel stop.", ("/kind", f"/assemblies/{place}/stops")
    for name in ("installed_load", "spring_rate", "working_range"):
        if kind != "variable" and at(f"/design/{name}") is not None:
            yield f"{_words(name)} belongs to a variable spring.", ("/kind", f"/design/{name}")
    for name in ("calibrated_load", "load_adjustability", "deviation"):
        if kind != "constant" and at(f"/design/{name}") is not None:
            yield f"{_words(name)} belongs to a constant support.", ("/kind", f"/design/{name}")
    if form == "nut" and hands not in (None, "single"):
        yield "A nut has one thread.", ("/adjuster/form", "/adjuster/hands")
    if hands == "single" and at("/adjuster/second_thread") is not None:
        yield "A single thread has no second thread.", ("/adjuster/hands", "/adjuster/second_thread")
    ends = [entry["end"] for entry in at("/adjuster/engagement") or []]
    if len(set(ends)) < len(ends):
        yield "One end of the adjuster is stated twice.", ("/adjuster/engagement",)
    if at("/indicator/span") is None:
        return
    low, high = look.si("/indicator/span/low", LENGTH), look.si("/indicator/span/high", LENGTH)
    if not low < high:
        yield "The indicator's span has its low end above its high end.", ("/indicator/span",)


def form_agrees(look: Look) -> Row:
    """Kind, form and parts of the record that cannot be true together; none is wanted."""
    found = list(_contradictions(look))
    for _, pointers in found:
        for pointer in pointers:
            if pointer not in look.inputs:
                look.inputs.append(pointer)
    return look.judged(
        not found,
        len(found),
        0,
        "Kind, form and parts agree.",
        " ".join(sentence for sentence, _ in found),
    )
