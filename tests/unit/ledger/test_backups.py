"""A backup is verified member by member: its manifest, its logs and every checkpoint in it."""

from __future__ import annotations

import base64
import hashlib
import json
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from service.canonical import canonical_bytes
from service.ledger.notes import checkpoint_text, signed_note
from service.ledger.verifier import Checkpoint, Refused, verify_backup
from tests.unit.ledger.sample_log import ORIGIN, Log, full_log, key_of, rewritten, root_of, signer

PREFIX = "hangers.example/log"
SERVICE_ID = "00" * 16
SERVICE_ORIGIN = f"{PREFIX}/{SERVICE_ID}"
KEY = key_of(1, f"{PREFIX}/backup")
Members = dict[str, bytes]


def checkpoint_line(log: Log, size: int, origin: str) -> bytes:
    root = root_of(log.bodies[:size])
    return (
        canonical_bytes(
            {
                "size": size,
                "root": base64.b64encode(root).decode(),
                "note": log.note(size, origin=origin).decode(),
                "made_at": "2026-05-04T06:00:00.000000Z",
            }
        )
        + b"\n"
    )


def members_of(logs: dict[str, Log]) -> Members:
    """Every member but the manifest and its note."""
    members: Members = {"tables/principals.ndjson": b'{"id":"pr_1"}\n'}
    for origin, log in logs.items():
        folder = f"logs/{log.log_id}"
        members[f"{folder}/events.ndjson"] = b"".join(log.export(origin=origin))
        members[f"{folder}/checkpoints.ndjson"] = b"".join(
            checkpoint_line(log, size, origin) for size in range(len(log.bodies) + 1)
        )
    return members


def manifest_of(logs: dict[str, Log], members: Members) -> dict[str, Any]:
    return {
        "log_origin": PREFIX,
        "logs": [
            {"log_id": log.log_id, "origin": origin, "size": len(log.bodies)} for origin, log in logs.items()
        ],
        "members": [
            {"name": name, "size": len(content), "sha256": hashlib.sha256(content).hexdigest()}
            for name, content in members.items()
        ],
    }


def note_of(manifest: bytes, name: str = f"{PREFIX}/backup") -> bytes:
    text = f"{name}\nmanifest.json {hashlib.sha256(manifest).hexdigest()}\n"
    return signed_note(text, name, [signer()])


def written(file: Path, members: Members) -> Path:
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return file


def logs_of() -> dict[str, Log]:
    return {SERVICE_ORIGIN: Log(["service/keys", "service/plants"], SERVICE_ID), ORIGIN: full_log()}


def backup(
    folder: Path,
    change: Callable[[Members], Any] = lambda members: None,
    after: Callable[[Members], Any] = lambda members: None,
) -> Path:
    """A backup of two logs. change: made before the manifest is signed; after: when it has been."""
    logs = logs_of()
    members = members_of(logs)
    change(members)
    manifest = canonical_bytes(manifest_of(logs, members))
    whole = {**members, "manifest.json": manifest, "manifest.note": note_of(manifest)}
    after(whole)
    return written(folder / "backup.zip", whole)


def refusal(file: Path, *keys: Any, since: list[Checkpoint] | None = None) -> tuple[str, int | None]:
    with pytest.raises(Refused) as refused:
        verify_backup(file, keys or (KEY,), since or [])
    return refused.value.reason, refused.value.position


EVENTS = f"logs/{full_log().log_id}/events.ndjson"
CHECKPOINTS = f"logs/{full_log().log_id}/checkpoints.ndjson"


def test_a_sound_backup_is_summed_up_log_by_log(tmp_path: Path) -> None:
    service, plant = verify_backup(backup(tmp_path), [KEY])
    assert (service.checkpoint.origin, service.seal.count) == (SERVICE_ORIGIN, 2)
    assert (plant.checkpoint.origin, plant.seal.count, plant.in_tree) == (ORIGIN, 8, True)
    assert (plant.documents, plant.texts) == (2, 2)


def test_any_name_of_a_key_counts_for_the_whole_backup(tmp_path: Path) -> None:
    assert len(verify_backup(backup(tmp_path), [key_of(1, ORIGIN)])) == 2
    assert refusal(backup(tmp_path), key_of(2, f"{PREFIX}/backup")) == ("wrong-key", None)


def test_older_checkpoints_are_compared_with_their_own_log(tmp_path: Path) -> None:
    file, log = backup(tmp_path), full_log()
    assert len(verify_backup(file, [KEY], [log.checkpoint(5), log.checkpoint(0)])) == 2
    forked = Log(["plant", "line/B"]).checkpoint()
    assert refusal(file, since=[forked]) == ("forked", 0)  # those in the file say nothing of another's
    assert refusal(file, since=[forked, log.checkpoint(1)]) == ("forked", 1)
    log.add("plant")
    assert refusal(file, since=[log.checkpoint()]) == ("cut-off", 8)
    other = Log(["plant"]).checkpoint(origin=f"{PREFIX}/other")
    assert refusal(file, since=[other]) == ("other-log", None)


