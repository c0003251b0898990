"""The signing half of signed notes and checkpoints (C2SP signed-note and tlog-checkpoint, Ed25519).

A note is signed under a name; a log's checkpoints are signed under the log's origin. One key may
sign under many names: the name is part of the key's id.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Sequence
from typing import Final

from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from service.ledger.verifier import HASH_BYTES, VerifierKey, is_key_name, note_text_fault

SEED_BYTES: Final = 32

_BLOCK = re.compile(rb"-----BEGIN ([A-Z0-9 ]+)-----\r?\n.*?\r?\n-----END \1-----", re.DOTALL)


class Signer:
    """An Ed25519 private key that signs notes."""

    def __init__(self, private_key: Ed25519PrivateKey) -> None:
        self._private_key = private_key
        self.public_key: Final = private_key.public_key().public_bytes_raw()
        """The public key, 32 bytes (RFC 8032)."""

    def __repr__(self) -> str:
        """Names the public key alone."""
        return f"Signer({self.public_key.hex()})"

    def verifier_key(self, name: str) -> VerifierKey:
        """What verifies notes that this key signs under `name`."""
        return VerifierKey(name, self.public_key)

    def vkey(self, name: str) -> str:
        """The verifier key as text: NAME+ID+KEY (C2SP signed-note, "Verifier keys")."""
        return str(self.verifier_key(name))

    def key_id(self, name: str) -> bytes:
        """The key's id under `name`, 4 bytes."""
        return self.verifier_key(name).key_id

    def sign(self, text: str, name: str) -> str:
        """The signature line over a note's text, with its newline.

        text: ends in a newline. name: key name; of a log's checkpoint, its origin.

        Raises:
            ValueError: a text that no note may have, or a name with a space or a plus sign
        """
        fault = note_text_fault(text)
        if fault is not None:
            raise ValueError(fault)
        if not is_key_name(name):
            raise ValueError("a key's name is not empty and holds no space and no plus sign")
        signature = self._private_key.sign(text.encode("utf-8"))
        return f"— {name} {base64.b64encode(self.key_id(name) + signature).decode('ascii')}\n"


def load_signers(pem: bytes) -> tuple[Signer, ...]:
    """The keys of a key file: one or several PKCS #8 blocks in PEM, in the file's order.

    Raises:
        ValueError: no block at all, a block that is no Ed25519 private key without a password, or one
            key twice. The message never repeats what the file holds.
    """
    signers: list[Signer] = []
    for block in _BLOCK.finditer(pem):
        try:
            key = serialization.load_pem_private_key(block[0] + b"\n", password=None)
        except (ValueError, TypeError, UnsupportedAlgorithm):
            raise ValueError("a block is not an unencrypted private key in PKCS #8") from None
        if not isinstance(key, Ed25519PrivateKey):
            raise ValueError("a block holds a key of another kind than Ed25519")
        signers.append(Signer(key))
    if not signers:
        raise ValueError("there is no private key in PEM")
    if len({signer.public_key for signer in signers}) != len(signers):
        raise ValueError("one key stands there twice")
    return tuple(signers)


def new_private_key_pem(seed: bytes) -> bytes:
    """An Ed25519 private key as a PKCS #8 block in PEM. seed: 32 random bytes, used for nothing else.

    Raises:
        ValueError: a seed of another length
    """
    if len(seed) != SEED_BYTES:
        raise ValueError("a key's seed has 32 bytes")
    return Ed25519PrivateKey.from_private_bytes(seed).private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )


def checkpoint_text(origin: str, size: int, root: bytes) -> str:
    """The text of a checkpoint, to be signed under its origin. Source: C2SP tlog-checkpoint, "Note text".

    Args:
        origin: the log's name; size: entries covered; root: of the tree over them, 32 bytes

    Raises:
        ValueError: an empty origin or one over several lines, a negative size, a root that is no hash
    """
    if not origin or "\n" in origin or size < 0 or len(root) != HASH_BYTES:
        raise ValueError("a checkpoint has an origin, a size and a root hash")
    return f"{origin}\n{size}\n{base64.b64encode(root).decode('ascii')}\n"


def signed_note(text: str, name: str, signers: Sequence[Signer]) -> bytes:
    """A note signed by every signer under one name: the text, an empty line, the signature lines.

    Raises:
        ValueError: no signer, or as `Signer.sign`
    """
    if not signers:
        raise ValueError("a note is signed by one key at least")
    lines = "".join(signer.sign(text, name) for signer in signers)
    return f"{text}\n{lines}".encode()
