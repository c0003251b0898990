"""Conditions of the line as a whole, one function each: met, known not to be, or not known."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

from service.domain.facts import Fact
from service.domain.readiness.balance_conditions import never_later, weight_missing
from service.domain.readiness.looks import LineLook
from service.domain.readiness.outcomes import Outcome, judged
from service.engineering.comparison import at_least, at_most
from service.units import Dimension, quantity_from_si, quantity_to_si


def no_hangers(look: LineLook) -> Iterator[Outcome]:
    """A line without hangers is never ready."""
    marks = [hanger.mark for hanger in look.hangers]
    if marks:
        yield Outcome(
            "no-hangers",
            look.subject,
            "met",
            "The line has hangers.",
            "at least one",
            len(marks),
            max(hanger.record_sequence for hanger in look.hangers),
        )
        return
    yield Outcome(
        "no-hangers",
        look.subject,
        "known",
        "No hanger is registered on the line.",
        "at least one",
        0,
        look.line.record_sequence,
    )


def register(look: LineLook) -> Iterator[Outcome]:
    """The register holds exactly the supports that the line's drawing shows."""
    code = "register-incomplete"
    expected = look.stated("supports_expected")
    recorded = look.line.record_sequence
    if expected is None:
        words = "The line has no record." if recorded is None else "The record states no supports_expected."
        yield Outcome(code, look.subject, "unknown", words, "supports_expected", None, recorded)
        return
    drawn = {mark.casefold(): mark for mark in expected["marks"]}
    held = {hanger.mark.casefold(): hanger for hanger in look.hangers}
    missing = sorted(mark for key, mark in drawn.items() if key not in held)
    surplus = sorted(hanger.mark for key, hanger in held.items() if key not in drawn)
    known = {"registered": len(held), "missing": missing, "surplus": surplus}
    shown = [recorded or 0, *(hanger.record_sequence for hanger in look.hangers)]
    shown += [fact.shown_by for name, fact in look.line.facts.items() if name.startswith("register_change/")]
    if not missing and not surplus:
        yield Outcome(code, look.subject, "met", "The register is as drawn.", expected, known, max(shown))
        return
    parts = [
        f"{words} {', '.join(marks)}"
        for words, marks in (("drawn but not registered:", missing), ("registered but not drawn:", surplus))
        if marks
    ]
    detail = f"The register differs from {expected['drawing']}; {'; '.join(parts)}."
    yield Outcome(code, look.subject, "known", detail, expected, known, max(shown))


def _from_inspection(
    look: LineLook,
    code: str,
    name: str,
    good: Callable[[Any], bool],
    *,
    expected: Any,
    met: str,
    failed: str,
    missing: str,
) -> Outcome:
    """The outcome of one fact of the line's inspections; one from before a re-locking counts no more."""
    fact = look.line.facts.get(name)
    outdated = _outdated(look, code, fact, expected)
    if outdated is not None:
        return outdated
    return judged(code, look.subject, fact, good, expected=expected, met=met, failed=failed, missing=missing)


def _outdated(look: LineLook, code: str, fact: Fact | None, expected: Any) -> Outcome | None:
    hanger = None if fact is None else look.precedes(fact)
    if fact is None or hanger is None:
        return None
    detail = f"This was inspected before {hanger.mark} was locked again and counts no more."
    return Outcome(code, look.subject, "unknown", detail, expected, fact.value, fact.shown_by)


def welds(look: LineLook) -> Iterator[Outcome]:
    """Welds of the line and of its supports are complete."""
    yield _from_inspection(
        look,
        "welds-incomplete",
        "welds",
        lambda value: bool(value == "complete"),
        expected="complete",
        met="The welds are complete.",
        failed="The welds are not complete.",
        missing="No inspection states whether the welds are complete.",
    )


def rigid_supports(look: LineLook) -> Iterator[Outcome]:
    """Rigid supports, guides, anchors and restraints are in place and active."""
    yield _from_inspection(
        look,
        "rigid-supports-incomplete",
        "rigid_supports",
        lambda value: bool(value == "complete"),
        expected="complete",
        met="Rigid supports, guides and anchors are complete.",
        failed="Rigid supports, guides and anchors are not complete.",
        missing="No inspection states whether rigid supports, guides and anchors are complete.",
    )


def temporary_supports(look: LineLook) -> Iterator[Outcome]:
    """No temporary support, chain block or sling is left on the line."""
    yield _from_inspection(
        look,
        "temporary-supports-on",
        "temporary_supports",
        lambda value: bool(value == 0),
        expected=0,
        met="No temporary support is on the line.",
        failed="Temporary supports are still on the line.",
        missing="No inspection states how many temporary supports are on the line.",
    )


