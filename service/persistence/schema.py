"""The version of the tables: which one a database has, and which one this code needs."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Final

from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, inspect, select

from service.persistence.tables import companions

MIGRATIONS: Final = Path(__file__).resolve().parent / "migrations"


def configuration() -> Config:
    """Alembic's configuration, without a file of its own."""
    config = Config()
    # A % would be read as an interpolation.
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    return config


@cache
def needed() -> str | None:
    """The version that this code was written for."""
    return ScriptDirectory.from_config(configuration()).get_current_head()


def is_current(connection: Connection) -> bool:
    """Whether this code may run on the database: its version is the one needed, or lists it as fit.

    A later release that only adds to the tables lists the versions before it, so that their releases
    go on serving while it is brought in.
    """
    return MigrationContext.configure(connection).get_current_revision() == needed() or is_companion(
        connection
    )


def is_companion(connection: Connection) -> bool:
    """Whether the database's version lists that of this code as one that may run on it."""
    if not inspect(connection).has_table(companions.name):
        return False
    listed = connection.execute(select(companions.c.version).where(companions.c.version == needed()))
    return listed.first() is not None


def is_known(connection: Connection) -> bool:
    """Whether this code knows the database's version: an older one, its own, or none yet."""
    found = MigrationContext.configure(connection).get_current_revision()
    known = {script.revision for script in ScriptDirectory.from_config(configuration()).walk_revisions()}
    return found is None or found in known
