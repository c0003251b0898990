"""Proofs: signed checkpoints, tiles of the tree, inclusion, consistency and receipts of events.

Only what is stored and signed is given out: a proof leads to a size for which a checkpoint was stored
with the append that it covers, and tiles reach as far as the newest checkpoint does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from service.application.context import Context, nothing_there, plant_in_scope, require
from service.application.log import begin_within, not_signed_yet, visible_event
from service.domain.ports import LogReader, SigningKey, StoredCheckpoint, StoredEvent
from service.errors import Finding, InvalidParameter, LogCorrupt
from service.ledger import receipts, tiles, tree
from service.ledger.verifier import Refused, leaf_hash, verify_inclusion


@dataclass(frozen=True)
class Keys:
    """By what a log's checkpoints are verified. origins: those it signs and has signed under, newest first.

    keys: those that sign first.
    """

    origins: tuple[str, ...]
    keys: Sequence[SigningKey]


@dataclass(frozen=True)
class Inclusion:
    """That an event stands in the tree of a checkpoint. proof: hashes from the leaf's sibling upwards."""

    log_id: str
    sequence: int
    leaf_hash: str
    proof: Sequence[bytes]
    checkpoint: StoredCheckpoint


@dataclass(frozen=True)
class Consistency:
    """That the tree of `first` events is a prefix of the checkpoint's. proof: as RFC 9162 orders it."""

    log_id: str
    first: int
    proof: Sequence[bytes]
    checkpoint: StoredCheckpoint


def _read_log(context: Context, plant: str) -> None:
    require(context, "read_log")
    plant_in_scope(context, plant)


def _signed(reader: LogReader) -> StoredCheckpoint:
    newest = reader.checkpoint()
    if newest is None:
        raise not_signed_yet(None)
    return newest


def _signed_at(reader: LogReader, size: int | None, name: str) -> StoredCheckpoint:
    """The checkpoint stored for this size; the newest one for None. Errors: InvalidParameter."""
    if size is None:
        return _signed(reader)
    found = reader.checkpoint(size)
    if found is None:
        near = reader.checkpoint_covering(size)
        newest = _signed(reader).size
        accepted = f"a size at which the log was signed, as {newest}, the newest"
        if near is not None and near.size != newest:
            accepted = f"{accepted}, or {near.size}, the next after the one given"
        raise InvalidParameter(
            "No checkpoint is stored for this size.",
            errors=[
                Finding("query", "signed-size", "no checkpoint has this size", name=name, accepted=accepted)
            ],
        )
    return found


def get_checkpoint(context: Context, plant: str) -> StoredCheckpoint:
    """The newest signed checkpoint: it covers every event whose write was acknowledged."""
    _read_log(context, plant)
    with context.store.read(plant) as reader:
        return _signed(reader)


def get_keys(context: Context, plant: str) -> Keys:
    """Public keys, present and past, and the origins under which they have signed this log."""
    _read_log(context, plant)
    with context.store.read(plant) as reader:
        origin, log_id = reader.origin, reader.log_id
    with context.store.read_service() as service:
        keys = sorted(service.known_keys(), key=lambda key: key.until is not None)
    return Keys(origins_of(origin, log_id), keys)


def origins_of(origin: str, log_id: str) -> tuple[str, ...]:
    """Every origin that the log has signed under, newest first.

    A log begins as `.../LOG_ID`; each declared loss gives it the next number: `.../LOG_ID/2`, `.../3`.
    """
    before, found, number = origin.rpartition(f"{log_id}/")
    if not found or not number.isdecimal():
        return (origin,)
    first = before + log_id
    return (*(f"{first}/{each}" for each in range(int(number), 1, -1)), first)


# --- tiles ----------------------------------------------------------------------------------------
def _whole_plant(context: Context, plant: str) -> None:
    """Tiles are for principals of the whole plant: they show every line. Errors: NotFound."""
    _read_log(context, plant)
    if context.principal.lines is not None:
        raise nothing_there()


