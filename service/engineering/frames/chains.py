"""Chains: runs of nodes with two neighbours each, eliminated before the line is factorised.

Between hangers, restraints, branches and ends a line is a chain of elements. Chains do not know each other,
so that one factorisation of all of them and twelve right-hand sides, six for each of a chain's two ends,
give what every chain does to the nodes that it joins. What is left is a line of these key nodes alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.sparse import bsr_matrix, csc_matrix, csr_matrix
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import splu

from service.engineering.frames.elements import Array, Indices


@dataclass(frozen=True)
class Blocks:
    """A symmetric matrix by pairs of nodes, sorted by rows, then columns.

    count: of nodes. rows, columns: (p,), each node's own pair included. values: (p, 6, 6).
    """

    count: int
    rows: Indices
    columns: Indices
    values: Array

    def sparse(self) -> Any:
        """The whole matrix, compressed by columns, without its zeros, (6 count, 6 count)."""
        size = 6 * self.count
        matrix = bsr_matrix((self.values, self.columns, self.pointers()), shape=(size, size)).tocsr()
        matrix.eliminate_zeros()
        # It is symmetric: its rows are its columns.
        return csc_matrix((matrix.data, matrix.indices, matrix.indptr), shape=(size, size))

    def pointers(self) -> Indices:
        """Where each node's row begins, and the end, (count + 1,)."""
        return np.searchsorted(self.rows, np.arange(self.count + 1))

    def row(self, wanted: Indices) -> Any:
        """Single rows of the matrix by their degrees of freedom, sparse, (wanted, 6 count)."""
        node = wanted // 6
        pointers = self.pointers()
        counts = pointers[node + 1] - pointers[node]
        ends = np.concatenate([[0], np.cumsum(counts)])
        # Places of all blocks of the wanted rows, one row after another.
        places = np.arange(ends[-1]) + np.repeat(pointers[node] - ends[:-1], counts)
        data = self.values[places, np.repeat(wanted % 6, counts)]
        indices = 6 * self.columns[places][:, None] + np.arange(6)
        shape = (len(wanted), 6 * self.count)
        return csr_matrix((data.ravel(), indices.ravel(), 6 * ends), shape=shape)

    def masked(self, moving: Any) -> Blocks:
        """The matrix with rows of the identity for degrees (6 count,) that do not move."""
        free = moving.reshape(-1, 6)
        loose = np.asarray(free.all(axis=1))
        near = np.flatnonzero(~(loose[self.rows] & loose[self.columns]))
        values = self.values.copy()
        values[near] *= free[self.rows[near]][:, :, None] & free[self.columns[near]][:, None, :]
        own = near[self.rows[near] == self.columns[near]]
        values[own[:, None], np.arange(6), np.arange(6)] += ~free[self.rows[own]]
        return Blocks(self.count, self.rows, self.columns, values)


def summed(count: int, rows: Indices, columns: Indices, values: Array) -> Blocks:
    """Blocks in any order, equal pairs summed."""
    keys = rows * count + columns
    order = np.argsort(keys, kind="stable")
    keys = keys[order]
    starts = np.flatnonzero(np.diff(keys, prepend=-1))
    pairs = keys[starts]
    return Blocks(count, pairs // count, pairs % count, np.add.reduceat(values[order], starts, axis=0))


def factors_of(blocks: Blocks) -> Any:
    """Factors of a symmetric positive definite matrix. Errors: RuntimeError where a pivot is nothing.

    The order is found from the pattern, so that it does not matter in which order nodes are numbered.
    """
    return splu(
        blocks.sparse(), permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True}
    )


