"""Files made by someone who means harm: what the verifier must not let pass, and must not stumble over."""

from __future__ import annotations

import hashlib
import json
import random
import zipfile
from collections.abc import Sequence
from pathlib import Path

import pytest

from service.ledger import exports
from service.ledger.notes import signed_note
from service.ledger.receipts import receipt
from service.ledger.verifier import (
    Frontier,
    Refused,
    VerifierKey,
    open_checkpoint,
    open_note,
    parse_note,
    root_from_inclusion,
    verify_backup,
    verify_consistency,
    verify_export,
    verify_receipt,
)
from tests.unit.ledger.sample_log import KEY, ORIGIN, SALT, Log, leaf, root_of, signer

WORDS = "not released; do not turn"


def sealed(
    log: Log, rows: Sequence[bytes], lines: Sequence[bytes], start: int = 0, **wanted: object
) -> list[bytes]:
    """An export of these rows under a seal that the log's own key made."""
    text = exports.seal_text(
        origin=ORIGIN,
        size=len(log.bodies),
        start=start,
        count=len(rows),
        root=root_of(rows),
        filter=json.dumps(wanted, separators=(",", ":"), sort_keys=True),
    )
    return [*lines, exports.trailer_line(log.note(), signed_note(text, ORIGIN, [signer()]))]


def whole(log: Log) -> list[bytes]:
    return sealed(log, log.bodies, [body + b"\n" for body in log.bodies])


@pytest.fixture
def log() -> Log:
    return Log(["plant", "hanger/H1", "line/A", "hanger/H1", "hanger/H2", "hanger/H1", "plant"])


# --- words ---------------------------------------------------------------------------------------------
def test_words_cannot_be_shortened_by_moving_their_beginning_into_the_salt() -> None:
    """The digest is over salt and words in one: with a longer salt `not released` would read `released`."""
    log = Log(["plant"])
    log.add("hanger/H1", text=WORDS)
    body = [each + b"\n" for each in log.bodies]
    honest = exports.text_line(1, "note", SALT, WORDS.encode())
    assert verify_export(sealed(log, log.bodies, [*body, honest]), [KEY]).texts == 1
    for moved in range(1, 8):
        salt, rest = SALT + WORDS.encode()[:moved], WORDS.encode()[moved:]
        assert hashlib.sha256(salt + rest).digest() == hashlib.sha256(SALT + WORDS.encode()).digest()
        with pytest.raises(Refused) as refused:
            verify_export(sealed(log, log.bodies, [*body, exports.text_line(1, "note", salt, rest)]), [KEY])
        assert (refused.value.reason, refused.value.position) == ("text", 1)


def test_words_cannot_be_lengthened_by_the_end_of_the_salt() -> None:
    log = Log(["plant"])
    log.add("hanger/H1", text="x")
    words = bytes([65]) + b"x"
    salt = SALT[:31]
    digest = hashlib.sha256(salt + words).hexdigest()
    log = Log(["plant"])
    log.add("hanger/H1", data={"note": {"sha256": digest}})
    lines = [each + b"\n" for each in log.bodies]
    with pytest.raises(Refused):
        verify_export(sealed(log, log.bodies, [*lines, exports.text_line(1, "note", salt, words)]), [KEY])


# --- seals ---------------------------------------------------------------------------------------------
@pytest.mark.parametrize(("start", "end"), [(0, 5), (2, 5), (2, 7), (6, 6)])
def test_a_sealed_range_holds_every_event_of_it(log: Log, start: int, end: int) -> None:
    """A service that lost rows may have sealed what it still had: `none left out` would not be true."""
    rows = log.bodies[start:end]
    wanted = {} if end == 7 else {"to": end}
    lines = sealed(log, rows, [each + b"\n" for each in rows], start, **wanted)
    assert verify_export(lines, [KEY]).seal.count == end - start
    for kept in (rows[:-1], rows[:-2]):
        if len(kept) < len(rows):
            lines = sealed(log, kept, [each + b"\n" for each in kept], start, **wanted)
            with pytest.raises(Refused) as refused:
                verify_export(lines, [KEY])
            assert refused.value.position == start + len(kept)