def test_a_log_under_a_new_origin_brings_the_checkpoints_of_the_old_one(tmp_path: Path) -> None:
    renewed = f"{ORIGIN}/2"
    log = Log(["plant", "hanger/H1"])
    log.add("plant", {"origin": ORIGIN, "size": 2}, type="loss-declared")
    log.add("hanger/H1")
    members = members_of({renewed: log})
    members[CHECKPOINTS] = b"".join(
        checkpoint_line(log, size, ORIGIN if size <= 2 else renewed) for size in range(5)
    )
    manifest = canonical_bytes(manifest_of({renewed: log}, members))
    file = written(
        tmp_path / "b.zip", {**members, "manifest.json": manifest, "manifest.note": note_of(manifest)}
    )
    [summary] = verify_backup(file, [KEY], [log.checkpoint(1)])
    assert summary.checkpoint.origin == renewed
    lost = Log(["plant", "hanger/H1", "hanger/H1"]).checkpoint()
    assert refusal(file, since=[lost]) == ("cut-off", 2)


# --- what was changed after it was made --------------------------------------------------------------
def test_a_table_that_was_changed_is_found_by_its_name(tmp_path: Path) -> None:
    def change(members: Members) -> None:
        members["tables/principals.ndjson"] = b'{"id":"pr_2"}\n'

    file = backup(tmp_path, after=change)
    assert refusal(file) == ("altered", None)
    with pytest.raises(Refused, match="tables/principals"):
        verify_backup(file, [KEY])


@pytest.mark.parametrize("place", range(8))
def test_an_event_that_was_changed_is_found_at_its_place(tmp_path: Path, place: int) -> None:
    def change(members: Members) -> None:
        lines = members[EVENTS].splitlines(keepends=True)
        at = next(at for at, line in enumerate(lines) if f'"sequence":{place},"subject"'.encode() in line)
        lines[at] = rewritten(lines[at], data={"n": "other"})
        members[EVENTS] = b"".join(lines)

    file = backup(tmp_path, after=change)
    assert refusal(file) == ("altered", place)
    with pytest.raises(Refused, match=ORIGIN):
        verify_backup(file, [KEY])


@pytest.mark.parametrize(
    "name", ["tables/principals.ndjson", EVENTS, CHECKPOINTS, "manifest.json", "manifest.note"]
)
def test_a_member_left_out_is_found(tmp_path: Path, name: str) -> None:
    assert refusal(backup(tmp_path, after=lambda members: members.pop(name))) == ("altered", None)


def test_a_member_added_is_found(tmp_path: Path) -> None:
    assert refusal(backup(tmp_path, after=lambda members: members.update(more=b""))) == ("altered", None)


def test_a_member_that_stands_there_twice_is_found(tmp_path: Path) -> None:
    file = backup(tmp_path)
    with zipfile.ZipFile(file, "a") as archive, pytest.warns(UserWarning, match="Duplicate"):
        archive.writestr("tables/principals.ndjson", b'{"id":"pr_1"}\n')
    assert refusal(file) == ("altered", None)


def test_a_manifest_that_was_changed_is_found(tmp_path: Path) -> None:
    def change(members: Members) -> None:
        members["manifest.json"] = members["manifest.json"].replace(b'"size":8', b'"size":7')

    assert refusal(backup(tmp_path, after=change)) == ("altered", None)


def test_a_note_over_another_name_or_text_is_refused(tmp_path: Path) -> None:
    def other_name(members: Members) -> None:
        members["manifest.note"] = note_of(members["manifest.json"], PREFIX)

    def other_text(members: Members) -> None:
        name = f"{PREFIX}/backup"
        members["manifest.note"] = signed_note(f"{name}\nmanifest.json {'0' * 64}\n", name, [signer()])

    def checkpoint(members: Members) -> None:
        members["manifest.note"] = full_log().note()

    for change in (other_name, other_text, checkpoint):
        assert refusal(backup(tmp_path, after=change)) == ("altered", None)


