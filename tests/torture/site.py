"""What there is to write to and who writes: made over HTTP before the first request that counts."""

from __future__ import annotations

import itertools
import json
from dataclasses import dataclass
from typing import Any

from service import bootstrap
from service.application import access
from service.config import Settings
from service.persistence.migrate import migrate
from service.persistence.store import open_store
from tests.torture.client import Client
from tests.torture.history import History, Subscription
from tests.torture.receiver import Receiver

ROLES = ("engineer", "auditor", "administrator", "integrator")
NEW = {"If-None-Match": "*"}


class NotMade(Exception):
    """What the round needs could not be made."""


@dataclass(frozen=True)
class Site:
    """What there is to write to: plants with their lines and hangers, made beforehand."""

    plants: tuple[str, ...] = ("north", "south")
    lines: int = 3
    hangers: int = 12
    yards: int = 16  # lines that bulk requests fill with hangers

    def mark(self, number: int) -> str:
        """Mark of a hanger."""
        return f"H-{number:02}"

    def line(self, number: int) -> str:
        """Key of a line."""
        return f"L-{number}"

    def yard(self, number: int) -> str:
        """Key of a line for bulk requests."""
        return f"Y-{number:02}"

    def line_of(self, hanger: int) -> str:
        """The line of a hanger."""
        return self.line(hanger % self.lines)


@dataclass(frozen=True)
class Person:
    """Somebody who calls: principal's id and token."""

    id: str
    token: str


def first_token(settings: Settings) -> str:
    """Migrates, and issues the token with which everything begins, as the operator's commands do."""
    migrate(settings)
    store = open_store(settings)
    context = bootstrap.operator_context(store)
    person = access.register_principal(context, {"kind": "person"}, bootstrap.new_id("pr_"))
    request = {"principal": person.document["id"], "role": "administrator"}
    issued = access.issue_token(context, request, bootstrap.new_id("tk_"), bootstrap.new_secret)
    store.close()
    return str(issued.document["token"])


class Maker:
    """Makes persons, plants, lines, hangers and webhooks by one server."""

    def __init__(self, port: int, token: str) -> None:
        """token: of an administrator."""
        self._port, self._token = port, token
        self._numbers = itertools.count()

    def people(self) -> dict[str, Person]:
        """One person of each role that the harness needs."""
        made = {}
        for role in ROLES:
            person = self._call(
                self._token, "POST", "/v1/principals", {"kind": "person", "display_name": role}
            )
            request = {"principal": person["id"], "role": role}
            token = self._call(self._token, "POST", "/v1/tokens", request)["token"]
            made[role] = Person(person["id"], token)
        return made

    def plant(self, site: Site, plant: str, people: dict[str, Person]) -> None:
        """A plant with its lines and hangers."""
        base, engineer = f"/v1/plants/{plant}", people["engineer"].token
        self._call(self._token, "PUT", base, {"name": f"Invented plant {plant}"})
        lines = [site.line(number) for number in range(site.lines)]
        for line in (*lines, *(site.yard(number) for number in range(site.yards))):
            self._call(engineer, "PUT", f"{base}/lines/{line}", {"description": "made beforehand"})
        for number in range(site.hangers):
            mark = site.mark(number)
            record = {"mark": mark, "line": site.line_of(number), "kind": "variable"}
            self._call(engineer, "PUT", f"{base}/hangers/{mark}", record)

    def keys(self, plant: str, people: dict[str, Person]) -> list[str]:
        """The verifier keys of a plant's log."""
        found = self._send(
            people["auditor"].token, "GET", f"/v1/plants/{plant}/log/key", None, {"Accept": "text/plain"}
        )
        return found.decode("utf-8").split()

    def webhook(self, plant: str, people: dict[str, Person], receiver: Receiver, history: History) -> None:
        """A webhook for all events of a plant from now on."""
        made = self._call(
            people["integrator"].token, "POST", f"/v1/plants/{plant}/webhooks", {"url": receiver.url(plant)}
        )
        receiver.secrets[plant] = made["secret"]
        history.add(Subscription(plant, made["event"]["sequence"]))

    def _call(self, token: str, method: str, path: str, document: Any) -> Any:
        headers = {"Content-Type": "application/json"}
        headers |= NEW if method == "PUT" else {"Idempotency-Key": f"setup-{next(self._numbers):05}"}
        return json.loads(self._send(token, method, path, json.dumps(document).encode(), headers))

    def _send(self, token: str, method: str, path: str, body: bytes | None, headers: dict[str, str]) -> bytes:
        client = Client(self._port, token)
        try:
            answer = client.send(method, path, body, headers)
        finally:
            client.close()
        if answer.status >= 300:
            raise NotMade(f"{method} {path}: {answer.status} {answer.body[:300]!r}")
        return answer.body