def test_an_event_that_states_a_place_before_the_first_is_refused() -> None:
    log = Log(["plant"])
    log.add("hanger/H1", sequence=-1)
    log.add("hanger/H1")
    with pytest.raises(Refused) as refused:
        verify_export(whole(log), [KEY])
    assert refused.value.position == 1


def test_a_seal_is_no_checkpoint_and_a_checkpoint_no_seal(log: Log) -> None:
    trailer = json.loads(whole(log)[-1])["trailer"]
    with pytest.raises(Refused):
        open_checkpoint(trailer["seal"].encode(), [KEY])
    swapped = {"trailer": {**trailer, "checkpoint": trailer["seal"], "seal": trailer["checkpoint"]}}
    with pytest.raises(Refused):
        verify_export([*whole(log)[:-1], json.dumps(swapped).encode()], [KEY])


# --- whatever comes ------------------------------------------------------------------------------------
def proof(log: Log, index: int) -> list[bytes]:
    """PATH of RFC 9162, 2.1.3.1, from its definition."""

    def path(leaves: list[bytes], at: int) -> list[bytes]:
        if len(leaves) == 1:
            return []
        half = 1
        while 2 * half < len(leaves):
            half *= 2
        if at < half:
            return [*path(leaves[:half], at), tree(leaves[half:])]
        return [*path(leaves[half:], at - half), tree(leaves[:half])]

    return path([leaf(body) for body in log.bodies], index)


def tree(leaves: list[bytes]) -> bytes:
    frontier = Frontier()
    for each in leaves:
        frontier.append(each)
    return frontier.root()


def spoilt(data: bytes, chance: random.Random) -> bytes:
    """The bytes with one thing changed: a byte, a piece left out, doubled, moved, or something odd put in."""
    at, to = sorted(chance.randrange(len(data) + 1) for _ in range(2))
    kind = chance.randrange(6)
    if kind == 0:
        return data[:at] + bytes([chance.randrange(256)]) + data[at + 1 :]
    if kind == 1:
        return data[:at] + data[min(to, at + 40) :]
    if kind == 2:
        return data[:to] + data[at:to][:60] + data[to:]
    if kind == 3:
        return data[:at]
    odd = [b"\n", b"\n\n", b"\x00", b"+", "—".encode(), b"\xff", b"9" * 30, b"-1", b"1e400", b"NaN", b"="]
    odd += [b"[" * 3_000, b'{"trailer":{}}\n', b"\\ud800", "\u2028".encode(), b"null", b"9" * 5_000]
    return data[:at] + chance.choice(odd) + data[at if kind == 4 else to :]


def test_whatever_is_changed_in_an_export_it_is_refused_or_says_the_same() -> None:
    log = Log(["plant"])
    log.add("hanger/H1", text=WORDS)
    log.add("hanger/H1", document=b'{"a":1}')
    for _ in range(6):
        log.add("hanger/H1", data={"load": 12.5, "words": "ä\u2028", "big": 1e21})
    document = exports.document_line(hashlib.sha256(b'{"a":1}').hexdigest(), "application/json", b'{"a":1}')
    rows = [each + b"\n" for each in log.bodies]
    lines = [*rows[:2], exports.text_line(1, "note", SALT, WORDS.encode()), rows[2], document, *rows[3:]]
    tally = exports.RowTally()
    for body in log.bodies:
        tally.append(leaf(body))
    plain = sealed(log, log.bodies, lines)
    trailer = json.loads(plain[-1])["trailer"]
    grouped = exports.trailer_line(trailer["checkpoint"].encode(), trailer["seal"].encode(), tally)
    data = b"".join([*plain[:-1], grouped])
    assert verify_export(data.splitlines(keepends=True), [KEY]).in_tree
    chance = random.Random(11)
    passed = 0
    for _ in range(4_000):
        changed = spoilt(data, chance)
        try:
            summary = verify_export(changed.splitlines(keepends=True), [KEY], log.checkpoint(4))
        except Refused as refused:
            assert refused.position is None or 0 <= refused.position <= len(log.bodies) + 1
            continue
        passed += 1
        given = [line for line in changed.split(b"\n") if line.startswith(b'{"actor"')]
        assert given == log.bodies, "changed events passed"
        assert summary.texts <= 1
        if summary.texts:
            assert json.dumps(WORDS).encode() in changed
    assert passed < 400


