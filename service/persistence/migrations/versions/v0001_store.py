"""The first tables, with the triggers that guard the log.

A migration stays as it was when it was written: what it makes is stated here in full, and a test
compares it with the tables and triggers of the code.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

WORD = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
POSITION = sa.BigInteger().with_variant(sa.Integer(), "sqlite")

SQLITE_TRIGGERS = (
    """
CREATE TRIGGER logs_insert BEFORE INSERT ON logs
WHEN EXISTS (SELECT 1 FROM logs WHERE log = NEW.log OR log_id = NEW.log_id
OR plant_key = NEW.plant_key OR (kind = 'service' AND NEW.kind = 'service'))
BEGIN SELECT RAISE(ABORT, 'logs: a row is added once, in its place'); END
""",
    """
CREATE TRIGGER logs_update BEFORE UPDATE ON logs
WHEN NEW.log <> OLD.log OR NEW.log_id <> OLD.log_id OR NEW.kind <> OLD.kind
OR COALESCE(NEW.plant, '') <> COALESCE(OLD.plant, '')
OR COALESCE(NEW.plant_key, '') <> COALESCE(OLD.plant_key, '')
OR NEW.next_sequence < OLD.next_sequence
OR COALESCE(NEW.last_recorded_at, '') < COALESCE(OLD.last_recorded_at, '')
BEGIN SELECT RAISE(ABORT, 'logs: a row is not changed'); END
""",
    """
CREATE TRIGGER logs_delete BEFORE DELETE ON logs
BEGIN SELECT RAISE(ABORT, 'logs: a row is not removed'); END
""",
    """
CREATE TRIGGER events_insert BEFORE INSERT ON events
WHEN NEW.sequence <> (SELECT COALESCE(MAX(sequence), -1) + 1 FROM events WHERE log = NEW.log)
OR EXISTS (SELECT 1 FROM events WHERE id = NEW.id)
OR EXISTS (SELECT 1 FROM events WHERE log = NEW.log AND subject = NEW.subject
AND subject_sequence = NEW.subject_sequence)
OR (NEW.client_event_id IS NOT NULL AND EXISTS (
SELECT 1 FROM events WHERE log = NEW.log AND client_event_id = NEW.client_event_id))
BEGIN SELECT RAISE(ABORT, 'events: a row is added once, in its place'); END
""",
    """
CREATE TRIGGER events_update BEFORE UPDATE ON events
BEGIN SELECT RAISE(ABORT, 'events: a row is not changed'); END
""",
    """
CREATE TRIGGER events_delete BEFORE DELETE ON events
BEGIN SELECT RAISE(ABORT, 'events: a row is not removed'); END
""",
    """
CREATE TRIGGER documents_insert BEFORE INSERT ON documents
WHEN EXISTS (SELECT 1 FROM documents WHERE log = NEW.log AND sha256 = NEW.sha256)
BEGIN SELECT RAISE(ABORT, 'documents: a row is added once, in its place'); END
""",
    """
CREATE TRIGGER documents_update BEFORE UPDATE ON documents
BEGIN SELECT RAISE(ABORT, 'documents: a row is not changed'); END
""",
    """
CREATE TRIGGER documents_delete BEFORE DELETE ON documents
BEGIN SELECT RAISE(ABORT, 'documents: a row is not removed'); END
""",
    """
CREATE TRIGGER texts_insert BEFORE INSERT ON texts
WHEN EXISTS (SELECT 1 FROM texts WHERE log = NEW.log AND sequence = NEW.sequence AND field = NEW.field)
BEGIN SELECT RAISE(ABORT, 'texts: a row is added once, in its place'); END
""",
    """
CREATE TRIGGER texts_update BEFORE UPDATE ON texts
WHEN NEW.text IS NOT NULL OR NEW.log <> OLD.log OR NEW.sequence <> OLD.sequence
OR NEW.field <> OLD.field
OR (NEW.salt IS NOT NULL AND (OLD.salt IS NULL OR NEW.salt <> OLD.salt))
BEGIN SELECT RAISE(ABORT, 'texts: a row is not changed'); END
""",
    """
CREATE TRIGGER texts_delete BEFORE DELETE ON texts
BEGIN SELECT RAISE(ABORT, 'texts: a row is not removed'); END
""",
)

POSTGRESQL_TRIGGERS = (
    """
