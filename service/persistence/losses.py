"""What a restore would lose: each log in a backup beside the last checkpoints known to have been given.

A log begins under the origin `.../LOG_ID`; each declared loss gives it the next number, `.../LOG_ID/2`,
so that nobody who holds a later checkpoint of the log before it can take the one for the other.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from service.ledger.verifier import Refused, VerifierKey, open_note, parse_checkpoint
from service.persistence.backup_format import BackedLog, BackupRefused
from service.persistence.witness import LOST, SUFFIX


@dataclass(frozen=True)
class Witnessed:
    """A checkpoint known to have been given. source: the file that shows it. root: 32 bytes.

    set_aside: kept since an earlier declared loss.
    """

    source: Path
    log_id: str
    origin: str
    size: int
    root: bytes
    set_aside: bool = False


@dataclass(frozen=True)
class Loss:
    """What a log of the backup lacks. witnessed: the greatest checkpoint that it cannot lead to, or None.

    None: no checkpoint of this log is known, so that it cannot be told whether any is lost.
    new_origin: under which the log goes on.
    """

    log: BackedLog
    witnessed: Witnessed | None
    new_origin: str


def origin_number(origin: str, log_id: str) -> int:
    """How many times the log began: 1 for its first origin, N for `.../LOG_ID/N`.

    Raises:
        BackupRefused: the origin is none of this log
    """
    match = re.fullmatch(rf".+/{re.escape(log_id)}(?:/([2-9]|[1-9][0-9]{{1,8}}))?", origin)
    if match is None:
        raise BackupRefused(f"{origin} is no origin of the log {log_id}")
    return 1 if match[1] is None else int(match[1])


def first_origin(origin: str, log_id: str) -> str:
    """The origin under which the log began."""
    return origin.rpartition(log_id)[0] + log_id


def origins(origin: str, log_id: str) -> list[str]:
    """Every origin that the log has had, the present one last."""
    first = first_origin(origin, log_id)
    return [first, *(f"{first}/{number}" for number in range(2, origin_number(origin, log_id) + 1))]


# --- witnesses -------------------------------------------------------------------------------------------
def find_witnesses(folder: Path, files: Sequence[Path], public_keys: Iterable[bytes]) -> list[Witnessed]:
    """Every checkpoint that a data folder keeps, and those in further files.

    Raises:
        BackupRefused: a file holds no checkpoint signed by one of the keys: it is not left out, since
            it may tell of a loss
        OSError: a file cannot be read
    """
    keys = list(public_keys)
    kept = sorted(file for file in folder.glob(f"*{SUFFIX}") if file.is_file())
    aside = sorted(file for file in folder.glob(f"*{LOST}-*") if file.is_file())
    found = [_witness(file, keys, set_aside=False) for file in (*kept, *files)]
    found += [_witness(file, keys, set_aside=True) for file in aside]
    return [each for each in found if each is not None]


def _witness(file: Path, keys: Sequence[bytes], *, set_aside: bool) -> Witnessed | None:
    with file.open("rb") as source:
        content = source.read(1_000_001)
    if not content.strip(b"\0"):
        return None  # what a power failure can leave of a file just made
    name = content.partition(b"\n")[0].decode("utf-8", "replace")
    try:
        note = open_note(content, [VerifierKey(name, key) for key in keys])
        checkpoint = parse_checkpoint(note.text)
    except Refused as error:
        raise BackupRefused(
            f"{file} is no checkpoint signed by a key that is known: {error.detail}"
        ) from error
    parts = checkpoint.origin.split("/")
    log_id = parts[-2] if parts[-1].isdecimal() and len(parts[-1]) < 32 else parts[-1]
    return Witnessed(file, log_id, checkpoint.origin, checkpoint.size, checkpoint.root, set_aside)


def sizes_to_look_at(log: BackedLog, witnesses: Iterable[Witnessed]) -> set[int]:
    """Sizes at which the root of the log is wanted to compare it with the witnesses."""
    return {each.size for each in witnesses if each.log_id == log.log_id and each.size <= log.size}


def loss_of(log: BackedLog, roots: Mapping[int, bytes], witnesses: Iterable[Witnessed]) -> Witnessed | None:
    """The greatest checkpoint of this log that the backup's log does not lead to; None when it leads to all.

    roots: of the backup's log at the sizes looked at.
    """
    present = origin_number(log.origin, log.log_id)
    lost = [
        each
        for each in witnesses
        if each.log_id == log.log_id
        # What was lost before a loss that the backup's log itself declares is lost no more.
        and origin_number(each.origin, log.log_id) >= present
        and not (each.size <= log.size and roots[each.size] == each.root)
    ]
    return max(lost, key=lambda each: (origin_number(each.origin, log.log_id), each.size), default=None)


def is_witnessed(log: BackedLog, witnesses: Iterable[Witnessed]) -> bool:
    """Whether any checkpoint is known that was given since the last loss that the log declares."""
    present = origin_number(log.origin, log.log_id)
    return any(
        each.log_id == log.log_id and origin_number(each.origin, log.log_id) >= present for each in witnesses
    )


def next_origin(log: BackedLog, witnesses: Iterable[Witnessed]) -> str:
    """An origin that the log never had."""
    known = [each.origin for each in witnesses if each.log_id == log.log_id]
    number = max(origin_number(origin, log.log_id) for origin in (log.origin, *known))
    return f"{first_origin(log.origin, log.log_id)}/{number + 1}"
