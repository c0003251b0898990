"""Every table of the store, once, for both engines; the triggers come with them (`append_only`).

Keys are kept twice: folded (`str.casefold`) where they are compared, and as first spelt where
they are shown. Texts that are compared or sorted use the collation "C" on PostgreSQL, so that both
engines sort as Python does. `log` is the log's number here; its random `log_id` stands in each leaf.
A column `from_sequence`/`until_sequence` pair says from which event and until which (exclusive,
null while it holds) a row is what the log says.
"""

from __future__ import annotations

from typing import Any, Final

from sqlalchemy import (
    BigInteger,
    Boolean,
    CheckConstraint,
    Column,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
    Table,
    Text,
    UniqueConstraint,
    text,
)

from service.persistence.append_only import protect

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)

# Sorts by code point on both engines.
Word: Final = Text().with_variant(Text(collation="C"), "postgresql")
Position: Final = BigInteger().with_variant(Integer(), "sqlite")


def _log() -> Column[int]:
    return Column("log", Integer, ForeignKey("logs.log"), nullable=False)


def _table(name: str, *parts: Any) -> Table:
    # Without a rowid the primary key is the table's only order: no second key by which SQLite
    # could be made to replace a row.
    return Table(name, metadata, *parts, sqlite_with_rowid=False)


logs = _table(
    "logs",
    Column("log", Integer, nullable=False, autoincrement=False),
    Column("log_id", Word, nullable=False),
    Column("kind", Word, nullable=False),
    Column("plant", Word),  # as first spelt; null for the service's log
    Column("plant_key", Word),
    Column("next_sequence", Position, nullable=False),
    Column("last_recorded_at", Word),
    Column("origin", Word),  # under which its checkpoints are signed; null until a release that signs writes
    # Right edge of the tree over the first frontier_size leaves: hashes of the full subtrees, largest
    # first. It lags behind next_sequence while a release that does not sign writes too.
    Column("frontier", LargeBinary),
    Column("frontier_size", Position),
    Column("fault", Text),  # JSON; why the log is closed to writes, null while it is open
    PrimaryKeyConstraint("log"),
    UniqueConstraint("log_id"),
    UniqueConstraint("plant_key"),
    CheckConstraint("kind IN ('plant', 'service')", name="kind"),
    CheckConstraint("(kind = 'service') = (plant_key IS NULL)", name="plant"),
    CheckConstraint("(plant IS NULL) = (plant_key IS NULL)", name="spelling"),
    Index("uq_logs_service", "kind", unique=True, sqlite_where=text("kind = 'service'"),
          postgresql_where=text("kind = 'service'")),
)  # fmt: skip

events = _table(
    "events",
    _log(),
    Column("sequence", Position, nullable=False),
    Column("id", Word, nullable=False),
    Column("type", Word, nullable=False),
    Column("subject", Word, nullable=False),  # folded
    Column("line", Word),  # folded
    Column("subject_sequence", Position, nullable=False),
    Column("occurred_at", Word, nullable=False),  # UTC with six decimals, to be compared
    Column("recorded_at", Word, nullable=False),
    Column("corrects", Position),
    Column("client_event_id", Word),
    Column("body", LargeBinary, nullable=False),  # exact canonical bytes
    Column("leaf_hash", LargeBinary, nullable=False),
    PrimaryKeyConstraint("log", "sequence"),
    UniqueConstraint("id"),
    UniqueConstraint("log", "client_event_id"),
    UniqueConstraint("log", "subject", "subject_sequence"),
    Index(None, "log", "line", "sequence"),
    Index(None, "log", "subject", "sequence"),
    Index(None, "log", "type", "sequence"),
    Index(None, "log", "recorded_at", "sequence"),
    Index(None, "log", "occurred_at", "sequence"),
)

documents = _table(
    "documents",
    _log(),
    Column("sha256", Word, nullable=False),
    Column("media_type", Word, nullable=False),
    Column("bytes", LargeBinary, nullable=False),
    PrimaryKeyConstraint("log", "sha256"),
)

texts = _table(
    "texts",
    _log(),
    Column("sequence", Position, nullable=False),
    Column("field", Word, nullable=False),
    # Both are null once erased: with the salt alone short words could be guessed from their digest.
    Column("salt", LargeBinary),
    Column("text", LargeBinary),  # UTF-8
    PrimaryKeyConstraint("log", "sequence", "field"),
    CheckConstraint("text IS NULL OR salt IS NOT NULL", name="salt"),
)

# Hashes of full tiles: of 256**level leaves each. Level 0 are the leaf hashes of `events`.
tree_hashes = _table(
    "tree_hashes",
    _log(),
    Column("level", Integer, nullable=False),
    Column("position", Position, nullable=False),
    Column("hash", LargeBinary, nullable=False),
    PrimaryKeyConstraint("log", "level", "position"),
    CheckConstraint("level >= 1", name="level"),
)