CREATE FUNCTION logs_insert() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
IF EXISTS (SELECT 1 FROM logs WHERE log = NEW.log OR log_id = NEW.log_id
OR plant_key = NEW.plant_key OR (kind = 'service' AND NEW.kind = 'service')) THEN
RAISE EXCEPTION 'logs: a row is added once, in its place' USING ERRCODE = 'restrict_violation';
END IF;
RETURN NEW;
END $$
""",
    """
CREATE FUNCTION logs_update() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
IF NEW.log <> OLD.log OR NEW.log_id <> OLD.log_id OR NEW.kind <> OLD.kind
OR COALESCE(NEW.plant, '') <> COALESCE(OLD.plant, '')
OR COALESCE(NEW.plant_key, '') <> COALESCE(OLD.plant_key, '')
OR NEW.next_sequence < OLD.next_sequence
OR COALESCE(NEW.last_recorded_at, '') < COALESCE(OLD.last_recorded_at, '') THEN
RAISE EXCEPTION 'logs: a row is not changed' USING ERRCODE = 'restrict_violation';
END IF;
RETURN NEW;
END $$
""",
    """
CREATE FUNCTION logs_delete() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
IF TRUE THEN
RAISE EXCEPTION 'logs: a row is not removed' USING ERRCODE = 'restrict_violation';
END IF;
RETURN NULL;
END $$
""",
    """
CREATE TRIGGER logs_insert BEFORE INSERT ON logs FOR EACH ROW EXECUTE FUNCTION logs_insert()
""",
    """
CREATE TRIGGER logs_update BEFORE UPDATE ON logs FOR EACH ROW EXECUTE FUNCTION logs_update()
""",
    """
CREATE TRIGGER logs_delete BEFORE DELETE ON logs FOR EACH ROW EXECUTE FUNCTION logs_delete()
""",
    """
CREATE TRIGGER logs_truncate BEFORE TRUNCATE ON logs FOR EACH STATEMENT EXECUTE FUNCTION logs_delete()
""",
    """
CREATE FUNCTION events_insert() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
IF NEW.sequence <> (SELECT COALESCE(MAX(sequence), -1) + 1 FROM events WHERE log = NEW.log)
OR EXISTS (SELECT 1 FROM events WHERE id = NEW.id)
OR EXISTS (SELECT 1 FROM events WHERE log = NEW.log AND subject = NEW.subject
AND subject_sequence = NEW.subject_sequence)
OR (NEW.client_event_id IS NOT NULL AND EXISTS (
SELECT 1 FROM events WHERE log = NEW.log AND client_event_id = NEW.client_event_id)) THEN
RAISE EXCEPTION 'events: a row is added once, in its place' USING ERRCODE = 'restrict_violation';
END IF;
RETURN NEW;
END $$
""",
    """
CREATE FUNCTION events_update() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
IF TRUE THEN
RAISE EXCEPTION 'events: a row is not changed' USING ERRCODE = 'restrict_violation';
END IF;
RETURN NEW;
END $$
""",
    """
CREATE FUNCTION events_delete() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
IF TRUE THEN
RAISE EXCEPTION 'events: a row is not removed' USING ERRCODE = 'restrict_violation';
END IF;
RETURN NULL;
END $$
""",
    """
CREATE TRIGGER events_insert BEFORE INSERT ON events FOR EACH ROW EXECUTE FUNCTION events_insert()
""",
    """
CREATE TRIGGER events_update BEFORE UPDATE ON events FOR EACH ROW EXECUTE FUNCTION events_update()
""",
    """
CREATE TRIGGER events_delete BEFORE DELETE ON events FOR EACH ROW EXECUTE FUNCTION events_delete()
""",
    """
CREATE TRIGGER events_truncate BEFORE TRUNCATE ON events FOR EACH STATEMENT EXECUTE FUNCTION events_delete()
""",
    """
CREATE FUNCTION documents_insert() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
IF EXISTS (SELECT 1 FROM documents WHERE log = NEW.log AND sha256 = NEW.sha256) THEN
RAISE EXCEPTION 'documents: a row is added once, in its place' USING ERRCODE = 'restrict_violation';
END IF;
RETURN NEW;
END $$
""",
    """
CREATE FUNCTION documents_update() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
IF TRUE THEN
RAISE EXCEPTION 'documents: a row is not changed' USING ERRCODE = 'restrict_violation';
END IF;
RETURN NEW;
END $$
""",
    """
CREATE FUNCTION documents_delete() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
IF TRUE THEN
RAISE EXCEPTION 'documents: a row is not removed' USING ERRCODE = 'restrict_violation';
END IF;
RETURN NULL;
END $$
""",
    """
