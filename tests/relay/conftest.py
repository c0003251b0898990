"""One plant for each test: on SQLite, or on either engine where the engine matters."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.relay.receiver import Authority, Receiver, receiving
from tests.relay.site import Site


@pytest.fixture
def site(sqlite_url: str, tmp_path: Path) -> Iterator[Site]:
    made = Site(sqlite_url, tmp_path / "data")
    yield made
    made.close()


@pytest.fixture
def either(database_url: str, tmp_path: Path) -> Iterator[Site]:
    """The plant on each engine in turn."""
    made = Site(database_url, tmp_path / "data")
    yield made
    made.close()


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    with receiving() as made:
        yield made


@pytest.fixture(scope="session")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("certificates"))
