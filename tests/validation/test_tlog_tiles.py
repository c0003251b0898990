"""Places, widths and bytes of tiles against the numbers and definitions of C2SP tlog-tiles."""

from __future__ import annotations

import hashlib

import pytest

from service.ledger.tiles import Tile, entry_bundle, format_index, parse_index, tile, width_at


def tiles_of(size: int, level: int) -> tuple[int, int]:
    """Full tiles and the width of the partial one of a level, by asking for each."""
    full = 0
    while width_at(level, full, size) == 256:
        full += 1
    return full, width_at(level, full, size)


def test_a_log_of_70_000_entries_has_the_tiles_of_the_example() -> None:
    """273 full tiles and one of 112 on level 0, one full and one of 17 on level 1, one of 1 on level 2."""
    assert tiles_of(70_000, 0) == (273, 112)
    assert tiles_of(70_000, 1) == (1, 17)
    assert tiles_of(70_000, 2) == (0, 1)
    assert tiles_of(70_000, 3) == (0, 0)
    assert [width_at(None, 272, 70_000), width_at(None, 273, 70_000), width_at(None, 274, 70_000)] == [
        256,
        112,
        0,
    ]


def test_a_log_of_256_entries_has_a_full_tile_and_one_above_it() -> None:
    assert tiles_of(256, 0) == (1, 0)
    assert tiles_of(256, 1) == (0, 1)
    assert tiles_of(256, 2) == (0, 0)


def test_the_index_of_the_example_is_written_in_groups_of_three_digits() -> None:
    assert format_index(1234067) == "x001/x234/067"
    assert parse_index("x001/x234/067") == (1234067, 256)


@pytest.mark.parametrize("size", [0, 1, 2, 255, 256, 257, 511, 65_535, 65_536, 70_000, 2**24, 2**40 + 12_345])
@pytest.mark.parametrize("level", range(7))
def test_the_partial_tile_has_the_width_of_the_formula(size: int, level: int) -> None:
    """floor(s / 256**l) mod 256, behind floor(s / 256**(l + 1)) full tiles."""
    full = size // 256 ** (level + 1)
    assert width_at(level, full, size) == size // 256**level % 256
    assert width_at(level, full + 1, size) == 0
    if full:
        assert width_at(level, full - 1, size) == 256


class Counted:
    """Hashes that tell their own level and place."""

    def hashes(self, level: int, start: int, end: int) -> list[bytes]:
        return [hashlib.sha256(f"{level}/{place}".encode()).digest() for place in range(start, end)]


def test_a_tile_is_its_hashes_side_by_side() -> None:
    full = tile(Counted(), 1, 3)
    assert len(full) == 8_192
    assert full[:32] == hashlib.sha256(b"1/768").digest()
    assert full[-32:] == hashlib.sha256(b"1/1023").digest()
    partial = tile(Counted(), 0, 273, 112)
    assert len(partial) == 112 * 32
    assert partial[-32:] == hashlib.sha256(b"0/69999").digest()


def test_a_tile_spans_the_entries_of_its_definition() -> None:
    """Start index n * 256**(l+1), end index (n+1) * 256**(l+1)."""
    assert Tile(0, 3).entries() == (768, 1024)
    assert Tile(2, 1).entries() == (256**3, 2 * 256**3)
    assert Tile(None, 3).entries() == (768, 1024)
    assert Tile(1, 0, 17).entries() == (0, 17 * 256)


def test_a_bundle_is_entries_behind_their_length_in_two_bytes() -> None:
    assert entry_bundle([]) == b""
    assert entry_bundle([b"", b"abc"]) == b"\x00\x00\x00\x03abc"
    assert entry_bundle([b"x" * 258])[:3] == b"\x01\x02x"
    assert entry_bundle([b"x" * 65_535])[:2] == b"\xff\xff"
    with pytest.raises(ValueError, match="too long"):
        entry_bundle([b"x" * 65_536])
