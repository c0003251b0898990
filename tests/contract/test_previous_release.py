"""The release before signed logs writes on beside this one, and this one takes in what it wrote.

What that release does is stated here as it stood in its own code: plain SQL on the columns that it
knows. The tree is computed here by the definition of RFC 9162, 2.1.1.
"""

from __future__ import annotations

import base64
import hashlib
import json
import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from alembic import command
from sqlalchemy import Connection, text

from service import errors
from service.config import Settings
from service.persistence import engines, schema
from service.persistence.migrate import migrate
from service.persistence.rebuild import rebuild
from service.persistence.store import SqlStore, open_store
from service.persistence.tables import checkpoints, tree_hashes
from tests.contract.acts import Clock, append, line_record, open_plant, settings_for

AT = "2026-05-04T06:00:00.000000Z"


# --- the tree, by definition --------------------------------------------------------------------------
def tree(leaves: list[bytes]) -> bytes:
    """Root hash over leaf hashes."""
    if not leaves:
        return hashlib.sha256().digest()
    if len(leaves) == 1:
        return leaves[0]
    half = 1
    while 2 * half < len(leaves):
        half *= 2
    return hashlib.sha256(b"\1" + tree(leaves[:half]) + tree(leaves[half:])).digest()


# --- the release before ---------------------------------------------------------------------------------
class Previous:
    """Appends and opens plants as the release before did, each in a transaction of its own."""

    def __init__(self, settings: Settings) -> None:
        self.engine = engines.open_engine(settings)
        if settings.uses_sqlite:
            self.engine = self.engine.execution_options(**{engines.WRITE: True})

    def open_plant(self, plant: str) -> None:
        with self.engine.begin() as connection:
            last = connection.execute(text("SELECT max(log) FROM logs")).scalar()
            connection.execute(
                text(
                    "INSERT INTO logs (log, log_id, kind, plant, plant_key, next_sequence, last_recorded_at) "
                    "VALUES (:log, :log_id, 'plant', :plant, :plant_key, 0, NULL)"
                ),
                {
                    "log": 0 if last is None else last + 1,
                    "log_id": f"lg_{plant:>026}".replace(" ", "0").lower(),
                    "plant": plant,
                    "plant_key": plant.casefold(),
                },
            )

    def append(self, plant: str, times: int = 1) -> None:
        """Line records, each of a line of its own."""
        for _ in range(times):
            with self.engine.begin() as connection:
                self._append(connection, plant)

    def _append(self, connection: Connection, plant: str) -> None:
        lock = "" if self.engine.dialect.name == "sqlite" else " FOR UPDATE"
        head = connection.execute(
            text(f"SELECT log, log_id, next_sequence FROM logs WHERE plant_key = :key{lock}"),
            {"key": plant.casefold()},
        ).one()
        sequence = head.next_sequence
        body = self._body(head.log_id, sequence)
        line = f"Old-{sequence}"
        connection.execute(
            text(
                "INSERT INTO events (log, sequence, id, type, subject, line, subject_sequence, occurred_at, "
                "recorded_at, corrects, client_event_id, body, leaf_hash) VALUES (:log, :sequence, :id, "
                "'line-recorded', :subject, :line, 0, :at, :at, NULL, NULL, :body, :leaf_hash)"
            ),
            {
                "log": head.log,
                "sequence": sequence,
                "id": json.loads(body)["id"],
                "subject": f"line/{line}".casefold(),
                "line": line.casefold(),
                "at": AT,
                "body": body,
                "leaf_hash": hashlib.sha256(b"\0" + body).digest(),
            },
        )
        connection.execute(
            text(
                "INSERT INTO records (log, kind, key, revision, spelling, from_sequence, until_sequence, "
                "recorded_at, line, document) VALUES (:log, 'line', :key, 1, :line, :sequence, NULL, :at, "
                ":own, '{}')"
            ),
            {
                "log": head.log,
                "key": line.casefold(),
                "line": line,
                "sequence": sequence,
                "at": AT,
                "own": None,
            },
        )
        connection.execute(
            text("UPDATE logs SET next_sequence = :next, last_recorded_at = :at WHERE log = :log"),
            {"next": sequence + 1, "at": AT, "log": head.log},
        )

    @staticmethod
    def _body(log_id: str, sequence: int) -> bytes:
        line = f"Old-{sequence}"
        document: dict[str, Any] = {
            "sequence": sequence,
            "id": f"00000000-0000-7000-8000-{random.randrange(16**12):012x}",
            "log_id": log_id,
            "type": "line-recorded",
            "schema_version": 1,
            "subject": f"line/{line}",
            "line": line,
            "subject_sequence": 0,
            "previous": None,
            "occurred_at": "2026-05-04T08:00:00+02:00",
            "recorded_at": AT,
            "actor": "pr_00000000000000000000000001",
            "performed_by": "pr_00000000000000000000000001",
            "role": "engineer",
            "data": {"revision": 1, "document": {}},
            "corrects": None,
            "client_event_id": None,
            "request_id": "req-1",
        }
        return json.dumps(document, sort_keys=True, separators=(",", ":")).encode("ascii")

    def close(self) -> None:
        self.engine.dispose()


