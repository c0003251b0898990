"""Losses: a restore never goes below a checkpoint that was given out, unless that is declared."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from service.config import Settings
from service.ledger.verifier import VerifierKey, open_checkpoint
from service.persistence.backup_format import BackupRefused
from service.persistence.migrate import migrate
from service.persistence.rebuild import rebuild
from service.persistence.restore import LossNotDeclared
from service.persistence.store import SqlStore
from tests.contract.acts import append, inspection, open_plant
from tests.contract.keeping import WORDS, Place, fill, keys_of, made, new_place


@pytest.fixture
def database_url(sqlite_url: str) -> str:
    """SQLite alone: which database it is makes no difference here, and the drill runs on both."""
    return sqlite_url


@pytest.fixture
def kept(store: SqlStore) -> SqlStore:
    return fill(store)


@pytest.fixture
def here(tmp_path: Path) -> Place:
    return new_place(tmp_path, "here")


# --- losses -------------------------------------------------------------------------------------------------
@dataclass
class Lost:
    """A service restored from a backup on the machine that had gone further."""

    file: Path
    place: Place
    origins: dict[str, str]
    last: dict[str, bytes]


@pytest.fixture
def lost(kept: SqlStore, settings: Settings, tmp_path: Path) -> Lost:
    """The data folder of the lost database, with its keys and witnesses, beside an empty file."""
    file = made(kept, tmp_path)
    append(kept, "Works-1", *(inspection("H1", "A", in_place=True) for _ in range(3)))
    place = new_place(tmp_path, "fresh", settings.data_directory)
    with kept.read("Works-1") as one, kept.read("Works-2") as two:
        end = one.checkpoint()
        assert end is not None
        origins = {"Works-1": one.origin, "Works-2": two.origin}
        return Lost(file, place, origins, {one.log_id: end.note})


def test_a_restore_below_the_last_witness_is_refused_and_names_both_sizes(lost: Lost) -> None:
    with pytest.raises(LossNotDeclared, match=r"Works-1 ends at 12 in the backup, .* for 15 was given"):
        lost.place.restored(lost.file)
    assert lost.place.is_untouched()


def test_a_declared_loss_is_the_first_event_under_a_new_origin(lost: Lost, kept: SqlStore) -> None:
    keys = keys_of(kept)
    done = lost.place.restored(lost.file, declared=WORDS)
    [loss] = done.losses
    new = f"{lost.origins['Works-1']}/2"
    assert (loss.log.plant, loss.new_origin) == ("Works-1", new)
    with lost.place.store() as store:
        with store.read("Works-1") as reader:
            assert (reader.origin, reader.size) == (new, 13)
            declared = reader.event(12)
            end, before = reader.checkpoint(), reader.checkpoint(12)
        assert declared is not None
        assert end is not None
        assert before is not None
        [(log_id, note)] = lost.last.items()
        given = open_checkpoint(note, [VerifierKey(lost.origins["Works-1"], key) for key in keys])
        assert (declared.event.type, declared.event.subject, declared.texts) == (
            "loss-declared",
            "plant",
            {"reason": WORDS},
        )
        data = dict(declared.event.data)
        assert set(data.pop("reason")) == {"sha256"}
        assert data == {
            "origin": lost.origins["Works-1"],
            "size": 12,
            "root": before.root.hex(),
            "lost_size": 15,
            "lost_root": given.root.hex(),
            "new_origin": new,
        }
        signed = open_checkpoint(end.note, [VerifierKey(new, key) for key in keys])
        assert (signed.origin, signed.size) == (new, 13)
        with store.read("Works-2") as reader:
            assert reader.origin == lost.origins["Works-2"]
        assert append(store, "Works-1", inspection("H1", "A", in_place=True)) == [13]
        assert rebuild(store, write=False) == []
        folder = lost.place.settings.witness_directory
        assert (folder / f"{log_id}.lost-1").read_bytes() == note
        assert (folder / f"{log_id}.checkpoint").read_bytes().startswith(f"{new}\n14\n".encode())
    migrate(lost.place.settings)


def test_a_log_that_lost_twice_never_bears_an_origin_twice(
    lost: Lost, kept: SqlStore, tmp_path: Path
) -> None:
    lost.place.restored(lost.file, declared=WORDS)
    again = new_place(tmp_path, "again", lost.place.settings.data_directory)
    with pytest.raises(LossNotDeclared, match="a checkpoint for 13 was given"):
        again.restored(lost.file)
    done = again.restored(lost.file, declared=WORDS)
    assert [loss.new_origin for loss in done.losses] == [f"{lost.origins['Works-1']}/3"]
    # What was declared lost before the backup was made is lost no more.
    with again.store() as store:
        later = made(store, tmp_path, "later.zip")
    third = new_place(tmp_path, "third", lost.place.settings.data_directory)
    assert list(third.restored(later).losses) == []
    with third.store() as store, store.read("Works-1") as reader:
        assert reader.origin == f"{lost.origins['Works-1']}/3"


def test_another_history_of_the_same_size_is_a_loss_too(
    kept: SqlStore, settings: Settings, tmp_path: Path
) -> None:
    """Two databases that went on apart from one backup: neither leads to the checkpoints of the other."""
    file = made(kept, tmp_path)
    aside = new_place(tmp_path, "aside")
    aside.restored(file, public_keys=keys_of(kept))
    with aside.store() as store:
        append(store, "Works-1", inspection("H1", "A", in_place=False))
        other = made(store, tmp_path, "other.zip")
        known = keys_of(store)
    append(kept, "Works-1", inspection("H1", "A", in_place=True))
    place = new_place(tmp_path, "fresh", settings.data_directory)
    with pytest.raises(LossNotDeclared, match="a checkpoint for 13 was given"):
        place.restored(other, public_keys=(*known, *keys_of(kept)))


def test_a_checkpoint_that_somebody_kept_is_a_witness(
    lost: Lost, kept: SqlStore, here: Place, tmp_path: Path
) -> None:
    [note] = lost.last.values()
    witness = tmp_path / "kept.checkpoint"
    witness.write_bytes(note)
    with pytest.raises(LossNotDeclared, match=r"for 15 was given \(.*kept\.checkpoint\)"):
        here.restored(lost.file, public_keys=keys_of(kept), witnesses=(witness,))
    witness.write_bytes(note.replace(b"\n15\n", b"\n12\n"))
    with pytest.raises(BackupRefused, match="no checkpoint signed by a key that is known"):
        here.restored(lost.file, public_keys=keys_of(kept), witnesses=(witness,))
    assert here.is_untouched()


def test_a_plant_that_the_backup_does_not_hold_is_a_loss_and_is_written_down(
    lost: Lost, kept: SqlStore
) -> None:
    open_plant(kept, "Works-9")
    append(kept, "Works-9", inspection("H1", "A", in_place=True))
    with kept.read("Works-9") as reader:
        log_id, end = reader.log_id, reader.checkpoint()
    assert end is not None
    with pytest.raises(
        LossNotDeclared, match=f"nothing of the log {log_id}, of which a checkpoint for 1 was"
    ):
        lost.place.restored(lost.file)
    done = lost.place.restored(lost.file, declared=WORDS)
    assert [each.log_id for each in done.missing] == [log_id]
    with lost.place.store() as store, store.read_service() as service:
        [declared] = [
            service.event(at) for at in range(service.size) if (service.event(at) or 0) and _type(service, at)
        ]
        assert declared is not None
        assert declared.event.subject == "service/log"
        assert [
            (each["log_id"], each["size"], each["root"]) for each in declared.event.data["lost_logs"]
        ] == [(log_id, 1, end.root.hex())]


def _type(service: Any, at: int) -> bool:
    return bool(service.event(at).event.type == "loss-declared")


def test_where_no_checkpoint_is_known_the_operator_is_told_and_may_declare_a_loss(
    kept: SqlStore, here: Place, tmp_path: Path
) -> None:
    file = made(kept, tmp_path)
    done = here.restored(file, public_keys=keys_of(kept), declared=WORDS)
    assert list(done.unwitnessed) == ["service", "Works-1", "Works-2"]
    assert all(loss.witnessed is None and loss.new_origin.endswith("/2") for loss in done.losses)
    with here.store() as store:
        with store.read("Works-2") as reader:
            declared = reader.event(reader.size - 1)
        assert declared is not None
        assert (declared.event.data["lost_size"], declared.event.data["lost_root"]) == (None, None)
        assert rebuild(store, write=False) == []
