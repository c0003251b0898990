"""One run: rounds of cycles on fresh stores, each brought to rest and judged before the next begins."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

from service import bootstrap
from service.application import access
from service.config import Settings
from service.persistence.migrate import migrate
from service.persistence.store import open_store
from tests.torture import evidence, processes
from tests.torture.client import NDJSON, Client, Lost, NotSent
from tests.torture.databases import PostgresServer, PostgresStore, SqliteStore
from tests.torture.disk import NoSmallDisk, SizeLimit, SmallDisk
from tests.torture.history import SERVICE, History, Remark, Subscription
from tests.torture.invariants import Violation, summary, violations
from tests.torture.plan import SERVERS, Action, Cycle, Round
from tests.torture.processes import Server
from tests.torture.readers import Follower, Listener, Puller, SlowPuller, Watcher
from tests.torture.receiver import Receiver
from tests.torture.stored import read_truth
from tests.torture.truth import Truth
from tests.torture.writers import Site, Writer

WRITERS = 32
DISK_MB = {"sqlite": 160, "postgresql": 200}
ROOM_LEFT = 600_000  # bytes left when a disk is filled, so that the end is met while writing
DRAIN_S = 60.0
Store = SqliteStore | PostgresStore


@dataclass
class Figures:
    """What a run amounts to."""

    cycles: int = 0
    counts: Counter[str] = field(default_factory=Counter)
    deaths: Counter[str] = field(default_factory=Counter)
    actions: Counter[str] = field(default_factory=Counter)
    statuses: Counter[int] = field(default_factory=Counter)
    found: list[Violation] = field(default_factory=list)
    skipped: Counter[str] = field(default_factory=Counter)

    def lines(self) -> Iterator[str]:
        """The report."""
        yield f"cycles                {self.cycles}"
        for name in (
            "requests",
            "acknowledged",
            "unknown",
            "retried",
            "abandoned",
            "checkpoints",
            "deliveries",
        ):
            yield f"{name:<21} {self.counts[name]}"
        yield f"answers               {dict(sorted(self.statuses.items()))}"
        yield f"deaths at points      {sum(self.deaths.values())}"
        for point, count in sorted(self.deaths.items()):
            yield f"  {point:<22} {count}"
        yield f"other harm            {dict(sorted(self.actions.items()))}"
        for reason, count in self.skipped.items():
            yield f"skipped               {reason} ({count} times)"
        yield f"violations            {len(self.found)}"
        for violation in self.found[:20]:
            yield f"  {violation}"


class RoundRun:
    """One round: a store, two servers, the people who write and read."""

    def __init__(
        self,
        planned: Round,
        engine: str,
        seed: int,
        folder: Path,
        database: PostgresServer | None,
        figures: Figures,
        say: Callable[[str], None],
    ) -> None:
        self._planned, self._engine, self._folder = planned, engine, folder
        self._database, self._figures, self._say = database, figures, say
        self._name = f"{engine}/{seed}/{planned.number}"
        self._chance = Random(f"round/{self._name}")
        self._site = Site()
        self.history = History()
        self._before: Truth | None = None
        self._disk: SmallDisk | SizeLimit | None = None
        self._receiver: Receiver | None = None
        self._full = threading.Event()
        self._followers: list[Follower] = []
        self._servers: dict[str, Server] = {}
        self._pending: list[tuple[Server, str]] = []  # ordered deaths that have not come yet

    # --- the round ----------------------------------------------------------------------------------
    def run(self, deadline: float) -> bool:
        """Runs its cycles, or as many as time allows; True while nothing was violated."""
        with contextlib.ExitStack() as stack:
            self._store = self._open_store(stack)
            try:
                self._prepare(stack)
            except (RuntimeError, NotSent, Lost) as error:
                self._report([Violation("setup", str(error))])
                return False
            for cycle in self._planned.cycles:
                if time.monotonic() > deadline:
                    break
                if not self._cycle(cycle):
                    return False
            return self._end()

    def _open_store(self, stack: contextlib.ExitStack) -> Store:
        data, space = self._folder / "data", None
        if self._planned.small_disk:
            owner = self._database.account if self._database is not None else None
            place = (
                self._folder / "small"
                if self._database is None
                else Path(tempfile.mkdtemp(prefix="torture-space-", dir="/tmp"))
            )
            try:
                self._disk = SmallDisk(place, DISK_MB[self._engine], owner)
            except NoSmallDisk as error:
                self._figures.skipped[f"small disk: {error}"] += 1
                if self._database is None:
                    self._disk = SizeLimit(self._serving)
            else:
                stack.callback(self._disk.remove)
                if self._database is None:
                    data = place / "data"
                else:
                    space = place / "space"
                    space.mkdir(mode=0o700)
                    if owner is not None:
                        os.chown(space, owner, -1)
        data.mkdir(parents=True, mode=0o700, exist_ok=True)
        if self._database is None:
            return SqliteStore(data)
        for server in SERVERS:
            (data / server).mkdir(mode=0o700, exist_ok=True)
        store = PostgresStore(self._database, data, space)
        stack.callback(store.close)
        return store

    def _serving(self) -> list[int]:
        return [pid for server in self._servers.values() for pid in server.workers()]

    def _environment(self, server: str) -> dict[str, str]:
        return {
            **self._store.environment(server),
            "WORKERS": "1",
            "THREADS": "24",
            "WRITE_LOCK_TIMEOUT_S": "4",
            "EVENT_STREAM_LIMIT": "6",
            "LOG_LEVEL": "error",
        } | ({} if self._receiver is None else {"WEBHOOK_ALLOWED_TARGETS": self._receiver.authority})

    def _prepare(self, stack: contextlib.ExitStack) -> None:
        """Migrates, starts both servers, and makes the persons and records that the writers need."""
        orders = self._folder / "orders"
        orders.mkdir()
        self._receiver = Receiver(self.history, Random(f"{self._name}/receiver"), self._planned.refusing)
        stack.callback(self._receiver.stop)
        self._administrator = self._first_token()
        for name in SERVERS:
            server = Server(name, self._environment(name), orders, processes.python())
            self._servers[name] = server
            server.start()
            stack.callback(server.stop)
        for server in self._servers.values():
            server.wait_ready()
        self._make_site()
        logs = self._site.plants
        for log in logs:
            kinds: list[type[Follower]] = [Puller, SlowPuller]
            if self._offers(f"/v1/plants/{log}/events", "text/event-stream"):
                kinds.append(Listener)
            for kind in kinds:
                chance = Random(f"{self._name}/{kind.__name__}/{log}")
                follower = kind(kind.__name__.lower(), log, self.history, self._clients(self._token), chance)
                self._followers.append(follower)
                follower.start()
                stack.callback(follower.stop)
        if self.history.keys:
            watcher = Watcher(self.history, logs, self._clients(self._token))
            watcher.start()
            stack.callback(watcher.stop)

    def _settings(self) -> Settings:
        """Those of the first server."""
        return Settings.from_environment({**self._environment("one"), "PORT": "1"})

    def _first_token(self) -> str:
        """Migrates, and issues the token with which everything begins, as the operator's commands do."""
        settings = self._settings()
        migrate(settings)
        store = open_store(settings)
        context = bootstrap.operator_context(store)
        person = access.register_principal(context, {"kind": "person"}, bootstrap.new_id("pr_"))
        request = {"principal": person.document["id"], "role": "administrator"}
        issued = access.issue_token(context, request, bootstrap.new_id("tk_"), bootstrap.new_secret)
        store.close()
        return str(issued.document["token"])

    def _clients(self, token: str) -> list[Client]:
        return [Client(server.port, token) for server in self._servers.values()]

    def _offers(self, path: str, media: str) -> bool:
        client = Client(self._servers["one"].port, self._token)
        try:
            response = client.stream(path, {"Accept": media})
        except (NotSent, Lost):
            return False
        with contextlib.closing(response.connection):  # type: ignore[attr-defined]
            return response.status == 200

    # --- what is there before the first request that counts ----------------------------------------------
    def _make_site(self) -> None:
        administrator = Client(self._servers["one"].port, self._administrator)
        number = iter(range(1_000))

        def call(client: Client, method: str, path: str, document: Any, **headers: str) -> Any:
            sent = {"Content-Type": "application/json", **headers}
            if method == "POST":
                sent["Idempotency-Key"] = f"setup-{next(number):05}"
            answer = client.send(method, path, json.dumps(document).encode(), sent)
            client.close()  # an idle connection is closed by the server after a while
            if answer.status >= 300:
                raise RuntimeError(f"{method} {path}: {answer.status} {answer.body!r}")
            return answer.json()

        new, made = {"If-None-Match": "*"}, {"description": "made beforehand"}
        self._people = []
        for role in ("engineer", "auditor", "administrator", "integrator"):
            person = call(administrator, "POST", "/v1/principals", {"kind": "person", "display_name": role})
            issued = call(administrator, "POST", "/v1/tokens", {"principal": person["id"], "role": role})
            self._people.append((person["id"], issued["token"]))
        (self._engineer, writing), (_, self._token), (self._clerk, clerk), (_, relaying) = self._people
        self._writing, self._clerk_token = writing, clerk
        integrator = Client(self._servers["one"].port, relaying)
        engineer = Client(self._servers["one"].port, writing)
        for plant in self._site.plants:
            base = f"/v1/plants/{plant}"
            call(administrator, "PUT", base, {"name": f"Invented plant {plant}"}, **new)
            for line in range(self._site.lines):
                call(engineer, "PUT", f"{base}/lines/{self._site.line(line)}", made, **new)
            for yard in range(self._site.yards):
                call(engineer, "PUT", f"{base}/lines/{self._site.yard(yard)}", made, **new)
            for hanger in range(self._site.hangers):
                mark = self._site.mark(hanger)
                record = {"mark": mark, "line": self._site.line_of(hanger), "kind": "variable"}
                call(engineer, "PUT", f"{base}/hangers/{mark}", record, **new)
            self._take_keys(plant)
            if self._offers(f"{base}/webhooks", "application/json"):
                assert self._receiver is not None
                hook = call(integrator, "POST", f"{base}/webhooks", {"url": self._receiver.url(plant)})
                self._receiver.secrets[plant] = hook["secret"]
                self.history.add(Subscription(plant, hook["event"]["sequence"]))
        for client in (administrator, engineer, integrator):
            client.close()
        truth = self._truth()
        origin = truth.logs[SERVICE].origin
        if self.history.keys and origin is not None:
            self.history.keys.append(evidence.renamed(self.history.keys[0], origin))
        self.history.before = {name: len(log.rows) for name, log in truth.logs.items()}
        self.history.kept_before = list(truth.kept)

    def _take_keys(self, plant: str) -> None:
        client = Client(self._servers["one"].port, self._token)
        answer = client.send("GET", f"/v1/plants/{plant}/log/key", headers={"Accept": "text/plain"})
        client.close()
        if answer.status == 200:
            self.history.keys += answer.body.decode("utf-8").split()

    def _truth(self) -> Truth:
        return read_truth(self._settings(), [folder / "witness" for folder in self._store.folders()])

    # --- one cycle ------------------------------------------------------------------------------------
    def _cycle(self, cycle: Cycle) -> bool:
        stopped = threading.Event()
        writers = [self._writer(cycle, number, stopped) for number in range(WRITERS)]
        for writer in writers:
            writer.start()
        begun = time.monotonic()
        if not any(action.what == "disk" for action in cycle.actions):
            for server, point in self._pending:
                server.orders.arm(point, 1)
            self._pending.clear()
        for action in cycle.actions:
            time.sleep(max(0.0, begun + action.at_s - time.monotonic()))
            self._act(action)
        time.sleep(max(0.0, begun + cycle.seconds - time.monotonic()))
        stopped.set()
        self._rest()
        for writer in writers:
            writer.join(120)
            if writer.is_alive():
                self.history.add(Remark("patience", f"{writer.name} never came to an end"))
        return self._judge(cycle)

    def _writer(self, cycle: Cycle, number: int, stopped: threading.Event) -> Writer:
        name = f"w{number:02}-r{self._planned.number}-c{cycle.number}"
        return Writer(
            name,
            Random(f"{self._name}/{name}"),
            self._site,
            self.history,
            self._clients(self._writing),
            self._clients(self._clerk_token),
            (self._engineer, self._clerk),
            stopped,
            lambda: not self._full.is_set(),
        )

    def _act(self, action: Action) -> None:
        server = self._servers.get(action.server)
        if action.what == "point" and server is not None:
            server.orders.arm(action.point, action.after, action.scope)
            return
        if action.what == "disk":
            if self._disk is not None:
                self._fill()
                self._figures.actions["disk"] += 1
            return
        assert server is not None
        harm: Mapping[str, Callable[[], None]] = {
            "kill-worker": lambda: server.kill_worker(self._chance.randrange(4)),
            "kill-server": lambda: server.kill(action.value),
            "kill-master": server.kill_master,
            "kill-relay": lambda: [each.kill_relay() for each in self._servers.values()] and None,
            "kill-both": lambda: [each.kill(action.value) for each in self._servers.values()] and None,
            "stall": lambda: server.stall(action.value),
            "restart": server.restart,
            "clock": lambda: self._set_clock(action),
            "backend": lambda: self._database and self._database.kill_backend(self._chance),
            "terminate": lambda: self._database and self._database.terminate_backend(self._chance),
            "database": lambda: self._database and self._database.crash(action.value),
        }
        harm[action.what]()
        self._figures.actions[action.what] += 1

    def _set_clock(self, action: Action) -> None:
        (self._folder / "orders" / f"{action.server}.clock").write_text(str(action.value), "utf-8")

    # --- a full disk ------------------------------------------------------------------------------------
    def _fill(self) -> None:
        """Fills the disk while the writers write; reads must go on, and writes again once there is room."""
        assert self._disk is not None
        # A file that may not grow is no full disk to every database: then it may say "try again" as well.
        refusals = {507} if isinstance(self._disk, SmallDisk) else {503, 507}
        self._take_orders_back()
        for server in self._servers.values():
            server.wait_ready()
        processes_before = self._running()
        seen = len(self.history.sent)
        self._full.set()
        self._disk.fill(ROOM_LEFT)
        if not _within(20, lambda: self._answers(refusals, seen) >= 10) and not self._answers(refusals, seen):
            self.history.add(Remark("disk-full", f"no write was answered with {refusals}"))
        self._read_while_full()
        if processes_before != self._running():
            self.history.add(Remark("disk-full", "a process ended while there was no room"))
        if self._planned.kill_when_full:
            for server in self._servers.values():
                server.kill()
            for server in self._servers.values():
                server.wait_ready()
            self._read_while_full()
            processes_before = self._running()
        self._disk.free()
        self._full.clear()
        seen = len(self.history.sent)
        if not _within(20, lambda: self._answers({201}, seen) >= 5):
            self.history.add(Remark("disk-full", "writes were not taken up again once there was room"))
        if processes_before != self._running():
            self.history.add(Remark("disk-full", "a process ended while there was no room"))

    def _running(self) -> list[tuple[int, list[int]]]:
        return [(server.master, server.workers()) for server in self._servers.values()]

    def _answers(self, statuses: set[int], since: int) -> int:
        return sum(not statuses.isdisjoint(sent.statuses) for sent in self.history.sent[since:])

    def _read_while_full(self) -> None:
        for client in self._clients(self._token):
            for plant in self._site.plants:
                base = f"/v1/plants/{plant}"
                for path in (f"/hangers/{self._site.mark(0)}", "/lines", "/events?from=0"):
                    try:
                        status = client.send("GET", base + path).status
                    except (NotSent, Lost) as error:
                        self.history.add(Remark("disk-full", f"GET {path}: {error}", plant))
                        continue
                    if status != 200:
                        self.history.add(Remark("disk-full", f"GET {path}: {status}", plant))
            client.close()

    # --- rest and judgement -----------------------------------------------------------------------------
    def _rest(self) -> None:
        """Orders not carried out are taken back, and everything that died comes up again."""
        self._take_orders_back()
        if self._database is not None:
            self._database.wait_ready()
        for server in self._servers.values():
            server.wait_ready()

    def _take_orders_back(self) -> None:
        for server in self._servers.values():
            self._pending += [(server, point) for point in server.orders.disarm()]

    def _judge(self, cycle: Cycle) -> bool:
        for server in self._servers.values():
            server.wait_ready()
        truth = self._truth()
        for follower in self._followers:
            follower.wait_for(len(truth.logs[follower.log].rows), DRAIN_S)
        found = violations(self.history, truth, self._before)
        self._before = truth
        self._count(cycle, truth, found)
        return not found

    def _count(self, cycle: Cycle, truth: Truth, found: list[Violation]) -> None:
        figures = self._figures
        figures.cycles += 1
        events = {name or "service": len(log.rows) for name, log in truth.logs.items()}
        self._say(
            f"round {self._planned.number} cycle {cycle.number}: {summary(self.history)} {events} "
            f"violations {len(found)}"
        )
        if found:
            self._report(found)

    def _report(self, found: list[Violation]) -> None:
        self._figures.found += found
        self.history.save(self._folder / "history.jsonl")
        (self._folder / "violations.txt").write_text("\n".join(map(str, found)), "utf-8")
        self._say(f"{len(found)} violations, kept: {self._folder}")

    def _end(self) -> bool:
        """At the end of a round: the webhooks have their time, and the service's own checks are asked."""
        truth = self._truth()
        for subscription in self.history.subscriptions:
            self._drain(subscription, truth)
        self._offline(truth)
        found = violations(self.history, truth, self._before)
        if found:
            self._report(found)
        return not found

    def _drain(self, subscription: Subscription, truth: Truth) -> None:
        rows = truth.logs[subscription.log].rows[subscription.first :]
        identifiers = {json.loads(body)["id"] for _, body, _ in rows}

        def all_came() -> bool:
            taken = {
                delivered.identifier
                for delivered in tuple(self.history.delivered)
                if delivered.log == subscription.log and delivered.accepted
            }
            return identifiers <= taken

        _within(DRAIN_S, all_came)
        subscription.complete = True

    def _offline(self, truth: Truth) -> None:
        """A whole export against an old checkpoint, and some receipts, by the verifier that others use."""
        from service.ledger import verifier

        if not self.history.keys:
            return
        keys = [verifier.VerifierKey.parse(key) for key in self.history.keys]
        for client, plant in zip(self._clients(self._token), self._site.plants, strict=True):
            rows = truth.logs[plant].rows
            old = next((served.note for served in self.history.served if served.log == plant), None)
            try:
                exported = client.send("GET", f"/v1/plants/{plant}/events", headers={"Accept": NDJSON})
                since = None if old is None else verifier.open_checkpoint(old.encode(), keys)
                verifier.verify_export(exported.body.splitlines(keepends=True), keys, since)
                for sequence in self._chance.sample(range(len(rows)), min(5, len(rows))):
                    receipt = client.send("GET", f"/v1/plants/{plant}/events/{sequence}/receipt").body
                    entry, _ = verifier.verify_receipt(receipt, keys)
                    if entry != rows[sequence][1]:
                        raise ValueError(f"the receipt of {sequence} is of another entry")
            except (NotSent, Lost, ValueError) as error:
                self.history.add(Remark("offline", f"{type(error).__name__}: {error}", plant))
            client.close()

    def totals(self) -> None:
        """Adds what the round saw to the run's figures."""
        for name, count in summary(self.history).items():
            self._figures.counts[name] += count
        for sent in self.history.sent:
            self._figures.statuses.update(sent.statuses)
        for server in self._servers.values():
            self._figures.deaths.update(server.orders.deaths())


def _within(seconds: float, reached: Callable[[], bool]) -> bool:
    """Waits until something is reached; False when it is not in time."""
    deadline = time.monotonic() + seconds
    while not reached():
        if time.monotonic() > deadline:
            return False
        time.sleep(0.05)
    return True


def run(
    rounds: Iterator[Round], engine: str, seed: int, seconds: float, folder: Path, say: Callable[[str], None]
) -> Figures:
    """Runs rounds for so long, or until one finds a violation.

    folder: where each round's data and logs lie; those of a round without violations are removed.
    """
    figures = Figures()
    deadline = time.monotonic() + seconds
    database = PostgresServer() if engine == "postgresql" else None
    try:
        for planned in rounds:
            if time.monotonic() > deadline:
                break
            place = folder / f"round-{planned.number}"
            place.mkdir(parents=True)
            running = RoundRun(planned, engine, seed, place, database, figures, say)
            try:
                good = running.run(deadline)
            finally:
                running.totals()
            if not good:
                break
            shutil.rmtree(place, ignore_errors=True)
    finally:
        if database is not None:
            database.stop()
    return figures
