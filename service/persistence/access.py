"""The service's own log, with principals and tokens beside it, and the look-up of a caller."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

import orjson
from sqlalchemy import Connection, Row, bindparam, func, insert, select, update

from service.domain.access import Principal
from service.domain.ports import PrincipalRow, SigningKey, TokenRow
from service.errors import DuplicateKey, NotFound
from service.ledger.hashing import EMPTY_ROOT
from service.persistence.growing import checkpoint_row
from service.persistence.identifiers import Clock, RandomBytes, comparable, new_log_id
from service.persistence.key_files import Signing
from service.persistence.log_reading import Head, StoredLog, origin_of
from service.persistence.tables import checkpoints, logs, principals, signing_keys, tokens

_TOKEN = (
    tokens.c.id,
    tokens.c.principal,
    tokens.c.role,
    tokens.c.plants,
    tokens.c.lines,
    tokens.c.created_at,
    tokens.c.expires_at,
    tokens.c.revoked_at,
)
_EVERY_CALLER = select(
    tokens.c.id,
    tokens.c.role,
    tokens.c.plants,
    tokens.c.lines,
    tokens.c.expires_at,
    tokens.c.revoked_at,
    principals.c.id.label("principal"),
    principals.c.kind,
).join_from(tokens, principals, principals.c.id == tokens.c.principal)
_CALLER = _EVERY_CALLER.where(tokens.c.token_hash == bindparam("of_token_hash"))


def find_caller(connection: Connection, token_hash: str, now: datetime) -> Principal | None:
    """The principal of a token that is neither expired nor revoked."""
    row = connection.execute(_CALLER, {"of_token_hash": token_hash}).one_or_none()
    if row is None or row.revoked_at is not None:
        return None
    if datetime.fromisoformat(row.expires_at) <= now:
        return None
    return Principal(
        id=row.principal,
        kind=row.kind,
        role=row.role,
        token_id=row.id,
        plants=_scope(row.plants),
        lines=_scope(row.lines),
    )


class StoredService(StoredLog):
    """The service log within one transaction. Implements `ports.ServiceReader`."""

    def principal(self, identifier: str) -> PrincipalRow | None:
        """A principal, or None."""
        row = self.connection.execute(select(principals).where(principals.c.id == identifier)).one_or_none()
        return None if row is None else PrincipalRow(*row)

    def principals(self, after: str, limit: int) -> Sequence[PrincipalRow]:
        """Principals with an id above `after`, ascending."""
        rows = self.connection.execute(
            select(principals).where(principals.c.id > after).order_by(principals.c.id).limit(limit)
        )
        return [PrincipalRow(*row) for row in rows]

    def token(self, identifier: str) -> TokenRow | None:
        """A token as listed, or None."""
        row = self.connection.execute(select(*_TOKEN).where(tokens.c.id == identifier)).one_or_none()
        return None if row is None else _token(row)

    def tokens(self, after: str, limit: int) -> Sequence[TokenRow]:
        """Tokens with an id above `after`, ascending."""
        rows = self.connection.execute(
            select(*_TOKEN).where(tokens.c.id > after).order_by(tokens.c.id).limit(limit)
        )
        return [_token(row) for row in rows]

    def known_keys(self) -> Sequence[SigningKey]:
        """The public keys that sign checkpoints or did, in the order in which they came."""
        rows = self.connection.execute(
            select(signing_keys.c.public_key, signing_keys.c.since_at, signing_keys.c.until_at).order_by(
                signing_keys.c.since_at, signing_keys.c.public_key
            )
        )
        return [SigningKey(*row) for row in rows]


class ServiceRows(StoredService):
    """Writes principals, tokens and new plants within one write transaction of the service log."""

    def __init__(
        self, connection: Connection, head: Head, signing: Signing, clock: Clock, random_bytes: RandomBytes
    ) -> None:
        """signing: how a new log begins. random_bytes: source of its id."""
        super().__init__(connection, head)
        self._signing = signing
        self._clock = clock
        self._random_bytes = random_bytes

    def add_principal(self, identifier: str, kind: str, display_name: str | None, created_at: str) -> None:
        """One more principal. Raises DuplicateKey when the id is in use."""
        if self.principal(identifier) is not None:
            raise DuplicateKey("The principal's id is in use.", principal=identifier)
        self.connection.execute(
            insert(principals),
            {"id": identifier, "kind": kind, "display_name": display_name, "created_at": created_at},
        )

    def add_token(self, row: TokenRow, token_hash: str) -> None:
        """One more token. Raises NotFound without its principal, DuplicateKey when id or hash is in use."""
        if self.principal(row.principal) is None:
            raise NotFound("There is no such principal.", principal=row.principal)
        taken = select(tokens.c.id).where((tokens.c.id == row.id) | (tokens.c.token_hash == token_hash))
        if self.connection.execute(taken).first() is not None:
            raise DuplicateKey("The token is in use.", token=row.id)
        self.connection.execute(
            insert(tokens),
            {
                "id": row.id,
                "token_hash": token_hash,
                "principal": row.principal,
                "role": row.role,
                "plants": _scope_text(row.plants),
                "lines": _scope_text(row.lines),
                "created_at": row.created_at,
                "expires_at": row.expires_at,
                "revoked_at": row.revoked_at,
            },
        )

    def revoke_token(self, identifier: str, revoked_at: str) -> None:
        """Ends a token; one that was revoked before keeps its time. Raises NotFound when there is none."""
        if self.token(identifier) is None:
            raise NotFound("There is no such token.", token=identifier)
        self.connection.execute(
            update(tokens)
            .where(tokens.c.id == identifier, tokens.c.revoked_at.is_(None))
            .values(revoked_at=revoked_at)
        )

    def open_plant(self, plant: str) -> None:
        """Makes the plant's empty log with a random id; DuplicateKey when the key is in use."""
        holder = self.connection.execute(
            select(logs.c.plant).where(logs.c.plant_key == plant.casefold())
        ).scalar()
        if holder is not None:
            raise DuplicateKey("The plant's key is in use.", plant=holder)
        row = new_log(self.connection, plant, self._signing.log_origin, self._random_bytes)
        self.connection.execute(insert(logs), row)
        signers = self._signing.signers(self.connection)
        first = checkpoint_row(row["log"], row["origin"], 0, EMPTY_ROOT, signers, comparable(self._clock()))
        self.connection.execute(insert(checkpoints), first)


