"""The tree of a log as it grows: its right edge, the hashes of full tiles, the signed checkpoint.

All of it is written in the transaction of the events that it covers, so that a checkpoint exists
exactly where its events do. Nothing else is ever signed or given out.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from sqlalchemy import Connection, bindparam, insert, select, update

from service.domain.ports import StoredCheckpoint
from service.errors import LogCorrupt
from service.ledger.hashing import leaf_hash
from service.ledger.notes import Signer, checkpoint_text, signed_note
from service.ledger.verifier import Frontier
from service.persistence.log_reading import Head
from service.persistence.tables import checkpoints, events, logs, tree_hashes

CHUNK: Final = 1_000

Signers = Callable[[Connection], tuple[Signer, ...]]

_LEAVES: Final = (
    select(events.c.sequence, events.c.body, events.c.leaf_hash)
    .where(
        events.c.log == bindparam("log"),
        events.c.sequence >= bindparam("start"),
        events.c.sequence < bindparam("end"),
    )
    .order_by(events.c.sequence)
    .limit(CHUNK)
)
_INSERT_HASHES: Final = insert(tree_hashes)
_INSERT_CHECKPOINT: Final = insert(checkpoints)
_UPDATE_LOG: Final = update(logs).where(logs.c.log == bindparam("of_log"))


class GrowingTree:
    """One log's tree within one write transaction of that log."""

    def __init__(self, connection: Connection, head: Head, signers: Signers, end: int | None = None) -> None:
        """The tree with what a release that does not sign has appended since.

        head: as the transaction reads it, locked. signers: the keys that sign, asked for at the end.
        end: how far to go at first, the log's own end where None.

        Raises:
            LogCorrupt: the edge of the tree or a leaf's hash is not as it must be
        """
        self._connection = connection
        self._log = head.log
        self.log_id = head.log_id
        self.log_size = head.next_sequence
        self._origin = head.origin
        self._signers = signers
        self._frontier = frontier_of(head)
        self._full: list[dict[str, Any]] = []
        self._as_read = None if head.frontier is None else head.frontier_size
        self._take_in(head.next_sequence if end is None else end)

    @property
    def size(self) -> int:
        """Leaves so far."""
        return self._frontier.size

    @property
    def has_grown(self) -> bool:
        """Whether there is anything to write."""
        return self._as_read != self._frontier.size

    def append(self, leaf: bytes) -> None:
        """One more leaf; leaf: its hash, 32 bytes."""
        for level, position, digest in self._frontier.append(leaf):
            self._full.append({"log": self._log, "level": level, "position": position, "hash": digest})

    def finish(self, made_at: str, **ends: Any) -> StoredCheckpoint | None:
        """Writes the hashes of full tiles, one checkpoint for the end and the log's row, if anything grew.

        made_at: when, as the store writes instants. ends: further columns of the log's row.

        Returns:
            the checkpoint; None where there is nothing to write

        Raises:
            ConfigurationError: the keys cannot be read
        """
        if not self.has_grown:
            return None
        self._write_hashes()
        checkpoint = self._write_checkpoint(made_at)
        self._write_head(ends)
        return checkpoint

    def _write_hashes(self) -> None:
        if self._full:
            self._connection.execute(_INSERT_HASHES, self._full)

    def _write_checkpoint(self, made_at: str) -> StoredCheckpoint:
        row = checkpoint_row(
            self._log, self._origin, self._frontier.size, self._frontier.root(),
            self._signers(self._connection), made_at,
        )  # fmt: skip
        self._connection.execute(_INSERT_CHECKPOINT, row)
        return StoredCheckpoint(row["size"], row["root"], row["note"])

    def _write_head(self, ends: dict[str, Any]) -> None:
        columns = {
            "origin": self._origin,
            "frontier": self._frontier.as_bytes(),
            "frontier_size": self._frontier.size,
        }
        self._connection.execute(_UPDATE_LOG, {"of_log": self._log, **columns, **ends})

    def _take_in(self, end: int) -> None:
        """Takes in the entries up to `end`, each by its bytes: what is signed stays so for ever."""
        while self._frontier.size < end:
            start = self._frontier.size
            rows = self._connection.execute(_LEAVES, {"log": self._log, "start": start, "end": end}).all()
            if not rows:
                raise LogCorrupt("The log has a gap.", position=start, reason="position")
            for row in rows:
                if row.sequence != self._frontier.size:
                    raise LogCorrupt("The log has a gap.", position=self._frontier.size, reason="position")
                digest = leaf_hash(bytes(row.body))
                if digest != bytes(row.leaf_hash):
                    raise LogCorrupt(
                        "An entry's bytes differ from their hash.", position=row.sequence, reason="leaf-hash"
                    )
                self.append(digest)


def checkpoint_row(
    log: int, origin: str, size: int, root: bytes, signers: tuple[Signer, ...], made_at: str
) -> dict[str, Any]:
    """The row of a checkpoint, signed by every key that signs now."""
    note = signed_note(checkpoint_text(origin, size, root), origin, signers)
    return {"log": log, "size": size, "root": root, "note": note, "made_at": made_at}


def frontier_of(head: Head) -> Frontier:
    """The right edge that a log's row states; an empty one where the row states none.

    Raises:
        LogCorrupt: what it states is no edge of a tree of that size
    """
    if head.frontier is None or head.frontier_size is None:
        return Frontier()
    try:
        return Frontier.from_bytes(head.frontier_size, bytes(head.frontier))
    except ValueError as error:
        raise LogCorrupt(
            "The edge of the log's tree cannot be read.", position=None, reason="frontier"
        ) from error
