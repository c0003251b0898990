"""Notes are signed and opened as C2SP signed-note says, and every other form is refused."""

from __future__ import annotations

import base64

import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec, ed25519
from hypothesis import given
from hypothesis import strategies as st

from service.ledger.notes import Signer, checkpoint_text, load_signers, new_private_key_pem, signed_note
from service.ledger.verifier import (
    EMPTY_ROOT,
    Checkpoint,
    Refused,
    VerifierKey,
    note_text_fault,
    open_checkpoint,
    open_note,
    parse_checkpoint,
    parse_note,
)

NAME = "hangers.example/log"
TEXT = "first line\n\nthird line\n"


def signer(seed: int = 1) -> Signer:
    return load_signers(new_private_key_pem(bytes([seed]) * 32))[0]


KEY = signer().verifier_key(NAME)


def reason_of(data: bytes, *keys: VerifierKey) -> str:
    with pytest.raises(Refused) as refused:
        open_note(data, keys)
    assert refused.value.position is None
    return refused.value.reason


# --- keys ----------------------------------------------------------------------------------------
def test_a_key_file_may_hold_several_keys_in_order() -> None:
    pem = new_private_key_pem(bytes(32)) + b"\n# between\n" + new_private_key_pem(b"1" * 32)
    assert [each.public_key for each in load_signers(pem)] == [
        each.public_key for seed in (bytes(32), b"1" * 32) for each in load_signers(new_private_key_pem(seed))
    ]
    assert len(load_signers(new_private_key_pem(bytes(32)).replace(b"\n", b"\r\n"))) == 1


def other_keys() -> dict[str, bytes]:
    pem, pkcs8 = serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8
    key = ed25519.Ed25519PrivateKey.from_private_bytes(bytes(32))
    good = new_private_key_pem(bytes(32))
    return {
        "empty": b"",
        "no key": b"nothing here\n",
        "a curve": ec.generate_private_key(ec.SECP256R1()).private_bytes(
            pem, pkcs8, serialization.NoEncryption()
        ),
        "a password": key.private_bytes(pem, pkcs8, serialization.BestAvailableEncryption(b"secret")),
        "a public key": key.public_key().public_bytes(pem, serialization.PublicFormat.SubjectPublicKeyInfo),
        "a broken block": good.replace(b"MC4", b"MC5"),
        "a good and a broken block": good + good.replace(b"MC4", b"MC5"),
        "one key twice": good + good,
    }


@pytest.mark.parametrize("pem", other_keys().values(), ids=other_keys())
def test_a_key_file_of_another_kind_is_refused_without_repeating_it(pem: bytes) -> None:
    with pytest.raises(ValueError, match="key") as error:
        load_signers(pem)
    assert "MC" not in str(error.value)


def test_a_key_is_made_of_its_seed_alone() -> None:
    assert new_private_key_pem(b"1" * 32) == new_private_key_pem(b"1" * 32)
    for seed in (b"", b"1" * 31, b"1" * 33):
        with pytest.raises(ValueError, match="32 bytes"):
            new_private_key_pem(seed)


def test_a_signer_does_not_show_its_key() -> None:
    assert repr(signer()) == f"Signer({signer().public_key.hex()})"


def test_a_verifier_key_is_read_as_it_is_written() -> None:
    assert VerifierKey.parse(signer().vkey(NAME)) == KEY
    assert signer().key_id(NAME) == KEY.key_id != signer().key_id("other")
    assert KEY.under("other") == signer().verifier_key("other")


@pytest.mark.parametrize(
    "vkey",
    [
        "",
        NAME,
        f"{NAME}+00000000+{str(KEY).split('+', 2)[2]}",
        str(KEY).replace(NAME, "hangers.example/logs"),
        str(KEY) + "=",
        str(KEY)[:-4],
        str(KEY).replace(KEY.key_id.hex(), KEY.key_id.hex().upper() + "0"),
        str(VerifierKey("", KEY.public_key)),
        str(VerifierKey("two words", KEY.public_key)),
        str(VerifierKey(NAME, KEY.public_key + b"x")),
        str(VerifierKey(NAME, b"")),
        f"{NAME}+{KEY.key_id.hex()}+{base64.b64encode(bytes([2]) + KEY.public_key).decode()}",
        f"{NAME}+{KEY.key_id.hex()}+é",
    ],
)
def test_a_verifier_key_of_another_form_is_refused(vkey: str) -> None:
    with pytest.raises(Refused) as refused:
        VerifierKey.parse(vkey)
    assert refused.value.reason == "malformed"


