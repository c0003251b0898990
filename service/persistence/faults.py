"""What a database error means to a caller. The database's own words never leave this floor."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from sqlalchemy import exc

from service.errors import LogCorrupt, ServiceError, StoreBusy, StoreFull, WriteConflict

_SQLITE_FULL: Final = frozenset({"SQLITE_FULL"})
_SQLITE_BUSY: Final = (
    "SQLITE_BUSY",
    "SQLITE_LOCKED",
    "SQLITE_PROTOCOL",
    "SQLITE_CANTOPEN",
    "SQLITE_READONLY",
)
_SQLITE_CORRUPT: Final = ("SQLITE_CORRUPT", "SQLITE_NOTADB")
_POSTGRESQL_FULL: Final = frozenset({"53100"})
_POSTGRESQL_CONFLICT: Final = frozenset({"40001", "40P01"})  # serialisation, deadlock
# Lock not had, cancelled by a timeout, too many connections, shutting down, starting up, in recovery,
# a session ended for standing idle in a transaction.
_POSTGRESQL_BUSY: Final = frozenset(
    {"55P03", "57014", "53300", "53200", "57P01", "57P02", "57P03", "25006", "25P03"}
)
_POSTGRESQL_CORRUPT: Final = frozenset({"XX001", "XX002"})
_FULL_WORDS: Final = ("no space left on device", "disk quota exceeded", "database or disk is full")
_FULL_NUMBERS: Final = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})

BUSY: Final = "The store is busy; nothing was written. Try again."
CONFLICT: Final = "Another write came between; nothing was written. Try again."
LOST: Final = "The connection to the database was lost; nothing was written. Try again."
FULL: Final = "The store has no room left; nothing was written."
REFUSED: Final = "The database refused the rows of the log; nothing was written."
FAILED: Final = "The store failed; nothing was written."


@contextmanager
def translated() -> Iterator[None]:
    """Turns every error of the database or its files into one of the service's own."""
    try:
        yield
    except (exc.SQLAlchemyError, OSError) as error:
        raise meaning(error) from error


def meaning(error: BaseException) -> ServiceError:
    """The service's error for one of the database's; its cause is for the structured log alone.

    Of an error before the commit: what a connection lost while committing has done is not known.
    """
    if isinstance(error, OSError):
        return StoreFull(FULL) if error.errno in _FULL_NUMBERS else StoreBusy(BUSY)
    if isinstance(error, exc.TimeoutError):  # no connection was free in time
        return StoreBusy(BUSY)
    cause = error.orig if isinstance(error, exc.DBAPIError) else None
    name = str(getattr(cause, "sqlite_errorname", None) or "")
    state = str(getattr(cause, "sqlstate", None) or "")
    words = str(cause).lower()
    if name in _SQLITE_FULL or state in _POSTGRESQL_FULL or any(each in words for each in _FULL_WORDS):
        return StoreFull(FULL)
    if name.startswith(_SQLITE_CORRUPT) or state in _POSTGRESQL_CORRUPT:
        return LogCorrupt("The database file is damaged.")
    if state in _POSTGRESQL_CONFLICT:
        return WriteConflict(CONFLICT)
    if isinstance(error, exc.DBAPIError) and error.connection_invalidated:
        return WriteConflict(LOST)
    if name.startswith(_SQLITE_BUSY) or state in _POSTGRESQL_BUSY or state.startswith("08"):
        return StoreBusy(BUSY)
    if isinstance(error, exc.IntegrityError):
        return LogCorrupt(REFUSED)
    if isinstance(error, exc.OperationalError) and not name and not state:
        return StoreBusy(BUSY)  # the server could not be reached
    return ServiceError(FAILED)
