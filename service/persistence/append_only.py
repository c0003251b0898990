"""Triggers by which the database itself refuses to change or remove what the log rests on.

`events`, `documents`, `tree_hashes` and `checkpoints` take new rows only; the place of an event or of a
tile's hash must be the next one, and a checkpoint must be of a greater size than those before it. `texts`
takes new rows; an existing row may only lose its words and salt. A row of `logs` keeps its identity and
moves forward only; its origin may be replaced (a declared loss), never removed. Replacement
(`INSERT OR REPLACE`, `ON CONFLICT`) is refused by a trigger before each insert that looks at every unique
key, because SQLite's replacement does not ask the others.
"""

from __future__ import annotations

from typing import Final

from sqlalchemy import DDL, Table, event

_EVENT_EXISTS: Final = """
    NEW.sequence <> (SELECT COALESCE(MAX(sequence), -1) + 1 FROM events WHERE log = NEW.log)
    OR EXISTS (SELECT 1 FROM events WHERE id = NEW.id)
    OR NEW.subject_sequence <> (SELECT COALESCE(MAX(subject_sequence), -1) + 1 FROM events
                                WHERE log = NEW.log AND subject = NEW.subject)
    OR (NEW.client_event_id IS NOT NULL AND EXISTS (
        SELECT 1 FROM events WHERE log = NEW.log AND client_event_id = NEW.client_event_id))
"""
_DOCUMENT_EXISTS: Final = """
    EXISTS (SELECT 1 FROM documents WHERE log = NEW.log AND sha256 = NEW.sha256)
"""
_TEXT_EXISTS: Final = """
    EXISTS (SELECT 1 FROM texts WHERE log = NEW.log AND sequence = NEW.sequence AND field = NEW.field)
"""
_HASH_EXISTS: Final = """
    NEW.position <> (SELECT COALESCE(MAX(position), -1) + 1 FROM tree_hashes
                     WHERE log = NEW.log AND level = NEW.level)
"""
_CHECKPOINT_EXISTS: Final = """
    NEW.size <= (SELECT COALESCE(MAX(size), -1) FROM checkpoints WHERE log = NEW.log)
"""
_LOG_EXISTS: Final = """
    EXISTS (SELECT 1 FROM logs WHERE log = NEW.log OR log_id = NEW.log_id
            OR plant_key = NEW.plant_key OR (kind = 'service' AND NEW.kind = 'service'))
"""
# What an UPDATE may not do, where it may do anything at all.
_TEXT_CHANGE: Final = """
    NEW.text IS NOT NULL OR NEW.log <> OLD.log OR NEW.sequence <> OLD.sequence
    OR NEW.field <> OLD.field
    OR (NEW.salt IS NOT NULL AND (OLD.salt IS NULL OR NEW.salt <> OLD.salt))
"""
_LOG_CHANGE: Final = """
    NEW.log <> OLD.log OR NEW.log_id <> OLD.log_id OR NEW.kind <> OLD.kind
    OR COALESCE(NEW.plant, '') <> COALESCE(OLD.plant, '')
    OR COALESCE(NEW.plant_key, '') <> COALESCE(OLD.plant_key, '')
    OR NEW.next_sequence < OLD.next_sequence
    OR COALESCE(NEW.last_recorded_at, '') < COALESCE(OLD.last_recorded_at, '')
    OR COALESCE(NEW.frontier_size, -1) < COALESCE(OLD.frontier_size, -1)
    OR (NEW.origin IS NULL AND OLD.origin IS NOT NULL)
"""

# table: what refuses an insert, what refuses an update (None: every update is refused)
GUARDS: Final[dict[str, tuple[str, str | None]]] = {
    "logs": (_LOG_EXISTS, _LOG_CHANGE),
    "events": (_EVENT_EXISTS, None),
    "documents": (_DOCUMENT_EXISTS, None),
    "texts": (_TEXT_EXISTS, _TEXT_CHANGE),
    "tree_hashes": (_HASH_EXISTS, None),
    "checkpoints": (_CHECKPOINT_EXISTS, None),
}


def sqlite_statements(table: str) -> list[str]:
    """The statements that guard `table` on SQLite."""
    insert, update = GUARDS[table]
    condition = "" if update is None else f"\nWHEN {update.strip()}"
    return [
        f"CREATE TRIGGER {table}_insert BEFORE INSERT ON {table}\nWHEN {insert.strip()}\n"
        f"BEGIN SELECT RAISE(ABORT, '{table}: a row is added once, in its place'); END",
        f"CREATE TRIGGER {table}_update BEFORE UPDATE ON {table}{condition}\n"
        f"BEGIN SELECT RAISE(ABORT, '{table}: a row is not changed'); END",
        f"CREATE TRIGGER {table}_delete BEFORE DELETE ON {table}\n"
        f"BEGIN SELECT RAISE(ABORT, '{table}: a row is not removed'); END",
    ]


def postgresql_statements(table: str) -> list[str]:
    """The statements that guard `table` on PostgreSQL: three functions and four triggers."""
    insert, update = GUARDS[table]
    return [
        _function(f"{table}_insert", insert, f"{table}: a row is added once, in its place", "NEW"),
        _function(f"{table}_update", update or "TRUE", f"{table}: a row is not changed", "NEW"),
        _function(f"{table}_delete", "TRUE", f"{table}: a row is not removed", "NULL"),
        f"CREATE TRIGGER {table}_insert BEFORE INSERT ON {table} "
        f"FOR EACH ROW EXECUTE FUNCTION {table}_insert()",
        f"CREATE TRIGGER {table}_update BEFORE UPDATE ON {table} "
        f"FOR EACH ROW EXECUTE FUNCTION {table}_update()",
        f"CREATE TRIGGER {table}_delete BEFORE DELETE ON {table} "
        f"FOR EACH ROW EXECUTE FUNCTION {table}_delete()",
        f"CREATE TRIGGER {table}_truncate BEFORE TRUNCATE ON {table} "
        f"FOR EACH STATEMENT EXECUTE FUNCTION {table}_delete()",
    ]


def _function(name: str, condition: str, message: str, result: str) -> str:
    return (
        f"CREATE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql AS $$\nBEGIN\n"
        f"IF {condition.strip()} THEN\n"
        f"RAISE EXCEPTION '{message}' USING ERRCODE = 'restrict_violation';\n"
        f"END IF;\nRETURN {result};\nEND $$"
    )


def protect(*tables: Table) -> None:
    """Has the triggers made right after each table, on whichever engine it is made."""
    for table in tables:
        for dialect, statements in (
            ("sqlite", sqlite_statements(table.name)),
            ("postgresql", postgresql_statements(table.name)),
        ):
            for statement in statements:
                # DDL() formats with %, so that a literal % is doubled.
                event.listen(
                    table, "after_create", DDL(statement.replace("%", "%%")).execute_if(dialect=dialect)
                )
