"""The script of README.md that keeps a copy of a log: as printed, against honest and dishonest services."""

from __future__ import annotations

import base64
import json
import os
import re
import shutil
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from werkzeug.serving import WSGIRequestHandler, make_server

from service.ledger.notes import Signer, checkpoint_text, load_signers, new_private_key_pem, signed_note
from service.ledger.verifier import Frontier, leaf_hash
from tests.http.conftest import small_plant
from tests.http.running import LINE, Running

README = Path(__file__).resolve().parents[2] / "README.md"
BLOCK = re.compile(
    r'^```python\n("""Keep a verified copy of a plant\'s log.*?)^```$', re.MULTILINE | re.DOTALL
)
EXPORT = {"Accept": "application/x-ndjson"}
Lines = list[bytes]
FIRST_EVENTS: Lines = []  # what the follower holds when a forger begins


def script() -> str:
    """The script, as README.md prints it."""
    found = BLOCK.search(README.read_text("utf-8"))
    assert found is not None, "README.md does not print the script"
    return found[1]


class Quiet(WSGIRequestHandler):
    def log(self, *_given: Any) -> None:
        """Says nothing."""


class Service:
    """A service behind a socket, whose answers to the puller may be changed on their way."""

    def __init__(self, running: Running) -> None:
        self.running, self.change = running, None
        self.writer = running.caller("engineer")
        self.reader = running.caller("auditor")
        self.change: Callable[[Lines], Lines] | None = None
        self.server = make_server("127.0.0.1", 0, self._answer, threaded=True, request_handler=Quiet)
        self.thread = threading.Thread(target=self.server.serve_forever)
        self.thread.start()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.server.server_port}/v1/plants/P"

    def _answer(self, environ: Any, start: Any) -> Any:
        if self.change is None or "/events" not in environ["PATH_INFO"]:
            return self.running.app(environ, start)
        held: list[Any] = []
        body = b"".join(self.running.app(environ, lambda *given: held.append(given)))
        if held[0][0].startswith("200"):
            body = b"".join(self.change(body.splitlines(keepends=True)))
        start(*held[0])
        return [body]

    def export(self) -> Lines:
        lines = self.reader.get("/v1/plants/P/events", headers=EXPORT).data.splitlines(keepends=True)
        assert lines[-1].startswith(b'{"trailer"')
        return lines

    def events(self) -> bytes:
        return b"".join(self.export()[:-1])

    def append(self, count: int, name: str = "M") -> None:
        for _ in range(count):
            number = self.running.chance.id()[:6]
            done = self.writer.put(f"/v1/plants/P/lines/{name}-{number}", LINE)
            assert done.status_code == 201, done.data

    def close(self) -> None:
        self.server.shutdown()
        self.thread.join()
        self.server.server_close()
        self.running.close()


@contextmanager
def put_back(saved: Path, folder: Path) -> Iterator[Service]:
    """A service on what was saved of another one's folder, keys and all."""
    running = Running(folder)
    running.close()
    shutil.copytree(saved, folder, dirs_exist_ok=True)
    running.chance._seed = "put back"
    service = Service(running)
    try:
        yield service
    finally:
        service.close()


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    running = Running(tmp_path / "service")
    small_plant(running)
    found = Service(running)
    yield found
    found.close()


class Follower:
    """The script as a reader of the README would run it."""

    def __init__(self, folder: Path, service: Service) -> None:
        self.folder, self.service = folder, service
        self.script, self.keys = folder / "follow_log.py", folder / "keys"
        folder.mkdir()
        self.script.write_text(script(), "utf-8")
        self.keys.write_bytes(
            service.reader.get("/v1/plants/P/log/key", headers={"Accept": "text/plain"}).data
        )

    def command(self, *more: str) -> list[str]:
        return [
            sys.executable,
            str(self.script),
            self.service.url,
            str(self.folder / "copy"),
            str(self.keys),
            *more,
        ]

    @property
    def environment(self) -> dict[str, str]:
        return {"PATH": os.environ["PATH"], "TOKEN": self.service.reader.token}

    def run(self) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            self.command("--once"),
            env=self.environment,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )

    @property
    def copy(self) -> bytes:
        return (self.folder / "copy" / "events.ndjson").read_bytes()

    @property
    def size(self) -> int:
        """Events up to which the copy is verified, as its checkpoint states."""
        return int((self.folder / "copy" / "checkpoint").read_text().split("\n")[1])

    def kept(self) -> bytes:
        """The events that the checkpoint covers."""
        return b"".join(self.copy.splitlines(keepends=True)[: self.size])


@pytest.fixture
def follower(tmp_path: Path, service: Service) -> Follower:
    return Follower(tmp_path / "follower", service)


def follows(follower: Follower) -> None:
    done = follower.run()
    assert done.returncode == 0, done.stderr
    assert follower.copy == follower.service.events()
    assert follower.size == len(follower.copy.splitlines())
    assert done.stdout == f"{follower.size} events verified\n"


