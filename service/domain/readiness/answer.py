"""The answer: is the line ready for the purpose, and if not, what stands in the way."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from typing import Any, Final

from service.domain.checks import NotWeighed, Weighed, lacking
from service.domain.criteria import Criteria
from service.domain.instants import format_instant
from service.domain.readiness.balance_conditions import WEIGHTS
from service.domain.readiness.codes import PURPOSES
from service.domain.readiness.concessions import listed
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


def not_weighed(weighing: Weighed | None) -> list[dict[str, str]]:
    """What an answer does not weigh, and why.

    Args:
        weighing: what the line's balance says, or why it says nothing; None where the line has no model
    """
    if weighing is None:
        return [dict(entry) for entry in NOT_WEIGHED]
    if isinstance(weighing, NotWeighed):
        detail = f"There is a model of the line, but it weighs nothing: {weighing.reason}"
        return [{"matter": entry["matter"], "detail": detail} for entry in NOT_WEIGHED]
    entries = [
        {
            "matter": "load-path",
            "detail": "The line is weighed with every stop in and with every stop out. What each support "
            "carries between, and whether each step leaves a load path, is for the order of release to say.",
        }
    ]
    if weighing.indicative:
        entries.append(
            {
                "matter": "pick-up-heights",
                "detail": "Not every pick-up height is surveyed: the loads of locked supports are intervals, "
                "and indicative. Bearing faces and turns that were observed override them.",
            }
        )
    entries += [{"matter": "assumed", "detail": taken} for taken in weighing.assumed]
    return entries + [{"matter": "line-model", "detail": limit} for limit in weighing.limits]


def assess(
    line: LineView,
    purpose: str,
    criteria: Criteria,
    *,
    at: datetime,
    explain: bool,
    criteria_revision: int | None,
    service_version: str,
    weighing: Weighed | None = None,
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
        weighing: what the line's balance says as of that sequence, or why it says nothing; None where the
            line has no model, and the answer then lists what is not weighed

    Returns:
        a document of schemas/readiness.schema.json

    Raises:
        InvalidParameter: an unknown purpose
    """
    look = _look(line, purpose, criteria, at, weighing)
    outcomes, cautions = outcomes_of(look)
    concessions = listed(line, purpose, outcomes, at, weighing)
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
        "cautions": [*_cautions(look), *_weight_to_come(look, conceded), *cautions],
        "not_weighed": not_weighed(weighing),
        "evaluated": _evaluated(line.sequence, at, criteria_revision, service_version) | _model(weighing),
    }
    if explain:
        document["satisfied"] = [outcome.as_satisfied() for outcome in outcomes if outcome.standing == "met"]
    return document


def blockers(
    line: LineView,
    purpose: str,
    criteria: Criteria,
    *,
    at: datetime,
    weighing: Weighed | None = None,
) -> list[Lack]:
    """What stands in the way of the purpose, concessions in force taken off; arguments as `assess`."""
    outcomes, _ = outcomes_of(_look(line, purpose, criteria, at, weighing))
    open_, _ = _parted(outcomes, listed(line, purpose, outcomes, at, weighing))
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
    weighing_of: Callable[[LineView], Weighed | None] = lambda line: None,
) -> dict[str, Any]:
    """Readiness of every line of a plant, in short; arguments as `assess`.

    Args:
        plant: its key
        lines: its lines, as of one sequence
        sequence: last event taken into account, -1 for an empty log
        weighing_of: gives for a line what `assess` takes as its weighing; asked once a line

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
            weighing=weighing_of(line),
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


def _look(
    line: LineView, purpose: str, criteria: Criteria, at: datetime, weighing: Weighed | None
) -> LineLook:
    if purpose not in PURPOSES:
        raise InvalidParameter(f"{purpose} is no purpose of readiness.", accepted=list(PURPOSES))
    return LineLook.of(line, purpose, criteria, at, weighing)


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


def _model(weighing: Weighed | None) -> dict[str, Any]:
    """The line model that was weighed by, as the answer names it; nothing where there is none."""
    if weighing is None:
        return {}
    return {"line_model": {"revision": weighing.model_revision, "sequence": weighing.model_sequence}}


def _weight_to_come(look: LineLook, conceded: Sequence[tuple[Outcome, int]]) -> list[dict[str, Any]]:
    """What a release before the weight is complete asks of the crew, where it is conceded."""
    weighing = look.weighing
    if weighing is None or not any(outcome.code in WEIGHTS for outcome, _ in conceded):
        return []
    detail = (
        f"Released as conceded, {lacking(weighing.missing_weights)}: read every indicator before this weight "
        "is put on and again when it is on, and hold both against the balance of that state."
    )
    return [{"code": "weight-comes-after-release", "subject": look.subject, "detail": detail}]


def _evaluated(
    sequence: int, at: datetime, criteria_revision: int | None, service_version: str
) -> dict[str, Any]:
    return {
        "sequence": sequence,
        "at": format_instant(at),
        "criteria_revision": criteria_revision,
        "service_version": service_version,
    }
