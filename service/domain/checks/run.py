"""Runs the table of rules over one hanger, stored or posted."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from types import MappingProxyType
from typing import Any

from service.domain.checks.look import Answer, DocumentFact, Look, Row, Subject
from service.domain.checks.rules import RULES
from service.domain.checks.table import Group, Rule
from service.domain.checks.weighed import Weighed
from service.domain.criteria import Criteria
from service.domain.facts import INSPECTED_FIELDS, READING_FIELDS, Fact, Facts
from service.domain.instants import parse_instant
from service.domain.views import HangerView, LineView
from service.errors import Finding, InvalidDocument, OutOfRange

GROUPS: tuple[Group, ...] = ("design", "erected", "read", "balance")


def _outside(rule: Rule, subject: Subject) -> str | None:
    """Why a rule does not apply to this hanger at all; None where it does."""
    if subject.kind not in rule.kinds:
        return f"The check does not apply to a {subject.kind} support."
    if rule.vertical and subject.record.get("line_of_action") == "horizontal":
        return "The support's line of action is horizontal."
    if rule.rod and subject.from_below:
        return "A base spring has no rod."
    return None


def apply(rule: Rule, subject: Subject, assembly: int | None = None) -> Row:
    """One row: what the rule says of the hanger, or of one assembly of it.

    A rule that passes although something that it asked for is missing would have guessed: such a row
    is turned into `cannot_say` whatever the rule says.
    """
    look = Look(subject, rule, assembly)
    outside = _outside(rule, subject)
    if outside is not None:
        return look.row("not_applicable", outside)
    try:
        row = rule.run(look)
    except Answer as answer:
        return answer.row
    except (OutOfRange, ArithmeticError):
        # Figures so small or so large that a quotient of them is no number any more.
        return look.row("cannot_say", "The stated figures are outside what can be reckoned with.")
    if look.missing and row["status"] in ("pass", "attention"):
        return look.row("cannot_say", "The record or the log does not state what this check needs.")
    return row


def _rows(rule: Rule, subject: Subject) -> Iterator[Row]:
    if not rule.per_assembly or _outside(rule, subject) is not None:
        yield apply(rule, subject, None)
        return
    if not subject.assemblies:
        look = Look(subject, rule, None)
        look.lack("/assemblies")
        yield look.row("cannot_say", "The record does not state the hanger's assemblies.")
        return
    for number in range(1, subject.assemblies + 1):
        yield apply(rule, subject, number)


def run_rules(subject: Subject, groups: Iterable[str]) -> list[Row]:
    """Every row of the chosen groups, in the table's order and by assembly.

    Rules of the balance run only for a line that has a model.
    """
    wanted = frozenset(groups) - (frozenset({"balance"}) if subject.weighing is None else frozenset())
    return [row for rule in RULES if rule.group in wanted for row in _rows(rule, subject)]


def run_checks(
    view: HangerView,
    criteria: Criteria,
    *,
    line: LineView | None = None,
    groups: Iterable[str] = GROUPS,
    weighing: Weighed | None = None,
) -> list[Row]:
    """The checks of one stored hanger as of its view.

    Args:
        view: the hanger, its record and its facts
        criteria: the limits to compare with
        line: its line, for the line's own cold range; the criteria's holds where none is given
        groups: `design`, `erected`, `read`, `balance`: any of them
        weighing: what the line's balance says, or why it says nothing; None where the line has no model, and
            then no rule of the balance is run

    Returns:
        check results, as schemas/check-result.schema.json: one a rule, or one a rule and assembly
    """
    state = view.state
    if state == "on_hold":
        state = str(view.status.get("held_from"))
    line_record = line.record if line is not None else None
    return run_rules(
        Subject(view.record, view.facts, state, line_record, criteria, weighing, view.mark), groups
    )


def _document_facts(
    inspections: Iterable[Mapping[str, Any]], readings: Sequence[Mapping[str, Any]]
) -> dict[str, Fact]:
    """Facts of posted inspections and readings; where one thing is stated twice, the later time holds."""
    facts: dict[str, Fact] = {}
    sequence = 0

    def note(name: str, value: Any, occurred_at: str, pointer: str) -> None:
        facts[name] = DocumentFact(value, sequence, sequence, occurred_at, "", pointer)

    for place, document in _in_time(inspections):
        _stands_by_itself(document, f"/inspections/{place}")
        sequence += 1
        prefix, pointer = f"assembly/{document['assembly']}", f"/inspections/{place}"
        when = document["occurred_at"]
        for name in INSPECTED_FIELDS:
            if name in document:
                note(f"{prefix}/{name}", document[name], when, pointer)
        if "line_temperature" in document:
            note(f"{prefix}/inspected_temperature", document["line_temperature"], when, pointer)
        for entry in document.get("engagement", ()):
            seen = {"measured": entry.get("measured"), "full": entry.get("full"), "net_turns": 0.0}
            note(f"{prefix}/engagement/{entry['end']}", seen, when, pointer)
    stops_out = [posted.get("stops_out") for posted in readings]
    for place, entry in _in_time(posted["reading"] for posted in readings):
        _stands_by_itself(entry, f"/readings/{place}/reading")
        sequence += 1
        value = {name: entry[name] for name in READING_FIELDS if name in entry}
        state = "released" if stops_out[place] else None
        value |= {"release_state": state, "flags": [], "cycle": 1}
        name = f"assembly/{entry['assembly']}/reading/{entry['condition']}"
        note(name, value, entry["occurred_at"], f"/readings/{place}/reading")
    return facts


def _stands_by_itself(document: Mapping[str, Any], pointer: str) -> None:
    """Refuse a correction or withdrawal: nothing is stored here that it could take the place of.

    Raises:
        InvalidDocument: with the pointer of what names another event
    """
    for name in ("withdraws", "corrects"):
        if name in document:
            detail = "nothing is stored that this could correct or withdraw"
            raise InvalidDocument(
                f"{pointer}/{name}: {detail}.",
                errors=[
                    Finding(
                        "body",
                        "stands-by-itself",
                        detail,
                        f"{pointer}/{name}",
                        accepted="a document without `corrects` and `withdraws`",
                    )
                ],
            )


def _in_time(documents: Iterable[Mapping[str, Any]]) -> list[tuple[int, Mapping[str, Any]]]:
    return sorted(enumerate(documents), key=lambda entry: (parse_instant(entry[1]["occurred_at"]), entry[0]))


_NOTHING: Facts = MappingProxyType({})


def run_document_checks(
    record: Mapping[str, Any],
    criteria: Criteria,
    *,
    inspections: Iterable[Mapping[str, Any]] = (),
    readings: Iterable[Mapping[str, Any]] = (),
    line_record: Mapping[str, Any] | None = None,
    groups: Iterable[str] | None = None,
    weighing: Weighed | None = None,
) -> list[Row]:
    """The checks of a posted record, with whatever was posted with it; nothing is stored.

    Args:
        record: a hanger record, valid by its schema
        criteria: the limits to compare with
        inspections: hanger inspections posted with it
        readings: readings posted with it, each as `reading` with `stops_out`
        line_record: record of its line, for the line's cold range
        groups: which groups; those for which something was posted where None is given
        weighing: what the balance of a posted line model says, as for `run_checks`

    Returns:
        check results; inputs name places in the request instead of events
    """
    inspections, readings = list(inspections), list(readings)
    facts = _document_facts(inspections, readings) if inspections or readings else _NOTHING
    if groups is None:
        posted = {"design": True, "erected": bool(inspections), "read": bool(readings), "balance": True}
        groups = [group for group in GROUPS if posted[group]]
    return run_rules(Subject(record, facts, None, line_record, criteria, weighing), groups)
