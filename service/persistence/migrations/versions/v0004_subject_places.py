"""An event's place in its subject must be the next one; looked up by the greatest, not by equality.

A PostgreSQL without statistics answered the former question by reading the whole index of the log at each
insert. The greatest place is read from one end of its own index whatever the statistics say.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

EVENT_EXISTS = """NEW.sequence <> (SELECT COALESCE(MAX(sequence), -1) + 1 FROM events WHERE log = NEW.log)
    OR EXISTS (SELECT 1 FROM events WHERE id = NEW.id)
    OR NEW.subject_sequence <> (SELECT COALESCE(MAX(subject_sequence), -1) + 1 FROM events
                                WHERE log = NEW.log AND subject = NEW.subject)
    OR (NEW.client_event_id IS NOT NULL AND EXISTS (
        SELECT 1 FROM events WHERE log = NEW.log AND client_event_id = NEW.client_event_id))"""

SQLITE = (
    "DROP TRIGGER events_insert",
    f"""
CREATE TRIGGER events_insert BEFORE INSERT ON events
WHEN {EVENT_EXISTS}
BEGIN SELECT RAISE(ABORT, 'events: a row is added once, in its place'); END
""",
)

POSTGRESQL = (
    f"""
CREATE OR REPLACE FUNCTION events_insert() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
IF {EVENT_EXISTS} THEN
RAISE EXCEPTION 'events: a row is added once, in its place' USING ERRCODE = 'restrict_violation';
END IF;
RETURN NEW;
END $$
""",
)


def upgrade() -> None:
    """Replaces the trigger on SQLite, the function that it calls on PostgreSQL."""
    for statement in SQLITE if op.get_bind().dialect.name == "sqlite" else POSTGRESQL:
        op.execute(statement)
    op.bulk_insert(sa.table("companions", sa.column("version", sa.Text())), [{"version": "0004"}])
