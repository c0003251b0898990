"""PostgreSQL for more than one machine: bounds on every wait, conflicts, and the replica."""

from __future__ import annotations

import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import psycopg
import pytest
from sqlalchemy import Connection, make_url

from service import errors
from service.config import Settings
from service.domain.ports import EventFilter
from service.persistence import engines
from service.persistence.migrate import migrate
from service.persistence.store import SqlStore, open_store
from tests import postgres, standby
from tests.contract.acts import (
    Clock,
    act,
    append,
    hanger_record,
    inspection,
    line_record,
    open_plant,
    settings_for,
)

pytestmark = pytest.mark.postgres


@pytest.fixture
def database_url(postgres_database: str) -> str:
    return postgres_database


def run(store: SqlStore, *statements: str) -> None:
    """Statements as the database's owner would run them."""
    with store.engine.begin() as connection:
        for statement in statements:
            connection.exec_driver_sql(statement)


def size(store: SqlStore, plant: str = "Works-1") -> int:
    with store.read(plant) as reader:
        return reader.size


def end(store: SqlStore, connection: Connection) -> None:
    """Ends a connection from outside, as a fault of the network or a restart of the server would."""
    backend = int(connection.exec_driver_sql("SELECT pg_backend_pid()").scalar_one())
    run(store, f"SELECT pg_terminate_backend({backend}, 10000)")


# --- bounds --------------------------------------------------------------------------------------------
def shown(connection: Connection, name: str) -> str:
    return str(connection.exec_driver_sql(f"SHOW {name}").scalar())


def test_every_wait_of_a_connection_has_a_bound(database_url: str, tmp_path: Path) -> None:
    settings = settings_for(database_url, tmp_path, WRITE_LOCK_TIMEOUT_S="7.5", REQUEST_TIMEOUT_S="40")
    engine = engines.open_engine(settings)
    with engine.connect() as connection:
        found = {
            name: shown(connection, name)
            for name in ("lock_timeout", "statement_timeout", "idle_in_transaction_session_timeout")
        }
        assert shown(connection, "transaction_isolation") == "read committed"
    engine.dispose()
    assert found == {
        "lock_timeout": "7500ms",
        "statement_timeout": "40s",
        "idle_in_transaction_session_timeout": "7500ms",
    }


def test_a_process_opens_no_more_connections_than_is_said_and_a_further_one_is_busy(
    database_url: str, tmp_path: Path
) -> None:
    settings = settings_for(database_url, tmp_path, THREADS="2", WRITE_LOCK_TIMEOUT_S="0.3")
    assert engines.connections(settings) == 6
    engine = engines.open_engine(settings)
    held = [engine.connect() for _ in range(6)]
    try:
        counted = held[0].exec_driver_sql(
            "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database()"
        )
        assert counted.scalar() == 6
        store = open_store(settings)
        store.engine = engine
        begun = time.monotonic()
        with pytest.raises(Exception, match="QueuePool"):
            engine.connect()
        assert 0.2 < time.monotonic() - begun < 5
    finally:
        for connection in held:
            connection.close()
        engine.dispose()


def test_a_statement_that_hangs_is_ended_and_is_busy(database_url: str, tmp_path: Path) -> None:
    settings = settings_for(database_url, tmp_path, REQUEST_TIMEOUT_S="5")
    migrate(settings)
    store = open_store(settings)
    begun = time.monotonic()
    with pytest.raises(errors.StoreBusy) as busy, store.read_service() as reader:
        reader.connection.exec_driver_sql("SELECT pg_sleep(60)")
    assert 4 < time.monotonic() - begun < 20
    assert not isinstance(busy.value, errors.WriteConflict)
    store.close()


STANDING_STILL = """
import os, signal, sys
from service.config import Settings
from service.persistence.store import open_store
from tests.contract.acts import line_record
store = open_store(Settings.from_environment(os.environ))
with store.write("Works-1") as writer:
    writer.append(line_record("Z"))
    print("holding", flush=True)
    os.kill(os.getpid(), signal.SIGSTOP)
print("committed", flush=True)
"""


