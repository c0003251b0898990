"""Conditions of the travel stops: counted in by hand, and counted out and stowed, one by one.

A stop forgotten in a hot line is the accident that really happens, and a stop that nobody registered
must not close the count: every number is held against the drawing's.
"""

from __future__ import annotations

from collections.abc import Iterator

from service.domain.facts import Fact
from service.domain.readiness.looks import AssemblyLook, HangerLook, place
from service.domain.readiness.outcomes import Outcome, judged

COUNT = "stop-count-not-as-drawn"


def _locked_spring(look: AssemblyLook) -> bool:
    """Whether the stops are to be in: a spring whose stops have not been drawn."""
    return look.of.sprung and not (look.of.stops_drawn and look.of.on.purpose == "release")


def _not_drawn(look: AssemblyLook) -> Outcome:
    detail = "The record does not state how many travel stops are drawn."
    return Outcome(COUNT, look.subject, "unknown", detail, "stops", None, look.of.view.record_sequence)


def _beyond(look: AssemblyLook) -> Outcome | None:
    """A stop with a number beyond the drawing's: somebody handled one that the drawing does not show."""
    beyond = {number: fact for number, fact in look.stops().items() if number > (look.drawn or 0)}
    if look.drawn is None or not beyond:
        return None
    detail = f"Stop {', '.join(map(str, beyond))} was noted, but the drawing shows {look.drawn}."
    shown = max(fact.shown_by for fact in beyond.values())
    return Outcome(COUNT, look.subject, "known", detail, look.drawn, max(beyond), shown)


def off_the_record(look: HangerLook) -> Iterator[Outcome]:
    """No stop stands in an assembly that a later revision took off the record, or in what became rigid.

    Nothing else would look at it any more, and a stop that nobody looks at is the one that is forgotten.
    """
    stated = 0 if look.view.kind == "rigid" else len(look.view.record.get("assemblies", ()))
    for name, fact in sorted(look.view.facts.items()):
        parts = name.split("/")
        if parts[0] != "assembly" or parts[2] != "stop" or int(parts[1]) <= stated:
            continue
        if fact.value["position"] != "stowed":
            detail = f"Stop {parts[3]} of an assembly that is no longer on the record is not stowed."
            subject = f"{look.subject}/assembly/{parts[1]}"
            yield Outcome(COUNT, subject, "known", detail, "stowed", fact.value["position"], fact.shown_by)


def counted_in(look: AssemblyLook) -> Iterator[Outcome]:
    """The stops were physically counted, and are as many as drawn."""
    if not _locked_spring(look):
        return
    if look.drawn is None:
        yield _not_drawn(look)
        return
    yield _beyond(look) or judged(
        COUNT,
        look.subject,
        look.fact("stops_counted"),
        lambda value: bool(value == look.drawn),
        expected=look.drawn,
        met="The stops counted are as many as drawn.",
        failed="The stops counted are not as many as drawn.",
        missing="The stops of this assembly were never counted in this cycle.",
    )


def stops_in(look: AssemblyLook) -> Iterator[Outcome]:
    """Every drawn stop is in; for a test there has to be one."""
    if not _locked_spring(look) or look.drawn is None:
        return
    code = "stop-not-in"
    if look.drawn == 0 and look.of.on.purpose != "release":
        detail = "The drawing shows no travel stop, so that nothing locks the spring."
        yield Outcome(code, look.subject, "known", detail, "a stop", 0, look.of.view.record_sequence)
        return
    yield _positions(
        look,
        code,
        frozenset({"in"}),
        "in",
        "Every stop is in.",
        "Not in: stop",
    )


def undamaged(look: AssemblyLook) -> Iterator[Outcome]:
    """No stop is damaged."""
    if not _locked_spring(look):
        return
    yield judged(
        "stop-damaged",
        look.subject,
        look.fact("stops_damaged"),
        lambda value: bool(value == 0),
        expected=0,
        met="No stop is damaged.",
        failed="A stop is damaged, bent or burnt.",
        missing="No inspection states whether a stop is damaged.",
    )


