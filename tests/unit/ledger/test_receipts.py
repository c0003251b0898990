"""A receipt proves one event offline, and nothing but that event."""

from __future__ import annotations

import base64
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.ledger import tree
from service.ledger.notes import checkpoint_text, signed_note
from service.ledger.receipts import receipt
from service.ledger.verifier import Refused, parse_receipt, verify_receipt
from tests.unit.ledger.sample_log import KEY, ORIGIN, Log, key_of, leaf, root_of, signer


class Source:
    """The leaf hashes of a log of fewer than 256 events."""

    def __init__(self, log: Log) -> None:
        self._leaves = [leaf(body) for body in log.bodies]

    def hashes(self, level: int, start: int, end: int) -> list[bytes]:
        assert level == 0
        return self._leaves[start:end]


def receipt_of(log: Log, place: int, size: int | None = None) -> bytes:
    size = len(log.bodies) if size is None else size
    proof = tree.inclusion_proof(Source(log), place, size)
    return receipt(log.bodies[place], place, proof, log.note(size))


def refusal(data: bytes, *keys: Any, **given: Any) -> tuple[str, int | None]:
    with pytest.raises(Refused) as refused:
        verify_receipt(data, keys or (KEY,), **given)
    return refused.value.reason, refused.value.position


@given(st.integers(1, 40), st.data())
def test_a_receipt_gives_the_event_and_what_was_signed(count: int, data: st.DataObject) -> None:
    log = Log(["plant"] * count)
    place = data.draw(st.integers(0, count - 1))
    size = data.draw(st.integers(place + 1, count))
    assert verify_receipt(receipt_of(log, place, size), [KEY]) == (log.bodies[place], log.checkpoint(size))


def test_a_receipt_has_the_form_of_the_standard() -> None:
    log = Log(["plant", "line/A", "hanger/H1"])
    lines = receipt_of(log, 2).split(b"\n")
    assert lines[0] == b"c2sp.org/tlog-proof@v1"
    assert lines[1] == b"extra " + base64.b64encode(log.bodies[2])
    assert lines[2] == b"index 2"
    assert lines[3] == base64.b64encode(root_of(log.bodies[:2]))
    assert lines[4] == b""
    assert b"\n".join(lines[5:]) == log.note()


def test_the_only_event_of_a_log_has_a_receipt_without_hashes() -> None:
    log = Log(["plant"])
    assert b"index 0\n\n" in receipt_of(log, 0)
    assert verify_receipt(receipt_of(log, 0), [KEY])[0] == log.bodies[0]


def test_the_entry_may_come_from_elsewhere() -> None:
    log = Log(["plant", "line/A"])
    lines = receipt_of(log, 1).split(b"\n")
    bare = b"\n".join(line for line in lines if not line.startswith(b"extra"))
    assert parse_receipt(bare).entry is None
    assert verify_receipt(bare, [KEY], log.bodies[1])[0] == log.bodies[1]
    assert refusal(bare) == ("missing", 1)
    assert refusal(bare, entry=log.bodies[0]) == ("altered", 1)
    assert refusal(receipt_of(log, 1), entry=log.bodies[0]) == ("altered", 1)


@given(st.integers(1, 20), st.data())
def test_no_byte_of_a_receipt_may_change(count: int, data: st.DataObject) -> None:
    log = Log(["plant"] * count)
    whole = receipt_of(log, data.draw(st.integers(0, count - 1)))
    bit = data.draw(st.integers(0, len(whole) * 8 - 1))
    changed = bytearray(whole)
    changed[bit // 8] ^= 1 << bit % 8
    reason, _ = refusal(bytes(changed))
    assert reason in {"altered", "malformed", "signature", "wrong-key", "missing"}


def test_a_receipt_of_another_place_is_refused() -> None:
    log = Log(["plant"] * 5)
    data = receipt_of(log, 3)
    assert refusal(data.replace(b"index 3", b"index 2")) == ("altered", 2)
    assert refusal(data.replace(b"index 3", b"index 5")) == ("altered", 5)


def test_a_receipt_by_another_key_or_of_another_log_is_refused() -> None:
    log = Log(["plant"])
    assert refusal(receipt_of(log, 0), key_of(2)) == ("wrong-key", None)
    text = checkpoint_text("hangers.example/other", 1, root_of(log.bodies))
    data = receipt(log.bodies[0], 0, [], signed_note(text, ORIGIN, [signer()]))
    assert refusal(data) == ("other-log", None)


def test_hashes_moved_into_the_checkpoint_break_its_signature() -> None:
    data = receipt_of(Log(["plant", "line/A"]), 1)
    assert refusal(data.replace(b"index 1\n", b"index 1\n\n")) == ("signature", None)


def test_an_event_that_states_another_place_than_it_has_is_refused() -> None:
    log = Log(["plant"])
    log.add("line/A", sequence=7)
    assert refusal(receipt_of(log, 1)) == ("chain", 1)
    log.bodies[1] = b"bytes of another kind"
    assert verify_receipt(receipt_of(log, 1), [KEY])[0] == b"bytes of another kind"


GOOD = receipt_of(Log(["plant", "line/A"]), 1)


@pytest.mark.parametrize(
    "data",
    [
        b"",
        GOOD.replace(b"@v1", b"@v2"),
        GOOD.replace(b"extra ", b"extra  "),
        GOOD.replace(b"extra ", b"Extra "),
        GOOD.replace(b"index 1", b"index 01"),
        GOOD.replace(b"index 1", b"index -1"),
        GOOD.replace(b"index 1", b"index"),
        GOOD.replace(b"index 1\n", b""),
        GOOD.replace(b"index 1\n", b"index 1\nAAAA\n"),
        GOOD.replace(b"index 1\n", b"index 1\nindex 1\n"),
        GOOD.replace(b"index 1\n", b"index 1\r\n"),
        GOOD.replace(b"extra ", "extra\u00a0".encode()),
        GOOD.split(b"\n\n")[0],
        b"c2sp.org/tlog-proof@v1\n\n" + GOOD.split(b"\n\n")[1],
        b"\n" + GOOD,
    ],
    ids=range(15),
)
def test_a_receipt_of_another_form_is_refused(data: bytes) -> None:
    assert data != GOOD
    assert refusal(data) == ("malformed", None)
