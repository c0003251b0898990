"""The stored tree and the signed checkpoints of a log, held against hashes computed from its bytes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Final

from sqlalchemy import Connection, bindparam, func, select

from service.canonical import parse_canonical
from service.domain.ports import StoredCheckpoint
from service.errors import LogCorrupt
from service.ledger.verifier import Checkpoint, Frontier, Refused, VerifierKey, open_checkpoint, parse_note
from service.persistence.log_reading import Head
from service.persistence.tables import checkpoints, events, signing_keys, tree_hashes

_HASHES: Final = select(tree_hashes.c.level, tree_hashes.c.position, tree_hashes.c.hash).where(
    tree_hashes.c.log == bindparam("log"),
    tree_hashes.c.level == bindparam("level"),
    tree_hashes.c.position.between(bindparam("first"), bindparam("last")),
)
_EXTENT: Final = (
    select(tree_hashes.c.level, func.count().label("tiles"), func.max(tree_hashes.c.position).label("last"))
    .where(tree_hashes.c.log == bindparam("log"))
    .group_by(tree_hashes.c.level)
)
_KEY_EVENTS: Final = (
    select(events.c.sequence, events.c.type, events.c.recorded_at, events.c.body)
    .where(events.c.log == bindparam("log"), events.c.type.in_(("signing-key-added", "signing-key-retired")))
    .order_by(events.c.sequence)
)
_CHECKPOINTS: Final = (
    select(checkpoints.c.size, checkpoints.c.root, checkpoints.c.note)
    .where(
        checkpoints.c.log == bindparam("log"),
        checkpoints.c.size >= bindparam("first"),
        checkpoints.c.size <= bindparam("last"),
    )
    .order_by(checkpoints.c.size)
)


def listed_keys(connection: Connection) -> tuple[bytes, ...]:
    """The public keys that sign or did, 32 bytes each."""
    return tuple(map(bytes.fromhex, connection.execute(select(signing_keys.c.public_key)).scalars()))


def check_listed_keys(connection: Connection, log: int) -> None:
    """Holds the list of keys against the events by which keys came and went.

    log: number of the service's own log. connection: in a transaction that sees one state.

    Raises:
        LogCorrupt: facts `position`, of the last such event, and `reason`, `wrong-key`
    """
    said: dict[str, tuple[str, str | None]] = {}
    last = None
    for row in connection.execute(_KEY_EVENTS, {"log": log}):
        key = str(parse_canonical(bytes(row.body))["data"]["public_key"])
        since = said.get(key, (row.recorded_at, None))[0]
        said[key] = (since, row.recorded_at if row.type == "signing-key-retired" else None)
        last = row.sequence
    rows = connection.execute(select(signing_keys))
    listed = {row.public_key: (row.since_at, row.until_at) for row in rows}
    if listed != said:
        raise LogCorrupt(
            "The list of keys is not what the service's log says of them.", position=last, reason="wrong-key"
        )


def opened(note: bytes, keys: Sequence[bytes], position: int | None = None) -> Checkpoint:
    """The checkpoint of a stored note, verified by one of the public keys under the note's own origin.

    Raises:
        LogCorrupt: facts `position`, as given, and `reason`: `malformed`, `signature` or `wrong-key`
    """
    try:
        name = parse_note(note).text.partition("\n")[0]
        return open_checkpoint(note, [VerifierKey(name, key) for key in keys])
    except Refused as refused:
        raise LogCorrupt(
            "A stored checkpoint does not verify.", position=position, reason=refused.reason
        ) from refused


def check_note(stored: StoredCheckpoint, keys: Sequence[bytes]) -> Checkpoint:
    """The checkpoint of a stored row, whose note must say what its columns say.

    Raises:
        LogCorrupt: as `opened`, the position being the row's size; or `altered`
    """
    checkpoint = opened(stored.note, keys, stored.size)
    if (checkpoint.size, checkpoint.root) != (stored.size, stored.root):
        raise LogCorrupt(
            "A stored checkpoint says other than its note.", position=stored.size, reason="altered"
        )
    return checkpoint


def is_former(origin: str, present: str) -> bool:
    """Whether a log that signs as `present` signed as `origin` before a loss was declared: `ORIGIN/N`."""
    base, _, number = present.rpartition("/")
    if base != origin and origin.rpartition("/")[0] == base:
        before = origin.rpartition("/")[2]
        return number.isdecimal() and before.isdecimal() and int(before) < int(number)
    return base == origin and number.isdecimal()


class TreeCheck:
    """Checks a log's tree from leaf hashes in order; each `accept` agrees with all before or raises."""

    def __init__(self, log: int, keys: Sequence[bytes] | None) -> None:
        """log: its number in the tables. keys: that may have signed, or None: notes are not opened."""
        self._log = log
        self._keys = keys
        self._frontier = Frontier()
        self._waiting: list[bytes] = []  # leaves beyond what the tree in the tables has taken in
        self._vouched = 0  # size of the last checkpoint that agreed

    def accept(self, connection: Connection, leaves: Sequence[bytes], end: int) -> None:
        """Takes in the next leaf hashes, at most a few thousand.

        connection: in a transaction that sees the tree of `end` leaves, perhaps of more.

        Raises:
            LogCorrupt: facts `position`, the first that nothing vouches for, and `reason`
        """
        self._waiting += leaves
        start = self._frontier.size
        ready = self._waiting[: max(end - start, 0)]
        marks = self._marks(connection, start + 1 if start else 0, start + len(ready))
        full: list[tuple[int, int, bytes]] = []
        self._compare(marks)
        for leaf in ready:
            full += self._frontier.append(leaf)
            self._compare(marks)
        del self._waiting[: len(ready)]
        self._compare_tiles(connection, full)

    def finish(self, head: Head) -> None:
        """Compares the edge of the tree in the log's row. head: as it was, or is, where the leaves end.

        Raises:
            LogCorrupt: as `accept`
        """
        edge = (head.frontier_size or 0, bytes(head.frontier or b""))
        if edge != (self._frontier.size, self._frontier.as_bytes()):
            raise LogCorrupt(
                "The edge of the log's tree is not that of its entries.",
                position=self._vouched,
                reason="frontier",
            )

    def _marks(self, connection: Connection, first: int, last: int) -> list[StoredCheckpoint]:
        """Stored checkpoints of these sizes, the greatest first."""
        rows: Any = connection.execute(_CHECKPOINTS, {"log": self._log, "first": first, "last": last})
        return [StoredCheckpoint(row.size, bytes(row.root), bytes(row.note)) for row in rows][::-1]

    def _compare(self, marks: list[StoredCheckpoint]) -> None:
        if not marks or marks[-1].size != self._frontier.size:
            return
        mark = marks.pop()
        if self._frontier.root() != mark.root:
            raise LogCorrupt(
                "The log's entries are not those of a checkpoint.", position=self._vouched, reason="forked"
            )
        if self._keys is not None:
            check_note(mark, self._keys)
        self._vouched = mark.size

    def _compare_tiles(self, connection: Connection, full: Sequence[tuple[int, int, bytes]]) -> None:
        for level in sorted({each[0] for each in full}):
            wanted = {position: digest for at, position, digest in full if at == level}
            rows: Any = connection.execute(
                _HASHES,
                {"log": self._log, "level": level, "first": min(wanted), "last": max(wanted)},
            )
            found = {row.position: bytes(row.hash) for row in rows}
            for position, digest in wanted.items():
                if found.get(position) != digest:
                    raise _tiles_differ(position * 256**level)


