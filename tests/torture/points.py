"""The named moments at which a server process can be made to die, and how one is told to.

A server looks for a file `NAME.POINT.arm` in the folder of orders: `{"after": n}` lets the n-th
passage of that point be the last thing that the process does. Whoever dies takes the file away
first and leaves a line in `NAME.died`.
"""

from __future__ import annotations

import json
import os
import signal
import threading
from pathlib import Path
from typing import Final

# What is written, in the order of one write.
POINTS: Final = (
    "before-event-row",
    "after-event-row",
    "after-document-row",
    "after-words-row",
    "during-projection",
    "before-key-row",
    "after-key-row",
    "after-tree-row",
    "before-checkpoint-row",
    "after-checkpoint-row",
    "after-head-row",
    "before-commit",
    "after-commit",
    "before-witness",
    "after-witness",
    "before-answer",
    "during-stream",
    "during-start",
    "before-emptying",
    "after-emptying",
)
# What the relay writes once a message was delivered.
RELAY_POINTS: Final = ("before-delivery-row", "after-delivery-row", "after-cursor-row")
ALL_POINTS: Final = POINTS + RELAY_POINTS
WHOLE, WORKER = "server", "worker"  # what dies: the process alone, or its server with it


class Orders:
    """One server's orders, as its processes and as the harness see them: a file for each point."""

    def __init__(self, folder: Path, name: str) -> None:
        self.folder, self.name = folder, name
        self._died = folder / f"{name}.died"
        self._passed: dict[str, tuple[str, int]] = {}
        self._lock = threading.Lock()

    def _file(self, point: str) -> Path:
        return self.folder / f"{self.name}.{point}.arm"

    # --- the harness ------------------------------------------------------------------------------
    def arm(self, point: str, after: int, scope: str = WORKER) -> None:
        """Orders a death; takes the place of one ordered at the same point and not yet carried out."""
        file = self._file(point)
        made = file.with_suffix(".new")
        made.write_text(json.dumps({"after": after, "scope": scope}), "utf-8")
        made.rename(file)

    def disarm(self) -> list[str]:
        """Takes back every order; the points of those that were not carried out."""
        taken = []
        for point in ALL_POINTS:
            try:
                self._file(point).unlink()
            except FileNotFoundError:
                continue
            taken.append(point)
        return taken

    def deaths(self) -> list[str]:
        """The points at which a process of this server died so far."""
        return self._died.read_text("utf-8").split() if self._died.exists() else []

    # --- the server ---------------------------------------------------------------------------------
    def passed(self, point: str) -> None:
        """A process comes past a point, and goes no further if that was ordered."""
        file = self._file(point)
        try:
            text = file.read_text("utf-8")
        except OSError:
            return
        order = json.loads(text)
        with self._lock:
            known, count = self._passed.get(point, ("", 0))
            count = count + 1 if known == text else 1
            self._passed[point] = (text, count)
            if count < order["after"]:
                return
            try:
                file.rename(file.with_suffix(".taken"))
            except FileNotFoundError:
                return  # another process was here before
            with self._died.open("a", encoding="utf-8") as died:
                died.write(f"{point}\n")
            if order["scope"] == WHOLE:
                os.kill(os.getppid(), signal.SIGKILL)
            os.kill(os.getpid(), signal.SIGKILL)
            threading.Event().wait()  # no step further while the signal is on its way
