"""Roots and proofs of the log's tree against published vectors and another implementation.

Sources: RFC 6962 / RFC 9162, section 2.1. The eight leaves with their roots and proofs are those of the
Certificate Transparency test data (merkle_tree_test; today transparency-dev/merkle, testonly/constants.go
and testdata/). The rolling digests are those of the appendix "Subtree Test Vectors" of
draft-ietf-plants-merkle-tree-certs, as transparency-dev/merkle prints them. The other implementation
is pymerkle.
"""

from __future__ import annotations

import functools
import hashlib
from collections.abc import Sequence

import pymerkle
import pytest
from pymerkle.hasher import MerkleHasher

from service.ledger import tree
from service.ledger.verifier import (
    EMPTY_ROOT,
    Frontier,
    Refused,
    leaf_hash,
    root_from_inclusion,
    verify_consistency,
    verify_inclusion,
)

LEAVES = [
    bytes.fromhex(each)
    for each in (
        "",
        "00",
        "10",
        "2021",
        "3031",
        "40414243",
        "5051525354555657",
        "606162636465666768696a6b6c6d6e6f",
    )
]

ROOTS = [
    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
]

# NODES[level][place]: hashes of the full subtrees of 2**level leaves.
NODES = [
    [
        "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
        "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
        "0298d122906dcfc10892cb53a73992fc5b9f493ea4c9badb27b791b4127a7fe7",
        "07506a85fd9dd2f120eb694f86011e5bb4662e5c415a62917033d4a9624487e7",
        "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
        "4271a26be0d8a84f0bd54c8c302e7cb3a3b5d1fa6780a40bcce2873477dab658",
        "b08693ec2e721597130641e8211e7eedccb4c26413963eee6c1e2ed16ffb1a5f",
        "46f6ffadd3d06a09ff3c5860d2755c8b9819db7df44251788c7d8e3180de8eb1",
    ],
    [
        "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
        "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
        "0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a",
        "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
    ],
    [
        "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
        "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4",
    ],
    ["5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328"],
]

# (leaf, tree size, proof as places in NODES)
INCLUSION = [
    (0, 1, []),
    (0, 8, [(0, 1), (1, 1), (2, 1)]),
    (5, 8, [(0, 4), (1, 3), (2, 0)]),
    (2, 3, [(1, 0)]),
    (1, 5, [(0, 0), (1, 1), (0, 4)]),
]

# (first size, second size, proof as places in NODES)
CONSISTENCY = [
    (1, 1, []),
    (1, 8, [(0, 1), (1, 1), (2, 1)]),
    (6, 8, [(1, 2), (1, 3), (2, 0)]),
    (2, 5, [(1, 1), (0, 4)]),
    (6, 7, [(1, 2), (0, 6), (2, 0)]),
]


class Leaves:
    """Leaves as a source of hashes: those of full subtrees are computed from their definition."""

    def __init__(self, bodies: Sequence[bytes]) -> None:
        self.leaves = [hashlib.sha256(b"\x00" + body).digest() for body in bodies]
        self.defined = functools.cache(self._defined)

    def _defined(self, start: int, end: int) -> bytes:
        """MTH(D[start:end]) as RFC 9162, section 2.1.1, defines it."""
        if end == start:
            return hashlib.sha256(b"").digest()
        if end - start == 1:
            return self.leaves[start]
        split = 1
        while split * 2 < end - start:
            split *= 2
        left, right = self.defined(start, start + split), self.defined(start + split, end)
        return hashlib.sha256(b"\x01" + left + right).digest()

    def hashes(self, level: int, start: int, end: int) -> Sequence[bytes]:
        span = 256**level
        assert 0 <= start <= end <= len(self.leaves) // span
        if level == 0:
            return self.leaves[start:end]
        return [self.defined(place * span, (place + 1) * span) for place in range(start, end)]


PUBLISHED = Leaves(LEAVES)
COUNT = 300
NUMBERED = Leaves([f"entry {number}".encode() for number in range(COUNT)])


def nodes(places: list[tuple[int, int]]) -> list[bytes]:
    return [bytes.fromhex(NODES[level][place]) for level, place in places]


