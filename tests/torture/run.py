"""One run: rounds of cycles on fresh stores, each brought to rest and judged before the next begins."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from random import Random

from service.config import Settings
from service.ledger import verifier
from tests.torture import evidence
from tests.torture.client import NDJSON, Client, Lost, NotSent
from tests.torture.databases import PostgresServer, PostgresStore, SqliteStore
from tests.torture.disk import NoSmallDisk, SizeLimit, SmallDisk
from tests.torture.figures import Figures
from tests.torture.full_disk import fill, within
from tests.torture.history import SERVICE, History, Remark, Subscription
from tests.torture.invariants import Violation, summary, violations
from tests.torture.plan import SERVERS, Action, Cycle, Round
from tests.torture.processes import NeverReady, Server
from tests.torture.readers import Follower, Listener, Puller, SlowPuller, Watcher
from tests.torture.receiver import Receiver
from tests.torture.site import Maker, NotMade, Site, first_token
from tests.torture.stored import read_truth
from tests.torture.truth import Truth
from tests.torture.writers import Noted, Writer

WRITERS = 32
MOST_BAD_ROUNDS = 3
DISK_MB = {"sqlite": 160, "postgresql": 200}
DRAIN_S = 60.0
Store = SqliteStore | PostgresStore


class RoundRun:
    """One round: a store, two servers, those who write and those who read."""

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
        """database: the PostgreSQL that is used, None for SQLite. say: takes a line of the report."""
        self._planned, self._engine, self._folder = planned, engine, folder
        self._database, self._figures, self._say = database, figures, say
        self._name = f"{engine}/{seed}/{planned.number}"
        self._chance = Random(f"round/{self._name}")
        self._site = Site()
        self.history = History()
        self._before: Truth | None = None
        self._disk: SmallDisk | SizeLimit | None = None
        self._full = threading.Event()
        self._noted = Noted()
        self._followers: list[Follower] = []
        self._servers: dict[str, Server] = {}
        self._pending: list[tuple[Server, str]] = []  # ordered deaths that have not come yet

    def run(self, deadline: float) -> bool:
        """Runs its cycles, or as many as time allows; True while nothing was violated."""
        with contextlib.ExitStack() as stack:
            self._store = self._open_store(stack)
            try:
                self._prepare(stack)
                for cycle in self._planned.cycles:
                    if time.monotonic() > deadline:
                        break
                    if not self._cycle(cycle):
                        return False
                return self._end()
            except (NotMade, NotSent, Lost, NeverReady) as error:
                self._report([Violation("started", f"{type(error).__name__}: {error}")])
                return False

    # --- what is there before the first request that counts --------------------------------------------
    def _open_store(self, stack: contextlib.ExitStack) -> Store:
        data, space = self._folder / "data", None
        small = self._small_disk(stack) if self._planned.small_disk else None
        if small is not None and self._database is None:
            data = small / "data"
        elif small is not None and self._database is not None:
            space = small / "space"
            space.mkdir(mode=0o700)
            if self._database.account is not None:
                os.chown(space, self._database.account, -1)
        data.mkdir(parents=True, mode=0o700, exist_ok=True)
        if self._database is None:
            return SqliteStore(data)
        for server in SERVERS:
            (data / server).mkdir(mode=0o700, exist_ok=True)
        store = PostgresStore(self._database, data, space)
        stack.callback(store.close)
        return store

    def _small_disk(self, stack: contextlib.ExitStack) -> Path | None:
        """Where a small disk is mounted, or None where none can be."""
        folder = Path(
            tempfile.mkdtemp(prefix="torture-", dir=self._folder if self._database is None else None)
        )
        owner = None if self._database is None else self._database.account
        try:
            self._disk = SmallDisk(folder, DISK_MB[self._engine], owner)
        except NoSmallDisk as error:
            folder.rmdir()
            self._figures.skipped[f"small disk: {error}"] += 1
            if self._database is None:
                self._disk = SizeLimit(self._serving)
            return None
        stack.callback(self._disk.remove)
        return folder

    def _serving(self) -> list[int]:
        return [pid for server in self._servers.values() for pid in server.workers()]

    def _environment(self, server: str, targets: str = "") -> dict[str, str]:
        return {
            **self._store.environment(server),
            "WORKERS": str(self._planned.workers),
            "THREADS": "24",
            "WRITE_LOCK_TIMEOUT_S": "4",
            "EVENT_STREAM_LIMIT": "6",
            "LOG_LEVEL": "error",
            "WEBHOOK_ALLOWED_TARGETS": targets,
        }

    def _prepare(self, stack: contextlib.ExitStack) -> None:
        """Migrates, starts both servers, and makes all that the writers and readers need."""
        orders = self._folder / "orders"
        orders.mkdir()
        receiver = Receiver(self.history, Random(f"{self._name}/receiver"), self._planned.refusing)
        stack.callback(receiver.stop)
        token = first_token(self._settings())
        for name in SERVERS:
            server = Server(name, self._environment(name, receiver.authority), orders, sys.executable)
            self._servers[name] = server
            server.start()
            stack.callback(server.stop)
        for server in self._servers.values():
            server.wait_ready()
        maker = Maker(self._servers["one"].port, token)
        self._people = maker.people()
        for plant in self._site.plants:
            maker.plant(self._site, plant, self._people)
            maker.webhook(plant, self._people, receiver, self.history)
            self.history.keys += maker.keys(plant, self._people)
        truth = self._truth()
        self.history.keys.append(evidence.renamed(self.history.keys[0], str(truth.logs[SERVICE].origin)))
        self.history.before = {name: len(log.rows) for name, log in truth.logs.items()}
        self.history.kept_before = list(truth.kept)
        self._read_on(stack)

    def _read_on(self, stack: contextlib.ExitStack) -> None:
        """The readers, who read until the round ends."""
        for plant in self._site.plants:
            for kind in (Puller, SlowPuller, Listener):
                chance = Random(f"{self._name}/{kind.__name__}/{plant}")
                follower = kind(kind.__name__.lower(), plant, self.history, self._clients("auditor"), chance)
                self._followers.append(follower)
                follower.start()
                stack.callback(follower.stop)
        watcher = Watcher(self.history, self._site.plants, self._clients("auditor"))
        watcher.start()
        stack.callback(watcher.stop)

    def _settings(self) -> Settings:
        """Those of the first server."""
        return Settings.from_environment(self._environment("one"))

    def _clients(self, role: str) -> list[Client]:
        return [Client(server.port, self._people[role].token) for server in self._servers.values()]

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
            self._clients("engineer"),
            self._clients("administrator"),
            (self._people["engineer"].id, self._people["administrator"].id),
            self._noted,
            stopped,
            lambda: not self._full.is_set(),
        )

    def _act(self, action: Action) -> None:
        if action.what == "disk":
            self._fill()
            return
        server = self._servers[action.server]
        if action.what == "point":
            server.orders.arm(action.point, action.after, action.scope)
            return
        everyone, database = self._servers.values(), self._database
        harm: Mapping[str, Callable[[], object]] = {
            "kill-worker": lambda: server.kill_worker(self._chance.randrange(4)),
            "kill-server": lambda: server.kill(action.value),
            "kill-master": server.kill_master,
            "kill-relay": lambda: [each.kill_relay() for each in everyone],
            "kill-both": lambda: [each.kill(action.value) for each in everyone],
            "stall": lambda: server.stall(action.value),
            "restart": server.restart,
            "clock": lambda: self._set_clock(action),
            "backend": lambda: database and database.kill_backend(self._chance),
            "terminate": lambda: database and database.terminate_backend(self._chance),
            "database": lambda: database and database.crash(action.value),
        }
        harm[action.what]()
        self._figures.actions[action.what] += 1

    def _fill(self) -> None:
        if self._disk is None:
            return
        self._rest()
        paths = [
            f"/v1/plants/{plant}{path}"
            for plant in self._site.plants
            for path in (f"/hangers/{self._site.mark(0)}", "/lines", "/events?from=0", "/log/checkpoint")
        ]
        fill(
            self._disk,
            self._servers.values(),
            self.history,
            self._full,
            self._clients("auditor"),
            paths,
            self._planned.kill_when_full,
        )
        self._figures.actions["disk"] += 1

    def _set_clock(self, action: Action) -> None:
        (self._folder / "orders" / f"{action.server}.clock").write_text(str(action.value), "utf-8")

    # --- rest and judgement -----------------------------------------------------------------------------
    def _rest(self) -> None:
        """Orders not carried out are taken back, and everything that died comes up again."""
        for server in self._servers.values():
            self._pending += [(server, point) for point in server.orders.disarm()]
        if self._database is not None:
            self._database.wait_ready()
        for server in self._servers.values():
            server.wait_ready()

    def _judge(self, cycle: Cycle) -> bool:
        self._rest()
        truth = self._truth()
        for follower in self._followers:
            follower.wait_for(len(truth.logs[follower.log].rows), DRAIN_S)
        found = violations(self.history, truth, self._before)
        self._before = truth
        self._figures.cycles += 1
        events = {name or "service": len(log.rows) for name, log in truth.logs.items()}
        self._say(
            f"round {self._planned.number} cycle {cycle.number}: {summary(self.history)} {events} "
            f"violations {len(found)}"
        )
        if found:
            self._report(found)
        return not found

    def _report(self, found: list[Violation]) -> None:
        """Counts violations, and keeps what is needed to look into them."""
        self._figures.found += found
        self.history.save(self._folder / "history.jsonl")
        (self._folder / "violations.txt").write_text("\n".join(map(str, found)) + "\n", "utf-8")
        if self._database is None:
            shutil.copytree(self._store.folders()[0], self._folder / "kept", dirs_exist_ok=True)
        self._say(f"{len(found)} violations, kept: {self._folder}")

    def _end(self) -> bool:
        """At the end of a round: the webhooks have their time, and exports and receipts are verified."""
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

        within(DRAIN_S, all_came)
        subscription.complete = True

    def _offline(self, truth: Truth) -> None:
        """A whole export against an old checkpoint, and some receipts, by the verifier that others use."""
        keys = [verifier.VerifierKey.parse(key) for key in self.history.keys]
        for client, plant in zip(self._clients("auditor"), self._site.plants, strict=True):
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
        self._figures.take(self.history)
        for server in self._servers.values():
            self._figures.deaths.update(server.orders.deaths())


def run(
    rounds: Iterator[Round], engine: str, seed: int, seconds: float, folder: Path, say: Callable[[str], None]
) -> Figures:
    """Runs rounds for so long, or until violations were found in several.

    folder: where each round's data and logs lie; those of a round without violations are removed.
    """
    figures, bad = Figures(), 0
    deadline = time.monotonic() + seconds
    database = PostgresServer() if engine == "postgresql" else None
    try:
        for planned in rounds:
            if time.monotonic() > deadline or bad == MOST_BAD_ROUNDS:
                break
            place = folder / f"round-{planned.number}"
            place.mkdir(parents=True)
            running = RoundRun(planned, engine, seed, place, database, figures, say)
            try:
                good = running.run(deadline)
            finally:
                running.totals()
            if good:
                shutil.rmtree(place, ignore_errors=True)
            else:
                bad += 1
    finally:
        if database is not None:
            database.stop()
    return figures
