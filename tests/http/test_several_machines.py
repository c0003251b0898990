"""Two services with data folders of their own on one PostgreSQL, as two machines would run them."""

from __future__ import annotations

import hashlib
import http.client
import itertools
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import psycopg
import pytest

from service.ledger.verifier import VerifierKey, open_note, parse_checkpoint
from tests import postgres
from tests.http.running import LINE, PLANT, hanger, inspection

pytestmark = pytest.mark.postgres

CHECKOUT = Path(__file__).resolve().parents[2]
KEYS = itertools.count()


@dataclass
class Answer:
    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def json(self) -> Any:
        return json.loads(self.body)


@dataclass
class Machine:
    """One machine: its settings, and the service that runs there."""

    folder: Path
    environment: dict[str, str]
    port: int = 0
    process: subprocess.Popen[bytes] | None = None
    connections: threading.local = field(default_factory=threading.local)

    def run(self, *command: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "service", *command],
            env=self.environment, cwd=CHECKOUT, capture_output=True, text=True, timeout=120, check=False,
        )  # fmt: skip

    def start(self) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self.environment["PORT"] = str(self.port)
        log = (self.folder / "log").open("ab")
        with log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "service", "serve"],
                env=self.environment, cwd=CHECKOUT, stdout=log, stderr=log, start_new_session=True,
            )  # fmt: skip
        deadline = time.monotonic() + 60
        while True:
            try:
                if self.send("GET", "/health/ready").status == 200:
                    return
            except OSError:
                pass
            assert self.process.poll() is None, (self.folder / "log").read_text()
            assert time.monotonic() < deadline, (self.folder / "log").read_text()
            time.sleep(0.1)

    def end(self, how: int = signal.SIGTERM) -> None:
        if self.process is not None and self.process.poll() is None:
            os.killpg(self.process.pid, how)
            self.process.wait(60)

    def send(self, method: str, path: str, token: str = "", document: Any = None, **headers: str) -> Answer:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        sent = {name.replace("_", "-"): value for name, value in headers.items()}
        if token:
            sent["Authorization"] = f"Bearer {token}"
        body = None
        if document is not None:
            body, sent["Content-Type"] = json.dumps(document), "application/json"
        if method == "POST":
            sent.setdefault("Idempotency-Key", f"machines-{next(KEYS):08}")
        try:
            connection.request(method, path, body, sent)
            answer = connection.getresponse()
            return Answer(answer.status, dict(answer.getheaders()), answer.read())
        finally:
            connection.close()


def machine(folder: Path, database_url: str, **more: str) -> Machine:
    folder.mkdir()
    environment = {
        "PATH": os.environ["PATH"],
        "PYTHONPATH": str(CHECKOUT),
        "DATABASE_URL": database_url,
        "DATA_DIR": str(folder / "data"),
        "WORKERS": "1",
        "RELAY": "off",
        "LOG_LEVEL": "error",
        **more,
    }
    return Machine(folder, environment)


def shared_files(first: Machine) -> dict[str, str]:
    keys = first.folder / "data" / "keys"
    return {
        "CURSOR_SECRET_FILE": str(keys / "cursor-secret"),
        "SIGNING_KEY_FILE": str(keys / "log-signing-keys.pem"),
        "WEBHOOK_SECRET_FILE": str(keys / "webhook-secret"),
    }


@dataclass
class Site:
    """Both machines, and tokens by role."""

    one: Machine
    two: Machine
    tokens: dict[str, str]
    database_url: str

    def export(self, of: Machine) -> list[bytes]:
        """Exact bytes of the events, from one of the machines."""
        answer = of.send("GET", "/v1/plants/P/events", self.tokens["auditor"], Accept="application/x-ndjson")
        assert answer.status == 200, answer.body
        lines = answer.body.splitlines()
        assert lines[-1].startswith(b'{"trailer"')
        return lines[:-1]


