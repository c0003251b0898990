"""A file system small enough to be filled: of memory, where this account may mount one."""

from __future__ import annotations

import contextlib
import os
import resource
import subprocess
from collections.abc import Callable, Iterable
from pathlib import Path

SMALLEST = 65_536  # bytes: less than any database or journal of it


class NoSmallDisk(Exception):
    """None could be had; the message says why."""


class SmallDisk:
    """A file system of `size_mb` mounted at `folder`, and a ballast that takes its room away."""

    def __init__(self, folder: Path, size_mb: int, owner: int | None = None) -> None:
        """owner: uid whose the root of it is. Raises NoSmallDisk."""
        self.folder = folder
        self._ballast = folder / "ballast"
        folder.mkdir(parents=True, exist_ok=True)
        options = f"size={size_mb}m,mode=0700" + (f",uid={owner}" if owner is not None else "")
        command = ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)]
        try:
            mounted = subprocess.run(command, capture_output=True, text=True, check=False)
        except FileNotFoundError:
            raise NoSmallDisk("there is no program to mount one") from None
        if mounted.returncode != 0:
            raise NoSmallDisk(mounted.stderr.strip() or "mount failed")

    def fill(self, leaving_bytes: int) -> None:
        """Takes all room but so much, while others write as well."""
        with self._ballast.open("ab") as ballast:
            while True:
                free = os.statvfs(self.folder)
                room = free.f_bavail * free.f_frsize - leaving_bytes
                if room <= 0:
                    return
                with contextlib.suppress(OSError):  # somebody else took some of it meanwhile
                    os.posix_fallocate(ballast.fileno(), os.fstat(ballast.fileno()).st_size, room)

    def free(self) -> None:
        """Gives the room back."""
        with contextlib.suppress(FileNotFoundError):
            self._ballast.unlink()

    def remove(self) -> None:
        """Unmounts it; what was on it is gone."""
        subprocess.run(["umount", "--lazy", str(self.folder)], capture_output=True, check=False)
        with contextlib.suppress(OSError):
            self.folder.rmdir()


class SizeLimit:
    """In place of a small disk, where none may be mounted: no file of these processes grows any more."""

    def __init__(self, processes: Callable[[], Iterable[int]]) -> None:
        """processes: ids of those whose files are meant, asked for each time."""
        self._processes = processes

    def fill(self, _leaving_bytes: int) -> None:
        """Lets no file grow beyond the first few bytes."""
        self._limit(SMALLEST)

    def free(self) -> None:
        """Lets them grow again."""
        self._limit(resource.RLIM_INFINITY)

    def remove(self) -> None:
        """Nothing is left of it."""

    def _limit(self, size: int) -> None:
        for pid in self._processes():
            with contextlib.suppress(ProcessLookupError):
                resource.prlimit(pid, resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))
