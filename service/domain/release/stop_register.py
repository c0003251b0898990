"""Guards of the travel stops: seen free, counted, drawn by hand, stowed, put back.

What was seen of a stop goes stale as soon as a nut is turned, a stop moved or the contents change
anywhere on the line, since every hanger of a line stands on the same pipe.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any, Final

from service.domain.facts import Fact
from service.domain.instants import parse_instant
from service.domain.release.line_state import disturbances, is_after_disturbance, is_undisturbed
from service.domain.release.machine import in_stage
from service.domain.release.situation import Assembly, Situation, assemblies_of, make_lack
from service.domain.views import HangerView
from service.errors import Lack

OUT: Final = frozenset({"out", "stowed"})
STOPS_OUT_STATES: Final = frozenset({"stops_out", "positioning", "released", "proved"})


def assemblies_stated(situation: Situation) -> Iterator[Lack]:
    """The record has to state the assemblies, or nobody knows which facts are wanted."""
    if not situation.assemblies():
        yield situation.lack(
            "assemblies-not-stated",
            "The record does not state the hanger's assemblies.",
            shown_by=situation.view.record_sequence,
        )


def counted_as_drawn(situation: Situation) -> Iterator[Lack]:
    """The stops were counted in each assembly, and are as many as drawn."""
    for assembly in situation.assemblies():
        fact = assembly.fact("stops_counted")
        if assembly.drawn is None or fact is None or fact.value != assembly.drawn:
            yield assembly.lack(
                "stop-count-not-as-drawn",
                "The stops counted have to be as many as drawn.",
                fact,
                expected=assembly.drawn,
                known=None if fact is None else fact.value,
            )


def none_beyond_drawn(situation: Situation) -> Iterator[Lack]:
    """No stop was noted that the drawing does not show."""
    for assembly in situation.assemblies():
        for number, fact in assembly.stops().items():
            if assembly.drawn is not None and number > assembly.drawn:
                yield assembly.lack(
                    "stop-count-not-as-drawn",
                    f"Stop {number} was noted, but the drawing shows {assembly.drawn}.",
                    fact,
                    expected=assembly.drawn,
                    known=number,
                )


def undamaged(situation: Situation) -> Iterator[Lack]:
    """An inspection says that no stop is damaged."""
    for assembly in situation.assemblies():
        fact = assembly.fact("stops_damaged")
        if fact is None or fact.value != 0:
            yield assembly.lack(
                "stop-damaged",
                "No stop may be damaged, and an inspection has to say so.",
                fact,
                expected=0,
                known=None if fact is None else fact.value,
            )


def every_stop_in(situation: Situation) -> Iterator[Lack]:
    """Every drawn stop is in."""
    for assembly, number, fact in _drawn_stops(situation):
        if fact is None or fact.value["position"] != "in":
            yield assembly.lack(
                "stop-not-in",
                f"Stop {number} has to be in.",
                fact,
                expected="in",
                known=None if fact is None else fact.value["position"],
            )


def every_stop_free(situation: Situation) -> Iterator[Lack]:
    """Every drawn stop was seen with no face bearing, and moved free by hand."""
    for assembly, number, fact in _drawn_stops(situation):
        seen = {} if fact is None else fact.value
        if seen.get("bearing_face") != "none" or seen.get("free_by_hand") is not True:
            known = {key: seen.get(key) for key in ("bearing_face", "free_by_hand")}
            yield assembly.lack(
                "stop-not-free",
                f"Stop {number} has to be seen with no face bearing and free by hand.",
                fact,
                expected={"bearing_face": "none", "free_by_hand": True},
                known=None if seen.get("observed_sequence") is None else known,
            )


def seen_after_disturbance(situation: Situation) -> Iterator[Lack]:
    """Each stop was seen after the last thing that can move load anywhere on the line.

    Later both on site and in the log: what was written down later but seen before does not count, nor
    what bears a later time but was written down before.
    """
    since = list(disturbances_on_line(situation))
    for assembly, number, fact in _observations(situation):
        for subject, disturbance in since:
            if not is_after_disturbance(*_moment_seen(fact), disturbance):
                yield assembly.lack(
                    "observation-stale",
                    f"Stop {number} has to be seen again: {disturbance.value['what']} at {subject} since.",
                    disturbance,
                    expected=f"seen after {disturbance.value['latest_occurred_at']}",
                    known=fact.value["observed_at"],
                )


def is_fresh(situation: Situation, fact: Fact) -> bool | None:
    """Whether what was seen of a stop still counts at the situation's time; None when it was never seen."""
    if fact.value["observed_sequence"] is None:
        return None
    recent = situation.now - parse_instant(fact.value["observed_at"]) <= _valid_for(situation)
    return recent and is_undisturbed(*_moment_seen(fact), disturbances_on_line(situation))


