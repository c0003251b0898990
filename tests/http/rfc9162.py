"""The tree of RFC 9162 and signed notes once more, written from their texts for the tests alone.

Recursive and slow, as section 2.1 defines the hashes; nothing of the service is used.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey


def leaf(body: bytes) -> bytes:
    return hashlib.sha256(b"\x00" + body).digest()


def node(left: bytes, right: bytes) -> bytes:
    return hashlib.sha256(b"\x01" + left + right).digest()


def below(size: int) -> int:
    """The largest power of two smaller than `size`."""
    power = 1
    while power * 2 < size:
        power *= 2
    return power


def mth(leaves: Sequence[bytes]) -> bytes:
    """Merkle Tree Hash over leaf hashes, 2.1.1."""
    if not leaves:
        return hashlib.sha256(b"").digest()
    if len(leaves) == 1:
        return leaves[0]
    k = below(len(leaves))
    return node(mth(leaves[:k]), mth(leaves[k:]))


def root_of_inclusion(hash_: bytes, index: int, size: int, proof: list[bytes]) -> bytes:
    """The root to which a proof leads, by the recursion of 2.1.3.1 read backwards."""
    if size == 1:
        assert not proof
        return hash_
    k, last = below(size), proof[-1]
    if index < k:
        return node(root_of_inclusion(hash_, index, k, proof[:-1]), last)
    return node(last, root_of_inclusion(hash_, index - k, size - k, proof[:-1]))


def roots_of_consistency(
    first: int, second: int, proof: list[bytes], old_root: bytes, whole: bool = True
) -> tuple[bytes, bytes]:
    """The two roots to which a proof leads, by the recursion of 2.1.4.1 read backwards."""
    if first == second:
        if whole:
            assert not proof
            return old_root, old_root
        (only,) = proof
        return only, only
    k, last = below(second), proof[-1]
    if first <= k:
        old, new = roots_of_consistency(first, k, proof[:-1], old_root, whole)
        return old, node(new, last)
    old, new = roots_of_consistency(first - k, second - k, proof[:-1], old_root, False)
    return node(last, old), node(last, new)


def tile(leaves: Sequence[bytes], level: int, index: int, width: int) -> bytes:
    """A tile's bytes by the formula of C2SP tlog-tiles: MTH(D[(n*256+i)*256**l : (n*256+i+1)*256**l])."""
    span = 256**level
    return b"".join(
        mth(leaves[(index * 256 + i) * span : (index * 256 + i + 1) * span]) for i in range(width)
    )


def opened(note: bytes, vkey: str) -> str:
    """The text of a note whose signature by this verifier key is right (C2SP signed-note)."""
    name, key_id, material = vkey.split("+", 2)
    key = base64.b64decode(material)
    assert key[0] == 1
    assert hashlib.sha256(name.encode() + b"\n" + key).digest()[:4].hex() == key_id
    text, _, lines = note.decode("utf-8").rpartition("\n\n")
    text += "\n"
    found = 0
    for line in lines.removesuffix("\n").split("\n"):
        dash, by, encoded = line.split(" ")
        assert dash == "\u2014"
        signature = base64.b64decode(encoded)
        if by == name and signature[:4].hex() == key_id:
            Ed25519PublicKey.from_public_bytes(key[1:]).verify(signature[4:], text.encode("utf-8"))
            found += 1
    assert found == 1
    return text


def checkpoint(note: bytes, vkey: str) -> tuple[str, int, bytes]:
    """Origin, size and root of a signed checkpoint (C2SP tlog-checkpoint)."""
    origin, size, root, *rest = opened(note, vkey).split("\n")
    assert rest == [""]
    assert vkey.startswith(f"{origin}+")
    return origin, int(size), base64.b64decode(root)