# --- published --------------------------------------------------------------------------------------
def test_leaf_hashes_are_the_published_ones() -> None:
    assert [leaf_hash(body).hex() for body in LEAVES] == NODES[0]


@pytest.mark.parametrize("size", range(9))
def test_roots_are_the_published_ones(size: int) -> None:
    frontier = Frontier()
    for body in LEAVES[:size]:
        frontier.append(leaf_hash(body))
    assert frontier.root().hex() == ROOTS[size]
    assert tree.root(PUBLISHED, size).hex() == ROOTS[size]


def test_the_right_edge_is_made_of_the_published_subtrees() -> None:
    edges = {7: [(2, 0), (1, 2), (0, 6)], 6: [(2, 0), (1, 2)], 3: [(1, 0), (0, 2)], 8: [(3, 0)]}
    for size, places in edges.items():
        assert list(tree.frontier(PUBLISHED, size).hashes) == nodes(places)


@pytest.mark.parametrize(("leaf", "size", "places"), INCLUSION)
def test_inclusion_proofs_are_the_published_ones(leaf: int, size: int, places: list[tuple[int, int]]) -> None:
    assert tree.inclusion_proof(PUBLISHED, leaf, size) == nodes(places)
    root = bytes.fromhex(ROOTS[size])
    verify_inclusion(bytes.fromhex(NODES[0][leaf]), leaf, size, nodes(places), root)


@pytest.mark.parametrize(("first", "second", "places"), CONSISTENCY)
def test_consistency_proofs_are_the_published_ones(
    first: int, second: int, places: list[tuple[int, int]]
) -> None:
    assert tree.consistency_proof(PUBLISHED, first, second) == nodes(places)
    roots = bytes.fromhex(ROOTS[first]), bytes.fromhex(ROOTS[second])
    verify_consistency(first, roots[0], second, roots[1], nodes(places))


def valid_subtrees(greatest: int) -> list[tuple[int, int]]:
    """Ranges that the draft calls subtrees: they start at a multiple of a power of two not below their size.

    Empty ones are among them.
    """
    return [
        (start, end)
        for end in range(greatest + 1)
        for start in range(end + 1)
        if start == end or start % (1 << (end - start - 1).bit_length()) == 0
    ]


def test_every_subtree_up_to_130_entries_has_the_published_hash() -> None:
    rolling = hashlib.sha256()
    for start, end in valid_subtrees(130):
        source = Leaves([bytes([number]) for number in range(start, end)])
        rolling.update(f"[{start}, {end}) {tree.root(source, end - start).hex()}\n".encode())
    assert rolling.hexdigest() == "b82806ad4265bb151c1119c0f4db437bb4d1a1f887b3a7fba1cd4ebf552e3e81"


def test_every_inclusion_proof_up_to_130_entries_is_the_published_one() -> None:
    rolling = hashlib.sha256()
    for start, end in valid_subtrees(130):
        source = Leaves([bytes([number]) for number in range(start, end)])
        for index in range(start, end):
            proof = tree.inclusion_proof(source, index - start, end - start)
            rolling.update(f"{index} [{start}, {end})".encode())
            rolling.update("".join(f" {each.hex()}" for each in proof).encode() + b"\n")
    assert rolling.hexdigest() == "ac2a8f989e44d99e399db448050ff5f19757df53cfb716aa81015d3955d8163f"


# --- by definition: every pair up to 300 --------------------------------------------------------------
def defined_inclusion(source: Leaves, index: int, start: int, end: int) -> list[bytes]:
    """PATH(m, D_n) of RFC 9162, section 2.1.3.1."""
    if end - start == 1:
        return []
    split = 1
    while split * 2 < end - start:
        split *= 2
    if index < start + split:
        return [*defined_inclusion(source, index, start, start + split), source.defined(start + split, end)]
    return [*defined_inclusion(source, index, start + split, end), source.defined(start, start + split)]


def defined_consistency(source: Leaves, first: int, start: int, end: int, whole: bool) -> list[bytes]:
    """SUBPROOF(m, D_n, b) of RFC 9162, section 2.1.4.1."""
    if first == end:
        return [] if whole else [source.defined(start, end)]
    split = 1
    while split * 2 < end - start:
        split *= 2
    middle = start + split
    if first <= middle:
        left = defined_consistency(source, first, start, middle, whole)
        return [*left, source.defined(middle, end)]
    return [*defined_consistency(source, first, middle, end, False), source.defined(start, middle)]


