"""A small sound store and the history that led to it, made by hand: what the faults are planted in."""

from __future__ import annotations

import base64
import hashlib
import json
from typing import Any

from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from tests.torture import evidence
from tests.torture.history import (
    ACKNOWLEDGED,
    REFUSED,
    SERVICE,
    UNKNOWN,
    Delivered,
    History,
    Reading,
    Sent,
    Served,
    Subscription,
)
from tests.torture.invariants import MARK, erasure_of, scope_of
from tests.torture.truth import StoredLog, Truth

PLANT = "works"
ORIGIN = "hangers.example/log/abc"
WRITER = "pr_00000000000000000000000001"
KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
OTHER_KEY = Ed25519PrivateKey.from_private_bytes(bytes(32))


def verifier_key(key: Ed25519PrivateKey = KEY, name: str = ORIGIN) -> str:
    """The key as verifiers are told it."""
    material = b"\x01" + key.public_key().public_bytes(
        serialization.Encoding.Raw, serialization.PublicFormat.Raw
    )
    identifier = hashlib.sha256(name.encode() + b"\n" + material).digest()[:4]
    return f"{name}+{identifier.hex()}+{base64.b64encode(material).decode()}"


def note(size: int, root: bytes, key: Ed25519PrivateKey = KEY, origin: str = ORIGIN) -> str:
    """A signed checkpoint."""
    text = f"{origin}\n{size}\n{base64.b64encode(root).decode()}\n"
    identifier = bytes.fromhex(verifier_key(key, origin).split("+")[1])
    signature = base64.b64encode(identifier + key.sign(text.encode())).decode()
    return f"{text}\n{evidence.DASH}{origin} {signature}\n"


