"""The log as a tree: signed checkpoints, the keys behind them, tiles and proofs."""

from __future__ import annotations

import base64
import gzip
from collections.abc import Sequence
from typing import Any, Final

from flask import Response, request

from service.application import proofs
from service.http import answers
from service.http.bodies import JSON
from service.http.documents import Document
from service.http.log_queries import ConsistencyQuery, InclusionQuery
from service.http.operations import Call, EdgeBlueprint, Operation, Reply, operation
from service.http.replies import document_reply
from service.ledger.tiles import Tile, parse_index
from service.ledger.verifier import VerifierKey

blueprint = EdgeBlueprint(
    "ledger", __name__, description="What makes the log provable: checkpoints, keys, tiles and proofs."
)

TEXT: Final = "text/plain"
OCTETS: Final = "application/octet-stream"
# A tile that exists never changes. It is for the token's eyes, so that no shared cache keeps it.
FOR_EVER: Final = "private, max-age=31536000, immutable"

_ROLES: Final = " Roles: engineer, integrator, auditor."
_WHOLE: Final = " Roles: engineer, integrator, auditor; not for a token scoped to lines, which gets 404."


@operation(
    blueprint,
    Operation(
        "getLogCheckpoint",
        "GET",
        "/v1/plants/<plant>/log/checkpoint",
        "Read the newest signed checkpoint",
        "The log's size and root hash, signed (C2SP tlog-checkpoint). It is made and stored with the append "
        "that it covers: every event whose write was acknowledged stands under it. Keep the last one that "
        "you verified: with it any later rewriting shows." + _ROLES,
        {200: Reply("The signed note, as it was stored.", {TEXT: {"type": "string"}})},
        formats=(TEXT,),
        errors=("not-permitted",),
    ),
)
def get_log_checkpoint(call: Call, plant: str) -> Response:
    """The newest signed checkpoint."""
    return answers.text_answer(proofs.get_checkpoint(call.context, plant).note)


@operation(
    blueprint,
    Operation(
        "getLogKey",
        "GET",
        "/v1/plants/<plant>/log/key",
        "Read the keys that verify the log",
        "Every key that signs or has signed this log, as verifier keys (C2SP signed-note), for each origin "
        "that the log has signed under; those that sign now first. As text: one verifier key a line. Keep "
        "the keys when you first trust the log: a key fetched together with what it is to verify proves "
        "nothing." + _ROLES,
        {200: Reply("The keys.", {JSON: Document("log-key"), TEXT: {"type": "string"}})},
        formats=(JSON, TEXT),
        errors=("not-permitted",),
    ),
)
def get_log_key(call: Call, plant: str) -> Response:
    """The keys that verify the log."""
    found = proofs.get_keys(call.context, plant)
    items = [
        {
            "vkey": str(made),
            "origin": origin,
            "public_key": key.public_key,
            "key_id": made.key_id.hex(),
            "since": key.since,
            "until": key.until,
        }
        for origin in found.origins
        for key in found.keys
        for made in [VerifierKey(origin, bytes.fromhex(key.public_key))]
    ]
    if call.media == TEXT:
        return answers.text_answer("".join(f"{item['vkey']}\n" for item in items).encode("utf-8"))
    return answers.json_answer({"origin": found.origins[0], "keys": items})


@operation(
    blueprint,
    Operation(
        "getLogTile",
        "GET",
        "/v1/plants/<plant>/log/tile/<level>/<path:tile>",
        "Read a tile of the tree",
        "The hashes of one tile (C2SP tlog-tiles): 256 of 32 bytes, or as many as the width of a partial "
        "tile says. A tile never changes. 404 for one that does not exist yet." + _WHOLE,
        {200: Reply("The hashes, one after the other.", {OCTETS: None})},
        formats=(OCTETS,),
        errors=("not-permitted",),
    ),
)
def get_log_tile(call: Call, plant: str, level: str, tile: str) -> Response:
    """The hashes of one tile."""
    return _octets(proofs.get_tile(call.context, plant, Tile(int(level), *parse_index(tile))))


@operation(
    blueprint,
    Operation(
        "getLogEntries",
        "GET",
        "/v1/plants/<plant>/log/tile/entries/<path:tile>",
        "Read a bundle of entries",
        "The exact bytes of 256 events, or as many as the width says, each behind its length in two bytes, "
        "most significant first (C2SP tlog-tiles); compressed with gzip where the client accepts it. A "
        "bundle never changes. 404 for one that does not exist yet." + _WHOLE,
        {200: Reply("The entries, one after the other.", {OCTETS: None})},
        formats=(OCTETS,),
        errors=("not-permitted",),
    ),
)
def get_log_entries(call: Call, plant: str, tile: str) -> Response:
    """The exact bytes of a bundle of events."""
    body = proofs.get_tile(call.context, plant, Tile(None, *parse_index(tile)))
    packed = request.accept_encodings["gzip"] > 0
    response = _octets(gzip.compress(body, compresslevel=6, mtime=0) if packed else body)
    if packed:
        response.headers["Content-Encoding"] = "gzip"
    response.headers["Vary"] = "Authorization, Accept-Encoding"
    return response


def _octets(body: bytes) -> Response:
    response = Response(body, content_type=OCTETS)
    response.headers["Cache-Control"] = FOR_EVER
    response.headers["Vary"] = "Authorization"
    return response


@operation(
    blueprint,
    Operation(
        "getInclusionProof",
        "GET",
        "/v1/plants/<plant>/log/proofs/inclusion",
        "Prove that an event stands in the log",
        "The hashes that lead from the event's leaf to the root of a signed checkpoint (RFC 9162, 2.1.3), "
        "with that checkpoint: without it they would bind nothing." + _ROLES,
        {200: document_reply("inclusion-proof", "The proof and its signed checkpoint.")},
        query=InclusionQuery,
        errors=("not-permitted", "not-found"),
    ),
)
def get_inclusion_proof(call: Call, plant: str) -> Response:
    """That an event stands in the log."""
    found = proofs.prove_inclusion(call.context, plant, call.query["sequence"], call.query.get("size"))
    return answers.json_answer(
        {
            "log_id": found.log_id,
            "sequence": found.sequence,
            "leaf_hash": found.leaf_hash,
            "size": found.checkpoint.size,
            "proof": _base64(found.proof),
            "checkpoint": found.checkpoint.note.decode("utf-8"),
        }
    )


@operation(
    blueprint,
    Operation(
        "getConsistencyProof",
        "GET",
        "/v1/plants/<plant>/log/proofs/consistency",
        "Prove that the log only grew",
        "The hashes that show the log of `first` events to be a prefix of the log of `second` events (RFC "
        "9162, 2.1.4), with the signed checkpoint of the second size. `first` is the size of a checkpoint "
        "that you hold." + _ROLES,
        {200: document_reply("consistency-proof", "The proof and the later checkpoint.")},
        query=ConsistencyQuery,
        errors=("not-permitted",),
    ),
)
def get_consistency_proof(call: Call, plant: str) -> Response:
    """That the log only grew."""
    found = proofs.prove_consistency(call.context, plant, call.query["first"], call.query.get("second"))
    return answers.json_answer(
        {
            "log_id": found.log_id,
            "first": found.first,
            "second": found.checkpoint.size,
            "proof": _base64(found.proof),
            "checkpoint": found.checkpoint.note.decode("utf-8"),
        }
    )


def _base64(hashes: Sequence[bytes]) -> list[Any]:
    return [base64.b64encode(each).decode("ascii") for each in hashes]
