"""Questions: readiness, release status, checks and nut plans, of now or of the past."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from service.application.context import Context, line_in_scope, nothing_there, plant_in_scope, require
from service.application.hangers import hanger_in_scope
from service.application.limits import criteria_of
from service.application.weigh import assess_line, open_blockers
from service.application.weighings import weighing_of
from service.domain.checks import check_request, line_sums, run_checks, summary
from service.domain.instants import parse_instant
from service.domain.nut_plans import plan_nut
from service.domain.nut_plans.stored import known_of
from service.domain.ports import PlantReader
from service.domain.readiness import assess_plant
from service.domain.release.status_document import status_document
from service.domain.views import HangerView, LineView
from service.errors import Finding, InvalidDocument, InvalidParameter

AsOf = int | datetime | None


def moment(context: Context, reader: PlantReader, as_of: AsOf) -> tuple[int | None, datetime]:
    """The sequence to read as of (None for now) and the instant at which expiries are judged.

    Errors: InvalidParameter for a sequence that the log has not reached, or an instant to come.
    """
    if as_of is None:
        return None, context.now
    if isinstance(as_of, datetime):
        if as_of > context.now:
            raise _as_of_refused(f"an instant up to {context.now.isoformat()}")
        return reader.sequence_at(as_of), as_of
    recorded = reader.recorded_at(as_of)
    if recorded is None:
        raise _as_of_refused(f"a sequence from 0 to {reader.size - 1}, or an RFC 3339 instant")
    return as_of, parse_instant(recorded)


def _as_of_refused(accepted: str) -> InvalidParameter:
    return InvalidParameter(
        "as_of lies beyond what the log holds.",
        errors=[Finding("query", "within-the-log", "not reached yet", name="as_of", accepted=accepted)],
    )


# --- readiness ------------------------------------------------------------------------------------
def line_readiness(
    context: Context, plant: str, line: str, purpose: str, as_of: AsOf = None, explain: bool = False
) -> dict[str, Any]:
    """Is the line ready for this purpose, and if not, what stands in the way."""
    require(context, "read")
    line_in_scope(context, plant, line)
    with context.store.read(plant) as reader:
        sequence, at = moment(context, reader, as_of)
        view = reader.line_view(line, as_of=sequence)
        if view is None:
            raise nothing_there()
        return assess_line(context, reader, view, purpose, at=at, explain=explain, as_of=sequence)


def plant_readiness(context: Context, plant: str, purpose: str, as_of: AsOf = None) -> dict[str, Any]:
    """The verdict of every line in scope, with counts."""
    require(context, "read")
    plant_in_scope(context, plant)
    with context.store.read(plant) as reader:
        sequence, at = moment(context, reader, as_of)
        criteria, revision = criteria_of(reader, sequence)
        keys = reader.line_keys(context.principal.lines)
        views = (reader.line_view(key, as_of=sequence) for key in keys)
        return assess_plant(
            reader.plant,
            [view for view in views if view is not None],
            purpose,
            criteria,
            sequence=reader.size - 1 if sequence is None else sequence,
            at=at,
            criteria_revision=revision,
            service_version=context.service_version,
            weighing_of=lambda view: weighing_of(reader, view, sequence),
        )


# --- one hanger -----------------------------------------------------------------------------------
def _views(
    context: Context, reader: PlantReader, mark: str, sequence: int | None
) -> tuple[HangerView, LineView]:
    row = hanger_in_scope(context, reader, mark)
    view = reader.hanger_view(row.mark, as_of=sequence)
    line = reader.line_view(view.line, as_of=sequence) if view else None
    if view is None or line is None or not context.principal.sees_line(reader.plant, view.line):
        raise nothing_there()
    return view, line


def release_status(context: Context, plant: str, mark: str, as_of: AsOf = None) -> dict[str, Any]:
    """State, possible transitions with what each lacks, ledger and stop register."""
    require(context, "read")
    plant_in_scope(context, plant)
    with context.store.read(plant) as reader:
        sequence, at = moment(context, reader, as_of)
        view, line = _views(context, reader, mark, sequence)
        criteria, _ = criteria_of(reader, sequence)
        blockers = None
        if view.state == "cleared":
            blockers = open_blockers(reader, line, "release", at=at, as_of=sequence)
        weighing = weighing_of(reader, line, sequence)
        return status_document(view, line, criteria, context.principal, at, blockers, weighing)


def list_checks(context: Context, plant: str, mark: str, as_of: AsOf = None) -> dict[str, Any]:
    """All checks of one hanger: as designed, as erected, as read; and its line's load sums."""
    require(context, "read")
    plant_in_scope(context, plant)
    with context.store.read(plant) as reader:
        sequence, _ = moment(context, reader, as_of)
        view, line = _views(context, reader, mark, sequence)
        criteria, revision = criteria_of(reader, sequence)
        weighing = weighing_of(reader, line, sequence)
        results = run_checks(view, criteria, line=line, weighing=weighing)
        return {
            "plant": reader.plant,
            "mark": view.mark,
            "revision": view.revision,
            "criteria_revision": revision,
            "sequence": line.sequence,
            "checks": results,
            "line_checks": line_sums(line, criteria, weighing=weighing),
            "summary": summary(results),
        }


def nut_plan(context: Context, plant: str, mark: str, request: Mapping[str, Any]) -> dict[str, Any]:
    """A plan for the adjusting nut of a stored hanger, from its record and ledger.

    Errors: InvalidDocument when the request brings a record of its own, which would be read by nobody.
    """
    require(context, "read")
    plant_in_scope(context, plant)
    if "hanger" in request:
        detail = "the stored record is used; a record of your own goes to /v1/nut-plans"
        finding = Finding("body", "stored-record", detail, "/hanger", accepted="a request without `hanger`")
        raise InvalidDocument("The hanger is a stored one.", errors=[finding])
    with context.store.read(plant) as reader:
        view, line = _views(context, reader, mark, None)
        criteria, _ = criteria_of(reader)
        assembly = request.get("assembly", 1)
        known = None
        if assembly <= len(view.record.get("assemblies", ())):
            known = known_of(view, line, assembly)
        return plan_nut(request, view.record, known=known, criteria=criteria)


# --- stateless ------------------------------------------------------------------------------------
def check_documents(context: Context, documents: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Design checks of posted records that are stored nowhere, by the default or posted criteria."""
    require(context, "read")
    return [check_request(document) for document in documents]


def plan_documents(context: Context, documents: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Nut plans of posted requests that are stored nowhere."""
    require(context, "read")
    return [plan_nut(document) for document in documents]
