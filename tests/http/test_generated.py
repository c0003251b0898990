"""Generated requests, bounded: all phases and checks as engineer and administrator, coverage as others.

The long run is in tests/fuzz.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from schemathesis.config import PhasesConfig

from tests.http.conftest import small_plant
from tests.http.generated import DEEP, LEFT_OUT, PHASES, Outcome, know_a_webhook, send_generated, untouched
from tests.http.running import Running

EXAMPLES = 6


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Running]:
    """A service whose clock stands at the present, so that generated times lie on both sides of it."""
    made = Running(tmp_path)
    made.clock.now = datetime.now(UTC)
    small_plant(made)
    know_a_webhook(made)
    yield made
    made.close()


def no_failures(outcome: Outcome) -> None:
    """Nothing failed, and the run was no empty one."""
    told = "\n\n".join(f"{name}\n{request}" for name, request in list(outcome.failures.items())[:10])
    assert not outcome.failures, f"{outcome.summary()}\n{told}"
    assert outcome.checks > 1000, outcome.summary()
    assert outcome.statuses[200] > 0
    # Some of each operation's requests are sent without a token on purpose; more would be a hollow run.
    assert outcome.statuses[401] <= 3 * len(outcome.operations), outcome.summary()
    assert not any(status >= 500 for status in outcome.statuses)


@pytest.mark.fuzz
@pytest.mark.slow
@pytest.mark.timeout(600)
@pytest.mark.parametrize("role", ["engineer", "administrator"])
def test_every_phase_and_check_holds(
    running: Running, role: str, record_property: pytest.RecordProperty
) -> None:
    caller = running.caller(role)
    drawn = send_generated(caller, ("examples", "fuzzing", "stateful"), examples=EXAMPLES)
    no_failures(drawn)
    assert set(drawn.phases.values()) == {"success", "skip"}
    covered = send_generated(caller, ("coverage",), examples=1, without=DEEP)
    no_failures(covered)
    assert untouched(caller, drawn) == LEFT_OUT
    assert untouched(caller, covered) == LEFT_OUT | set(DEEP)
    record_property("summary", f"{role}: {drawn.summary()}; {covered.summary()}")


@pytest.mark.fuzz
@pytest.mark.slow
@pytest.mark.timeout(600)
@pytest.mark.parametrize("role", ["reader", "recorder", "integrator", "auditor"])
def test_the_coverage_phase_holds_for_the_other_roles(running: Running, role: str) -> None:
    outcome = send_generated(running.caller(role), ("coverage",), examples=1, without=DEEP)
    no_failures(outcome)
    assert outcome.statuses[403] > 0


def test_the_phases_are_all_those_that_there_are() -> None:
    assert {field.name for field in dataclasses.fields(PhasesConfig)} == set(PHASES)
