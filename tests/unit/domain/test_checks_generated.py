"""Whatever record the schema accepts gets an answer from every rule, and never an error."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.domain.balance.weighing import Standing
from service.domain.checks import RULES, STATUSES, line_sums, run_checks
from service.domain.criteria import Criteria
from tests.unit.domain.checks_generated import hanger_records
from tests.unit.domain.checks_samples import (
    VARIABLE,
    changed,
    inspected,
    line_of,
    q,
    read,
    row,
    variable_facts,
    view,
)
from tests.unit.domain.weighings import INSIDE, MAY, UNSAID, WILL, hanger, weighing

CRITERIA = Criteria()


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(hanger_records(), st.booleans(), st.sampled_from([INSIDE, WILL, MAY, UNSAID]))
def test_any_record_gets_a_status_from_every_rule(
    record: dict[str, Any], seen: bool, standing: Standing
) -> None:
    facts = (
        variable_facts() | inspected(2, stops_counted=1) | read(2, "cold", 20, position=q(0, "mm"))
        if seen
        else {}
    )
    known = view(record, facts)
    weighed = weighing(hanger(record["mark"], cold=standing, hot=standing, thermal_movement_m=0.04))
    found = run_checks(known, CRITERIA, weighing=weighed)
    found += line_sums(line_of(known), CRITERIA, weighing=weighed)
    assert {entry["rule"] for entry in found} >= {rule.code for rule in RULES}
    for entry in found:
        assert entry["status"] in STATUSES
        if entry["status"] in ("pass", "attention"):
            assert entry["missing"] == []
        if isinstance(entry["margin"], dict):
            kept = entry["margin"]["value"] >= 0.0
            assert kept or entry["status"] != "pass"


@pytest.mark.parametrize(
    ("rule", "pointer", "value"),
    [
        ("variability", "/design/operating_load", q(5e-324, "kN")),
        ("working-range-agrees", "/design/spring_rate", q(5e-324, "N/m")),
        ("stop-capacity-up", "/stop/linkage_ratio", 5e-324),
    ],
)
def test_figures_that_cannot_be_reckoned_with_say_nothing(rule: str, pointer: str, value: Any) -> None:
    record = changed(changed(VARIABLE, "/design/hardware_weight", q(0, "kN")), "/assemblies", [{}, {}, {}])
    found = row(changed(record, pointer, value), rule)
    assert found["status"] == "cannot_say"
    assert "reckoned" in found["message"]


def test_a_sum_that_cannot_be_reckoned_with_says_nothing() -> None:
    tiny = changed(VARIABLE, "/design/hardware_weight", q(0, "kN"))
    tiny = changed(
        changed(tiny, "/design/operating_load", q(1e-320, "N")), "/design/spring_rate", q(1e12, "kN/mm")
    )
    facts = variable_facts() | read(1, "hot", 21, position=q(-1e12, "m"))
    _, hot = line_sums(line_of(view(tiny, facts)), CRITERIA)
    assert hot["status"] == "cannot_say"
    assert "reckoned" in hot["message"]
