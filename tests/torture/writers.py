"""Writers: keyed requests of several kinds, each repeated until it is answered, or given up on purpose."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from random import Random
from typing import Any

from tests.torture.client import NDJSON, Answer, Client, Lost, NotSent
from tests.torture.history import ACKNOWLEDGED, REFUSED, SERVICE, UNKNOWN, History, Remark, Sent
from tests.torture.invariants import MARK, erasure_of
from tests.torture.site import Site

# Words of the refusals that do not promise that nothing was written.
NOT_KNOWN = ("outcome is not known", "words are erased")
TO_BE_REPEATED = ("store-busy", "write-conflict", "store-full")
OCCURRED = "2026-05-04T05:00:00Z"
LONGEST_S = 60.0


@dataclass(frozen=True)
class Request:
    """What a writer sends. form: how its answer is read; see `Sent.kind`."""

    sent: Sent
    body: bytes
    headers: dict[str, str]


def drawn(chance: Random, site: Site, marker: str, principal: str, administrator: str) -> Request:
    """One request, drawn by chance; what it writes can be told by `marker`."""
    plant = chance.choice(site.plants)
    base = f"/v1/plants/{plant}"
    kind = chance.choices(
        ("inspection", "line inspection", "line", "large line", "bulk", "principal"), (70, 10, 6, 2, 8, 4)
    )[0]
    extensions = {MARK: marker, "filler": "x" * chance.choice((0, 0, 50, 2_000))}
    act: dict[str, Any] = {"occurred_at": OCCURRED, "extensions": extensions}
    if chance.random() < 0.4:
        act["note"] = f"seen {marker}"
    if chance.random() < 0.3:
        act["client_event_id"] = f"ce.{marker}"
    if kind == "inspection":
        hanger = chance.randrange(site.hangers)
        path = f"{base}/hangers/{site.mark(hanger)}/inspections"
        return _post("act", plant, path, marker, principal, act | {"assembly": 1, "in_place": True})
    if kind == "line inspection":
        path = f"{base}/lines/{site.line(chance.randrange(site.lines))}/inspections"
        return _post("act", plant, path, marker, principal, act | {"insulation": "complete"})
    if kind == "principal":
        document = {"kind": "person", "display_name": marker}
        return _post("principal", SERVICE, "/v1/principals", marker, administrator, document)
    if kind == "bulk":
        rows = chance.randint(2, 12)
        marks = [f"{marker}.{row}" for row in range(rows)]
        yard = site.yard(chance.randrange(site.yards))
        records = [{"line": yard, "mark": mark, "kind": "variable"} for mark in marks]
        body = b"\n".join(json.dumps({"record": record}).encode() for record in records)
        atomic = chance.choice(("", "?atomic=true"))
        sent = Sent(marks, plant, "bulk", "POST", f"{base}/hangers:bulk", f"key-{marker}", principal)
        headers = {"Content-Type": NDJSON, "Idempotency-Key": f"key-{marker}", "X-Query": atomic}
        return Request(sent, body, headers)
    document = {"description": f"line {marker}"}
    if kind == "large line":  # beyond 16 KiB its document is kept beside the log
        marks = [f"{number:03}-{'m' * 55}" for number in range(400)]
        document["supports_expected"] = {"marks": marks, "drawing": "D-1"}  # type: ignore[assignment]
    sent = Sent([marker], plant, "record", "PUT", f"{base}/lines/{marker}", None, principal)
    headers = {"Content-Type": "application/json", "If-None-Match": "*"}
    return Request(sent, json.dumps(document).encode(), headers)


def _post(kind: str, log: str, path: str, marker: str, principal: str, document: Any) -> Request:
    sent = Sent([marker], log, kind, "POST", path, f"key-{marker}", principal, words=document.get("note"))
    headers = {"Content-Type": "application/json", "Idempotency-Key": f"key-{marker}"}
    return Request(sent, json.dumps(document).encode(), headers)


def erasure(marker: str, log: str, sequence: int, administrator: str) -> Request:
    """A request that erases the words of an event."""
    path = f"/v1/plants/{log}/events/{sequence}/erasures"
    request = _post("act", log, path, marker, administrator, {"why": "entered-by-mistake"})
    request.sent.identities, request.sent.erases = [erasure_of(sequence)], sequence
    return request


class Noted:
    """Acts with a note whose words nobody has set out to erase yet: log and sequence."""

    def __init__(self) -> None:
        self._acts: list[tuple[str, int]] = []
        self._lock = threading.Lock()

    def add(self, log: str, sequence: int) -> None:
        """One more."""
        with self._lock:
            self._acts.append((log, sequence))

    def draw(self, chance: Random) -> tuple[str, int] | None:
        """One of them, which nobody else gets; None while there is none."""
        with self._lock:
            return self._acts.pop(chance.randrange(len(self._acts))) if self._acts else None


class Writer(threading.Thread):
    """Sends one request after the other until it is stopped; then brings the last one to its end."""

    def __init__(
        self,
        name: str,
        chance: Random,
        site: Site,
        history: History,
        clients: Sequence[Client],
        administrators: Sequence[Client],
        principals: tuple[str, str],
        noted: Noted,
        stopped: threading.Event,
        patience: Callable[[], bool],
    ) -> None:
        """clients: one for each server. principals: of the writer and of the administrator.

        noted: where the acts with words are told, and drawn from to be erased. patience: whether to
        go on repeating a refused request; False while the disk is kept full.
        """
        super().__init__(name=name, daemon=True)
        self._chance, self._site, self._history = chance, site, history
        self._clients, self._administrators = list(clients), list(administrators)
        self._principals = principals
        self._stopped, self._patience = stopped, patience
        self._noted = noted

    def run(self) -> None:
        number = 0
        while not self._stopped.is_set():
            marker = f"{self.name}-{number:05}"
            number += 1
            self._bring(self._next(marker))
        for client in (*self._clients, *self._administrators):
            client.close()

    def _next(self, marker: str) -> Request:
        if self._chance.random() < 0.06:
            found = self._noted.draw(self._chance)
            if found is not None:
                return erasure(marker, *found, self._principals[1])
        return drawn(self._chance, self._site, marker, *self._principals)

    # --- one request ----------------------------------------------------------------------------------
    def _bring(self, request: Request) -> None:
        """Repeats a request until it is answered, or gives it up after a try that was not."""
        sent = request.sent
        give_up = self._chance.random() < 0.08
        again = self._chance.random() < 0.1
        twin = sent.key is not None and self._chance.random() < 0.05
        server = self._chance.randrange(len(self._clients))
        helper = None
        if twin:
            helper = threading.Thread(target=self._twin, args=(request, 1 - server), daemon=True)
            helper.start()
        deadline = time.monotonic() + LONGEST_S
        pause = 0.02
        while True:
            settled = self._try(request, server)
            if settled:
                break
            if (give_up and not twin) or not self._patience():
                sent.outcome = UNKNOWN if sent.unknown or twin else REFUSED
                time.sleep(0.2)
                break
            if time.monotonic() > deadline:
                sent.outcome = UNKNOWN
                self._history.add(
                    Remark("patience", f"{sent.identities[0]} had no answer: {sent.statuses[-5:]}", sent.log)
                )
                break
            server = 1 - server if self._chance.random() < 0.7 else server
            time.sleep(pause * (0.5 + self._chance.random()))
            pause = min(2 * pause, 0.4)  # what comes up again shall not wait for those who wait for it
        if helper is not None:
            helper.join()
            if sent.answers:  # the twin may have had the only answer
                sent.outcome = ACKNOWLEDGED
        if again and sent.outcome == ACKNOWLEDGED and sent.key is not None:
            self._try(request, 1 - server)
        self._history.add(sent)
        if sent.words is not None and sent.answers:
            self._noted.add(sent.log, sent.answers[0]["event"]["sequence"])

    def _twin(self, request: Request, server: int) -> None:
        """The same request at the same time at the other server, on a connection of its own."""
        model = self._client(request, server)
        client = Client(model.port, model.token)
        try:
            self._judge(request, client.send(*self._line(request)))
        except (NotSent, Lost):
            request.sent.unknown += 1
        finally:
            client.close()

    def _client(self, request: Request, server: int) -> Client:
        by_administrator = request.sent.principal == self._principals[1]
        return (self._administrators if by_administrator else self._clients)[server]

    @staticmethod
    def _line(request: Request) -> tuple[str, str, bytes, dict[str, str]]:
        headers = dict(request.headers)
        query = headers.pop("X-Query", "")
        return request.sent.method, request.sent.path + query, request.body, headers

    def _try(self, request: Request, server: int) -> bool:
        """One try; True once the outcome is settled."""
        request.sent.tries += 1
        try:
            answer = self._client(request, server).send(*self._line(request))
        except NotSent:
            return False
        except Lost:
            request.sent.unknown += 1
            return False
        return self._judge(request, answer)

    def _judge(self, request: Request, answer: Answer) -> bool:
        sent = request.sent
        sent.statuses.append(answer.status)
        if answer.status < 300:
            return self._take(sent, answer)
        if answer.status == 412 and sent.method == "PUT" and sent.unknown:
            sent.outcome = ACKNOWLEDGED  # there already, and nobody else writes this key
            return True
        problem = _problem(answer)
        if answer.status in (503, 507) and problem.get("code") in (
            "store-busy",
            "write-conflict",
            "store-full",
        ):
            if any(words in problem.get("detail", "") for words in NOT_KNOWN):
                sent.unknown += 1
            return False
        if answer.status == 500:
            sent.unknown += 1
        self._history.add(
            Remark("answer", f"{answer.status} to {sent.method} {sent.path}: {problem}", sent.log)
        )
        return answer.status < 500

    def _take(self, sent: Sent, answer: Answer) -> bool:
        document = answer.rows() if sent.kind == "bulk" else answer.json()
        if sent.kind == "bulk" and any(row["status"] == "stopped" for row in document):
            sent.unknown += 1
            return False
        if sent.kind == "bulk" and any(row["status"] != "created" for row in document):
            self._history.add(Remark("answer", f"bulk rows {document}", sent.log))
        if sent.answered_at is None:
            sent.answered_at = time.monotonic()
        if sent.kind in ("act", "principal") and answer.headers.get("Idempotent-Replayed") != "true":
            sent.firsts += 1
        sent.answers.append(document)
        sent.outcome = ACKNOWLEDGED
        return True


def _problem(answer: Answer) -> dict[str, Any]:
    try:
        found = answer.json()
    except ValueError:
        return {"detail": answer.body[:200].decode("latin-1")}
    return found if isinstance(found, dict) else {}
