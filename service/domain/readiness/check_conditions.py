"""What the checks say, as conditions: a check that fails or cannot be answered blocks its purposes.

A check that has a code of its own stands under it; every other one is told apart by its subject, which
then ends with the rule's name, since a concession binds code and subject.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from service.domain.checks import BY_CODE, LINE_RULES, RULES, NotWeighed, line_sums, run_checks
from service.domain.readiness.codes import PURPOSES
from service.domain.readiness.looks import HangerLook, LineLook
from service.domain.readiness.outcomes import Outcome, Standing

# Rules that conditions of the hanger and its stops weigh themselves, from the same facts.
WEIGHED_ELSEWHERE: Final = frozenset({"stops-counted", "stops-undamaged", "adjuster-locked"})

# Rules with a code of their own, one rule each, so that their subject needs no rule.
NAMEPLATE: Final = "nameplate-as-drawn"
OWN_CODES: Final[Mapping[str, str]] = {
    NAMEPLATE: "nameplate-differs",
    "pipe-to-support-dimension": "dimension-not-as-drawn",
}

CAPACITIES: Final = frozenset(
    {
        "rod-load-operation",
        "rod-load-cold",
        "rod-load-locked",
        "rod-load-test",
        "locked-capacity",
        "stop-capacity-up",
        "stop-capacity-down",
        "locked-load-balance",
        "locked-load-test-balance",
        "rod-load-balance",
        "rod-load-test-balance",
        "rod-load-released-balance",
        "stop-force-up-balance",
        "stop-force-down-balance",
        "stop-force-test-balance",
    }
)
ENGAGEMENT_FOUND: Final = frozenset({"engagement-found-upper", "engagement-found-lower"})
ENGAGEMENTS: Final = ENGAGEMENT_FOUND | {"engagement-drawn-upper", "engagement-drawn-lower"}
# Rules of the travel that is left to an end: a reserve that is short is for attention, none left fails.
RESERVES: Final = frozenset(
    {"reserve-upper-end", "reserve-lower-end", "margin-upper-end", "margin-lower-end"}
)
# Rules of where the balance has the spring stand with every stop out.
PREDICTED_ENDS: Final = frozenset({"end-of-travel-cold", "end-of-travel-hot"})

# For release, rules of what stands still until the crew goes to work on the hanger: they were met when
# it was cleared, the guards of turn and withdrawal watch it from there, and what moves meanwhile must
# not forbid the next step.
BEFORE_EASING: Final = ENGAGEMENT_FOUND | {
    "elevation",
    "rod-offset",
    "rod-angle",
    "pipe-to-support-dimension",
}
# For release, rules of a spring on its stops, which say nothing of one whose stops are out.
BEFORE_WITHDRAWAL: Final = BEFORE_EASING | {
    "rod-load-locked",
    "stop-capacity-up",
    "stop-capacity-down",
    "locked-position-agrees",
    "locked-load-balance",
    "rod-load-balance",
    "stop-force-up-balance",
    "stop-force-down-balance",
}

_FEEDS: Final[Mapping[str, frozenset[str]]] = {
    # Thread that holds by less than it should is a danger for every purpose.
    rule.code: frozenset(PURPOSES if rule.code in ENGAGEMENT_FOUND else rule.purposes)
    for rule in (*RULES, *LINE_RULES)
}

# Groups of rules that feed each purpose: the others need not be run.
_GROUPS: Final[Mapping[str, tuple[str, ...]]] = {
    purpose: tuple(sorted({rule.group for rule in RULES if purpose in _FEEDS[rule.code]}))
    for purpose in PURPOSES
}

_OF_BALANCE: Final = frozenset(code for code, rule in BY_CODE.items() if rule.group == "balance")

_STANDING: Final[Mapping[str, Standing]] = {
    "pass": "met",
    "attention": "met",
    "fail": "known",
    "cannot_say": "unknown",
}


Answers = tuple[list[Outcome], list[dict[str, Any]]]


def checks(look: HangerLook) -> Answers:
    """Outcomes of the checks of a hanger that feed the purpose, and cautions from those for attention."""
    groups = _GROUPS[look.on.purpose]
    rows = run_checks(look.view, look.on.criteria, line=look.on.line, groups=groups, weighing=look.on.weighed)
    return _answers([(row, _outcome(look, row)) for row in rows if _asked(look, row)])


def sums(look: LineLook) -> Answers:
    """The same for the sums that are taken over the whole line."""
    rows = [
        row
        for row in line_sums(look.line, look.criteria, weighing=look.weighed)
        if look.purpose in _FEEDS[row["rule"]]
        and row["status"] != "not_applicable"
        and not (row["rule"] == "design-sum" and isinstance(look.weighed, NotWeighed))
    ]
    return _answers(
        [
            (row, _result(row, look.subject, max(_events(row), default=look.line.record_sequence)))
            for row in rows
        ]
    )


def _answers(results: list[tuple[Mapping[str, Any], Outcome]]) -> Answers:
    cautions = [
        {"code": "check-needs-attention", "subject": outcome.subject, "detail": row["message"]}
        for row, outcome in results
        if row["status"] == "attention"
    ]
    return [outcome for _, outcome in results], cautions


def _asked(look: HangerLook, row: Mapping[str, Any]) -> bool:
    """Whether the row says anything for the purpose in the hanger's state."""
    rule = row["rule"]
    if look.on.purpose not in _FEEDS[rule] or rule in WEIGHED_ELSEWHERE or row["status"] == "not_applicable":
        return False
    if rule in _OF_BALANCE and not look.weighed:
        return False  # one blocker of the line says so for all of them
    if rule == NAMEPLATE:
        # A plate that was not read, or cannot be, has a blocker of its own.
        plate = look.view.facts.get(f"assembly/{row['assembly']}/nameplate")
        return row["assembly"] is None or (plate is not None and plate.value.get("legible") is not False)
    if look.on.purpose != "release":
        return True
    if look.stops_drawn:
        return rule not in BEFORE_WITHDRAWAL
    return not (look.worked_on and rule in BEFORE_EASING)


