"""After the stops are out: bringing a support to position, and the way back from the ledger.

Turns are positive when they raise the load on the pipe.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

from service.engineering.nut_plans.intervals import Interval, hull_over_corners, require_positive

RisesWhenPipe = Literal["rises", "falls"]

_NO_TURNS = 1e-9


def reading_change_per_turn_m(lead_m: float, rises_when_pipe: RisesWhenPipe) -> float:
    """Change of a released constant support's reading for one raising turn.

    The pipe stays (its load does not change beyond friction), the rod shortens by p, and the spring's end
    of it goes down by p, as it does when the pipe falls.

    Args:
        lead_m: p, > 0 [m]
        rises_when_pipe: whether the reading grows when the pipe rises or when it falls

    Returns:
        change of reading for one turn [m]

    Source: mechanics; checked against the worked case (0.833 turns of 6 mm back: reading up by 5 mm).
    """
    require_positive(lead_m=lead_m)
    return -lead_m if rises_when_pipe == "rises" else lead_m


def constant_positioning_turns(
    reading_m: float, expected_m: float, lead_m: float, rises_when_pipe: RisesWhenPipe
) -> float:
    """Turns that bring a released constant support to its expected reading: (reading - expected)/p.

    That form holds for an indicator that rises with the pipe; for one that falls the sign turns round.

    Args:
        reading_m: reading now [m]
        expected_m: reading expected when released cold [m]
        lead_m: p, > 0 [m]
        rises_when_pipe: sense of the indicator

    Returns:
        turns, signed
    """
    return (expected_m - reading_m) / reading_change_per_turn_m(lead_m, rises_when_pipe)


def friction_relief_turns(
    sign: int, friction_n: float, stiffness_n_per_m: Interval, lead_m: float
) -> Interval:
    """Turns back, after the last movement of a released constant support, that leave friction unbiased.

    While the pin moves, the load stands at the edge of the friction band: S + f after raising, S - f
    after lowering. Turned back by f/(k p) the load returns to the middle of the band and the pin does not
    move, since that needs twice as much.

    Args:
        sign: direction of the last movement, +1 raise or -1 lower
        friction_n: f, >= 0 [N]
        stiffness_n_per_m: k, > 0 [N/m]
        lead_m: p, > 0 [m]

    Returns:
        turns, of the opposite sign

    Source: mechanics of friction; proved against a simulation.
    """
    require_positive(lead_m=lead_m, stiffness_n_per_m=stiffness_n_per_m.low)
    return hull_over_corners(lambda k: -sign * friction_n / (k * lead_m), stiffness_n_per_m)


def net_turns(ledger: Sequence[float]) -> float:
    """Net turns of a ledger of signed turns (raise positive), summed without rounding on the way.

    Less than a billionth of a turn is what decimals leave in binary numbers, and counts as none.
    """
    total = math.fsum(ledger)
    return 0.0 if abs(total) < _NO_TURNS else total


def way_back_turns(ledger: Sequence[float]) -> float:
    """Turns that lead back to where the ledger began: the net turns with the other sign.

    For a variable spring this is also the way to the state of a direct release, which is its position
    after the stops are out; a constant support is positioned by its reading.
    """
    return 0.0 - net_turns(ledger)
