"""Hashes, roots and signed notes, worked out apart from the service, which is what is judged.

Sources: RFC 9162, section 2.1 (tree), RFC 8785 (canonical JSON), C2SP signed-note and
tlog-checkpoint (notes). Written for clarity, not for speed.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import rfc8785
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

ED25519 = 0x01
DASH = "\N{EM DASH} "
TILE = 256


def canonical(document: Any) -> bytes:
    """The canonical bytes of a JSON document."""
    return rfc8785.dumps(document)


def leaf(body: bytes) -> bytes:
    """Hash of one entry."""
    return hashlib.sha256(b"\x00" + body).digest()


def node(left: bytes, right: bytes) -> bytes:
    """Hash over two subtrees."""
    return hashlib.sha256(b"\x01" + left + right).digest()


def root(leaves: Sequence[bytes]) -> bytes:
    """Root of the tree over these leaf hashes, by the definition itself."""
    if not leaves:
        return hashlib.sha256(b"").digest()
    if len(leaves) == 1:
        return leaves[0]
    split = 1 << (len(leaves) - 1).bit_length() - 1
    return node(root(leaves[:split]), root(leaves[split:]))


def roots(leaves: Iterable[bytes]) -> list[bytes]:
    """Roots of the trees over the first 0, 1, 2, ... of these leaf hashes, in one pass."""
    found = [hashlib.sha256(b"").digest()]
    edge: list[tuple[int, bytes]] = []  # subtrees from left to right: leaves in each, hash
    for hashed in leaves:
        edge.append((1, hashed))
        while len(edge) > 1 and edge[-2][0] == edge[-1][0]:
            (size, left), (_, right) = edge[-2:]
            edge[-2:] = [(2 * size, node(left, right))]
        whole = edge[-1][1]
        for _, left in reversed(edge[:-1]):
            whole = node(left, whole)
        found.append(whole)
    return found


@dataclass(frozen=True)
class Checkpoint:
    """What a signed checkpoint states."""

    origin: str
    size: int
    root: bytes


class BadNote(Exception):
    """A note that states nothing, or that no known key has signed."""


def opened(note: str, keys: Sequence[str]) -> list[str]:
    """The lines of a signed note's text, once a known key was found to have signed it.

    keys: verifier keys, `NAME+ID+BASE64`. Raises BadNote.
    """
    text, separator, block = note.rpartition("\n\n")
    if not separator or not block.endswith("\n"):
        raise BadNote("the note has no signatures")
    text += "\n"
    good = 0
    for line in block.splitlines():
        name, _, encoded = line.removeprefix(DASH).partition(" ")
        if not line.startswith(DASH) or not encoded:
            raise BadNote(f"no signature line: {line!r}")
        signature = base64.b64decode(encoded, validate=True)
        for key in keys:
            known, identifier, public = _key(key)
            if known != name or signature[:4] != identifier:
                continue
            try:
                public.verify(signature[4:], text.encode("utf-8"))
            except InvalidSignature:
                raise BadNote("a known key's signature does not verify") from None
            good += 1
    if not good:
        raise BadNote("no known key has signed the note")
    return text.splitlines()


def checkpoint(note: str, keys: Sequence[str]) -> Checkpoint:
    """The checkpoint that a note states. Raises BadNote."""
    lines = opened(note, keys)
    if len(lines) < 3:
        raise BadNote("the text is no checkpoint")
    return Checkpoint(lines[0], int(lines[1]), base64.b64decode(lines[2], validate=True))


def _key(key: str) -> tuple[str, bytes, Ed25519PublicKey]:
    name, identifier, encoded = key.split("+", 2)
    material = base64.b64decode(encoded, validate=True)
    expected = hashlib.sha256(name.encode() + b"\n" + material).digest()[:4]
    if material[0] != ED25519 or expected.hex() != identifier:
        raise BadNote(f"the key {name} is not what its id says")
    return name, expected, Ed25519PublicKey.from_public_bytes(material[1:])


def renamed(key: str, name: str) -> str:
    """The same public key as a verifier key of another name."""
    encoded = key.split("+", 2)[2]
    material = base64.b64decode(encoded, validate=True)
    identifier = hashlib.sha256(name.encode() + b"\n" + material).digest()[:4]
    return f"{name}+{identifier.hex()}+{encoded}"


def parsed(body: bytes) -> Any:
    """The document that stored bytes state."""
    return json.loads(body)
