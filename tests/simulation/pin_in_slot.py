"""A pin in the slot of a travel stop, with friction: quasi-static, one small turn after another.

Written from the balance of forces alone, apart from the planner, so that plans can be proved against
it. Heights are positive upward, loads act upward on the pipe, turns are positive when they shorten the
rod. All lengths in m, forces in N.

The rod's upper end stands at height x (the pin at L x or, with a linkage that turns the movement round,
at -L x). The pipe hangs a rod length below: it moves by x + (shortening of the rod), and lifting it loads
the rod by k per length. The spring pulls with S - k_spring (x - x_start). What the two do not balance is
carried by friction (up to f) and, on a face, by the stop.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass
class PinInSlot:
    rod_load_n: float
    spring_load_n: float
    stiffness_n_per_m: float
    lead_m: float
    clearance_m: float
    friction_n: float = 0.0
    linkage_ratio: float = 1.0
    spring_rate_n_per_m: float = 0.0
    inverted: bool = False
    other_load_n: float = 0.0
    shortening_m: float = 0.0
    start_m: float = field(init=False)
    height_m: float = field(init=False)

    def __post_init__(self) -> None:
        self.half_m = self.clearance_m / self.linkage_ratio / 2.0
        # A spring that wins holds the rod's end up in the slot, a rod that wins pulls it down.
        self.start_m = self.half_m if self.rod_load_n <= self.spring_load_n else -self.half_m
        self.height_m = self.start_m

    def load_at(self, height_m: float) -> float:
        lifted = height_m - self.start_m + self.shortening_m
        return self.rod_load_n + self.stiffness_n_per_m * lifted + self.other_load_n

    def surplus_at(self, height_m: float) -> float:
        """Load of the rod over the force of the spring."""
        spring = self.spring_load_n - self.spring_rate_n_per_m * (height_m - self.start_m)
        return self.load_at(height_m) - spring

    def settle(self) -> None:
        """Let the pin slip until friction and stop can hold it."""
        surplus = self.surplus_at(self.height_m)
        if surplus > self.friction_n:
            if self.surplus_at(-self.half_m) >= self.friction_n:
                self.height_m = -self.half_m
            else:
                self.height_m = self._where(self.friction_n, -self.half_m, self.height_m)
        elif surplus < -self.friction_n:
            if self.surplus_at(self.half_m) <= -self.friction_n:
                self.height_m = self.half_m
            else:
                self.height_m = self._where(-self.friction_n, self.height_m, self.half_m)

    def _where(self, surplus_n: float, low_m: float, high_m: float) -> float:
        """The height at which the surplus has this value, found by halving; it grows with height."""
        for _ in range(200):
            middle = (low_m + high_m) / 2.0
            if self.surplus_at(middle) > surplus_n:
                high_m = middle
            else:
                low_m = middle
        return (low_m + high_m) / 2.0

    def turn(self, turns: float, pieces: int = 40) -> None:
        for _ in range(pieces):
            self.shortening_m += turns * self.lead_m / pieces
            self.settle()

    def disturb(self, load_n: float, pieces: int = 40) -> None:
        """A neighbour is turned and puts this much load on the rod at unmoved height."""
        for _ in range(pieces):
            self.other_load_n += load_n / pieces
            self.settle()

    def withdraw(self) -> None:
        """Take the stop out: only friction holds the pin from here."""
        self.half_m = 1e3
        self.settle()

    @property
    def rod_load(self) -> float:
        return self.load_at(self.height_m)

    @property
    def end_of_slot(self) -> int:
        """+1 where the rod's end stands up against the slot's end, -1 down, 0 between."""
        if self.height_m >= self.half_m * (1.0 - 1e-12):
            return 1
        return -1 if self.height_m <= -self.half_m * (1.0 - 1e-12) else 0

    @property
    def surely_pressed(self) -> bool:
        """On a face with a force that friction cannot take, whichever way it acts."""
        return self.end_of_slot * -self.surplus_at(self.height_m) > self.friction_n

    @property
    def face(self) -> str:
        """Face of the stop that the pin stands at."""
        side = -self.end_of_slot if self.inverted else self.end_of_slot
        return {1: "upper", -1: "lower", 0: "none"}[side]

    @property
    def stop_force_n(self) -> float:
        """Force of the stop on the pin where friction does not help, upward positive for a plain linkage."""
        return self.surplus_at(self.height_m) / self.linkage_ratio if self.end_of_slot else 0.0
