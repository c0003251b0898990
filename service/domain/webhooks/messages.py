"""What is sent: an event as a CloudEvent, signed as Standard Webhooks wants.

The body is CloudEvents 1.0 in its structured JSON form; `data` is the exact canonical bytes that the
log stores, so that SHA-256 over a zero byte and those bytes is the leaf hash that stands beside them.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import orjson

from service.errors import ConfigurationError

MEDIA_TYPE: Final = "application/cloudevents+json"
TYPE_PREFIX: Final = "example.hangers"
SCHEMA: Final = "https://hangers.example/schemas/event.schema.json"
SECRET_PREFIX: Final = "whsec_"  # noqa: S105 - marks a secret, is none
LEAST_MASTER: Final = 32  # bytes


@dataclass(frozen=True)
class StoredBytes:
    """An event as the log has it: its place, its exact bytes and their leaf hash."""

    sequence: int
    body: bytes
    leaf_hash: bytes


@dataclass(frozen=True)
class Message:
    """An event ready to be signed. Messages of one subject keep their order."""

    sequence: int
    id: str
    subject: str
    body: bytes


def message_of(plant: str, stored: StoredBytes, replay: int = 0) -> Message:
    """The CloudEvent of an event.

    Args:
        plant: key of the plant as first spelt
        stored: the event
        replay: number of the replay that sends it again, 0 for the first time round

    Returns:
        the message; `id` is the event's, `sequence` zero-padded so that it sorts as text
    """
    event = orjson.loads(stored.body)
    attributes: dict[str, object] = {
        "specversion": "1.0",
        "id": event["id"],
        "source": f"/v1/plants/{plant}",
        "type": f"{TYPE_PREFIX}.{event['type']}.v{event['schema_version']}",
        "subject": event["subject"],
        "time": event["recorded_at"],
        "datacontenttype": "application/json",
        "dataschema": SCHEMA,
        "sequence": f"{stored.sequence:020d}",
        "logid": event["log_id"],
        "leafhash": stored.leaf_hash.hex(),
    }
    if replay:
        attributes["replay"] = replay
    body = orjson.dumps(attributes)[:-1] + b',"data":' + stored.body + b"}"
    return Message(stored.sequence, event["id"], event["subject"], body)


def secret_of(master: bytes, webhook: str, generation: int) -> str:
    """A webhook's secret: HMAC-SHA256 of its id and the number of the rotation under the service's secret.

    Nothing of it is stored. Errors: ConfigurationError when the service's secret has under 32 bytes.
    """
    if len(master) < LEAST_MASTER:
        raise ConfigurationError("WEBHOOK_SECRET_FILE holds too little.", accepted="at least 32 bytes")
    digest = hmac.digest(master, f"{webhook}\n{generation}".encode("ascii"), hashlib.sha256)
    return SECRET_PREFIX + base64.b64encode(digest).decode("ascii")


def secret_mark(secret: str) -> str:
    """What may be stored of a secret: its SHA-256, by which another machine sees that it holds the same."""
    return hashlib.sha256(secret.encode("ascii")).hexdigest()


def signature(secret: str, identifier: str, timestamp: int, body: bytes) -> str:
    """One signature of a message: `v1,` and base64 of HMAC-SHA256 over id, time and body.

    Args:
        secret: `whsec_` and base64
        identifier: the webhook-id header
        timestamp: the webhook-timestamp header, seconds since 1970
        body: the exact bytes sent

    Source: Standard Webhooks specification, symmetric signatures.
    """
    key = base64.b64decode(secret.removeprefix(SECRET_PREFIX))
    signed = f"{identifier}.{timestamp}.".encode("ascii") + body
    return "v1," + base64.b64encode(hmac.digest(key, signed, hashlib.sha256)).decode("ascii")


def headers_of(message: Message, secrets: Sequence[str], now: datetime) -> Mapping[str, str]:
    """The headers that identify and sign a message: one signature for each secret that counts now."""
    timestamp = int(now.timestamp())
    signatures = (signature(secret, message.id, timestamp, message.body) for secret in secrets)
    return {
        "content-type": MEDIA_TYPE,
        "webhook-id": message.id,
        "webhook-timestamp": str(timestamp),
        "webhook-signature": " ".join(signatures),
    }
