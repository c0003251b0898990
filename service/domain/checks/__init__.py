"""Checks: pure functions of a record, its facts and the criteria, and one row a check.

`RULES` is the table: every rule with its code, group, limits and the purposes of readiness that it
feeds; rules of the balance run only for a line that has a model. A result never guesses: what is missing
is named and the status is `cannot_say`.
"""

from service.domain.checks.documents import STATUSES, check_request, summary
from service.domain.checks.look import Row
from service.domain.checks.rules import BY_CODE, RULES
from service.domain.checks.run import GROUPS, run_checks, run_document_checks
from service.domain.checks.sums import LINE_RULES, SUM_RULES, line_sums
from service.domain.checks.table import Group, Purpose, Rule
from service.domain.checks.weighed import NotWeighed, Weighed, lacking

__all__ = [
    "BY_CODE",
    "GROUPS",
    "LINE_RULES",
    "RULES",
    "STATUSES",
    "SUM_RULES",
    "Group",
    "NotWeighed",
    "Purpose",
    "Row",
    "Rule",
    "Weighed",
    "check_request",
    "lacking",
    "line_sums",
    "run_checks",
    "run_document_checks",
    "summary",
]