@pytest.fixture(scope="module")
def site(postgres_url: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    folder = tmp_path_factory.mktemp("machines")
    with postgres.temporary_database(postgres_url) as url:
        one = machine(folder / "one", url)
        assert one.run("migrate").returncode == 0
        two = machine(folder / "two", url, **shared_files(one))
        assert two.run("migrate").returncode == 0
        administrator = one.run("token", "--role", "administrator").stdout.strip()
        try:
            one.start()
            two.start()
            site = Site(one, two, {"administrator": administrator}, url)
            site.tokens |= {role: issued(site, role)["token"] for role in ("engineer", "auditor")}
            fill(site)
            yield site
        finally:
            one.end()
            two.end()


def issued(site: Site, role: str) -> dict[str, Any]:
    """A token of a new person, issued by way of both machines."""
    administrator = site.tokens["administrator"]
    person = site.one.send("POST", "/v1/principals", administrator, {"kind": "person"}).json["id"]
    answer = site.two.send("POST", "/v1/tokens", administrator, {"principal": person, "role": role})
    assert answer.status == 201, answer.body
    made: dict[str, Any] = answer.json
    return made


def fill(site: Site) -> None:
    made = [
        site.one.send("PUT", "/v1/plants/P", site.tokens["administrator"], PLANT, If_None_Match="*"),
        site.two.send("PUT", "/v1/plants/P/lines/L-1", site.tokens["engineer"], LINE, If_None_Match="*"),
    ]
    for mark in ("H-1", "H-2", "H-3"):
        path = f"/v1/plants/P/hangers/{mark}"
        made.append(site.one.send("PUT", path, site.tokens["engineer"], hanger(mark), If_None_Match="*"))
    assert [answer.status for answer in made] == [201] * 5, made


# --- the tree, by definition (RFC 9162, 2.1.1) ------------------------------------------------------------
def roots(bodies: list[bytes]) -> list[bytes]:
    """Root of each beginning of the log, from the empty one on."""
    edge: list[tuple[int, bytes]] = []
    found = [hashlib.sha256().digest()]
    for body in bodies:
        height, node = 0, hashlib.sha256(b"\0" + body).digest()
        while edge and edge[-1][0] == height:
            height, node = height + 1, hashlib.sha256(b"\1" + edge.pop()[1] + node).digest()
        edge.append((height, node))
        for _, left in edge[-2::-1]:
            node = hashlib.sha256(b"\1" + left + node).digest()
        found.append(node)
    return found


class Watch(threading.Thread):
    """Reads the checkpoint from both machines, again and again, until it is told to end."""

    def __init__(self, site: Site) -> None:
        super().__init__()
        self.site, self.over, self.seen = site, threading.Event(), list[bytes]()

    def run(self) -> None:
        for machine in itertools.cycle((self.site.one, self.site.two)):
            answer = machine.send("GET", "/v1/plants/P/log/checkpoint", self.site.tokens["auditor"])
            assert answer.status == 200, answer.body
            self.seen.append(answer.body)
            if self.over.wait(0.01):
                return

    def end(self) -> list[bytes]:
        self.over.set()
        self.join(60)
        return self.seen


def keys_of(machine: Machine, token: str) -> list[VerifierKey]:
    answer = machine.send("GET", "/v1/plants/P/log/key", token, Accept="text/plain")
    return [VerifierKey.parse(line) for line in answer.body.decode().split()]


def check(site: Site, acknowledged: list[tuple[int, str]], checkpoints: list[bytes]) -> None:
    """Both machines give one dense log; what was acknowledged is in its place; checkpoints are beginnings."""
    events = site.export(site.one)
    assert events == site.export(site.two)
    documents = [json.loads(body) for body in events]
    assert [each["sequence"] for each in documents] == list(range(len(documents)))
    for sequence, identifier in acknowledged:
        assert documents[sequence]["id"] == identifier
    assert len({sequence for sequence, _ in acknowledged}) == len(acknowledged)
    subjects: dict[str, int] = {}
    for each in documents:
        assert each["subject_sequence"] == subjects.get(each["subject"], -1) + 1
        subjects[each["subject"]] = each["subject_sequence"]
    keys = keys_of(site.two, site.tokens["auditor"])
    wanted = roots(events)
    size = 0
    for note in checkpoints:
        found = parse_checkpoint(open_note(note, keys).text)
        assert found.root == wanted[found.size]
        assert found.size >= size, "a checkpoint was given after a later one"
        size = found.size


# --- tests -----------------------------------------------------------------------------------------------
def test_writers_at_two_machines_make_one_log_without_a_gap_and_conflicts_are_tried_again(
    site: Site, request: pytest.FixtureRequest
) -> None:
    """The database undoes one write in five: serialisation failure, deadlock, or the connection lost."""
    request.addfinalizer(lambda: run(site.database_url, "DROP FUNCTION stumble() CASCADE"))
    stumble(site.database_url)
    acknowledged: list[tuple[int, str]] = []
    faults: list[Any] = []

    def work(number: int) -> None:
        for turn in range(12):
            machine = (site.one, site.two)[(number + turn) % 2]
            mark = f"H-{1 + (number + turn) % 3}"
            path = f"/v1/plants/P/hangers/{mark}/inspections"
            answer = machine.send("POST", path, site.tokens["engineer"], inspection())
            if answer.status != 201:
                faults.append((answer.status, answer.body))
                continue
            event = answer.json["event"]
            acknowledged.append((event["sequence"], event["id"]))

    watch = Watch(site)
    watch.start()
    threads = [threading.Thread(target=work, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(120)
    seen = watch.end()
    assert faults == []
    assert len(acknowledged) == 96
    assert stumbles(site.database_url) > 96
    assert len(seen) > 20
    check(site, acknowledged, seen)


def stumble(url: str) -> None:
    """Has the database undo some of the writes of events, each in one of three ways."""
    run(
        url,
        "CREATE SEQUENCE stumbles",  # what a sequence has counted is not undone
        "CREATE FUNCTION stumble() RETURNS trigger LANGUAGE plpgsql AS $$ DECLARE n bigint; BEGIN "
        "n := nextval('stumbles'); "
        "IF n % 15 = 2 THEN RAISE EXCEPTION 'undone' USING ERRCODE = '40001'; END IF; "
        "IF n % 15 = 7 THEN RAISE EXCEPTION 'undone' USING ERRCODE = '40P01'; END IF; "
        "IF n % 15 = 12 THEN PERFORM pg_terminate_backend(pg_backend_pid()); END IF; "
        "RETURN NEW; END $$",
        "CREATE TRIGGER stumble BEFORE INSERT ON events FOR EACH ROW EXECUTE FUNCTION stumble()",
    )


def run(url: str, *statements: str) -> None:
    with psycopg.connect(postgres.conninfo(url), autocommit=True) as connection:
        for statement in statements:
            connection.execute(statement)


def stumbles(url: str) -> int:
    with psycopg.connect(postgres.conninfo(url), autocommit=True) as connection:
        row = connection.execute("SELECT last_value FROM stumbles").fetchone()
    assert row is not None
    return int(row[0])


def test_one_key_at_two_machines_at_once_does_one_thing_once(site: Site) -> None:
    path = "/v1/plants/P/hangers/H-1/inspections"
    before = len(site.export(site.one))
    for turn in range(6):
        key = f"twin-request-{turn}"
        answers: list[Answer] = []

        def send(machine: Machine, key: str = key, answers: list[Answer] = answers) -> None:
            token = site.tokens["engineer"]
            answers.append(machine.send("POST", path, token, inspection(), Idempotency_Key=key))

        threads = [threading.Thread(target=send, args=(each,)) for each in (site.one, site.two) * 2]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(60)
        assert [answer.status for answer in answers] == [201] * 4
        assert len({answer.body for answer in answers}) == 1
        replayed = sorted(answer.headers.get("Idempotent-Replayed", "") for answer in answers)
        assert replayed == ["", "true", "true", "true"]
    assert len(site.export(site.two)) == before + 6


def test_cursors_and_tokens_count_on_both_machines_at_once(site: Site) -> None:
    administrator, engineer = site.tokens["administrator"], site.tokens["engineer"]
    marks, path = list[str](), "/v1/plants/P/hangers?limit=1"
    for machine in itertools.cycle((site.one, site.two)):
        page = machine.send("GET", path, engineer)
        assert page.status == 200, page.body
        marks += [item["mark"] for item in page.json["items"]]
        if page.json["next"] is None:
            break
        path = f"/v1/plants/P/hangers?limit=1&cursor={page.json['next']}"
    assert marks == ["H-1", "H-2", "H-3"]
    token = issued(site, "reader")
    assert site.one.send("GET", "/v1/plants/P/lines", token["token"]).status == 200
    revoked = site.one.send("POST", f"/v1/tokens/{token['id']}/revocations", administrator)
    assert revoked.status == 201
    assert site.two.send("GET", "/v1/plants/P/lines", token["token"]).status == 401


def test_a_machine_that_is_killed_leaves_the_log_to_the_other(site: Site) -> None:
    path = "/v1/plants/P/hangers/H-1/inspections"
    acknowledged: list[tuple[int, str]] = []
    over = threading.Event()

    def work() -> None:
        while not over.is_set():
            try:
                answer = site.one.send("POST", path, site.tokens["engineer"], inspection())
            except (OSError, http.client.HTTPException):
                return
            if answer.status == 201:
                acknowledged.append((answer.json["event"]["sequence"], answer.json["event"]["id"]))

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    deadline = time.monotonic() + 60
    while len(acknowledged) < 20 and time.monotonic() < deadline:
        time.sleep(0.01)
    site.one.end(signal.SIGKILL)
    over.set()
    for thread in threads:
        thread.join(60)
    begun = time.monotonic()
    answer = site.two.send("POST", path, site.tokens["engineer"], inspection())
    assert (answer.status, time.monotonic() - begun < 5) == (201, True)
    acknowledged.append((answer.json["event"]["sequence"], answer.json["event"]["id"]))
    site.one.start()
    note = site.one.send("GET", "/v1/plants/P/log/checkpoint", site.tokens["auditor"]).body
    check(site, acknowledged, [note])


@pytest.mark.parametrize("left_out", ["SIGNING_KEY_FILE", "WEBHOOK_SECRET_FILE", "CURSOR_SECRET_FILE"])
def test_a_machine_does_not_start_on_a_secret_file_that_is_not_there(
    site: Site, tmp_path: Path, left_out: str
) -> None:
    files = {**shared_files(site.one), left_out: str(tmp_path / "nothing")}
    third = machine(tmp_path / "third", site.database_url, **files)
    done = third.run("migrate") if left_out != "CURSOR_SECRET_FILE" else third.run("serve")
    assert done.returncode != 0
    assert not (tmp_path / "nothing").exists()


def test_a_machine_does_not_sign_with_a_key_of_its_own(site: Site, tmp_path: Path) -> None:
    done = machine(tmp_path / "third", site.database_url).run("migrate")
    assert done.returncode == 2, done.stderr
    assert "setting" in done.stderr
    stranger = machine(tmp_path / "stranger", f"sqlite:///{tmp_path / 'other.sqlite3'}")
    assert stranger.run("migrate").returncode == 0
    files = {**shared_files(site.one), "SIGNING_KEY_FILE": shared_files(stranger)["SIGNING_KEY_FILE"]}
    done = machine(tmp_path / "fourth", site.database_url, **files).run("migrate")
    assert done.returncode == 2, done.stderr
    assert "none of the keys" in done.stderr
