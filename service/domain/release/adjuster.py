"""Guards of the adjuster: turn limits, engagement at each end, pairs, and the load adjuster.

Turns are positive when they raise the load on the pipe. What raising does to the thread at an end
follows from the form of the adjuster (service.engineering.nut_plans.engagement): a hanging rod is
shortened and gains thread, a load column under the pipe is lengthened and loses it. Where it cannot be
told which end has which pitch, the worse is taken. What is not known is never taken as enough.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final, cast

from service.domain.criteria import Criteria
from service.domain.facts import Fact
from service.domain.release.fold import EMPTY_LEDGER
from service.domain.release.situation import Assembly, Situation
from service.engineering.comparison import at_least, at_most
from service.engineering.nut_plans.engagement import (
    ActsFrom,
    EngagementChange,
    Hands,
    engagement_change,
)
from service.engineering.threads import Thread, parse_thread
from service.errors import Lack, UnknownThread
from service.units import Dimension, quantity_to_si

# A ledger is kept to 1e-9 of a turn; less than this is no turn.
NO_TURN: Final = 1e-6
TURN_STATES: Final = frozenset({"easing", "positioning"})
_UNSEEN: Final[Mapping[str, Any]] = {"measured": None, "full": None, "net_turns": 0.0}
_TWO_ENDED: Final = frozenset({"opposite_hands", "same_hand_coupler"})


@dataclass(frozen=True)
class ThreadEnd:
    """Engagement at one end of an assembly's adjuster, as far as it is known.

    least_m: least allowed [m]. seen_short: the newest look found less. shown: the newest look found
    how much, or that it was full. measured_m, full: what it found; seen_net_turns: net turns then.
    drawn_m: as drawn, with zero net turns [m]. change: what turns do to it; None where not known.
    is_nut: a nut, whose engagement as measured ends at its height: what stands beyond is known from the
    drawing only.
    """

    end: str
    least_m: float | None
    drawn_m: float | None
    measured_m: float | None
    full: bool | None
    seen_net_turns: float
    change: EngagementChange | None
    fact: Fact | None
    is_nut: bool

    @property
    def shown(self) -> bool:
        """Whether it was measured or seen full on site."""
        return self.measured_m is not None or self.full is True

    @property
    def seen_short(self) -> bool:
        """Whether the newest look found less than allowed."""
        if self.full is False:
            return True
        if self.measured_m is None or self.least_m is None:
            return False
        return not at_least(self.measured_m, self.least_m)

    def moved_m(self, turns: float) -> float | None:
        """Least that turns do to the engagement, signed [m]; None where not known."""
        if abs(turns) < NO_TURN:
            return 0.0
        if self.change is None:
            return None
        each = self.change.per_raise_turn_m if turns > 0 else self.change.per_lower_turn_m
        return abs(turns) * each

    def margin_m(self, net_turns: float) -> float | None:
        """Least that the engagement exceeds what is allowed by, at a count of net turns [m].

        Reckoned from what was measured; else from what was seen full and from the drawing, whichever
        is better, since each is a lower bound. None where neither tells.
        """
        since_seen = self.moved_m(net_turns - self.seen_net_turns)
        by_drawing = self.measured_m is None or (self.is_nut and not self.seen_short)
        starts = [
            (self.measured_m, since_seen),
            (self.drawn_m if by_drawing else None, self.moved_m(net_turns)),
        ]
        bounds = [
            start + moved - self.least_m
            for start, moved in starts
            if start is not None and moved is not None and self.least_m is not None
        ]
        if self.measured_m is None and self.full is True and since_seen is not None:
            bounds.append(since_seen)
        return max(bounds, default=None)


def ledger_of(assembly: Assembly) -> Mapping[str, Any]:
    """The assembly's ledger; an empty one where no turn was made."""
    return {**EMPTY_LEDGER, **(assembly.value("ledger") or {})}


