"""Questions about a line's weight: balance, order of release, estimates from the field, drawing."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

from service.application.context import Context, line_in_scope, nothing_there, require
from service.application.weighings import ModelledLine, modelled_line
from service.domain.balance.analysis import Analysis, NotWeighable
from service.domain.balance.answer import balance
from service.domain.balance.drawing import elevation
from service.domain.balance.weigh import unheld
from service.domain.balance.weighing import Weighing
from service.domain.field_estimates.estimate import field_estimate
from service.domain.field_estimates.observations import observations_of
from service.domain.line_models.builder import build_line
from service.domain.release_orders.following import next_step
from service.domain.release_orders.order import release_order
from service.domain.release_orders.progress import progress_of
from service.engineering.frames.solution import FrameUnstable
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
        _must_fit(found)
        return found


def _must_fit(line: ModelledLine) -> None:
    """No question is answered of a line whose model and register differ: each number would be another line's.

    Errors: NotWeighable, what differs named.
    """
    modelled = _modelled(line.model.document)
    strange = [hanger.mark for hanger in line.view.hangers if hanger.mark.casefold() not in modelled]
    if strange:
        raise NotWeighable(
            f"The line's model does not have these hangers: {', '.join(strange)}.",
            missing={mark: [f"line-model/hangers/{mark}"] for mark in strange},
        )
    try:
        line.analysis()
    except InvalidDocument as error:
        # The caller's body is not at fault: the records changed after the model was written.
        places = "; ".join(f"{finding.pointer}: {finding.detail}" for finding in error.errors[:5])
        raise NotWeighable(
            f"The line's model no longer fits its records. {places or error.detail}",
            missing={},
            model_revision=line.model.revision,
        ) from error


def _modelled(model: Mapping[str, Any]) -> frozenset[str]:
    """Folded marks of the hangers that a model has."""
    return frozenset(str(entry["mark"]).casefold() for entry in model.get("hangers", ()))


def _posted(request: Mapping[str, Any], base: str = "") -> Analysis:
    """The line that a request brings with it as `model` and `hangers`. base: the request's pointer.

    Errors: InvalidDocument: one of them is missing, a hanger is given twice or is not in the model, or the
    model does not fit
    """
    missing = [name for name in ("model", "hangers") if name not in request]
    if missing:
        raise InvalidDocument(
            "The request has to bring the line with it.",
            errors=[
                Finding(
                    "body",
                    "line-not-given",
                    f"{name} is missing",
                    f"{base}/{name}",
                    accepted=f"a request with `{name}`",
                )
                for name in missing
            ],
        )
    records: dict[str, Mapping[str, Any]] = {}
    modelled, faults = _modelled(request["model"]), []
    for place, record in enumerate(request["hangers"]):
        key, pointer = str(record["mark"]).casefold(), f"{base}/hangers/{place}/mark"
        if key in records:
            detail, accepted = "the mark is given twice", "each mark once"
            faults.append(Finding("body", "unique-mark", detail, pointer, accepted=accepted))
        elif key not in modelled:
            detail, accepted = "the model does not have this hanger", "the hangers that the model has"
            faults.append(Finding("body", "hanger-not-in-the-model", detail, pointer, accepted=accepted))
        records[key] = record
    if faults:
        raise InvalidDocument("The hangers are not those of the model, each once.", errors=faults)
    with _at(f"{base}/model"):
        return Analysis(build_line(request["model"], records))


@contextmanager
def _at(base: str) -> Iterator[None]:
    """Faults found inside are told at their place in the body, which begins with this pointer."""
    try:
        yield
    except InvalidDocument as error:
        placed = [
            Finding(each.place, each.rule, each.detail, f"{base}{each.pointer or ''}", accepted=each.accepted)
            for each in error.errors
        ]
        raise InvalidDocument(error.detail, errors=placed, **error.facts) from error


@contextmanager
def _held(analysis: Analysis) -> Iterator[Analysis]:
    """Where nothing holds the line, the place is told by the names of its model, not by an index."""
    try:
        yield analysis
    except FrameUnstable as error:
        at = unheld(analysis.built, error)
        raise FrameUnstable(
            f"Nothing holds the line: {at}.", at=at, direction=error.facts["direction"]
        ) from error


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
    context: Context,
    requests: Sequence[Mapping[str, Any]],
    units: System = "si",
    *,
    listed: bool = True,
) -> list[dict[str, Any]]:
    """The same for lines that the requests bring with them. Nothing is stored.

    listed: whether the requests came as a list, so that pointers of their faults begin with their place.
    """
    require(context, "read")
    found = []
    for place, request in enumerate(requests):
        base = f"/{place}" if listed else ""
        analysis = _posted(request, base)
        with _at(base):
            found.append(balance(analysis, request, units=units))
    return found


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
    with _held(found.analysis()) as analysis:
        document = release_order(
            analysis,
            request,
            records=_by_mark(hanger.record for hanger in found.view.hangers),
            progress=progress_of(found.view),
            model_revision=found.model.revision,
            model_sequence=found.model.sequence,
            units=units,
        )
    return {
        "plant": found.view.plant,
        "line": found.view.line,
        "sequence": found.view.sequence,
        **document,
    }


def posted_release_order(
    context: Context, request: Mapping[str, Any], units: System = "si"
) -> dict[str, Any]:
    """The same for a line that the request brings with it. Nothing is stored."""
    require(context, "read")
    with _held(_posted(request)) as analysis:
        return release_order(analysis, request, records=_by_mark(request["hangers"]), units=units)


def line_next_step(context: Context, plant: str, line: str, order: Mapping[str, Any]) -> dict[str, Any]:
    """The step of an order that comes next after what has been recorded, or what holds the work.

    Errors: Conflict where the order was made for another line, by another model or before a hanger's record
    changed.
    """
    found = _stored(context, plant, line)
    here, named = (found.view.plant, found.view.line), (order.get("plant"), order.get("line"))
    if named != here:
        raise Conflict(
            "The order was made for another line.", plant=named[0], line=named[1], accepted=list(here)
        )
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
    with _held(found.analysis()) as analysis:
        document = field_estimate(analysis, {**request, "observations": [*given, *stored]}, system=units)
    return {"sequence": found.view.sequence, **document}


def posted_field_estimate(
    context: Context, request: Mapping[str, Any], units: System = "si"
) -> dict[str, Any]:
    """The same for a line that the request brings with it. Nothing is stored."""
    require(context, "read")
    with _held(_posted(request)) as analysis:
        return field_estimate(analysis, request, system=units)