def _outcome(look: HangerLook, row: Mapping[str, Any]) -> Outcome:
    subject = look.subject if row["assembly"] is None else f"{look.subject}/assembly/{row['assembly']}"
    return _result(row, subject, _shown_by(look, row))


def _result(row: Mapping[str, Any], about: str, shown_by: int | None) -> Outcome:
    rule, standing = row["rule"], _STANDING[row["status"]]
    code = OWN_CODES.get(rule)
    subject = about
    if code is None:
        subject = f"{about}/check/{rule}"
        code = _code(row, standing)
    expected = {"rule": rule, "limit": row["limit"], "missing": row["missing"]}
    return Outcome(code, subject, standing, row["message"], expected, row["found"], shown_by)


def _code(row: Mapping[str, Any], standing: Standing) -> str:
    rule = row["rule"]
    if rule in ENGAGEMENTS:
        return "engagement-not-shown" if standing == "unknown" else "engagement-too-short"
    # What the balance cannot rule out stands under the code of what it would be, as not known.
    if rule in PREDICTED_ENDS:
        return "end-of-travel"
    if rule in CAPACITIES and (standing != "unknown" or rule in _OF_BALANCE):
        return "capacity-exceeded"
    if standing == "unknown":
        return "check-unanswered"
    return "end-of-travel" if rule in RESERVES else "check-failed"


def _events(row: Mapping[str, Any]) -> list[int]:
    return [entry for entry in row["inputs"] if isinstance(entry, int)]


def _shown_by(look: HangerLook, row: Mapping[str, Any]) -> int | None:
    """The newest event that the check used, else the record; None where an observation is missing."""
    events = _events(row)
    if events:
        return max(events)
    if row["missing"] and not any(name.startswith("/") for name in row["missing"]):
        return None
    return look.view.record_sequence
