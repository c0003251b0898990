"""Every error has a status and one shape, whoever raised it; and its type leads to a page."""

from __future__ import annotations

import json
import logging
from collections.abc import Callable
from http import HTTPStatus

import pytest

from service import errors
from service.errors import ServiceError
from service.http import problems
from service.http.documents import Document
from service.http.problems import ADVICE, CATALOGUE, STATUS, all_errors
from tests.http.running import Caller, Running, inspection, problem_of

# Written by hand: the status of every code. 400 cannot be read; 422 was read but is invalid; 409 the
# state forbids it.
STATUS_BY_CODE = {
    "internal": 500,
    "malformed-request": 400,
    "invalid-parameter": 400,
    "unsupported-media-type": 415,
    "not-acceptable": 406,
    "too-large": 413,
    "invalid-document": 422,
    "unknown-unit": 422,
    "mass-for-force": 422,
    "unknown-thread": 422,
    "out-of-range": 422,
    "future-time": 422,
    "not-authenticated": 401,
    "not-permitted": 403,
    "not-found": 404,
    "method-not-allowed": 405,
    "conflict": 409,
    "out-of-order": 409,
    "guard-not-met": 409,
    "no-stop": 409,
    "not-ready": 409,
    "not-concedable": 409,
    "duplicate-key": 409,
    "retired": 409,
    "precondition-required": 428,
    "precondition-failed": 412,
    "idempotency-key-reused": 422,
    "store-busy": 503,
    "write-conflict": 503,
    "log-sealed": 503,
    "store-full": 507,
    "log-corrupt": 500,
    "configuration": 500,
    "not-weighable": 422,
    "frame-unstable": 422,
    "frame-residual": 422,
    "no-vertical-stiffness": 422,
    "path-lost": 422,
    "not-at-rest": 422,
    "too-many-ways": 422,
}

EVERY = list(all_errors())
FACTS = {"limit": 3, "allowed": ["GET"], "a list": [1, {"b": None}]}


@pytest.mark.parametrize("found", EVERY, ids=[found.__name__ for found in EVERY])
def test_every_error_has_a_row_of_its_own_with_the_status_of_its_code(found: type[ServiceError]) -> None:
    assert found in STATUS
    assert STATUS[found] == STATUS_BY_CODE[found.code]
    assert HTTPStatus(STATUS[found]).phrase


@pytest.mark.parametrize("found", EVERY, ids=[found.__name__ for found in EVERY])
def test_every_error_has_a_code_of_its_own_a_title_and_advice(found: type[ServiceError]) -> None:
    assert [other for other in EVERY if other.code == found.code] == [found]
    assert found.title
    assert len(ADVICE[found.code]) > 20


def test_no_row_is_left_over() -> None:
    assert set(STATUS) == set(EVERY)
    assert set(ADVICE) == set(STATUS_BY_CODE) == set(CATALOGUE)


@pytest.mark.parametrize("found", EVERY, ids=[found.__name__ for found in EVERY])
def test_every_error_is_answered_in_the_one_shape(shared: Running, found: type[ServiceError]) -> None:
    finding = errors.Finding("body", "rule", "said", pointer="/a", accepted=["b"])
    with shared.app.test_request_context("/v1/plants"):
        shared.app.preprocess_request()
        response = shared.app.process_response(problems.answer(found("Said so.", errors=[finding], **FACTS)))
    document = problem_of(response, STATUS_BY_CODE[found.code], found.code)  # type: ignore[arg-type]
    Document("problem").validate(document)
    assert document["title"] == found.title
    if document["status"] == 500:
        assert (document["detail"], document["errors"], document["facts"]) == (
            "The service met a fault of its own.",
            [],
            {},
        )
    else:
        assert document["detail"] == "Said so."
        assert document["errors"] == [
            {"in": "body", "rule": "rule", "detail": "said", "pointer": "/a", "accepted": ["b"]}
        ]
        assert document["facts"] == FACTS


def test_401_names_the_scheme_503_the_wait_and_405_the_methods(shared: Running) -> None:
    client = shared.app.test_client()
    assert client.get("/v1/plants").headers["WWW-Authenticate"].startswith("Bearer")
    assert set(client.delete("/v1/plants").headers["Allow"].split(", ")) == {"GET", "HEAD", "OPTIONS"}
    with shared.app.test_request_context("/"):
        shared.app.preprocess_request()
        assert int(problems.answer(errors.StoreBusy("busy")).headers["Retry-After"]) > 0
        assert int(problems.answer(errors.WriteConflict("undone")).headers["Retry-After"]) > 0
        # To repeat a write to a log that is closed helps nobody.
        assert "Retry-After" not in problems.answer(errors.LogSealed("closed")).headers


