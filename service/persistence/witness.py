"""The witness: outside the database, the last checkpoint of each log that this machine acknowledged.

A database restored from an old copy looks well to itself. Beside a checkpoint that was given for more
events, or for other ones, it does not: the service then refuses to write. A file is written after each
commit and before its answer, and only ever for more events than before.
"""

from __future__ import annotations

import errno
import fcntl
import logging
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

SUFFIX: Final = ".checkpoint"
LOST: Final = ".lost"
_LOCK: Final = ".lock"
_LONGEST_WAIT_S = 2.0
_PAUSE_S: Final = 0.0005
_BLOCK: Final = 4096  # bytes that a disk writes whole
_LOG: Final = logging.getLogger("service.witness")


class Witness:
    """The folder of a machine's witness files, one a log: `LOG_ID.checkpoint`."""

    def __init__(self, folder: Path) -> None:
        """folder: made with the first file."""
        self.folder = folder

    def file(self, log_id: str) -> Path:
        """The witness file of a log."""
        return self.folder / f"{log_id}{SUFFIX}"

    def read(self, log_id: str) -> bytes | None:
        """The last note acknowledged here, or None where there is none.

        A file of nothing, or of zero bytes alone, is what a power failure can leave of one just made,
        and counts as none.

        Raises:
            OSError: the file is there and cannot be read
        """
        if not self.file(log_id).exists():
            return None
        with self._alone():
            return self._read(log_id)

    def _read(self, log_id: str) -> bytes | None:
        try:
            note = self.file(log_id).read_bytes()
        except FileNotFoundError:
            return None
        return note if note.strip(b"\0") else None

    def advance(self, log_id: str, size: int, note: bytes) -> None:
        """Takes note of a checkpoint whose transaction was committed, if it is of more events than the last.

        size: of the checkpoint. note: its exact bytes. A failure is logged and loses nothing: the
        write is done, and the file is only older than it could be.
        """
        try:
            self._advance(log_id, size, note)
        except OSError as error:
            _LOG.error(
                "The last checkpoint could not be kept beside the database.",
                extra={"fields": {"log_id": log_id, "size": size, "error": type(error).__name__}},
            )

    def set_aside(self, log_id: str) -> Path | None:
        """Keeps the file of a log whose loss was declared under another name, `.lost-N`; None without one.

        Raises:
            OSError: it cannot be renamed
        """
        file = self.file(log_id)
        with self._alone():
            if not file.exists():
                return None
            number = 1
            while (kept := file.with_name(f"{log_id}{LOST}-{number}")).exists():
                number += 1
            file.rename(kept)
            return kept

    def _advance(self, log_id: str, size: int, note: bytes) -> None:
        with self._alone():
            known = self._read(log_id)
            if known is not None and _size_of(known) >= size:
                return  # a later write of another thread or process was here before
            if known is not None and len(known) == len(note) <= _BLOCK:
                self._overwrite(log_id, note)
            else:
                self._replace(log_id, note)

    def _overwrite(self, log_id: str, note: bytes) -> None:
        """Puts a note of the same length in the place of the last, within one block of the disk.

        A process that is killed has done it or not, and a power failure leaves the one or the other.
        A new file in the place of the old one would be written to the disk at once by some file
        systems, which takes as long as the commit did.
        """
        descriptor = os.open(self.file(log_id), os.O_WRONLY | os.O_CLOEXEC)
        try:
            if os.pwrite(descriptor, note, 0) != len(note):
                raise OSError(errno.ENOSPC, "written in part")
        finally:
            os.close(descriptor)

    def _replace(self, log_id: str, note: bytes) -> None:
        """Puts a new file in the place of the last, written whole under another name."""
        file = self.file(log_id)
        made = file.with_name(f"{log_id}.new")
        descriptor = os.open(made, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o600)
        try:
            if os.write(descriptor, note) != len(note):
                raise OSError(errno.ENOSPC, "written in part")
        finally:
            os.close(descriptor)
        made.replace(file)

    @contextmanager
    def _alone(self) -> Iterator[None]:
        """Holds the folder's lock among threads and processes."""
        lock = self.folder / _LOCK
        try:
            descriptor = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except FileNotFoundError:
            self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            descriptor = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            _wait_for(descriptor)
            yield
        finally:
            os.close(descriptor)  # lets go of the lock as well


def _wait_for(descriptor: int) -> None:
    """Takes the lock, held by others for microseconds; raises OSError should one of them stand still."""
    deadline = time.monotonic() + _LONGEST_WAIT_S
    while True:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() >= deadline:
                raise
            time.sleep(_PAUSE_S)
        else:
            return


def _size_of(note: bytes) -> int:
    """The size that a note states on its second line.

    Raises:
        OSError: it states none. The file is no longer what was written, and is left for the
            examination to tell.
    """
    try:
        return int(note.split(b"\n", 2)[1])
    except (IndexError, ValueError):
        raise OSError(errno.EIO, "no checkpoint") from None