class Chains:
    """A matrix with its chains eliminated."""

    def __init__(self, blocks: Blocks, kept: Indices) -> None:
        """Finds the chains and eliminates them.

        Args:
            blocks: the matrix, nothing held in it
            kept: nodes that must stay, as restraints and hangers act on them

        Raises:
            RuntimeError: a chain is without stiffness
        """
        inner, chain = _inner(blocks, kept)
        self.keys: Indices = np.flatnonzero(~inner)
        self.number = np.cumsum(~inner) - 1
        self._inside: Indices = np.flatnonzero(inner)
        if len(self._inside) == 0:
            self.reduced = blocks
            return
        within = np.cumsum(inner) - 1
        rows, columns, values = blocks.rows, blocks.columns, blocks.values
        both = inner[rows] & inner[columns]
        self._factors = factors_of(
            Blocks(len(self._inside), within[rows[both]], within[columns[both]], values[both])
        )
        # Every chain ends at two links to key nodes, its first and its second end.
        links = np.flatnonzero(inner[rows] & ~inner[columns])
        links = links[np.argsort(chain[rows[links]], kind="stable")]
        self._from, self._pull = within[rows[links]], values[links]
        end = np.arange(len(links)) % 2
        keys = self.number[columns[links]]
        self._ends = keys.reshape(-1, 2)
        self._chain = chain[self._inside]
        right = np.zeros((len(self._inside), 6, 2, 6))
        right[self._from, :, end] = self._pull
        solved = self._factors.solve(np.asfortranarray(right.reshape(-1, 12)))
        self._following: Array = solved.reshape(-1, 6, 12)
        self._keys_of_links = keys
        given = -(np.transpose(self._pull, (0, 2, 1)) @ self._following[self._from])
        apart = ~inner[rows] & ~inner[columns]
        self.reduced = summed(
            len(self.keys),
            np.concatenate([self.number[rows[apart]], np.repeat(keys, 2)]),
            np.concatenate([self.number[columns[apart]], self._ends.repeat(2, axis=0).ravel()]),
            np.concatenate([values[apart], _two_blocks(given)]),
        )

    def least_pivot(self) -> float:
        """The least pivot of the chains, 1 where there are none."""
        if len(self._inside) == 0:
            return 1.0
        return float(self._factors.U.diagonal().min())

    def reduced_loads(self, loads: Array) -> tuple[Array, Array]:
        """What key nodes feel of loads (size, n), (6 keys, n), and what chains give with their ends held."""
        count = loads.shape[1]
        by_node = loads.reshape(-1, 6, count)
        left = by_node[self.keys]
        if len(self._inside) == 0:
            return left.reshape(-1, count), np.zeros((0, 6, count))
        alone = self._factors.solve(by_node[self._inside].reshape(-1, count)).reshape(-1, 6, count)
        passed = np.transpose(self._pull, (0, 2, 1)) @ alone[self._from]
        np.subtract.at(left, self._keys_of_links, passed)
        return left.reshape(-1, count), alone

    def expanded(self, alone: Array, keys: Array) -> Array:
        """Movements of all nodes (size, n) from those of the key nodes (6 keys, n) and `reduced_loads`."""
        count = keys.shape[1]
        by_key = keys.reshape(-1, 6, count)
        whole = np.empty((len(self.keys) + len(self._inside), 6, count))
        whole[self.keys] = by_key
        if len(self._inside):
            ends = by_key[self._ends].reshape(-1, 12, count)
            whole[self._inside] = alone - self._following @ ends[self._chain]
        return whole.reshape(-1, count)


def _two_blocks(rows: Array) -> Array:
    """Rows of two blocks each, (n, 6, 12), as blocks one after another, (2 n, 6, 6)."""
    return rows.reshape(-1, 6, 2, 6).transpose(0, 2, 1, 3).reshape(-1, 6, 6)


def _inner(blocks: Blocks, kept: Indices) -> tuple[Any, Indices]:
    """Which nodes lie inside a chain, (count,), and the number of each one's chain from 0, (count,)."""
    count = blocks.count
    neighbours = np.bincount(blocks.rows, minlength=count) - 1
    inner = neighbours == 2
    inner[kept] = False
    chain = np.full(count, -1, dtype=np.int64)
    inside = np.flatnonzero(inner)
    if len(inside) == 0:
        return inner, chain
    within = np.cumsum(inner) - 1
    both = inner[blocks.rows] & inner[blocks.columns]
    pairs = (within[blocks.rows[both]], within[blocks.columns[both]])
    joined = csr_matrix((np.ones(len(pairs[0]), dtype=np.int8), pairs), shape=(len(inside), len(inside)))
    chains, of_each = connected_components(joined, directed=False)
    linked = inner[blocks.rows] & ~inner[blocks.columns]
    ends = np.bincount(of_each[within[blocks.rows[linked]]], minlength=chains)
    # A ring that nothing is joined to has no ends: its nodes stay.
    ring = ends != 2
    inner[inside[ring[of_each]]] = False
    inside = np.flatnonzero(inner)
    kept_numbers = np.cumsum(~ring) - 1
    chain[inside] = kept_numbers[of_each[within[inside]]]
    return inner, chain
