"""What the store holds, as plain rows: the other half of what the invariants compare."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any


@dataclass
class StoredLog:
    """One log's rows. rows: (sequence, exact bytes, leaf hash). checkpoints: (size, root, note).

    tiles: hashes of whole subtrees of 256**level leaves, by level and position. signed: whether the
    store keeps checkpoints at all. notes: words beside the log by sequence, None once erased.
    """

    log_id: str
    next_sequence: int
    last_recorded_at: str | None
    rows: list[tuple[int, bytes, bytes]]
    origin: str | None = None
    fault: str | None = None
    signed: bool = False
    checkpoints: list[tuple[int, bytes, str]] = field(default_factory=list)
    tiles: dict[tuple[int, int], bytes] = field(default_factory=dict)
    notes: dict[int, str | None] = field(default_factory=dict)


@dataclass
class Truth:
    """The whole store. kept: answers under idempotency keys, by scope. names: of principals, by id.

    differences: what a rebuild of the projections, or the service's own check, found. witnesses:
    checkpoints beside the database, by log id.
    """

    logs: dict[str, StoredLog] = field(default_factory=dict)
    kept: dict[str, Any] = field(default_factory=dict)
    names: dict[str, str | None] = field(default_factory=dict)
    differences: list[str] = field(default_factory=list)
    witnesses: dict[str, str] = field(default_factory=dict)