def _weight_on(look: LineLook, code: str, name: str) -> Outcome:
    """Insulation or jacketing as the springs were set for; complete where the record states no basis.

    Where the line was weighed, the model's segments have to say the same, and what is missing is named.
    """
    expected = look.stated("weight_basis", "insulation") or "complete"
    lacks = weight_missing(look, name)
    outcome = _from_inspection(
        look,
        code,
        name,
        lambda value: bool(value == expected),
        expected=expected,
        met=f"The {name} is as the springs were set for: {expected}.",
        failed=f"The {name} is not as the springs were set for: {expected}.",
        missing=f"No inspection states whether the {name} is {expected}.",
    )
    if outcome.standing == "known":
        named = f"{outcome.detail} By the line's model, {lacks}." if lacks else outcome.detail
        return replace(outcome, detail=named, never=never_later(look, name))
    if outcome.standing == "met" and lacks and expected == "complete":
        detail = f"The {name} was called complete, but by the line's model {lacks}."
        return replace(outcome, standing="unknown", detail=detail)
    return outcome


def insulation(look: LineLook) -> Iterator[Outcome]:
    """The insulation is as the springs were set for."""
    yield _weight_on(look, "insulation-incomplete", "insulation")


def jacketing(look: LineLook) -> Iterator[Outcome]:
    """The jacketing is as the springs were set for."""
    yield _weight_on(look, "jacketing-incomplete", "jacketing")


def _done_or_not_required(look: LineLook, code: str, name: str, words: str) -> Outcome:
    """A test or clean that the record requires is done; the record alone says that none is required."""
    required = look.stated(f"{name}_required")
    if required is False:
        return Outcome(
            code,
            look.subject,
            "met",
            f"The record requires no {words}.",
            "done or not required",
            "not_required",
            look.line.record_sequence,
        )
    fact = look.line.facts.get(name)
    if required is None and fact is not None and fact.value == "not_required":
        detail = f"An inspection calls the {words} not required, but the record does not state that."
        return Outcome(code, look.subject, "unknown", detail, f"{name}_required", fact.value, fact.shown_by)
    return _from_inspection(
        look,
        code,
        name,
        lambda value: bool(value == "done"),
        expected="done",
        met=f"The {words} is done.",
        failed=f"The {words} is not done.",
        missing=f"No inspection states whether the {words} is done.",
    )


def pressure_test(look: LineLook) -> Iterator[Outcome]:
    """The pressure test is done, or the record requires none."""
    yield _done_or_not_required(look, "pressure-test-not-done", "pressure_test", "pressure test")


def chemical_clean(look: LineLook) -> Iterator[Outcome]:
    """The chemical clean is done, or the record requires none."""
    yield _done_or_not_required(look, "chemical-clean-not-done", "chemical_clean", "chemical clean")


def contents(look: LineLook) -> Iterator[Outcome]:
    """The line holds what its springs were set for: one that runs full is released full."""
    code = "contents-not-weight-basis"
    basis = look.stated("weight_basis", "contents")
    if basis is None:
        yield Outcome(
            code,
            look.subject,
            "unknown",
            "The line's record does not state the contents that the springs were set for.",
            "weight_basis.contents",
            None,
            look.line.record_sequence,
        )
        return
    yield _from_inspection(
        look,
        code,
        "contents",
        lambda value: bool(value == basis),
        expected=basis,
        met="The contents are those that the springs were set for.",
        failed="The contents are not those that the springs were set for.",
        missing="No inspection states the contents of the line.",
    )


def temperature(look: LineLook) -> Iterator[Outcome]:
    """The line's temperature lies within its cold range, both ends included."""
    stated = look.stated("cold_range")
    if stated is None:
        low, high = look.criteria.si("cold_range_low"), look.criteria.si("cold_range_high")
        expected: Any = {
            "low": quantity_from_si(low, "degC", Dimension.TEMPERATURE),
            "high": quantity_from_si(high, "degC", Dimension.TEMPERATURE),
        }
    else:
        low = quantity_to_si(stated["low"], Dimension.TEMPERATURE)
        high = quantity_to_si(stated["high"], Dimension.TEMPERATURE)
        expected = stated

    def cold(value: Any) -> bool:
        found = quantity_to_si(value, Dimension.TEMPERATURE)
        return at_least(found, low) and at_most(found, high)

    yield _from_inspection(
        look,
        "line-not-cold",
        "line_temperature",
        cold,
        expected=expected,
        met="The line is cold.",
        failed="The line's temperature is outside its cold range.",
        missing="No inspection states the line's temperature.",
    )


def connected_lines(look: LineLook) -> Iterator[Outcome]:
    """The supports of lines joined to this one without an anchor between are known."""
    code = "connected-lines-unknown"
    fact = look.line.facts.get("connected_lines")
    expected = "anchored_off or known"
    drawn = look.stated("connected_lines")
    if fact is None:
        detail = "No inspection states whether the supports of connected lines are known."
        yield Outcome(code, look.subject, "unknown", detail, expected)
        return
    outdated = _outdated(look, code, fact, expected)
    if outdated is not None:
        yield outdated
    elif fact.value == "unknown":
        detail = "The supports of connected lines are not known."
        yield Outcome(code, look.subject, "unknown", detail, expected, fact.value, fact.shown_by)
    elif fact.value == "anchored_off" and drawn:
        detail = f"The line is called anchored off, but its record joins it to {', '.join(drawn)}."
        yield Outcome(code, look.subject, "known", detail, "known", fact.value, fact.shown_by)
    else:
        detail = "The supports of connected lines are known, or anchors stand between."
        yield Outcome(code, look.subject, "met", detail, expected, fact.value, fact.shown_by)