@pytest.mark.parametrize(
    ("method", "path", "status", "code"),
    [
        ("GET", "/nowhere", 404, "not-found"),
        ("GET", "/v1", 404, "not-found"),
        ("GET", "/v1/plants/", 404, "not-found"),
        ("GET", "/v1//plants", 404, "not-found"),
        ("GET", "/v2/plants", 404, "not-found"),
        ("POST", "/v1/plants", 405, "method-not-allowed"),
        ("PATCH", "/v1/plants/P", 405, "method-not-allowed"),
        ("DELETE", "/v1/plants/P/hangers/H-1", 405, "method-not-allowed"),
        ("TRACE", "/version", 405, "method-not-allowed"),
        ("INVENTED", "/version", 405, "method-not-allowed"),
        ("GET", "/schemas/unheard-of.schema.json", 404, "not-found"),
        ("GET", "/problems/unheard-of", 404, "not-found"),
        ("GET", "/docs/unheard-of.js", 404, "not-found"),
    ],
)
def test_what_the_framework_refuses_is_a_problem_too(
    engineer: Caller, method: str, path: str, status: int, code: str
) -> None:
    problem_of(engineer.send(method, path), status, code)


def test_a_fault_of_the_service_tells_nothing_and_is_logged_with_its_request_id(
    fresh: Running, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    engineer = fresh.caller("engineer")

    def broken(*_: object) -> None:
        raise RuntimeError("secret-of-the-inside SELECT * FROM tokens")

    monkeypatch.setattr("service.application.hangers.get_hanger", broken)
    records: list[logging.LogRecord] = []
    logger = logging.getLogger("service.faults")
    handler = _Keeper(records)
    logger.addHandler(handler)
    try:
        response = engineer.get("/v1/plants/P/hangers/H-1")
    finally:
        logger.removeHandler(handler)
    document = problem_of(response, 500, "internal")
    assert "secret-of-the-inside" not in response.get_data(as_text=True)
    assert "SELECT" not in json.dumps(document)
    (record,) = records
    assert record.fields["request_id"] == document["request_id"]  # type: ignore[attr-defined]
    assert record.exc_info is not None


class _Keeper(logging.Handler):
    def __init__(self, records: list[logging.LogRecord]) -> None:
        super().__init__()
        self._records = records

    def emit(self, record: logging.LogRecord) -> None:
        self._records.append(record)


def refusing(error: ServiceError) -> Callable[..., None]:
    def refuse(*_: object, **__: object) -> None:
        raise error

    return refuse


def test_a_busy_store_is_503_with_retry_after_and_a_full_one_507(
    fresh: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    engineer = fresh.caller("engineer")
    monkeypatch.setattr(
        fresh.store, "write", refusing(errors.StoreBusy("The write lock was not had in time."))
    )
    response = engineer.post("/v1/plants/P/hangers/H-1/inspections", inspection())
    problem_of(response, 503, "store-busy")
    assert int(response.headers["Retry-After"]) > 0
    monkeypatch.setattr(fresh.store, "write", refusing(errors.StoreFull("No room.")))
    problem_of(engineer.post("/v1/plants/P/hangers/H-1/inspections", inspection()), 507, "store-full")


@pytest.mark.parametrize("code", STATUS_BY_CODE)
def test_the_type_of_a_problem_leads_to_a_page_for_programs_and_for_people(
    shared: Running, code: str
) -> None:
    client = shared.app.test_client()
    document = client.get(f"/problems/{code}").json
    Document("problem-meaning").validate(document)
    assert (document["code"], document["status"]) == (code, STATUS_BY_CODE[code])
    page = client.get(f"/problems/{code}", headers={"Accept": "text/html"})
    assert page.content_type == "text/html; charset=utf-8"
    text = page.get_data(as_text=True)
    assert text.startswith("<!doctype html>")
    assert '<meta charset="utf-8">' in text
    assert code in text


def test_the_list_of_problems_is_whole(shared: Running) -> None:
    listed = shared.app.test_client().get("/problems/").json["items"]
    assert {item["code"] for item in listed} == set(STATUS_BY_CODE)
