"""The description of the interface and a reference page, both from packaged files."""

from __future__ import annotations

import functools
import importlib.resources
import mimetypes
from typing import Any, Final

import orjson
from flask import Response, current_app

from service.errors import NotFound
from service.http import openapi
from service.http.bodies import JSON
from service.http.operations import Call, EdgeBlueprint, Operation, Reply, operation

blueprint = EdgeBlueprint("docs", __name__, description="openapi.yaml and a reference page.")

YAML: Final = "application/yaml"
HTML: Final = "text/html"
FILES: Final = ("swagger-ui.css", "swagger-ui-bundle.js", "favicon-32x32.png", "start.js")

PAGE: Final = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Interface reference</title>
<link rel="icon" href="/docs/favicon-32x32.png">
<link rel="stylesheet" href="/docs/swagger-ui.css">
</head>
<body>
<div id="reference"></div>
<noscript>This page needs scripts. The description is at <a href="/openapi.yaml">/openapi.yaml</a>.</noscript>
<script src="/docs/swagger-ui-bundle.js"></script>
<script src="/docs/start.js"></script>
</body>
</html>
"""

START: Final = """window.addEventListener("load", function () {
  SwaggerUIBundle({
    url: "/openapi.json",
    dom_id: "#reference",
    deepLinking: true,
    docExpansion: "list",
    defaultModelsExpandDepth: 0,
    persistAuthorization: false,
    validatorUrl: null
  });
});
"""

# The page's own scripts and nothing from elsewhere; its styles are partly written inline.
PAGE_POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; "
    "connect-src 'self'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'"
)


@functools.cache
def _packaged(file: str) -> bytes:
    if file == "start.js":
        return START.encode()
    return (importlib.resources.files("flask_swagger_ui") / "dist" / file).read_bytes()


def _described() -> Any:
    return openapi.described(current_app)


@operation(
    blueprint,
    Operation(
        "getOpenapi",
        "GET",
        "/openapi.yaml",
        "Read the description of the interface as YAML",
        "OpenAPI 3.1, made from the routes and the schemas; schemas are referred to as files beside it.",
        {200: Reply("The description.", {YAML: {"type": "object"}})},
        public=True,
        formats=(YAML,),
    ),
)
def get_openapi(call: Call) -> Response:
    """The description as YAML."""
    return _file(_described().text, YAML)


@operation(
    blueprint,
    Operation(
        "getOpenapiBundle",
        "GET",
        "/openapi.json",
        "Read the description of the interface as JSON",
        "The same, with every schema inside it, for tools that follow no references to files.",
        {200: Reply("The description.", {JSON: {"type": "object"}})},
        public=True,
    ),
)
def get_openapi_bundle(call: Call) -> Response:
    """The description as JSON, complete in itself."""
    return _file(orjson.dumps(_described().bundled), JSON)


@operation(
    blueprint,
    Operation(
        "getReference",
        "GET",
        "/docs",
        "Open the reference page",
        "A page for people that shows this description and can try requests. It loads nothing from "
        "elsewhere.",
        {200: Reply("The page.", {HTML: {"type": "string"}})},
        public=True,
        formats=(HTML,),
    ),
)
def get_reference(call: Call) -> Response:
    """The reference page."""
    response = _file(PAGE, "text/html; charset=utf-8")
    response.headers["Content-Security-Policy"] = PAGE_POLICY
    return response


@operation(
    blueprint,
    Operation(
        "getReferenceFile",
        "GET",
        "/docs/<file>",
        "Read a file of the reference page",
        "Style sheet, scripts and icon.",
        {
            200: Reply(
                "The file.",
                {
                    "text/css": {"type": "string"},
                    "text/javascript": {"type": "string"},
                    "image/png": {"type": "string"},
                },
            )
        },
        public=True,
        formats=("text/css", "text/javascript", "image/png"),
    ),
)
def get_reference_file(call: Call, file: str) -> Response:
    """A packaged file of the reference page."""
    if file not in FILES:
        raise NotFound("There is no such file.", known=list(FILES))
    media = {"js": "text/javascript; charset=utf-8", "css": "text/css; charset=utf-8"}.get(
        file.rpartition(".")[2], mimetypes.guess_type(file)[0] or "application/octet-stream"
    )
    return _file(_packaged(file), media)


def _file(content: bytes | str, media: str) -> Response:
    response = Response(content, content_type=media)
    response.headers["Cache-Control"] = "public, max-age=300"
    return response