def new_log(
    connection: Connection, plant: str | None, log_origin: str, random_bytes: RandomBytes
) -> dict[str, Any]:
    """The row of an empty log: a plant's, or the service's own for None.

    log_origin: first part of the origin under which it signs its checkpoints.
    """
    log_id = new_log_id(random_bytes)
    last: int | None = connection.execute(select(func.max(logs.c.log))).scalar()
    return {
        "log": 0 if last is None else last + 1,
        "log_id": log_id,
        "kind": "service" if plant is None else "plant",
        "plant": plant,
        "plant_key": None if plant is None else plant.casefold(),
        "next_sequence": 0,
        "last_recorded_at": None,
        "origin": origin_of(log_origin, log_id),
        "frontier": b"",
        "frontier_size": 0,
    }


def _token(row: Row[*tuple[Any, ...]]) -> TokenRow:
    return TokenRow(
        id=row.id,
        principal=row.principal,
        role=row.role,
        plants=_listed(row.plants),
        lines=_listed(row.lines),
        created_at=row.created_at,
        expires_at=row.expires_at,
        revoked_at=row.revoked_at,
    )


def _scope_text(keys: Sequence[str] | None) -> str | None:
    return None if keys is None else orjson.dumps(list(keys)).decode("utf-8")


def _listed(text: str | None) -> tuple[str, ...] | None:
    return None if text is None else tuple(orjson.loads(text))


def _scope(text: str | None) -> frozenset[str] | None:
    return None if text is None else frozenset(key.casefold() for key in orjson.loads(text))
