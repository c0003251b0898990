"""The JSON Schemas and the problem pages, as files that anyone may read."""

from __future__ import annotations

from flask import Response, request

from service.errors import NotFound
from service.http import answers, problems
from service.http.bodies import JSON
from service.http.documents import Document
from service.http.operations import Call, EdgeBlueprint, Operation, Reply, operation
from service.http.replies import document_reply
from service.schema_files import FOLDER, SUFFIX, load_schemas

blueprint = EdgeBlueprint(
    "schemas", __name__, description="JSON Schemas and the meaning of each problem code."
)

SCHEMA_MEDIA = "application/schema+json"
HTML = "text/html"


@operation(
    blueprint,
    Operation(
        "listSchemas",
        "GET",
        "/schemas/",
        "List the JSON Schemas",
        "Every schema of the service (JSON Schema 2020-12), with its title and path.",
        {200: document_reply("schema-list", "The schemas.")},
        public=True,
    ),
)
def list_schemas(call: Call) -> Response:
    """Every schema with its title and path."""
    items = [
        {"name": name, "title": schema["title"], "id": schema["$id"], "path": f"/schemas/{name}{SUFFIX}"}
        for name, schema in sorted(load_schemas().items())
    ]
    return answers.json_answer({"items": items})


@operation(
    blueprint,
    Operation(
        "getSchema",
        "GET",
        "/schemas/<file>",
        "Read a JSON Schema",
        "One schema, as the file that the service uses.",
        {200: Reply("The schema.", {SCHEMA_MEDIA: {"type": "object"}})},
        public=True,
        formats=(SCHEMA_MEDIA, JSON),
    ),
)
def get_schema(call: Call, file: str) -> Response:
    """One schema as it lies in the folder."""
    name = file.removesuffix(SUFFIX)
    if not file.endswith(SUFFIX) or name not in load_schemas():
        raise NotFound("There is no such schema.", known=[f"{known}{SUFFIX}" for known in load_schemas()])
    response = Response((FOLDER / file).read_bytes(), content_type=SCHEMA_MEDIA)
    response.headers["Cache-Control"] = "public, max-age=300"
    response.headers["Access-Control-Allow-Origin"] = "*"
    return response


@operation(
    blueprint,
    Operation(
        "listProblems",
        "GET",
        "/problems/",
        "List the problem codes",
        "Every code that a problem document may carry, with its status, meaning and advice.",
        {200: document_reply("problem-list", "The codes.")},
        public=True,
    ),
)
def list_problems(call: Call) -> Response:
    """Every code with its meaning."""
    return answers.json_answer(
        {"items": [problems.page_document(found) for found in problems.CATALOGUE.values()]}
    )


@operation(
    blueprint,
    Operation(
        "getProblem",
        "GET",
        "/problems/<code>",
        "Read the meaning of a problem code",
        "What the `type` of a problem document leads to: as JSON, or as a page for people (Accept: "
        "text/html).",
        {200: Reply("The meaning.", {JSON: Document("problem-meaning"), HTML: {"type": "string"}})},
        public=True,
        formats=(JSON, HTML),
    ),
)
def get_problem(call: Call, code: str) -> Response:
    """What a code means."""
    found = problems.CATALOGUE.get(code)
    if found is None:
        raise NotFound("There is no such code.", path=request.path)
    if call.media == HTML:
        return Response(problems.page_html(found), content_type="text/html; charset=utf-8")
    return answers.json_answer(problems.page_document(found))
