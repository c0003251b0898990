"""Holding leaves that are given out against a signed root, while they go by.

Whoever can write to the tables can change an entry, its hash and the hashes above it, but not the
root that was signed. So the leaves given are put into the stored tree in the places of those stored,
each tile that they touch is hashed anew, and so is each tile above it, up to the root. Where a leaf,
or a stored hash beside its way, is not what was signed, the root is another one.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

from service.ledger import tree
from service.ledger.hashing import HASH_BYTES, NODE_PREFIX
from service.ledger.tiles import TILE_WIDTH, HashSource


class LeafCheck:
    """The tree over the first `size` leaves of a source, with some leaves' hashes as they are given.

    Tiles whose leaves are all given are hashed from these alone; of the others the rest is read from
    the source, once a tile. Nothing is kept of a tile that has gone by.
    """

    def __init__(self, source: HashSource, size: int) -> None:
        self._source = source
        self._size = size
        self._next = 0
        self._tiles: list[int] = []  # by level: the tile that is being given
        self._given: list[dict[int, bytes]] = []  # by level: its hashes, by their place in it
        self._edges: dict[int, Sequence[bytes]] = {}  # by level: the last tile's hashes, where it is not full

    def take(self, position: int, leaf: bytes) -> None:
        """Takes in the hash of the leaf at `position`; positions rise.

        Raises:
            ValueError: a position that is none of the tree, or not above the one before
        """
        if not self._next <= position < self._size:
            raise ValueError("leaves are given in their order, within the tree")
        self._next = position + 1
        self._put(0, position, leaf)

    def root(self) -> bytes:
        """The tree's root hash, 32 bytes, with the leaves given; it ends the giving."""
        self._next = self._size
        level = 0
        while level < len(self._given):
            self._close(level)
            level += 1
        return tree.root(self, self._size)

    def hashes(self, level: int, start: int, end: int) -> Sequence[bytes]:
        """Hashes [start, end) at the right edge as given, else as the source has them. For `tree` alone."""
        edge = self._edges.get(level)
        base = (self._size >> 8 * level) // TILE_WIDTH * TILE_WIDTH
        if edge is not None and start >= base:
            return edge[start - base : end - base]
        return self._source.hashes(level, start, end)

    def _put(self, level: int, position: int, digest: bytes) -> None:
        tile, place = divmod(position, TILE_WIDTH)
        if level == len(self._given):
            self._tiles.append(tile)
            self._given.append({})
        elif tile != self._tiles[level]:
            self._close(level)
            self._tiles[level] = tile
        self._given[level][place] = digest

    def _close(self, level: int) -> None:
        """Hashes the tile that was given, into the one above or, where it is not full, to the right edge."""
        given, tile = self._given[level], self._tiles[level]
        if not given:
            return
        first = tile * TILE_WIDTH
        end = min(first + TILE_WIDTH, self._size >> 8 * level)
        if len(given) == end - first:  # given in their order
            row = list(given.values())
        else:
            row = list(self._source.hashes(level, first, end))
            for place, digest in given.items():
                row[place] = digest
        self._given[level] = {}
        if len(row) == TILE_WIDTH:
            self._put(level + 1, tile, _hash_of(row))
        else:
            self._edges[level] = row


def _hash_of(row: list[bytes]) -> bytes:
    """Hash of a full tile. Source: RFC 9162, section 2.1.1."""
    if any(len(each) != HASH_BYTES for each in row):
        raise ValueError("a node joins hashes of 32 bytes")
    hashed = hashlib.sha256
    while len(row) > 1:
        row = [
            hashed(NODE_PREFIX + left + right).digest()
            for left, right in zip(row[::2], row[1::2], strict=True)
        ]
    return row[0]
