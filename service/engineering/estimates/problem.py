"""What is asked of the field: unknowns, moments, and looks.

The line alone obeys K u = f + r (up positive); hanger i obeys u = x + h + offset - r / k_series with its
pin at x. f = f0 + W w: w are shares by which groups of weight differ from the model, h the pick-up
heights. Written in u - h, the line obeys K (u - h) = (f - K h) + r: the hangers, their turns and their
indicators know only

    misfit = K h - W w

the change of every rod's load with every pin held. Two truths with the same misfit cannot be told apart by
them. Heights and weights are two unknowns here, so that what is known of either (a level survey, a part
that was weighed) can be put in, and so that the misfit is no larger than the two together can make it.

Source: mechanics.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from service.engineering.states.laws import Hanger

Array = NDArray[np.float64]

LookKind = Literal["upper", "lower", "free", "excess", "load", "height", "share"]


@dataclass(frozen=True)
class Unknowns:
    """What is not known, and how far it may be off.

    height_m, height_half_m: pick-up height, positive where the pipe is held high, and the half width of what
    it may be, (m,) [m]. weight_n: change of the load vector for a share of 1 of each group, negative for
    weight, (m, groups) [N]. weight_share, weight_half: centre and half width of those shares, (groups,).
    """

    height_m: Array
    height_half_m: Array
    weight_n: Array
    weight_share: Array
    weight_half: Array


@dataclass(frozen=True)
class Moment:
    """The line at one time: which stops were in, and net turns.

    hangers: laws with the whole friction band; `offset_m` holds turns times lead alone. allowance_n: added
    to each friction band for the error of the stiffness, (m,) [N]. turning: hanger whose net turns are to
    be found at this moment, beyond those of its offset; None for none.
    """

    hangers: tuple[Hanger, ...]
    allowance_n: Array
    turning: int | None = None


@dataclass(frozen=True)
class Look:
    """What one look said of one hanger at one moment, or of one unknown.

    observation: index of what it belongs to. moment: index of the moment; of no account for unknowns.
    place: the hanger, or the group of weight. kind: `upper` or `lower`: pin on the upper or lower wall of
    its slot, as `states.laws` has them (rod carries less or more than the spring); `free`: clear of both;
    `excess`: rod less spring between `low` and `high` [N]; `load`: rod load between them [N]; `height`:
    pick-up height between them [m]; `share`: share of a group's weight between them [1].
    """

    observation: int
    moment: int
    place: int
    kind: LookKind
    low: float = 0.0
    high: float = 0.0


@dataclass(frozen=True)
class Problem:
    """A line with what was seen of it.

    stiffness_n_per_m: of the line alone, (m, m). load_n: f0 as the model has it, (m,) [N]. unknowns, moments,
    looks: see there.
    """

    stiffness_n_per_m: Array
    load_n: Array
    unknowns: Unknowns
    moments: Sequence[Moment]
    looks: Sequence[Look] = field(default_factory=tuple)

    @property
    def size(self) -> int:
        """Number of hangers."""
        return len(self.load_n)

    def misfit_n(self, height_m: Array, share: Array) -> Array:
        """K h - W w [N]; heights [m], shares [1]."""
        found: Array = self.stiffness_n_per_m @ height_m - self.unknowns.weight_n @ share
        return found
