"""What every test may use: the two databases, each test with one of its own."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from tests import postgres

IN_CI = os.environ.get("CI", "").lower() == "true"

# A shared machine is slow at times, so no example has a deadline; in CI the examples are the same
# each time and are printed so that a failure can be repeated.
settings.register_profile("here", deadline=None)
settings.register_profile("ci", deadline=None, derandomize=True, print_blob=True)
settings.load_profile("ci" if IN_CI else "here")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Marks `postgres` each test that asks for that database, so that `-m postgres` finds them all."""
    for item in items:
        if {"postgres_url", "postgres_database"} & set(getattr(item, "fixturenames", ())):
            item.add_marker(pytest.mark.postgres)


@pytest.fixture(scope="session")
def postgres_url() -> Iterator[str]:
    """URL of a PostgreSQL server's maintenance database; without one the test is skipped, in CI failed."""
    given = os.environ.get("TEST_DATABASE_URL")
    if given:
        yield given
        return
    try:
        server = postgres.start_server()
    except postgres.PostgresUnavailable as error:
        if IN_CI:
            pytest.fail(f"PostgreSQL is required in CI: {error}", pytrace=False)
        pytest.skip(f"PostgreSQL: {error}")
    try:
        yield server.url
    finally:
        server.stop()


@pytest.fixture
def postgres_database(postgres_url: str) -> Iterator[str]:
    """URL of an empty PostgreSQL database for this test alone; dropped at its end."""
    with postgres.temporary_database(postgres_url) as url:
        yield url


@pytest.fixture
def sqlite_url(tmp_path: Path) -> str:
    """URL of an SQLite file that does not exist yet, for this test alone."""
    return f"sqlite:///{tmp_path / 'service.sqlite3'}"


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)])
def database_url(request: pytest.FixtureRequest) -> str:
    """URL of an empty database, for this test alone: the test runs once on each engine."""
    name = "sqlite_url" if request.param == "sqlite" else "postgres_database"
    url: str = request.getfixturevalue(name)
    return url
