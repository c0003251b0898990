"""Query strings and path parts: nothing is coerced, nothing unknown passes, nothing is guessed."""

from __future__ import annotations

from typing import Any
from urllib.parse import quote

import pytest

from tests.http.running import Caller, problem_of

HANGERS = "/v1/plants/P/hangers"
EVENTS = "/v1/plants/P/events"
READINESS = "/v1/plants/P/lines/L-1/readiness"
PURPOSES = ["pressure_test", "chemical_clean", "release", "heat_up", "acceptance"]

REFUSED: dict[str, tuple[str, str, str, str]] = {
    "unknown parameter": (HANGERS, "colour=red", "colour", "unknown-parameter"),
    "unknown parameter where there is none": ("/version", "x=1", "x", "unknown-parameter"),
    "parameter in another letter case": (HANGERS, "Line=L-1", "Line", "unknown-parameter"),
    "parameter given twice": (HANGERS, "line=L-1&line=L-2", "line", "once"),
    "parameter given twice alike": (HANGERS, "limit=5&limit=5", "limit", "once"),
    "limit of zero": (HANGERS, "limit=0", "limit", "form"),
    "negative limit": (HANGERS, "limit=-1", "limit", "form"),
    "limit with a fraction": (HANGERS, "limit=5.7", "limit", "form"),
    "limit as a real": (HANGERS, "limit=5.0", "limit", "form"),
    "limit with a plus sign": (HANGERS, "limit=%2B5", "limit", "form"),
    "limit with a blank": (HANGERS, "limit=%205", "limit", "form"),
    "limit with a line break": (HANGERS, "limit=5%0A", "limit", "form"),
    "limit with an exponent": (HANGERS, "limit=1e2", "limit", "form"),
    "limit with a low line": (HANGERS, "limit=1_0", "limit", "form"),
    "limit with a leading zero": (HANGERS, "limit=05", "limit", "form"),
    "limit in other digits": (HANGERS, "limit=" + quote("\u0665"), "limit", "form"),
    "empty limit": (HANGERS, "limit=", "limit", "form"),
    "limit that is true": (HANGERS, "limit=true", "limit", "form"),
    "sequence beyond 2 to the 53": (HANGERS, "changed_since=9007199254740992", "changed_since", "form"),
    "endless sequence": (HANGERS, "changed_since=" + "9" * 400, "changed_since", "form"),
    "kind in another letter case": (HANGERS, "kind=Variable", "kind", "form"),
    "kind with a line break": (HANGERS, "kind=variable%0A", "kind", "form"),
    "unknown state": (HANGERS, "state=open", "state", "form"),
    "line with a line break": (HANGERS, "line=L-1%0A", "line", "form"),
    "line with a slash": (HANGERS, "line=a%2Fb", "line", "form"),
    "external id without a source": (HANGERS, "external_id=1", "external_source", "together"),
    "external source without an id": (HANGERS, "external_source=m", "external_id", "together"),
    "cursor of another alphabet": (HANGERS, "cursor=%21", "cursor", "form"),
    "endless cursor": (HANGERS, "cursor=" + "a" * 600, "cursor", "form"),
    "retired that is 1": (HANGERS, "retired=1", "retired", "form"),
    "unknown system of units": (HANGERS, "units=SI", "units", "form"),
    "no purpose": (READINESS, "", "for", "required"),
    "unknown purpose": (READINESS, "for=start_up", "for", "form"),
    "explain that is 1": (READINESS, "for=release&explain=1", "explain", "form"),
    "explain that is True": (READINESS, "for=release&explain=True", "explain", "form"),
    "as_of that is a date": (READINESS, "for=release&as_of=2026-05-04", "as_of", "form"),
    "as_of without offset": (READINESS, "for=release&as_of=2026-05-04T08:00:00", "as_of", "form"),
    "as_of with a blank for the plus": (
        READINESS,
        "for=release&as_of=2026-05-04T08:00:00+02:00",
        "as_of",
        "form",
    ),
    "as_of in month 13": (READINESS, "for=release&as_of=2026-13-04T08:00:00Z", "as_of", "form"),
    "as_of before the first year": (
        READINESS,
        "for=release&as_of=0001-01-01T00:00:00%2B02:00",
        "as_of",
        "instant",
    ),
    "as_of on a day that there is not": (
        READINESS,
        "for=release&as_of=2026-02-30T08:00:00Z",
        "as_of",
        "instant",
    ),
    "as_of in a leap second": (READINESS, "for=release&as_of=2016-12-31T23:59:60Z", "as_of", "form"),
    "since on a day that there is not": (EVENTS, "since=2026-06-31T08:00:00Z", "since", "instant"),
    "as_of with an offset beyond a day": (
        READINESS,
        "for=release&as_of=2026-05-04T08:00:00%2B99:00",
        "as_of",
        "form",
    ),
    "as_of that is negative": (READINESS, "for=release&as_of=-1", "as_of", "form"),
    "negative from": (EVENTS, "from=-1", "from", "form"),
    "since that is now": (EVENTS, "since=now", "since", "form"),
    "type with a capital": (EVENTS, "type=Reading-taken", "type", "form"),
}


