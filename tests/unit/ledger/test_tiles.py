"""A tile has one path, and no other text names it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.ledger.tiles import GREATEST_INDEX, Tile, format_index, parse_index, parse_level, width_at

LEVELS = st.none() | st.integers(0, 63)


@given(LEVELS, st.integers(0, GREATEST_INDEX), st.integers(1, 256))
def test_a_path_is_read_as_it_is_written(level: int | None, index: int, width: int) -> None:
    tile = Tile(level, index, width)
    assert Tile.parse(tile.path) == tile
    assert tile.path.endswith(f".p/{width}") == (width < 256)


@pytest.mark.parametrize(
    ("index", "path"),
    [
        (0, "000"),
        (67, "067"),
        (999, "999"),
        (1_000, "x001/000"),
        (999_999, "x999/999"),
        (1_000_000, "x001/x000/000"),
    ],
)
def test_an_index_is_written_in_groups(index: int, path: str) -> None:
    assert format_index(index) == path
    assert parse_index(f"{path}.p/255") == (index, 255)


@pytest.mark.parametrize(
    "text",
    [
        "", "0", "67", "0067", "x000/067", "x067", "001/067", "x001/67", "x001/067/", "/067", "067/",
        "x1/067", "X001/067", "067.p", "067.p/", "067.p/0", "067.p/256", "067.p/01", "067.p/1000", "067.p/-1",
        "067p/1", "067.p/1\n", "067\n", "\N{ARABIC-INDIC DIGIT ONE}67", "x036/x028/x797/x018/x963/968",
        "x999/" * 40 + "999", "067.p/1.p/1",
    ],
)  # fmt: skip
def test_another_text_names_no_tile(text: str) -> None:
    with pytest.raises(ValueError, match="not the path"):
        parse_index(text)


@pytest.mark.parametrize("text", ["", "00", "01", "64", "100", "-1", "+1", "Entries", "x0", "0 ", "1\n"])
def test_another_text_names_no_level(text: str) -> None:
    with pytest.raises(ValueError, match="not the level"):
        parse_level(text)


def test_a_level_is_a_number_or_entries() -> None:
    assert [parse_level(text) for text in ("0", "9", "10", "63", "entries")] == [0, 9, 10, 63, None]


@pytest.mark.parametrize(("index", "width"), [(-1, 256), (GREATEST_INDEX + 1, 256), (0, 0), (0, 257)])
def test_a_tile_that_there_cannot_be_has_no_path(index: int, width: int) -> None:
    with pytest.raises(ValueError, match="no such tile"):
        format_index(index, width)


@given(LEVELS, st.integers(0, 300), st.integers(0, 2**60))
def test_a_tile_grows_with_the_log_and_never_shrinks(level: int | None, index: int, size: int) -> None:
    width = width_at(level, index, size)
    assert 0 <= width <= width_at(level, index, size + 1) <= 256
    if width:
        tile = Tile(level, index, width)
        assert tile.exists(size)
        assert tile.entries()[1] <= size
    if width < 256:
        assert not Tile(level, index, width + 1).exists(size)