def seen_recently(situation: Situation) -> Iterator[Lack]:
    """Each stop was seen within the stated time before the withdrawal, and before now."""
    limit = _valid_for(situation)
    for assembly, number, fact in _observations(situation):
        seen = parse_instant(fact.value["observed_at"])
        if max(situation.now, situation.occurred_at) - seen > limit:
            yield assembly.lack(
                "observation-too-old",
                f"Stop {number} has to be seen within the last {limit.total_seconds() / 60:g} minutes.",
                fact,
                expected=f"{limit.total_seconds() / 60:g} minutes",
                known=fact.value["observed_at"],
            )


def seen_before_act(situation: Situation) -> Iterator[Lack]:
    """No stop was seen in after the time given for its withdrawal."""
    for assembly, number, fact in _observations(situation):
        if parse_instant(fact.value["observed_at"]) > situation.occurred_at:
            yield assembly.lack(
                "observation-later-than-act",
                f"Stop {number} was seen in after the time given for its withdrawal.",
                fact,
                expected="seen before the withdrawal",
                known=fact.value["observed_at"],
            )


def withdrawn_as_drawn(situation: Situation) -> Iterator[Lack]:
    """As many stops were counted in the hand as are drawn, at each assembly."""
    counted = {entry["assembly"]: entry["count"] for entry in situation.act.get("stops_withdrawn", ())}
    named_twice = len(counted) != len(situation.act.get("stops_withdrawn", ()))
    drawn = {assembly.number: assembly.drawn for assembly in situation.assemblies()}
    if counted != drawn or named_twice:
        yield situation.lack(
            "withdrawn-count-not-as-drawn",
            "Every stop that came out has to be counted, as many as drawn at each assembly.",
            expected=_by_assembly(drawn),
            known=_by_assembly(counted) if counted else None,
        )


def withdrawn_all_stowed(situation: Situation) -> Iterator[Lack]:
    """Every stop is stowed: in = out = stowed."""
    for assembly, number, fact in _drawn_stops(situation):
        if fact is None or fact.value["position"] != "stowed":
            yield assembly.lack(
                "stop-not-stowed",
                f"Stop {number} has to be stowed.",
                fact,
                expected="stowed",
                known=None if fact is None else fact.value["position"],
            )


def counted_out(situation: Situation) -> Iterator[Lack]:
    """The withdrawal counted as many stops out as are drawn."""
    fact = situation.view.facts.get("withdrawal")
    entries = () if fact is None else fact.value["stops_withdrawn"]
    counted = {entry["assembly"]: entry["count"] for entry in entries}
    drawn = {assembly.number: assembly.drawn for assembly in situation.assemblies()}
    if counted != drawn:
        yield situation.lack(
            "withdrawn-count-not-as-drawn",
            "The withdrawal has to have counted as many stops as are drawn.",
            expected=_by_assembly(drawn),
            known=None if fact is None else _by_assembly(counted),
            shown_by=None if fact is None else fact.shown_by,
        )


def counted_in_again(situation: Situation) -> Iterator[Lack]:
    """The stops were counted again after the withdrawal, and are as many as drawn."""
    withdrawal = situation.view.facts.get("withdrawal")
    for assembly in situation.assemblies():
        fact = assembly.fact("stops_counted")
        since = [stop for stop in (withdrawal, *assembly.stops().values()) if stop is not None]
        counted = fact is not None and fact.value == assembly.drawn
        if fact is None or not counted or any(_moment(fact) <= _moment(stop) for stop in since):
            yield assembly.lack(
                "stop-count-not-as-drawn",
                "The stops have to be counted after the last one was put back, as many as drawn.",
                fact,
                expected=assembly.drawn,
                known=None if fact is None else fact.value,
            )


def all_out_on_line(situation: Situation) -> Iterator[Lack]:
    """Every stop of the line, or of the stage under which this hanger was cleared, is out."""
    stage = _stage(situation)
    others = [hanger for hanger in situation.neighbours() if in_stage(hanger, stage)]
    for hanger in (situation.view, *others):
        if hanger.kind == "rigid" or hanger.retired:
            continue
        yield from _not_out(hanger)


def held_as_stands(situation: Situation) -> Iterator[Lack]:
    """A hanger goes back to where it was held only if its stops stand as they do there."""
    held_from = situation.view.status["held_from"]
    if situation.act.get("to") != "resume":
        return
    wanted = frozenset({"out", "stowed"}) if held_from in STOPS_OUT_STATES else frozenset({"in"})
    for assembly in situation.assemblies():
        for number, fact in assembly.stops().items():
            if fact.value["position"] not in wanted:
                yield assembly.lack(
                    "stops-differ-from-state",
                    f"Stop {number} does not stand as in {held_from}.",
                    fact,
                    expected=sorted(wanted),
                    known=fact.value["position"],
                )


