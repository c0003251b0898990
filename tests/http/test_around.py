"""What stands around the interface: index, health, schemas, reference page, headers, HEAD and OPTIONS."""

from __future__ import annotations

import json
import re

import pytest
import yaml

from service.config import service_version
from service.errors import LogCorrupt, StoreBusy
from service.http.documents import Document
from service.schema_files import FOLDER, load_schemas
from tests.http.running import Running, problem_of


def test_the_index_leads_to_every_place(shared: Running) -> None:
    client = shared.app.test_client()
    index = Document("index").validate(client.get("/").json)
    assert index["version"] == service_version()
    for name, path in index["paths"].items():
        assert client.get(path).status_code == (401 if name == "plants" else 200), path


def test_version_and_health(shared: Running) -> None:
    client = shared.app.test_client()
    assert Document("version").validate(client.get("/version").json)["version"] == service_version()
    assert client.get("/health/live").json == {"status": "live"}
    assert client.get("/health/ready").json == {"status": "ready"}


def test_a_store_that_cannot_serve_is_not_ready_but_the_process_lives(
    fresh: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = fresh.app.test_client()

    def busy() -> None:
        raise StoreBusy("No connection.")

    monkeypatch.setattr(fresh.store, "ready", busy)
    problem_of(client.get("/health/ready"), 503, "store-busy")

    def corrupt() -> None:
        raise LogCorrupt("The head differs.")

    monkeypatch.setattr(fresh.store, "ready", corrupt)
    problem_of(client.get("/health/ready"), 500, "log-corrupt")
    assert client.get("/health/live").status_code == 200


def test_every_schema_is_listed_and_served_as_it_lies_in_its_folder(shared: Running) -> None:
    client = shared.app.test_client()
    listed = Document("schema-list").validate(client.get("/schemas/").json)["items"]
    assert [item["name"] for item in listed] == sorted(load_schemas())
    for item in listed:
        response = client.get(item["path"])
        assert response.content_type == "application/schema+json"
        assert response.data == (FOLDER / item["path"].rpartition("/")[2]).read_bytes()
        assert json.loads(response.data)["$id"] == item["id"]


@pytest.mark.parametrize(
    "file", ["openapi.yaml", "common", "common.schema", "..schema.json", "common.schema.json.bak"]
)
def test_nothing_but_schemas_is_served_beside_them(shared: Running, file: str) -> None:
    assert shared.app.test_client().get(f"/schemas/{file}").status_code in (400, 404)


def test_the_description_is_served_in_both_forms(shared: Running) -> None:
    client = shared.app.test_client()
    text = client.get("/openapi.yaml")
    assert text.content_type == "application/yaml"
    document = yaml.safe_load(text.data)
    bundled = client.get("/openapi.json").json
    assert document["openapi"] == bundled["openapi"] == "3.1.0"
    assert document["paths"].keys() == bundled["paths"].keys()


def test_the_reference_page_loads_nothing_from_elsewhere(shared: Running) -> None:
    client = shared.app.test_client()
    page = client.get("/docs")
    text = page.get_data(as_text=True)
    assert text.startswith("<!doctype html>")
    assert '<meta charset="utf-8">' in text
    assert page.content_type == "text/html; charset=utf-8"
    assert "//" not in text.replace("<!--", "")
    targets = re.findall(r'(?:src|href)="([^"]+)"', text)
    assert len(targets) == 5
    for target in targets:
        response = client.get(target)
        assert response.status_code == 200, target
        assert len(response.data) > 100
    start = client.get("/docs/start.js").get_data(as_text=True)
    assert "validatorUrl: null" in start
    assert "/openapi.json" in start
    assert "http" not in start
    policy = page.headers["Content-Security-Policy"]
    assert "script-src 'self';" in policy
    assert "default-src 'none'" in policy


@pytest.mark.parametrize("path", ["/", "/docs", "/v1/plants", "/nowhere", "/metrics", "/schemas/"])
def test_every_answer_carries_the_headers_of_safety(shared: Running, path: str) -> None:
    headers = shared.app.test_client().get(path).headers
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["X-Frame-Options"] == "DENY"
    assert headers["Referrer-Policy"] == "no-referrer"
    assert "frame-ancestors 'none'" in headers["Content-Security-Policy"]
    assert re.fullmatch(r"rq_[0-9a-z]{26}", headers["X-Request-Id"])
    assert headers["Cache-Control"]


def test_what_a_token_sees_is_kept_by_no_shared_cache(shared: Running) -> None:
    engineer = shared.caller("engineer")
    assert engineer.get("/v1/plants/P/hangers/H-1").headers["Cache-Control"] == "private, no-cache"
    for path in (
        "/v1/plants/P/hangers",
        "/v1/plants/P/events",
        "/v1/plants/P/lines/L-1/readiness?for=release",
    ):
        assert engineer.get(path).headers["Cache-Control"] == "no-store"


@pytest.mark.parametrize("path", ["/version", "/v1/plants/P/hangers/H-1", "/v1/plants/P/events"])
def test_head_answers_as_get_without_a_body(shared: Running, path: str) -> None:
    engineer = shared.caller("engineer")
    head, get = engineer.send("HEAD", path), engineer.get(path)
    assert (head.status_code, head.data) == (200, b"")
    assert head.headers["Content-Type"] == get.headers["Content-Type"]
    assert head.headers.get("ETag") == get.headers.get("ETag")


def test_options_names_the_methods_of_a_path(shared: Running) -> None:
    client = shared.app.test_client()
    assert set(client.options("/v1/plants/P/hangers/H-1").headers["Allow"].split(", ")) == {
        "GET",
        "HEAD",
        "OPTIONS",
        "PUT",
    }
    assert set(client.options("/v1/checks").headers["Allow"].split(", ")) == {"OPTIONS", "POST"}


@pytest.mark.parametrize("accept", ["text/html", "image/png", "application/xml", "application/json;q=0"])
def test_a_record_in_a_form_that_is_not_offered_is_406(shared: Running, accept: str) -> None:
    response = shared.caller("engineer").get("/v1/plants/P/hangers/H-1", headers={"Accept": accept})
    document = problem_of(response, 406, "not-acceptable")
    assert document["errors"][0]["accepted"] == ["application/json"]
