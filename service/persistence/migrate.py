"""Bringing a database and its data folder to what this version of the service needs.

Safe to run at any time and by several processes at once: one of them works, the others find it done.
The tables come first, in a transaction of their own that is over at once, so that a release before
this one goes on serving; then each log is brought under its signed tree, a part at a time.
"""

from __future__ import annotations

import secrets
from contextlib import nullcontext
from pathlib import Path
from typing import Final

from alembic import command
from sqlalchemy import Connection, func, insert, select

from service.config import KEYS_FOLDER, Settings
from service.errors import ConfigurationError
from service.persistence import engines, schema
from service.persistence.access import new_log
from service.persistence.faults import translated
from service.persistence.folding import release_folds
from service.persistence.identifiers import Clock, RandomBytes
from service.persistence.key_files import make_file, unusable
from service.persistence.locks import WriteLock
from service.persistence.signing import prepare_keys
from service.persistence.soundness import examine
from service.persistence.store import LOCK_FILE, SqlStore, now
from service.persistence.tables import logs

SECRET_BYTES: Final = 32
MIGRATION_LOCK: Final = 0x73707267  # PostgreSQL advisory lock, any number that nothing else takes


def migrate(
    settings: Settings, *, clock: Clock = now, random_bytes: RandomBytes = secrets.token_bytes
) -> None:
    """Makes the data folder, the keys and the tables, or brings the tables to this version.

    DATA_DIR and its keys folder get mode 0700, each file of secrets 0600; what exists is kept as it is.
    A file that a setting names is the operator's, and must be there.

    Raises:
        ConfigurationError: a folder or file cannot be made, a file named by a setting is not there,
            the key file holds none of the keys that sign the store's checkpoints, or the database is
            of a newer version that does not list this one as fit to run on it
        StoreBusy: the database cannot be reached or locked
        LogSealed: the service's own log is closed to writes, and a key is to be listed
    """
    make_folders_and_secrets(settings, random_bytes)
    _bring_tables(settings, random_bytes)
    store = SqlStore(settings, release_folds(), clock, random_bytes)
    try:
        prepare_keys(store, settings, random_bytes)
        examine(store, full=False)
        store.catch_up()
    finally:
        store.close()


def make_folders_and_secrets(settings: Settings, random_bytes: RandomBytes) -> None:
    """Makes the data folder and the secrets in it, or keeps what is there.

    Raises:
        ConfigurationError: a folder or file cannot be made, or one that a setting names is not there
    """
    _make_folders(settings)
    _make_secret(settings.cursor_secret_file, settings.cursor_secret_is_given, random_bytes)
    _make_secret(settings.webhook_secret_file, settings.webhook_secret_is_given, random_bytes)
    if settings.webhook_secret_is_given and not settings.webhook_secret_file.is_file():
        raise ConfigurationError(
            f"The file of the webhooks' secret, {settings.webhook_secret_file}, is not there.",
            variable="WEBHOOK_SECRET_FILE",
            given=str(settings.webhook_secret_file),
            accepted="a file that is there",
        )


def _bring_tables(settings: Settings, random_bytes: RandomBytes) -> None:
    engine = engines.open_engine(settings)
    lock = WriteLock(settings.data_directory / LOCK_FILE, settings.write_lock_timeout_s)
    try:
        with translated(), lock.held() if settings.uses_sqlite else nullcontext():
            options = {engines.WRITE: True} if settings.uses_sqlite else {}
            with engine.execution_options(**options).begin() as connection:
                if not settings.uses_sqlite:
                    connection.execute(select(func.pg_advisory_xact_lock(MIGRATION_LOCK)))
                _upgrade(connection)
                service = connection.execute(select(logs.c.log).where(logs.c.kind == "service")).scalar()
                if service is None:
                    row = new_log(connection, None, settings.log_origin, random_bytes)
                    # Its first checkpoint is signed once there are keys, for the event that lists them.
                    connection.execute(insert(logs), row | {"frontier": None, "frontier_size": None})
    finally:
        engine.dispose()


def _upgrade(connection: Connection) -> None:
    if schema.is_known(connection):
        config = schema.configuration()
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
    elif not schema.is_companion(connection):
        raise ConfigurationError(
            "The database was migrated by a newer version of the service.", accepted=str(schema.needed())
        )


def _make_folders(settings: Settings) -> None:
    folders = [
        settings.data_directory,
        settings.data_directory / KEYS_FOLDER,
        settings.witness_directory,
    ]
    for folder in folders:
        try:
            folder.mkdir(mode=0o700, parents=True)
            folder.chmod(0o700)  # whatever the umask left
        except FileExistsError:
            if not folder.is_dir():
                raise unusable(folder, "is no folder") from None
        except OSError as error:
            raise unusable(folder, "cannot be made") from error


def _make_secret(file: Path, is_given: bool, random_bytes: RandomBytes) -> None:
    """A secret of 256 random bits in hex: made once, by whichever process comes first."""
    if not is_given:
        make_file(file, random_bytes(SECRET_BYTES).hex().encode("ascii") + b"\n", random_bytes)