def test_every_root_up_to_300_entries_is_the_defined_one() -> None:
    frontier = Frontier()
    for size in range(COUNT + 1):
        assert tree.root(NUMBERED, size) == frontier.root() == NUMBERED.defined(0, size)
        assert tree.frontier(NUMBERED, size).hashes == frontier.hashes
        if size < COUNT:
            frontier.append(NUMBERED.leaves[size])


@pytest.mark.parametrize("size", range(1, COUNT + 1))
def test_every_inclusion_proof_up_to_300_entries_is_the_defined_one_and_verifies(size: int) -> None:
    root = NUMBERED.defined(0, size)
    for index in range(size):
        proof = tree.inclusion_proof(NUMBERED, index, size)
        assert proof == defined_inclusion(NUMBERED, index, 0, size)
        verify_inclusion(NUMBERED.leaves[index], index, size, proof, root)


@pytest.mark.parametrize("second", range(COUNT + 1))
def test_every_consistency_proof_up_to_300_entries_is_the_defined_one_and_verifies(second: int) -> None:
    root = NUMBERED.defined(0, second)
    for first in range(second + 1):
        proof = tree.consistency_proof(NUMBERED, first, second)
        if first:
            assert proof == defined_consistency(NUMBERED, first, 0, second, True)
        else:
            assert proof == []
        verify_consistency(first, NUMBERED.defined(0, first), second, root, proof)


@pytest.mark.parametrize("size", [1, 2, 3, 5, 7, 8, 9, 31, 32, 33, 64, 65])
def test_an_inclusion_proof_holds_for_its_own_leaf_place_and_size_alone(size: int) -> None:
    root = NUMBERED.defined(0, size)
    for index in range(size):
        leaf, proof = NUMBERED.leaves[index], tree.inclusion_proof(NUMBERED, index, size)
        wrong: list[tuple[bytes, int, int, list[bytes]]] = [
            (NUMBERED.leaves[index + 1], index, size, proof),
            (leaf, index, size, [*proof, EMPTY_ROOT]),
            (leaf, index, size, [EMPTY_ROOT, *proof]),
            (leaf, size, size, proof),
            (leaf, -1, size, proof),
            (leaf[:31], index, size, proof),
            (leaf, index, 0, proof),
        ]
        wrong += [(leaf, other, size, proof) for other in range(size) if other != index]
        for place, sibling in enumerate(proof):
            wrong.append((leaf, index, size, proof[:place] + proof[place + 1 :]))
            for changed in (bytes([sibling[0] ^ 1]) + sibling[1:], sibling[:31], sibling + b"\x00", b""):
                wrong.append((leaf, index, size, [*proof[:place], changed, *proof[place + 1 :]]))
        for case in wrong:
            with pytest.raises(Refused) as refused:
                verify_inclusion(*case, root)
            assert (refused.value.reason, refused.value.position) == ("altered", case[1])
        with pytest.raises(Refused):
            verify_inclusion(leaf, index, size, proof, bytes([root[0] ^ 1]) + root[1:])


@pytest.mark.parametrize("second", [1, 2, 3, 4, 5, 7, 8, 9, 31, 32, 33, 64, 65])
def test_a_consistency_proof_holds_for_its_own_two_trees_alone(second: int) -> None:
    new = NUMBERED.defined(0, second)
    for first in range(1, second + 1):
        old, proof = NUMBERED.defined(0, first), tree.consistency_proof(NUMBERED, first, second)
        other = bytes([old[0] ^ 1]) + old[1:]
        wrong: list[tuple[int, bytes, int, bytes, list[bytes]]] = [
            (first, other, second, new, proof),
            (first, old, second, other, proof),
            (first, old, second, new, [*proof, EMPTY_ROOT]),
            (first, old, second, new, [EMPTY_ROOT, *proof]),
            (first, old[:31], second, new, proof),
        ]
        if first < second:  # else there is but one tree, and its root is compared
            wrong.append((second, old, second, new, proof))
            wrong += [(size, old, second, new, proof) for size in range(1, second) if size != first]
        for place, each in enumerate(proof):
            wrong.append((first, old, second, new, proof[:place] + proof[place + 1 :]))
            for changed in (bytes([each[0] ^ 1]) + each[1:], each[:31], b""):
                wrong.append((first, old, second, new, [*proof[:place], changed, *proof[place + 1 :]]))
        for case in wrong:
            with pytest.raises(Refused) as refused:
                verify_consistency(*case)
            assert (refused.value.reason, refused.value.position) == ("forked", 0)


