"""Decisions of an engineer about a line: the authorisation to release, and concessions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from service.application.context import (
    Answer,
    Context,
    answered,
    line_in_scope,
    nothing_there,
    recall,
    require,
)
from service.application.drafts import consequence, draft, occurred, receipt, unused_client_event
from service.application.limits import criteria_of
from service.application.settle import settle_line
from service.application.weigh import assess_line
from service.application.weighings import weighing_of
from service.domain import readiness
from service.domain.instants import parse_instant
from service.domain.ports import PlantReader
from service.domain.release.machine import to_be_cleared
from service.domain.views import HangerView, LineView
from service.errors import Conflict, Finding, InvalidDocument, NotPermitted, NotReady


def _line(reader: PlantReader, line: str) -> LineView:
    view = reader.line_view(line)
    if view is None:
        raise nothing_there()
    return view


def _person(context: Context) -> None:
    """An engineer's decision is a person's. Errors: NotPermitted."""
    if context.principal.kind != "person":
        raise NotPermitted(
            "A system cannot take an engineer's decision; a person must.", kind=context.principal.kind
        )


def authorise_line(context: Context, plant: str, line: str, document: Mapping[str, Any]) -> Answer:
    """Authorise the release of a line, or of a stage of it, when the line is ready for release.

    Writes one event for the line and one `clear` for every hanger. Errors: NotReady with the blockers,
    Conflict when there is nothing to clear.
    """
    require(context, "authorise")
    _person(context)
    line_in_scope(context, plant, line)
    occurred(context, document)
    with context.store.write(plant) as writer:
        kept = recall(context, writer)
        if kept is not None:
            return kept
        view = _line(writer, line)
        unused_client_event(context, writer, document)
        stage = _stage(view, document)
        weighed = assess_line(context, writer, view, "release", at=context.now)
        if not weighed["ready"]:
            raise NotReady(
                f"{view.line} is not ready for release: {len(weighed['blockers'])} blockers.",
                verdict=weighed["verdict"],
                blockers=weighed["blockers"],
            )
        cleared = to_be_cleared(view.hangers, stage)
        if not cleared:
            raise Conflict("No hanger of this line or stage stands locked: there is nothing to clear.")
        _after_last_steps(cleared, document)
        summary = {
            "verdict": weighed["verdict"],
            "criteria_revision": weighed["evaluated"]["criteria_revision"],
            "sequence": weighed["evaluated"]["sequence"],
        }
        event = writer.append(
            draft(
                context, "line-authorised", f"line/{view.line}", view.line, {**document, "stage": stage},
                hangers=[hanger.mark for hanger in cleared], readiness=summary,
            )
        )  # fmt: skip
        made = []
        for hanger in cleared:
            data = {
                "transition": "clear", "from": "locked", "to": "cleared",
                "caused_by": event.sequence, "cause": "line-authorised",
            }  # fmt: skip
            made.append(
                writer.append(
                    consequence(
                        context, "transition-made", hanger.subject, view.line, document["occurred_at"], data
                    )
                )
            )
        answer = receipt(context, event, made, state="cleared")
        return answered(context, writer, answer)


def _stage(view: LineView, document: Mapping[str, Any]) -> list[str] | None:
    """Marks of the stage as registered, None for the whole line. Errors: InvalidDocument."""
    named = document.get("stage")
    if named is None:
        return None
    known = {hanger.mark.casefold(): hanger.mark for hanger in view.hangers}
    strangers = [mark for mark in named if mark.casefold() not in known]
    if strangers:
        raise InvalidDocument(
            "The stage names hangers that are not on this line.",
            errors=[
                Finding(
                    "body",
                    "on-this-line",
                    f"not on this line: {', '.join(strangers)}",
                    "/stage",
                    accepted=list(known.values()),
                )
            ],
        )
    return list(dict.fromkeys(known[mark.casefold()] for mark in named))


def _after_last_steps(cleared: Sequence[HangerView], document: Mapping[str, Any]) -> None:
    """A hanger is not cleared before its last step. Errors: Conflict."""
    moment = parse_instant(document["occurred_at"])
    for hanger in cleared:
        status = hanger.facts.get("status")
        if status is not None and moment < parse_instant(status.occurred_at):
            raise Conflict(
                f"The time lies before the last step of {hanger.mark}.",
                errors=[
                    Finding(
                        "body",
                        "after-last-step",
                        "the hanger's last step was taken later",
                        "/occurred_at",
                        accepted=f"not before {status.occurred_at}",
                    )
                ],
            )


def grant_concession(context: Context, plant: str, line: str, document: Mapping[str, Any]) -> Answer:
    """Accept one known blocker for a time. Errors: NotConcedable, InvalidDocument."""
    require(context, "concede")
    _person(context)
    line_in_scope(context, plant, line)
    occurred(context, document)
    parse_instant(document["expires_at"], "/expires_at")
    with context.store.write(plant) as writer:
        kept = recall(context, writer)
        if kept is not None:
            return kept
        view = _line(writer, line)
        unused_client_event(context, writer, document)
        criteria, _ = criteria_of(writer)
        weighing = weighing_of(writer, view)
        readiness.concession_problem(
            view, criteria, document, context.principal, context.now, weighing=weighing
        )
        shown = _as_it_stands(
            assess_line(context, writer, view, document["purpose"], at=context.now), document
        )
        event = writer.append(
            draft(context, "concession-granted", f"line/{view.line}", view.line, document, shown=shown)
        )
        made = settle_line(context, writer, view.line, event.sequence)
        answer = receipt(context, event, made)
        return answered(context, writer, answer)


def _as_it_stands(weighed: Mapping[str, Any], document: Mapping[str, Any]) -> dict[str, Any]:
    """What was expected and what was known of the blocker when it was conceded."""
    for blocker in (*weighed["blockers"], *weighed["conceded"]):
        if (blocker["code"], blocker["subject"]) == (document["code"], document["subject"]):
            return {"expected": blocker["expected"], "known": blocker["known"]}
    return {"expected": None, "known": None}