def refuses(follower: Follower, word: str = "REFUSED", what: str = "") -> None:
    """It says that it does not believe the answer, and keeps what it had."""
    before = follower.kept(), follower.size
    done = follower.run()
    assert done.returncode == 1, (what, done.stdout)
    assert word in done.stderr, what
    assert (follower.kept(), follower.size) == before, what


def test_the_script_has_fewer_than_80_lines() -> None:
    assert len(script().splitlines()) < 80


def test_a_copy_grows_with_the_log_and_holds_its_exact_bytes(service: Service, follower: Follower) -> None:
    follows(follower)
    for count in (1, 0, 2, 253, 0, 5, 300):
        service.append(count)
        follows(follower)
    assert follower.size > 550


def test_it_goes_on_for_ever(service: Service, follower: Follower) -> None:
    with subprocess.Popen(
        follower.command(), env=follower.environment, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        try:
            for _ in range(3):
                wanted = len(service.export()) - 1
                while process.stdout.readline() != f"{wanted} events verified\n":
                    pass
                service.append(1)
            assert process.poll() is None
        finally:
            process.terminate()
            process.wait(30)
    follows(follower)


def test_two_at_once_do_not_meet_in_one_folder(service: Service, follower: Follower) -> None:
    with subprocess.Popen(
        follower.command(), env=follower.environment, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        process.stdout.readline()
        done = follower.run()
        process.terminate()
        process.wait(30)
    assert done.returncode != 0
    assert "BlockingIOError" in done.stderr
    follows(follower)


def test_what_a_crash_left_beyond_the_checkpoint_is_pulled_again(
    service: Service, follower: Follower
) -> None:
    follows(follower)
    service.append(3)
    for rest in (b'{"half an ev', b"".join(service.export()[-3:-1]), b"other\n" * 9):
        with (follower.folder / "copy" / "events.ndjson").open("ab") as events:
            events.write(rest)
        follows(follower)
        service.append(1)


def test_a_copy_that_was_altered_is_told(service: Service, follower: Follower) -> None:
    service.append(5)
    follows(follower)
    file, whole = follower.folder / "copy" / "events.ndjson", follower.copy
    for spoilt in (
        whole.replace(b'"kind":"variable"', b'"kind":"constant"', 1),
        whole[:-40],
        b"".join(whole.splitlines(keepends=True)[1:]),
        b"",
    ):
        assert spoilt != whole
        file.write_bytes(spoilt)
        done = follower.run()
        assert (done.returncode, "was altered" in done.stderr) == (1, True)
    file.write_bytes(whole)
    follows(follower)


def test_a_service_that_is_down_or_hides_the_log_is_told_and_nothing_is_lost(
    service: Service, follower: Follower, tmp_path: Path
) -> None:
    follows(follower)
    before = follower.copy
    token, service.reader.token = service.reader.token, "x" * 43
    done = follower.run()
    assert (done.returncode, "401" in done.stderr) == (1, True)
    service.reader.token = token
    command = [*follower.command("--once")]
    command[2] = "http://127.0.0.1:9/v1/plants/P"
    done = subprocess.run(
        command, env=follower.environment, capture_output=True, text=True, timeout=60, check=False
    )
    assert (done.returncode, "refused" in done.stderr) == (1, True)
    assert follower.copy == before
    follows(follower)


# --- dishonest answers -----------------------------------------------------------------------------------
def without_trailer(lines: Lines) -> Lines:
    return lines[:-1]


def within_a_line(lines: Lines) -> Lines:
    return [*lines[:-2], lines[-2][:50]]


def within_the_trailer(lines: Lines) -> Lines:
    return [*lines[:-1], lines[-1][:-30]]


def test_an_answer_that_is_cut_off_is_not_kept_and_asked_for_again(
    service: Service, follower: Follower
) -> None:
    follows(follower)
    service.append(4)
    for cut in (without_trailer, within_a_line, within_the_trailer):
        service.change = cut
        refuses(follower, "cut off", cut.__name__)
    service.change = None
    follows(follower)


def test_after_answers_that_were_cut_off_it_goes_on_where_it_was(
    service: Service, follower: Follower
) -> None:
    left = [within_a_line, without_trailer]
    service.change = lambda lines: left.pop()(lines) if left else lines
    with subprocess.Popen(
        follower.command(), env=follower.environment, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        try:
            assert process.stdout.readline() == f"{len(service.export()) - 1} events verified\n"
        finally:
            process.terminate()
            process.wait(30)
    assert left == []
    follows(follower)


def altered(lines: Lines) -> Lines:
    return [*lines[:-3], lines[-3].replace(b"main steam", b"main stead"), *lines[-2:]]


def left_out(lines: Lines) -> Lines:
    return [*lines[:-3], *lines[-2:]]


def shortened(lines: Lines) -> Lines:
    return [*lines[:-2], lines[-1]]


def reordered(lines: Lines) -> Lines:
    return [*lines[:-3], lines[-2], lines[-3], lines[-1]]


def doubled(lines: Lines) -> Lines:
    return [*lines[:-2], lines[-2], lines[-2], lines[-1]]


def made_up(lines: Lines) -> Lines:
    return [*lines[:-1], b'{"made":"up"}\n', lines[-1]]


def split(lines: Lines) -> Lines:
    return [*lines[:-2], lines[-2][:20] + b"\n" + lines[-2][20:], lines[-1]]


def emptied(lines: Lines) -> Lines:
    return lines[-1:]


def unsigned(lines: Lines) -> Lines:
    return [*lines[:-1], with_note(lines[-1], lambda note: note.split("\n\n")[0] + "\n\n")]


def other_size(lines: Lines) -> Lines:
    """States fewer events than were signed, as the lines given do."""
    return [*lines[:-2], with_note(lines[-1], lambda note: re.sub(r"\n(\d+)\n", less, note, count=1))]


def less(found: re.Match[str]) -> str:
    return f"\n{int(found[1]) - 1}\n"


def of_a_stranger(lines: Lines) -> Lines:
    """A checkpoint that fits the lines, signed under the right name by another key."""
    stranger = load_signers(new_private_key_pem(b"\7" * 32))[0]
    return [*lines[:-1], with_note(lines[-1], lambda note: resigned(note, stranger))]


def resigned(note: str, signer: Signer) -> str:
    origin, size, root = note.split("\n")[:3]
    text = checkpoint_text(origin, int(size), base64.b64decode(root))
    return signed_note(text, origin, [signer]).decode()


def forged(lines: Lines) -> Lines:
    """A checkpoint that fits the lines, with the true one's signature below it."""
    given = shortened(lines)
    frontier = Frontier()
    for line in FIRST_EVENTS + given[:-1]:
        frontier.append(leaf_hash(line[:-1]))

    def change(note: str) -> str:
        origin, _, signatures = note.partition("\n")[0], *note.split("\n\n")
        return f"{checkpoint_text(origin, frontier.size, frontier.root())}\n{signatures}"

    return [*given[:-1], with_note(given[-1], change)]


def with_note(trailer: bytes, change: Callable[[str], str]) -> bytes:
    document = json.loads(trailer)
    document["trailer"]["checkpoint"] = change(document["trailer"]["checkpoint"])
    return json.dumps(document, separators=(",", ":")).encode() + b"\n"


def no_note(lines: Lines) -> Lines:
    return [*lines[:-1], b'{"trailer":{}}\n']


def no_json(lines: Lines) -> Lines:
    return [*lines[:-1], b'{"trailer":{{}\n']


TAMPERING = (
    altered, left_out, shortened, reordered, doubled, made_up, split, emptied, unsigned, other_size,
    of_a_stranger, forged, no_note, no_json,
)  # fmt: skip


def test_an_answer_that_was_tampered_with_is_refused(service: Service, follower: Follower) -> None:
    follows(follower)
    FIRST_EVENTS[:] = follower.copy.splitlines(keepends=True)
    service.append(4)
    for change in TAMPERING:
        service.change = change
        refuses(follower, what=change.__name__)
    service.change = None
    follows(follower)


def test_the_checkpoint_of_another_log_is_refused_though_the_same_key_signed_it(
    service: Service, follower: Follower
) -> None:
    signer = load_signers(service.running.settings.signing_key_file.read_bytes())[0]

    def change(lines: Lines) -> Lines:
        note = json.loads(lines[-1])["trailer"]["checkpoint"]
        origin, size, root = note.split("\n")[:3]
        other = signed_note(f"{origin}/other\n{size}\n{root}\n", origin, [signer]).decode()
        return [*lines[:-1], with_note(lines[-1], lambda _: other)]

    service.change = change
    done = follower.run()
    assert (done.returncode, "REFUSED" in done.stderr) == (1, True)
    service.change = None
    follows(follower)


def test_a_tampered_first_answer_leaves_no_checkpoint(service: Service, follower: Follower) -> None:
    service.change = altered
    service.append(3)
    done = follower.run()
    assert (done.returncode, "REFUSED" in done.stderr) == (1, True)
    assert not (follower.folder / "copy" / "checkpoint").exists()
    service.change = None
    follows(follower)


# --- another past under the right key ----------------------------------------------------------------------
def copied(service: Service, folder: Path) -> None:
    """The service's folder as it is now: with its keys, as a backup of the whole machine would have it."""
    service.running.close()
    shutil.copytree(service.running.settings.data_directory, folder)


@pytest.mark.parametrize("more", [0, 1, 5], ids=["shorter", "as long", "longer"])
def test_a_log_that_was_put_back_and_went_another_way_is_refused(
    service: Service, follower: Follower, tmp_path: Path, more: int
) -> None:
    """The whole machine is put back, with its keys and its witness: every signature it gives is right."""
    service.append(3)
    copied(service, tmp_path / "saved")
    service.append(1)
    follows(follower)
    with put_back(tmp_path / "saved", tmp_path / "put back") as other:
        other.append(more, "X")
        other.reader = service.reader
        assert other.running.settings.signing_key_file.read_bytes() == (
            service.running.settings.signing_key_file.read_bytes()
        )
        follower.service = other
        refuses(follower, "beyond the end" if more == 0 else "REFUSED")
    follower.service = service
    service.append(1)
    follows(follower)
