"""The lines of an export: what stands beside the exact bytes of the events, and the trailer that ends it.

An export is text of lines. Each event is one line, the exact stored bytes. Behind an event may
stand the document that it names and the words that it has a digest of. The last line is the
trailer: the signed checkpoint of the log, and a seal, a signed note over the rows that were given.
A file without trailer was cut off; one whose rows do not give the seal's root was altered.

The seal's text, one thing a line, under the key name of the log's origin:

    ORIGIN/export
    size N          entries of the log that the checkpoint covers
    from K          sequence from which the rows were asked for
    count C         rows given
    root BASE64     tree hash (RFC 9162) over the leaf hashes of the given rows in their order
    filter JSON     the filter in canonical form, {} for none

A range that ends before the log does has its end, `to`, in the filter. Beside the seal the trailer
has the hashes of the rows in groups of 1, 2, 4 ... rows. They add up to the seal's root, and let the
verifier say where a file departs from it.
"""

from __future__ import annotations

import base64

from service.canonical import canonical_bytes
from service.ledger.verifier import EXPORT_SUFFIX, RowTally

__all__ = ["RowTally", "document_line", "seal_text", "text_line", "trailer_line"]


def document_line(digest: str, media_type: str, content: bytes) -> bytes:
    """The line of a document, behind the event that names it, with its newline.

    digest: SHA-256 in hex. content: the document's exact bytes.
    """
    encoded = base64.b64encode(content).decode("ascii")
    return _line({"document": {"base64": encoded, "media_type": media_type, "sha256": digest}})


def text_line(sequence: int, field: str, salt: bytes, text: bytes) -> bytes:
    """The line of words not erased, behind their event, with its newline. text: in UTF-8."""
    words = {"field": field, "salt": salt.hex(), "sequence": sequence, "text": text.decode("utf-8")}
    return _line({"text": words})


def seal_text(origin: str, size: int, start: int, count: int, root: bytes, filter: str) -> str:
    """The text of a seal, to be signed under the log's origin.

    Args:
        origin: the log's name; size: entries that the checkpoint covers; start: sequence from which the
            rows were asked for; count: rows given; root: tree hash over their leaf hashes, 32 bytes;
            filter: in canonical JSON
    """
    encoded = base64.b64encode(root).decode("ascii")
    return (
        f"{origin}{EXPORT_SUFFIX}\nsize {size}\nfrom {start}\ncount {count}\nroot {encoded}\n"
        f"filter {filter}\n"
    )


def trailer_line(checkpoint_note: bytes, seal_note: bytes, rows: RowTally | None = None) -> bytes:
    """The last line of an export, with its newline.

    Args:
        checkpoint_note: the signed checkpoint of the log, as it was stored; seal_note: the signed seal;
            rows: has taken in the leaf hash of each row given, for their hashes in groups; None leaves
            these out, so that the verifier cannot say where an altered file departs
    """
    trailer: dict[str, object] = {
        "checkpoint": checkpoint_note.decode("utf-8"),
        "seal": seal_note.decode("utf-8"),
    }
    if rows is not None:
        hashes = base64.b64encode(b"".join(rows.groups())).decode("ascii")
        trailer["groups"] = {"hashes": hashes, "rows": rows.width}
    return _line({"trailer": trailer})


def _line(document: dict[str, object]) -> bytes:
    return canonical_bytes(document) + b"\n"