# One for each transaction that appended, made and committed in it: only these are ever given out.
checkpoints = _table(
    "checkpoints",
    _log(),
    Column("size", Position, nullable=False),
    Column("root", LargeBinary, nullable=False),
    Column("note", LargeBinary, nullable=False),  # the signed note's exact bytes
    Column("made_at", Word, nullable=False),
    PrimaryKeyConstraint("log", "size"),
)

# --- projections --------------------------------------------------------------------------------
records = _table(
    "records",
    _log(),
    Column("kind", Word, nullable=False),
    Column("key", Word, nullable=False),  # folded
    Column("revision", Integer, nullable=False),
    Column("spelling", Word, nullable=False),
    Column("from_sequence", Position, nullable=False),
    Column("until_sequence", Position),
    Column("recorded_at", Word, nullable=False),
    Column("line", Word),  # as spelt, of a hanger when this revision was written
    Column("document", Text, nullable=False),
    PrimaryKeyConstraint("log", "kind", "key", "revision"),
    Index(None, "log", "kind", "key", "from_sequence"),
)

hangers = _table(
    "hangers",
    _log(),
    Column("mark_key", Word, nullable=False),
    Column("mark", Word, nullable=False),
    Column("line_key", Word, nullable=False),
    Column("line", Word, nullable=False),
    Column("kind", Word, nullable=False),
    Column("state", Word, nullable=False),
    Column("revision", Integer, nullable=False),
    Column("changed", Position, nullable=False),
    Column("retired", Boolean, nullable=False),
    PrimaryKeyConstraint("log", "mark_key"),
    Index(None, "log", "line_key", "mark_key"),
    Index(None, "log", "state", "mark_key"),
    Index(None, "log", "changed"),
)

external_ids = _table(
    "external_ids",
    _log(),
    Column("source", Word, nullable=False),
    Column("identifier", Word, nullable=False),
    Column("mark_key", Word, nullable=False),
    PrimaryKeyConstraint("log", "source", "identifier"),
    Index(None, "log", "mark_key"),
    Index(None, "log", "identifier"),
)

memberships = _table(
    "memberships",
    _log(),
    Column("mark_key", Word, nullable=False),
    Column("from_sequence", Position, nullable=False),
    Column("until_sequence", Position),
    Column("retired_sequence", Position),
    Column("line_key", Word, nullable=False),
    Column("line", Word, nullable=False),
    PrimaryKeyConstraint("log", "mark_key", "from_sequence"),
    Index(None, "log", "line_key", "from_sequence"),
)

facts = _table(
    "facts",
    _log(),
    Column("subject", Word, nullable=False),  # folded
    Column("name", Word, nullable=False),
    Column("from_sequence", Position, nullable=False),
    Column("until_sequence", Position),
    Column("first", Boolean, nullable=False),  # the name's first row: lists a subject's names
    Column("value", Text, nullable=False),
    PrimaryKeyConstraint("log", "subject", "name", "from_sequence"),
    Index("ix_facts_now", "log", "subject", sqlite_where=text("until_sequence IS NULL"),
          postgresql_where=text("until_sequence IS NULL")),
    Index("ix_facts_names", "log", "subject", "name", sqlite_where=text("first = 1"),
          postgresql_where=text("first")),
)  # fmt: skip

# --- beside the log --------------------------------------------------------------------------------
principals = _table(
    "principals",
    Column("id", Word, nullable=False),
    Column("kind", Word, nullable=False),
    Column("display_name", Text),  # null once erased
    Column("created_at", Word, nullable=False),
    PrimaryKeyConstraint("id"),
    CheckConstraint("kind IN ('person', 'system')", name="kind"),
)

tokens = _table(
    "tokens",
    Column("id", Word, nullable=False),
    Column("token_hash", Word, nullable=False),
    Column("principal", Word, ForeignKey("principals.id"), nullable=False),
    Column("role", Word, nullable=False),
    Column("plants", Text),  # JSON array of folded keys; null for all
    Column("lines", Text),
    Column("created_at", Word, nullable=False),
    Column("expires_at", Word, nullable=False),
    Column("revoked_at", Word),
    PrimaryKeyConstraint("id"),
    UniqueConstraint("token_hash"),
)

idempotency_keys = _table(
    "idempotency_keys",
    Column("scope", Word, nullable=False),  # digest of principal, method, path and key
    Column("request_digest", Word, nullable=False),
    Column("answer", Text, nullable=False),
    Column("created_at", Word, nullable=False),
    PrimaryKeyConstraint("scope"),
    Index(None, "created_at"),
)

# Public halves of the keys that sign, present and past.
signing_keys = _table(
    "signing_keys",
    Column("public_key", Word, nullable=False),  # 32 bytes in hex
    Column("since_at", Word, nullable=False),
    Column("until_at", Word),
    PrimaryKeyConstraint("public_key"),
)

# Versions of the tables for which a release was written that may run on these tables as they are.
companions = _table(
    "companions",
    Column("version", Word, nullable=False),
    PrimaryKeyConstraint("version"),
)

PROJECTIONS: Final = (records, hangers, external_ids, memberships, facts)

protect(logs, events, documents, texts, tree_hashes, checkpoints)
