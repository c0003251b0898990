"""One small plant for every test of the edge that reads or is refused; a fresh one for tests that write."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.http.running import LINE, PLANT, Caller, Running, hanger


def small_plant(running: Running) -> None:
    """Plant P with line L-1 and hanger H-1."""
    assert running.caller("administrator").put("/v1/plants/P", PLANT).status_code == 201
    engineer = running.caller("engineer")
    assert engineer.put("/v1/plants/P/lines/L-1", LINE).status_code == 201
    assert engineer.put("/v1/plants/P/hangers/H-1", hanger()).status_code == 201


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """A service with the small plant, shared by a module's tests; they leave it as it is or add to it."""
    running = Running(tmp_path_factory.mktemp("service"))
    small_plant(running)
    yield running
    running.close()


@pytest.fixture
def fresh(tmp_path: Path) -> Iterator[Running]:
    """A service with the small plant, for this test alone."""
    running = Running(tmp_path)
    small_plant(running)
    yield running
    running.close()


@pytest.fixture
def engineer(shared: Running) -> Caller:
    """An engineer of the shared service."""
    return shared.caller("engineer")


@pytest.fixture
def administrator(shared: Running) -> Caller:
    """An administrator of the shared service."""
    return shared.caller("administrator")
