"""The logs as outboxes: what the relay reads of them, what it keeps, and which one relay may send.

Short transactions throughout: one to look for work, one to read a window of events, one to keep what
became of it.
"""

from __future__ import annotations

import fcntl
import logging
import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, Engine, bindparam, delete, exc, func, or_, select, update
from sqlalchemy.dialects import postgresql, sqlite

from service.config import Settings
from service.domain.instants import parse_instant
from service.domain.ports import EventFilter
from service.domain.webhooks import WAITING, Delivery, Leadership, Pass, StoredBytes, must_wait
from service.persistence import engines, filters
from service.persistence.faults import translated
from service.persistence.identifiers import comparable
from service.persistence.store import SqlStore
from service.persistence.tables import events, logs
from service.persistence.webhook_tables import deliveries, replays, webhooks
from service.persistence.webhooks import DELIVERY_COLUMNS, WEBHOOK_COLUMNS, webhook_of

RELAY_LOCK: Final = "relay.lock"
_ADVISORY_LOCK: Final = 0x7370726C  # PostgreSQL, any number that nothing else takes
_LOG: Final = logging.getLogger("service.relay")

_OPEN_REPLAY: Final = (
    select(func.min(replays.c.number))
    .where(replays.c.webhook == webhooks.c.id, replays.c.finished_at.is_(None))
    .correlate(webhooks)
    .scalar_subquery()
)
# A cursor beyond the log's end comes from another state of the database than the log's: it is seen to.
_DUE: Final = (
    select(
        *WEBHOOK_COLUMNS,
        webhooks.c.log,
        webhooks.c.cursor,
        webhooks.c.resume_at,
        logs.c.plant,
        logs.c.next_sequence,
        replays.c.number.label("replay"),
        replays.c.cursor.label("replay_cursor"),
        replays.c.until.label("replay_until"),
    )
    .select_from(
        webhooks.join(logs, logs.c.log == webhooks.c.log).outerjoin(
            replays, (replays.c.webhook == webhooks.c.id) & (replays.c.number == _OPEN_REPLAY)
        )
    )
    .where(
        webhooks.c.active,
        logs.c.fault.is_(None),
        or_(webhooks.c.cursor != logs.c.next_sequence, replays.c.number.is_not(None)),
    )
    .order_by(webhooks.c.id)
)
_KNOWN: Final = select(*DELIVERY_COLUMNS).where(
    deliveries.c.webhook == bindparam("of_webhook"),
    deliveries.c.replay == bindparam("of_replay"),
    deliveries.c.sequence.between(bindparam("first"), bindparam("last")),
)


class SqlOutbox:
    """Implements `webhooks.Outbox` on either engine."""

    def __init__(self, store: SqlStore, settings: Settings) -> None:
        """store: of a process that has one relay at most."""
        self._store = store
        self._lock_file = settings.data_directory / RELAY_LOCK
        self._is_sqlite = settings.uses_sqlite
        if self._is_sqlite:
            self._plain: Engine = store.engine.execution_options(**{engines.PLAIN: True})
            self._writers: Engine = store.engine.execution_options(**{engines.WRITE: True})
        else:
            self._plain = store.engine.execution_options(isolation_level="AUTOCOMMIT")
            self._writers = store.engine

    # --- leadership ------------------------------------------------------------------------------------
    def lead(self) -> Leadership | None:
        """The leadership, or None while another relay has it: a file's lock, or the database's."""
        with translated():
            return _FileLock.taken(self._lock_file) if self._is_sqlite else _SessionLock.taken(self._plain)

    # --- work ------------------------------------------------------------------------------------------
    def due(self, now: datetime) -> Sequence[Pass]:
        """Every pass that has events before it and does not rest; none of a log that is closed to writes."""
        with translated(), self._plain.connect() as connection:
            rows = connection.execute(_DUE).all()
        found: list[Pass] = []
        for row in rows:
            if row.resume_at is not None and must_wait(parse_instant(row.resume_at), now):
                continue
            known = (webhook_of(row), row.plant, row.log)
            if row.cursor != row.next_sequence:
                found.append(Pass(*known, 0, row.cursor, row.next_sequence, row.resume_at))
            if row.replay is not None:
                end = min(row.replay_until, row.next_sequence)
                found.append(Pass(*known, row.replay, row.replay_cursor, end, row.resume_at))
        return found

    def window(
        self, work: Pass, start: int, limit: int
    ) -> tuple[Sequence[StoredBytes], Sequence[Delivery], int]:
        """At most `limit` events from `start` on that the pass wants, and how far their deliveries are."""
        hook = work.webhook
        wanted = EventFilter(line=hook.line, hanger=hook.hanger, type=hook.type)
        query = (
            select(events.c.sequence, events.c.body, events.c.leaf_hash)
            .where(*filters.event_conditions(work.log, wanted, start, work.end))
            .order_by(events.c.sequence)
            .limit(limit)
        )
        with translated(), self._plain.connect() as connection:
            rows = connection.execute(query).all()
            if not rows:
                return [], [], work.end
            among = {
                "of_webhook": hook.id,
                "of_replay": work.replay,
                "first": rows[0].sequence,
                "last": rows[-1].sequence,
            }
            known = [Delivery(*row) for row in connection.execute(_KNOWN, among)]
        found = [StoredBytes(row.sequence, bytes(row.body), bytes(row.leaf_hash)) for row in rows]
        return found, known, work.end if len(rows) < limit else found[-1].sequence + 1

    def record(
        self,
        work: Pass,
        deliveries_made: Sequence[Delivery],
        cursor: int,
        resume_at: str | None,
        now: datetime,
    ) -> bool:
        """Keeps what was delivered and how far the pass is, in one transaction."""
        with translated(), self._store.alone(), self._writers.connect() as connection, connection.begin():
            row = connection.execute(
                select(webhooks.c.revision, webhooks.c.cursor, webhooks.c.removed_at)
                .where(webhooks.c.id == work.webhook.id)
                .with_for_update()
            ).one_or_none()
            if row is None or row.removed_at is not None or not self._move(connection, work, cursor, now):
                connection.rollback()
                return False
            changed = row.revision != work.webhook.revision
            kept = [each for each in deliveries_made if not changed or each.outcome != WAITING]
            if not changed and resume_at != work.resume_at:
                connection.execute(
                    update(webhooks).where(webhooks.c.id == work.webhook.id).values(resume_at=resume_at)
                )
            if kept:
                rows = [{"webhook": work.webhook.id, **asdict(each)} for each in kept]
                connection.execute(_UPSERTS[connection.dialect.name], rows)
        return True

    def _move(self, connection: Connection, work: Pass, cursor: int, now: datetime) -> bool:
        """Moves the cursor from where the pass has it; False when it stands elsewhere."""
        if work.replay == 0:
            if cursor < work.cursor:
                # The log is not the one in which the cursor was: what was delivered there is not of these.
                connection.execute(
                    delete(deliveries).where(
                        deliveries.c.webhook == work.webhook.id, deliveries.c.sequence >= cursor
                    )
                )
            moved = update(webhooks).where(webhooks.c.id == work.webhook.id, webhooks.c.cursor == work.cursor)
            return connection.execute(moved.values(cursor=cursor)).rowcount == 1
        done = comparable(now) if cursor >= work.end else None
        one = update(replays).where(
            replays.c.webhook == work.webhook.id,
            replays.c.number == work.replay,
            replays.c.cursor == work.cursor,
            replays.c.finished_at.is_(None),
        )
        return connection.execute(one.values(cursor=cursor, finished_at=done)).rowcount == 1

    # --- forgetting ------------------------------------------------------------------------------------
    def prune(self, before: datetime, limit: int) -> int:
        """Forgets at most `limit` deliveries made before this instant, and what is left of removed webhooks.

        What waits is never forgotten, nor what lies before the cursor's place was reached.
        """
        old = or_(
            webhooks.c.removed_at.is_not(None),
            (deliveries.c.outcome != WAITING)
            & (deliveries.c.last_attempt_at < comparable(before))
            & or_(deliveries.c.replay > 0, deliveries.c.sequence < webhooks.c.cursor),
        )
        query = (
            select(deliveries.c.webhook, deliveries.c.replay, deliveries.c.sequence)
            .join(webhooks, webhooks.c.id == deliveries.c.webhook)
            .where(old)
            .limit(limit)
        )
        with translated(), self._plain.connect() as connection:
            keys = [dict(row._mapping) for row in connection.execute(query)]
        with translated(), self._store.alone(), self._writers.connect() as connection, connection.begin():
            if keys:
                connection.execute(_FORGET, [{f"old_{name}": each[name] for name in each} for each in keys])
            _forget_removed(connection)
        return len(keys)


