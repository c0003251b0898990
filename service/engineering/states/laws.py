"""Laws: what one hanger does to the pipe, as a monotone graph of force against movement.

u is the pipe's movement at the hanger from the line's reference shape, up positive [m]; r the hanger's force
on the pipe, up positive [N]; x the position of the spring's pin (the position indicator), up positive from
the reference position [m]. They are joined by

    u = x + offset - r / k_series,    offset = pick-up height error + turns * lead

offset is positive where the rod is short (the pipe is held high): positive turns add to it. k_series is
that of rod, steel and assembly (infinite when they are taken as rigid).

Going along the graph the pipe rises and the force falls or stays:

    lower_wall   pin on the lower face of the slot, or at the lower end of travel; r at least the spring's
    falling      pin moving down: the spring carries its load and its friction more
    stuck        pin held by friction
    rising       pin moving up: the spring carries its friction less
    upper_wall   pin on the upper face, or at the upper end; r below the spring's
    slack        the rod hangs loose: r = 0

Source: mechanics; the sign of friction is that of a constant support's test, in which the load that moves
down is the greater.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

LOWER_WALL: Final = 0
FALLING: Final = 1
STUCK: Final = 2
RISING: Final = 3
UPPER_WALL: Final = 4
SLACK: Final = 5


@dataclass(frozen=True)
class Hanger:
    """One hanger at one moment.

    load_n: force of its spring on the pipe at x = 0, hardware deducted [N]. rate_n_per_m: spring rate; 0 for a
    constant support. friction_n: half the friction band [N]. low_m, high_m: where the pin is held: the faces
    of the slot while the stop is in, the ends of travel when it is out [m]. offset_m: see above. series_n_per_m:
    stiffness of rod, steel and assembly [N/m]. slider_m: where friction holds the pin [m]; it counts only
    with friction. A rigid hanger has low_m = high_m = 0.
    """

    load_n: float
    rate_n_per_m: float
    friction_n: float
    low_m: float
    high_m: float
    offset_m: float = 0.0
    series_n_per_m: float = math.inf
    slider_m: float = 0.0

    def spring_n(self, x_m: float) -> float:
        """Force of the spring at a position of its pin, without friction [N]."""
        return self.load_n - self.rate_n_per_m * x_m

    def stuck_at(self, x_m: float) -> Hanger:
        """The same hanger with its friction holding the pin here."""
        return replace(self, slider_m=x_m)


def rigid(offset_m: float = 0.0, series_n_per_m: float = math.inf) -> Hanger:
    """A rigid hanger: it carries what comes, in tension only."""
    return Hanger(0.0, 0.0, 0.0, 0.0, 0.0, offset_m, series_n_per_m)
