"""The writers that a write transaction offers: reading, appending, remembering, undoing."""

from __future__ import annotations

from sqlalchemy import Connection

from service.domain.events import Event, NewEvent
from service.persistence.access import ServiceRows
from service.persistence.appending import Appender
from service.persistence.folding import FoldTable
from service.persistence.identifiers import Clock, RandomBytes
from service.persistence.keys import StoredKeys
from service.persistence.log_reading import Head
from service.persistence.plant_reading import StoredPlant
from service.persistence.projector import Projector


class Writing(StoredKeys):
    """What both writers share."""

    appender: Appender
    undone: bool = False

    def append(self, event: NewEvent) -> Event:
        """Gives the event its place, stores its exact bytes and updates every projection."""
        return self.appender.append(event)

    def rollback_only(self) -> None:
        """Everything in this transaction is undone at its end, which is no error: a dry run."""
        self.undone = True


class PlantWriting(StoredPlant, Writing):
    """A plant under its write lock. Implements `ports.PlantWriter`."""

    def __init__(
        self, connection: Connection, head: Head, folds: FoldTable, clock: Clock, random_bytes: RandomBytes
    ) -> None:
        """connection: in a write transaction that holds the lock. head: as that transaction reads it."""
        super().__init__(connection, head)
        projector = Projector(connection, head.log, self.plant, folds)
        self.appender = Appender(self, projector, clock, random_bytes)


class ServiceWriting(ServiceRows, Writing):
    """The service log under its write lock. Implements `ports.ServiceWriter`."""

    def __init__(self, connection: Connection, head: Head, clock: Clock, random_bytes: RandomBytes) -> None:
        """connection: in a write transaction that holds the lock. head: as that transaction reads it."""
        super().__init__(connection, head, random_bytes)
        self.appender = Appender(self, None, clock, random_bytes)
