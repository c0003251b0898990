"""A file system small enough to be filled: of memory, where this account may mount one."""

from __future__ import annotations

import contextlib
import os
import subprocess
from pathlib import Path


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
        mounted = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)],
            capture_output=True,
            text=True,
            check=False,
        )
        if mounted.returncode != 0:
            raise NoSmallDisk(mounted.stderr.strip() or "mount failed")

    def fill(self, leaving_bytes: int) -> None:
        """Takes all room but so much."""
        free = os.statvfs(self.folder)
        room = free.f_bavail * free.f_frsize - leaving_bytes
        with self._ballast.open("ab") as ballast:
            if room > 0:
                os.posix_fallocate(ballast.fileno(), ballast.tell(), room)

    def free(self) -> None:
        """Gives the room back."""
        with contextlib.suppress(FileNotFoundError):
            self._ballast.unlink()

    def remove(self) -> None:
        """Unmounts it; what was on it is gone."""
        subprocess.run(["umount", "--lazy", str(self.folder)], capture_output=True, check=False)
