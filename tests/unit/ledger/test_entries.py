"""An entry's bytes are read as canonical JSON by rules of their own; the service's writer is another code."""

from __future__ import annotations

import json
import struct
from typing import Any

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from service.canonical import CanonicalError, canonical_bytes, parse_canonical
from service.ledger.verifier import (
    RULES,
    EntryOrder,
    Refused,
    SubjectHead,
    canonical_number,
    canonical_text,
    facts_of,
    read_entry,
)

FLOATS = st.floats(allow_nan=False, allow_infinity=False)
TEXTS = st.text(st.characters(exclude_categories=("Cs",)), max_size=8)
VALUES: st.SearchStrategy[Any] = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53) + 1, 2**53 - 1) | FLOATS | TEXTS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXTS, inner, max_size=4),
    max_leaves=12,
)
OBJECTS = st.dictionaries(TEXTS, VALUES, max_size=5)


@given(FLOATS)
def test_numbers_are_written_as_another_implementation_writes_them(number: float) -> None:
    assert canonical_number(number) == rfc8785.dumps(number).decode()


@pytest.mark.parametrize(
    ("bits", "text"),
    [
        # RFC 8785, appendix B.
        ("0000000000000000", "0"),
        ("8000000000000000", "0"),
        ("0000000000000001", "5e-324"),
        ("8000000000000001", "-5e-324"),
        ("7fefffffffffffff", "1.7976931348623157e+308"),
        ("ffefffffffffffff", "-1.7976931348623157e+308"),
        ("4340000000000000", "9007199254740992"),
        ("c340000000000000", "-9007199254740992"),
        ("4430000000000000", "295147905179352830000"),
        ("44b52d02c7e14af5", "9.999999999999997e+22"),
        ("44b52d02c7e14af6", "1e+23"),
        ("44b52d02c7e14af7", "1.0000000000000001e+23"),
        ("444b1ae4d6e2ef4e", "999999999999999700000"),
        ("444b1ae4d6e2ef4f", "999999999999999900000"),
        ("444b1ae4d6e2ef50", "1e+21"),
        ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
        ("3eb0c6f7a0b5ed8d", "0.000001"),
        ("41b3de4355555553", "333333333.3333332"),
        ("41b3de4355555554", "333333333.33333325"),
        ("41b3de4355555555", "333333333.3333333"),
        ("41b3de4355555556", "333333333.3333334"),
        ("41b3de4355555557", "333333333.33333343"),
        ("becbf647612f3696", "-0.0000033333333333333333"),
        ("43143ff3c1cb0959", "1424953923781206.2"),
    ],
)
def test_numbers_are_written_as_published(bits: str, text: str) -> None:
    [number] = struct.unpack(">d", bytes.fromhex(bits))
    assert canonical_number(number) == text


@pytest.mark.parametrize("number", [float("inf"), float("-inf"), float("nan")])
def test_what_is_no_number_has_no_form(number: float) -> None:
    with pytest.raises(ValueError, match="no number"):
        canonical_number(number)


@given(OBJECTS)
def test_what_the_service_writes_is_read_again(document: dict[str, Any]) -> None:
    body = canonical_bytes(document)
    read = read_entry(body)
    assert read == parse_canonical(body)
    assert canonical_text(read).encode() == body


@given(OBJECTS, st.booleans(), st.sampled_from([(",", ":"), (", ", ":"), (",", ": ")]), st.booleans())
def test_what_the_service_would_write_otherwise_is_refused(
    document: dict[str, Any], escape: bool, separators: tuple[str, str], sort: bool
) -> None:
    body = json.dumps(document, ensure_ascii=escape, separators=separators, sort_keys=sort).encode()
    try:
        expected = canonical_bytes(parse_canonical(body)) == body
    except CanonicalError:
        expected = False
    try:
        read_entry(body)
        found = True
    except Refused as refused:
        assert (refused.reason, refused.position) == ("malformed", None)
        found = False
    assert found == expected


def test_names_are_ordered_as_utf_16_orders_them() -> None:
    """RFC 8785, section 3.2.3: a letter beyond 16 bits sorts by its surrogates, before U+FB33."""
    body = '{"\U0001f600":1,"\ufb33":2}'.encode()
    assert read_entry(body) == {"\U0001f600": 1, "\ufb33": 2}
    with pytest.raises(Refused):
        read_entry('{"\ufb33":2,"\U0001f600":1}'.encode())


