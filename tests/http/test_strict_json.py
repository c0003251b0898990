"""What a JSON body may not be, before any schema is asked: each refusal by hand, in process and over HTTP."""

from __future__ import annotations

import time

import pytest

from service.errors import MalformedRequest
from service.http.bodies import parse_json
from tests.http.running import Caller, Running, problem_of

REFUSED = {
    "duplicate key": (b'{"a": 1, "a": 2}', "unique-keys"),
    "duplicate key, one escaped": (b'{"a": 1, "\\u0061": 2}', "unique-keys"),
    "duplicate key deep inside": (b'{"a": [{"b": 1, "b": 1}]}', "unique-keys"),
    "NaN": (b'{"a": NaN}', "json"),
    "Infinity": (b'{"a": Infinity}', "json"),
    "minus Infinity": (b'{"a": -Infinity}', "json"),
    "1e400": (b'{"a": 1e400}', "number-range"),
    "minus 1e400": (b'{"a": -1e400}', "number-range"),
    "400 digits": (b'{"a": ' + b"9" * 400 + b"}", "number-range"),
    "5,000 digits": (b'{"a": ' + b"9" * 5000 + b"}", "number-range"),
    "2 to the 53": (b'{"a": 9007199254740992}', "number-range"),
    "minus 2 to the 53": (b'{"a": -9007199254740992}', "number-range"),
    "a real beyond 2 to the 53": (b'{"a": 1e16}', "number-range"),
    "high surrogate alone": (b'{"a": "\\ud800"}', "unicode"),
    "low surrogate alone": (b'{"a": "\\udc00"}', "unicode"),
    "surrogate in a key": (b'{"\\ud800": 1}', "unicode"),
    "byte order mark": (b'\xef\xbb\xbf{"a": 1}', "no-byte-order-mark"),
    "UTF-16": ('{"a": 1}'.encode("utf-16"), "utf-8"),
    "Latin-1": (b'{"a": "\xe4"}', "utf-8"),
    "overlong UTF-8": (b'{"a": "\xc0\xaf"}', "utf-8"),
    "nothing": (b"", "not-empty"),
    "blanks": (b" \r\n\t ", "not-empty"),
    "two values": (b"{} {}", "json"),
    "trailing comma": (b'{"a": 1,}', "json"),
    "comment": (b'{"a": 1} // why', "json"),
    "single quotes": (b"{'a': 1}", "json"),
    "leading zero": (b'{"a": 01}', "json"),
    "plus sign": (b'{"a": +1}', "json"),
    "hexadecimal": (b'{"a": 0x10}', "json"),
    "control character": (b'{"a": "\x01"}', "json"),
    "cut off": (b'{"a": [1, 2', "json"),
    "33 levels": (b"[" * 33 + b"]" * 33, "depth"),
    "33 levels of objects": (b'{"a":' * 33 + b"1" + b"}" * 33, "depth"),
    "100,000 levels": (b"[" * 100_000, "depth"),
    "100,000 levels, closed": (b"[" * 100_000 + b"]" * 100_000, "depth"),
    "100,000 levels of objects": (b'{"a":' * 100_000 + b"1" + b"}" * 100_000, "depth"),
}


@pytest.mark.parametrize(("text", "rule"), REFUSED.values(), ids=REFUSED)
def test_text_that_is_not_strict_json_is_refused_with_its_rule(text: bytes, rule: str) -> None:
    with pytest.raises(MalformedRequest) as caught:
        parse_json(text)
    (finding,) = caught.value.errors
    assert finding.place == "body"
    assert finding.rule == rule
    assert "UTF-8" in finding.accepted


@pytest.mark.parametrize(("text", "rule"), REFUSED.values(), ids=REFUSED)
def test_the_same_text_over_http_is_400_and_quick(engineer: Caller, text: bytes, rule: str) -> None:
    begun = time.perf_counter()
    if len(text) > 65_536:
        # Within the size limit of the bulk request alone.
        response = engineer.post_bytes("/v1/checks", text)
    else:
        response = engineer.post_bytes("/v1/plants/P/hangers/H-1/turns", text)
    document = problem_of(response, 400, "malformed-request")
    assert time.perf_counter() - begun < 2
    (finding,) = document["errors"]
    assert finding["rule"] == rule
    assert finding["accepted"]


ACCEPTED = {
    "an object": (b'{"a": 1}', {"a": 1}),
    "the same key in two objects": (b'[{"a": 1}, {"a": 2}]', [{"a": 1}, {"a": 2}]),
    "greatest whole number": (b"9007199254740991", 9007199254740991),
    "least whole number": (b"-9007199254740991", -9007199254740991),
    "a fraction": (b"12.5", 12.5),
    "small": (b"1e-7", 1e-07),
    "too small to tell from zero": (b"1e-400", 0),
    "a pair of surrogates": (b'"\\ud83d\\ude00"', "\U0001f600"),
    "32 levels": (b"[" * 32 + b"]" * 32, eval("[" * 32 + "]" * 32)),
    "blanks around": (b" \n1 ", 1),
}


@pytest.mark.parametrize(("text", "value"), ACCEPTED.values(), ids=ACCEPTED)
def test_strict_json_is_read_as_it_stands(text: bytes, value: object) -> None:
    assert parse_json(text) == value


@pytest.mark.parametrize("text", [b"12.0", b"12", b"1.2e1", b"120e-1"])
def test_a_whole_number_is_an_integer_however_it_is_written(text: bytes) -> None:
    assert type(parse_json(text)) is int
    assert parse_json(text) == 12


@pytest.mark.parametrize("text", [b"-0", b"-0.0", b"-0e5"])
def test_minus_zero_is_zero(text: bytes) -> None:
    assert str(parse_json(text)) == "0"


def test_nothing_is_written_for_a_body_that_cannot_be_read(shared: Running, engineer: Caller) -> None:
    before = engineer.get("/v1/plants/P/events?limit=500").json
    for text, _ in REFUSED.values():
        engineer.post_bytes("/v1/plants/P/hangers/H-1/inspections", text)
    assert engineer.get("/v1/plants/P/events?limit=500").json == before