def test_whatever_is_changed_in_a_receipt_it_is_refused_or_says_the_same(log: Log) -> None:
    data = receipt(log.bodies[3], 3, proof(log, 3), log.note())
    assert verify_receipt(data, [KEY])[0] == log.bodies[3]
    chance = random.Random(12)
    for _ in range(4_000):
        try:
            body, checkpoint = verify_receipt(spoilt(data, chance), [KEY])
        except Refused:
            continue
        assert (body, checkpoint) == (log.bodies[3], log.checkpoint())


def test_whatever_is_changed_in_a_note_it_is_refused_or_says_the_same(log: Log) -> None:
    data = log.note(by=[signer(1), signer(2)])
    keys = [KEY, signer(2).verifier_key(ORIGIN)]
    chance = random.Random(13)
    for _ in range(4_000):
        changed = spoilt(data, chance)
        try:
            found = open_checkpoint(changed, keys)
        except Refused:
            continue
        assert found == log.checkpoint()
        assert open_note(changed, keys).text == parse_note(data).text


@pytest.mark.parametrize("size", [1, 2, 3, 5, 7])
def test_no_other_place_goes_with_a_proof(size: int) -> None:
    """What the size is, the signed checkpoint says together with the root."""
    log = Log(["plant"] * size)
    root = root_of(log.bodies)
    leaves = [leaf(body) for body in log.bodies]
    for index in range(size):
        path = proof(log, index)
        for place in range(size + 3):
            try:
                found = root_from_inclusion(leaves[index], place, size, path)
            except Refused:
                continue
            assert (found == root) == (place == index), (index, place)


def test_hashes_of_other_lengths_are_refused_by_the_proofs() -> None:
    log = Log(["plant"] * 5)
    root, path = root_of(log.bodies), proof(log, 2)
    for wrong in (b"", b"\x00" * 31, b"\x00" * 33):
        with pytest.raises(Refused):
            root_from_inclusion(wrong, 2, 5, path)
        with pytest.raises(Refused):
            verify_consistency(3, wrong, 5, root, [wrong, *path])
        with pytest.raises(Refused):
            verify_consistency(4, wrong, 5, root, [leaf(log.bodies[4])])


def test_a_key_counts_under_its_own_name_alone(log: Log) -> None:
    other = VerifierKey(f"{ORIGIN}/2", KEY.public_key)
    with pytest.raises(Refused):
        open_checkpoint(log.note(), [other])
    note = signed_note(f"{ORIGIN}/2\n{len(log.bodies)}\n", ORIGIN, [signer()])
    with pytest.raises(Refused):
        open_checkpoint(note, [KEY])


@pytest.mark.parametrize(
    "method", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA]
)
def test_a_backup_is_refused_and_never_stumbled_over_however_it_is_damaged(
    tmp_path: Path, method: int
) -> None:
    file = tmp_path / "backup.zip"
    with zipfile.ZipFile(file, "w", compression=method) as archive:
        archive.writestr("manifest.json", b"{}" * 400)
        archive.writestr("manifest.note", b"x\n" * 300)
    data = file.read_bytes()
    chance = random.Random(14)
    for _ in range(400):
        changed = bytearray(data)
        for _ in range(chance.randrange(1, 6)):
            changed[chance.randrange(len(data))] = chance.randrange(256)
        file.write_bytes(changed[: chance.choice((len(data), len(data), chance.randrange(len(data))))])
        with pytest.raises(Refused):
            verify_backup(file, [KEY])
