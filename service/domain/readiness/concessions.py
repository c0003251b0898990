"""Concessions: an engineer accepts one known blocker for a time, bound to the evidence that shows it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

from service.domain.access import Principal
from service.domain.checks import Weighed
from service.domain.criteria import Criteria
from service.domain.instants import format_instant, parse_instant
from service.domain.readiness.balance_conditions import WEIGHTS
from service.domain.readiness.codes import BLOCKER_CODES
from service.domain.readiness.conditions import outcomes_of
from service.domain.readiness.looks import CONCESSION_PREFIX, LineLook
from service.domain.readiness.outcomes import Outcome, unmet
from service.domain.views import LineView
from service.errors import NotConcedable


def listed(
    line: LineView,
    purpose: str,
    outcomes: Sequence[Outcome],
    at: datetime,
    weighing: Weighed | None = None,
) -> list[dict[str, Any]]:
    """Every concession ever granted for the line and purpose, in order, each in force or why not.

    Args:
        line: the line as of one sequence
        purpose: purpose of readiness
        outcomes: every outcome of the purpose
        at: instant at which expiries are judged
        weighing: what the line's balance says, or why it says nothing; None where the line has no model

    Returns:
        documents with `in_force` and `ended_by`: null, `expired`, `blocker-gone`, `new-evidence`,
        `record-revised` or `not-concedable`
    """
    blocking = {(outcome.code, outcome.subject): outcome for outcome in unmet(outcomes)}
    granted = sorted(
        (fact.value for name, fact in line.facts.items() if name.startswith(CONCESSION_PREFIX)),
        key=lambda value: int(value["sequence"]),
    )
    documents = []
    for value in granted:
        if value["purpose"] != purpose:
            continue
        # Weight that is put on after release is conceded by the balance, and so by the line's model.
        revisions = [*_revisions(line, value["subject"])]
        if value["code"] in WEIGHTS and weighing is not None and weighing.model_sequence is not None:
            revisions.append(weighing.model_sequence)
        ended_by = _ended_by(revisions, value, blocking.get((value["code"], value["subject"])), at)
        documents.append({**_document(value), "in_force": ended_by is None, "ended_by": ended_by})
    return documents


def _document(value: Mapping[str, Any]) -> dict[str, Any]:
    keys = ("sequence", "code", "subject", "evidence_sequence", "expires_at", "granted_by", "granted_at")
    return {key: value[key] for key in keys}


def _ended_by(
    revisions: Sequence[int], value: Mapping[str, Any], blocker: Outcome | None, at: datetime
) -> str | None:
    """Why a concession is not in force. revisions: events of the records and model that it rests on."""
    if at >= parse_instant(value["expires_at"], "/expires_at"):
        return "expired"
    if blocker is None:
        return "blocker-gone"
    if blocker.shown_by != value["evidence_sequence"]:
        return "new-evidence"
    if any(revision > value["sequence"] for revision in revisions):
        return "record-revised"
    return None if blocker.refusal is None else "not-concedable"


def _revisions(line: LineView, subject: str) -> Iterator[int]:
    """Events of the records that say what is expected of a subject: its hanger's and its line's."""
    if line.record_sequence is not None:
        yield line.record_sequence
    hanger = line.hanger(subject.split("/")[1]) if subject.startswith("hanger/") else None
    if hanger is not None:
        yield hanger.record_sequence


def concession_problem(
    line: LineView,
    criteria: Criteria,
    document: Mapping[str, Any],
    granter: Principal,
    at: datetime,
    *,
    weighing: Weighed | None = None,
) -> None:
    """Refuses a concession that may not be granted.

    Args:
        line: the line as it stands
        criteria: the plant's criteria; `separate_persons` tells whether who performs may concede
        document: the concession, valid by its schema
        granter: the principal who concedes
        at: the present instant
        weighing: what the line's balance says, or why it says nothing; None where the line has no model

    Raises:
        NotConcedable: the blocker does not exist now, is shown by other evidence, is unknown, is of a
            kind that is never conceded; the end is not ahead, or too far; or the granter may not concede
    """
    code, subject = document["code"], document["subject"]
    entry = BLOCKER_CODES.get(code)
    if entry is None:
        raise NotConcedable(f"{code} is no blocker of readiness.", code=code, accepted=sorted(BLOCKER_CODES))
    if entry.never is not None:
        raise NotConcedable(f"{code} is never conceded: {entry.never}.", code=code, subject=subject)
    outcomes, _ = outcomes_of(LineLook.of(line, document["purpose"], criteria, at, weighing))
    blocking = {(outcome.code, outcome.subject): outcome for outcome in unmet(outcomes)}
    blocker = blocking.get((code, subject))
    if blocker is None:
        raise NotConcedable(
            "There is no such blocker now.",
            code=code,
            subject=subject,
            blockers=[{"code": known, "subject": about} for known, about in blocking],
        )
    refusal = blocker.refusal
    if refusal is not None:
        raise NotConcedable(f"{code} of {subject} cannot be conceded: {refusal}.", code=code, subject=subject)
    if blocker.shown_by != document["evidence_sequence"]:
        raise NotConcedable(
            "The blocker is shown by another event.",
            code=code,
            subject=subject,
            given=document["evidence_sequence"],
            shown_by=blocker.shown_by,
        )
    _refuse_end(criteria, document, at)
    _refuse_granter(line, criteria, subject, granter)


def _refuse_end(criteria: Criteria, document: Mapping[str, Any], at: datetime) -> None:
    ends = parse_instant(document["expires_at"], "/expires_at")
    longest = criteria.si("concession_days_max")
    latest = at + timedelta(days=longest)
    if at < ends <= latest:
        return
    words = "is not ahead" if ends <= at else f"is more than {longest:g} days ahead"
    raise NotConcedable(
        f"The concession's end {words}.",
        expires_at=document["expires_at"],
        after=format_instant(at),
        at_latest=format_instant(latest),
    )


def _refuse_granter(line: LineView, criteria: Criteria, subject: str, granter: Principal) -> None:
    """Who concedes is a person, and not one who performs at the hanger, or at any hanger of the line."""
    if granter.kind != "person":
        raise NotConcedable("Only a person concedes.", granter=granter.id)
    if not criteria.flag("separate_persons"):
        return
    mark = subject.split("/")[1] if subject.startswith("hanger/") else None
    for hanger in line.hangers:
        performers = hanger.facts.get("performers")
        if mark in (None, hanger.mark) and performers is not None and granter.id in performers.value:
            raise NotConcedable(
                "Who performs the release does not concede.", granter=granter.id, hanger=hanger.mark
            )
