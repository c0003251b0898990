"""Canonical JSON against RFC 8785's own examples, and what is refused."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.canonical import CanonicalError, canonical_bytes, lossless_text, parse_canonical

# RFC 8785, appendix B: IEEE 754 bits are given there; the same values as Python writes them.
NUMBERS = [
    (0.0, "0"),
    (-0.0, "0"),
    (5e-324, "5e-324"),
    (-5e-324, "-5e-324"),
    (1.7976931348623157e308, "1.7976931348623157e+308"),
    (9007199254740992.0, "9007199254740992"),
    (-9007199254740992.0, "-9007199254740992"),
    (295147905179352830000.0, "295147905179352830000"),
    (9.999999999999997e22, "9.999999999999997e+22"),
    (1e23, "1e+23"),
    (1.0000000000000001e23, "1.0000000000000001e+23"),
    (999999999999999700000.0, "999999999999999700000"),
    (999999999999999900000.0, "999999999999999900000"),
    (1e21, "1e+21"),
    (9.999999999999997e-7, "9.999999999999997e-7"),
    (0.000001, "0.000001"),
    (333333333.3333332, "333333333.3333332"),
    (333333333.33333325, "333333333.33333325"),
    (333333333.3333333, "333333333.3333333"),
    (333333333.3333334, "333333333.3333334"),
    (333333333.33333343, "333333333.33333343"),
    (-0.0000033333333333333333, "-0.0000033333333333333333"),
    (1424953923781206.2, "1424953923781206.2"),
]


@pytest.mark.parametrize(("value", "expected"), NUMBERS)
def test_numbers_are_written_as_the_standard_shows(value: float, expected: str) -> None:
    assert canonical_bytes(value) == expected.encode()


def test_the_standards_example_comes_out_as_it_shows() -> None:
    # RFC 8785, sections 3.2.2 and 3.2.3.
    value = {
        "numbers": [333333333.33333329, 1e30, 4.50, 2e-3, 0.000000000000000000000000001],
        "string": "\u20ac$\u000f\u000aA'\u0042\u0022\u005c\\\"\u002f",
        "literals": [None, True, False],
    }
    expected = (
        '{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        '"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'
    )
    assert canonical_bytes(value) == expected.encode()


def test_keys_are_sorted_by_their_utf16_units() -> None:
    # RFC 8785, section 3.2.3.
    value = {
        "\u20ac": "Euro Sign",
        "\r": "Carriage Return",
        "\ufb33": "Hebrew Letter Dalet With Dagesh",
        "1": "One",
        "\U0001f600": "Emoji: Grinning Face",
        "\u0080": "Control",
        "\u00f6": "Latin Small Letter O With Diaeresis",
    }
    order = ["\r", "1", "\u0080", "\u00f6", "\u20ac", "\U0001f600", "\ufb33"]
    assert list(json.loads(canonical_bytes(value))) == order


@pytest.mark.parametrize(
    "value",
    [math.nan, math.inf, -math.inf, 2**53, -(2**53), 10**400, "\ud800", {"\udfff": 1}, ["a\udc00b"],
     {1: 2}, {None: 1}, b"bytes", {1, 2}, object(), [object()]],
)  # fmt: skip
def test_what_has_no_canonical_form_is_refused(value: Any) -> None:
    with pytest.raises(CanonicalError):
        canonical_bytes(value)
    with pytest.raises(CanonicalError):
        canonical_bytes({"inside": [value]})


def test_the_greatest_exact_integers_are_kept() -> None:
    assert canonical_bytes([2**53 - 1, -(2**53) + 1]) == b"[9007199254740991,-9007199254740991]"


def test_nesting_without_end_is_refused_and_not_a_crash() -> None:
    deep: list[Any] = []
    for _ in range(100_000):
        deep = [deep]
    with pytest.raises(CanonicalError, match="deep"):
        canonical_bytes(deep)
    with pytest.raises(CanonicalError):
        parse_canonical(b"[" * 100_000 + b"]" * 100_000)


@pytest.mark.parametrize("body", [b"", b"{", b"NaN", b"1e400", b'"\xff"', b"{}{}"])
def test_bytes_that_are_no_json_are_refused(body: bytes) -> None:
    with pytest.raises(CanonicalError):
        parse_canonical(body)


JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53) + 1, 2**53 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=["Cs"])),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(st.characters(exclude_categories=["Cs"])), inner),
)


@given(JSON)
def test_reading_back_gives_an_equal_value_and_the_same_bytes(value: Any) -> None:
    body = canonical_bytes(value)
    again = parse_canonical(body)
    assert again == value
    assert canonical_bytes(again) == body
    assert json.loads(body, parse_int=lambda digits: exact(int(digits))) == value
    assert json.loads(lossless_text(value)) == value
    assert json.loads(lossless_text({"a": [value]}))["a"][0] == value


def exact(number: int) -> int | float:
    return number if abs(number) < 2**53 else float(number)


def test_a_great_whole_float_is_not_the_integer_it_is_written_as() -> None:
    value = 6.813706873903899e16
    body = canonical_bytes(value)
    assert body == b"68137068739038990"
    assert value != 68137068739038990
    assert parse_canonical(body) == value
    assert lossless_text([value]) == "[6.813706873903899e+16]"
    assert lossless_text({"b": 1.0, "a": "1234567890123456"}) == '{"a":"1234567890123456","b":1.0}'
    assert lossless_text({"b": 1.0, "a": "x"}) == '{"a":"x","b":1}'


@given(st.floats(1e15, 1e22).map(float.__trunc__).map(float))
def test_great_whole_floats_are_read_back_as_they_were(value: float) -> None:
    body = canonical_bytes({"a": [value], "b": True})
    assert parse_canonical(body) == {"a": [value], "b": True}
    assert parse_canonical(body)["b"] is True
    assert canonical_bytes(parse_canonical(body)) == body


@given(st.dictionaries(st.text(st.characters(exclude_categories=["Cs"])), st.integers(0, 9)), st.randoms())
def test_the_order_of_keys_does_not_matter(value: dict[str, int], chance: Any) -> None:
    items = list(value.items())
    chance.shuffle(items)
    assert canonical_bytes(dict(items)) == canonical_bytes(value)


def test_numbers_that_are_equal_have_equal_bytes() -> None:
    assert canonical_bytes([10, 10.0, 1e1]) == b"[10,10,10]"
    assert canonical_bytes(True) == b"true"
