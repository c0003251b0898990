"""A migrated store on each engine, empty but for one plant."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from service.config import Settings
from service.persistence.migrate import migrate
from service.persistence.store import SqlStore, open_store
from tests.contract.acts import Clock, open_plant, settings_for


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def settings(database_url: str, tmp_path: Path) -> Settings:
    settings = settings_for(database_url, tmp_path / "data", WRITE_LOCK_TIMEOUT_S="5")
    migrate(settings, clock=Clock())
    return settings


@pytest.fixture
def store(settings: Settings, clock: Clock) -> Iterator[SqlStore]:
    store = open_store(settings, clock=clock)
    open_plant(store, "Works-1")
    yield store
    store.close()
