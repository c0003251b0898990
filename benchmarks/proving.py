"""Verifying beside plain SHA-256 over the same bytes, proofs beside reading the event, signatures."""

from __future__ import annotations

import hashlib
import random
from typing import Final

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from benchmarks.measure import Row, by_turns, expect, plausible, say, show
from benchmarks.plant import EVERYTHING, PLANT, BenchPlant
from service.application import log, proofs
from service.application.context import Context
from service.ledger.hashing import leaf_hash
from service.ledger.notes import checkpoint_text, load_signers, signed_note
from service.ledger.verifier import (
    RowTally,
    VerifierKey,
    open_checkpoint,
    verify_consistency,
    verify_export,
    verify_inclusion,
)

EXPORTED: Final = 20_000  # events
VERIFY_ROUNDS: Final = 7
PROOFS: Final = 100  # in a burst
PROOF_ROUNDS: Final = 15
_PIECE: Final = 1 << 20


def measure_verifying(plant: BenchPlant) -> list[Row]:
    """Prints the rates of verifying an export.

    Raises:
        Nonsense: the verifier counts other events than were exported.
    """
    count = min(EXPORTED, plant.size)
    context = plant.auditor()
    whole = b"".join(log.export_events(context, PLANT, EVERYTHING, 0, count, log.Export()))
    lines = whole.splitlines(keepends=True)
    keys = _keys(context)
    entries = [line[:-1] for line in lines[:-1]]
    expect("lines of the export", len(entries), count)

    def plain() -> int:
        digest = hashlib.sha256()
        for start in range(0, len(whole), _PIECE):
            digest.update(whole[start : start + _PIECE])
        return len(entries) if digest.digest() else 0

    def leaves() -> int:
        return len([leaf_hash(entry) for entry in entries])

    def rooted() -> int:
        tally = RowTally()
        for entry in entries:
            tally.append(leaf_hash(entry))
        return tally.size if tally.root() else 0

    rows = by_turns(
        [
            ("SHA-256 of the file, in pieces of 1 MiB", plain),
            ("SHA-256 of each event", leaves),
            ("the tree's root over them", rooted),
            (
                "verified: root, order, chains, every entry read",
                lambda: verify_export(lines, keys).seal.count,
            ),
        ],
        VERIFY_ROUNDS,
    )
    show(f"Verifying an export of {count:,} events, {len(whole) / 1e6:.1f} MB", rows, "events")
    plain_mb, verified_mb = (rows[each].rate * len(whole) / count / 1e6 for each in (0, 3))
    say(f"in MB/s: SHA-256 {plain_mb:.0f}, verified {verified_mb:.0f}")
    plausible("verifying beside SHA-256", rows[3].ratio, 1.0, 1000.0)
    return rows


def measure_proofs(plant: BenchPlant) -> list[Row]:
    """Prints the rates of proofs and signatures; every proof made is one that verifies.

    Raises:
        Refused: a proof does not verify.
    """
    context, size = plant.auditor(), plant.size
    chance = random.Random(1)
    keys = _keys(context)
    newest = open_checkpoint(proofs.get_checkpoint(context, PLANT).note, keys)
    expect("size of the newest checkpoint", newest.size, size)
    signed = _signed_sizes(plant, size)

    def read() -> int:
        for _ in range(PROOFS):
            log.get_event(context, PLANT, chance.randrange(size))
        return PROOFS

    def included() -> int:
        for _ in range(PROOFS):
            place = chance.randrange(size)
            made = proofs.prove_inclusion(context, PLANT, place, None)
            verify_inclusion(bytes.fromhex(made.leaf_hash), place, size, made.proof, newest.root)
        return PROOFS

    def consistent() -> int:
        for _ in range(PROOFS):
            first, root = chance.choice(signed)
            made = proofs.prove_consistency(context, PLANT, first, None)
            verify_consistency(first, root, size, newest.root, made.proof)
        return PROOFS

    def receipts() -> int:
        return len([proofs.get_receipt(context, PLANT, chance.randrange(size), None) for _ in range(PROOFS)])

    rows = by_turns(
        [
            ("one event read from the store", read),
            ("proof of inclusion, made and verified", included),
            ("proof of consistency, made and verified", consistent),
            ("receipt", receipts),
        ],
        PROOF_ROUNDS,
    )
    show(f"Proofs in a log of {size:,} events, without HTTP", rows, "proofs")
    return rows + measure_signing(plant)


def measure_signing(plant: BenchPlant) -> list[Row]:
    """Prints the rate of signed checkpoints beside bare signatures of the same text."""
    signers = load_signers(plant.settings.signing_key_file.read_bytes())
    origin, root = "hangers.example/log", hashlib.sha256(b"").digest()
    text = checkpoint_text(origin, 100_000, root).encode("utf-8")
    bare = Ed25519PrivateKey.generate()

    def signed() -> int:
        return len([bare.sign(text) for _ in range(PROOFS)])

    def noted() -> int:
        made = [signed_note(checkpoint_text(origin, size, root), origin, signers) for size in range(PROOFS)]
        return len(made)

    rows = by_turns([("bare Ed25519 signature", signed), ("signed checkpoint", noted)], PROOF_ROUNDS)
    show("Signing", rows, "notes")
    return rows


def _keys(context: Context) -> list[VerifierKey]:
    found = proofs.get_keys(context, PLANT)
    return [VerifierKey(found.origins[0], bytes.fromhex(key.public_key)) for key in found.keys]


def _signed_sizes(plant: BenchPlant, size: int) -> list[tuple[int, bytes]]:
    """Size and root of checkpoints stored here and there in the log."""
    with plant.store.read(PLANT) as reader:
        found = [reader.checkpoint_covering(1 + place * (size - 2) // 40) for place in range(40)]
    return sorted({(each.size, each.root) for each in found if each is not None})
