"""A log to be given away and tampered with: events of the service's form, and exports of them.

Hashes of trees are computed here from their definition (RFC 9162, section 2.1.1), not by the code
under test.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import pytest
from hypothesis import strategies as st

from service.canonical import canonical_bytes, parse_canonical
from service.ledger import exports
from service.ledger.notes import Signer, checkpoint_text, load_signers, new_private_key_pem, signed_note
from service.ledger.verifier import Checkpoint, Refused, VerifierKey, verify_export

ORIGIN = "hangers.example/log/5b0c9d1f5a7e4c3e8f2a6b7d1c0e9f34"
LOG_ID = "5b0c9d1f5a7e4c3e8f2a6b7d1c0e9f34"
SALT = bytes(range(32))

SUBJECTS = st.lists(
    st.sampled_from(["hanger/H1", "hanger/h1", "hanger/H2", "line/A", "plant"]), min_size=1, max_size=14
)


def signer(seed: int = 1) -> Signer:
    return load_signers(new_private_key_pem(bytes([seed]) * 32))[0]


KEY = signer().verifier_key(ORIGIN)


def leaf(body: bytes) -> bytes:
    return hashlib.sha256(b"\x00" + body).digest()


def tree_hash(leaves: Sequence[bytes]) -> bytes:
    """MTH of RFC 9162, section 2.1.1, over leaf hashes."""
    if not leaves:
        return hashlib.sha256(b"").digest()
    if len(leaves) == 1:
        return leaves[0]
    split = 1
    while split * 2 < len(leaves):
        split *= 2
    return hashlib.sha256(b"\x01" + tree_hash(leaves[:split]) + tree_hash(leaves[split:])).digest()


def root_of(bodies: Iterable[bytes]) -> bytes:
    return tree_hash([leaf(body) for body in bodies])


class Log:
    """Events of one log, each with what lies beside it."""

    def __init__(self, subjects: Sequence[str] = (), log_id: str = LOG_ID) -> None:
        self.log_id = log_id
        self.bodies: list[bytes] = []
        self.documents: dict[int, bytes] = {}
        self.texts: dict[int, dict[str, bytes]] = {}
        self._heads: dict[str, tuple[int, str]] = {}
        for subject in subjects:
            self.add(subject)

    def add(
        self,
        subject: str,
        /,
        data: Mapping[str, Any] | None = None,
        text: str | None = None,
        document: bytes | None = None,
        **changed: Any,
    ) -> None:
        """Appends an event. changed: members of it that shall be other than they should."""
        place = len(self.bodies)
        count, previous = self._heads.get(subject.casefold(), (0, None))
        content: dict[str, Any] = {"n": place} if data is None else dict(data)
        if text is not None:
            content["note"] = {"sha256": hashlib.sha256(SALT + text.encode()).hexdigest()}
            self.texts[place] = {"note": text.encode()}
        if document is not None:
            content |= {
                "document_sha256": hashlib.sha256(document).hexdigest(),
                "bytes": len(document),
                "media_type": "application/json",
            }
            self.documents[place] = document
        event = {
            "sequence": place,
            "id": f"019df192-7300-7a3c-9c41-{place:012x}",
            "log_id": self.log_id,
            "type": "hanger-inspected",
            "schema_version": 1,
            "subject": subject,
            "line": None if subject == "plant" else "MS-1",
            "subject_sequence": count,
            "previous": previous,
            "occurred_at": "2026-05-04T08:30:00+02:00",
            "recorded_at": f"2026-05-04T06:31:07.{place:06d}Z",
            "actor": "pr_0123456789abcdefghjkmnpqrs",
            "performed_by": "pr_0123456789abcdefghjkmnpqrs",
            "role": "recorder",
            "data": content,
            "corrects": None,
            "client_event_id": None,
            "request_id": f"request-{place}",
        }
        body = canonical_bytes(event | changed)
        self.bodies.append(body)
        self._heads[subject.casefold()] = (count + 1, leaf(body).hex())

    def checkpoint(self, size: int | None = None, origin: str = ORIGIN) -> Checkpoint:
        """What the log signs when it has this many events."""
        size = len(self.bodies) if size is None else size
        return Checkpoint(origin, size, root_of(self.bodies[:size]))

    def note(
        self, size: int | None = None, by: Sequence[Signer] | None = None, origin: str = ORIGIN
    ) -> bytes:
        """The signed checkpoint."""
        made = self.checkpoint(size, origin)
        return signed_note(checkpoint_text(origin, made.size, made.root), origin, by or [signer()])

    def export(
        self,
        start: int = 0,
        end: int | None = None,
        wanted: Mapping[str, Any] | None = None,
        rows: Sequence[int] | None = None,
        *,
        beside: bool = True,
        groups: bool = True,
        size: int | None = None,
        by: Sequence[Signer] | None = None,
        origin: str = ORIGIN,
    ) -> list[bytes]:
        """The lines of an export. rows: events that the filter lets through, the whole range for None."""
        size = len(self.bodies) if size is None else size
        given = range(start, size if end is None else end) if rows is None else rows
        tally = exports.RowTally()
        lines: list[bytes] = []
        for place in given:
            tally.append(leaf(self.bodies[place]))
            lines.append(self.bodies[place] + b"\n")
            if beside and place in self.documents:
                content = self.documents[place]
                lines.append(
                    exports.document_line(hashlib.sha256(content).hexdigest(), "application/json", content)
                )
            for field, text in self.texts.get(place, {}).items() if beside else ():
                lines.append(exports.text_line(place, field, SALT, text))
        root = base64.b64encode(root_of(self.bodies[place] for place in given)).decode()
        stated = canonical_bytes(dict(wanted or {}) | ({} if end is None else {"to": end})).decode()
        seal = (
            f"{origin}/export\nsize {size}\nfrom {start}\ncount {len(given)}\nroot {root}\nfilter {stated}\n"
        )
        note = signed_note(seal, origin, by or [signer()])
        checkpoint = self.note(size, by, origin)
        lines.append(exports.trailer_line(checkpoint, note, tally if groups else None))
        return lines


def key_of(seed: int = 1, origin: str = ORIGIN) -> VerifierKey:
    return signer(seed).verifier_key(origin)


def rewritten(line: bytes, **changed: Any) -> bytes:
    """An event's line that reads well but states something else."""
    return canonical_bytes({**parse_canonical(line.rstrip(b"\n")), **changed}) + b"\n"


def full_log() -> Log:
    """Eight events; the third has words, the fifth a document, the last one both."""
    log = Log(["plant", "hanger/H1"])
    log.add("hanger/H2", text="corroded at the clamp")
    log.add("hanger/h1")
    log.add("line/A", document=b'{"elements":[]}')
    log.add("hanger/H2")
    log.add("plant")
    log.add("hanger/H1", text="moved by 2 mm", document=b'{"elements":[1]}')
    return log


def refusal(lines: list[bytes], *args: Any, **given: Any) -> tuple[str, int | None]:
    """Reason and position for which an export is refused."""
    with pytest.raises(Refused) as refused:
        verify_export(lines, *(args or ([KEY],)), **given)
    return refused.value.reason, refused.value.position
