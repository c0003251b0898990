"""Generated requests, at length: FUZZ_EXAMPLES cases of each operation, every phase and role.

FUZZ_SEED repeats a run; without it each run draws anew and tells its seed when it fails.
"""

from __future__ import annotations

import os
import random
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from service.domain.access import ROLES
from tests.http.conftest import small_plant
from tests.http.generated import LEFT_OUT, PHASES, know_a_webhook, send_generated, untouched
from tests.http.running import Running

EXAMPLES = int(os.environ.get("FUZZ_EXAMPLES", "0"))
SEED = int(os.environ.get("FUZZ_SEED", random.randrange(2**32)))

pytestmark = [
    pytest.mark.fuzz,
    pytest.mark.slow,
    pytest.mark.timeout(0),
    pytest.mark.skipif(EXAMPLES == 0, reason="FUZZ_EXAMPLES is not set: `make fuzz` sets it"),
]


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Running]:
    """A service whose clock stands at the present."""
    made = Running(tmp_path)
    made.clock.now = datetime.now(UTC)
    small_plant(made)
    know_a_webhook(made)
    yield made
    made.close()


@pytest.mark.parametrize("role", ROLES)
def test_every_phase_and_check_holds_at_length(running: Running, role: str) -> None:
    caller = running.caller(role)
    outcome = send_generated(caller, PHASES, examples=EXAMPLES, seed=SEED)
    told = "\n\n".join(f"{name}\n{request}" for name, request in list(outcome.failures.items())[:30])
    assert not outcome.failures, f"seed {SEED}: {outcome.summary()}\n{told}"
    assert untouched(caller, outcome) == LEFT_OUT
    assert outcome.statuses[401] <= 6 * len(outcome.operations), outcome.summary()