@pytest.mark.parametrize(
    "number", ["1e-07", "1.5e-05", "0.00001e1", "1e+16", "1.25e+20", "1e22", "1E+22", "2.50"]
)
def test_a_number_written_another_way_is_refused(number: str) -> None:
    for written in (number, f"-{number}"):
        with pytest.raises(Refused):
            read_entry(f'{{"a":{written}}}'.encode())


@pytest.mark.parametrize(
    "number", ["1e-7", "0.000015", "10000000000000000", "125000000000000000000", "1e+22", "2.5"]
)
def test_a_number_written_the_one_way_is_read(number: str) -> None:
    for written in (number, f"-{number}"):
        assert read_entry(f'{{"a":{written}}}'.encode()) == {"a": float(written)}


def test_great_whole_numbers_are_read_as_the_doubles_they_are() -> None:
    assert read_entry(b'{"a":68137068739038990}') == {"a": 6.813706873903899e16}
    assert isinstance(read_entry(b'{"a":68137068739038990}')["a"], float)
    assert isinstance(read_entry(b'{"a":9007199254740991}')["a"], int)
    for body in (b'{"a":9007199254740993}', b'{"a":' + b"9" * 5_000 + b"}", b'{"a":-0}', b'{"a":1.0}'):
        with pytest.raises(Refused):
            read_entry(body)


@pytest.mark.parametrize(
    "body", [b"", b"[]", b'"a"', b"1", b"\xff", b'{"a":1,"a":1}', b'{"a":NaN}', b"[" * 100_000]
)
def test_what_is_no_canonical_object_is_refused(body: bytes) -> None:
    with pytest.raises(Refused) as refused:
        read_entry(body)
    assert refused.value.reason == "malformed"


# --- the order of entries ------------------------------------------------------------------------
def facts(sequence: int, subject: str = "plant", count: int = 0, previous: str | None = None) -> Any:
    return (sequence, "log", f"id-{sequence}", f"2026-05-04T06:00:{sequence:02d}Z", subject, count, previous)


def test_entries_follow_each_other_by_subject() -> None:
    order = EntryOrder()
    assert order.recorded_at is None
    assert order.follow(facts(0), "h0") is None
    assert order.follow(facts(1, "line/A"), "h1") is None
    assert order.follow(facts(2, "PLANT", 1, "h0"), "h2") is None
    assert order.heads == {"plant": SubjectHead(2, "h2"), "line/a": SubjectHead(1, "h1")}
    assert (order.log_id, order.recorded_at) == ("log", "2026-05-04T06:00:02Z")


def test_what_is_left_out_on_purpose_is_told_from_what_cannot_be() -> None:
    order = EntryOrder("log")
    assert order.follow(facts(0, count=3, previous="x"), "h0") == "subject-start"
    assert order.follow(facts(1, count=4, previous="h0"), "h1") is None
    assert order.follow(facts(2, count=6, previous="y"), "h2") == "subject-gap"
    assert order.follow(facts(3, count=6, previous="h2"), "h3") == "subject-chain"
    assert order.follow(facts(4, count=7, previous="h2"), "h4") == "subject-chain"
    assert order.follow(facts(5, "line/A", previous="z"), "h5") == "subject-chain"


def test_a_place_is_asked_for_only_where_it_is_known() -> None:
    assert EntryOrder().follow(facts(4), "h", 4) is None
    assert EntryOrder().follow(facts(4), "h", 5) == "sequence"
    assert EntryOrder().follow(facts(4), "h") is None


@pytest.mark.parametrize(
    ("changed", "rule"),
    [
        ({"sequence": 1.0}, "sequence"),
        ({"sequence": True}, "sequence"),
        ({"log_id": None}, "log-id"),
        ({"log_id": 7}, "log-id"),
        ({"id": None}, "id"),
        ({"recorded_at": 7}, "recorded-at"),
        ({"subject": 7}, "subject"),
        ({"subject_sequence": True}, "subject-chain"),
        ({"subject_sequence": -1}, "subject-chain"),
        ({"subject_sequence": None}, "subject-chain"),
        ({"previous": "x"}, "subject-chain"),
    ],
)
def test_a_fact_of_another_kind_breaks_its_rule(changed: dict[str, Any], rule: str) -> None:
    document = {
        "sequence": 1,
        "log_id": "log",
        "id": "id",
        "recorded_at": "2026",
        "subject": "plant",
        "subject_sequence": 0,
        "previous": None,
    }
    assert EntryOrder().follow(facts_of(document), "h", 1) is None
    assert EntryOrder().follow(facts_of(document | changed), "h", 1) == rule
    assert rule in RULES
