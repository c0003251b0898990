"""Tiles: the log's tree and its entries as files of fixed places, byte for byte as C2SP tlog-tiles has them.

A tile holds up to 256 hashes side by side; those of level L are roots of full subtrees of 256**L
leaves. Only the tiles at the tree's right edge are narrower, and grow until they are full.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Protocol

TILE_WIDTH: Final = 256
GREATEST_LEVEL: Final = 63
GREATEST_INDEX: Final = 2**55 - 1  # beyond it a tile would begin past 2**63 entries
GREATEST_ENTRY: Final = 65_535  # bytes: an entry's length takes two bytes

_LEVEL = re.compile(r"0|[1-9][0-9]?")
_INDEX = re.compile(r"((?:x[0-9]{3}/)*)([0-9]{3})(?:\.p/([1-9][0-9]{0,2}))?")


class HashSource(Protocol):
    """Where the hashes of a tree are read from: a stored log, or tiles fetched from elsewhere."""

    def hashes(self, level: int, start: int, end: int) -> Sequence[bytes]:
        """Hashes [start, end) of the full subtrees of 256**level leaves; level 0 are the leaf hashes."""


@dataclass(frozen=True)
class Tile:
    """The place of a tile. level: 0 to 63, None for a bundle of entries. width: 1 to 256, 256 when full."""

    level: int | None
    index: int
    width: int = TILE_WIDTH

    @property
    def path(self) -> str:
        """As it stands after `tile/`: `0/x001/x234/067`, `entries/000.p/12`."""
        return f"{'entries' if self.level is None else self.level}/{format_index(self.index, self.width)}"

    @classmethod
    def parse(cls, path: str) -> Tile:
        """The place that a path after `tile/` names.

        Raises:
            ValueError: not of the one form that a place has
        """
        level, _, index = path.partition("/")
        return cls(parse_level(level), *parse_index(index))

    def exists(self, size: int) -> bool:
        """Whether a log of `size` entries has all of its hashes; by then there may be more."""
        return self.width <= width_at(self.level, self.index, size)

    def entries(self) -> tuple[int, int]:
        """First entry and the one after the last that the tile spans."""
        span = 256 ** (self.level or 0)
        start = self.index * TILE_WIDTH * span
        return start, start + self.width * span


def format_index(index: int, width: int = TILE_WIDTH) -> str:
    """A tile's index in groups of three digits, all but the last after an x; `.p/W` when not full."""
    if not (0 <= index <= GREATEST_INDEX and 1 <= width <= TILE_WIDTH):
        raise ValueError("no such tile")
    digits = str(index)
    digits = digits.zfill(-(-len(digits) // 3) * 3)
    groups = [digits[place : place + 3] for place in range(0, len(digits), 3)]
    path = "/".join([*(f"x{group}" for group in groups[:-1]), groups[-1]])
    return path if width == TILE_WIDTH else f"{path}.p/{width}"


def parse_index(text: str) -> tuple[int, int]:
    """Index and width that the path of a tile names.

    Raises:
        ValueError: groups not of three digits, one too many in front, or a width not in 1 to 255
    """
    found = _INDEX.fullmatch(text)
    if found is None:
        raise ValueError("not the path of a tile")
    index = int(found[1].replace("x", "").replace("/", "") + found[2])
    width = int(found[3] or TILE_WIDTH)
    if index > GREATEST_INDEX or width > TILE_WIDTH or format_index(index, width) != text:
        raise ValueError("not the path of a tile")
    return index, width


def parse_level(text: str) -> int | None:
    """The level that a path names: 0 to 63, None for `entries`.

    Raises:
        ValueError: another text, or a leading zero
    """
    if text == "entries":
        return None
    if _LEVEL.fullmatch(text) is None or int(text) > GREATEST_LEVEL:
        raise ValueError("not the level of a tile")
    return int(text)


def width_at(level: int | None, index: int, size: int) -> int:
    """Hashes (or entries, for level None) of this tile in a log of `size` entries: 0 to 256.

    Source: C2SP tlog-tiles, "Partial Tiles".
    """
    hashes: int = size >> 8 * (level or 0)
    return min(max(hashes - index * TILE_WIDTH, 0), TILE_WIDTH)


def tile(source: HashSource, level: int, index: int, width: int = TILE_WIDTH) -> bytes:
    """The bytes of one tile: `width` hashes of 32 bytes.

    The caller has seen that the log holds it (`width_at`).
    """
    start = index * TILE_WIDTH
    return b"".join(source.hashes(level, start, start + width))


def entry_bundle(bodies: Sequence[bytes]) -> bytes:
    """Entries one after the other, each behind its length in two bytes, the greater first.

    Raises:
        ValueError: an entry over 65,535 bytes, which has no place in a bundle
    """
    if any(len(body) > GREATEST_ENTRY for body in bodies):
        raise ValueError("an entry is too long for a bundle")
    return b"".join(len(body).to_bytes(2, "big") + body for body in bodies)
