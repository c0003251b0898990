"""The replica: a read-only copy of the database, from which the log is pulled.

A copy lags behind, may be down, and may be of another past (promoted, restored). It is asked only
where it is known to say what the database itself says: its newest checkpoint of the log must be one
that the database holds, and it must have seen the last erasure, so that erased words are not shown
again. Everything else is asked of the database.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection, Engine, bindparam, exc, func, select

from service.errors import LogCorrupt, NotFound, WriteConflict
from service.persistence.plant_reading import StoredPlant
from service.persistence.tables import checkpoints, events, logs

REST_S: Final = 10.0  # a copy that failed is left alone for this long
BROKEN_OFF: Final = "The copy of the database that was read from failed. Try again."

_LOG: Final = logging.getLogger("service.replica")

_NEWEST: Final = (
    select(checkpoints.c.size, checkpoints.c.root)
    .where(checkpoints.c.log == bindparam("log"))
    .order_by(checkpoints.c.size.desc())
    .limit(1)
)
_ERASED: Final = (
    select(func.coalesce(func.max(events.c.sequence), -1))
    .where(events.c.log == logs.c.log, events.c.type == "text-erased")
    .scalar_subquery()
)
# What the database itself says: the root that it stored for the copy's size, and its last erasure.
_SAME: Final = (
    select(checkpoints.c.root, _ERASED.label("erased"))
    .join_from(logs, checkpoints, checkpoints.c.log == logs.c.log)
    .where(logs.c.plant_key == bindparam("plant_key"), checkpoints.c.size == bindparam("size"))
)


@dataclass(frozen=True)
class _End:
    """Where a log ends on the copy: as stated by the newest checkpoint there.

    The root binds all before it, and the log's id with it, which each leaf carries.
    """

    size: int
    root: bytes


class Replica:
    """The copy, and when it was last seen to fail."""

    def __init__(
        self,
        engine: Engine,
        database: Engine,
        reader: Callable[[Connection, str], StoredPlant],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """engine: of the copy. database: of the database itself, for reading. reader: opens a plant."""
        self.engine = engine
        self._database = database
        self._reader = reader
        self._clock = clock
        self._not_before = clock()

    @contextmanager
    def read(self, plant: str, start: int) -> Iterator[StoredPlant | None]:
        """One plant in one state of the copy, or None where the database itself is to be asked.

        start: the first sequence wanted; the copy must hold it.

        Raises:
            WriteConflict: the copy failed while it was read; the same read of the database may do
        """
        with ExitStack() as stack:
            found, end = None, None
            if self._clock() >= self._not_before:
                try:
                    found, end = self._open(stack, plant, start)
                except (exc.SQLAlchemyError, OSError) as error:
                    self._leave_alone(error)
            if found is None or end is None or not self._says_the_same(plant, end):
                stack.close()  # its connection is not kept while the database is asked
                yield None
                return
            try:
                yield found
            except (exc.SQLAlchemyError, LogCorrupt) as error:
                self._leave_alone(error)
                raise WriteConflict(BROKEN_OFF) from error

    def close(self) -> None:
        """Closes every connection that is not in use."""
        self.engine.dispose()

    def forget(self) -> None:
        """In a child process just forked: leaves the parent's connections to the parent."""
        self.engine.dispose(close=False)

    def _open(self, stack: ExitStack, plant: str, start: int) -> tuple[StoredPlant, _End] | tuple[None, None]:
        """The plant as the copy has it, where it holds `start` and a checkpoint for its end."""
        connection = stack.enter_context(self.engine.connect())
        stack.enter_context(connection.begin())
        try:
            found = self._reader(connection, plant)
        except NotFound:
            return None, None
        newest: Any = connection.execute(_NEWEST, {"log": found.log}).one_or_none()
        if found.size <= start or newest is None or newest.size != found.size:
            return None, None
        return found, _End(newest.size, newest.root)

    def _says_the_same(self, plant: str, end: _End) -> bool:
        with self._database.connect() as connection:
            row: Any = connection.execute(
                _SAME, {"plant_key": plant.casefold(), "size": end.size}
            ).one_or_none()
        if row is None or bytes(row.root) != bytes(end.root):
            self._leave_alone(None)
            return False
        return bool(row.erased < end.size)

    def _leave_alone(self, error: BaseException | None) -> None:
        self._not_before = self._clock() + REST_S
        why = "its log is not the database's" if error is None else type(error).__name__
        _LOG.warning("The replica is left alone for %d s: %s.", REST_S, why)
