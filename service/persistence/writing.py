"""The writers that a write transaction offers: reading, appending, remembering, undoing."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import Connection

from service.domain.events import Event, NewEvent
from service.persistence.access import ServiceRows
from service.persistence.appending import Appender
from service.persistence.erasure import erase_name, erase_words
from service.persistence.folding import FoldTable
from service.persistence.growing import GrowingTree
from service.persistence.identifiers import Clock, RandomBytes
from service.persistence.key_files import Signing
from service.persistence.keys import StoredKeys
from service.persistence.log_reading import Head
from service.persistence.plant_reading import StoredPlant
from service.persistence.projector import Projector
from service.persistence.webhooks import WebhookRows


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


class PlantWriting(StoredPlant, WebhookRows, Writing):
    """A plant under its write lock. Implements `ports.PlantWriter`."""

    def __init__(
        self,
        connection: Connection,
        head: Head,
        folds: FoldTable,
        signing: Signing,
        clock: Clock,
        random_bytes: RandomBytes,
    ) -> None:
        """connection: in a write transaction that holds the lock. head: as that transaction reads it."""
        super().__init__(connection, head)
        projector = Projector(connection, head.log, self.plant, folds)
        tree = GrowingTree(connection, head, signing.signers)
        self.appender = Appender(self, tree, projector, clock, random_bytes)

    def erase_words(self, sequence: int, event_id: str, fields: Sequence[str]) -> None:
        """Takes the words of these fields of one event, and what keys remember of its request."""
        erase_words(self.connection, self.log, sequence, event_id, fields)


class ServiceWriting(ServiceRows, Writing):
    """The service log under its write lock. Implements `ports.ServiceWriter`."""

    def __init__(
        self, connection: Connection, head: Head, signing: Signing, clock: Clock, random_bytes: RandomBytes
    ) -> None:
        """connection: in a write transaction that holds the lock. head: as that transaction reads it."""
        super().__init__(connection, head, signing, clock, random_bytes)
        tree = GrowingTree(connection, head, signing.signers)
        self.appender = Appender(self, tree, None, clock, random_bytes)

    def erase_name(self, principal: str) -> None:
        """Takes a principal's display name, and what keys remember of it."""
        erase_name(self.connection, principal)
