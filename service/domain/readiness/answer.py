"""The answer: is the line ready for the purpose, and if not, what stands in the way."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any, Final

from service.domain.criteria import Criteria
from service.domain.instants import format_instant
from service.domain.readiness.codes import PURPOSES
from service.domain.readiness.concessions import weighed
from service.domain.readiness.conditions import outcomes_of
from service.domain.readiness.looks import HangerLook, LineLook
from service.domain.readiness.outcomes import Outcome, unmet
from service.domain.views import LineView
from service.errors import InvalidParameter, Lack

VERDICTS: Final = ("ready", "ready_with_concessions", "not_ready", "cannot_say")

NOT_WEIGHED: Final = (
    {
        "matter": "load-balance",
        "detail": "There is no model of the line: what each support carries in each step is not weighed.",
    },
    {
        "matter": "end-of-travel",
        "detail": "There is no model of the line: whether a spring would come to an end of its travel on "
        "release is not weighed; only the travel that its drawing states is.",
    },
    {
        "matter": "load-path",
        "detail": "There is no model of the line: whether each step leaves a load path is not weighed.",
    },
)


def assess(
    line: LineView,
    purpose: str,
    criteria: Criteria,
    *,
    at: datetime,
    explain: bool,
    criteria_revision: int | None,
    service_version: str,
) -> dict[str, Any]:
    """Whether a line is ready for a purpose, with every blocker and the event that shows it.

    Args:
        line: the line and its hangers as of one sequence
        purpose: one of `PURPOSES`
        criteria: the plant's criteria as of that sequence
        at: instant evaluated; expiries of concessions are judged then
        explain: whether to list what is met, too
        criteria_revision: revision of the criteria, 0 or None for the defaults
        service_version: version that evaluated

    Returns:
        a document of schemas/readiness.schema.json

    Raises:
        InvalidParameter: an unknown purpose
    """
    look = _look(line, purpose, criteria, at)
    outcomes, cautions = outcomes_of(look)
    concessions = weighed(line, purpose, outcomes, at)
    open_, conceded = _parted(outcomes, concessions)
    verdict = _verdict(open_, conceded)
    document = {
        "plant": line.plant,
        "line": line.line,
        "purpose": purpose,
        "verdict": verdict,
        "ready": verdict in ("ready", "ready_with_concessions"),
        "blockers": [outcome.as_blocker() for outcome in open_],
        "conceded": [{**outcome.as_blocker(), "concession": sequence} for outcome, sequence in conceded],
        "concessions": concessions,
        "hangers": _hangers(look, open_),
        "register_changes": _register_changes(line),
        "authorisation": _authorisation(line),
        "separate_persons_off": not criteria.flag("separate_persons"),
        "cautions": [*_cautions(look), *cautions],
        "not_weighed": [dict(entry) for entry in NOT_WEIGHED],
        "evaluated": _evaluated(line.sequence, at, criteria_revision, service_version),
    }
    if explain:
        document["satisfied"] = [outcome.as_satisfied() for outcome in outcomes if outcome.standing == "met"]
    return document


def blockers(line: LineView, purpose: str, criteria: Criteria, *, at: datetime) -> list[Lack]:
    """What stands in the way of the purpose, concessions in force taken off; arguments as `assess`."""
    outcomes, _ = outcomes_of(_look(line, purpose, criteria, at))
    open_, _ = _parted(outcomes, weighed(line, purpose, outcomes, at))
    return [
        Lack(
            outcome.code,
            outcome.detail,
            outcome.subject,
            outcome.expected,
            outcome.known,
            outcome.shown_by,
            {"kind": outcome.standing, "concedable": outcome.refusal is None},
        )
        for outcome in open_
    ]


def assess_plant(
    plant: str,
    lines: Iterable[LineView],
    purpose: str,
    criteria: Criteria,
    *,
    sequence: int,
    at: datetime,
    criteria_revision: int | None,
    service_version: str,
) -> dict[str, Any]:
    """Readiness of every line of a plant, in short; arguments as `assess`.

    Args:
        plant: its key
        lines: its lines, as of one sequence
        sequence: last event taken into account, -1 for an empty log

    Returns:
        a document of schemas/plant-readiness.schema.json
    """
    rows = []
    counts = dict.fromkeys(VERDICTS, 0)
    for line in lines:
        answer = assess(
            line,
            purpose,
            criteria,
            at=at,
            explain=False,
            criteria_revision=criteria_revision,
            service_version=service_version,
        )
        kinds = Counter(blocker["kind"] for blocker in answer["blockers"])
        counts[answer["verdict"]] += 1
        rows.append(
            {
                "line": answer["line"],
                "verdict": answer["verdict"],
                "ready": answer["ready"],
                "hangers": len(answer["hangers"]),
                "blockers": {"known": kinds["known"], "unknown": kinds["unknown"]},
                "conceded": len(answer["conceded"]),
            }
        )
    return {
        "plant": plant,
        "purpose": purpose,
        "lines": rows,
        "counts": counts,
        "separate_persons_off": not criteria.flag("separate_persons"),
        "evaluated": _evaluated(sequence, at, criteria_revision, service_version),
    }


def _look(line: LineView, purpose: str, criteria: Criteria, at: datetime) -> LineLook:
    if purpose not in PURPOSES:
        raise InvalidParameter(f"{purpose} is no purpose of readiness.", accepted=list(PURPOSES))
    return LineLook.of(line, purpose, criteria, at)


def _parted(
    outcomes: Sequence[Outcome], concessions: Sequence[dict[str, Any]]
) -> tuple[list[Outcome], list[tuple[Outcome, int]]]:
    """Blockers that stand, and those that a concession in force takes off, with its sequence."""
    granted = {
        (entry["code"], entry["subject"]): int(entry["sequence"])
        for entry in concessions
        if entry["in_force"]
    }
    open_: list[Outcome] = []
    conceded: list[tuple[Outcome, int]] = []
    for outcome in unmet(outcomes):
        sequence = granted.get((outcome.code, outcome.subject))
        if sequence is None:
            open_.append(outcome)
        else:
            conceded.append((outcome, sequence))
    return open_, conceded


def _verdict(open_: Sequence[Outcome], conceded: Sequence[tuple[Outcome, int]]) -> str:
    if any(outcome.standing == "known" for outcome in open_):
        return "not_ready"
    if open_:
        return "cannot_say"
    return "ready_with_concessions" if conceded else "ready"


def _hangers(look: LineLook, open_: Sequence[Outcome]) -> list[dict[str, Any]]:
    """Each hanger with its state (null for a rigid one, which has none) and the number of its blockers."""
    counts = Counter(
        outcome.subject.split("/")[1] for outcome in open_ if outcome.subject.startswith("hanger/")
    )
    return [
        {
            "mark": view.mark,
            "kind": view.kind,
            "state": view.state if HangerLook(look, view).sprung else None,
            "blockers": counts[view.mark],
        }
        for view in look.hangers
    ]


def _register_changes(line: LineView) -> list[dict[str, Any]]:
    """Hangers that came, went or were retired: listed for ever."""
    prefix = "register_change/"
    changes = [
        {
            "sequence": int(name.removeprefix(prefix)),
            "change": fact.value["change"],
            "mark": fact.value["mark"],
            "occurred_at": fact.occurred_at,
        }
        for name, fact in line.facts.items()
        if name.startswith(prefix)
    ]
    return sorted(changes, key=lambda change: change["sequence"])


def _authorisation(line: LineView) -> dict[str, Any] | None:
    """The last authorisation to release, and what ended it."""
    fact = line.facts.get("authorisation")
    if fact is None:
        return None
    keys = ("sequence", "authorised_by", "stage", "valid", "ended_by", "cause")
    return {key: fact.value[key] for key in keys}


def _cautions(look: LineLook) -> list[dict[str, Any]]:
    """What the reader has to bear in mind, ready or not."""
    cautions = []

    def add(code: str, detail: str) -> None:
        cautions.append({"code": code, "subject": look.subject, "detail": detail})

    if not look.criteria.flag("separate_persons"):
        add(
            "persons-not-separated",
            "The criteria do not ask for different persons to authorise, to perform and to verify.",
        )
    if look.purpose == "release":
        add(
            "no-force-on-a-stop",
            "A stop comes out free by hand or not at all: bars, hammers, jacks and heat are never a step.",
        )
        springs = [one for view in look.hangers if (one := HangerLook(look, view)).sprung]
        if springs and all(one.stops_drawn for one in springs):
            add("nothing-to-release", "The stops of every spring of the line are out already.")
    if look.purpose == "heat_up":
        least_m = look.criteria.si("movement_seen_least")
        add(
            "see-every-hanger-move",
            "At the first hold point on the way up see every spring with a design movement move by at "
            f"least {least_m * 1000:g} mm; one that does not may still stand on a stop.",
        )
    return cautions


def _evaluated(
    sequence: int, at: datetime, criteria_revision: int | None, service_version: str
) -> dict[str, Any]:
    return {
        "sequence": sequence,
        "at": format_instant(at),
        "criteria_revision": criteria_revision,
        "service_version": service_version,
    }
