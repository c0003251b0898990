"""Questions about a line's weight: balance, order of release, estimates from the field, drawing."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from service.application.context import Context, line_in_scope, nothing_there, require
from service.application.weighings import ModelledLine, modelled_line
from service.domain.balance.analysis import Analysis
from service.domain.balance.answer import balance
from service.domain.balance.drawing import elevation
from service.domain.balance.weighing import Weighing
from service.domain.field_estimates.estimate import field_estimate
from service.domain.field_estimates.observations import observations_of
from service.domain.line_models.builder import build_line
from service.domain.release_orders.following import next_step
from service.domain.release_orders.order import release_order
from service.domain.release_orders.progress import progress_of
from service.errors import Conflict, Finding, InvalidDocument, NotFound
from service.units import System


def _stored(context: Context, plant: str, line: str) -> ModelledLine:
    """The stored line as it stands. Errors: NotFound where it is not there, or has no model."""
    require(context, "read")
    line_in_scope(context, plant, line)
    with context.store.read(plant) as reader:
        view = reader.line_view(line)
        if view is None:
            raise nothing_there()
        found = modelled_line(reader, view)
        if found is None:
            raise NotFound("The line has no model; an engineer puts one at .../model.", line=view.line)
        return found


def _posted(request: Mapping[str, Any], base: str = "") -> Analysis:
    """The line that a request brings with it as `model` and `hangers`. base: the request's pointer."""
    missing = [name for name in ("model", "hangers") if name not in request]
    if missing:
        raise InvalidDocument(
            "The request has to bring the line with it.",
            errors=[
                Finding(
                    "body",
                    "required",
                    f"{name} is missing",
                    f"{base}/{name}",
                    accepted=f"a request with `{name}`",
                )
                for name in missing
            ],
        )
    records: dict[str, Mapping[str, Any]] = {}
    for place, record in enumerate(request["hangers"]):
        key = str(record["mark"]).casefold()
        if key in records:
            finding = Finding(
                "body",
                "unique-mark",
                "the mark is given twice",
                f"{base}/hangers/{place}/mark",
                accepted="each mark once",
            )
            raise InvalidDocument("A hanger is given twice.", errors=[finding])
        records[key] = record
    try:
        return Analysis(build_line(request["model"], records))
    except InvalidDocument as error:
        raise InvalidDocument(
            error.detail, errors=[_inside(finding, base) for finding in error.errors]
        ) from error


def _inside(finding: Finding, base: str) -> Finding:
    """A fault of the model, at its place in the request."""
    return Finding(
        finding.place,
        finding.rule,
        finding.detail,
        f"{base}/model{finding.pointer or ''}",
        accepted=finding.accepted,
    )


def _refuse_line(request: Mapping[str, Any]) -> None:
    """A stored line is asked by its own model and records: those of a request would be read by nobody."""
    given = [name for name in ("model", "hangers") if name in request]
    if given:
        raise InvalidDocument(
            "The line is a stored one.",
            errors=[
                Finding(
                    "body",
                    "stored-record",
                    "what is stored is used; a line of your own goes to the endpoint without a plant",
                    f"/{name}",
                    accepted=f"a request without `{name}`",
                )
                for name in given
            ],
        )


def _placed(requests: Sequence[Mapping[str, Any]]) -> Iterator[tuple[Mapping[str, Any], str]]:
    """Each request with its pointer in the body."""
    for place, request in enumerate(requests):
        yield request, f"/{place}" if len(requests) > 1 else ""


# --- balance ------------------------------------------------------------------------------------------
def line_balance(
    context: Context, plant: str, line: str, request: Mapping[str, Any], units: System = "si"
) -> dict[str, Any]:
    """What a stored line weighs, and what each hanger carries in every state that matters."""
    _refuse_line(request)
    found = _stored(context, plant, line)
    document = balance(
        found.analysis(),
        request,
        model_revision=found.model.revision,
        model_sequence=found.model.sequence,
        units=units,
    )
    return {"sequence": found.view.sequence, **document}


def posted_balances(
    context: Context, requests: Sequence[Mapping[str, Any]], units: System = "si"
) -> list[dict[str, Any]]:
    """The same for lines that the requests bring with them. Nothing is stored."""
    require(context, "read")
    return [balance(_posted(request, base), request, units=units) for request, base in _placed(requests)]


def line_elevation(context: Context, plant: str, line: str) -> str:
    """The elevation of a stored line as a drawing (SVG)."""
    found = _stored(context, plant, line)
    weighing = found.weighing()
    answer = weighing if isinstance(weighing, Weighing) else None
    return elevation(found.analysis(), answer, name=found.view.line)


# --- order of release -----------------------------------------------------------------------------------
def line_release_order(
    context: Context, plant: str, line: str, request: Mapping[str, Any], units: System = "si"
) -> dict[str, Any]:
    """In which order the stops of a stored line should come out, and what each step does."""
    _refuse_line(request)
    found = _stored(context, plant, line)
    document = release_order(
        found.analysis(),
        request,
        records=_by_mark(hanger.record for hanger in found.view.hangers),
        progress=progress_of(found.view),
        model_revision=found.model.revision,
        model_sequence=found.model.sequence,
        units=units,
    )
    return {"sequence": found.view.sequence, **document}


def posted_release_order(
    context: Context, request: Mapping[str, Any], units: System = "si"
) -> dict[str, Any]:
    """The same for a line that the request brings with it. Nothing is stored."""
    require(context, "read")
    return release_order(_posted(request), request, records=_by_mark(request["hangers"]), units=units)


def line_next_step(context: Context, plant: str, line: str, order: Mapping[str, Any]) -> dict[str, Any]:
    """The step of an order that comes next after what has been recorded, or what holds the work.

    Errors: Conflict where the order was made by another model or before a hanger's record changed.
    """
    found = _stored(context, plant, line)
    if order["model_sequence"] != found.model.sequence:
        raise Conflict(
            "The order was made by another revision of the line's model: make it anew.",
            model_revision=found.model.revision,
            given=order["model_revision"],
        )
    made_at = order.get("sequence")
    changed = [
        hanger.mark for hanger in found.view.hangers if made_at is None or hanger.record_sequence > made_at
    ]
    if changed:
        raise Conflict(
            f"The order was made before these records were written: {', '.join(changed)}. Make it anew.",
            hangers=changed,
        )
    return next_step(order, progress_of(found.view))


def _by_mark(records: Iterable[Mapping[str, Any]]) -> dict[str, Mapping[str, Any]]:
    return {str(record["mark"]): record for record in records}


# --- estimates from the field -------------------------------------------------------------------------------
def line_field_estimate(
    context: Context, plant: str, line: str, request: Mapping[str, Any], units: System = "si"
) -> dict[str, Any]:
    """What the observations of a stored line say together: those on record that hold, and the request's."""
    _refuse_line(request)
    found = _stored(context, plant, line)
    given = list(request.get("observations", ()))
    named = {observation.get("id") for observation in given}
    stored = [seen for seen in observations_of(found.view) if seen["id"] not in named]
    document = field_estimate(found.analysis(), {**request, "observations": [*stored, *given]}, system=units)
    return {"sequence": found.view.sequence, **document}


def posted_field_estimate(
    context: Context, request: Mapping[str, Any], units: System = "si"
) -> dict[str, Any]:
    """The same for a line that the request brings with it. Nothing is stored."""
    require(context, "read")
    return field_estimate(_posted(request), request, system=units)
