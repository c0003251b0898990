"""Events: what the log holds, before and after it has a place there.

An event is never changed or removed; a correction is a new event that names the one it
corrects. `TYPES` is the closed list of event types: words of this service, never module
paths, so that renaming code breaks no stored data.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

TYPES: Final[Mapping[str, int]] = {
    # type -> schema version now written
    "plant-recorded": 1,
    "line-recorded": 1,
    "hanger-recorded": 1,
    "criteria-recorded": 1,
    "line-model-recorded": 1,
    "hanger-transferred": 1,
    "hanger-retired": 1,
    "register-changed": 1,
    "hanger-inspected": 1,
    "line-inspected": 1,
    "reading-taken": 1,
    "adjuster-turned": 1,
    "stop-noted": 1,
    "transition-made": 1,
    "line-authorised": 1,
    "authorisation-ended": 1,
    "concession-granted": 1,
    "text-erased": 1,
    "webhook-registered": 1,
    "webhook-changed": 1,
    "webhook-removed": 1,
    "loss-declared": 1,
    # service log
    "principal-registered": 1,
    "token-issued": 1,
    "token-revoked": 1,
    "plant-opened": 1,
    "name-erased": 1,
    "signing-key-added": 1,
    "signing-key-retired": 1,
}

CORRECTABLE: Final[frozenset[str]] = frozenset(
    {"hanger-inspected", "line-inspected", "reading-taken", "adjuster-turned", "stop-noted"}
)

# Free text never enters a leaf: the leaf holds a salted digest and the words stay beside it.
FREE_TEXT_FIELDS: Final[tuple[str, ...]] = ("note", "reason", "limits")


@dataclass(frozen=True)
class NewEvent:
    """An event that has no place in the log yet.

    subject: `plant`, `line/KEY`, `line-model/KEY`, `hanger/MARK`, `criteria`, `webhook/ID` or `service/...`.
    line: the line the subject belonged to when it happened, or None.
    occurred_at: RFC 3339 with offset, as given on site. data: JSON values only, without free text.
    texts: free text by field name; document: bytes of a large body that `data` names by digest.
    """

    type: str
    subject: str
    occurred_at: str
    actor: str
    performed_by: str
    role: str
    data: Mapping[str, Any]
    request_id: str
    line: str | None = None
    texts: Mapping[str, str] = field(default_factory=dict)
    corrects: int | None = None
    client_event_id: str | None = None
    document: bytes | None = None
    document_media_type: str = "application/json"


@dataclass(frozen=True)
class Event:
    """An event with its place. recorded_at: UTC, six decimals, never before its predecessor's.

    previous: leaf hash (hex) of the subject's last event before this one, or None for its first.
    leaf_hash: RFC 9162 leaf hash (hex) of the exact canonical bytes stored.
    """

    sequence: int
    id: str
    log_id: str
    type: str
    schema_version: int
    subject: str
    line: str | None
    subject_sequence: int
    previous: str | None
    occurred_at: str
    recorded_at: str
    actor: str
    performed_by: str
    role: str
    data: Mapping[str, Any]
    corrects: int | None
    client_event_id: str | None
    request_id: str
    leaf_hash: str = ""

    def as_document(self) -> dict[str, Any]:
        """The leaf as JSON (without its own hash): exactly the keys of schemas/event."""
        return {
            "sequence": self.sequence,
            "id": self.id,
            "log_id": self.log_id,
            "type": self.type,
            "schema_version": self.schema_version,
            "subject": self.subject,
            "line": self.line,
            "subject_sequence": self.subject_sequence,
            "previous": self.previous,
            "occurred_at": self.occurred_at,
            "recorded_at": self.recorded_at,
            "actor": self.actor,
            "performed_by": self.performed_by,
            "role": self.role,
            "data": dict(self.data),
            "corrects": self.corrects,
            "client_event_id": self.client_event_id,
            "request_id": self.request_id,
        }

    @classmethod
    def from_document(cls, document: Mapping[str, Any], leaf_hash: str) -> Event:
        """The event that a stored leaf states."""
        return cls(**dict(document), leaf_hash=leaf_hash)
