"""What was seen from outside while the service was tormented, kept as JSON so that it can be judged again.

Times are seconds of one monotonic clock of the harness. A log is named by its plant's key; the
service's own log is "".
"""

from __future__ import annotations

import base64
import json
import threading
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

SERVICE = ""
ACKNOWLEDGED = "acknowledged"  # a 2xx answer, or a refusal that can only mean "written before"
UNKNOWN = "unknown"  # given up after a try that may have been committed
REFUSED = "refused"  # given up, and every try was answered with "nothing was written"
_HEAD = ("keys", "before", "kept_before")


@dataclass
class Sent:
    """One request that writes, with all its tries.

    identities: what the events that it writes can be told by, one for each. key: None for a PUT.
    answers: documents of the 2xx answers, in the order of their arrival. unknown: tries of which
    nobody knows what they did. firsts: answers that were not marked as replays. answered_at: when
    the first answer was complete.
    """

    identities: list[str]
    log: str
    kind: str
    method: str
    path: str
    key: str | None
    principal: str
    outcome: str = UNKNOWN
    tries: int = 0
    unknown: int = 0
    firsts: int = 0
    statuses: list[int] = field(default_factory=list)
    answers: list[Any] = field(default_factory=list)
    answered_at: float | None = None
    words: str | None = None
    erases: int | None = None


@dataclass
class Served:
    """A checkpoint that some server gave out. observer: who asked; each asks one after the other."""

    log: str
    observer: str
    asked_at: float
    note: str


@dataclass
class Reading:
    """What one reader took in of a log, however often it had to begin again where it stood.

    first: the sequence that it began at. lines: exact bytes, base64. complete: whether it was let
    read on to the end of the log before it was stopped.
    """

    log: str
    reader: str
    first: int
    lines: list[str] = field(default_factory=list)
    complete: bool = False

    def take(self, body: bytes) -> None:
        """The next event."""
        self.lines.append(base64.b64encode(body).decode("ascii"))

    @property
    def following(self) -> int:
        """The sequence to go on with."""
        return self.first + len(self.lines)

    def bodies(self) -> Iterator[bytes]:
        """Exact bytes of the events, in order."""
        return (base64.b64decode(line) for line in self.lines)


@dataclass
class Delivered:
    """One delivery to a webhook, in the order of arrival. accepted: whether it was answered with 2xx."""

    log: str
    identifier: str
    body: str  # base64 of the event's exact bytes as they were delivered
    accepted: bool
    signed: bool


@dataclass
class Subscription:
    """A webhook's duty: every event of the log from `first` on; complete once it was given time for all."""

    log: str
    first: int
    complete: bool = False


@dataclass
class Remark:
    """Something seen on the way that is wrong by itself, as an answer that must never be given."""

    invariant: str
    detail: str
    log: str = SERVICE


class History:
    """Everything seen; many threads write it."""

    def __init__(self) -> None:
        self.keys: list[str] = []  # verifier keys
        self.before: dict[str, int] = {}  # events of each log before the first request counted
        self.kept_before: list[str] = []  # scopes of idempotency keys kept by then
        self.sent: list[Sent] = []
        self.served: list[Served] = []
        self.readings: list[Reading] = []
        self.delivered: list[Delivered] = []
        self.subscriptions: list[Subscription] = []
        self.remarks: list[Remark] = []
        self._lock = threading.Lock()

    def add(self, *seen: Any) -> None:
        """Takes in what was seen: requests, checkpoints, readings, deliveries, remarks."""
        with self._lock:
            for each in seen:
                self._lists()[type(each)].append(each)

    def _lists(self) -> dict[type, list[Any]]:
        return {
            Sent: self.sent,
            Served: self.served,
            Reading: self.readings,
            Delivered: self.delivered,
            Subscription: self.subscriptions,
            Remark: self.remarks,
        }

    def save(self, file: Path) -> None:
        """Writes it down."""
        with self._lock, file.open("w", encoding="utf-8") as out:
            head = {name: getattr(self, name) for name in _HEAD}
            out.write(json.dumps(["Head", head]) + "\n")
            for kind, seen in self._lists().items():
                out.writelines(json.dumps([kind.__name__, asdict(each)]) + "\n" for each in seen)

    @classmethod
    def load(cls, file: Path) -> History:
        """Reads what `save` wrote."""
        history = cls()
        kinds = {kind.__name__: kind for kind in history._lists()}
        with file.open(encoding="utf-8") as lines:
            for line in lines:
                kind, document = json.loads(line)
                if kind == "Head":
                    for name in _HEAD:
                        setattr(history, name, document[name])
                else:
                    history.add(kinds[kind](**document))
        return history
