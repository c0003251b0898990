"""Idempotency keys: an answer is remembered in the transaction of its effect."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any, Final

import orjson
from sqlalchemy import Connection, bindparam, delete, insert, select

from service.canonical import canonical_bytes
from service.domain.ports import Remembered
from service.errors import KeyReused
from service.persistence.identifiers import comparable
from service.persistence.tables import idempotency_keys

KEPT_FOR: Final = timedelta(days=90)
_FORGOTTEN_AT_ONCE: Final = 100  # old keys that one write clears away, so that no write pays for many

# Made once: making a statement anew costs more than running it.
_REMEMBERED: Final = select(idempotency_keys.c.request_digest, idempotency_keys.c.answer).where(
    idempotency_keys.c.scope == bindparam("of_scope")
)
_INSERT: Final = insert(idempotency_keys)
_OLD: Final = (
    select(idempotency_keys.c.scope)
    .where(idempotency_keys.c.created_at < bindparam("before"))
    .order_by(idempotency_keys.c.created_at)
    .limit(_FORGOTTEN_AT_ONCE)
)


class StoredKeys:
    """Keys within a writer's transaction, on its connection. Implements `ports.KeyMemory`."""

    connection: Connection

    def remembered(self, principal: str, method: str, path: str, key: str) -> Remembered | None:
        """What was answered under this key in this scope, or None."""
        row = self.connection.execute(
            _REMEMBERED, {"of_scope": _scope(principal, method, path, key)}
        ).one_or_none()
        return None if row is None else Remembered(row.request_digest, orjson.loads(row.answer))

    def remember(
        self,
        principal: str,
        method: str,
        path: str,
        key: str,
        digest: str,
        answer: Mapping[str, Any],
        now: datetime,
    ) -> None:
        """Keeps the answer for 90 days from `now`, and forgets some that are older.

        Raises:
            KeyReused: the key has an answer in this scope.
        """
        self._forget(comparable(now - KEPT_FOR))
        if self.remembered(principal, method, path, key) is not None:
            raise KeyReused("The idempotency key has an answer already.")
        self.connection.execute(
            _INSERT,
            {
                "scope": _scope(principal, method, path, key),
                "request_digest": digest,
                "answer": orjson.dumps(answer).decode("utf-8"),
                "created_at": comparable(now),
            },
        )

    def _forget(self, before: str) -> None:
        scopes = self.connection.execute(_OLD, {"before": before}).scalars().all()
        if scopes:
            self.connection.execute(delete(idempotency_keys).where(idempotency_keys.c.scope.in_(scopes)))


def _scope(principal: str, method: str, path: str, key: str) -> str:
    """One digest for the four, told apart by canonical JSON: no length or character can confuse them."""
    return hashlib.sha256(canonical_bytes([principal, method, path, key])).hexdigest()