def _tiles_differ(position: int | None) -> LogCorrupt:
    return LogCorrupt("A hash of the stored tree is missing or differs.", position=position, reason="altered")


def unvouched(
    root_at: Callable[[int], bytes], first_from: Callable[[int, int], StoredCheckpoint | None], size: int
) -> int:
    """The first place that no stored checkpoint vouches for, of a log whose checkpoint of `size` disagrees.

    A tree that departs from its checkpoints departs from all later ones too, so that halving finds
    the last one which agrees.

    Args:
        root_at: root over so many leaves, from the stored hashes
        first_from: the smallest stored checkpoint of a size from `low` to `end`, exclusive, or None
        size: of a checkpoint that disagrees
    """
    good = 0
    low, high = 0, size  # checkpoints of sizes from low to high, exclusive, have not been looked at
    while low < high:
        middle = (low + high) // 2
        found = first_from(middle, high)
        if found is None or root_at(found.size) != found.root:
            high = middle
        else:
            good, low = found.size, found.size + 1
    return good


def check_extent(connection: Connection, head: Head) -> None:
    """Holds the number of stored tiles against the size of the tree, without looking into them.

    connection: in the transaction in which the head was read.

    Raises:
        LogCorrupt: facts `position` and `reason`
    """
    size, found = head.frontier_size or 0, {}
    for level, tiles, last in connection.execute(_EXTENT, {"log": head.log}):
        found[level] = (tiles, last + 1)
    level = 1
    while size >> 8 * level or found:
        wanted = size >> 8 * level
        if found.pop(level, (0, 0)) != (wanted, wanted):
            raise _tiles_differ(None)
        level += 1
