"""How a write transaction ends: committed with its checkpoint, or undone as a whole."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection, exc

from service.domain.ports import StoredCheckpoint
from service.errors import ServiceError, StoreBusy
from service.persistence.faults import meaning
from service.persistence.writing import Writing

UNKNOWN_OUTCOME: Final = (
    "The connection was lost while committing, so that the outcome is not known here. "
    "Repeat the request with the same idempotency key to learn it."
)


@dataclass
class Ended:
    """How a write transaction ended. checkpoint: committed with it, None where nothing was appended."""

    checkpoint: StoredCheckpoint | None = None


@contextmanager
def committed(connection: Connection, writer: Writing) -> Iterator[Ended]:
    """Commits at the end, or undoes everything: after an error, a spoilt append, or on request."""
    ended = Ended()
    try:
        yield ended
        if writer.appender.spoilt:
            raise StoreBusy("An append failed half-way, so that all of it was undone. Try again.")
        if writer.undone:
            connection.rollback()
            return
        checkpoint = writer.appender.finish()
    except BaseException:
        connection.rollback()
        raise
    try:
        connection.commit()
    except exc.DBAPIError as error:
        fault = meaning(error)
        unknown = error.connection_invalidated or fault.code == ServiceError.code
        connection.rollback()
        raise (StoreBusy(UNKNOWN_OUTCOME) if unknown else fault) from error
    ended.checkpoint = checkpoint
