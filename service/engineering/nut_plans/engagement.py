"""Thread engagement and turn limits: how far an adjuster may be turned each way.

Turns are positive when they raise the load on the pipe.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from service.engineering.comparison import at_least, at_most
from service.engineering.nut_plans.intervals import require_positive
from service.errors import OutOfRange

Hands = Literal["single", "opposite_hands", "same_hand_coupler"]
ActsFrom = Literal["above", "below"]
End = Literal["upper", "lower"]


def lead_per_turn_m(hands: Hands, pitch_m: float, second_pitch_m: float | None = None) -> float:
    """Change of length for one turn of the adjuster.

    One thread: the pitch. Two of opposite hands: the sum of both. Two of the same hand: their difference,
    zero when they are equal (such a coupler adjusts nothing).

    Args:
        hands: form of the adjuster's threads
        pitch_m: pitch of the one thread, > 0 [m]
        second_pitch_m: pitch of the other thread, > 0; None where it is the same, as the ends of a
            turnbuckle share their size [m]

    Returns:
        lead p [m]

    Source: mechanics.
    """
    second = pitch_m if second_pitch_m is None else second_pitch_m
    require_positive(pitch_m=pitch_m, second_pitch_m=second)
    if hands == "single":
        return pitch_m
    if hands == "opposite_hands":
        return pitch_m + second
    return abs(pitch_m - second)


@dataclass(frozen=True)
class EngagementChange:
    """Least that one turn does to the engagement at an end: gained (positive) or lost [m per turn]."""

    per_raise_turn_m: float
    per_lower_turn_m: float


def engagement_change(
    hands: Hands, acts_from: ActsFrom | None, pitch_m: float, second_pitch_m: float | None = None
) -> EngagementChange:
    """What a raising and a lowering turn do to the engagement at each end, taken at the worse end.

    A rod that hangs is raised by shortening, and shortening screws the thread of a nut, of a tapped end
    or of both ends of a turnbuckle further in: each end gains its own pitch a turn, and loses it when
    lowering. What stands beyond a nut counts as engagement in reserve. A load column or any adjuster in
    a support from below is raised by lengthening, and loses engagement when raising. In a coupler with
    two threads of the same hand the coarse end gains when shortening while the fine end loses; when
    lengthening it is the other way round. Which end has the finer thread is not known here, so each end
    is taken at the worse of the two. Where it is not known whether the support acts from above or below,
    both directions are taken as losing.

    Args:
        hands: form of the adjuster's threads
        acts_from: above (hanging rod) or below (base spring); None when not known
        pitch_m: pitch of the one thread, > 0 [m]
        second_pitch_m: pitch of the other thread; None where it is the same [m]

    Returns:
        change for a turn each way; negative is a loss [m per turn]

    Source: mechanics.
    """
    second = pitch_m if second_pitch_m is None or hands == "single" else second_pitch_m
    require_positive(pitch_m=pitch_m, second_pitch_m=second)
    fine, coarse = min(pitch_m, second), max(pitch_m, second)
    shorten = -fine if hands == "same_hand_coupler" else fine
    lengthen = -coarse
    if acts_from == "above":
        return EngagementChange(per_raise_turn_m=shorten, per_lower_turn_m=lengthen)
    if acts_from == "below":
        return EngagementChange(per_raise_turn_m=lengthen, per_lower_turn_m=shorten)
    worst = min(shorten, lengthen)
    return EngagementChange(per_raise_turn_m=worst, per_lower_turn_m=worst)


@dataclass(frozen=True)
class ThreadEnd:
    """Thread at one end of an adjuster.

    end: upper or lower. least_m: least engagement allowed, > 0 [m]. change: what turns do to it.
    measured_m: engagement measured as it stands now [m]. drawn_m: engagement as drawn, with zero net turns
    [m]; leave it out where the measured one shows that the drawing is not to be trusted. net_turns: net
    turns so far, signed. One of measured and drawn is needed. Each gives a lower bound of the engagement
    after turns, and the better one counts: the drawing knows that the way back to zero net turns ends
    where it began.

    Raises:
        OutOfRange: neither is given, or the least allowed is not above zero
    """

    end: End
    least_m: float
    change: EngagementChange
    measured_m: float | None = None
    drawn_m: float | None = None
    net_turns: float = 0.0

    def __post_init__(self) -> None:
        require_positive(least_m=self.least_m)
        if self.measured_m is None and self.drawn_m is None:
            raise OutOfRange("An engagement is needed, measured or as drawn.", end=self.end)

    def _moved_m(self, start_m: float, turns: float) -> float:
        rate = self.change.per_raise_turn_m if turns > 0 else self.change.per_lower_turn_m
        return start_m + abs(turns) * rate

    def after_m(self, turns: float) -> float:
        """Least engagement after turns from now, signed (raise positive) [m]."""
        bounds = []
        if self.measured_m is not None:
            bounds.append(self._moved_m(self.measured_m, turns))
        if self.drawn_m is not None:
            bounds.append(self._moved_m(self.drawn_m, self.net_turns + turns))
        return max(bounds)

    @property
    def is_short(self) -> bool:
        """Whether the engagement now is below the least allowed; a measured one decides."""
        now = self.after_m(0.0) if self.measured_m is None else self.measured_m
        return not at_least(now, self.least_m)

    def turns_left(self, sign: int) -> float:
        """Turns that may be made in a direction before the least engagement is reached, >= 0.

        Args:
            sign: +1 raise, -1 lower

        Returns:
            turns; infinity where that direction loses none
        """
        rate = self.change.per_raise_turn_m if sign > 0 else self.change.per_lower_turn_m
        left = [0.0]
        for start, already in ((self.measured_m, 0.0), (self.drawn_m, sign * self.net_turns)):
            if start is not None:
                to_limit = math.inf if rate >= 0.0 else (start - self.least_m) / -rate
                left.append(to_limit - already)
        return max(left)


@dataclass(frozen=True)
class Reach:
    """Turns that may still be made in one direction, >= 0, and what ends them.

    limited_by: `turn_limit`, `engagement_upper`, `engagement_lower`, or None without a limit.
    """

    turns: float
    limited_by: str | None


def reach(sign: int, ends: Sequence[ThreadEnd], net_turns: float, turn_limit: float | None) -> Reach:
    """How far the adjuster may be turned in one direction from where it stands.

    Args:
        sign: +1 raise, -1 lower
        ends: engagement at each end that has a thread
        net_turns: net turns so far, signed (raise positive)
        turn_limit: most net turns allowed in that direction, >= 0; None when there is no limit

    Returns:
        turns in that direction, >= 0, and the limit that comes first

    Source: common practice, no source: remaining turns = (thread available - engagement required)/pitch.
    """
    best = Reach(math.inf, None)
    if turn_limit is not None:
        best = Reach(max(0.0, turn_limit - sign * net_turns), "turn_limit")
    for end in ends:
        left = end.turns_left(sign)
        if left < best.turns:
            best = Reach(left, f"engagement_{end.end}")
    return best


def within_reach(turns: float, limit: Reach) -> bool:
    """Whether turns of either sign stay within a reach; a limit met exactly is within.

    Args:
        turns: turns asked for, signed
        limit: reach in their direction
    """
    return at_most(abs(turns), limit.turns)
