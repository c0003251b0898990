"""Readiness as the use cases ask for it."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from service.application.context import Context
from service.application.limits import criteria_of
from service.application.weighings import weighing_of
from service.domain import readiness
from service.domain.ports import PlantReader
from service.domain.views import LineView
from service.errors import Lack


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
        weighing=weighing_of(reader, line, as_of),
    )


def open_blockers(
    reader: PlantReader, line: LineView, purpose: str, *, at: datetime, as_of: int | None = None
) -> list[Lack]:
    """Blockers that no concession in force takes off, judged at one instant; empty means ready."""
    criteria, _ = criteria_of(reader, as_of)
    return readiness.blockers(line, purpose, criteria, at=at, weighing=weighing_of(reader, line, as_of))
