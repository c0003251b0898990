"""What an export carries: documents, words, and entries that the service must not have signed."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Callable
from typing import Any

import pytest

from service.canonical import canonical_bytes
from service.ledger.verifier import Refused, verify_export
from tests.unit.ledger.sample_log import (
    KEY,
    SALT,
    Log,
    full_log,
    refusal,
    rewritten,
)


# --- documents and words ---------------------------------------------------------------------------
def beside(change: Callable[[dict[str, Any]], None], kind: str, number: int = 0) -> list[bytes]:
    """The full export with one of the lines beside its events changed."""
    lines = full_log().export()
    place = [at for at, line in enumerate(lines) if line.startswith(f'{{"{kind}":'.encode())][number]
    content = json.loads(lines[place])
    change(content[kind])
    lines[place] = json.dumps(content).replace(": ", ":", 1).encode() + b"\n"
    return lines


def encoded(content: bytes) -> str:
    return base64.b64encode(content).decode()


@pytest.mark.parametrize(
    "changed",
    [
        {"base64": encoded(b'{"elements":[2]}')},
        {"base64": "!"},
        {"base64": None},
        {"sha256": "00" * 32},
        {"media_type": "text/plain"},
    ],
)
@pytest.mark.parametrize(("number", "position"), [(0, 4), (1, 7)])
def test_a_document_that_is_not_the_one_named_is_found(
    changed: dict[str, Any], number: int, position: int
) -> None:
    assert refusal(beside(lambda each: each.update(changed), "document", number)) == ("document", position)


@pytest.mark.parametrize(
    "changed",
    [
        {"text": "corroded at the rod"},
        {"text": 1},
        {"salt": "00" * 32},
        {"salt": "x"},
        {"salt": SALT.hex().upper()},
        {"salt": None},
        {"field": "reason"},
        {"field": "n"},
        {"sequence": 3},
        {"sequence": True},
    ],
)
@pytest.mark.parametrize(("number", "position"), [(0, 2), (1, 7)])
def test_words_that_are_not_the_ones_recorded_are_found(
    changed: dict[str, Any], number: int, position: int
) -> None:
    assert refusal(beside(lambda each: each.update(changed), "text", number)) == ("text", position)


def test_a_document_left_out_among_others_is_found_at_its_event() -> None:
    lines = full_log().export()
    del lines[next(at for at, line in enumerate(lines) if line.startswith(b'{"document":'))]
    assert refusal(lines) == ("document", 4)


def test_a_document_with_its_own_digest_but_not_the_events_is_found() -> None:
    other = b'{"elements":{}}'
    changed = {"base64": encoded(other), "sha256": hashlib.sha256(other).hexdigest()}
    assert refusal(beside(lambda each: each.update(changed), "document")) == ("document", 4)


def test_a_document_of_another_length_than_its_event_states_is_found() -> None:
    log = full_log()
    stated = {"document_sha256": hashlib.sha256(b"[]").hexdigest(), "media_type": "application/json"}
    log.add("line/A", stated | {"bytes": 3})
    log.documents[8] = b"[]"
    assert refusal(log.export()) == ("document", 8)


def test_a_document_named_twice_is_carried_once() -> None:
    log = Log()
    for _ in range(2):
        log.add("line/A", document=b"[]")
    lines = log.export()
    del lines[3]
    assert verify_export(lines, [KEY]).documents == 1


def test_lines_that_follow_another_event_are_found_there() -> None:
    lines = full_log().export()
    text = next(line for line in lines if line.startswith(b'{"text":'))
    lines.remove(text)
    assert refusal([text, *lines]) == ("text", 0)
    assert refusal([*lines[:2], text, *lines[2:]]) == ("text", 1)
    document = next(line for line in lines if line.startswith(b'{"document":'))
    assert refusal([document, *lines]) == ("document", 0)


def test_words_given_twice_are_refused() -> None:
    lines = full_log().export()
    place = next(at for at, line in enumerate(lines) if line.startswith(b'{"text":'))
    assert refusal([*lines[:place], lines[place], *lines[place:]]) == ("text", 2)


def test_a_name_that_stands_twice_in_a_line_beside_is_refused() -> None:
    lines = full_log().export()
    place = next(at for at, line in enumerate(lines) if line.startswith(b'{"text":'))
    lines[place] = lines[place].replace(b'"sequence":2', b'"sequence":1,"sequence":2')
    assert refusal(lines) == ("text", 2)


def test_the_first_of_several_bad_places_is_named() -> None:
    lines = beside(lambda each: each.update(text="other"), "text", 0)
    assert refusal(lines) == ("text", 2)
    lines[0] = rewritten(lines[0], data={})
    assert refusal(lines) == ("altered", 0)
    lines = beside(lambda each: each.update(text="other"), "text", 1)
    lines[1] = rewritten(lines[1], data={})
    assert refusal(lines) == ("altered", 1)
    lines = beside(lambda each: each.update(text="other"), "text", 0)
    last = next(at for at, line in enumerate(lines) if b'"sequence":6' in line)
    lines[last] = rewritten(lines[last], data={})
    assert refusal(lines) == ("text", 2)


# --- what the service itself signed, but must not have recorded ------------------------------------
def signed_fault(place: int, **changed: Any) -> list[bytes]:
    """A whole export, truly signed, of a log in which one event states something that it must not."""
    log = Log(["plant", "hanger/H1", "hanger/H2"])
    log.add("hanger/H1", **changed)
    log.add("plant")
    assert place == 3
    return log.export()


@pytest.mark.parametrize(
    ("changed", "reason"),
    [
        ({"sequence": 4}, "chain"),
        ({"sequence": 2}, "chain"),
        ({"sequence": None}, "chain"),
        ({"sequence": True}, "chain"),
        ({"log_id": "00" * 16}, "other-log"),
        ({"log_id": None}, "other-log"),
        ({"id": "019df192-7300-7a3c-9c41-000000000000"}, "chain"),
        ({"id": 7}, "chain"),
        ({"recorded_at": "2026-05-04T06:31:07.000001Z"}, "chain"),
        ({"recorded_at": None}, "chain"),
        ({"subject": None}, "chain"),
        ({"subject": "hanger/H2"}, "chain"),
        ({"subject_sequence": 0, "previous": None}, "chain"),
        ({"subject_sequence": 2}, "chain"),
        ({"subject_sequence": -1}, "chain"),
        ({"subject_sequence": True}, "chain"),
        ({"previous": "00" * 32}, "chain"),
        ({"previous": None}, "chain"),
        ({"subject": "hanger/H9", "subject_sequence": 1}, "chain"),
    ],
)
def test_entries_that_contradict_each_other_are_found_though_they_are_signed(
    changed: dict[str, Any], reason: str
) -> None:
    assert refusal(signed_fault(3, **changed)) == (reason, 3)


SPOILT = {
    "a name twice": (b'"n":3', b'"n":3,"n":3'),
    "a space": (b'"n":3', b'"n": 3'),
    "a fraction of none": (b'"n":3', b'"n":3.0'),
    "minus nothing": (b'"n":3', b'"n":-0'),
    "an exponent of its own": (b'"n":3', b'"n":1E2'),
    "an infinity": (b'"n":3', b'"n":1e400'),
    "no number": (b'"n":3', b'"n":NaN'),
    "more than a double tells apart": (b'"n":3', b'"n":9007199254740993'),
    "a letter escaped": (b'"n":3', b'"n":"\\u0041"'),
    "half a letter": (b'"n":3', b'"n":"\\ud800"'),
    "no UTF-8": (b'"n":3', b'"n":"\xc3"'),
    "a control character": (b'"n":3', b'"n":"\x01"'),
    "no object as data, and a space": (b'{"n":3}', b"[3 ]"),
    "the data twice": (b'{"n":3}', b'{"n":3},"data":{"n":4}'),
    "a name of the frame twice": (b'"role":"recorder"', b'"role":"recorder","role":"reader"'),
    "a letter of the frame escaped": (b'"role":"recorder"', b'"role":"\\u0072ecorder"'),
    "a number of the frame with a zero before it": (b'"corrects":null', b'"corrects":01'),
    "a space behind": (b'"hanger-inspected"}', b'"hanger-inspected"} '),
    "a space before": (b'{"actor"', b' {"actor"'),
    "no end": (b'"hanger-inspected"}', b'"hanger-inspected"'),
}


@pytest.mark.parametrize(("old", "new"), SPOILT.values(), ids=SPOILT)
def test_an_entry_that_is_not_canonical_is_found_though_it_is_signed(old: bytes, new: bytes) -> None:
    log = Log(["plant", "hanger/H1", "hanger/H2", "line/A", "line/B"])
    spoilt = log.bodies[3].replace(old, new)
    assert spoilt != log.bodies[3]
    log.bodies[3] = spoilt
    assert refusal(log.export()) == ("malformed", 3)


@pytest.mark.parametrize("depth", [10, 300, 900, 990, 1_100])
def test_deep_data_are_read_or_refused_but_never_stumbled_over(depth: int) -> None:
    log = Log(["plant", "hanger/H1"])
    log.bodies[1] = log.bodies[1].replace(b'{"n":1}', b'{"n":' + b"[" * depth + b"]" * depth + b"}")
    try:
        assert verify_export(log.export(), [KEY]).in_tree
    except Refused as refused:
        assert (refused.reason, refused.position) == ("malformed", 1)
        assert depth > 300


@pytest.mark.parametrize("body", [b"", b"[]", b"null", b"[" * 60_000, b'{"a":' * 60_000], ids=range(5))
def test_an_entry_that_is_no_object_is_found_though_it_is_signed(body: bytes) -> None:
    log = Log(["plant", "hanger/H1", "hanger/H2", "line/A", "line/B"])
    log.bodies[3] = body
    assert refusal(log.export()) == ("malformed", 3)


def test_bytes_of_two_entries_that_agree_only_together_are_found() -> None:
    """Each text is compared with its own document: two faults do not make up for each other."""
    log = Log(["plant", "hanger/H1", "hanger/H2"])
    log.bodies[1] = log.bodies[1].replace(b'"data":{"n":1}', b'"data":{"n":1},{"n":1}')
    assert refusal(log.export()) == ("malformed", 1)
    log = Log(["plant", "hanger/H1", "hanger/H2"])
    log.bodies[0] = log.bodies[0].replace(b'"data":{"n":0}', b'"data":1')
    log.bodies[1] = log.bodies[1].replace(b'"data":{"n":1}', b'"data":[1 ]')
    assert refusal(log.export()) == ("malformed", 1)


def test_a_range_may_begin_within_histories_but_leaves_nothing_out() -> None:
    log = Log(["plant", "hanger/H1", "hanger/H1", "plant", "hanger/H1"])
    assert verify_export(log.export(2), [KEY]).seal.count == 3
    gap = Log(["plant", "hanger/H1", "hanger/H1"])
    gap.add("hanger/H1", subject_sequence=5)
    assert refusal(gap.export(1)) == ("chain", 3)


def test_one_hangers_history_has_no_gap_though_it_is_signed() -> None:
    log = Log(["hanger/H1", "plant", "hanger/H1", "plant", "hanger/H1"])
    wanted = {"hanger": "H1"}
    assert verify_export(log.export(wanted=wanted, rows=[0, 2, 4]), [KEY]).seal.count == 3
    assert refusal(log.export(wanted=wanted, rows=[0, 4])) == ("chain", 4)
    assert refusal(log.export(wanted=wanted, rows=[2, 4])) == ("chain", 2)
    assert verify_export(log.export(2, wanted=wanted, rows=[2, 4]), [KEY]).seal.count == 2
    more = wanted | {"type": "x"}
    assert verify_export(log.export(wanted=more, rows=[0, 4]), [KEY]).seal.count == 2


def test_a_seal_over_fewer_rows_than_the_range_has_is_found() -> None:
    log = full_log()
    assert refusal(log.export(rows=range(7))) == ("missing", 7)
    assert refusal(log.export(0, 6, rows=range(5))) == ("missing", 5)


def test_a_filtered_seal_over_rows_outside_the_log_or_out_of_order_is_found() -> None:
    log = full_log()
    assert refusal(log.export(wanted={"type": "x"}, rows=[1, 7], size=7)) == ("chain", 7)
    assert refusal(log.export(wanted={"type": "x"}, rows=[3, 1])) == ("chain", 1)
    assert refusal(log.export(2, wanted={"type": "x"}, rows=[1, 3])) == ("chain", 1)


def test_a_checkpoint_over_other_events_than_the_seal_is_a_fork() -> None:
    log, other = full_log(), Log(["plant"] * 8)
    trailer = json.loads(log.export()[-1])["trailer"] | {"checkpoint": other.note().decode()}
    lines = [*log.export()[:-1], canonical_bytes({"trailer": trailer})]
    assert refusal(lines) == ("forked", 0)
    assert refusal(lines, [KEY], since=log.checkpoint(5)) == ("forked", 5)
