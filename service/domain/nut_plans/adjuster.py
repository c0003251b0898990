"""The adjuster of one assembly as the record and the facts describe it, and what it permits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, cast

from service.domain.nut_plans.answer import Draft, plain
from service.domain.nut_plans.sources import Sources
from service.engineering.nut_plans import (
    EngagementChange,
    Reach,
    ThreadEnd,
    engagement_change,
    lead_per_turn_m,
    net_turns,
    reach,
    within_reach,
)
from service.engineering.nut_plans.engagement import End, Hands
from service.engineering.threads import Thread, parse_thread
from service.errors import UnknownThread
from service.units import Dimension, quantity_to_si

_AGREEMENT = 1e-3  # a stated lead may be rounded to four figures
_LARGEST_FLAT = 0.5  # turns; no turned part has fewer than two flats


@dataclass(frozen=True)
class Adjuster:
    """What is known of an adjuster.

    lead_m: change of length for one turn; None when not known, 0 for a coupler that changes nothing.
    lead_conflict: whether the stated lead contradicts the threads. flats: of the turned part, or None.
    ends: engagement at each end that is known. unknown_ends: pointers of what is missing for the others.
    change: what turns do to the engagement; None when not known. net: net turns so far; None without a
    ledger. limit_raise and limit_lower: turn limits; None when the record has none.
    """

    lead_m: float | None
    lead_conflict: bool
    flats: int | None
    ends: tuple[ThreadEnd, ...]
    unknown_ends: tuple[str, ...]
    change: EngagementChange | None
    net: float | None
    limit_raise: float | None
    limit_lower: float | None

    @property
    def one_flat(self) -> float:
        """Turns of one flat; where the number of flats is not known, the most that a flat can be."""
        return _LARGEST_FLAT if self.flats is None else 1.0 / self.flats

    def limit(self, sign: int) -> float | None:
        """Turn limit in a direction."""
        return self.limit_raise if sign > 0 else self.limit_lower

    def reach(self, sign: int) -> Reach:
        """How far it may be turned, by what is known."""
        return reach(sign, self.ends, 0.0 if self.net is None else self.net, self.limit(sign))

    def loses_thread(self, sign: int) -> bool:
        """Whether turning that way loses engagement, or may."""
        if self.change is None:
            return True
        return (self.change.per_raise_turn_m if sign > 0 else self.change.per_lower_turn_m) < 0.0


def read_adjuster(sources: Sources) -> Adjuster:
    """The adjuster from the record, the ledger and the engagement seen.

    A lead that the record does not state is derived from the threads. A thread that cannot be read counts
    as missing.

    Args:
        sources: request and record; what is wanted and absent is noted there
    """
    hands = cast("Hands | None", sources.drawn("/adjuster/hands"))
    first, second = _thread(sources, "/adjuster/thread"), _thread(sources, "/adjuster/second_thread")
    stated = sources.drawn_si("/adjuster/lead_per_turn", Dimension.LENGTH)
    derived = _derived_lead(hands, first, second)
    lead = stated if derived is None or stated is not None else derived
    conflict = stated is not None and derived is not None and abs(stated - derived) > _AGREEMENT * stated
    if lead is None:
        sources.want("/hanger/adjuster/lead_per_turn")
    elif stated is None:
        sources.derived("lead_per_turn_m", plain(lead))
    pitch, second_pitch = _pitches(hands, first, second, stated)
    ledger = sources.given("/ledger")
    net = None if ledger is None else net_turns(ledger)
    change = None
    if hands is None:
        sources.want("/hanger/adjuster/hands")
    elif pitch is None:
        lacking = "thread" if first is None else "second_thread"
        sources.want(f"/hanger/adjuster/{lacking}")
    else:
        acts_from = sources.drawn("/acts_from", wanted=True)
        change = engagement_change(hands, acts_from, pitch, second_pitch)
    ends, unknown = _ends(sources, hands, change, net)
    return Adjuster(
        lead_m=lead,
        lead_conflict=conflict,
        flats=sources.drawn("/adjuster/flats", wanted=True),
        ends=ends,
        unknown_ends=unknown,
        change=change,
        net=net,
        limit_raise=sources.drawn("/adjuster/turn_limit_raise"),
        limit_lower=sources.drawn("/adjuster/turn_limit_lower"),
    )


def _thread(sources: Sources, pointer: str) -> Thread | None:
    text = sources.drawn(pointer)
    if text is None:
        return None
    try:
        return parse_thread(text)
    except UnknownThread:
        sources.want(f"/hanger{pointer}")
        return None


def _derived_lead(hands: Hands | None, first: Thread | None, second: Thread | None) -> float | None:
    if hands is None or first is None or (hands == "same_hand_coupler" and second is None):
        return None
    return lead_per_turn_m(hands, first.pitch_m, None if second is None else second.pitch_m)


def _pitches(
    hands: Hands | None, first: Thread | None, second: Thread | None, lead_m: float | None
) -> tuple[float | None, float | None]:
    """Pitch of one and of the other thread. Without a readable thread a lead gives them where it can."""
    if first is not None:
        if hands == "same_hand_coupler" and second is None:
            return None, None
        return first.pitch_m, None if second is None else second.pitch_m
    if lead_m is None or hands == "same_hand_coupler":
        return None, None
    # The ends of a turnbuckle share their size, so that each has half of the lead.
    return (lead_m / 2.0 if hands == "opposite_hands" else lead_m), None


def _ends(
    sources: Sources, hands: Hands | None, change: EngagementChange | None, net: float | None
) -> tuple[tuple[ThreadEnd, ...], tuple[str, ...]]:
    """Ends whose engagement is known, and the pointers of what the others lack."""
    drawn = sources.drawn("/adjuster/engagement") or []
    seen = sources.given("/engagement") or []
    names = [entry["end"] for entry in [*drawn, *seen]]
    expected = ["upper", "lower"] if hands in ("opposite_hands", "same_hand_coupler") else []
    ends: list[ThreadEnd] = []
    unknown: list[str] = []
    for name in dict.fromkeys([*expected, *names]):
        found, lacking = _end(cast("End", name), drawn, seen, change, net, sources.drawn("/adjuster/form"))
        if found is not None:
            ends.append(found)
        unknown += lacking
    if not names and not expected:
        unknown.append("/hanger/adjuster/engagement")
    return tuple(ends), tuple(dict.fromkeys(unknown))


def _end(
    name: End,
    drawn: Sequence[Mapping[str, Any]],
    seen: Sequence[Mapping[str, Any]],
    change: EngagementChange | None,
    net: float | None,
    form: str | None,
) -> tuple[ThreadEnd | None, list[str]]:
    """One end, or the pointers of what it lacks."""
    as_drawn: Mapping[str, Any] = next((entry for entry in drawn if entry["end"] == name), {})
    as_seen: Mapping[str, Any] = next((entry for entry in seen if entry["end"] == name), {})
    if "least_allowed" not in as_drawn:
        return None, ["/hanger/adjuster/engagement"]
    if change is None:
        return None, []
    least = quantity_to_si(as_drawn["least_allowed"], Dimension.LENGTH)
    measured = None
    if "measured" in as_seen:
        measured = quantity_to_si(as_seen["measured"], Dimension.LENGTH)
    elif as_seen.get("full") is True:
        measured = least
    if as_seen.get("full") is False:
        # Seen as not full: whatever was measured, it counts as short.
        measured = min(0.0 if measured is None else measured, 0.0)
    if "as_drawn" not in as_drawn or net is None:
        if measured is None:
            return None, ["/engagement" if "as_drawn" not in as_drawn else "/ledger"]
        return ThreadEnd(name, least, change, measured_m=measured), []
    by_drawing = ThreadEnd(
        name, least, change, drawn_m=quantity_to_si(as_drawn["as_drawn"], Dimension.LENGTH), net_turns=net
    )
    if measured is None:
        return by_drawing, []
    # A nut's measured engagement ends at its height; what stands beyond is known from the drawing only.
    # Full engagement seen agrees with any drawing; a measured one below it shows the drawing wrong.
    believed = "measured" not in as_seen and as_seen.get("full") is True
    believed = believed or measured >= (least if form == "nut" else by_drawing.after_m(0.0))
    drawn_m = by_drawing.drawn_m if believed else None
    return ThreadEnd(name, least, change, measured_m=measured, drawn_m=drawn_m, net_turns=net), []


def describe(draft: Draft, adjuster: Adjuster, sources: Sources, sign: int) -> None:
    """Write direction, rotation, engagement now and the cautions that go with them into the draft."""
    draft.sign = sign
    draft.rotation = _rotation(draft, sources, sign)
    if adjuster.flats is None:
        draft.caution("flats-not-known")
    if adjuster.net is None:
        sources.want("/ledger")
    else:
        draft.net_turns = {"now": plain(adjuster.net)}
    draft.engagement = engagement_after(draft, adjuster, 0.0)
    if any(end.measured_m is None for end in adjuster.ends):
        draft.caution("engagement-from-drawing")
    draft.rests_on("engagement")


def _rotation(draft: Draft, sources: Sources, sign: int) -> dict[str, Any]:
    raises = sources.drawn("/adjuster/clockwise_raises", wanted=True)
    seen_from = sources.drawn("/adjuster/seen_from", wanted=True)
    reason = None
    if raises is None or seen_from is None:
        reason = "The record does not say which hand raises, seen from which end."
        draft.caution("rotation-not-known")
    elif sign == 0:
        reason = "There is no direction to turn."
    if reason is not None:
        return {"sense": None, "seen_from": None, "reason": reason}
    clockwise = raises == (sign > 0)
    return {
        "sense": "clockwise" if clockwise else "counter_clockwise",
        "seen_from": seen_from,
        "reason": None,
    }


def engagement_after(draft: Draft, adjuster: Adjuster, turns: float) -> list[dict[str, Any]]:
    """Engagement at each known end after turns from now, for the document."""
    return [
        {
            "end": end.end,
            "engagement": draft.quantity(end.after_m(turns), Dimension.LENGTH),
            "least_allowed": draft.quantity(end.least_m, Dimension.LENGTH),
            "margin": draft.quantity(end.after_m(turns) - end.least_m, Dimension.LENGTH),
        }
        for end in adjuster.ends
    ]


def permits(
    draft: Draft, adjuster: Adjuster, sources: Sources, turns: float, *, restoring: bool = False
) -> bool:
    """Whether the adjuster may make these turns; where not, the draft says why.

    Engagement that is not known forbids a direction that loses it, and is a caution for one that gains
    it. A turn limit without a ledger cannot be verified. What lies beyond is refused with the nearest
    that can be done, never cut down.

    Args:
        draft: receives a refusal, or the answer that it cannot be said
        adjuster: the adjuster
        sources: receives the pointers of what is missing
        turns: signed turns from now
        restoring: whether turns that gain engagement may be made where it is short, as on the way back
    """
    sign = 1 if turns > 0 else -1
    short = any(end.is_short for end in adjuster.ends)
    if short and not (restoring and not adjuster.loses_thread(sign)):
        draft.refuse("engagement-below-least", 0.0, adjuster.flats)
        return False
    if adjuster.net is None and adjuster.limit(sign) is not None:
        sources.want("/ledger")
        draft.settle("cannot_say", "Without the ledger the turn limit cannot be verified.")
        return False
    if adjuster.unknown_ends or adjuster.change is None:
        for pointer in adjuster.unknown_ends:
            sources.want(pointer)
        if adjuster.loses_thread(sign):
            draft.settle("cannot_say", "The engagement is not known, and turning this way may lose it.")
            return False
        draft.caution("engagement-not-known")
    found = adjuster.reach(sign)
    if not within_reach(turns, found):
        code = "beyond-turn-limit" if found.limited_by == "turn_limit" else "beyond-engagement"
        draft.refuse(code, sign * found.turns, adjuster.flats)
        return False
    _note_limits(draft, adjuster, sources, sign)
    return True


def _note_limits(draft: Draft, adjuster: Adjuster, sources: Sources, sign: int) -> None:
    if adjuster.limit(sign) is None:
        sources.want(f"/hanger/adjuster/turn_limit_{'raise' if sign > 0 else 'lower'}")
        draft.caution("turn-limit-not-known")
    else:
        draft.stop_at("turn-limit", sign * reach(sign, (), adjuster.net or 0.0, adjuster.limit(sign)).turns)
    by_thread = reach(sign, adjuster.ends, 0.0, None)
    draft.stop_at("engagement-at-least", sign * by_thread.turns if by_thread.limited_by else None)