def thread_ends(assembly: Assembly, criteria: Criteria) -> tuple[ThreadEnd, ...]:
    """Every end that has a thread, by the record, the form of the adjuster and what was seen."""
    adjuster = assembly.view.record.get("adjuster", {})
    drawn = {entry["end"]: entry for entry in adjuster.get("engagement", ())}
    seen = {end for end in ("upper", "lower") if assembly.fact(f"engagement/{end}") is not None}
    both = {"upper", "lower"} if adjuster.get("hands") in _TWO_ENDED else set()
    change = _change(assembly.view.record)
    return tuple(
        _thread_end(assembly, end, drawn.get(end, {}), change, criteria)
        for end in sorted({*drawn, *seen, *both}, reverse=True)
    )


def _thread_end(
    assembly: Assembly,
    end: str,
    drawn: Mapping[str, Any],
    change: EngagementChange | None,
    criteria: Criteria,
) -> ThreadEnd:
    fact = assembly.fact(f"engagement/{end}")
    seen: Mapping[str, Any] = _UNSEEN if fact is None else fact.value
    least_m = _length(drawn.get("least_allowed"))
    thread = _thread(assembly.view.record.get("adjuster", {}).get("thread"))
    if least_m is None and thread is not None:
        least_m = criteria.si("engagement_diameters") * thread.diameter_m
    return ThreadEnd(
        end=end,
        least_m=least_m,
        drawn_m=_length(drawn.get("as_drawn")),
        measured_m=_length(seen["measured"]),
        full=seen["full"],
        seen_net_turns=seen["net_turns"],
        change=change,
        fact=fact,
        is_nut=assembly.view.record.get("adjuster", {}).get("form") == "nut",
    )


def _length(quantity: Mapping[str, Any] | None) -> float | None:
    return None if quantity is None else quantity_to_si(quantity, Dimension.LENGTH)


def _thread(designation: str | None) -> Thread | None:
    try:
        return None if designation is None else parse_thread(designation)
    except UnknownThread:
        return None


def _change(record: Mapping[str, Any]) -> EngagementChange | None:
    """What a turn does to the engagement; None where threads or hands are not known."""
    adjuster = record.get("adjuster", {})
    first, second = _thread(adjuster.get("thread")), _thread(adjuster.get("second_thread"))
    hands = cast("Hands | None", adjuster.get("hands"))
    if hands is None or first is None or (hands == "same_hand_coupler" and second is None):
        return None
    if adjuster.get("second_thread") is not None and second is None:
        return None
    return engagement_change(
        hands, _acts_from(record), first.pitch_m, None if second is None else second.pitch_m
    )


def _acts_from(record: Mapping[str, Any]) -> ActsFrom | None:
    """Whether raising shortens (above) or lengthens (below); None where the record contradicts itself."""
    stated = cast("ActsFrom | None", record.get("acts_from"))
    if record.get("adjuster", {}).get("form") == "load_column":
        return None if stated == "above" else "below"
    return stated


# --- before a turn ---------------------------------------------------------------------------------
def turn_open(situation: Situation) -> Iterator[Lack]:
    """The adjuster is turned in easing and in positioning; with the stops out the nut may go back.

    Back is towards where it stood when this cycle began and not beyond, by the adjusting nut alone, and while
    no other hanger of the line is in easing: what is turned here moves load there.
    """
    if situation.view.state == "stops_out" and _goes_back(situation):
        yield from _others_in_easing(situation)
    elif situation.view.state not in TURN_STATES:
        yield situation.lack(
            "turn-not-open",
            f"The adjuster is not turned while the hanger stands {situation.view.state}.",
            expected=sorted(TURN_STATES),
            known=situation.view.state,
        )


def _goes_back(situation: Situation) -> bool:
    assembly, turns = _turned(situation), _rod_turns(situation)
    if assembly is None or turns == 0.0:
        return False
    net = float(ledger_of(assembly)["cycle_net_turns"])
    return net * turns < 0.0 and abs(turns) <= abs(net) + NO_TURN


def _others_in_easing(situation: Situation) -> Iterator[Lack]:
    for hanger in situation.neighbours():
        if "easing" in (hanger.status["state"], hanger.status["held_from"]):
            yield situation.lack(
                "another-in-easing",
                f"{hanger.mark} is in easing: the nut goes back when its stops are out.",
                expected="no other hanger in easing",
                known=hanger.mark,
            )


