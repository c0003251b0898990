"""What an append reads on a PostgreSQL that has gathered no statistics yet."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import text

from service.persistence.engines import open_engine
from service.persistence.migrate import migrate
from service.persistence.store import open_store
from tests.contract.acts import append, hanger_record, line_record, open_plant, settings_for, turn

EVENTS = 300


def test_an_append_does_not_read_more_as_the_log_grows(postgres_database: str, tmp_path: Path) -> None:
    settings = settings_for(postgres_database, tmp_path)
    migrate(settings)
    engine = open_engine(settings)
    with engine.begin() as connection:
        connection.execute(text("ALTER TABLE events SET (autovacuum_enabled = false)"))
    store = open_store(settings)
    try:
        open_plant(store, "Works-1")
        append(store, "Works-1", line_record("A"))
        marks = [f"H-{number}" for number in range(EVENTS // 2)]
        append(store, "Works-1", *(hanger_record(mark, "A") for mark in marks))
        append(store, "Works-1", *(turn(mark, "A", 0.25) for mark in marks))
    finally:
        store.close()
    with engine.connect() as connection:
        connection.execute(text("SELECT pg_stat_clear_snapshot()"))
        read = connection.execute(
            text("SELECT sum(idx_tup_read) FROM pg_stat_user_indexes WHERE relname = 'events'")
        ).scalar_one()
        scanned = connection.execute(
            text("SELECT seq_tup_read FROM pg_stat_user_tables WHERE relname = 'events'")
        ).scalar_one()
    engine.dispose()
    assert 0 < read + scanned < 20 * EVENTS
