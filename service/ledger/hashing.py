"""Hashes of the log: leaf and node as the verifier has them, and the digests of what lies beside the log."""

from __future__ import annotations

import hashlib

from service.ledger.verifier import (
    EMPTY_ROOT,
    HASH_BYTES,
    LEAF_PREFIX,
    NODE_PREFIX,
    leaf_hash,
    node_hash,
)

__all__ = [
    "EMPTY_ROOT",
    "HASH_BYTES",
    "LEAF_PREFIX",
    "NODE_PREFIX",
    "document_hash",
    "leaf_hash",
    "node_hash",
    "text_digest",
]


def document_hash(content: bytes) -> str:
    """SHA-256 in hex: the address of a large body beside the log, as its event names it."""
    return hashlib.sha256(content).hexdigest()


def text_digest(salt: bytes, text: bytes) -> str:
    """SHA-256(salt || text) in hex: what the log keeps of words that may be erased later.

    text: the words in UTF-8. salt: 32 random bytes; erased with the words, or short ones could be
    guessed from their digest.
    """
    return hashlib.sha256(salt + text).hexdigest()
