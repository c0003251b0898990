"""Hashes of the log's tree: leaf and node, told apart by their first byte (RFC 9162, section 2.1.1)."""

from __future__ import annotations

import hashlib
from typing import Final

LEAF_PREFIX: Final = b"\x00"
NODE_PREFIX: Final = b"\x01"
HASH_BYTES: Final = 32
EMPTY_ROOT: Final = hashlib.sha256(b"").digest()
"""Root of a tree without leaves: SHA-256 of nothing (RFC 9162, section 2.1.1)."""


def leaf_hash(body: bytes) -> bytes:
    """SHA-256(0x00 || body), 32 bytes: the hash of one entry. Source: RFC 9162, section 2.1.1."""
    return hashlib.sha256(LEAF_PREFIX + body).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """SHA-256(0x01 || left || right), 32 bytes: the hash over two subtrees.

    Source: RFC 9162, section 2.1.1.

    Raises:
        ValueError: a side is not 32 bytes long, so that it is no hash of this tree.
    """
    if len(left) != HASH_BYTES or len(right) != HASH_BYTES:
        raise ValueError("a node joins two hashes of 32 bytes")
    return hashlib.sha256(NODE_PREFIX + left + right).digest()


def document_hash(content: bytes) -> str:
    """SHA-256 in hex: the address of a large body beside the log, as its event names it."""
    return hashlib.sha256(content).hexdigest()


def text_digest(salt: bytes, text: bytes) -> str:
    """SHA-256(salt || text) in hex: what the log keeps of words that may be erased later.

    text: the words in UTF-8. salt: 32 random bytes; erased with the words, or short ones could be
    guessed from their digest.
    """
    return hashlib.sha256(salt + text).hexdigest()