# --- notes ----------------------------------------------------------------------------------------
@given(st.lists(st.text(st.characters(min_codepoint=32, exclude_categories=("Cs",))), min_size=1))
def test_any_text_of_lines_is_signed_and_opened(lines: list[str]) -> None:
    text = "\n".join(lines) + "\n"
    note = open_note(signed_note(text, NAME, [signer()]), [KEY])
    assert note.text == text
    assert [signature.name for signature in note.signatures] == [NAME]


def test_every_signer_signs_and_each_known_key_verifies() -> None:
    data = signed_note(TEXT, NAME, [signer(1), signer(2)])
    assert len(parse_note(data).signatures) == 2
    assert len(open_note(data, [KEY]).signatures) == 1
    assert len(open_note(data, [KEY, signer(2).verifier_key(NAME)]).signatures) == 2
    assert len(open_note(data, [signer(3).verifier_key(NAME), KEY]).signatures) == 1


def test_a_note_that_no_known_key_signed_is_refused() -> None:
    data = signed_note(TEXT, NAME, [signer()])
    assert reason_of(data) == "wrong-key"
    assert reason_of(data, signer(2).verifier_key(NAME)) == "wrong-key"
    assert reason_of(data, KEY.under("hangers.example/other")) == "wrong-key"


def test_a_signature_of_a_known_key_that_fails_spoils_the_note() -> None:
    data = signed_note(TEXT, NAME, [signer(1), signer(2)])
    changed = data.replace(b"first", b"First")
    assert reason_of(changed, KEY) == "signature"
    good, bad = data.splitlines(keepends=True), changed.splitlines(keepends=True)
    assert good[:-2] != bad[:-2]
    forged = signed_note("other\n", NAME, [signer(2)]).splitlines(keepends=True)[-1]
    mixed = b"".join([*good[:-1], forged])
    assert reason_of(mixed, KEY, signer(2).verifier_key(NAME)) == "signature"
    assert len(open_note(mixed, [KEY]).signatures) == 1  # to who does not know it, it is nobody's


def test_a_signature_of_another_length_is_refused() -> None:
    data = signed_note(TEXT, NAME, [signer()])
    encoded = data.split(b" ")[-1].strip()
    raw = base64.b64decode(encoded)
    for length in (5, 67, 69):
        changed = base64.b64encode((raw + b"x")[:length])
        assert reason_of(data.replace(encoded, changed), KEY) == "signature"


def test_a_line_given_twice_counts_once() -> None:
    data = signed_note(TEXT, NAME, [signer()])
    line = data.splitlines(keepends=True)[-1]
    assert len(open_note(data + line, [KEY]).signatures) == 1
    assert len(parse_note(data + line).signatures) == 2


LINE = signed_note(TEXT, NAME, [signer()]).splitlines(keepends=True)[-1]


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"text\n",
        b"text\n\n",
        b"text\n\n" + LINE[:-1],
        b"text\n" + LINE,
        b"text\n\n\n" + LINE.replace("—".encode(), b"-"),
        b"text\n\n" + LINE + b"\n",
        b"text\n\n" + LINE + b"more\n",
        b"te\x00xt\n\n" + LINE,
        b"te\rxt\n\n" + LINE,
        b"te\txt\n\n" + LINE,
        b"te\xffxt\n\n" + LINE,
        b"te\xed\xa0\x80xt\n\n" + LINE,
        b"text\n\n" + LINE.replace(b"\n", b"\r\n"),
        b"text\n\n" + LINE.replace(b"hangers", b"han+gers"),
        b"text\n\n" + LINE.replace(b"hangers", "han\u00a0gers".encode()),
        b"text\n\n" + LINE.replace(b"hangers.example/log", b""),
        b"text\n\n" + LINE.replace(b"=\n", b"\n"),
        b"text\n\n" + LINE.replace(b"\n", b"=\n"),
        b"text\n\n" + "— name AAAAAA==\n".encode(),
        b"text\n\n" + "— name AAAAAAB=\n".encode(),
        b"text\n\n" + "— name\n".encode(),
        b"text\n\n" + LINE * 65,
        b"x" * 1_000_000 + b"\n\n" + LINE,
    ],
    ids=range(24),
)
def test_a_note_of_another_form_is_refused(data: bytes) -> None:
    with pytest.raises(Refused) as refused:
        parse_note(data)
    assert refused.value.reason == "malformed"


