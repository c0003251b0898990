"""The stateless check of a posted request, and counts of results."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from typing import Any, Final

from service.domain.checks.look import Row
from service.domain.checks.run import run_document_checks
from service.domain.checks.weighed import Weighed
from service.domain.criteria import Criteria

STATUSES: Final = ("pass", "attention", "fail", "cannot_say", "not_applicable")


def summary(results: Iterable[Row]) -> dict[str, int]:
    """How many results have each status; every status is named."""
    counted = Counter(row["status"] for row in results)
    return {status: counted[status] for status in STATUSES}


def check_request(request: Mapping[str, Any], *, weighing: Weighed | None = None) -> dict[str, Any]:
    """The checks of a posted request, as schemas/check-request.schema.json; nothing is stored.

    Args:
        request: `hanger`, and besides it `criteria`, `inspections`, `readings`, `line` and `groups`
            where they are given
        weighing: what the balance of a line model that was posted too says; None where none was posted

    Returns:
        the mark, the results, and how many have each status

    Raises:
        InvalidDocument: the posted criteria contradict themselves
    """
    record = request["hanger"]
    results = run_document_checks(
        record,
        Criteria.from_document(request.get("criteria")),
        inspections=request.get("inspections", ()),
        readings=request.get("readings", ()),
        line_record=request.get("line"),
        groups=request.get("groups"),
        weighing=weighing,
    )
    return {"mark": record["mark"], "checks": results, "summary": summary(results)}
