"""Acts on site: inspections, readings, turns, stops and the steps of a hanger's release."""

from __future__ import annotations

from flask import Response

from service.application import acts, authorisations
from service.http import answers
from service.http.documents import Document
from service.http.operations import Call, EdgeBlueprint, Operation, operation
from service.http.queries import DryRunQuery
from service.http.replies import act_replies, acted_links, line_links, link

blueprint = EdgeBlueprint("acts", __name__, description="What was done and seen on site.")

_COMMON = ("not-permitted", "conflict", "duplicate-key", "future-time")
_HANGER = (*_COMMON, "retired")
_GUARDED = (*_HANGER, "guard-not-met", "out-of-order", "no-stop")
_CORRECTS = (
    " With `corrects` it takes the place of an earlier event of the same type and subject; with "
    "`withdraws` as well that event counts no more. A correction that would have closed a guard already "
    "passed puts the hanger on hold."
)


@operation(
    blueprint,
    Operation(
        "inspectHanger",
        "POST",
        "/v1/plants/<plant>/hangers/<mark>/inspections",
        "Record an inspection of a hanger",
        "What was seen at one assembly; what is left out stays unknown."
        + _CORRECTS
        + " Roles: recorder, engineer, integrator.",
        act_replies(acted_links()),
        query=DryRunQuery,
        body=Document("hanger-inspection"),
        writes=True,
        errors=_HANGER,
    ),
)
def inspect_hanger(call: Call, plant: str, mark: str) -> Response:
    """Record an inspection of a hanger."""
    return answers.act_answer(call, acts.inspect_hanger(call.context, plant, mark, call.body))


@operation(
    blueprint,
    Operation(
        "takeReading",
        "POST",
        "/v1/plants/<plant>/hangers/<mark>/readings",
        "Record a reading",
        "Readings of one assembly's indicators. A reading outside the indicator's span is refused; an "
        "impossible jump is recorded and flagged. The load indicator shows the adjuster's setting, not the "
        "force." + _CORRECTS + " Roles: recorder, engineer, integrator.",
        act_replies(acted_links()),
        query=DryRunQuery,
        body=Document("reading"),
        writes=True,
        errors=(*_HANGER, "out-of-range"),
    ),
)
def take_reading(call: Call, plant: str, mark: str) -> Response:
    """Record a reading."""
    return answers.act_answer(call, acts.take_reading(call.context, plant, mark, call.body))


@operation(
    blueprint,
    Operation(
        "makeTurns",
        "POST",
        "/v1/plants/<plant>/hangers/<mark>/turns",
        "Record turns of an adjuster",
        "Turns made at one assembly's adjuster; positive turns raise the load on the pipe. They are "
        "counted so that the original position can be found again. Refused while an engagement check has "
        "failed, and where the "
        "ledger would pass the engagement or turn limits; every bearing face seen before, on the whole "
        "line, then counts as stale." + _CORRECTS + " Roles: recorder, engineer, integrator.",
        act_replies(acted_links()),
        query=DryRunQuery,
        body=Document("turn"),
        writes=True,
        errors=_GUARDED,
    ),
)
def make_turns(call: Call, plant: str, mark: str) -> Response:
    """Record turns of an adjuster."""
    return answers.act_answer(call, acts.make_turns(call.context, plant, mark, call.body))


@operation(
    blueprint,
    Operation(
        "noteStop",
        "POST",
        "/v1/plants/<plant>/hangers/<mark>/stops",
        "Record what was seen or done at a stop",
        "One travel stop seen and tried by hand, stowed after withdrawal, or put back in. Withdrawing "
        "itself is a transition." + _CORRECTS + " Roles: recorder, engineer, integrator.",
        act_replies(acted_links()),
        query=DryRunQuery,
        body=Document("stop"),
        writes=True,
        errors=_GUARDED,
    ),
)
def note_stop(call: Call, plant: str, mark: str) -> Response:
    """Record what was seen or done at a stop."""
    return answers.act_answer(call, acts.note_stop(call.context, plant, mark, call.body))


@operation(
    blueprint,
    Operation(
        "makeTransition",
        "POST",
        "/v1/plants/<plant>/hangers/<mark>/transitions",
        "Take a step of the release",
        "One step of the hanger's release. Out of order, or with something lacking, the answer is 409 "
        "with what is possible and what each step lacks; `dry_run` gives the same without doing it. Force "
        "on a stop is never a "
        "step. Roles: recorder, engineer, integrator; `prove`, `relock` and `dispose` engineer alone.",
        act_replies(acted_links()),
        query=DryRunQuery,
        body=Document("transition"),
        writes=True,
        errors=_GUARDED,
    ),
)
def make_transition(call: Call, plant: str, mark: str) -> Response:
    """Take a step of the release."""
    return answers.act_answer(call, acts.make_transition(call.context, plant, mark, call.body))


@operation(
    blueprint,
    Operation(
        "inspectLine",
        "POST",
        "/v1/plants/<plant>/lines/<line>/inspections",
        "Record an inspection of a line",
        "What was seen of the whole line; what is left out stays unknown."
        + _CORRECTS
        + " Roles: recorder, engineer, integrator.",
        act_replies(line_links()),
        query=DryRunQuery,
        body=Document("line-inspection"),
        writes=True,
        errors=_COMMON,
    ),
)
def inspect_line(call: Call, plant: str, line: str) -> Response:
    """Record an inspection of a line."""
    return answers.act_answer(call, acts.inspect_line(call.context, plant, line, call.body))


_READINESS = {
    "readiness": link(
        "getReadiness", "Is it ready now?", plant="$request.path.plant", line="$request.path.line"
    )
}


@operation(
    blueprint,
    Operation(
        "authoriseLine",
        "POST",
        "/v1/plants/<plant>/lines/<line>/authorisations",
        "Authorise the release of a line",
        "An engineer's decision. Every locked hanger of the line, or of the stage named, becomes "
        "`cleared`. Refused with the blockers while the line is not ready for release. Who authorises does "
        "not perform. Role: engineer.",
        act_replies(_READINESS),
        query=DryRunQuery,
        body=Document("authorisation"),
        writes=True,
        errors=("not-permitted", "conflict", "not-ready", "duplicate-key", "future-time"),
    ),
)
def authorise_line(call: Call, plant: str, line: str) -> Response:
    """Authorise the release of a line."""
    return answers.act_answer(call, authorisations.authorise_line(call.context, plant, line, call.body))


@operation(
    blueprint,
    Operation(
        "grantConcession",
        "POST",
        "/v1/plants/<plant>/lines/<line>/concessions",
        "Concede a blocker",
        "An engineer accepts one known blocker for a time. It binds purpose, code, subject and the "
        "evidence's sequence; new evidence ends it. What is unknown cannot be conceded. Who concedes does "
        "not perform. Role: engineer.",
        act_replies(_READINESS),
        query=DryRunQuery,
        body=Document("concession"),
        writes=True,
        errors=("not-permitted", "not-concedable", "conflict", "duplicate-key", "future-time"),
    ),
)
def grant_concession(call: Call, plant: str, line: str) -> Response:
    """Concede a blocker."""
    return answers.act_answer(call, authorisations.grant_concession(call.context, plant, line, call.body))