def test_a_file_cut_off_or_of_another_kind_is_refused(tmp_path: Path) -> None:
    file = backup(tmp_path)
    data = file.read_bytes()
    for content in (data[: len(data) // 2], b"PK\x03\x04", b"", data[:-30]):
        file.write_bytes(content)
        assert refusal(file) == ("altered", None)


def test_a_byte_changed_anywhere_in_the_file_is_refused_or_changes_no_content(tmp_path: Path) -> None:
    file = backup(tmp_path)
    data = file.read_bytes()
    with zipfile.ZipFile(file) as archive:
        contents = {name: archive.read(name) for name in archive.namelist()}
    for at in range(0, len(data), 29):
        file.write_bytes(data[:at] + bytes([data[at] ^ 0x55]) + data[at + 1 :])
        try:
            verify_backup(file, [KEY])
        except Refused:
            continue
        with zipfile.ZipFile(file) as archive:
            assert {name: archive.read(name) for name in archive.namelist()} == contents


# --- what was signed, but is not sound -----------------------------------------------------------------
def changed_checkpoint(place: int, **changed: Any) -> Callable[[Members], None]:
    def change(members: Members) -> None:
        lines = members[CHECKPOINTS].splitlines(keepends=True)
        lines[place] = canonical_bytes({**json.loads(lines[place]), **changed}) + b"\n"
        members[CHECKPOINTS] = b"".join(lines)

    return change


def test_a_stored_checkpoint_of_other_events_is_a_fork(tmp_path: Path) -> None:
    forked = Log(["plant"] * 5)
    note = forked.note().decode()
    root = base64.b64encode(forked.checkpoint().root).decode()
    assert refusal(backup(tmp_path, changed_checkpoint(5, note=note, root=root))) == ("forked", 4)


@pytest.mark.parametrize(
    "changed", [{"size": 4}, {"size": "3"}, {"root": base64.b64encode(bytes(32)).decode()}]
)
def test_what_stands_beside_a_checkpoint_must_be_what_it_states(
    tmp_path: Path, changed: dict[str, Any]
) -> None:
    assert refusal(backup(tmp_path, changed_checkpoint(3, **changed))) == ("altered", None)


def test_a_stored_checkpoint_by_another_key_is_refused(tmp_path: Path) -> None:
    note = full_log().note(3, [signer(2)]).decode()
    assert refusal(backup(tmp_path, changed_checkpoint(3, note=note))) == ("wrong-key", None)


@pytest.mark.parametrize("changed", [{"note": 1}, {"note": "x"}, {"note": "\ud83d"}])
def test_a_checkpoint_line_of_another_form_is_refused(tmp_path: Path, changed: dict[str, Any]) -> None:
    def change(members: Members) -> None:
        lines = members[CHECKPOINTS].splitlines(keepends=True)
        lines[3] = json.dumps({**json.loads(lines[3]), **changed}).encode() + b"\n"
        members[CHECKPOINTS] = b"".join(lines)

    assert refusal(backup(tmp_path, change)) == ("malformed", None)


def test_checkpoints_out_of_their_order_are_refused(tmp_path: Path) -> None:
    def change(members: Members) -> None:
        lines = members[CHECKPOINTS].splitlines(keepends=True)
        members[CHECKPOINTS] = b"".join([*lines[:3], lines[4], lines[3], *lines[5:]])

    assert refusal(backup(tmp_path, change)) == ("malformed", None)


def test_a_checkpoint_of_more_events_than_the_log_has_is_refused(tmp_path: Path) -> None:
    log = full_log()
    log.add("plant")

    def change(members: Members) -> None:
        members[CHECKPOINTS] += checkpoint_line(log, 9, ORIGIN)

    assert refusal(backup(tmp_path, change)) == ("cut-off", 8)


def test_a_log_that_is_not_the_one_named_is_refused(tmp_path: Path) -> None:
    def fewer(members: Members) -> None:
        members[EVENTS] = b"".join(full_log().export(size=7))
        members[CHECKPOINTS] = b"".join(members[CHECKPOINTS].splitlines(keepends=True)[:8])

    def filtered(members: Members) -> None:
        members[EVENTS] = b"".join(full_log().export(wanted={"hanger": "H1"}, rows=[1, 3, 7]))
        members[CHECKPOINTS] = b""

    def another(members: Members) -> None:
        log = Log(["plant"] * 8, "11" * 16)
        members[EVENTS] = b"".join(log.export())
        members[CHECKPOINTS] = b""

    def ended(members: Members) -> None:
        members[EVENTS] = b"".join(full_log().export(0, 5))
        members[CHECKPOINTS] = b"".join(members[CHECKPOINTS].splitlines(keepends=True)[:6])

    assert refusal(backup(tmp_path, ended)) == ("altered", None)
    assert refusal(backup(tmp_path, fewer)) == ("altered", None)
    assert refusal(backup(tmp_path, filtered))[0] in {"altered", "missing"}
    assert refusal(backup(tmp_path, another)) == ("altered", None)


@pytest.mark.parametrize(
    "manifest",
    [b"", b"[]", b"{}", b'{"logs":[],"members":1}', b'{"logs":[1],"members":[]}', b'{"members":[1]}'],
)
def test_a_signed_manifest_of_another_form_is_refused(tmp_path: Path, manifest: bytes) -> None:
    file = written(tmp_path / "b.zip", {"manifest.json": manifest, "manifest.note": note_of(manifest)})
    assert refusal(file) == ("malformed", None)


def test_a_note_of_the_log_does_not_pass_as_one_over_a_manifest(tmp_path: Path) -> None:
    name = f"{PREFIX}/backup"
    members = {
        "manifest.json": b"{}",
        "manifest.note": signed_note(checkpoint_text(name, 1, bytes(32)), name, [signer()]),
    }
    assert refusal(written(tmp_path / "b.zip", members)) == ("altered", None)
