"""Conditions of a hanger and of one assembly, travel stops apart (`stop_conditions`)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from service.domain.facts import Fact
from service.domain.readiness.balance_conditions import put_on_since
from service.domain.readiness.looks import AssemblyLook, HangerLook
from service.domain.readiness.outcomes import Outcome, judged

# States in which a reading was taken with the stops out, so that it says something of the balance.
_FREE = frozenset({"stops_out", "positioning", "released", "proved"})
_CONFIRMED = frozenset({"released", "proved"})
_SEVERE = ("critical", "major")


# --- the hanger -----------------------------------------------------------------------------------
def on_hold(look: HangerLook) -> Iterator[Outcome]:
    """No hanger is on hold."""
    status = look.view.facts.get("status")
    state = look.view.state
    shown = None if status is None else status.shown_by
    if state == "on_hold":
        detail = f"The hanger is on hold; it was {look.state}."
        yield Outcome("on-hold", look.subject, "known", detail, "not on hold", state, shown)
    else:
        yield Outcome(
            "on-hold", look.subject, "met", "The hanger is not on hold.", "not on hold", state, shown
        )


def _in_state(look: HangerLook, code: str, wanted: tuple[str, ...]) -> Iterator[Outcome]:
    if not look.sprung:
        return
    status = look.view.facts.get("status")
    shown = None if status is None else status.shown_by
    state = look.view.state
    expected = " or ".join(wanted)
    if state in wanted:
        yield Outcome(code, look.subject, "met", f"The hanger is {state}.", expected, state, shown)
    else:
        detail = f"The hanger is {state}, not {expected}."
        yield Outcome(code, look.subject, "known", detail, expected, state, shown)


def locked(look: HangerLook) -> Iterator[Outcome]:
    """Every spring is locked and not cleared for release: nobody may ease it while the line is full."""
    return _in_state(look, "not-locked", ("locked",))


def released(look: HangerLook) -> Iterator[Outcome]:
    """Every spring is released, or proved in this cycle."""
    return _in_state(look, "not-released", ("released", "proved"))


def proved(look: HangerLook) -> Iterator[Outcome]:
    """Every spring is proved hot."""
    return _in_state(look, "not-proved", ("proved",))


def assemblies(look: HangerLook) -> Iterator[Outcome]:
    """The record states the hanger's assemblies, so that each can be looked at."""
    code, stated = "assemblies-not-stated", look.view.record.get("assemblies")
    if stated:
        yield Outcome(
            code,
            look.subject,
            "met",
            "The record states the assemblies.",
            "assemblies",
            len(stated),
            look.view.record_sequence,
        )
    else:
        detail = "The record does not state how many assemblies carry the location."
        yield Outcome(code, look.subject, "unknown", detail, "assemblies", None, look.view.record_sequence)


def weight_basis(look: HangerLook) -> Iterator[Outcome]:
    """What the hanger's record says of the weight it was set for agrees with its line's record."""
    own = look.view.record.get("design", {}).get("weight_basis", {})
    basis = look.on.stated("weight_basis") or {}
    keys = [key for key in ("contents", "insulation") if key in own and key in basis]
    differing = [key for key in keys if own[key] != basis[key]]
    expected = {key: basis[key] for key in keys}
    known = {key: own[key] for key in keys}
    if differing:
        detail = f"The hanger and its line are set for different weights: {', '.join(differing)}."
        yield Outcome(
            "weight-basis-differs", look.subject, "known", detail, expected, known, look.view.record_sequence
        )
    elif keys:
        detail = "The hanger and its line are set for the same weight."
        yield Outcome(
            "weight-basis-differs", look.subject, "met", detail, expected, known, look.view.record_sequence
        )


# --- an assembly ----------------------------------------------------------------------------------
def in_place(look: AssemblyLook) -> Iterator[Outcome]:
    """The assembly stands where it is drawn."""
    yield judged(
        "not-in-place",
        look.subject,
        look.fact("in_place"),
        lambda value: value is True,
        expected=True,
        met="The assembly is in place.",
        failed="The assembly is not in place.",
        missing="No inspection states whether the assembly is in place.",
    )


def rod_slack(look: AssemblyLook) -> Iterator[Outcome]:
    """The rod carries: it is not slack, and the pipe is not off a base spring."""
    yield judged(
        "rod-slack",
        look.subject,
        look.fact("rod_slack"),
        lambda value: value is False,
        expected=False,
        met="The rod is not slack.",
        failed="The rod is slack, or the pipe is off the spring.",
        missing="No inspection states whether the rod is slack.",
    )


def interference(look: AssemblyLook) -> Iterator[Outcome]:
    """Nothing touches or blocks the assembly."""
    yield judged(
        "interference",
        look.subject,
        look.fact("interference"),
        lambda value: value is False,
        expected=False,
        met="Nothing touches or blocks the assembly.",
        failed="Something touches or blocks the assembly.",
        missing="No inspection states whether anything touches or blocks the assembly.",
    )