def test_a_proof_longer_or_shorter_than_its_place_leads_to_no_root() -> None:
    for index, size, length in ((0, 1, 1), (0, 2, 0), (0, 2, 2), (4, 5, 2), (3, 5, 2), (3, 5, 4)):
        with pytest.raises(Refused, match="proof is too"):
            root_from_inclusion(NUMBERED.leaves[index], index, size, [EMPTY_ROOT] * length)


def test_a_tree_is_consistent_with_the_empty_one_by_no_proof_at_all() -> None:
    root = NUMBERED.defined(0, 7)
    verify_consistency(0, EMPTY_ROOT, 7, root, [])
    verify_consistency(0, EMPTY_ROOT, 0, EMPTY_ROOT, [])
    for case in ((0, root, 7, root, []), (0, EMPTY_ROOT, 7, root, [root]), (0, EMPTY_ROOT, 0, root, [])):
        with pytest.raises(Refused, match="no beginning"):
            verify_consistency(*case)


def test_a_smaller_tree_is_cut_off() -> None:
    roots = NUMBERED.defined(0, 5), NUMBERED.defined(0, 7)
    with pytest.raises(Refused) as refused:
        verify_consistency(7, roots[1], 5, roots[0], tree.consistency_proof(NUMBERED, 5, 7))
    assert (refused.value.reason, refused.value.position) == ("cut-off", 5)


# --- another implementation -----------------------------------------------------------------------------
@pytest.fixture(scope="module")
def other() -> pymerkle.InmemoryTree:
    """Numbered entries in pymerkle's tree, with the prefixes of RFC 9162 (`security`, its default)."""
    made = pymerkle.InmemoryTree(algorithm="sha256", disable_security=False)
    made.append_entries([f"entry {number}".encode() for number in range(COUNT)])
    return made


def test_the_other_implementation_hashes_alike(other: pymerkle.InmemoryTree) -> None:
    hasher = MerkleHasher("sha256", security=True)
    assert hasher.hash_buff(b"entry 0") == NUMBERED.leaves[0] == other.get_leaf(1)
    assert hasher.hash_empty() == EMPTY_ROOT


def test_the_other_implementation_gives_the_same_roots(other: pymerkle.InmemoryTree) -> None:
    for size in range(1, COUNT + 1):
        assert other.get_root(size) == tree.root(NUMBERED, size)


@pytest.mark.parametrize("size", [1, 2, 3, 6, 7, 8, 31, 64, 100, 255, 256, 257, 300])
def test_inclusion_proofs_of_the_other_implementation_verify_here(
    other: pymerkle.InmemoryTree, size: int
) -> None:
    for index in range(size):
        path = other.prove_inclusion(index + 1, size).path
        assert path[0] == NUMBERED.leaves[index]  # its paths begin with the leaf
        assert path[1:] == tree.inclusion_proof(NUMBERED, index, size)
        assert root_from_inclusion(path[0], index, size, path[1:]) == other.get_root(size)


@pytest.mark.parametrize("second", [1, 2, 3, 6, 7, 8, 31, 64, 100, 255, 256, 257, 300])
def test_consistency_is_found_alike_by_the_other_implementation(
    other: pymerkle.InmemoryTree, second: int
) -> None:
    """Its proofs have another form: each side's proof is verified against the other side's roots."""
    for first in range(1, second + 1):
        proof = tree.consistency_proof(NUMBERED, first, second)
        verify_consistency(first, other.get_root(first), second, other.get_root(second), proof)
        other.prove_consistency(first, second).verify(
            tree.root(NUMBERED, first),
            tree.root(NUMBERED, second),
            prior_size=first,
            later_size=second,
            algorithm="sha256",
        )