CREATE TRIGGER documents_insert BEFORE INSERT ON documents FOR EACH ROW EXECUTE FUNCTION documents_insert()
""",
    """
CREATE TRIGGER documents_update BEFORE UPDATE ON documents FOR EACH ROW EXECUTE FUNCTION documents_update()
""",
    """
CREATE TRIGGER documents_delete BEFORE DELETE ON documents FOR EACH ROW EXECUTE FUNCTION documents_delete()
""",
    """
CREATE TRIGGER documents_truncate BEFORE TRUNCATE ON documents
FOR EACH STATEMENT EXECUTE FUNCTION documents_delete()
""",
    """
CREATE FUNCTION texts_insert() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
IF EXISTS (SELECT 1 FROM texts WHERE log = NEW.log AND sequence = NEW.sequence AND field = NEW.field) THEN
RAISE EXCEPTION 'texts: a row is added once, in its place' USING ERRCODE = 'restrict_violation';
END IF;
RETURN NEW;
END $$
""",
    """
CREATE FUNCTION texts_update() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
IF NEW.text IS NOT NULL OR NEW.log <> OLD.log OR NEW.sequence <> OLD.sequence
OR NEW.field <> OLD.field
OR (NEW.salt IS NOT NULL AND (OLD.salt IS NULL OR NEW.salt <> OLD.salt)) THEN
RAISE EXCEPTION 'texts: a row is not changed' USING ERRCODE = 'restrict_violation';
END IF;
RETURN NEW;
END $$
""",
    """
CREATE FUNCTION texts_delete() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
IF TRUE THEN
RAISE EXCEPTION 'texts: a row is not removed' USING ERRCODE = 'restrict_violation';
END IF;
RETURN NULL;
END $$
""",
    """
CREATE TRIGGER texts_insert BEFORE INSERT ON texts FOR EACH ROW EXECUTE FUNCTION texts_insert()
""",
    """
CREATE TRIGGER texts_update BEFORE UPDATE ON texts FOR EACH ROW EXECUTE FUNCTION texts_update()
""",
    """
CREATE TRIGGER texts_delete BEFORE DELETE ON texts FOR EACH ROW EXECUTE FUNCTION texts_delete()
""",
    """
