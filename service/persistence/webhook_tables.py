"""Tables of the webhooks: beside the log like tokens, for they hold URLs, which no log may keep.

The log itself is the outbox: a webhook has a cursor in it, and each delivery names its event by sequence.
"""

from __future__ import annotations

from typing import Final

from sqlalchemy import (
    Boolean,
    CheckConstraint,
    Column,
    ForeignKey,
    Index,
    Integer,
    PrimaryKeyConstraint,
    Table,
    Text,
    text,
)

from service.persistence.tables import Position, Word, metadata

webhooks: Final = Table(
    "webhooks",
    metadata,
    Column("id", Word, nullable=False),
    Column("log", Integer, ForeignKey("logs.log"), nullable=False),
    Column("url", Text, nullable=False),  # empty once removed
    Column("line", Word),
    Column("hanger", Word),
    Column("type", Word),
    Column("active", Boolean, nullable=False),
    Column("disabled", Word),  # why the service disabled it
    Column("disabled_at", Word),
    Column("revision", Integer, nullable=False),
    Column("generation", Integer, nullable=False),  # of its secret, which is derived and never stored
    Column("previous_until", Word),
    Column("secret_mark", Word, nullable=False),
    Column("created_at", Word, nullable=False),
    Column("created_by", Word, nullable=False),
    Column("cursor", Position, nullable=False),
    Column("resume_at", Word),
    Column("removed_at", Word),  # kept until its deliveries have been forgotten bit by bit
    PrimaryKeyConstraint("id"),
    CheckConstraint("disabled IS NULL OR disabled IN ('gone', 'failing')", name="disabled"),
    Index(None, "log", "id"),
    sqlite_with_rowid=False,
)

replays: Final = Table(
    "replays",
    metadata,
    Column("webhook", Word, ForeignKey("webhooks.id"), nullable=False),
    Column("number", Integer, nullable=False),  # from 1
    Column("first", Position, nullable=False),
    Column("until", Position, nullable=False),  # exclusive
    Column("cursor", Position, nullable=False),
    Column("created_at", Word, nullable=False),
    Column("created_by", Word, nullable=False),
    Column("finished_at", Word),
    PrimaryKeyConstraint("webhook", "number"),
    CheckConstraint("first < until", name="range"),
    sqlite_with_rowid=False,
)

deliveries: Final = Table(
    "deliveries",
    metadata,
    Column("webhook", Word, ForeignKey("webhooks.id"), nullable=False),
    Column("replay", Integer, nullable=False),  # 0 for the first time round
    Column("sequence", Position, nullable=False),
    Column("outcome", Word, nullable=False),
    Column("attempts", Integer, nullable=False),
    Column("status", Integer),
    Column("cause", Word),
    Column("first_attempt_at", Word, nullable=False),
    Column("last_attempt_at", Word, nullable=False),
    Column("next_attempt_at", Word),
    PrimaryKeyConstraint("webhook", "replay", "sequence"),
    CheckConstraint("outcome IN ('delivered', 'waiting')", name="outcome"),
    Index("ix_deliveries_waiting", "webhook", "replay", "sequence",
          sqlite_where=text("outcome = 'waiting'"), postgresql_where=text("outcome = 'waiting'")),
    sqlite_with_rowid=False,
)  # fmt: skip
