"""Bringing a database and its data folder to what this version of the service needs.

Safe to run at any time and by several processes at once: one of them works, the others find it done.
"""

from __future__ import annotations

import os
import secrets
from contextlib import nullcontext
from pathlib import Path
from typing import Final

from alembic import command
from sqlalchemy import func, insert, select

from service.config import KEYS_FOLDER, Settings
from service.errors import ConfigurationError
from service.persistence import engines, schema
from service.persistence.access import new_log
from service.persistence.faults import translated
from service.persistence.identifiers import RandomBytes
from service.persistence.locks import WriteLock
from service.persistence.store import LOCK_FILE
from service.persistence.tables import logs

CURSOR_SECRET_BYTES: Final = 32
_MIGRATION_LOCK: Final = 0x73707267  # PostgreSQL advisory lock, any number that nothing else takes


def migrate(settings: Settings, *, random_bytes: RandomBytes = secrets.token_bytes) -> None:
    """Makes the data folder, the keys and the tables, or brings the tables to this version.

    DATA_DIR and its keys folder get mode 0700, the cursor secret 0600; what exists is kept as it is.

    Raises:
        ConfigurationError: a folder or file cannot be made, or the database is of a newer version
        StoreBusy: the database cannot be reached or locked
    """
    _make_folders(settings)
    _make_cursor_secret(settings, random_bytes)
    engine = engines.open_engine(settings)
    lock = WriteLock(settings.data_directory / LOCK_FILE, settings.write_lock_timeout_s)
    try:
        with translated(), lock.held() if settings.uses_sqlite else nullcontext():
            options = {engines.WRITE: True} if settings.uses_sqlite else {}
            with engine.execution_options(**options).begin() as connection:
                if not settings.uses_sqlite:
                    connection.execute(select(func.pg_advisory_xact_lock(_MIGRATION_LOCK)))
                if not schema.is_known(connection):
                    raise ConfigurationError(
                        "The database was migrated by a newer version of the service.",
                        accepted=str(schema.needed()),
                    )
                config = schema.configuration()
                config.attributes["connection"] = connection
                command.upgrade(config, "head")
                service = connection.execute(select(logs.c.log).where(logs.c.kind == "service")).scalar()
                if service is None:
                    connection.execute(insert(logs), new_log(connection, None, random_bytes))
    finally:
        engine.dispose()


def _make_folders(settings: Settings) -> None:
    folders = [settings.data_directory, settings.data_directory / KEYS_FOLDER]
    for folder in folders:
        try:
            folder.mkdir(mode=0o700, parents=True)
            folder.chmod(0o700)  # whatever the umask left
        except FileExistsError:
            if not folder.is_dir():
                raise _unusable(folder, "is no folder") from None
        except OSError as error:
            raise _unusable(folder, "cannot be made") from error


def _make_cursor_secret(settings: Settings, random_bytes: RandomBytes) -> None:
    """The secret under which cursors are signed: made once, by whichever process comes first."""
    if settings.cursor_secret_is_given:
        return
    file = settings.cursor_secret_file
    if file.exists():
        return
    # Written whole under another name and then linked, so that no process ever reads half a secret.
    made = file.with_name(f"{file.name}.{os.getpid()}.{random_bytes(8).hex()}")
    try:
        descriptor = os.open(made, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
        try:
            os.write(descriptor, random_bytes(CURSOR_SECRET_BYTES).hex().encode("ascii") + b"\n")
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
        try:
            os.link(made, file)
        except FileExistsError:
            return
        finally:
            made.unlink()
    except OSError as error:
        raise _unusable(file, "cannot be made") from error


def _unusable(path: Path, why: str) -> ConfigurationError:
    return ConfigurationError(
        f"{path} {why}.", given=str(path), accepted="a place that the service may write to"
    )