CREATE TRIGGER texts_truncate BEFORE TRUNCATE ON texts FOR EACH STATEMENT EXECUTE FUNCTION texts_delete()
""",
)


def upgrade() -> None:
    """Makes every table and its triggers."""
    op.create_table(
        "idempotency_keys",
        sa.Column("scope", WORD, nullable=False),
        sa.Column("request_digest", WORD, nullable=False),
        sa.Column("answer", sa.Text(), nullable=False),
        sa.Column("created_at", WORD, nullable=False),
        sa.PrimaryKeyConstraint("scope", name=op.f("pk_idempotency_keys")),
        sqlite_with_rowid=False,
    )
    op.create_index(op.f("ix_idempotency_keys_created_at"), "idempotency_keys", ["created_at"], unique=False)
    op.create_table(
        "logs",
        sa.Column("log", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("log_id", WORD, nullable=False),
        sa.Column("kind", WORD, nullable=False),
        sa.Column("plant", WORD, nullable=True),
        sa.Column("plant_key", WORD, nullable=True),
        sa.Column("next_sequence", POSITION, nullable=False),
        sa.Column("last_recorded_at", WORD, nullable=True),
        sa.CheckConstraint("(kind = 'service') = (plant_key IS NULL)", name=op.f("ck_logs_plant")),
        sa.CheckConstraint("kind IN ('plant', 'service')", name=op.f("ck_logs_kind")),
        sa.CheckConstraint("(plant IS NULL) = (plant_key IS NULL)", name=op.f("ck_logs_spelling")),
        sa.PrimaryKeyConstraint("log", name=op.f("pk_logs")),
        sa.UniqueConstraint("log_id", name=op.f("uq_logs_log_id")),
        sa.UniqueConstraint("plant_key", name=op.f("uq_logs_plant_key")),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "uq_logs_service",
        "logs",
        ["kind"],
        unique=True,
        sqlite_where=sa.text("kind = 'service'"),
        postgresql_where=sa.text("kind = 'service'"),
    )
    op.create_table(
        "principals",
        sa.Column("id", WORD, nullable=False),
        sa.Column("kind", WORD, nullable=False),
        sa.Column("display_name", sa.Text(), nullable=True),
        sa.Column("created_at", WORD, nullable=False),
        sa.CheckConstraint("kind IN ('person', 'system')", name=op.f("ck_principals_kind")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_principals")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "documents",
        sa.Column("log", sa.Integer(), nullable=False),
        sa.Column("sha256", WORD, nullable=False),
        sa.Column("media_type", WORD, nullable=False),
        sa.Column("bytes", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["log"], ["logs.log"], name=op.f("fk_documents_log_logs")),
        sa.PrimaryKeyConstraint("log", "sha256", name=op.f("pk_documents")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "events",
        sa.Column("log", sa.Integer(), nullable=False),
        sa.Column("sequence", POSITION, nullable=False),
        sa.Column("id", WORD, nullable=False),
        sa.Column("type", WORD, nullable=False),
        sa.Column("subject", WORD, nullable=False),
        sa.Column("line", WORD, nullable=True),
        sa.Column("subject_sequence", POSITION, nullable=False),
        sa.Column("occurred_at", WORD, nullable=False),
        sa.Column("recorded_at", WORD, nullable=False),
        sa.Column("corrects", POSITION, nullable=True),
        sa.Column("client_event_id", WORD, nullable=True),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("leaf_hash", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["log"], ["logs.log"], name=op.f("fk_events_log_logs")),
        sa.PrimaryKeyConstraint("log", "sequence", name=op.f("pk_events")),
        sa.UniqueConstraint("id", name=op.f("uq_events_id")),
        sa.UniqueConstraint("log", "client_event_id", name=op.f("uq_events_log_client_event_id")),
        sa.UniqueConstraint(
            "log", "subject", "subject_sequence", name=op.f("uq_events_log_subject_subject_sequence")
        ),
        sqlite_with_rowid=False,
    )
    op.create_index(op.f("ix_events_log_line_sequence"), "events", ["log", "line", "sequence"], unique=False)
    op.create_index(
        op.f("ix_events_log_occurred_at_sequence"), "events", ["log", "occurred_at", "sequence"], unique=False
    )
    op.create_index(
        op.f("ix_events_log_recorded_at_sequence"), "events", ["log", "recorded_at", "sequence"], unique=False
    )
    op.create_index(
        op.f("ix_events_log_subject_sequence"), "events", ["log", "subject", "sequence"], unique=False
    )
    op.create_index(op.f("ix_events_log_type_sequence"), "events", ["log", "type", "sequence"], unique=False)
    op.create_table(
        "external_ids",
        sa.Column("log", sa.Integer(), nullable=False),
        sa.Column("source", WORD, nullable=False),
        sa.Column("identifier", WORD, nullable=False),
        sa.Column("mark_key", WORD, nullable=False),
        sa.ForeignKeyConstraint(["log"], ["logs.log"], name=op.f("fk_external_ids_log_logs")),
        sa.PrimaryKeyConstraint("log", "source", "identifier", name=op.f("pk_external_ids")),
        sqlite_with_rowid=False,
    )
    op.create_index(
        op.f("ix_external_ids_log_identifier"), "external_ids", ["log", "identifier"], unique=False
    )
    op.create_index(op.f("ix_external_ids_log_mark_key"), "external_ids", ["log", "mark_key"], unique=False)
    op.create_table(
        "facts",
        sa.Column("log", sa.Integer(), nullable=False),
        sa.Column("subject", WORD, nullable=False),
        sa.Column("name", WORD, nullable=False),
        sa.Column("from_sequence", POSITION, nullable=False),
        sa.Column("until_sequence", POSITION, nullable=True),
        sa.Column("first", sa.Boolean(), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["log"], ["logs.log"], name=op.f("fk_facts_log_logs")),
        sa.PrimaryKeyConstraint("log", "subject", "name", "from_sequence", name=op.f("pk_facts")),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "ix_facts_names",
        "facts",
        ["log", "subject", "name"],
        unique=False,
        sqlite_where=sa.text("first = 1"),
        postgresql_where=sa.text("first"),
    )
    op.create_index(
        "ix_facts_now",
        "facts",
        ["log", "subject"],
        unique=False,
        sqlite_where=sa.text("until_sequence IS NULL"),
        postgresql_where=sa.text("until_sequence IS NULL"),
    )
    op.create_table(
        "hangers",
        sa.Column("log", sa.Integer(), nullable=False),
        sa.Column("mark_key", WORD, nullable=False),
        sa.Column("mark", WORD, nullable=False),
        sa.Column("line_key", WORD, nullable=False),
        sa.Column("line", WORD, nullable=False),
        sa.Column("kind", WORD, nullable=False),
        sa.Column("state", WORD, nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("changed", POSITION, nullable=False),
        sa.Column("retired", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["log"], ["logs.log"], name=op.f("fk_hangers_log_logs")),
        sa.PrimaryKeyConstraint("log", "mark_key", name=op.f("pk_hangers")),
        sqlite_with_rowid=False,
    )
    op.create_index(op.f("ix_hangers_log_changed"), "hangers", ["log", "changed"], unique=False)
    op.create_index(
        op.f("ix_hangers_log_line_key_mark_key"), "hangers", ["log", "line_key", "mark_key"], unique=False
    )
    op.create_index(
        op.f("ix_hangers_log_state_mark_key"), "hangers", ["log", "state", "mark_key"], unique=False
    )
    op.create_table(
        "memberships",
        sa.Column("log", sa.Integer(), nullable=False),
        sa.Column("mark_key", WORD, nullable=False),
        sa.Column("from_sequence", POSITION, nullable=False),
        sa.Column("until_sequence", POSITION, nullable=True),
        sa.Column("retired_sequence", POSITION, nullable=True),
        sa.Column("line_key", WORD, nullable=False),
        sa.Column("line", WORD, nullable=False),
        sa.ForeignKeyConstraint(["log"], ["logs.log"], name=op.f("fk_memberships_log_logs")),
        sa.PrimaryKeyConstraint("log", "mark_key", "from_sequence", name=op.f("pk_memberships")),
        sqlite_with_rowid=False,
    )
    op.create_index(
        op.f("ix_memberships_log_line_key_from_sequence"),
        "memberships",
        ["log", "line_key", "from_sequence"],
        unique=False,
    )
    op.create_table(
        "records",
        sa.Column("log", sa.Integer(), nullable=False),
        sa.Column("kind", WORD, nullable=False),
        sa.Column("key", WORD, nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("spelling", WORD, nullable=False),
        sa.Column("from_sequence", POSITION, nullable=False),
        sa.Column("until_sequence", POSITION, nullable=True),
        sa.Column("recorded_at", WORD, nullable=False),
        sa.Column("line", WORD, nullable=True),
        sa.Column("document", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["log"], ["logs.log"], name=op.f("fk_records_log_logs")),
        sa.PrimaryKeyConstraint("log", "kind", "key", "revision", name=op.f("pk_records")),
        sqlite_with_rowid=False,
    )
    op.create_index(
        op.f("ix_records_log_kind_key_from_sequence"),
        "records",
        ["log", "kind", "key", "from_sequence"],
        unique=False,
    )
    op.create_table(
        "texts",
        sa.Column("log", sa.Integer(), nullable=False),
        sa.Column("sequence", POSITION, nullable=False),
        sa.Column("field", WORD, nullable=False),
        sa.Column("salt", sa.LargeBinary(), nullable=True),
        sa.Column("text", sa.LargeBinary(), nullable=True),
        sa.CheckConstraint("text IS NULL OR salt IS NOT NULL", name=op.f("ck_texts_salt")),
        sa.ForeignKeyConstraint(["log"], ["logs.log"], name=op.f("fk_texts_log_logs")),
        sa.PrimaryKeyConstraint("log", "sequence", "field", name=op.f("pk_texts")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "tokens",
        sa.Column("id", WORD, nullable=False),
        sa.Column("token_hash", WORD, nullable=False),
        sa.Column("principal", WORD, nullable=False),
        sa.Column("role", WORD, nullable=False),
        sa.Column("plants", sa.Text(), nullable=True),
        sa.Column("lines", sa.Text(), nullable=True),
        sa.Column("created_at", WORD, nullable=False),
        sa.Column("expires_at", WORD, nullable=False),
        sa.Column("revoked_at", WORD, nullable=True),
        sa.ForeignKeyConstraint(
            ["principal"], ["principals.id"], name=op.f("fk_tokens_principal_principals")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tokens")),
        sa.UniqueConstraint("token_hash", name=op.f("uq_tokens_token_hash")),
        sqlite_with_rowid=False,
    )
    triggers = {"sqlite": SQLITE_TRIGGERS, "postgresql": POSTGRESQL_TRIGGERS}[op.get_context().dialect.name]
    for statement in triggers:
        op.get_bind().exec_driver_sql(statement)
