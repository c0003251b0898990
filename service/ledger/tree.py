"""The log's Merkle tree, read from its stored hashes: roots and proofs (RFC 9162, section 2.1).

Nothing is computed from entries: the hashes of full subtrees of 256**level leaves are read in runs
of at most 256 side by side, as tiles hold them. One call reads each run once, so that its work
grows with the logarithm of the tree's size.
"""

from __future__ import annotations

from collections.abc import Sequence

from service.ledger.tiles import TILE_WIDTH, HashSource
from service.ledger.verifier import EMPTY_ROOT, Frontier, node_hash

__all__ = ["HashSource", "consistency_proof", "frontier", "inclusion_proof", "root"]


class _Tree:
    """The first `size` leaves of a source; what was read is kept for one call."""

    def __init__(self, source: HashSource, size: int) -> None:
        if size < 0:
            raise ValueError("a tree has no negative size")
        self._source = source
        self._size = size
        self._runs: dict[tuple[int, int], Sequence[bytes]] = {}

    def _hash(self, level: int, position: int) -> bytes:
        run, place = divmod(position, TILE_WIDTH)
        if (level, run) not in self._runs:
            end = min((run + 1) * TILE_WIDTH, self._size >> 8 * level)
            self._runs[level, run] = self._source.hashes(level, run * TILE_WIDTH, end)
        return self._runs[level, run][place]

    def full(self, start: int, height: int) -> bytes:
        """Hash of the full subtree of 2**height leaves from `start`, a multiple of that, on."""
        level, above = divmod(height, 8)
        first = start >> 8 * level
        row = [self._hash(level, place) for place in range(first, first + (1 << above))]
        while len(row) > 1:
            row = [node_hash(left, right) for left, right in zip(row[::2], row[1::2], strict=True)]
        return row[0]

    def parts(self, start: int, end: int) -> list[bytes]:
        """Hashes of the full subtrees that make up the leaves [start, end), largest first.

        start: a multiple of the largest power of two that is not above end - start, as in every
        subtree that RFC 9162 splits off.
        """
        found = []
        while start < end:
            height = (end - start).bit_length() - 1
            found.append(self.full(start, height))
            start += 1 << height
        return found

    def hash(self, start: int, end: int) -> bytes:
        """MTH(D[start:end]) of RFC 9162, section 2.1.1."""
        if start == end:
            return EMPTY_ROOT
        *rest, found = self.parts(start, end)
        for left in reversed(rest):
            found = node_hash(left, found)
        return found


def root(source: HashSource, size: int) -> bytes:
    """Root hash of the tree over the first `size` leaves, 32 bytes. Source: RFC 9162, section 2.1.1."""
    return _Tree(source, size).hash(0, size)


def frontier(source: HashSource, size: int) -> Frontier:
    """The right edge of the tree over the first `size` leaves, to let it grow from there."""
    return Frontier(size, _Tree(source, size).parts(0, size))


def inclusion_proof(source: HashSource, index: int, size: int) -> list[bytes]:
    """Hashes that lead from leaf `index` to the root of the first `size` leaves, the leaf's sibling first.

    Source: RFC 9162, section 2.1.3.1.

    Raises:
        ValueError: no such leaf in a tree of this size
    """
    if not 0 <= index < size:
        raise ValueError("no such leaf in a tree of this size")
    tree, proof, start, end = _Tree(source, size), [], 0, size
    while end - start > 1:
        middle = start + _split(end - start)
        if index < middle:
            proof.append(tree.hash(middle, end))
            end = middle
        else:
            proof.append(tree.hash(start, middle))
            start = middle
    return proof[::-1]


def consistency_proof(source: HashSource, first: int, second: int) -> list[bytes]:
    """Hashes which show that the first `first` leaves are the beginning of the first `second` leaves.

    Empty where there is nothing to show: for equal sizes, and from the empty tree on.

    Source: RFC 9162, section 2.1.4.1.

    Raises:
        ValueError: not 0 <= first <= second
    """
    if not 0 <= first <= second:
        raise ValueError("a tree is no beginning of a smaller one")
    if first in {0, second}:
        return []
    tree, proof, start, end, whole = _Tree(source, second), [], 0, second, True
    while first != end:
        middle = start + _split(end - start)
        if first <= middle:
            proof.append(tree.hash(middle, end))
            end = middle
        else:
            proof.append(tree.hash(start, middle))
            start, whole = middle, False
    if not whole:  # of the whole first tree the verifier knows the root already
        proof.append(tree.hash(start, end))
    return proof[::-1]


def _split(size: int) -> int:
    """The largest power of two below `size`, which is 2 or more."""
    return 1 << (size - 1).bit_length() - 1
