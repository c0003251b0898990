"""Leaf and node hashes against published values."""

from __future__ import annotations

import hashlib

import pytest

from service.ledger.hashing import EMPTY_ROOT, document_hash, leaf_hash, node_hash, text_digest

# Published with the reference implementations of RFC 6962 and in its successor's test data.
EMPTY = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
EMPTY_LEAF = "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d"


def test_the_empty_tree_has_the_hash_of_nothing() -> None:
    assert EMPTY_ROOT.hex() == EMPTY


def test_the_empty_leaf_has_its_published_hash() -> None:
    assert leaf_hash(b"").hex() == EMPTY_LEAF


def test_leaf_and_node_are_told_apart_by_their_first_byte() -> None:
    left, right = leaf_hash(b"left"), leaf_hash(b"right")
    assert leaf_hash(b"left") == hashlib.sha256(b"\x00left").digest()
    assert node_hash(left, right) == hashlib.sha256(b"\x01" + left + right).digest()
    assert node_hash(left, right) != node_hash(right, left)
    assert leaf_hash(left + right) != node_hash(left, right)


@pytest.mark.parametrize(
    ("left", "right"), [(b"", b"x" * 32), (b"x" * 32, b"x" * 31), (b"x" * 33, b"x" * 31)]
)
def test_a_side_that_is_no_hash_is_refused(left: bytes, right: bytes) -> None:
    with pytest.raises(ValueError, match="32 bytes"):
        node_hash(left, right)


def test_documents_and_words_have_plain_digests() -> None:
    # SHA-256 of "abc": FIPS 180-2, appendix B.1.
    abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert document_hash(b"abc") == abc
    assert text_digest(b"a", b"bc") == abc
