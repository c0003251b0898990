"""Solving: one factorisation of the line held at its hangers, and what follows from it.

The hangers' places are held like restraints in the one factorisation, so that a line which hangs on its
hangers alone can be factorised too. What they would carry for a unit movement of one of them is the
stiffness that they feel: a small dense matrix, singular where nothing else holds the line vertically.
Chains of elements between hangers, branches and restraints are eliminated before that, all at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.sparse import identity
from scipy.sparse.linalg import splu

from service.engineering.frames.chains import Blocks, Chains, factors_of, summed
from service.engineering.frames.elements import Array, Indices
from service.engineering.frames.frame import Case, Frame, degrees
from service.engineering.frames.holding import AXES, FrameUnstable, directions, holding
from service.errors import ServiceError

__all__ = [
    "AXES",
    "GREATEST_RESIDUAL",
    "LEAST_PIVOT",
    "Condensed",
    "Factorised",
    "FrameResidual",
    "FrameUnstable",
    "Response",
    "factorise",
]

# Stiffness of the line in some direction over that of its elements there. Rounding leaves up to 1e-13 of a
# mechanism; a hanging pipe of twenty elements a span has 1e-5, a spring of 1 N/mm under a heavy header 1e-10.
LEAST_PIVOT: Final = 1e-12
GREATEST_RESIDUAL: Final = 1e-9
_TOGETHER: Final = 32  # right-hand sides solved at a time: few enough to stay in the processor's cache
_SHIFT: Final = 1e-14  # so that the factors of a mechanism exist; far below LEAST_PIVOT


class FrameResidual(ServiceError):
    """A solution does not balance the loads; it is not used. Fact `residual`: how far, as a share (422)."""

    code = "frame-residual"
    title = "The line's equations could not be solved well enough"


@dataclass(frozen=True)
class Condensed:
    """The line as its hangers feel it: stiffness @ u = loads[:, case] + r.

    u: movement at each interface in its direction, up positive [m]. r: force of each hanger on the pipe
    [N]. stiffness: (m, m), symmetric, positive semidefinite [N/m]. loads: (m, cases), negative for
    weight [N].
    """

    stiffness: Array
    loads: Array


@dataclass(frozen=True)
class Response:
    """One case with the hangers' forces known.

    displacements: (k, 6), global axes [m, rad]. reactions: of each restraint on the pipe in its direction,
    (r,) [N, N m]. ends: forces of the nodes on each element, (n, 12), global axes, straights first [N, N m].
    residual: greatest unbalanced nodal force over the greatest force that acts [1].
    """

    displacements: Array
    reactions: Array
    ends: Array
    residual: float


class Factorised:
    """A factorised frame. Made by `factorise`."""

    def __init__(self, frame: Frame) -> None:
        """Assembles and factorises.

        Args:
            frame: the line; every hanger is an interface of it, none of them a restraint

        Raises:
            FrameUnstable: the line can move even with every hanger locked, or a node is held twice
            FrameResidual: the solution is not good enough to be used
        """
        self.frame = frame
        self._nodes, self._members = frame.members()
        self._degrees: Indices = degrees(self._nodes)
        self._interface = directions(frame.interfaces, [0] * len(frame.interfaces))
        self._springs = directions(frame.springs, [each.kind for each in frame.springs])
        self._spring_stiffness = np.array([each.stiffness for each in frame.springs], dtype=np.float64)
        self._holding = holding(frame)
        self._moving = np.ones(frame.size, dtype=bool)
        self._moving[self._holding.fixed] = False
        self._factorise(self._assembled())
        self._stiffness = self._condensed_stiffness()

    # --- what follows ------------------------------------------------------------------------------
    def condense(self, cases: Sequence[Case]) -> Condensed:
        """The line as its hangers feel it.

        Args:
            cases: load cases, which are solved together; none is allowed

        Returns:
            the stiffness, and the loads with a column for each case
        """
        loads = np.empty((self.frame.size, len(cases)), order="F")
        for place, case in enumerate(cases):
            loads[:, place] = self._loads(case)
        loads = self._holding.turned(loads)
        count, fixed = len(self.frame.restraints), self._holding.fixed
        imposed = np.array([case.imposed for case in cases]).reshape(len(cases), count).T
        known = self._holding.imposing[:, :count] @ imposed
        loads *= self._scale[:, None]
        left = np.empty((len(fixed), len(cases)))
        for first in range(0, len(cases), _TOGETHER):
            part = slice(first, first + _TOGETHER)
            felt, _ = self._chains.reduced_loads(loads[:, part])
            moved = self._moved(felt, known[:, part])
            left[:, part] = felt[self._fixed] - self._rows_of_fixed @ moved
        left /= self._scale[fixed][:, None]
        return Condensed(self._stiffness.copy(), self._holding.imposing[:, count:].T @ left)

    def recover(self, case: Case, movement_m: Array, force_n: Array) -> Response:
        """Displacements, reactions and element forces once the hangers' movements and forces are known.

        Args:
            case: the load case
            movement_m: of each interface in its direction, as the condensed line gave it, (m,) [m]
            force_n: of each hanger on the pipe, in the interface's direction, (m,) [N]

        Returns:
            the response; its element forces come from the displacements, element by element

        Raises:
            FrameResidual: the loads are not balanced within 1e-9 of the greatest of them, at the hangers
                included
        """
        known = self._holding.imposing @ np.concatenate([case.imposed, movement_m])
        nodal = case.nodal.reshape(-1) + self._interface.spread(force_n, self.frame.size)
        loads = self.frame.member_loads(case)
        applied = nodal + self._gathered(loads)
        felt, alone = self._chains.reduced_loads((self._scale * self._holding.turned(applied))[:, None])
        moved = self._chains.expanded(alone, self._moved(felt, known[:, None]))[:, 0]
        displacement = self._holding.unturned(self._scale * moved)
        ends = (self._members @ displacement[self._degrees][:, :, None])[:, :, 0] - loads
        stretched = self._spring_stiffness * self._springs.along(displacement)
        springs = self._springs.spread(stretched, self.frame.size)
        unbalanced = self._holding.turned(self._gathered(ends) + springs - nodal)
        carried = self._holding.imposing.T @ unbalanced[self._holding.fixed]
        count = len(self.frame.restraints)
        greatest = max(float(np.abs(applied).max(initial=0.0)), float(np.abs(ends).max(initial=0.0)), 1e-12)
        left = np.concatenate([self._moving * unbalanced, carried[count:]])
        residual = float(np.abs(left).max(initial=0.0)) / greatest
        if not residual <= GREATEST_RESIDUAL:
            raise FrameResidual("The loads of the line are not balanced by its forces.", residual=residual)
        return Response(displacement.reshape(-1, 6), carried[:count], ends, residual)

    # --- assembly ---------------------------------------------------------------------------------------
    def _assembled(self) -> Blocks:
        """Stiffness of everything elastic in turned axes, nothing held."""
        count = len(self.frame.coordinates)
        matrices = self._holding.turned_members(self._nodes, self._members)
        blocks = matrices.reshape(-1, 2, 6, 2, 6).transpose(0, 1, 3, 2, 4).reshape(-1, 6, 6)
        # Every node has a block of its own, also one that nothing is joined to: it is named below.
        lonely = np.flatnonzero(np.bincount(self._nodes.ravel(), minlength=count) == 0)
        own = np.concatenate([lonely, np.array([each.node for each in self.frame.springs], dtype=np.int64)])
        return summed(
            count,
            np.concatenate([np.repeat(self._nodes, 2, axis=1).ravel(), own]),
            np.concatenate([np.tile(self._nodes, 2).ravel(), own]),
            np.concatenate([blocks, np.zeros((len(lonely), 6, 6)), self._grounded()]),
        )

    def _grounded(self) -> Array:
        """Stiffness of each elastic restraint at its node in turned axes, (springs, 6, 6)."""
        grounded = np.zeros((len(self.frame.springs), 6, 6))
        for block, each in zip(grounded, self.frame.springs, strict=True):
            direction = np.zeros(6)
            direction[each.kind : each.kind + 3] = each.direction
            block[:] = self._holding.turned_block(each.node, each.stiffness * np.outer(direction, direction))
        return grounded

    def _factorise(self, whole: Blocks) -> None:
        """Eliminates the chains, then factorises, the held degrees left in as rows of the identity.

        Every degree of freedom is scaled by the root of its own stiffness, so that pivots compare.
        """
        diagonal = whole.values[whole.rows == whole.columns][:, np.arange(6), np.arange(6)].ravel()
        self._refuse_loose(diagonal)
        self._scale = 1.0 / np.sqrt(np.where(diagonal > 0.0, diagonal, 1.0))
        scale = self._scale.reshape(-1, 6)
        values = whole.values * scale[whole.rows][:, :, None] * scale[whole.columns][:, None, :]
        scaled = Blocks(whole.count, whole.rows, whole.columns, values)
        nodes, parts = np.divmod(self._holding.fixed, 6)
        try:
            self._chains = Chains(scaled, np.unique(nodes))
            self._fixed = 6 * self._chains.number[nodes] + parts
            self._rows_of_fixed = self._chains.reduced.row(self._fixed)
            moving = np.ones(6 * len(self._chains.keys), dtype=bool)
            moving[self._fixed] = False
            self._factors = factors_of(self._chains.reduced.masked(moving))
        except RuntimeError:
            raise self._unstable(scaled) from None
        pivots = self._chains.least_pivot(), self._factors.U.diagonal().min(initial=1.0)
        if not min(pivots) >= LEAST_PIVOT:
            raise self._unstable(scaled)

    def _condensed_stiffness(self) -> Array:
        """The stiffness that the hangers feel: what they carry when each is moved by one in turn, (m, m)."""
        imposing = self._holding.imposing[:, len(self.frame.restraints) :]
        count = imposing.shape[1]
        concerned = np.flatnonzero(np.any(imposing != 0.0, axis=1))
        given = imposing[concerned]
        fixed = self._holding.fixed[concerned]
        pull = self._rows_of_fixed[concerned]
        places = np.repeat(np.arange(len(concerned)), np.diff(pull.indptr))
        carried = np.empty((len(concerned), len(concerned)))
        for first in range(0, len(concerned), _TOGETHER):
            part = slice(first, min(first + _TOGETHER, len(concerned)))
            at = slice(pull.indptr[part.start], pull.indptr[part.stop])
            right = np.zeros((pull.shape[1], part.stop - part.start), order="F")
            right[pull.indices[at], places[at] - first] = -pull.data[at]
            right[self._fixed] = 0.0
            moved = self._factors.solve(right)
            moved[self._fixed[concerned[part]], np.arange(part.stop - part.start)] = 1.0
            carried[:, part] = pull @ moved
        carried /= self._scale[fixed][:, None] * self._scale[fixed][None, :]
        signs = np.diagonal(given)
        if len(concerned) == count == np.count_nonzero(given) == np.count_nonzero(signs):
            stiffness = carried * signs[:, None] * signs[None, :]
        else:
            stiffness = given.T @ carried @ given
        # Against the pipe's own stiffness at the hangers, of which theirs is the small difference.
        own = float((1.0 / self._scale[fixed] ** 2).max(initial=1.0))
        unlike = float(np.abs(stiffness - stiffness.T).max(initial=0.0)) / own
        if not unlike <= GREATEST_RESIDUAL:
            raise FrameResidual(
                "What hangers do to each other is not mutual in the solution.", residual=unlike
            )
        return np.asarray((stiffness + stiffness.T) / 2.0)

    def _refuse_loose(self, diagonal: Array) -> None:
        least = diagonal.max(initial=0.0) * 1e-300
        loose = np.flatnonzero(self._moving & ~(diagonal > least))
        if len(loose):
            place = int(loose[0])
            raise FrameUnstable(
                "A node is not joined to anything that resists.", node=place // 6, direction=AXES[place % 6]
            )

    # --- parts ------------------------------------------------------------------------------------------
    def _moved(self, felt: Array, known: Array) -> Array:
        """Scaled movements of key nodes (6 keys, n) under what they feel, held degrees (b, n) given."""
        known = known / self._scale[self._holding.fixed][:, None]
        right = felt - self._rows_of_fixed.T @ known if np.any(known) else felt
        moved: Array = self._factors.solve(right)
        moved[self._fixed] = known
        return moved

    def _loads(self, case: Case) -> Array:
        """Loads on the nodes, those of the elements included, (size,)."""
        return np.asarray(case.nodal.reshape(-1) + self._gathered(self.frame.member_loads(case)))

    def _gathered(self, ends: Array) -> Array:
        """Sums over the elements' ends (n, 12) at each degree of freedom, (size,)."""
        total = np.bincount(self._degrees.ravel(), ends.ravel(), minlength=self.frame.size)
        return total.astype(np.float64, copy=False)

    def _unstable(self, scaled: Blocks) -> FrameUnstable:
        """Names the node and direction that move most in the mode of least resistance.

        A rotation counts with the size of the line as its arm, so that a pipe that can only spin about
        itself is told from one that can go away.
        """
        size = self.frame.size
        matrix = scaled.masked(self._moving).sparse()
        factors = splu((matrix + _SHIFT * identity(size, format="csc")).tocsc())
        mode = np.cos(np.arange(size) * 1.7) + 2.0
        for _ in range(8):
            mode = factors.solve(mode)
            mode /= np.abs(mode).max()
        movement = np.abs(self._holding.unturned(self._scale * mode * self._moving).reshape(-1, 6))
        extent = float(np.ptp(self.frame.coordinates, axis=0).max())
        goes, spins = movement[:, :3], movement[:, 3:]
        kind = 0 if goes.max() > 1e-3 * extent * spins.max() else 3
        place = int(movement[:, kind : kind + 3].argmax())
        return FrameUnstable(
            "The line can move without resistance.", node=place // 3, direction=AXES[kind + place % 3]
        )


def factorise(frame: Frame) -> Factorised:
    """Assembles and factorises a frame.

    Args:
        frame: the line; every hanger is an interface of it, none of them a restraint

    Returns:
        the factorised frame, to condense to the hangers and to recover displacements and forces from

    Raises:
        FrameUnstable: the line can move even with every hanger locked; names the node and direction that
            move most. Or a node is held twice in one direction
        FrameResidual: the solution is not good enough to be used
    """
    return Factorised(frame)