def test_a_machine_that_stands_still_while_it_writes_holds_up_the_others_for_seconds_only(
    settings: Settings, store: SqlStore
) -> None:
    environment = {
        "DATABASE_URL": settings.database_url,
        "DATA_DIR": str(settings.data_directory.resolve()),
        "WRITE_LOCK_TIMEOUT_S": "5",
        "PATH": "/usr/bin:/bin",
    }
    checkout = Path(__file__).resolve().parents[2]
    with subprocess.Popen(
        [sys.executable, "-c", STANDING_STILL],
        env=environment,
        cwd=checkout,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "holding\n"
        patient = open_store(
            settings_for(settings.database_url, settings.data_directory, WRITE_LOCK_TIMEOUT_S="30")
        )
        begun = time.monotonic()
        assert append(patient, "Works-1", line_record("A")) == [0]
        assert 2 < time.monotonic() - begun < 20
        patient.close()
        process.send_signal(signal.SIGCONT)
        assert process.wait(60) != 0, "it may not believe that it wrote"
        assert process.stdout.read() == ""
    assert size(store) == 1


def test_what_the_urls_options_say_stands(database_url: str, tmp_path: Path) -> None:
    url = make_url(database_url).update_query_dict({"connect_timeout": "17", "keepalives_idle": "3"})
    shown = url.render_as_string(hide_password=False)
    engine = engines.open_engine(settings_for(shown, tmp_path))
    with engine.connect() as connection:
        driver: Any = connection.connection.driver_connection
        found = driver.info.get_parameters()
    engine.dispose()
    assert (found["connect_timeout"], found["keepalives_idle"]) == ("17", "3")
    assert (found["keepalives_interval"], found["tcp_user_timeout"]) == ("10", "60000")


# --- conflicts -------------------------------------------------------------------------------------------
def stumble(store: SqlStore, times: int, code: str, when: str = "BEFORE INSERT", act: str = "") -> None:
    """Has the database refuse the next `times` appends with an error of its own."""
    trigger = "CONSTRAINT TRIGGER" if "AFTER" in when else "TRIGGER"
    deferred = "DEFERRABLE INITIALLY DEFERRED" if "AFTER" in when else ""
    run(
        store,
        "DROP SEQUENCE IF EXISTS stumbles CASCADE",
        "CREATE SEQUENCE stumbles",  # what a sequence has counted is not undone
        f"CREATE OR REPLACE FUNCTION stumble() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
        f"IF nextval('stumbles') <= {times} THEN {act} "
        f"RAISE EXCEPTION 'stumbled' USING ERRCODE = '{code}'; END IF; RETURN NEW; END $$",
        f"CREATE {trigger} stumble {when} ON events {deferred} FOR EACH ROW EXECUTE FUNCTION stumble()",
    )


@pytest.mark.parametrize("when", ["BEFORE INSERT", "AFTER INSERT"], ids=["at the row", "at the commit"])
@pytest.mark.parametrize("code", ["40001", "40P01"], ids=["serialisation", "deadlock"])
def test_a_write_that_the_database_undid_is_a_conflict_and_nothing_is_there(
    store: SqlStore, code: str, when: str
) -> None:
    append(store, "Works-1", line_record("A"))
    stumble(store, 2, code, when)
    for _ in range(2):
        with pytest.raises(errors.WriteConflict):
            append(store, "Works-1", line_record("B"))
        assert size(store) == 1
    assert append(store, "Works-1", line_record("B")) == [1]


def test_of_two_writers_in_each_others_way_one_is_told_of_a_conflict(store: SqlStore) -> None:
    open_plant(store, "Works-2")
    both = threading.Barrier(2)
    outcomes: dict[str, Any] = {}

    def work(first: str, second: str) -> None:
        try:
            with store.write(first) as writer:
                writer.append(line_record("A"))
                both.wait(20)
                row = f"SELECT 1 FROM logs WHERE plant = '{second}' FOR UPDATE"
                writer.connection.exec_driver_sql(row)
            outcomes[first] = "done"
        except errors.ServiceError as error:
            outcomes[first] = type(error)

    threads = [
        threading.Thread(target=work, args=pair) for pair in (("Works-1", "Works-2"), ("Works-2", "Works-1"))
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert sorted(map(str, outcomes.values())) == sorted(["done", str(errors.WriteConflict)])
    assert {plant: size(store, plant) for plant in outcomes} == {
        plant: int(outcome == "done") for plant, outcome in outcomes.items()
    }


def test_a_connection_lost_before_the_commit_is_a_conflict(store: SqlStore) -> None:
    append(store, "Works-1", line_record("A"))

    def write() -> None:
        with store.write("Works-1") as writer:
            writer.append(line_record("B"))
            end(store, writer.connection)
            writer.append(line_record("C"))

    with pytest.raises(errors.WriteConflict):
        write()
    assert size(store) == 1
    assert append(store, "Works-1", line_record("B")) == [1]


def test_a_connection_lost_at_the_commit_is_no_conflict_since_the_outcome_is_not_known(
    store: SqlStore,
) -> None:
    stumble(store, 1, "40001", "AFTER INSERT", act="PERFORM pg_terminate_backend(pg_backend_pid());")
    with pytest.raises(errors.StoreBusy) as unknown:
        append(store, "Works-1", line_record("A"))
    assert not isinstance(unknown.value, errors.WriteConflict)
    assert "outcome is not known" in unknown.value.detail
    assert append(store, "Works-1", line_record("A")) == [size(store) - 1]


# --- the replica -------------------------------------------------------------------------------------------
WORDS = "the fitter's own words"


@pytest.fixture
def filled(store: SqlStore) -> SqlStore:
    append(store, "Works-1", line_record("A"), hanger_record("H1", "A"))
    append(store, "Works-1", inspection("H1", "A", in_place=True, texts={"note": WORDS}))
    return store


@pytest.fixture
def copied(
    filled: SqlStore, settings: Settings, postgres_url: str, clock: Clock
) -> Iterator[tuple[SqlStore, SqlStore]]:
    """A store that pulls from a copy of its database as it was; and a store on that copy, to spoil it."""
    filled.close()  # nobody may be connected to what is copied
    url = postgres.fresh_database(postgres_url, template=make_url(settings.database_url).database)
    both = open_store(with_replica(settings, url), clock=clock)
    keys = {"SIGNING_KEY_FILE": str(settings.signing_key_file)}
    spoiler = open_store(settings_for(url, settings.data_directory.parent / "copy", **keys), clock=clock)
    yield both, spoiler
    both.close()
    spoiler.close()
    postgres.drop_database(url)


def with_replica(settings: Settings, url: str, **more: str) -> Settings:
    return settings_for(
        settings.database_url,
        settings.data_directory,
        REPLICA_DATABASE_URL=url,
        WRITE_LOCK_TIMEOUT_S="5",
        **more,
    )


def asked(store: SqlStore, start: int = 0, plant: str = "Works-1") -> tuple[str, list[int]]:
    """Which database answers a pull from `start`, and the events that it gives."""
    with store.pull(plant, start) as reader:
        name = reader.connection.exec_driver_sql("SELECT current_database()").scalar()
        own = make_url(store.engine.url).database
        rows = reader.events(EventFilter(), start, 1_000)
    return ("database" if name == own else "replica", [each.event.sequence for each in rows])


def test_the_log_is_pulled_from_the_replica_and_written_to_the_database(
    copied: tuple[SqlStore, SqlStore],
) -> None:
    store, _ = copied
    assert asked(store) == ("replica", [0, 1, 2])
    assert asked(store, 2) == ("replica", [2])
    with store.pull("works-1") as pulled, store.read("Works-1") as reader:
        assert pulled.log_id == reader.log_id
        assert pulled.checkpoint() == reader.checkpoint()
        assert pulled.plant == "Works-1"
    assert append(store, "Works-1", line_record("B")) == [3]


def test_nothing_can_be_written_through_the_replica(copied: tuple[SqlStore, SqlStore]) -> None:
    store, _ = copied
    with pytest.raises(errors.ServiceError), store.pull("Works-1") as pulled:
        pulled.connection.exec_driver_sql("UPDATE logs SET fault = NULL")
    assert store._replica is not None
    with pytest.raises(Exception, match="read-only"), store._replica.engine.begin() as connection:
        connection.exec_driver_sql("DELETE FROM tokens")


def test_beyond_the_end_of_a_replica_that_lags_the_database_answers(
    copied: tuple[SqlStore, SqlStore],
) -> None:
    store, _ = copied
    assert append(store, "Works-1", line_record("B"), line_record("C")) == [3, 4]
    assert asked(store, 2) == ("replica", [2])
    assert asked(store, 3) == ("database", [3, 4])
    assert asked(store, 4) == ("database", [4])
    assert asked(store, 5) == ("database", [])
    open_plant(store, "Works-2")
    append(store, "Works-2", line_record("A"))
    assert asked(store, 0, "Works-2") == ("database", [0])
    with pytest.raises(errors.NotFound), store.pull("Works-3"):
        pass


def test_a_reader_at_the_end_is_told_of_an_event_as_soon_as_it_is_written(
    copied: tuple[SqlStore, SqlStore],
) -> None:
    """The replica holds all that came before: to a reader it would say that nothing has come since."""
    store, _ = copied
    for place in range(3, 6):
        assert asked(store, place) == ("database", [])
        append(store, "Works-1", line_record(f"B{place}"))
        assert asked(store, place) == ("database", [place])


def test_a_replica_that_has_not_seen_an_erasure_is_not_asked(copied: tuple[SqlStore, SqlStore]) -> None:
    store, _ = copied
    with store.write("Works-1") as writer:
        erased = writer.event(2)
        assert erased is not None
        assert erased.texts == {"note": WORDS}
        data = {"sequence": 2, "fields": ["note"], "why": "personal-data"}
        writer.append(act("text-erased", "hanger/H1", data, "A"))
        writer.erase_words(2, erased.event.id, ["note"])
    with store.pull("Works-1") as reader:
        [found] = reader.events(EventFilter(), 2, 1)
    assert found.texts == {}
    assert asked(store) == ("database", [0, 1, 2, 3])


@pytest.mark.parametrize("ahead", [0, 2])
def test_a_replica_with_another_past_is_never_asked(copied: tuple[SqlStore, SqlStore], ahead: int) -> None:
    """One that was promoted and written to: its log is as long as the database's, or longer."""
    store, spoiler = copied
    append(spoiler, "Works-1", line_record("X"), *(line_record(f"X{number}") for number in range(ahead)))
    append(store, "Works-1", line_record("B"))
    assert asked(store) == ("database", [0, 1, 2, 3])


def test_a_replica_of_another_database_is_never_asked(
    copied: tuple[SqlStore, SqlStore], settings: Settings, tmp_path: Path, postgres_url: str, clock: Clock
) -> None:
    with postgres.temporary_database(postgres_url) as url:
        other = settings_for(url, tmp_path / "other")
        migrate(other)
        stranger = open_store(other, clock=clock)
        open_plant(stranger, "Works-1")
        append(stranger, "Works-1", line_record("X"), line_record("Y"), line_record("Z"))
        stranger.close()
        store = open_store(with_replica(settings, url), clock=clock)
        assert asked(store) == ("database", [0, 1, 2])
        store.close()


def unmigrated(url: str) -> str:
    return url


def nowhere(url: str) -> str:
    return make_url(url).set(query={"host": "/nonexistent"}, database="test_none").render_as_string()


@pytest.mark.parametrize("broken", [unmigrated, nowhere])
def test_a_replica_that_cannot_be_read_is_left_alone_for_a_while(
    filled: SqlStore,
    settings: Settings,
    postgres_url: str,
    broken: Callable[[str], str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with postgres.temporary_database(postgres_url) as url:
        store = open_store(with_replica(settings, broken(url)))
        replica = store._replica
        assert replica is not None
        now, tried = [0.0], list[float]()
        replica._clock, replica._not_before = (lambda: now[0]), 0.0
        connect = replica.engine.connect
        monkeypatch.setattr(replica.engine, "connect", lambda: (tried.append(now[0]), connect())[1])
        for moment in (0.0, 0.1, 9.9, 10.1, 15.0, 21.0):
            now[0] = moment
            assert asked(store) == ("database", [0, 1, 2])
        assert tried == [0.0, 10.1, 21.0]
        store.close()


def test_a_replica_that_fails_while_it_is_read_is_a_conflict_and_the_next_read_is_of_the_database(
    copied: tuple[SqlStore, SqlStore],
) -> None:
    store, _ = copied

    def read() -> None:
        with store.pull("Works-1") as reader:
            end(store, reader.connection)
            reader.events(EventFilter(), 0, 10)

    with pytest.raises(errors.WriteConflict):
        read()
    assert asked(store) == ("database", [0, 1, 2])


def test_a_hot_standby_serves_the_pullers_lags_and_may_break_off_a_read(
    filled: SqlStore, settings: Settings, postgres_url: str, clock: Clock, request: pytest.FixtureRequest
) -> None:
    try:
        following = request.getfixturevalue("standby_url")
    except postgres.PostgresUnavailable as error:
        pytest.skip(str(error))
    url = standby.at(following, settings.database_url)
    standby.wait_for(postgres_url, following)
    store = open_store(with_replica(settings, url), clock=clock)

    def in_recovery(start: int) -> bool:
        with store.pull("Works-1", start) as reader:
            return bool(reader.connection.exec_driver_sql("SELECT pg_is_in_recovery()").scalar())

    assert in_recovery(0)
    append(store, "Works-1", line_record("B"))
    standby.wait_for(postgres_url, following)
    assert in_recovery(3)
    # It stops following: beyond its end the database answers, and again the replica once it has caught up.
    replay(following, "pg_wal_replay_pause()")
    append(store, "Works-1", line_record("C"))
    assert in_recovery(3)
    assert not in_recovery(4)
    replay(following, "pg_wal_replay_resume()")
    standby.wait_for(postgres_url, following)
    assert in_recovery(4)
    # What the server does may not wait for a reader of its copy: that read is broken off.
    with pytest.raises(errors.WriteConflict):
        read_while_the_table_is_locked(store)
    assert not in_recovery(0)
    store.close()


def read_while_the_table_is_locked(store: SqlStore) -> None:
    with store.pull("Works-1") as reader:
        reader.events(EventFilter(), 0, 10)
        run(store, "LOCK TABLE events IN ACCESS EXCLUSIVE MODE")
        deadline = time.monotonic() + 30
        while time.monotonic() < deadline:
            reader.events(EventFilter(), 0, 10)
            time.sleep(0.05)


def replay(url: str, call: str) -> None:
    with psycopg.connect(postgres.conninfo(url), autocommit=True) as connection:
        connection.execute(f"SELECT {call}")


@pytest.fixture
def standby_url(postgres_url: str) -> Iterator[str]:
    with standby.standby_of(postgres_url) as url:
        yield url
