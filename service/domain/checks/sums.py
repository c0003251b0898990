"""Sums over a line: the variable springs' loads as their positions show them.

Cold they are compared with what is expected released cold, hot with the operating loads; never one
with the other. Constant supports are left out: their position says nothing of their load.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

from service.domain.checks.consistency import load_at_reading
from service.domain.checks.expected import expected_released_cold
from service.domain.checks.look import Answer, Look, Row, Subject
from service.domain.checks.read import free_reading
from service.domain.checks.rules_balance import DESIGN_SUM
from service.domain.checks.run import apply
from service.domain.checks.table import Rule
from service.domain.checks.weighed import Weighed
from service.domain.criteria import Criteria
from service.domain.views import LineView
from service.engineering import checks
from service.errors import OutOfRange
from service.units import Dimension

_MESSAGES = {
    "pass": "The sum of the variable springs' loads is as expected.",
    "attention": "The sum of the variable springs' loads is off; it has to be investigated.",
    "fail": "The sum of the variable springs' loads is too far off.",
}


def _cold_loads(look: Look) -> tuple[float, float]:
    expected = load_at_reading(look, expected_released_cold(look)[0])
    look.settle()
    position, _ = free_reading(look, "cold")
    return load_at_reading(look, position), expected


def _hot_loads(look: Look) -> tuple[float, float]:
    expected = look.operating_load()
    look.settle()
    position, _ = free_reading(look, "hot")
    found = load_at_reading(look, position)
    look.settle()
    return found, expected


def _no_row(look: Look) -> Row:
    """A sum is taken over the line; its rule has no row for one hanger."""
    look.not_applicable("The sum is taken over the line.")


SUM_RULES: Final[tuple[tuple[Rule, Callable[[Look], tuple[float, float]]], ...]] = (
    (
        Rule(
            "variable-sum-cold",
            "read",
            "Sum of the variable springs' loads, cold",
            _no_row,
            ("variable",),
            limits=("load_sum_accept", "load_sum_limit", "cold_range_low", "cold_range_high"),
            purposes=("heat_up",),
        ),
        _cold_loads,
    ),
    (
        Rule(
            "variable-sum-hot",
            "read",
            "Sum of the variable springs' loads, hot",
            _no_row,
            ("variable",),
            limits=("load_sum_accept", "load_sum_limit"),
            purposes=("acceptance",),
        ),
        _hot_loads,
    ),
)


# Every rule whose row is one of the line.
LINE_RULES: Final[tuple[Rule, ...]] = (*(rule for rule, _ in SUM_RULES), DESIGN_SUM)


@dataclass
class _Sum:
    found_n: float = 0.0
    expected_n: float = 0.0
    inputs: list[str | int] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    unsaid: list[str] = field(default_factory=list)


def _named(mark: str, names: list[str | int]) -> list[str | int]:
    """Pointers into a hanger's record and names of its observations, with the hanger named."""
    named: list[str | int] = []
    for name in names:
        if isinstance(name, int) or name.startswith("line-model"):
            named.append(name)
        else:
            named.append(f"hanger/{mark}#{name}" if name.startswith("/") else f"hanger/{mark}/{name}")
    return named


def line_sums(line: LineView, criteria: Criteria, *, weighing: Weighed | None = None) -> list[Row]:
    """The sums of a line's variable springs, cold and hot, and that of its design where it has a model.

    Args:
        line: the line with its hangers, as of one sequence
        criteria: the limits to compare with
        weighing: what the line's balance says, or why it says nothing; None where the line has no model

    Returns:
        one row for cold and one for hot; `cannot_say` where any variable spring of the line lacks what
        is needed, `not_applicable` where the line has none. With a weighing a row for the design's sum
    """
    variable = [
        view
        for view in line.hangers
        if view.kind == "variable" and view.record.get("line_of_action") != "horizontal"
    ]
    rows = []
    for rule, loads in SUM_RULES:
        total = _Sum()
        template = Look(Subject({"kind": "variable"}, {}, None, line.record, criteria, weighing), rule)
        for view in variable:
            subject = Subject(view.record, view.facts, view.state, line.record, criteria, weighing, view.mark)
            if not subject.assemblies:
                total.missing.append(f"hanger/{view.mark}#/assemblies")
                total.unsaid.append(view.mark)
            for number in range(1, subject.assemblies + 1):
                look = Look(subject, rule, number)
                try:
                    found_n, expected_n = loads(look)
                    total.found_n += found_n
                    total.expected_n += expected_n
                except (Answer, OutOfRange):
                    total.unsaid.append(view.mark)
                template.balance = template.balance or look.balance
                total.inputs += _named(view.mark, look.inputs)
                total.missing += [str(name) for name in _named(view.mark, list(look.missing))]
        template.inputs = list(dict.fromkeys(total.inputs))
        template.missing = list(dict.fromkeys(total.missing))
        rows.append(_sum_row(template, total, bool(variable)))
    if weighing is not None and any(view.kind != "rigid" for view in line.hangers):
        whole = Subject({"kind": "variable"}, {}, None, line.record, criteria, weighing)
        rows.append(apply(DESIGN_SUM, whole))
    return rows


def _sum_row(look: Look, total: _Sum, any_variable: bool) -> Row:
    if not any_variable:
        return look.row("not_applicable", "The line has no variable springs.")
    if total.unsaid:
        marks = ", ".join(dict.fromkeys(total.unsaid))
        return look.row("cannot_say", f"The load of these springs cannot be inferred: {marks}.")
    if not total.expected_n > 0.0:
        return look.row("cannot_say", "The expected sum of loads is not greater than zero.")
    try:
        return _compared(look, total)
    except (OutOfRange, ArithmeticError):
        return look.row("cannot_say", "The sums are outside what can be reckoned with.")


def _compared(look: Look, total: _Sum) -> Row:
    return look.compared(
        checks.load_off_expected(
            total.found_n, total.expected_n, look.limit("load_sum_accept"), look.limit("load_sum_limit")
        ),
        Dimension.RATIO,
        _MESSAGES,
    )
