"""The signed tree of each log: its right edge, full tiles, checkpoints, keys; and who may run beside.

Expands only: new tables, new columns that may be null. The release before goes on writing beside it;
what it appends is taken into the tree by the next write of this one. A migration stays as it was when
it was written: what it makes is stated here in full.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

WORD = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
POSITION = sa.BigInteger().with_variant(sa.Integer(), "sqlite")

LOG_CHANGE = """NEW.log <> OLD.log OR NEW.log_id <> OLD.log_id OR NEW.kind <> OLD.kind
OR COALESCE(NEW.plant, '') <> COALESCE(OLD.plant, '')
OR COALESCE(NEW.plant_key, '') <> COALESCE(OLD.plant_key, '')
OR NEW.next_sequence < OLD.next_sequence
OR COALESCE(NEW.last_recorded_at, '') < COALESCE(OLD.last_recorded_at, '')
OR COALESCE(NEW.frontier_size, -1) < COALESCE(OLD.frontier_size, -1)
OR (NEW.origin IS NULL AND OLD.origin IS NOT NULL)"""

HASH_EXISTS = """NEW.position <> (SELECT COALESCE(MAX(position), -1) + 1 FROM tree_hashes
WHERE log = NEW.log AND level = NEW.level)"""

CHECKPOINT_EXISTS = """NEW.size <= (SELECT COALESCE(MAX(size), -1) FROM checkpoints WHERE log = NEW.log)"""

SQLITE_TRIGGERS = (
    "DROP TRIGGER logs_update",
    f"""
CREATE TRIGGER logs_update BEFORE UPDATE ON logs
WHEN {LOG_CHANGE}
BEGIN SELECT RAISE(ABORT, 'logs: a row is not changed'); END
""",
    f"""
CREATE TRIGGER tree_hashes_insert BEFORE INSERT ON tree_hashes
WHEN {HASH_EXISTS}
BEGIN SELECT RAISE(ABORT, 'tree_hashes: a row is added once, in its place'); END
""",
    """
CREATE TRIGGER tree_hashes_update BEFORE UPDATE ON tree_hashes
BEGIN SELECT RAISE(ABORT, 'tree_hashes: a row is not changed'); END
""",
    """
CREATE TRIGGER tree_hashes_delete BEFORE DELETE ON tree_hashes
BEGIN SELECT RAISE(ABORT, 'tree_hashes: a row is not removed'); END
""",
    f"""
CREATE TRIGGER checkpoints_insert BEFORE INSERT ON checkpoints
WHEN {CHECKPOINT_EXISTS}
BEGIN SELECT RAISE(ABORT, 'checkpoints: a row is added once, in its place'); END
""",
    """
CREATE TRIGGER checkpoints_update BEFORE UPDATE ON checkpoints
BEGIN SELECT RAISE(ABORT, 'checkpoints: a row is not changed'); END
""",
    """
CREATE TRIGGER checkpoints_delete BEFORE DELETE ON checkpoints
BEGIN SELECT RAISE(ABORT, 'checkpoints: a row is not removed'); END
""",
)

POSTGRESQL_TRIGGERS = (
    f"""
CREATE OR REPLACE FUNCTION logs_update() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
IF {LOG_CHANGE} THEN
RAISE EXCEPTION 'logs: a row is not changed' USING ERRCODE = 'restrict_violation';
END IF;
RETURN NEW;
END $$
""",
    f"""
CREATE FUNCTION tree_hashes_insert() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
IF {HASH_EXISTS} THEN
RAISE EXCEPTION 'tree_hashes: a row is added once, in its place' USING ERRCODE = 'restrict_violation';
END IF;
RETURN NEW;
END $$
""",
    """
CREATE FUNCTION tree_hashes_update() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
IF TRUE THEN
RAISE EXCEPTION 'tree_hashes: a row is not changed' USING ERRCODE = 'restrict_violation';
END IF;
RETURN NEW;
END $$
""",
    """
CREATE FUNCTION tree_hashes_delete() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
IF TRUE THEN
RAISE EXCEPTION 'tree_hashes: a row is not removed' USING ERRCODE = 'restrict_violation';
END IF;
RETURN NULL;
END $$
""",
    """
CREATE TRIGGER tree_hashes_insert BEFORE INSERT ON tree_hashes
FOR EACH ROW EXECUTE FUNCTION tree_hashes_insert()
""",
    """
