"""Leaves held against a signed root: any leaf, and any stored hash beside its way, that differs shows."""

from __future__ import annotations

import random
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.ledger.leaf_check import LeafCheck
from tests.unit.ledger.sample_log import leaf, tree_hash

LEAVES = [leaf(b"entry %d" % number) for number in range(70_000)]


class Stored:
    """A log's stored hashes. changed: (level, position) -> another hash in its place."""

    def __init__(self, size: int, changed: dict[tuple[int, int], bytes] | None = None) -> None:
        self.size = size
        self.changed = changed or {}
        self.reads: list[tuple[int, int, int]] = []

    def hashes(self, level: int, start: int, end: int) -> Sequence[bytes]:
        assert 0 <= start < end <= self.size >> 8 * level
        self.reads.append((level, start, end))
        return [self.changed.get((level, place), full(level, place)) for place in range(start, end)]


FULL: dict[tuple[int, int], bytes] = {}


def full(level: int, place: int) -> bytes:
    """Hash of a full subtree, by the definition of RFC 9162."""
    if level == 0:
        return LEAVES[place]
    if (level, place) not in FULL:
        span = 256**level
        FULL[level, place] = tree_hash(LEAVES[place * span : (place + 1) * span])
    return FULL[level, place]


def root_of(source: Stored, places: Sequence[int], leaves: Sequence[bytes] = LEAVES) -> bytes:
    check = LeafCheck(source, source.size)
    for place in places:
        check.take(place, leaves[place])
    return check.root()


SIZES = [0, 1, 2, 255, 256, 257, 511, 512, 513, 1000, 65_535, 65_536, 65_537, 70_000]


@pytest.mark.parametrize("size", SIZES)
def test_true_leaves_give_the_root_whichever_of_them_are_given(size: int) -> None:
    chance = random.Random(size)
    expected = tree_hash(LEAVES[:size])
    assert root_of(Stored(size), range(size)) == expected
    assert root_of(Stored(size), ()) == expected
    for _ in range(10):
        start = chance.randint(0, size)
        end = chance.randint(start, min(size, start + 3_000))
        assert root_of(Stored(size), range(start, end)) == expected
        some = sorted(chance.sample(range(size), min(size, chance.randint(1, 40))))
        assert root_of(Stored(size), some) == expected


@given(st.data(), st.integers(1, 1_500))
def test_one_false_leaf_anywhere_gives_another_root(data: st.DataObject, size: int) -> None:
    places = sorted(data.draw(st.sets(st.integers(0, size - 1), min_size=1, max_size=20)))
    false = data.draw(st.sampled_from(places))
    altered = [*LEAVES[:false], leaf(b"another"), *LEAVES[false + 1 : size]]
    expected = tree_hash(LEAVES[:size])
    assert root_of(Stored(size), places) == expected
    assert root_of(Stored(size), places, altered) != expected
    # Nor does it help to change what is stored of it, up to any level.
    changed = {(0, false): leaf(b"another")}
    assert root_of(Stored(size, changed), places, altered) != expected
    if size >> 8 > false >> 8:
        first = false >> 8 << 8
        changed[1, false >> 8] = tree_hash(altered[first : first + 256])
        assert root_of(Stored(size, changed), places, altered) != expected


@pytest.mark.parametrize("size", [300, 66_000, 70_000])
def test_a_stored_hash_that_was_changed_for_a_leaf_does_not_stand_in_for_it(size: int) -> None:
    """The forger changes a leaf and all that is stored above it: the path of what is given shows it still."""
    expected = tree_hash(LEAVES[:size])
    for false in (0, 255, 256, size - 1):
        altered = [*LEAVES[:false], leaf(b"another"), *LEAVES[false + 1 : size]]
        changed = {(0, false): leaf(b"another")}
        for level in (1, 2):
            span = 256**level
            place = false // span
            if (place + 1) * span <= size:
                changed[level, place] = tree_hash(altered[place * span : (place + 1) * span])
        assert root_of(Stored(size, changed), [false], altered) != expected
        # Given true, a leaf is not spoilt by what is stored in its place.
        assert root_of(Stored(size, changed), [false]) == expected


def test_a_run_that_fills_its_tiles_reads_nothing_of_them() -> None:
    source = Stored(70_000)
    root_of(source, range(512, 70_000))
    # The rest of the first tile of level 1; nothing of the leaves.
    assert source.reads == [(1, 0, 256)]


def test_of_a_great_log_only_the_tiles_on_the_way_are_read() -> None:
    source = Stored(70_000)
    root_of(source, [5, 6, 300])
    # The two tiles of the leaves, the one above, and the right edge of each level.
    assert sorted(source.reads) == [
        (0, 0, 256),
        (0, 256, 512),
        (0, 69_888, 70_000),
        (1, 0, 256),
        (1, 256, 273),
    ]


def test_leaves_are_given_in_their_order_within_the_tree() -> None:
    check = LeafCheck(Stored(300), 300)
    check.take(2, LEAVES[2])
    for place in (-1, 1, 2, 300):
        with pytest.raises(ValueError, match="order"):
            check.take(place, LEAVES[0])
    check.root()
    with pytest.raises(ValueError, match="order"):
        check.take(299, LEAVES[299])
