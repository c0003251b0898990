"""Criteria and readiness as the use cases ask for them."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from service.application.context import Context
from service.domain import readiness
from service.domain.criteria import Criteria
from service.domain.ports import PlantReader
from service.domain.views import LineView
from service.errors import Lack


def criteria_of(reader: PlantReader, as_of: int | None = None) -> tuple[Criteria, int]:
    """The plant's criteria and their revision; revision 0 are the defaults."""
    record = reader.record("criteria", reader.plant, as_of=as_of)
    if record is None:
        return Criteria.from_document(None), 0
    return Criteria.from_document(record.document), record.revision


def assess_line(
    context: Context,
    reader: PlantReader,
    line: LineView,
    purpose: str,
    *,
    at: datetime,
    explain: bool = False,
    as_of: int | None = None,
) -> dict[str, Any]:
    """The readiness document of one line for one purpose, judged at one instant."""
    criteria, revision = criteria_of(reader, as_of)
    return readiness.assess(
        line,
        purpose,
        criteria,
        at=at,
        explain=explain,
        criteria_revision=revision,
        service_version=context.service_version,
    )


def open_blockers(
    reader: PlantReader, line: LineView, purpose: str, *, at: datetime, as_of: int | None = None
) -> list[Lack]:
    """Blockers that no concession in force takes off, judged at one instant; empty means ready."""
    criteria, _ = criteria_of(reader, as_of)
    return readiness.blockers(line, purpose, criteria, at=at)