def turn_device(situation: Situation) -> Iterator[Lack]:
    """Only a constant support has a load adjuster."""
    if situation.act.get("device") == "load_adjuster" and situation.view.kind != "constant":
        yield situation.lack(
            "no-load-adjuster",
            f"A {situation.view.kind} support has no load adjuster.",
            expected="constant",
            known=situation.view.kind,
        )


def turn_assembly(situation: Situation) -> Iterator[Lack]:
    """The assembly has to be one of the record's."""
    if _turned(situation) is None:
        yield situation.lack(
            "no-such-assembly",
            f"The record states no assembly {situation.act['assembly']}.",
            expected=len(situation.assemblies()),
            known=situation.act["assembly"],
        )


def turn_keeps_limits(situation: Situation) -> Iterator[Lack]:
    """After the turns the net turns lie within the limit in their direction."""
    assembly, turns = _turned(situation), _rod_turns(situation)
    if assembly is not None and turns != 0.0:
        after = ledger_of(assembly)["net_turns"] + turns
        yield from _limit_lacks(assembly, after, "raise" if turns > 0 else "lower")


def turn_after_engagement(situation: Situation) -> Iterator[Lack]:
    """No turn after a look that found too little thread, unless it restores it at that end."""
    assembly, turns = _turned(situation), float(situation.act["turns"])
    if assembly is None or turns == 0.0:
        return
    for end in thread_ends(assembly, situation.criteria):
        if end.seen_short and not _restores(end, _rod_turns(situation)):
            yield assembly.lack(
                "engagement-too-short",
                f"The {end.end} end was found with too little thread: restore it first.",
                end.fact,
                expected=end.least_m,
                known={"measured_m": end.measured_m, "full": end.full},
            )


def turn_keeps_engagement(situation: Situation) -> Iterator[Lack]:
    """After the turns each end keeps the least engagement, or gains what it lacks."""
    assembly, turns = _turned(situation), _rod_turns(situation)
    if assembly is None or turns == 0.0:
        return
    ends = thread_ends(assembly, situation.criteria)
    if not ends:
        yield assembly.lack("engagement-not-shown", "Nothing states at which ends thread is engaged.")
    for end in ends:
        margin_m = end.margin_m(ledger_of(assembly)["net_turns"] + turns)
        if end.seen_short and _restores(end, turns):
            continue
        if margin_m is None:
            yield assembly.lack(
                "engagement-not-shown",
                f"It cannot be said how much thread the {end.end} end would have after these turns.",
                end.fact,
                expected=end.least_m,
            )
        elif not at_least(margin_m, 0.0, scale=end.least_m or 0.0) and not _restores(end, turns):
            yield assembly.lack(
                "engagement-too-short",
                f"The {end.end} end would have {-margin_m * 1000.0:.1f} mm less thread than allowed.",
                end.fact,
                expected=end.least_m,
                known={"margin_m": margin_m},
            )


def turn_keeps_pair(situation: Situation) -> Iterator[Lack]:
    """The assemblies of one hanger stay alike in net turns, or come closer."""
    assembly, turns = _turned(situation), _rod_turns(situation)
    if assembly is None or turns == 0.0:
        return
    net = {one.number: ledger_of(one)["net_turns"] for one in situation.assemblies()}
    before = max(net.values()) - min(net.values())
    net[assembly.number] += turns
    after = max(net.values()) - min(net.values())
    limit = situation.criteria.si("pair_turns_max")
    if not at_most(after, limit, scale=1.0) and after >= before:
        yield assembly.lack(
            "pair-turns-apart",
            "The net turns of the hanger's assemblies would stand too far apart.",
            assembly.fact("ledger"),
            expected=limit,
            known=after,
        )