@pytest.fixture
def previous(settings: Settings) -> Iterator[Previous]:
    found = Previous(settings)
    yield found
    found.close()


def leaves(store: SqlStore, plant: str = "Works-1") -> list[bytes]:
    """Leaf hashes from the exact bytes."""
    with store.read(plant) as reader:
        found = []
        for start in range(0, reader.size, 1_000):
            bodies = reader.bodies(start, min(start + 1_000, reader.size))
            found += [hashlib.sha256(b"\0" + body).digest() for body in bodies]
    return found


def check(store: SqlStore, plant: str = "Works-1") -> list[int]:
    """Every stored checkpoint and tile hash says what the definition says; the checkpoints' sizes."""
    hashes = leaves(store, plant)
    with store.read(plant) as reader:
        rows = reader.connection.execute(
            checkpoints.select().where(checkpoints.c.log == reader.log).order_by(checkpoints.c.size)
        ).all()
        tiles = reader.connection.execute(tree_hashes.select().where(tree_hashes.c.log == reader.log)).all()
        origin = reader.origin
    for row in rows:
        root = tree(hashes[: row.size])
        assert bytes(row.root) == root
        name, size, written, *_ = bytes(row.note).decode().split("\n")
        assert (name, int(size), base64.b64decode(written)) == (origin, row.size, root)
    wanted = {
        (level, place): tree(hashes[place * span : (place + 1) * span])
        for level, span in ((1, 256), (2, 65_536))
        for place in range(rows[-1].size // span)
    }
    assert {(tile.level, tile.position): bytes(tile.hash) for tile in tiles} == wanted
    return [row.size for row in rows]


# --- tests --------------------------------------------------------------------------------------------------
def test_a_database_of_the_release_before_gets_its_whole_log_signed(
    database_url: str, tmp_path: Path, clock: Clock
) -> None:
    settings = settings_for(database_url, tmp_path / "data")
    settings.data_directory.mkdir(mode=0o700)
    options = {engines.WRITE: True} if settings.uses_sqlite else {}
    engine = engines.open_engine(settings)
    with engine.execution_options(**options).begin() as connection:
        config = schema.configuration()
        config.attributes["connection"] = connection
        command.upgrade(config, "0001")
    engine.dispose()
    before = Previous(settings)
    before.open_plant("Works-1")
    before.open_plant("Empty")
    before.append("Works-1", 517)
    before.close()
    migrate(settings)
    store = open_store(settings, clock=clock)
    store.ready()
    assert check(store)[-1] == 517
    assert rebuild(store, write=False) == []
    assert append(store, "Works-1", line_record("New")) == [517]
    assert check(store)[-1] == 518
    assert append(store, "Empty", line_record("New")) == [0]
    assert check(store, "Empty")[-1] == 1
    store.close()


def test_what_the_release_before_appends_is_read_at_once_and_signed_with_the_next_write(
    store: SqlStore, previous: Previous
) -> None:
    append(store, "Works-1", line_record("A"))
    signed = check(store)
    previous.append("Works-1", 2)
    with store.read("Works-1") as reader:
        assert reader.size == 3
        newest = reader.checkpoint()
        assert newest is not None
        assert newest.size == 1
        assert [json.loads(body)["line"] for body in reader.bodies(1, 3)] == ["Old-1", "Old-2"]
    assert check(store) == signed
    append(store, "Works-1", line_record("B"))
    assert check(store) == [*signed, 4]
    assert rebuild(store, write=False) == []


def test_the_two_releases_side_by_side_leave_one_dense_log_whose_checkpoints_are_prefixes(
    store: SqlStore, previous: Previous
) -> None:
    chance = random.Random(7)
    written = 0
    while written < 700:
        if chance.random() < 0.5:
            count = chance.choice((1, 1, 2, 60))
            previous.append("Works-1", count)
        else:
            count = chance.choice((1, 1, 3))
            with store.write("Works-1") as writer:
                for number in range(count):
                    writer.append(line_record(f"New-{written}-{number}"))
        written += count
    append(store, "Works-1", line_record("Last"))
    sizes = check(store)
    assert sizes[-1] == written + 1
    assert len(sizes) > 10
    assert rebuild(store, write=False) == []


def test_a_plant_that_the_release_before_opens_is_signed_from_its_first_write_on(
    store: SqlStore, previous: Previous
) -> None:
    previous.open_plant("Works-2")
    with store.read("Works-2") as reader:
        assert (reader.size, reader.fault) == (0, None)
        origin = reader.origin
    previous.append("Works-2", 3)
    with store.read("Works-2") as reader:
        assert (reader.size, reader.checkpoint()) == (3, None)
    assert append(store, "Works-2", line_record("A")) == [3]
    assert check(store, "Works-2")[-1] == 4
    with store.read("Works-2") as reader:
        assert reader.origin == origin


def test_a_write_of_nothing_signs_what_the_release_before_appended_or_leaves_it(
    store: SqlStore, previous: Previous
) -> None:
    """A trial and a refused write are undone as a whole; neither may leave half a tree."""
    previous.append("Works-1", 300)
    with store.write("Works-1") as writer:
        writer.append(line_record("A"))
        writer.rollback_only()
    with pytest.raises(errors.DuplicateKey), store.write("Works-1"):
        raise errors.DuplicateKey("refused")
    append(store, "Works-1", line_record("A"))
    assert check(store)[-1] == 301


def test_migrating_again_signs_what_the_release_before_appended(
    store: SqlStore, settings: Settings, previous: Previous
) -> None:
    append(store, "Works-1", line_record("A"))
    previous.append("Works-1", 299)
    migrate(settings)
    assert check(store)[-1] == 300


def test_this_release_serves_on_beside_the_next_ones_tables_where_those_say_so(
    store: SqlStore, settings: Settings
) -> None:
    options = {engines.WRITE: True} if settings.uses_sqlite else {}

    def run(statement: str) -> None:
        with store.engine.execution_options(**options).begin() as connection:
            connection.exec_driver_sql(statement)

    run("UPDATE alembic_version SET version_num = '9999'")
    store.ready()
    open_plant(store, "Works-2")
    assert append(store, "Works-2", line_record("A")) == [0]
    migrate(settings)  # as at each start; there is nothing for this release to do
    with store.engine.connect() as connection:
        assert connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar() == "9999"
    run(f"DELETE FROM companions WHERE version = '{schema.needed()}'")
    with pytest.raises(errors.StoreBusy, match="migrated"):
        store.ready()
    with pytest.raises(errors.ConfigurationError, match="newer"):
        migrate(settings)