def defects(look: AssemblyLook) -> Iterator[Outcome]:
    """No critical or major defect is open; an inspection that names none has to say so."""
    fact = look.fact("defects")
    severe = [] if fact is None else [entry for entry in fact.value if entry["severity"] in _SEVERE]
    names = ", ".join(f"{entry['defect']} ({entry['severity']})" for entry in severe)
    outcome = judged(
        "defect-open",
        look.subject,
        fact,
        lambda value: not severe,
        expected="no critical or major defect",
        met="No critical or major defect is open.",
        failed=f"Open: {names}.",
        missing="No inspection states which defects there are, or that there are none.",
    )
    if any(entry["severity"] == "critical" for entry in severe):
        outcome = replace(outcome, never="a critical defect is repaired, never conceded")
    yield outcome


def nameplate_read(look: AssemblyLook) -> Iterator[Outcome]:
    """The nameplate was read on site; whether it agrees with the record is a check of its own."""
    if not look.of.sprung:
        return
    yield judged(
        "nameplate-not-read",
        look.subject,
        look.fact("nameplate"),
        lambda value: value.get("legible") is not False,
        expected="legible",
        met="The nameplate was read.",
        failed="The nameplate cannot be read.",
        missing="No inspection states what the nameplate says.",
    )


def retaining_hardware(look: AssemblyLook) -> Iterator[Outcome]:
    """Cotter or clip and washer are on both ends of the pin, seen after the last turn."""
    if not look.of.sprung or look.of.worked_on:
        return
    yield _after_the_last_turn(
        look,
        look.fact("retaining_hardware"),
        judged(
            "retaining-hardware-missing",
            look.subject,
            look.fact("retaining_hardware"),
            lambda value: value["one_end"] is True and value["other_end"] is True,
            expected={"one_end": True, "other_end": True},
            met="The retaining hardware is on both ends of the pin.",
            failed="The retaining hardware is not on both ends of the pin.",
            missing="No inspection states whether the retaining hardware is on.",
        ),
    )


def adjuster_locked(look: AssemblyLook) -> Iterator[Outcome]:
    """The adjuster's locking device is on, seen after the last turn."""
    if not look.of.sprung or look.of.worked_on:
        return
    yield _after_the_last_turn(
        look,
        look.fact("adjuster_locked"),
        judged(
            "adjuster-not-locked",
            look.subject,
            look.fact("adjuster_locked"),
            lambda value: value is True,
            expected=True,
            met="The adjuster's locking device is on.",
            failed="The adjuster's locking device is not on.",
            missing="No inspection states whether the adjuster's locking device is on.",
        ),
    )


def _after_the_last_turn(look: AssemblyLook, fact: Fact | None, outcome: Outcome) -> Outcome:
    """The outcome, or that nothing is known since: whoever turns an adjuster takes its device off."""
    if fact is None or outcome.standing != "met" or not look.of.turned_after(fact):
        return outcome
    detail = "The adjuster was turned since this was seen; look again."
    return replace(outcome, standing="unknown", detail=detail)


def _reading(look: AssemblyLook, code: str, condition: str, states: frozenset[str]) -> Iterator[Outcome]:
    """A legible reading with the stops out, not older than the last turn of this assembly's adjuster."""
    if not look.of.sprung:
        return
    fact = look.fact(f"reading/{condition}")
    expected = f"{condition} reading with the stops out, after the last turn"
    reason = _no_use(look, fact, condition, states)
    if fact is None or reason is not None:
        shown = None if fact is None else fact.shown_by
        known = None if fact is None else fact.value
        yield Outcome(code, look.subject, "unknown", str(reason), expected, known, shown)
    else:
        detail = f"The {condition} reading is in."
        yield Outcome(code, look.subject, "met", detail, expected, fact.value, fact.shown_by)


def _no_use(look: AssemblyLook, fact: Fact | None, condition: str, states: frozenset[str]) -> str | None:
    """Why a reading does not count; None when it does."""
    if fact is None:
        return f"There is no {condition} reading of this cycle."
    value = fact.value
    if value["legible"] is False or value["position"] is None:
        return f"The {condition} reading gives no position."
    if value["release_state"] not in states:
        return f"The {condition} reading was taken while the hanger was {value['release_state']}."
    if value["cycle"] != look.of.view.status["cycle"]:
        return f"The {condition} reading is of another cycle."
    if look.of.turned_after(fact):
        return f"The adjuster was turned after the {condition} reading."
    if condition == "cold" and look.of.on.purpose == "heat_up":
        part = put_on_since(look.of, fact)
        return None if part is None else f"The {part} was put on after release; read the indicator again."
    return None


def cold_reading(look: AssemblyLook) -> Iterator[Outcome]:
    """The cold reading is in."""
    return _reading(look, "cold-reading-missing", "cold", _FREE)


def hot_reading(look: AssemblyLook) -> Iterator[Outcome]:
    """The hot reading is in, taken after the hanger was confirmed."""
    return _reading(look, "hot-reading-missing", "hot", _CONFIRMED)
