"""The harness for a short while, on both engines: every named point is ordered, and a disk is filled.

`python -m tests.torture` runs it for as long as one likes.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests import postgres
from tests.conftest import IN_CI
from tests.torture.plan import short_rounds
from tests.torture.run import run

LIMIT_S = 25.0


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="processes are told apart by /proc")
@pytest.mark.slow
@pytest.mark.parametrize("engine", ["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)])
def test_nothing_is_lost_whatever_is_killed(
    engine: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    planned = next(short_rounds(20, engine))
    try:
        figures = run(iter([planned]), engine, 20, LIMIT_S, tmp_path, print)
    except postgres.PostgresUnavailable as error:
        if IN_CI:
            pytest.fail(f"PostgreSQL is required in CI: {error}", pytrace=False)
        pytest.skip(f"PostgreSQL: {error}")
    with capsys.disabled():
        print("\n" + "\n".join(figures.lines()))
    assert figures.found == []
    assert figures.cycles >= 1
    assert figures.counts["acknowledged"] >= 50
    assert sum(figures.deaths.values()) >= 3
