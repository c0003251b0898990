"""Record the answers of the story into service/http/examples.json: `python -m tests.http.record_examples`."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path
from typing import Any

from service.http.examples import FILE
from tests.http.story import NDJSON, Step, play

KEPT_HEADERS = ("ETag", "Location", "Link", "Allow", "WWW-Authenticate", "Idempotent-Replayed")


def recorded(step: Step, operation: str, response: Any) -> dict[str, Any]:
    """A step as the file keeps it."""
    media = response.mimetype
    answer: dict[str, Any] = {"status": response.status_code, "media": media}
    headers = {name: response.headers[name] for name in KEPT_HEADERS if name in response.headers}
    if headers:
        answer["headers"] = headers
    if media in ("application/json", "application/problem+json"):
        answer["body"] = json.loads(response.data)
    elif media in ("text/plain", "image/svg+xml"):
        answer["body"] = response.get_data(as_text=True)
    elif media == NDJSON:
        # One line stands for all: the description tells of each line.
        answer["lines"] = [json.loads(line) for line in response.data.splitlines()]
        answer["body"] = answer["lines"][0] if answer["lines"] else None
    kept: dict[str, Any] = {
        "name": step.name.replace(" ", "_"),
        "operation": operation,
        "path": step.path,
        "answer": answer,
    }
    if isinstance(step.body, dict):
        kept["body"] = step.body
    elif isinstance(step.body, list):
        kept["body"] = step.body[0]
    if step.hide:
        kept["show"] = False
    return kept


def record() -> list[dict[str, Any]]:
    """Every step of the story with its answer."""
    with tempfile.TemporaryDirectory() as folder:
        return [recorded(*each) for each in play(Path(folder))]


if __name__ == "__main__":
    FILE.write_text(json.dumps({"steps": record()}, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
