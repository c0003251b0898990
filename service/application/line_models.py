"""Line models: stored and revised by line."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from service.application.context import Context, Page, line_in_scope, nothing_there, require
from service.application.preconditions import Precondition
from service.application.records import Written, finish, found, list_revisions, write_plain
from service.application.settle import settle_line
from service.application.weighings import KIND, hanger_records
from service.domain.line_models.builder import build_line
from service.domain.ports import Record

REVISIONS_A_PAGE = 20  # a model may have megabytes


def put_line_model(
    context: Context, plant: str, line: str, document: Mapping[str, Any], precondition: Precondition
) -> Written:
    """Store or revise the model of a line. Readiness is judged anew by it. Engineer only.

    Errors: InvalidDocument with a pointer to each thing that does not fit, hangers not registered included.
    """
    require(context, "write_line_models")
    line_in_scope(context, plant, line)
    with context.store.write(plant) as writer:
        view = writer.line_view(line)
        if view is None:
            raise nothing_there()
        build_line(document, hanger_records(view))
        written = write_plain(context, writer, KIND, view.line, view.line, document, precondition)
        if written.sequence is None:
            return written
        made = settle_line(context, writer, view.line, written.sequence)
        finish(context, writer)
        return replace(written, consequences=[event.as_document() for event in made])


def get_line_model(context: Context, plant: str, line: str) -> Record:
    """The current model of the line."""
    require(context, "read")
    line_in_scope(context, plant, line)
    with context.store.read(plant) as reader:
        return found(reader.record(KIND, line))


def list_line_model_revisions(context: Context, plant: str, line: str, after: int, limit: int) -> Page:
    """Revisions of the line's model, ascending; a page holds few, since each may be large."""
    return list_revisions(context, plant, KIND, line, after, min(limit, REVISIONS_A_PAGE))
