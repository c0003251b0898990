"""Erasing words and names: beside the log, never in it, so that every receipt stays valid.

A leaf holds a salted digest of each free text and an opaque id of each principal. What is erased are
the rows beside it, and what an idempotency key still remembers of them: the kept answer, and the
digest of the request, from which a name or a few words could be guessed.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import orjson
from sqlalchemy import Connection, Engine, select, update

from service.domain.ports import ERASED_REQUEST
from service.persistence.tables import idempotency_keys, principals, texts


def erase_words(
    connection: Connection, log: int, sequence: int, event_id: str, fields: Sequence[str]
) -> None:
    """Takes words and salt from the named fields of one event, and what keys remember of its request.

    connection: in a write transaction of the log. log: the log's number in the tables. event_id: the
    event's own id, by which the answer that names it is found.
    """
    connection.execute(
        update(texts)
        .where(texts.c.log == log, texts.c.sequence == sequence, texts.c.field.in_(fields))
        .values(salt=None, text=None)
    )
    forget_request(connection, event_id)


def erase_name(connection: Connection, principal: str) -> None:
    """Takes the display name of a principal, and what keys remember of it.

    connection: in a write transaction of the service's log.
    """
    connection.execute(update(principals).where(principals.c.id == principal).values(display_name=None))
    forget_request(connection, principal)


def forget_request(connection: Connection, identifier: str) -> None:
    """Scrubs every key whose kept answer tells of what bears this id: its name, the request's digest.

    The key itself stays, so that a repeat of the request does not do again what it did.
    """
    keys = idempotency_keys
    named = keys.c.answer.contains(f'"id":"{identifier}"', autoescape=True)
    for scope, answer in connection.execute(select(keys.c.scope, keys.c.answer).where(named)).all():
        document = orjson.loads(answer)
        if _without_name(document, identifier):
            connection.execute(
                update(keys)
                .where(keys.c.scope == scope)
                .values(request_digest=ERASED_REQUEST, answer=orjson.dumps(document).decode("utf-8"))
            )


def _without_name(value: Any, identifier: str) -> bool:
    """Nulls `display_name` in each object that bears the id; whether there is such an object at all."""
    found = False
    if isinstance(value, dict):
        if value.get("id") == identifier:
            found = True
            if "display_name" in value:
                value["display_name"] = None
        parts = list(value.values())
    else:
        parts = value if isinstance(value, list) else []
    for part in parts:
        found |= _without_name(part, identifier)
    return found


def empty_journal(engine: Engine) -> bool:
    """On SQLite, brings the write-ahead journal into the file and cuts it to nothing.

    The pages before an erasure stand there until then. Called while no other writer is at work; waits
    for readers as long as the engine waits for a lock.

    Returns:
        False when a reader kept the journal in use all the while; True on PostgreSQL, which keeps no
        such file that a client could empty
    """
    if engine.dialect.name != "sqlite":
        return True
    with engine.connect() as connection:
        busy: int = connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)").one()[0]
    return not busy
