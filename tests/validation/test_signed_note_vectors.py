"""Signed notes, verifier keys and checkpoints against the examples of the C2SP texts.

Sources: C2SP signed-note ("Verifier keys", "Example"), C2SP tlog-checkpoint, RFC 8032 section 7.1
(test 1: the key pair and signature of an empty message).
"""

from __future__ import annotations

import base64
import hashlib

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from service.ledger.notes import Signer, load_signers, new_private_key_pem, signed_note
from service.ledger.verifier import Refused, VerifierKey, open_note, parse_checkpoint, parse_note

VKEY = "example.com/foo+530d903a+AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k"
NOTE = (
    "This is an example message.\n"
    "\n"
    "— example.com/foo Uw2QOkn8srV1yJGh2VYRlL1Tnagv1YEq6TfXppzi2ONncAlTgK7Ztg1ERYNZXsYjOBH3mFXmRKuwHjG1"
    "Yu72IneyaQM=\n"
)
CHECKPOINT = (
    "example.com/behind-the-sofa\n"
    "20852163\n"
    "CsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n"
    "\n"
    "— example.com/behind-the-sofa Az3grlgtzPICa5OS8npVmf1Myq/5IZniMp+ZJurmRDeOoRDe4URYN7u5/Zhcyv2q1gGzGku"
    "9nTo+zyWE+xeMcTOAYQ8=\n"
)
# RFC 8032, section 7.1, test 1.
SEED = bytes.fromhex("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
PUBLIC_KEY = "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a"


def test_the_published_note_verifies_by_the_published_key() -> None:
    note = open_note(NOTE.encode(), [VerifierKey.parse(VKEY)])
    assert note.text == "This is an example message.\n"
    [signature] = note.signatures
    assert (signature.name, signature.key_id.hex()) == ("example.com/foo", "530d903a")
    assert len(signature.signature) == 64


def test_the_published_key_is_read_and_written_alike() -> None:
    key = VerifierKey.parse(VKEY)
    assert (key.name, key.key_id.hex()) == ("example.com/foo", "530d903a")
    assert str(key) == VKEY


def test_a_key_id_is_the_beginning_of_the_digest_over_name_type_and_key() -> None:
    key = VerifierKey.parse(VKEY)
    material = b"example.com/foo" + b"\x0a" + b"\x01" + key.public_key
    assert key.key_id == hashlib.sha256(material).digest()[:4] == bytes.fromhex("530d903a")


@pytest.mark.parametrize("place", range(len("This is an example message.")))
def test_no_letter_of_the_published_note_may_change(place: int) -> None:
    changed = bytearray(NOTE.encode())
    changed[place] ^= 1
    with pytest.raises(Refused) as refused:
        open_note(bytes(changed), [VerifierKey.parse(VKEY)])
    assert refused.value.reason == "signature"


def test_the_published_checkpoint_is_read() -> None:
    note = parse_note(CHECKPOINT.encode())
    checkpoint = parse_checkpoint(note.text)
    assert (checkpoint.origin, checkpoint.size) == ("example.com/behind-the-sofa", 20852163)
    assert checkpoint.root == base64.b64decode("CsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=")
    assert checkpoint.extensions == ()
    assert [signature.name for signature in note.signatures] == ["example.com/behind-the-sofa"]


def test_a_seed_gives_the_key_pair_of_rfc_8032() -> None:
    [signer] = load_signers(new_private_key_pem(SEED))
    assert signer.public_key.hex() == PUBLIC_KEY


def test_a_note_signed_here_bears_the_signature_that_the_key_alone_makes() -> None:
    signer = Signer(Ed25519PrivateKey.from_private_bytes(SEED))
    text = "This is an example message.\n"
    line = signed_note(text, "example.com/foo", [signer]).decode().splitlines()[-1]
    mark, name, encoded = line.split(" ")
    data = base64.b64decode(encoded)
    material = b"example.com/foo\n\x01" + bytes.fromhex(PUBLIC_KEY)
    assert (mark, name) == ("\N{EM DASH}", "example.com/foo")
    assert data[:4] == hashlib.sha256(material).digest()[:4]
    assert data[4:] == Ed25519PrivateKey.from_private_bytes(SEED).sign(text.encode())