def _positions(
    look: AssemblyLook, code: str, good: frozenset[str], expected: str, met: str, failed: str
) -> Outcome:
    """Whether each drawn stop, and any other that was noted, stands where it should."""
    stops = look.stops()
    wrong = {number: fact for number, fact in stops.items() if fact.value["position"] not in good}
    unseen = [number for number in range(1, (look.drawn or 0) + 1) if number not in stops]
    known = {str(number): fact.value["position"] for number, fact in stops.items()}
    if wrong:
        detail = f"{failed} {', '.join(map(str, wrong))}."
        shown = max(fact.shown_by for fact in wrong.values())
        return Outcome(code, look.subject, "known", detail, expected, known, shown)
    if unseen:
        detail = f"Nothing shows where stop {', '.join(map(str, unseen))} is."
        return Outcome(code, look.subject, "unknown", detail, expected, known)
    latest = max((fact.shown_by for fact in stops.values()), default=None)
    return Outcome(code, look.subject, "met", met, expected, known, latest)


def counted_out(look: AssemblyLook) -> Iterator[Outcome]:
    """As many stops were counted in as are drawn, and as many came out and were stowed.

    A count from before the stops came out has to give the drawn number; one from after has to give
    none. Of one that may lie between nothing follows.
    """
    if not look.of.sprung:
        return
    if look.drawn is None:
        yield _not_drawn(look)
        return
    extra = _beyond(look)
    if extra is not None:
        yield extra
        return
    fact = look.fact("stops_counted")
    if fact is None:
        detail = "The stops of this assembly were never counted in this cycle."
        yield Outcome(COUNT, look.subject, "unknown", detail, look.drawn)
        return
    before, after = _around_withdrawal(look, fact)
    if before:
        yield judged(
            COUNT,
            look.subject,
            fact,
            lambda value: bool(value == look.drawn),
            expected=look.drawn,
            met="The stops counted in are as many as drawn.",
            failed="The stops counted in are not as many as drawn.",
            missing="",
        )
    elif fact.value != 0:
        detail = f"{fact.value} stops were counted in the assembly after the stops were drawn."
        yield Outcome(COUNT, look.subject, "known", detail, 0, fact.value, fact.shown_by)
    elif after:
        detail = "No stop was left in the assembly when they were counted after withdrawal."
        yield Outcome(COUNT, look.subject, "met", detail, look.drawn, fact.value, fact.shown_by)
    else:
        detail = "The stops were counted while they were being drawn; count again."
        yield Outcome(COUNT, look.subject, "unknown", detail, look.drawn, fact.value, fact.shown_by)


def _around_withdrawal(look: AssemblyLook, count: Fact) -> tuple[bool, bool]:
    """Whether a count was made before the stops came out, and whether it was made after."""
    withdrawal = look.of.view.facts.get("withdrawal")
    moved = [stop for stop in look.stops().values() if stop.value["position"] != "in"]
    if withdrawal is not None:
        moved = [withdrawal]
    when = place(count)
    return all(when < place(fact) for fact in moved), all(when > place(fact) for fact in moved)


def stops_out(look: AssemblyLook) -> Iterator[Outcome]:
    """No stop is in: each drawn one was seen to come out."""
    if not look.of.sprung or look.drawn is None:
        return
    yield _positions(
        look,
        "stop-still-in",
        frozenset({"out", "stowed"}),
        "out",
        "Every stop is out.",
        "Still in: stop",
    )


def stowed(look: AssemblyLook) -> Iterator[Outcome]:
    """Each stop that came out is stowed with its number."""
    if not look.of.sprung or look.drawn is None:
        return
    yield _positions(
        look,
        "stop-not-stowed",
        frozenset({"stowed"}),
        "stowed",
        "Every stop is stowed.",
        "Not stowed: stop",
    )