class Builder:
    """Appends events to a store and notes what was sent, answered and seen, as the service would."""

    def __init__(self, origin: str = ORIGIN) -> None:
        self.origin = origin
        self.history, self.truth = History(), Truth()
        self.history.keys = [verifier_key(name=origin), verifier_key(name=f"{origin}/service")]
        for name, log_id in ((SERVICE, "lg_service"), (PLANT, "lg_works")):
            stored = StoredLog(log_id, 0, None, [], origin if name else f"{origin}/service", signed=True)
            self.truth.logs[name] = stored
        self.time = 0.0
        self._sign(PLANT)
        self._sign(SERVICE)

    def event(self, log: str, type: str, subject: str, data: dict[str, Any]) -> dict[str, Any]:
        """One more event of a log."""
        stored = self.truth.logs[log]
        sequence = len(stored.rows)
        own = [
            (evidence.leaf(body).hex(), json.loads(body))
            for _, body, _ in stored.rows
            if json.loads(body)["subject"] == subject
        ]
        event = {
            "sequence": sequence,
            "id": f"ev_{log}_{sequence}",
            "log_id": stored.log_id,
            "type": type,
            "subject": subject,
            "subject_sequence": len(own),
            "previous": own[-1][0] if own else None,
            "recorded_at": f"2026-05-04T06:00:00.{sequence:06}Z",
            "data": data,
        }
        body = evidence.canonical(event)
        stored.rows.append((sequence, body, evidence.leaf(body)))
        stored.next_sequence, stored.last_recorded_at = sequence + 1, event["recorded_at"]
        if stored.next_sequence % evidence.TILE == 0:
            place = sequence // evidence.TILE
            leaves = [leaf for _, _, leaf in stored.rows[place * evidence.TILE :]]
            stored.tiles[(1, place)] = evidence.root(leaves)
        return event

    def _sign(self, log: str) -> None:
        stored = self.truth.logs[log]
        size = len(stored.rows)
        root = evidence.root([leaf for _, _, leaf in stored.rows])
        stored.checkpoints.append((size, root, note(size, root, origin=str(stored.origin))))

    def _written(self, sent: Sent, answer: Any) -> None:
        self.time += 1
        self._sign(sent.log)
        if sent.key is not None:
            self.truth.kept[scope_of(sent)] = {"rows": answer} if sent.kind == "bulk" else answer
        if sent.outcome == ACKNOWLEDGED:
            sent.answers, sent.answered_at, sent.firsts = [answer, answer], self.time, 1
            self.serve(sent.log)
        self.history.add(sent)

    def serve(self, log: str) -> None:
        """Somebody asks for the newest checkpoint."""
        self.time += 1
        self.history.add(Served(log, "watcher", self.time, self.truth.logs[log].checkpoints[-1][2]))

    def act(self, marker: str, subject: str = "hanger/h-1", outcome: str = ACKNOWLEDGED) -> Sent:
        """An act that was written, with a note."""
        sent = Sent([marker], PLANT, "act", "POST", f"/{subject}", f"key-{marker}", WRITER, outcome)
        sent.words = f"seen {marker}"
        stored = self.truth.logs[PLANT]
        stored.notes[len(stored.rows)] = sent.words
        event = self.event(PLANT, "hanger-inspected", subject, {"extensions": {MARK: marker}})
        leaf = self.truth.logs[PLANT].rows[-1][2].hex()
        self._written(sent, {"event": event, "leaf_hash": leaf, "consequences": []})
        return sent

    def erase(self, sequence: int) -> Sent:
        """An erasure of an act's note."""
        sent = Sent(
            [erasure_of(sequence)], PLANT, "act", "POST", "/erasures", "key-erase", WRITER, ACKNOWLEDGED
        )
        self.truth.logs[PLANT].notes[sequence] = None
        subject = json.loads(self.truth.logs[PLANT].rows[sequence][1])["subject"]
        event = self.event(PLANT, "text-erased", subject, {"sequence": sequence, "fields": ["note"]})
        leaf = self.truth.logs[PLANT].rows[-1][2].hex()
        self._written(sent, {"event": event, "leaf_hash": leaf, "consequences": []})
        return sent

    def lost(self, marker: str, outcome: str) -> Sent:
        """An act of which nothing came to be."""
        sent = Sent([marker], PLANT, "act", "POST", "/hanger/h-1", f"key-{marker}", WRITER, outcome)
        self.history.add(sent)
        return sent

    def record(self, marker: str) -> Sent:
        """A record that was put."""
        sent = Sent([marker], PLANT, "record", "PUT", f"/lines/{marker}", None, WRITER, ACKNOWLEDGED)
        event = self.event(PLANT, "line-recorded", f"line/{marker}", {"revision": 1, "document": {}})
        self._written(sent, {"sequence": event["sequence"], "revision": 1})
        return sent

    def bulk(self, marker: str, rows: int) -> Sent:
        """Several records in one request."""
        marks = [f"{marker}.{row}" for row in range(rows)]
        sent = Sent(marks, PLANT, "bulk", "POST", "/hangers:bulk", f"key-{marker}", WRITER, ACKNOWLEDGED)
        made = [self.event(PLANT, "hanger-recorded", f"hanger/{mark}", {"revision": 1}) for mark in marks]
        self._written(sent, [{"sequence": event["sequence"]} for event in made])
        return sent

    def principal(self, marker: str) -> Sent:
        """A principal that was registered."""
        sent = Sent([marker], SERVICE, "principal", "POST", "/v1/principals", f"key-{marker}", WRITER)
        sent.outcome = ACKNOWLEDGED
        identifier = f"pr_{marker}"
        self.truth.names[identifier] = marker
        self.event(SERVICE, "principal-registered", "service/principals", {"principal": identifier})
        self._written(sent, {"id": identifier})
        return sent


def sound(acts: int = 12) -> Builder:
    """A store that nothing is wrong with, and its history."""
    built = Builder()
    for number in range(acts):
        built.act(f"a-{number}", f"hanger/h-{number % 3}")
    built.act("unknown-written", outcome=UNKNOWN)
    built.erase(1)
    built.record("r-0")
    built.bulk("b-0", 3)
    built.principal("p-0")
    built.lost("unknown-lost", UNKNOWN)
    built.lost("refused", REFUSED)
    built.serve(PLANT)
    reading = Reading(PLANT, "long reader", 0, complete=True)
    built.history.add(reading, Subscription(PLANT, 0, complete=True))
    for _, body, _ in built.truth.logs[PLANT].rows:
        reading.take(body)
        identifier = json.loads(body)["id"]
        encoded = base64.b64encode(body).decode("ascii")
        built.history.add(Delivered(PLANT, identifier, encoded, accepted=True, signed=True))
    return built
