"""Solving: one factorisation of the line without its hangers, and what follows from it.

The frame's hangers are left out of the stiffness: instead each one's direction is tied to the ground by
a reference spring, so that a line held up by its hangers alone can be factorised too, and the springs are
taken out again exactly in the small dense matrix that the hangers see.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from scipy.sparse import coo_matrix, csc_matrix
from scipy.sparse.linalg import splu

from service.engineering.frames.elements import Array, Indices
from service.engineering.frames.frame import Case, Frame, degrees
from service.errors import ServiceError

LEAST_PIVOT: Final = 1e-14
GREATEST_RESIDUAL: Final = 1e-9
AXES: Final = ("x", "y", "z", "rotation about x", "rotation about y", "rotation about z")


class FrameUnstable(ServiceError):
    """The line can move without resistance; facts `node` (index) and `direction` name where most (422)."""

    code = "frame-unstable"
    title = "The line is not held"


class FrameResidual(ServiceError):
    """A solution does not balance the loads; it is not used (422)."""

    code = "frame-residual"
    title = "The line's equations could not be solved well enough"


@dataclass(frozen=True)
class Condensed:
    """The line as its hangers feel it: stiffness @ u = loads[:, case] + r.

    u: movement at each interface in its direction, up positive [m]. r: force of each hanger on the pipe
    [N]. stiffness: (m, m), symmetric, positive semidefinite [N/m]. loads: (m, cases) [N].
    """

    stiffness: Array
    loads: Array


@dataclass(frozen=True)
class Response:
    """One case with the hangers' forces known.

    displacements: (k, 6) [m, rad]. reactions: of each restraint on the pipe in its direction, (r,) [N, N m].
    ends: forces of the nodes on each element, (n, 12), straights first [N, N m]. residual: greatest
    unbalanced nodal force over the greatest force that acts [1].
    """

    displacements: Array
    reactions: Array
    ends: Array
    residual: float


class Factorised:
    """A factorised frame. Made by `factorise`."""

    def __init__(self, frame: Frame) -> None:
        """Assembles and factorises. Errors: FrameUnstable."""
        self.frame = frame
        self._nodes, self._members = frame.members()
        self._degrees: Indices = degrees(self._nodes)
        self._interface = _directions(frame.size, [(each.node, each.direction, 0) for each in frame.interfaces])
        self._held = _directions(
            frame.size, [(each.node, each.direction, each.kind) for each in frame.restraints]
        )
        stiffness = self._assembled()
        self.reference_n_per_m = _reference(stiffness, self._interface)
        grounded = stiffness + self.reference_n_per_m * (self._interface @ self._interface.T)
        self._stiffness = stiffness
        self._basis, self._free, self._fixed, self._imposing = _axes(frame, self._held)
        turned = (self._basis.T @ grounded @ self._basis).tocsc()
        self._coupling = turned[self._free][:, self._fixed]
        inner = turned[self._free][:, self._free].tocsc()
        self._scale = 1.0 / np.sqrt(_positive(inner.diagonal(), self))
        scaling = _diagonal(self._scale)
        scaled = (scaling @ inner @ scaling).tocsc()
        try:
            self._factors = splu(
                scaled, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True}
            )
        except RuntimeError:
            raise self._unstable(scaled) from None
        pivots = np.abs(self._factors.U.diagonal())
        if not np.all(np.isfinite(pivots)) or pivots.min() < LEAST_PIVOT:
            raise self._unstable(scaled)
        self._compliance_columns = self._solve(self._basis.T[self._free] @ self._interface.toarray())

    # --- what follows ------------------------------------------------------------------------------
    def condense(self, cases: Sequence[Case]) -> Condensed:
        """The line as its hangers feel it, for these load cases."""
        columns = self._basis.T[self._free] @ self._interface.toarray()
        compliance = columns.T @ self._compliance_columns
        compliance = (compliance + compliance.T) / 2.0
        inverse = np.linalg.inv(compliance)
        stiffness = (inverse + inverse.T) / 2.0 - self.reference_n_per_m * np.eye(len(inverse))
        moved = [columns.T @ self._inner(case, None) + self._interface_of_imposed(case) for case in cases]
        movement = np.array(moved).reshape(len(cases), len(inverse)).T
        return Condensed(stiffness, inverse @ movement)

    def recover(self, case: Case, movement_m: Array, force_n: Array) -> Response:
        """Displacements, reactions and element forces once the hangers' forces are known.

        Args:
            case: the load case
            movement_m: of each interface, as the condensed line gave it, (m,) [m]
            force_n: of each hanger on the pipe, (m,) [N]

        Raises:
            FrameResidual: the loads are not balanced within 1e-9 of the greatest of them
        """
        inner = self._inner(case, force_n + self.reference_n_per_m * movement_m)
        turned = np.empty(self.frame.size)
        turned[self._free] = inner
        turned[self._fixed] = self._imposed(case)
        displacement = self._basis @ turned
        applied = self._loads(case) + self._interface @ force_n
        internal = self._stiffness @ displacement
        unbalanced = self._basis.T @ (internal - applied)
        reactions = self._imposing.T @ unbalanced[self._fixed]
        loads = self.frame.member_loads(case)
        ends = np.einsum("nij,nj->ni", self._members, displacement[self._degrees]) - loads
        greatest = max(float(np.abs(applied).max(initial=0.0)), float(np.abs(ends).max(initial=0.0)), 1e-12)
        residual = float(np.abs(unbalanced[self._free]).max(initial=0.0)) / greatest
        if not residual <= GREATEST_RESIDUAL:
            raise FrameResidual("The loads of the line are not balanced by its forces.", residual=residual)
        return Response(displacement.reshape(-1, 6), reactions, ends, residual)

    # --- parts ----------------------------------------------------------------------------------------
    def _assembled(self) -> Any:
        rows = np.repeat(self._degrees, 12, axis=1).ravel()
        columns = np.tile(self._degrees, (1, 12)).ravel()
        size = self.frame.size
        matrix = coo_matrix((self._members.ravel(), (rows, columns)), shape=(size, size)).tocsc()
        if self.frame.springs:
            springs = self.frame.springs
            directions = _directions(size, [(each.node, each.direction, each.kind) for each in springs])
            matrix = matrix + directions @ _diagonal(np.array([each.stiffness for each in springs])) @ directions.T
        return matrix

    def _loads(self, case: Case) -> Array:
        total = case.nodal.reshape(-1).copy()
        np.add.at(total, self._degrees.ravel(), self.frame.member_loads(case).ravel())
        return total

    def _imposed(self, case: Case) -> Array:
        return np.asarray(self._imposing @ case.imposed)

    def _interface_of_imposed(self, case: Case) -> Array:
        return np.asarray((self._basis.T[self._fixed] @ self._interface).T @ self._imposed(case))

    def _inner(self, case: Case, force_n: Array | None) -> Array:
        loads = self._loads(case)
        if force_n is not None:
            loads = loads + self._interface @ force_n
        turned = (self._basis.T @ loads)[self._free] - self._coupling @ self._imposed(case)
        return self._solve(turned)

    def _solve(self, right: Array) -> Array:
        scale = self._scale if right.ndim == 1 else self._scale[:, None]
        solved: Array = scale * self._factors.solve(scale * right)
        return solved

    def _unstable(self, scaled: Any) -> FrameUnstable:
        """Names the node and direction that move most in the mode of least resistance."""
        size = scaled.shape[0]
        shifted = (scaled + 1e-10 * _diagonal(np.ones(size))).tocsc()
        mode = np.cos(np.arange(size) * 1.7) + 2.0
        factors = splu(shifted)
        for _ in range(4):
            mode = factors.solve(mode)
            mode /= np.abs(mode).max()
        movement = np.zeros(self.frame.size)
        movement[self._free] = self._scale * mode
        movement = np.asarray(self._basis @ movement)
        translations = np.abs(movement.reshape(-1, 6)[:, :3])
        if translations.max() > 0.0:
            node, axis = np.unravel_index(int(translations.argmax()), translations.shape)
        else:
            place = int(np.abs(movement).argmax())
            node, axis = place // 6, place % 6
        return FrameUnstable(
            "The line can move without resistance.", node=int(node), direction=AXES[int(axis)]
        )


def factorise(frame: Frame) -> Factorised:
    """Assembles and factorises a frame. Errors: FrameUnstable names the node and direction that are not held."""
    return Factorised(frame)


def _diagonal(values: Array) -> Any:
    count = len(values)
    return csc_matrix((values, (np.arange(count), np.arange(count))), shape=(count, count))


def _directions(size: int, wanted: Sequence[tuple[int, tuple[float, float, float], int]]) -> Any:
    """Sparse columns, (size, n): a direction at a node each."""
    rows = [6 * node + kind + axis for node, _, kind in wanted for axis in range(3)]
    columns = [place for place in range(len(wanted)) for _ in range(3)]
    values = [float(part) for _, direction, _ in wanted for part in direction]
    return csc_matrix((values, (rows, columns)), shape=(size, len(wanted)))


def _reference(stiffness: Any, interface: Any) -> float:
    """Stiffness of the reference springs: of the order of what the line itself offers between its hangers.

    A tie that is much stiffer or softer than the line would cost digits when it is taken out again.
    """
    if interface.shape[1] == 0:
        return 0.0
    diagonal = stiffness.diagonal().reshape(-1, 6)[:, :3]
    # Between hangers the line is softer than an element by the cube of how many elements lie there.
    between = max(1.0, len(diagonal) / (interface.shape[1] + 1.0))
    return float(np.median(diagonal[diagonal > 0.0]) / between**3)


def _axes(frame: Frame, held: Any) -> tuple[Any, Indices, Indices, Any]:
    """A basis in which every restraint is an axis of its node.

    Returns:
        basis: orthogonal, (size, size) sparse. free, fixed: degrees in it. imposing: (fixed, restraints), by
        which the movements of the restraints give those of the fixed degrees
    """
    size = frame.size
    groups: dict[int, list[int]] = {}
    for place, each in enumerate(frame.restraints):
        groups.setdefault(6 * each.node + each.kind, []).append(place)
    rows: list[int] = []
    columns: list[int] = []
    values: list[float] = []
    turned = np.zeros(size, dtype=bool)
    fixed: list[int] = []
    impose_rows: list[int] = []
    impose_columns: list[int] = []
    impose_values: list[float] = []
    for first, places in sorted(groups.items()):
        directions = np.array([frame.restraints[place].direction for place in places], dtype=float)
        basis, triangle = np.linalg.qr(directions.T, mode="complete")
        count = np.linalg.matrix_rank(directions)
        if count < len(places):
            raise FrameUnstable(
                "A node is held twice in one direction.", node=first // 6, direction=AXES[first % 6]
            )
        for axis in range(3):
            for part in range(3):
                if basis[part, axis] != 0.0:
                    rows.append(first + part)
                    columns.append(first + axis)
                    values.append(float(basis[part, axis]))
        turned[first : first + 3] = True
        # directions @ u = imposed, with u = basis @ q: triangle' q = imposed for the first `count` of q.
        inverse = np.linalg.inv(triangle[:count, :count].T)
        for axis in range(count):
            for number, place in enumerate(places):
                impose_rows.append(len(fixed))
                impose_columns.append(place)
                impose_values.append(float(inverse[axis, number]))
            fixed.append(first + axis)
    plain = np.flatnonzero(~turned)
    basis_matrix = csc_matrix(
        (
            np.concatenate([np.array(values, dtype=float), np.ones(len(plain))]),
            (
                np.concatenate([np.array(rows, dtype=int), plain]),
                np.concatenate([np.array(columns, dtype=int), plain]),
            ),
        ),
        shape=(size, size),
    )
    imposing = csc_matrix(
        (impose_values, (impose_rows, impose_columns)), shape=(len(fixed), len(frame.restraints))
    )
    mask = np.ones(size, dtype=bool)
    mask[fixed] = False
    return basis_matrix, np.flatnonzero(mask), np.array(fixed, dtype=np.int64), imposing


def _positive(diagonal: Array, factorised: Factorised) -> Array:
    """The diagonal, if nothing in it is without stiffness."""
    least = diagonal.max(initial=0.0) * 1e-300
    if np.any(diagonal <= least):
        place = int(factorised._free[int(diagonal.argmin())])
        raise FrameUnstable(
            "A node is not joined to anything that resists.", node=place // 6, direction=AXES[place % 6]
        )
    return diagonal