def test_sixteen_signatures_are_accepted() -> None:
    data = signed_note(TEXT, NAME, [signer(seed) for seed in range(1, 17)])
    assert len(open_note(data, [KEY]).signatures) == 1


def test_the_text_ends_at_the_last_empty_line() -> None:
    assert parse_note(signed_note("a\n\n— b\n", NAME, [signer()])).text == "a\n\n— b\n"


@pytest.mark.parametrize("text", ["", "no newline", "tab\there\n", "nul\0\n", "escape\x1b\n"])
def test_a_text_that_no_note_may_have_is_not_signed(text: str) -> None:
    assert note_text_fault(text) is not None
    with pytest.raises(ValueError, match="note"):
        signer().sign(text, NAME)


def test_a_note_without_a_signer_is_not_made() -> None:
    with pytest.raises(ValueError, match="one key"):
        signed_note(TEXT, NAME, [])


@pytest.mark.parametrize("name", ["", "two words", "a+b", "a\u2003b", "a\nb"])
def test_a_name_that_no_key_may_have_is_not_signed_under(name: str) -> None:
    with pytest.raises(ValueError, match="name"):
        signer().sign(TEXT, name)


# --- checkpoints --------------------------------------------------------------------------------------
def test_a_checkpoint_is_signed_and_opened() -> None:
    text = checkpoint_text(NAME, 42, b"r" * 32)
    assert text == f"{NAME}\n42\n{base64.b64encode(b'r' * 32).decode()}\n"
    assert open_checkpoint(signed_note(text, NAME, [signer()]), [KEY]) == Checkpoint(NAME, 42, b"r" * 32)
    empty = checkpoint_text(NAME, 0, EMPTY_ROOT)
    assert parse_checkpoint(empty) == Checkpoint(NAME, 0, EMPTY_ROOT)


def test_lines_behind_the_root_are_kept_as_they_are() -> None:
    text = checkpoint_text(NAME, 1, b"r" * 32) + "more\nand more\n"
    assert parse_checkpoint(text).extensions == ("more", "and more")


def test_a_checkpoint_signed_under_another_name_is_of_another_log() -> None:
    text = checkpoint_text("hangers.example/other", 1, b"r" * 32)
    with pytest.raises(Refused) as refused:
        open_checkpoint(signed_note(text, NAME, [signer()]), [KEY])
    assert refused.value.reason == "other-log"


ROOT = base64.b64encode(b"r" * 32).decode()


@pytest.mark.parametrize(
    "text",
    [
        "",
        "\n",
        f"{NAME}\n1\n",
        f"{NAME}\n1\n{ROOT}",
        f"\n1\n{ROOT}\n",
        f"{NAME}\n\n{ROOT}\n",
        f"{NAME}\n1\n{ROOT}\n\n",
        f"{NAME}\n1\n{ROOT}\n\nmore\n",
        f"{NAME}\n01\n{ROOT}\n",
        f"{NAME}\n+1\n{ROOT}\n",
        f"{NAME}\n-1\n{ROOT}\n",
        f"{NAME}\n1 \n{ROOT}\n",
        f"{NAME}\n\N{ARABIC-INDIC DIGIT ONE}\n{ROOT}\n",
        f"{NAME}\n{2**63}\n{ROOT}\n",
        f"{NAME}\n1\n{ROOT[:-4]}\n",
        f"{NAME}\n1\n{ROOT[:-1]}\n",
        f"{NAME}\n1\n{ROOT} \n",
        f"{NAME}\n0\n{ROOT}\n",
    ],
)
def test_a_checkpoint_of_another_form_is_refused(text: str) -> None:
    with pytest.raises(Refused) as refused:
        parse_checkpoint(text)
    assert refused.value.reason == "malformed"


@pytest.mark.parametrize(
    ("origin", "size", "root"),
    [("", 1, b"r" * 32), ("a\nb", 1, b"r" * 32), (NAME, -1, b"r" * 32), (NAME, 1, b"r" * 31)],
)
def test_a_checkpoint_of_nothing_is_not_made(origin: str, size: int, root: bytes) -> None:
    with pytest.raises(ValueError, match="checkpoint"):
        checkpoint_text(origin, size, root)