def get_tile(context: Context, plant: str, wanted: tiles.Tile) -> bytes:
    """The hashes of one tile, or the entries of one bundle, as C2SP tlog-tiles orders them.

    Errors: NotFound for one that the newest checkpoint does not reach yet.
    """
    _whole_plant(context, plant)
    start, end = wanted.entries()
    with context.store.pull(plant, end - 1) as reader:
        if not wanted.exists(_signed(reader).size):
            raise nothing_there()
        if wanted.level is not None:
            return tiles.tile(reader, wanted.level, wanted.index, wanted.width)
        bodies = reader.bodies(start, end)
    return tiles.entry_bundle(bodies)


# --- proofs ---------------------------------------------------------------------------------------
def prove_inclusion(context: Context, plant: str, sequence: int, size: int | None) -> Inclusion:
    """That the event stands in the log as signed at `size`, the newest checkpoint's for None.

    Errors: NotFound for an event that is absent or hidden, InvalidParameter for a size without a stored
    checkpoint or one that does not reach the event.
    """
    _read_log(context, plant)
    with context.store.read(plant) as reader:
        stored = visible_event(context, reader, plant, sequence)
        checkpoint = _reaching(reader, sequence, size)
        proof = _proof(reader, stored, checkpoint)
        return Inclusion(reader.log_id, sequence, stored.leaf_hash, proof, checkpoint)


def _proof(reader: LogReader, stored: StoredEvent, checkpoint: StoredCheckpoint) -> list[bytes]:
    """The event's proof of inclusion. Errors: LogCorrupt where it proves nothing of the bytes stored."""
    sequence, size = stored.event.sequence, checkpoint.size
    proof = tree.inclusion_proof(reader, sequence, size)
    try:
        verify_inclusion(leaf_hash(stored.body), sequence, size, proof, checkpoint.root)
    except Refused as error:
        raise LogCorrupt(
            "The stored event is not the one that was signed.", position=sequence, reason=error.reason
        ) from error
    return proof


def _reaching(reader: LogReader, sequence: int, size: int | None) -> StoredCheckpoint:
    """A checkpoint that covers the event. Errors: InvalidParameter, StoreBusy while none covers it."""
    checkpoint = _signed_at(reader, size, "size")
    if checkpoint.size > sequence:
        return checkpoint
    if size is None:
        raise not_signed_yet(checkpoint)
    raise InvalidParameter(
        "The log had not reached this event at this size.",
        errors=[
            Finding(
                "query",
                "reaches-the-event",
                "too small",
                name="size",
                accepted=f"a signed size above {sequence}",
            )
        ],
    )


def prove_consistency(context: Context, plant: str, first: int, second: int | None) -> Consistency:
    """That the log of `first` events is a prefix of the log as signed at `second`, the newest for None.

    Errors: InvalidParameter for a second size without a stored checkpoint, or a first beyond it.
    """
    _read_log(context, plant)
    with context.store.read(plant) as reader:
        checkpoint = _signed_at(reader, second, "second")
        begin_within(first, checkpoint.size, "first")
        proof = tree.consistency_proof(reader, first, checkpoint.size)
        return Consistency(reader.log_id, first, proof, checkpoint)


def get_receipt(context: Context, plant: str, sequence: int, size: int | None) -> tuple[str, bytes]:
    """A receipt that is verified offline, and the name of its file without its ending.

    It holds the event's exact bytes, its proof of inclusion and the signed checkpoint (C2SP tlog-proof).
    """
    _read_log(context, plant)
    with context.store.read(plant) as reader:
        stored = visible_event(context, reader, plant, sequence)
        checkpoint = _reaching(reader, sequence, size)
        proof = _proof(reader, stored, checkpoint)
        made = receipts.receipt(stored.body, sequence, proof, checkpoint.note)
        return f"{reader.plant}-{sequence}", made
