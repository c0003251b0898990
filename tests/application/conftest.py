"""Sites at a stage of the story: on SQLite copied from a template, or built anew on each engine."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.application.site import Site, built, copied

SiteAt = Callable[[str], Site]


@pytest.fixture
def site_at(tmp_path: Path) -> Iterator[SiteAt]:
    """Gives a site on SQLite at a stage; for tests of what does not depend on the engine."""
    opened: list[Site] = []

    def at(stage: str) -> Site:
        opened.append(copied(stage, tmp_path / f"data-{len(opened)}"))
        return opened[-1]

    yield at
    for site in opened:
        site.store.close()


@pytest.fixture
def engine_site_at(database_url: str, tmp_path: Path) -> Iterator[SiteAt]:
    """Gives a site at a stage on each engine in turn; one in a test."""
    opened: list[Site] = []

    def at(stage: str) -> Site:
        opened.append(built(database_url, tmp_path / "data", stage))
        return opened[-1]

    yield at
    for site in opened:
        site.store.close()
