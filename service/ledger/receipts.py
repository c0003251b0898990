"""Receipts: one entry with its proof and the signed checkpoint, to be verified offline (C2SP tlog-proof)."""

from __future__ import annotations

import base64
from collections.abc import Sequence

from service.ledger.verifier import RECEIPT_MARK


def receipt(entry: bytes, index: int, proof: Sequence[bytes], checkpoint_note: bytes) -> bytes:
    """The receipt of an entry, with its exact bytes in the `extra` line.

    Args:
        entry: exact stored bytes; index: its place in the log; proof: of inclusion in the checkpoint's
            tree, from the leaf's sibling up; checkpoint_note: the signed checkpoint, as it was stored
    """
    lines = [
        RECEIPT_MARK,
        f"extra {base64.b64encode(entry).decode('ascii')}",
        f"index {index}",
        *(base64.b64encode(each).decode("ascii") for each in proof),
        "",
    ]
    return "\n".join(lines).encode("ascii") + b"\n" + checkpoint_note
