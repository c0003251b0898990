"""Fold: from events to facts, one event at a time, without a look at anything else.

A fact carries the place of the event that it came from. The place is the event's sequence, or for a
correction the sequence of the event that it corrects in the end, so that a correction counts where the
mistake stood. `shown_by` is always the newest version.

What a person saw is settled by (occurred_at, place): the later moment wins, then the later place, so
that a note entered late never covers a newer one. What happened before the present cycle began is
history and changes no fact; a transition is the exception, since its guard has judged its time.

Turns are positive when they raise the load on the pipe.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Final

from service.domain.events import Event
from service.domain.facts import INSPECTED_FIELDS, READING_FIELDS, Changes, Fact, Facts
from service.domain.instants import parse_instant
from service.domain.release.draft import Draft
from service.domain.release.line_fold import fold_line_event
from service.errors import LogCorrupt

ENDS: Final = ("upper", "lower")

# Facts of an assembly that a new cycle keeps: what it is and what was done to its thread.
KEPT_IN_NEW_CYCLE: Final = (
    "ledger",
    "engagement",
    "in_place",
    "nameplate",
    "pipe_to_support_dimension",
)

# Transitions that people perform at the hanger; who performed them may not verify them.
PERFORMING: Final = frozenset(
    {"ease", "withdraw", "position", "confirm", "reposition", "abandon", "reinsert"}
)
VERIFIED: Final = ("retaining_hardware", "adjuster_locked")

# States in which every stop is still in, so that a count tells where stops are.
STOPS_STILL_IN: Final = frozenset({"locked", "cleared", "easing"})

# Turns are kept to the 1e-9 of a turn: a ledger of tenths has to come back to zero.
_TURN_DIGITS: Final = 9

EMPTY_LEDGER: Final[Mapping[str, Any]] = {
    "net_turns": 0.0,
    "cycle_net_turns": 0.0,
    "turned_up": 0.0,
    "turned_down": 0.0,
    "entries": 0,
    "load_adjuster_turns": 0.0,
    "cycle_load_adjuster_turns": 0.0,
    "load_adjuster_eased": False,
}
UNKNOWN_STOP: Final[Mapping[str, Any]] = {
    "position": None,
    "bearing_face": None,
    "free_by_hand": None,
    "observed_sequence": None,
    "observed_at": None,
    "stowed_at": None,
}


def fold_hanger(facts: Facts, event: Event) -> Changes:
    """Facts of a hanger that its next event changes.

    Args:
        facts: what was known of the hanger before the event
        event: the next event of the subject; not a correction, which needs the whole history

    Returns:
        changed facts by name; None for a fact that is no longer known

    Raises:
        ValueError: the event corrects another; `refold_hanger` takes those
    """
    _refuse_correction(event)
    return _fold_hanger(facts, event, event.sequence)


def fold_line(facts: Facts, event: Event) -> Changes:
    """Facts of a line that its next event changes; arguments, returns and errors as `fold_hanger`."""
    _refuse_correction(event)
    return fold_line_event(facts, event, event.sequence)


def refold_hanger(events: Sequence[Event], before: int | None = None) -> Facts:
    """Facts of a hanger from all its events, each correction in the place of what it corrects.

    Args:
        events: every event of the subject, in order
        before: take in only what has its place before this sequence, with corrections made since;
            None takes in everything

    Returns:
        facts by name; without corrections the same as folding the events one by one
    """
    return _refold(events, before, _fold_hanger)


def refold_line(events: Sequence[Event], before: int | None = None) -> Facts:
    """Facts of a line from all its events; arguments and returns as `refold_hanger`."""
    return _refold(events, before, fold_line_event)


def newest_versions(events: Iterable[Event]) -> list[tuple[int, Event]]:
    """Each event that still counts with its place: the newest version of each, withdrawn ones left out.

    Args:
        events: events of one subject, in order

    Returns:
        (place, newest version) by place

    Raises:
        LogCorrupt: a correction of what is no earlier event of the subject
    """
    root: dict[int, int] = {}
    newest: dict[int, Event] = {}
    for event in events:
        if event.corrects is None:
            place = event.sequence
        elif event.corrects in root:
            place = root[event.corrects]
        else:
            raise LogCorrupt("A correction names no event of its subject.", sequence=event.sequence)
        root[event.sequence] = place
        newest[place] = event
    return [(place, newest[place]) for place in sorted(newest) if not newest[place].data.get("withdraws")]


def _refuse_correction(event: Event) -> None:
    if event.corrects is not None:
        raise ValueError("a correction changes what came before it: fold the whole history again")


def _refold(
    events: Sequence[Event], before: int | None, fold: Callable[[Facts, Event, int], Changes]
) -> Facts:
    facts: dict[str, Fact] = {}
    for place, event in newest_versions(events):
        if before is not None and place >= before:
            break
        for name, fact in fold(facts, event, place).items():
            if fact is None:
                del facts[name]
            else:
                facts[name] = fact
    return facts


# --- hanger ---------------------------------------------------------------------------------------
def _fold_hanger(facts: Facts, event: Event, place: int) -> Changes:
    draft = Draft(facts, event, place)
    if event.type == "transition-made":
        _transition(draft)
    elif event.type == "hanger-retired":
        draft.put("retired", {"sequence": place})
    elif event.type in _ACTS and not draft.is_before_cycle():
        _ACTS[event.type](draft)
    return {name: fact for name, fact in draft.changes.items() if fact is not None or name in facts}


def _inspection(draft: Draft) -> None:
    data = draft.event.data
    assembly = f"assembly/{data['assembly']}"
    for field in INSPECTED_FIELDS:
        if field not in data:
            continue
        newest = draft.put_if_newest(f"{assembly}/{field}", data[field])
        if newest and field == "stops_counted":
            _count(draft, assembly, data[field])
        if newest and field in VERIFIED:
            _verification(draft, assembly, field)
    if "line_temperature" in data:
        draft.put_if_newest(f"{assembly}/inspected_temperature", data["line_temperature"])
    _engagement(draft, assembly)


def _count(draft: Draft, assembly: str, count: int) -> None:
    """A count while every stop is in says that 1..count are in, and nothing of those above it."""
    if draft.status["state"] not in STOPS_STILL_IN:
        return
    for number in range(1, count + 1):
        if draft.get(f"{assembly}/stop/{number}") is None:
            draft.put(f"{assembly}/stop/{number}", {**UNKNOWN_STOP, "position": "in"})
    for name in draft.names(f"{assembly}/stop/"):
        if int(name.rpartition("/")[2]) > count and draft.value(name, {})["observed_sequence"] is None:
            draft.drop(name)


def _verification(draft: Draft, assembly: str, field: str) -> None:
    """Who stands behind what was verified: who did it, and who entered it unless that is a relay."""
    event = draft.event
    behind = sorted({event.performed_by} | ({event.actor} if event.role != "integrator" else set()))
    verifiers = {key: list(draft.value("verifiers", {}).get(key, [])) for key in VERIFIED}
    verifiers[field] = sorted({*verifiers[field], *behind})
    draft.put_accumulated("verifiers", verifiers)
    draft.put(f"{assembly}/verified_by/{field}", behind)


def _engagement(draft: Draft, assembly: str) -> None:
    """Engagement as found, with the net turns of that moment: turns made later do not count yet."""
    net_turns = draft.value(f"{assembly}/ledger", EMPTY_LEDGER)["net_turns"]
    unmeasured = dict(draft.value(f"{assembly}/unmeasured_turns", {}))
    moment = parse_instant(draft.event.occurred_at)
    for found in draft.event.data.get("engagement", ()):
        end = found["end"]
        since = [entry for entry in unmeasured.get(end, []) if parse_instant(entry["occurred_at"]) > moment]
        value = {
            "measured": found.get("measured"),
            "full": found.get("full"),
            "net_turns": _turns(net_turns - sum(entry["turns"] for entry in since)),
        }
        if draft.put_if_newest(f"{assembly}/engagement/{end}", value) and end in unmeasured:
            unmeasured[end] = since
            draft.put_accumulated(f"{assembly}/unmeasured_turns", unmeasured)


def _reading(draft: Draft) -> None:
    data = draft.event.data
    value = {field: data.get(field) for field in (*READING_FIELDS, "release_state")}
    value["flags"] = list(data.get("flags", ()))
    value["cycle"] = draft.status["cycle"]
    draft.put_if_newest(f"assembly/{data['assembly']}/reading/{data['condition']}", value)


def _turn(draft: Draft) -> None:
    data = draft.event.data
    assembly = f"assembly/{data['assembly']}"
    turns = float(data["turns"])
    ledger = {**EMPTY_LEDGER, **draft.value(f"{assembly}/ledger", {})}
    ledger["entries"] += 1
    if data.get("device", "adjuster") == "load_adjuster":
        for key in ("load_adjuster_turns", "cycle_load_adjuster_turns"):
            ledger[key] = _turns(ledger[key] + turns)
        status = draft.status
        if "easing" in (status["state"], status["held_from"]):
            ledger["load_adjuster_eased"] = True
    else:
        for key in ("net_turns", "cycle_net_turns"):
            ledger[key] = _turns(ledger[key] + turns)
        direction = "turned_up" if turns > 0 else "turned_down"
        ledger[direction] = _turns(ledger[direction] + abs(turns))
        _turns_past_engagement(draft, assembly, turns)
    draft.put_accumulated(f"{assembly}/ledger", ledger)
    _engagement(draft, assembly)
    draft.disturb("turn")
    draft.note_performers("turn")


def _turns_past_engagement(draft: Draft, assembly: str, turns: float) -> None:
    """Keep the turns for each end until it is measured again.

    A turn entered after a measurement that came later on site is already in what was measured.
    """
    moment = parse_instant(draft.event.occurred_at)
    unmeasured = dict(draft.value(f"{assembly}/unmeasured_turns", {}))
    for end in ENDS:
        name = f"{assembly}/engagement/{end}"
        measured = draft.get(name)
        if measured is not None and moment < parse_instant(measured.occurred_at):
            value = {**measured.value, "net_turns": _turns(measured.value["net_turns"] + turns)}
            draft.amend(name, measured, value)
        else:
            entry = {"occurred_at": draft.event.occurred_at, "turns": turns}
            unmeasured[end] = [*unmeasured.get(end, []), entry]
    draft.put_accumulated(f"{assembly}/unmeasured_turns", unmeasured)


def _stop(draft: Draft) -> None:
    data = draft.event.data
    name = f"assembly/{data['assembly']}/stop/{data['stop']}"
    known = draft.value(name, UNKNOWN_STOP)
    act = data["act"]
    if act == "observed":
        # Looking at a stop never puts it back.
        seen = {
            **UNKNOWN_STOP,
            "position": known["position"] or "in",
            "bearing_face": data.get("bearing_face"),
            "free_by_hand": data.get("free_by_hand"),
            "observed_sequence": draft.place,
            "observed_at": draft.event.occurred_at,
            "stowed_at": known["stowed_at"],
        }
        draft.put_if_newest(name, seen)
        return
    if act == "inserted":
        draft.put_if_newest(name, {**UNKNOWN_STOP, "position": "in"})
        draft.disturb("stop")
        draft.note_performers("insert")
        return
    draft.put_if_newest(name, {**UNKNOWN_STOP, "position": "stowed", "stowed_at": data.get("stowed_at")})
    draft.note_performers("stow")


_ACTS: Final[Mapping[str, Callable[[Draft], None]]] = {
    "hanger-inspected": _inspection,
    "reading-taken": _reading,
    "adjuster-turned": _turn,
    "stop-noted": _stop,
}


def _transition(draft: Draft) -> None:
    event, data = draft.event, draft.event.data
    transition = data["transition"]
    status = dict(draft.status)
    came_from = status["state"]
    # `to` of a disposition may still be the word of the act.
    status["state"] = status["held_from"] if data["to"] == "resume" else data["to"]
    status["held_from"] = came_from if transition == "hold" else None
    if transition == "clear":
        status["authorisation"] = data["caused_by"]
        status["authorised_by"] = event.actor
    elif transition == "ease":
        status["paired_with"] = list(data.get("paired_with", ()))
    elif transition == "withdraw":
        _withdrawal(draft)
    elif transition == "confirm":
        draft.put("confirmation", {"cycle": status["cycle"]})
    elif transition == "relock":
        status["cycle"] += 1
        status["cycle_started_at"] = event.occurred_at
        status["cycle_started_sequence"] = draft.place
        _new_cycle(draft)
    if status["state"] == "locked":
        status.update(authorisation=None, authorised_by=None, paired_with=[])
        _forget_bearing(draft)
        draft.drop("withdrawal")
        draft.drop("confirmation")
    draft.put("status", status)
    draft.disturb("transition")
    if transition in PERFORMING and data.get("caused_by") is None:
        draft.note_performers(transition)


def _withdrawal(draft: Draft) -> None:
    counts = [dict(entry) for entry in draft.event.data.get("stops_withdrawn", ())]
    draft.put("withdrawal", {"stops_withdrawn": counts})
    for entry in counts:
        for number in range(1, entry["count"] + 1):
            draft.put(f"assembly/{entry['assembly']}/stop/{number}", {**UNKNOWN_STOP, "position": "out"})


def _new_cycle(draft: Draft) -> None:
    for name in draft.names("assembly/"):
        part = name.split("/")[2]
        fact = draft.get(name)
        if part not in KEPT_IN_NEW_CYCLE:
            draft.drop(name)
        elif part == "ledger" and fact is not None:
            begun = {"cycle_net_turns": 0.0, "cycle_load_adjuster_turns": 0.0, "load_adjuster_eased": False}
            draft.amend(name, fact, {**fact.value, **begun})
    draft.drop("performers")
    draft.drop("verifiers")


def _forget_bearing(draft: Draft) -> None:
    for name in draft.names("assembly/"):
        fact = draft.get(name)
        if "/stop/" in name and fact is not None and fact.value["observed_sequence"] is not None:
            kept = {"position": fact.value["position"], "stowed_at": fact.value["stowed_at"]}
            draft.amend(name, fact, {**UNKNOWN_STOP, **kept})


def _turns(value: float) -> float:
    return round(value, _TURN_DIGITS) + 0.0