_FORGET: Final = delete(deliveries).where(
    deliveries.c.webhook == bindparam("old_webhook"),
    deliveries.c.replay == bindparam("old_replay"),
    deliveries.c.sequence == bindparam("old_sequence"),
)


def _forget_removed(connection: Connection) -> None:
    """Removes the rows of removed webhooks that have no deliveries left."""
    left = select(deliveries.c.sequence).where(deliveries.c.webhook == webhooks.c.id).exists()
    gone = connection.execute(
        select(webhooks.c.id).where(webhooks.c.removed_at.is_not(None), ~left)
    ).scalars()
    for identifier in gone.all():
        connection.execute(delete(replays).where(replays.c.webhook == identifier))
        connection.execute(delete(webhooks).where(webhooks.c.id == identifier))


def _upsert_for(insert: Any) -> Any:
    """The statement that adds a delivery, or writes it anew."""
    statement = insert(deliveries)
    key = ("webhook", "replay", "sequence")
    changed = {
        column.name: statement.excluded[column.name]
        for column in deliveries.columns
        if column.name not in key
    }
    return statement.on_conflict_do_update(index_elements=key, set_=changed)


_UPSERTS: Final[Mapping[str, Any]] = {
    "sqlite": _upsert_for(sqlite.insert),
    "postgresql": _upsert_for(postgresql.insert),
}


class _FileLock:
    """Leadership by a lock on a file of the data folder; the system lets go of it when its holder dies."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor

    @classmethod
    def taken(cls, file: Path) -> _FileLock | None:
        """The lock, or None while another process has it."""
        descriptor = os.open(file, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(descriptor)
            return None
        except BaseException:
            os.close(descriptor)
            raise
        return cls(descriptor)

    def holds(self) -> bool:
        """Always: a lock on a file is never taken away."""
        return True

    def release(self) -> None:
        """Lets go."""
        os.close(self._descriptor)


class _SessionLock:
    """Leadership by an advisory lock of one database session, which ends with it."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    @classmethod
    def taken(cls, engine: Engine) -> _SessionLock | None:
        """The lock, or None while another session has it."""
        connection = engine.connect()
        connection.detach()  # a session of its own, which no pool gives to anybody else
        try:
            if connection.execute(select(func.pg_try_advisory_lock(_ADVISORY_LOCK))).scalar():
                return cls(connection)
        except BaseException:
            connection.close()
            raise
        connection.close()
        return None

    def holds(self) -> bool:
        """Whether the session is still there."""
        try:
            self._connection.execute(select(1))
        except exc.SQLAlchemyError as error:
            _LOG.warning("leadership lost", extra={"fields": {"error": type(error).__name__}})
            return False
        return True

    def release(self) -> None:
        """Lets go, by ending the session."""
        self._connection.close()