# --- as it stands ------------------------------------------------------------------------------------
def engagement_shown(situation: Situation) -> Iterator[Lack]:
    """At each end the thread was measured or seen full, and what there is now can be told."""
    for assembly in situation.assemblies():
        ends = thread_ends(assembly, situation.criteria)
        if not ends:
            yield assembly.lack("engagement-not-shown", "Nothing states at which ends thread is engaged.")
        for end in ends:
            if not end.seen_short and not (
                end.shown and end.margin_m(ledger_of(assembly)["net_turns"]) is not None
            ):
                yield assembly.lack(
                    "engagement-not-shown",
                    f"The engagement at the {end.end} end has to be measured or seen full.",
                    end.fact,
                    expected=end.least_m,
                )


def engagement_not_short(situation: Situation) -> Iterator[Lack]:
    """At no end the newest look, or the turns since, leave less thread than allowed."""
    for assembly in situation.assemblies():
        for end in thread_ends(assembly, situation.criteria):
            margin_m = end.margin_m(ledger_of(assembly)["net_turns"])
            reckoned_short = margin_m is not None and not at_least(margin_m, 0.0, scale=end.least_m or 0.0)
            if end.seen_short or reckoned_short:
                yield assembly.lack(
                    "engagement-too-short",
                    f"The {end.end} end has too little thread.",
                    end.fact,
                    expected=end.least_m,
                    known={"measured_m": end.measured_m, "full": end.full, "margin_m": margin_m},
                )


def within_limits(situation: Situation) -> Iterator[Lack]:
    """The net turns of each assembly lie within the limit in their direction."""
    for assembly in situation.assemblies():
        net_turns = ledger_of(assembly)["net_turns"]
        if abs(net_turns) > NO_TURN:
            yield from _limit_lacks(assembly, net_turns, "raise" if net_turns > 0 else "lower")


def pair_alike(situation: Situation) -> Iterator[Lack]:
    """The net turns of the hanger's assemblies lie within the criterion of each other."""
    net = [ledger_of(assembly)["net_turns"] for assembly in situation.assemblies()]
    apart = max(net, default=0.0) - min(net, default=0.0)
    limit = situation.criteria.si("pair_turns_max")
    if not at_most(apart, limit, scale=1.0):
        yield situation.lack(
            "pair-turns-apart",
            "The net turns of the hanger's assemblies stand too far apart.",
            expected=limit,
            known=apart,
        )


def load_adjuster_back(situation: Situation) -> Iterator[Lack]:
    """A load adjuster that was used for easing is back where it was."""
    for assembly in situation.assemblies():
        ledger = ledger_of(assembly)
        if ledger["load_adjuster_eased"] and abs(ledger["cycle_load_adjuster_turns"]) > NO_TURN:
            yield assembly.lack(
                "load-adjuster-not-back",
                "The load adjuster was used for easing and has to go back to the calibrated load.",
                assembly.fact("ledger"),
                expected=0.0,
                known=ledger["cycle_load_adjuster_turns"],
            )


def _turned(situation: Situation) -> Assembly | None:
    number = situation.act["assembly"]
    return next((one for one in situation.assemblies() if one.number == number), None)


def _rod_turns(situation: Situation) -> float:
    """Turns that the act makes at the rod's adjuster; the load adjuster leaves its thread alone."""
    if situation.act.get("device") == "load_adjuster":
        return 0.0
    return float(situation.act["turns"])


def _restores(end: ThreadEnd, turns: float) -> bool:
    return (end.moved_m(turns) or 0.0) > 0.0


def _limit_lacks(assembly: Assembly, net_turns: float, direction: str) -> Iterator[Lack]:
    limit = assembly.view.record.get("adjuster", {}).get(f"turn_limit_{direction}")
    if limit is None:
        yield assembly.lack(
            "turn-limit-not-stated", f"The record does not state how far the adjuster may {direction}."
        )
    elif not at_most(net_turns if direction == "raise" else -net_turns, limit, scale=1.0):
        yield assembly.lack(
            "turn-limit",
            f"The net turns may not pass {limit:g} in the direction {direction}.",
            assembly.fact("ledger"),
            expected=limit if direction == "raise" else -limit,
            known=net_turns,
        )