@pytest.mark.parametrize(("path", "query", "name", "rule"), REFUSED.values(), ids=REFUSED)
def test_a_query_that_is_not_of_its_form_is_400_and_says_what_is(
    engineer: Caller, path: str, query: str, name: str, rule: str
) -> None:
    document = problem_of(engineer.get(f"{path}?{query}"), 400, "invalid-parameter")
    (finding,) = document["errors"]
    assert (finding["in"], finding["name"], finding["rule"]) == ("query", name, rule)
    assert finding["accepted"], finding


@pytest.mark.parametrize(
    ("method", "path"),
    [("PUT", "/v1/plants/P/hangers/H-8"), ("POST", "/v1/plants/P/hangers/H-1/inspections")],
)
@pytest.mark.parametrize("value", ["1", "yes", "True", "", "true%0A"])
def test_a_trial_is_asked_for_in_one_form_alone(engineer: Caller, method: str, path: str, value: str) -> None:
    headers = {"If-None-Match": "*", "Idempotency-Key": "trial-of-the-query"}
    response = engineer.send(method, f"{path}?dry_run={value}", json={}, headers=headers)
    assert problem_of(response, 400, "invalid-parameter")["errors"][0]["name"] == "dry_run"


def test_a_choice_is_told_as_a_list(engineer: Caller) -> None:
    document = problem_of(engineer.get(f"{READINESS}?for=start_up"), 400, "invalid-parameter")
    assert document["errors"][0]["accepted"] == PURPOSES


def test_an_unknown_parameter_is_told_the_known_ones(engineer: Caller) -> None:
    accepted = problem_of(engineer.get(f"{READINESS}?purpose=release"), 400, "invalid-parameter")["errors"]
    by_name = {finding["name"]: finding for finding in accepted}
    assert by_name["purpose"]["accepted"] == ["as_of", "explain", "for", "units"]
    assert by_name["for"]["rule"] == "required"


def test_a_limit_beyond_the_most_is_taken_as_the_most(engineer: Caller) -> None:
    assert engineer.get(f"{HANGERS}?limit=501").status_code == 200
    assert engineer.get(f"{HANGERS}?limit=9007199254740991").status_code == 200


PARTS = {
    "blank": "H%201",
    "line break at the end": "H-1%0A",
    "null": "H-1%00",
    "dot at the end": "H-1.",
    "hyphen at the start": "-H",
    "two dots": "..%2e",
    "letter of another alphabet": quote("\u041d-1"),
    "bytes that are no UTF-8": "%ff",
    "65 characters": "H" * 65,
    "300 characters": "H" * 300,
    "percent sign": "100%25",
    "quotation mark": "%22H%22",
}


@pytest.mark.parametrize("part", PARTS.values(), ids=PARTS)
@pytest.mark.parametrize("method", ["GET", "PUT"])
def test_a_mark_in_the_path_that_is_not_of_its_form_is_400(engineer: Caller, method: str, part: str) -> None:
    response = engineer.send(method, f"/v1/plants/P/hangers/{part}", json={} if method == "PUT" else None)
    (finding,) = problem_of(response, 400, "invalid-parameter")["errors"]
    assert (finding["in"], finding["name"]) == ("path", "mark")
    assert "64 letters" in finding["accepted"]


@pytest.mark.parametrize(
    "path", ["/v1/plants/P%2FQ", "/v1/plants/P/hangers/H%2f1", "/v1/plants/P%5cQ", "/v1/plants/..%2f..%2fetc"]
)
def test_an_encoded_slash_in_the_path_is_400(engineer: Caller, path: str) -> None:
    document = problem_of(engineer.get(path), 400, "malformed-request")
    assert document["errors"][0]["rule"] == "no-slash"


def test_an_encoded_slash_in_the_query_is_a_matter_of_the_query(engineer: Caller) -> None:
    assert engineer.get(f"{HANGERS}?external_source=a%2Fb&external_id=1").status_code == 200


@pytest.mark.parametrize("number", ["-1", "1.0", "01", "+1", "1e1", "x", "1%0A", "9" * 400])
def test_a_number_in_the_path_is_digits_alone(engineer: Caller, number: str) -> None:
    for path in (f"/v1/plants/P/hangers/H-1/revisions/{number}", f"/v1/plants/P/events/{number}"):
        problem_of(engineer.get(path), 400, "invalid-parameter")


@pytest.mark.parametrize("key", ["p", "P"])
def test_letter_case_of_keys_does_not_matter_in_paths(engineer: Caller, key: str) -> None:
    record: Any = engineer.get(f"/v1/plants/{key}/hangers/h-1").json
    assert record["mark"] == "H-1"