def in_for_locked(situation: Situation) -> Iterator[Lack]:
    """A hanger goes from hold to locked only if every stop is in."""
    if situation.act.get("to") == "locked":
        yield from assemblies_stated(situation)
        yield from _drawn_known(situation)
        yield from every_stop_in(situation)


def stop_act(situation: Situation) -> Iterator[Lack]:
    """A stop is looked at while it is in, stowed once it is out, and put back only where it came out."""
    act = situation.act
    found = [assembly for assembly in situation.assemblies() if assembly.number == act["assembly"]]
    if not found:
        yield situation.lack(
            "no-such-assembly",
            f"The record states no assembly {act['assembly']}.",
            expected=len(situation.assemblies()),
            known=act["assembly"],
        )
        return
    assembly, number = found[0], act["stop"]
    if assembly.drawn is None or number > assembly.drawn:
        yield assembly.lack(
            "no-such-stop",
            f"The drawing shows no stop {number}.",
            expected=assembly.drawn,
            known=number,
        )
        return
    if "corrects" in act:
        # It takes the place of what it corrects; where stops stand now says nothing about then.
        return
    fact = assembly.fact(f"stop/{number}")
    position = None if fact is None else fact.value["position"]
    state = situation.view.state
    open_states = STOPS_OUT_STATES | {"on_hold"}
    permitted = {
        "observed": position == "in" or (position is None and state not in STOPS_OUT_STATES),
        "stowed": position in OUT,
        "inserted": position != "in" and state in open_states,
    }
    if not permitted[act["act"]]:
        yield assembly.lack(
            "stop-act-not-open",
            f"Stop {number} is {position or 'not known'} and the hanger {state}: not to be {act['act']}.",
            fact,
            expected={"observed": "in", "stowed": "out", "inserted": "out"}[act["act"]],
            known={"position": position, "state": state},
        )


# --- what they share -----------------------------------------------------------------------------
def _moment(fact: Fact) -> tuple[Any, int]:
    return parse_instant(fact.occurred_at), fact.sequence


def _by_assembly(counts: dict[int, Any]) -> dict[str, Any]:
    return {str(number): count for number, count in sorted(counts.items())}


def _drawn_known(situation: Situation) -> Iterator[Lack]:
    for assembly in situation.assemblies():
        if assembly.drawn is None:
            yield assembly.lack(
                "stop-count-not-as-drawn", "The record does not state how many stops are drawn."
            )


def _drawn_stops(situation: Situation) -> Iterator[tuple[Assembly, int, Fact | None]]:
    for assembly in situation.assemblies():
        for number in range(1, (assembly.drawn or 0) + 1):
            yield assembly, number, assembly.fact(f"stop/{number}")


def _observations(situation: Situation) -> Iterator[tuple[Assembly, int, Fact]]:
    """Drawn stops that were looked at; one that was not is not free, which another guard says."""
    for assembly, number, fact in _drawn_stops(situation):
        if fact is not None and fact.value["observed_sequence"] is not None:
            yield assembly, number, fact


def _valid_for(situation: Situation) -> timedelta:
    return timedelta(minutes=situation.criteria.si("bearing_valid_minutes"))


def _moment_seen(fact: Fact) -> tuple[int, datetime]:
    """Where and when a stop was looked at: place in the log, and time on site."""
    return fact.value["observed_sequence"], parse_instant(fact.value["observed_at"])


def disturbances_on_line(situation: Situation) -> Iterator[tuple[str, Fact]]:
    """The last disturbance of the line itself and of each of its hangers, with its subject."""
    return disturbances(situation.line, (situation.view, *situation.neighbours()))


def _stage(situation: Situation) -> Any:
    """Stage of the hanger's own authorisation; the whole line where that is not known any more."""
    fact = situation.line.facts.get("authorisation")
    given = [] if fact is None else [fact.value, *fact.value["earlier"]]
    own = situation.view.status["authorisation"]
    return next((entry["stage"] for entry in given if entry["sequence"] == own), None)


def _not_out(hanger: HangerView) -> Iterator[Lack]:
    assemblies = assemblies_of(hanger)
    if not assemblies or any(assembly.drawn is None for assembly in assemblies):
        yield make_lack(
            "stop-still-in",
            f"The record of {hanger.mark} does not state its stops.",
            hanger.subject,
            expected="out",
            shown_by=hanger.record_sequence,
        )
        return
    for assembly in assemblies:
        for number in range(1, (assembly.drawn or 0) + 1):
            fact = assembly.fact(f"stop/{number}")
            if fact is None or fact.value["position"] not in OUT:
                yield assembly.lack(
                    "stop-still-in",
                    f"Stop {number} of {hanger.mark} has to be out.",
                    fact,
                    expected="out",
                    known=None if fact is None else fact.value["position"],
                )
