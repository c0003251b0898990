"""Webhooks, their replays and their deliveries.

Expands only: the releases before go on serving beside it. A migration stays as it was when it was
written: what it makes is stated here in full.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

WORD = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
POSITION = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Adds the tables, and names the version that may run on them."""
    op.create_table(
        "webhooks",
        sa.Column("id", WORD, nullable=False),
        sa.Column("log", sa.Integer(), nullable=False),
        sa.Column("url", sa.Text(), nullable=False),
        sa.Column("line", WORD, nullable=True),
        sa.Column("hanger", WORD, nullable=True),
        sa.Column("type", WORD, nullable=True),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("disabled", WORD, nullable=True),
        sa.Column("disabled_at", WORD, nullable=True),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("generation", sa.Integer(), nullable=False),
        sa.Column("previous_until", WORD, nullable=True),
        sa.Column("secret_mark", WORD, nullable=False),
        sa.Column("created_at", WORD, nullable=False),
        sa.Column("created_by", WORD, nullable=False),
        sa.Column("cursor", POSITION, nullable=False),
        sa.Column("resume_at", WORD, nullable=True),
        sa.Column("removed_at", WORD, nullable=True),
        sa.CheckConstraint(
            "disabled IS NULL OR disabled IN ('gone', 'failing')", name=op.f("ck_webhooks_disabled")
        ),
        sa.ForeignKeyConstraint(["log"], ["logs.log"], name=op.f("fk_webhooks_log_logs")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_webhooks")),
        sqlite_with_rowid=False,
    )
    op.create_index(op.f("ix_webhooks_log_id"), "webhooks", ["log", "id"], unique=False)
    op.create_table(
        "replays",
        sa.Column("webhook", WORD, nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("first", POSITION, nullable=False),
        sa.Column("until", POSITION, nullable=False),
        sa.Column("cursor", POSITION, nullable=False),
        sa.Column("created_at", WORD, nullable=False),
        sa.Column("created_by", WORD, nullable=False),
        sa.Column("finished_at", WORD, nullable=True),
        sa.CheckConstraint("first < until", name=op.f("ck_replays_range")),
        sa.ForeignKeyConstraint(["webhook"], ["webhooks.id"], name=op.f("fk_replays_webhook_webhooks")),
        sa.PrimaryKeyConstraint("webhook", "number", name=op.f("pk_replays")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "deliveries",
        sa.Column("webhook", WORD, nullable=False),
        sa.Column("replay", sa.Integer(), nullable=False),
        sa.Column("sequence", POSITION, nullable=False),
        sa.Column("outcome", WORD, nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("status", sa.Integer(), nullable=True),
        sa.Column("cause", WORD, nullable=True),
        sa.Column("first_attempt_at", WORD, nullable=False),
        sa.Column("last_attempt_at", WORD, nullable=False),
        sa.Column("next_attempt_at", WORD, nullable=True),
        sa.CheckConstraint("outcome IN ('delivered', 'waiting')", name=op.f("ck_deliveries_outcome")),
        sa.ForeignKeyConstraint(["webhook"], ["webhooks.id"], name=op.f("fk_deliveries_webhook_webhooks")),
        sa.PrimaryKeyConstraint("webhook", "replay", "sequence", name=op.f("pk_deliveries")),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "ix_deliveries_waiting",
        "deliveries",
        ["webhook", "replay", "sequence"],
        unique=False,
        sqlite_where=sa.text("outcome = 'waiting'"),
        postgresql_where=sa.text("outcome = 'waiting'"),
    )
    companions = sa.table("companions", sa.column("version", WORD))
    op.bulk_insert(companions, [{"version": "0003"}])
