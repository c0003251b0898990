"""openapi.yaml: made from the routes, valid, whole, and honest about every answer."""

from __future__ import annotations

import copy
import json
import re
from pathlib import Path
from typing import Any

import pytest
import yaml
from jsonschema import Draft202012Validator
from openapi_spec_validator import validate
from referencing import Registry, Resource

from service.bootstrap import make_document_app
from service.http import openapi, problems
from service.schema_files import load_schemas

FILE = Path(__file__).resolve().parents[2] / "openapi.yaml"


@pytest.fixture(scope="module")
def app() -> Any:
    return make_document_app()


@pytest.fixture(scope="module")
def document(app: Any) -> dict[str, Any]:
    return openapi.build(app)


@pytest.fixture(scope="module")
def bundled(document: dict[str, Any]) -> dict[str, Any]:
    return openapi.bundle(document)


def operations(document: dict[str, Any]) -> list[tuple[str, str, dict[str, Any]]]:
    return [
        (path, method, operation)
        for path, methods in document["paths"].items()
        for method, operation in methods.items()
    ]


def test_the_file_equals_what_the_routes_and_schemas_give(app: Any) -> None:
    assert openapi.check_openapi(app, FILE) == []


def test_a_difference_is_told_line_by_line(app: Any, tmp_path: Path) -> None:
    changed = tmp_path / "openapi.yaml"
    openapi.write_openapi(app, changed)
    assert openapi.check_openapi(app, changed) == []
    text = changed.read_text()
    changed.write_text(text.replace("summary: List plants", "summary: List all plants"))
    differences = openapi.check_openapi(app, changed)
    assert "-      summary: List all plants" in differences
    assert "+      summary: List plants" in differences
    changed.unlink()
    assert openapi.check_openapi(app, changed)


def test_it_is_made_alike_each_time(document: dict[str, Any]) -> None:
    assert openapi.as_yaml(openapi.build(make_document_app())) == openapi.as_yaml(document)


def test_making_it_changes_nothing_that_it_is_made_of(document: dict[str, Any]) -> None:
    before = copy.deepcopy(document)
    openapi.bundle(document)
    assert document == before


def test_it_is_valid_openapi_3_1(bundled: dict[str, Any]) -> None:
    assert bundled["openapi"] == "3.1.0"
    validate(bundled)


def test_every_reference_leads_to_a_file_or_a_part(document: dict[str, Any]) -> None:
    for reference in set(re.findall(r'"\$ref": "([^"]+)"', json.dumps(document))):
        place, _, pointer = reference.partition("#")
        found: Any = document
        if place:
            match = re.fullmatch(r"schemas/([a-z0-9-]+)\.schema\.json", place)
            assert match, reference
            found = load_schemas()[match[1]]
        for part in filter(None, pointer.split("/")):
            found = found[part]


def test_the_bundle_refers_to_nothing_outside(bundled: dict[str, Any]) -> None:
    references = set(re.findall(r'"\$ref": "([^"]+)"', json.dumps(bundled)))
    assert references
    assert all(reference.startswith("#/components/") for reference in references)
    assert '"$id"' not in json.dumps(bundled["components"]["schemas"])


def test_every_route_that_is_served_is_described_and_no_other(app: Any, document: dict[str, Any]) -> None:
    served = {
        (re.sub(r"<(?:path:)?([a-z_]+)>", r"{\1}", rule.rule), method.lower())
        for rule in app.url_map.iter_rules()
        for method in (rule.methods or set()) - {"HEAD", "OPTIONS"}
    }
    assert {(path, method) for path, method, _ in operations(document)} == served
    assert len(served) == 91


def test_every_operation_has_its_names_and_words(document: dict[str, Any]) -> None:
    ids = [operation["operationId"] for _, _, operation in operations(document)]
    assert len(set(ids)) == len(ids)
    assert all(re.fullmatch(r"[a-z]+(?:[A-Z][a-z]+)+", each) for each in ids), ids
    tags = {tag["name"] for tag in document["tags"]}
    for path, method, operation in operations(document):
        assert 8 <= len(operation["summary"]) <= 70, (path, method)
        assert operation["description"].endswith((".", ":", "`"))
        assert len(operation["tags"]) == 1
        assert set(operation["tags"]) <= tags
    assert tags == {tag for _, _, operation in operations(document) for tag in operation["tags"]}


def test_every_parameter_has_words_a_schema_and_where_it_is_text_a_form(document: dict[str, Any]) -> None:
    for path, method, operation in operations(document):
        for given in operation.get("parameters", ()):
            parts = document["components"]["parameters"]
            parameter = parts[given["$ref"].rpartition("/")[2]] if "$ref" in given else given
            assert parameter["description"], (path, method, parameter)
            schema = parameter["schema"]
            assert schema.get("type") != "string" or {"pattern", "enum", "format"} & set(schema), (
                path,
                parameter,
            )


def test_the_parts_of_a_path_are_its_path_parameters(document: dict[str, Any]) -> None:
    for path, _, operation in operations(document):
        named = [each["name"] for each in operation.get("parameters", ()) if each.get("in") == "path"]
        assert named == re.findall(r"{([a-z_]+)}", path)


