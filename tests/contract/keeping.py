"""What the tests of backups share: a full store, places to restore to, copies that somebody changed."""

from __future__ import annotations

import hashlib
import json
import zipfile
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import inspect, select

from service.config import Settings
from service.ledger.notes import signed_note
from service.persistence import backup_format as form
from service.persistence import tables
from service.persistence.backup import back_up
from service.persistence.restore import Restored, Wish, restore
from service.persistence.store import SqlStore, open_store
from tests.contract.acts import (
    PERSON,
    Clock,
    act,
    append,
    hanger_record,
    inspection,
    line_record,
    open_plant,
    plant_record,
    settings_for,
    transfer,
    turn,
)

NOW = datetime(2026, 5, 4, 7, 0, tzinfo=UTC)
WORDS = "the disk of the database failed; decided by the owner's representative"
WEBHOOK = "wh_00000000000000000000000001"


def fill(store: SqlStore) -> SqlStore:
    """Two plants; Works-1 has 12 events, one with a large document (1), three with words (4, 6, 8)."""
    open_plant(store, "Works-2")
    append(store, "Works-2", plant_record(), hanger_record("H1", "A"))
    append(
        store,
        "Works-1",
        plant_record(),
        line_record("A", extensions={"filler": "x" * 20_000}),
        hanger_record("H1", "A", external_ids=[{"source": "m", "id": "1"}]),
        hanger_record("H2", "A"),
        inspection("H1", "A", in_place=True, stops_counted=2, texts={"note": "seen"}),
        turn("H1", "A", 0.5),
        inspection("H1", "A", in_place=False, corrects=4, texts={"reason": "misread"}),
        hanger_record("H1", "A", 2, external_ids=[{"source": "m", "id": "2"}]),
        transfer("H2", "A", "B"),
        line_record("A", 2, extensions={"filler": "x" * 20_000}),
        line_record("A", 3, extensions={"filler": "y" * 20_000}),
    )
    at = "2026-05-04T06:00:00.000000Z"
    with store.write_service() as writer:
        writer.add_principal(PERSON, "person", "A. Name", at)
        writer.append(act("principal-registered", "service/principals", {"principal": PERSON}))
        token = {"id": "tk_1", "token_hash": "h", "principal": PERSON, "role": "auditor", "plants": None,
                 "lines": '["a"]', "created_at": at, "expires_at": at, "revoked_at": None}  # fmt: skip
        writer.connection.execute(tables.tokens.insert(), token)
    with store.write("Works-1") as writer:
        event = writer.append(inspection("H1", "A", in_place=True, texts={"note": "again"}))
        writer.remember(PERSON, "POST", "/p", "key-1", "digest", {"event": {"id": event.id}}, NOW)
        _fill_webhooks(writer.connection, writer.log, at)
    return store


def _fill_webhooks(connection: Any, log: int, at: str) -> None:
    metadata = tables.metadata.tables
    connection.execute(
        metadata["webhooks"].insert(),
        {"id": WEBHOOK, "log": log, "url": "https://receiver.example/h", "active": True, "revision": 1,
         "generation": 0, "secret_mark": "m", "created_at": at, "created_by": PERSON, "cursor": 3},
    )  # fmt: skip
    connection.execute(
        metadata["replays"].insert(),
        {"webhook": WEBHOOK, "number": 1, "first": 0, "until": 2, "cursor": 1, "created_at": at,
         "created_by": PERSON},
    )  # fmt: skip
    connection.execute(
        metadata["deliveries"].insert(),
        {"webhook": WEBHOOK, "replay": 0, "sequence": 3, "outcome": "waiting", "attempts": 2, "status": 500,
         "first_attempt_at": at, "last_attempt_at": at, "next_attempt_at": at},
    )  # fmt: skip


def made(store: SqlStore, folder: Path, name: str = "backup.zip") -> Path:
    """A backup of the store."""
    file = folder / name
    back_up(store, file, NOW)
    return file


def keys_of(store: SqlStore) -> tuple[bytes, ...]:
    """The public keys that sign."""
    return tuple(signer.public_key for signer in store.key_file.signers())


@dataclass
class Place:
    """Where a backup is restored to: an empty database, and a data folder with or without keys."""

    settings: Settings

    def restored(self, file: Path, **more: Any) -> Restored:
        return restore(self.settings, Wish(file, **more), clock=Clock(NOW))

    def store(self) -> closing[SqlStore]:
        return closing(open_store(self.settings, clock=Clock(NOW)))

    def is_untouched(self) -> bool:
        with self.store() as store, store.engine.connect() as connection:
            return inspect(connection).get_table_names() == []


def new_place(folder: Path, name: str, data_directory: Path | None = None) -> Place:
    """An empty SQLite file, with a data folder of its own or that of another."""
    return Place(
        settings_for(f"sqlite:///{folder / name}.sqlite3", data_directory or folder / f"{name}-data")
    )


def rows(store: SqlStore, name: str) -> list[dict[str, Any]]:
    """Every row of a table by its key, alike from both engines."""
    table = tables.metadata.tables[name]
    with store.engine.connect() as connection:
        found = connection.execute(select(table).order_by(*table.primary_key)).mappings().all()
    return [
        {key: bytes(value) if isinstance(value, memoryview) else value for key, value in row.items()}
        for row in found
    ]


# --- copies that somebody changed ---------------------------------------------------------------------------
Change = Callable[[dict[str, bytes]], Any]


def members_of(file: Path) -> dict[str, bytes]:
    """Every member of a backup with its content."""
    with zipfile.ZipFile(file) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def changed(file: Path, folder: Path, change: Change, signers: Any = None) -> Path:
    """A copy with other members; signed again, as its owner alone could, where keys are given."""
    members = members_of(file)
    change(members)
    if signers is not None:
        manifest = json.loads(members[form.MANIFEST])
        manifest["members"] = [
            {"name": name, "size": len(content), "sha256": hashlib.sha256(content).hexdigest()}
            for name, content in members.items()
            if name not in (form.MANIFEST, form.MANIFEST_NOTE)
        ]
        content = json.dumps(manifest, sort_keys=True, separators=(",", ":")).encode()
        origin = manifest["log_origin"]
        words = form.note_text(origin, hashlib.sha256(content).hexdigest())
        members[form.MANIFEST] = content
        members[form.MANIFEST_NOTE] = signed_note(words, form.note_name(origin), signers)
    other = folder / "changed.zip"
    with zipfile.ZipFile(other, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return other


def replaced(name: str, old: bytes, new: bytes) -> Change:
    """Replaces the first place that holds `old` in a member whose name ends so."""

    def change(members: dict[str, bytes]) -> None:
        chosen = next(each for each in members if each.endswith(name) and old in members[each])
        members[chosen] = members[chosen].replace(old, new, 1)

    return change


def without_line(name: str, mark: bytes) -> Change:
    """Leaves out the first line that holds `mark` of a member whose name ends so."""

    def change(members: dict[str, bytes]) -> None:
        chosen = next(each for each in members if each.endswith(name) and mark in members[each])
        lines = members[chosen].splitlines(keepends=True)
        at = next(place for place, line in enumerate(lines) if mark in line)
        members[chosen] = b"".join(lines[:at] + lines[at + 1 :])

    return change


def added(name: str) -> Change:
    """One more member."""
    return lambda members: members.update({name: b"x\n"})
