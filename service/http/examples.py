"""Examples of requests and answers: recorded from a running service and replayed by a test.

`examples.json` holds one story, step by step. Each step names its operation, its request and the
answer that came; the description of the interface takes its examples from there.
"""

from __future__ import annotations

import functools
import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

FILE: Final = Path(__file__).resolve().parent / "examples.json"


@functools.cache
def steps() -> tuple[Mapping[str, Any], ...]:
    """Every step of the story, in order."""
    return tuple(json.loads(FILE.read_text(encoding="utf-8"))["steps"]) if FILE.exists() else ()


def _shown(operation: str) -> Iterator[Mapping[str, Any]]:
    return (step for step in steps() if step["operation"] == operation and step.get("show", True))


def requests(operation: str) -> dict[str, Any]:
    """Bodies that the operation was sent and did not refuse, by the step's name."""
    return {
        step["name"]: step["body"]
        for step in _shown(operation)
        if "body" in step and step["answer"]["status"] < 400
    }


def answers(operation: str, status: int, media: str) -> dict[str, Any]:
    """Answers that the operation gave with this status and media type, by the step's name."""
    return {
        step["name"]: step["answer"]["body"]
        for step in _shown(operation)
        if step["answer"]["status"] == status
        and step["answer"].get("media") == media
        and "body" in step["answer"]
    }