def test_every_operation_but_the_public_ones_wants_a_token(document: dict[str, Any]) -> None:
    assert document["security"] == [{"token": []}]
    for path, _, operation in operations(document):
        if path.startswith("/v1/"):
            assert "security" not in operation
            assert "401" in operation["responses"]
        else:
            assert operation["security"] == []
            assert "401" not in operation["responses"]


def test_every_refusal_is_described_as_a_problem_with_its_codes(document: dict[str, Any]) -> None:
    for path, method, operation in operations(document):
        refusals = {
            int(status): reply for status, reply in operation["responses"].items() if int(status) >= 400
        }
        assert {400, 406, 500} <= set(refusals), (path, method)
        for status, reply in refusals.items():
            assert list(reply["content"]) == ["application/problem+json"]
            assert reply["content"]["application/problem+json"]["schema"] == {
                "$ref": "schemas/problem.schema.json"
            }
            codes = re.findall(r"`([a-z-]+)`", reply["description"])
            assert codes
            for code in codes:
                assert problems.STATUS[problems.CATALOGUE[code]] == status, (path, status, code)


def test_every_code_that_a_caller_can_meet_is_described_somewhere(document: dict[str, Any]) -> None:
    text = json.dumps([operation["responses"] for _, _, operation in operations(document)])
    never = {code for code in problems.CATALOGUE if f"`{code}`" not in text}
    # A setting stops the start, and a method that is not offered belongs to no operation.
    assert never == {"configuration", "method-not-allowed"}


def test_what_writes_wants_its_headers(document: dict[str, Any]) -> None:
    def headers(operation: dict[str, Any]) -> set[str]:
        return {each["$ref"].rpartition("/")[2] for each in operation.get("parameters", ()) if "$ref" in each}

    asking = {
        "checkDocuments",
        "planDocuments",
        "planNut",
        "balanceLine",
        "balancePosted",
        "orderRelease",
        "orderPosted",
        "nextStep",
        "estimateFromField",
        "estimatePosted",
    }
    for _, method, operation in operations(document):
        if method == "put":
            assert headers(operation) == {"IfMatch", "IfNoneMatchAny"}
            assert {"412", "428", "507"} <= set(operation["responses"])
        elif method == "post" and operation["operationId"] not in asking:
            assert headers(operation) == {"IdempotencyKey"}
            assert "dry_run" in [each.get("name") for each in operation["parameters"]]
        else:
            assert "IdempotencyKey" not in headers(operation)


def test_every_link_leads_to_an_operation_and_names_its_parameters(document: dict[str, Any]) -> None:
    by_id = {operation["operationId"]: (path, operation) for path, _, operation in operations(document)}
    count = 0
    for _, _, operation in operations(document):
        for reply in operation["responses"].values():
            for link in reply.get("links", {}).values():
                path, _ = by_id[link["operationId"]]
                assert set(link["parameters"]) <= set(re.findall(r"{([a-z_]+)}", path))
                assert link["description"]
                count += 1
    assert count > 60


def test_every_success_of_the_interface_shows_an_example(document: dict[str, Any]) -> None:
    missing = [
        (operation["operationId"], status)
        for path, _, operation in operations(document)
        if path.startswith("/v1/")
        for status, reply in operation["responses"].items()
        if status in ("200", "201")
        and set(reply["content"]) != {"application/octet-stream"}  # bytes are not shown
        and not any("examples" in content for content in reply["content"].values())
    ]
    # A trial answers as the act itself does: one is shown, for inspections.
    trials = {
        op["operationId"]
        for _, method, op in operations(document)
        if method == "post" and "201" in op["responses"]
    }
    assert {operation for operation, status in missing if status == "200"} == trials - {"inspectHanger"}
    assert [each for each in missing if each[1] == "201"] == []


def test_every_request_body_shows_an_example(document: dict[str, Any]) -> None:
    for path, method, operation in operations(document):
        for content in operation.get("requestBody", {}).get("content", {}).values():
            assert content.get("examples"), (path, method)


def test_every_example_is_valid_by_an_independent_validator(document: dict[str, Any]) -> None:
    registry: Registry[Any] = Registry().with_resources(
        [(str(schema["$id"]), Resource.from_contents(dict(schema))) for schema in load_schemas().values()]
    )
    count = 0
    for _, _, operation in operations(document):
        contents = [("body", *each) for each in operation.get("requestBody", {}).get("content", {}).items()]
        for status, reply in operation["responses"].items():
            contents += [(status, *each) for each in reply.get("content", {}).items()]
        for place, _, content in contents:
            schema = json.loads(
                json.dumps(content.get("schema", {})).replace(
                    '"schemas/', '"https://hangers.example/schemas/'
                )
            )
            for name, example in content.get("examples", {}).items():
                errors = list(Draft202012Validator(schema, registry=registry).iter_errors(example["value"]))
                assert not errors, (operation["operationId"], place, name, errors[0].message[:300])
                count += 1
    assert count > 100


def test_the_text_is_plain_yaml_that_reads_back_as_the_document(document: dict[str, Any]) -> None:
    text = openapi.as_yaml(document)
    assert yaml.safe_load(text) == json.loads(json.dumps(document))
    assert "&id" not in text
    assert "!!" not in text
