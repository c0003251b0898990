"""Media types, codings and sizes of bodies."""

from __future__ import annotations

import gzip
import json

import pytest
from werkzeug.test import TestResponse, create_environ, run_wsgi_app
from werkzeug.wrappers import Request

from service.http.bodies import ACT_BYTES, LINE_RECORD_BYTES, RECORD_BYTES, STATELESS_BYTES
from tests.http.running import LINE, Caller, hanger, inspection, problem_of

INSPECTIONS = "/v1/plants/P/hangers/H-1/inspections"


@pytest.mark.parametrize(
    "media",
    [
        "text/plain",
        "application/xml",
        "application/x-www-form-urlencoded",
        "multipart/form-data; boundary=x",
        "application/problem+json",
        "application/x-ndjson",
        "application/jsonx",
        "json",
        "application/json; charset=utf-16",
        "application/json; charset=latin-1",
    ],
)
def test_another_media_type_is_415_and_names_the_one_accepted(engineer: Caller, media: str) -> None:
    response = engineer.post_bytes(INSPECTIONS, json.dumps(inspection()).encode(), media)
    document = problem_of(response, 415, "unsupported-media-type")
    (finding,) = document["errors"]
    assert finding["in"] == "header"
    assert finding["name"] == "Content-Type"
    assert finding["accepted"] == ["application/json"]


@pytest.mark.parametrize(
    "media",
    [
        "application/json",
        "application/json; charset=utf-8",
        'application/json; charset="UTF-8"',
        "APPLICATION/JSON",
    ],
)
def test_json_in_utf_8_is_read(engineer: Caller, media: str) -> None:
    response = engineer.post_bytes(INSPECTIONS + "?dry_run=true", json.dumps(inspection()).encode(), media)
    assert response.status_code == 200, response.data


def test_a_body_without_a_media_type_is_415(engineer: Caller) -> None:
    response = engineer.send("POST", INSPECTIONS, data=b"{}", headers={"Idempotency-Key": "without-a-type"})
    problem_of(response, 415, "unsupported-media-type")


def test_a_compressed_body_is_415(engineer: Caller) -> None:
    body = gzip.compress(json.dumps(inspection()).encode())
    document = problem_of(
        engineer.post_bytes(INSPECTIONS, body, Content_Encoding="gzip"), 415, "unsupported-media-type"
    )
    assert document["errors"][0]["name"] == "Content-Encoding"


def test_no_body_at_all_is_400(engineer: Caller) -> None:
    response = engineer.send("POST", INSPECTIONS, headers={"Idempotency-Key": "without-a-body"})
    assert problem_of(response, 400, "malformed-request")["errors"][0]["rule"] == "not-empty"


def padded(document: dict[str, object], size: int) -> bytes:
    text = json.dumps(document).encode()
    return text + b" " * (size - len(text))


@pytest.mark.parametrize(
    ("method", "path", "document", "limit"),
    [
        ("PUT", "/v1/plants/P/hangers/H-9", hanger("H-9"), RECORD_BYTES),
        ("PUT", "/v1/plants/P/lines/L-9", LINE, LINE_RECORD_BYTES),
        ("POST", INSPECTIONS, inspection(), ACT_BYTES),
        ("POST", "/v1/checks", {"hanger": hanger()}, STATELESS_BYTES),
    ],
)
def test_one_byte_over_the_limit_is_413_and_the_limit_itself_is_read(
    engineer: Caller, method: str, path: str, document: dict[str, object], limit: int
) -> None:
    headers = {"If-None-Match": "*"} if method == "PUT" else {"Idempotency-Key": "size-of-the-body"}
    trial = "" if path == "/v1/checks" else "?dry_run=true"
    options = {"content_type": "application/json", "headers": headers}
    over = engineer.send(method, path + trial, data=padded(document, limit + 1), **options)
    refused = problem_of(over, 413, "too-large")
    assert refused["facts"]["limit_bytes"] == limit
    assert refused["errors"][0]["accepted"] == f"at most {limit} bytes"
    exact = engineer.send(method, path + trial, data=padded(document, limit), **options)
    assert exact.status_code == 200, exact.data


def test_a_body_of_unknown_length_is_counted_as_it_comes(engineer: Caller) -> None:
    environ = create_environ(INSPECTIONS, method="POST", content_type="application/json")
    environ.pop("CONTENT_LENGTH", None)
    environ.update(
        {
            "HTTP_AUTHORIZATION": f"Bearer {engineer.token}",
            "HTTP_IDEMPOTENCY_KEY": "chunked-body",
            "HTTP_TRANSFER_ENCODING": "chunked",
            "wsgi.input": _Endless(),
            "wsgi.input_terminated": True,
        }
    )
    response = TestResponse(*run_wsgi_app(engineer.app, environ), request=Request(environ))
    problem_of(response, 413, "too-large")


class _Endless:
    """A stream that never ends; reading all of it would never return."""

    def __init__(self) -> None:
        self.given = 0

    def read(self, size: int = -1) -> bytes:
        assert size >= 0, "read without a bound"
        self.given += size
        assert self.given < 10_000_000, "read far beyond the limit"
        return b" " * size

    def readline(self, size: int = -1) -> bytes:
        return self.read(size)


def test_a_body_where_none_is_read_is_400(administrator: Caller) -> None:
    response = administrator.post("/v1/tokens/tk_00000000000000000000000000/revocations", {"why": "lost"})
    assert problem_of(response, 400, "malformed-request")["errors"][0]["accepted"] == "no body"