CREATE TRIGGER tree_hashes_update BEFORE UPDATE ON tree_hashes
FOR EACH ROW EXECUTE FUNCTION tree_hashes_update()
""",
    """
CREATE TRIGGER tree_hashes_delete BEFORE DELETE ON tree_hashes
FOR EACH ROW EXECUTE FUNCTION tree_hashes_delete()
""",
    """
CREATE TRIGGER tree_hashes_truncate BEFORE TRUNCATE ON tree_hashes
FOR EACH STATEMENT EXECUTE FUNCTION tree_hashes_delete()
""",
    f"""
CREATE FUNCTION checkpoints_insert() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
IF {CHECKPOINT_EXISTS} THEN
RAISE EXCEPTION 'checkpoints: a row is added once, in its place' USING ERRCODE = 'restrict_violation';
END IF;
RETURN NEW;
END $$
""",
    """
CREATE FUNCTION checkpoints_update() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
IF TRUE THEN
RAISE EXCEPTION 'checkpoints: a row is not changed' USING ERRCODE = 'restrict_violation';
END IF;
RETURN NEW;
END $$
""",
    """
CREATE FUNCTION checkpoints_delete() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
IF TRUE THEN
RAISE EXCEPTION 'checkpoints: a row is not removed' USING ERRCODE = 'restrict_violation';
END IF;
RETURN NULL;
END $$
""",
    """
CREATE TRIGGER checkpoints_insert BEFORE INSERT ON checkpoints
FOR EACH ROW EXECUTE FUNCTION checkpoints_insert()
""",
    """
CREATE TRIGGER checkpoints_update BEFORE UPDATE ON checkpoints
FOR EACH ROW EXECUTE FUNCTION checkpoints_update()
""",
    """
CREATE TRIGGER checkpoints_delete BEFORE DELETE ON checkpoints
FOR EACH ROW EXECUTE FUNCTION checkpoints_delete()
""",
    """
CREATE TRIGGER checkpoints_truncate BEFORE TRUNCATE ON checkpoints
FOR EACH STATEMENT EXECUTE FUNCTION checkpoints_delete()
""",
)


def upgrade() -> None:
    """Adds the columns, tables and triggers, and names the versions that may run on them."""
    for column in (
        sa.Column("origin", WORD, nullable=True),
        sa.Column("frontier", sa.LargeBinary(), nullable=True),
        sa.Column("frontier_size", POSITION, nullable=True),
        sa.Column("fault", sa.Text(), nullable=True),
    ):
        op.add_column("logs", column)
    op.create_table(
        "tree_hashes",
        sa.Column("log", sa.Integer(), nullable=False),
        sa.Column("level", sa.Integer(), nullable=False),
        sa.Column("position", POSITION, nullable=False),
        sa.Column("hash", sa.LargeBinary(), nullable=False),
        sa.CheckConstraint("level >= 1", name=op.f("ck_tree_hashes_level")),
        sa.ForeignKeyConstraint(["log"], ["logs.log"], name=op.f("fk_tree_hashes_log_logs")),
        sa.PrimaryKeyConstraint("log", "level", "position", name=op.f("pk_tree_hashes")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "checkpoints",
        sa.Column("log", sa.Integer(), nullable=False),
        sa.Column("size", POSITION, nullable=False),
        sa.Column("root", sa.LargeBinary(), nullable=False),
        sa.Column("note", sa.LargeBinary(), nullable=False),
        sa.Column("made_at", WORD, nullable=False),
        sa.ForeignKeyConstraint(["log"], ["logs.log"], name=op.f("fk_checkpoints_log_logs")),
        sa.PrimaryKeyConstraint("log", "size", name=op.f("pk_checkpoints")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "signing_keys",
        sa.Column("public_key", WORD, nullable=False),
        sa.Column("since_at", WORD, nullable=False),
        sa.Column("until_at", WORD, nullable=True),
        sa.PrimaryKeyConstraint("public_key", name=op.f("pk_signing_keys")),
        sqlite_with_rowid=False,
    )
    companions = op.create_table(
        "companions",
        sa.Column("version", WORD, nullable=False),
        sa.PrimaryKeyConstraint("version", name=op.f("pk_companions")),
        sqlite_with_rowid=False,
    )
    op.bulk_insert(companions, [{"version": "0001"}, {"version": "0002"}])
    triggers = {"sqlite": SQLITE_TRIGGERS, "postgresql": POSTGRESQL_TRIGGERS}[op.get_context().dialect.name]
    for statement in triggers:
        op.get_bind().exec_driver_sql(statement)
