"""Roots and proofs are read from stored hashes, a few runs of them, whatever the size of the log."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.ledger import tree
from service.ledger.verifier import EMPTY_ROOT, Frontier, verify_consistency, verify_inclusion
from tests.unit.ledger.sample_log import leaf, tree_hash


class Uniform:
    """A log of any size with entries all alike: a full subtree's hash depends on its height alone."""

    def __init__(self, size: int) -> None:
        self.size = size
        self.reads: list[tuple[int, int, int]] = []
        self._full = [leaf(b"same")]
        while len(self._full) < 64:
            self._full.append(hashlib.sha256(b"\x01" + self._full[-1] * 2).digest())

    def hashes(self, level: int, start: int, end: int) -> Sequence[bytes]:
        assert 0 <= start < end <= self.size >> 8 * level
        assert start // 256 == (end - 1) // 256
        self.reads.append((level, start, end))
        return [self._full[8 * level]] * (end - start)

    def root(self, size: int) -> bytes:
        """Root by the definition: the largest full subtree on the left, the rest on the right."""
        if size.bit_count() == 1:
            return self._full[size.bit_length() - 1]
        left = 1 << size.bit_length() - 1
        return hashlib.sha256(b"\x01" + self._full[left.bit_length() - 1] + self.root(size - left)).digest()


@given(st.integers(1, 2**40), st.data())
def test_proofs_of_a_great_log_verify_and_read_each_run_once(size: int, data: st.DataObject) -> None:
    source = Uniform(size)
    index = data.draw(st.integers(0, size - 1))
    first = data.draw(st.integers(1, size))
    assert tree.root(source, size) == source.root(size)
    verify_inclusion(leaf(b"same"), index, size, tree.inclusion_proof(source, index, size), source.root(size))
    source.reads.clear()
    proof = tree.consistency_proof(source, first, size)
    verify_consistency(first, source.root(first), size, source.root(size), proof)
    assert len(source.reads) == len(set(source.reads)) <= 2 * (size.bit_length() // 8 + 1)


def test_a_proof_of_a_million_entries_reads_few_runs() -> None:
    source = Uniform(1_000_000)
    tree.inclusion_proof(source, 123_456, 1_000_000)
    assert len(source.reads) <= 6
    source.reads.clear()
    tree.root(source, 1_000_000)
    assert len(source.reads) <= 3


@given(st.integers(0, 1_000), st.integers(0, 300))
def test_a_right_edge_that_was_read_grows_on(size: int, more: int) -> None:
    frontier = tree.frontier(Uniform(max(size, 1)), size)
    for _ in range(more):
        frontier.append(leaf(b"same"))
    total = size + more
    assert frontier.size == total
    assert frontier.root() == (Uniform(1).root(total) if total else EMPTY_ROOT)


def test_what_cannot_be_proved_is_refused() -> None:
    source = Uniform(10)
    for index, size in ((-1, 10), (10, 10), (0, 0)):
        with pytest.raises(ValueError, match="no such leaf"):
            tree.inclusion_proof(source, index, size)
    for first, second in ((-1, 5), (6, 5)):
        with pytest.raises(ValueError, match="no beginning"):
            tree.consistency_proof(source, first, second)
    with pytest.raises(ValueError, match="negative"):
        tree.root(source, -1)
    assert source.reads == []


# --- the right edge ----------------------------------------------------------------------------------
@given(st.integers(0, 600))
def test_a_right_edge_is_kept_as_bytes_and_grows_apart_from_its_copy(size: int) -> None:
    leaves = [leaf(str(number).encode()) for number in range(size)]
    frontier = Frontier()
    for each in leaves:
        frontier.append(each)
    assert frontier.root() == tree_hash(leaves)
    assert len(frontier.hashes) == size.bit_count()
    again = Frontier.from_bytes(size, frontier.as_bytes())
    assert (again.size, again.hashes) == (size, frontier.hashes)
    copy = frontier.copy()
    copy.append(leaf(b"more"))
    assert frontier.root() == again.root() == tree_hash(leaves)
    assert copy.root() == tree_hash([*leaves, leaf(b"more")])


def test_completed_subtrees_are_told_as_they_are_completed() -> None:
    leaves = [leaf(str(number).encode()) for number in range(600)]
    frontier = Frontier()
    told = {size: made for size, each in enumerate(leaves, 1) if (made := frontier.append(each))}
    assert told == {256: [(1, 0, tree_hash(leaves[:256]))], 512: [(1, 1, tree_hash(leaves[256:512]))]}


def test_a_subtree_two_levels_up_is_told_together_with_the_one_below() -> None:
    source = Uniform(65_536)
    frontier = tree.frontier(source, 65_535)
    assert frontier.append(leaf(b"same")) == [(1, 255, source.root(256)), (2, 0, source.root(65_536))]


@pytest.mark.parametrize(
    ("size", "data"), [(-1, b""), (0, b"x" * 32), (1, b""), (1, b"x" * 31), (1, b"x" * 64), (3, b"x" * 33)]
)
def test_bytes_that_do_not_fit_the_size_are_no_right_edge(size: int, data: bytes) -> None:
    with pytest.raises(ValueError, match="frontier"):
        Frontier.from_bytes(size, data)
