"""The commands: what each does, prints and returns, and the server with the relay beside it."""

from __future__ import annotations

import contextlib
import io
import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from service.cli import main, parser
from service.config import Settings
from service.ledger import verifier
from service.persistence.store import SqlStore, open_store
from tests.contract.acts import append, inspection, open_plant, plant_record
from tests.contract.test_rebuild import unguarded

CHECKOUT = Path(__file__).resolve().parents[2]


@dataclass
class Shell:
    """A data folder of its own, in which commands are run."""

    folder: Path
    monkeypatch: pytest.MonkeyPatch

    @property
    def data(self) -> Path:
        return self.folder / "data"

    def use(self, **environ: str) -> None:
        for name, value in environ.items():
            self.monkeypatch.setenv(name, value)

    def run(self, *arguments: object) -> tuple[int, str, str]:
        out, err = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            status = main([str(each) for each in arguments])
        return status, out.getvalue(), err.getvalue()

    @contextlib.contextmanager
    def store(self) -> Iterator[SqlStore]:
        with contextlib.closing(open_store(Settings.from_environment(os.environ))) as store:
            yield store

    def keys(self) -> Path:
        file = self.folder / "keys.txt"
        status, out, _ = self.run("key", "list", "--verifier")
        assert status == 0
        file.write_text(out)
        return file


@pytest.fixture
def shell(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Shell:
    """Migrated, with a plant of three events of which the last has words."""
    for name in (
        "DATABASE_URL",
        "SIGNING_KEY_FILE",
        "WEBHOOK_SECRET_FILE",
        "CURSOR_SECRET_FILE",
        "LOG_ORIGIN",
    ):
        monkeypatch.delenv(name, raising=False)
    shell = Shell(tmp_path, monkeypatch)
    shell.use(DATA_DIR=str(shell.data))
    assert shell.run("migrate") == (0, "", "")
    with shell.store() as store:
        open_plant(store, "Works")
        acts = (inspection("H1", "A", in_place=True), inspection("H1", "A", texts={"note": "seen"}))
        append(store, "Works", plant_record(), *acts)
    return shell


def test_every_command_says_what_it_is_for() -> None:
    text = parser().format_help()
    words = (
        "migrate serve relay demo openapi token key rebuild verify-log verify verifier backup restore export"
    )
    named = set(words.split())
    listed = re.search(r"\{([a-z,-]+)\}", text)
    assert listed is not None
    assert set(listed[1].split(",")) == named
    for name in named:
        assert re.search(rf"^    {name}(?: +|\n +)\S", text, flags=re.MULTILINE), name


def test_an_error_of_the_service_is_told_and_returns_two(shell: Shell) -> None:
    status, out, err = shell.run("token", "--role", "reader", "--principal", "pr_00000000000000000000000001")
    assert (status, out) == (2, "")
    assert err.startswith("invalid-document: ")
    assert "/principal" in err
    shell.use(PORT="none")
    assert shell.run("migrate")[::2] == (
        2,
        "setting: PORT 'none' is not an integer written in digits; accepted: an integer from 1 to 65535.\n",
    )


def test_a_token_is_printed_and_nothing_else(shell: Shell) -> None:
    status, out, err = shell.run("token", "--role", "auditor", "--plant", "Works")
    assert (status, err) == (0, "")
    assert re.fullmatch(r"[A-Za-z0-9_-]{43}\n", out)


# --- keys -------------------------------------------------------------------------------------------------
def test_keys_are_listed_added_and_retired(shell: Shell) -> None:
    status, before, _ = shell.run("key", "list")
    assert status == 0
    assert re.fullmatch(r"[0-9a-f]{64} since \S+\n", before)
    status, added, _ = shell.run("key", "add")
    assert status == 0
    assert shell.run("key", "list")[1] == before + added
    with shell.store() as store:
        append(store, "Works", inspection("H1", "A", in_place=True))
        with store.read("Works") as reader:
            end = reader.checkpoint()
    assert end is not None
    assert len(verifier.parse_note(end.note).signatures) == 2
    old = before[:64]
    status, retired, _ = shell.run("key", "retire", old[:12])
    assert status == 0
    assert re.fullmatch(rf"{old} since \S+ until \S+\n", retired)
    assert shell.run("key", "retire", added[:8])[0] == 2, "the last key was retired"
    assert shell.run("key", "retire", "0" * 8)[2].startswith("not-found: ")


def test_verifier_keys_are_of_every_log_and_of_backups(shell: Shell) -> None:
    with shell.store() as store, store.read("Works") as plant, store.read_service() as service:
        names = {plant.origin, service.origin, "hangers.example/log/backup"}
    keys = [verifier.VerifierKey.parse(line) for line in shell.keys().read_text().splitlines()]
    assert {key.name for key in keys} == names
    assert len(keys) == 3


# --- verifying ----------------------------------------------------------------------------------------------
def test_a_healthy_store_is_verified_and_an_altered_one_is_closed_at_its_position(shell: Shell) -> None:
    status, out, err = shell.run("verify-log")
    assert (status, err) == (0, "")
    assert "Works: 3 events agree" in out
    with shell.store() as store:
        unguarded(store, "UPDATE events SET body = leaf_hash WHERE log = 1 AND sequence = 1")
    status, out, err = shell.run("verify-log")
    assert status == 1
    assert re.match(r"Works: closed to writes: altered at position 1, found \S+\n", err)
    assert "service: 2 events agree" in out
    assert shell.run("verify-log")[0] == 1


def test_the_verifier_carried_away_checks_what_the_commands_wrote(shell: Shell) -> None:
    backup, export = shell.folder / "backup.zip", shell.folder / "works.ndjson"
    assert shell.run("backup", backup)[0] == 0
    assert shell.run("export", "Works", export)[0] == 0
    assert b'"text":"seen"' in export.read_bytes()
    status, source, _ = shell.run("verifier")
    assert status == 0
    carried = shell.folder / "carried.py"
    carried.write_text(source)
    keys = shell.keys()

    def carried_away(file: Path) -> tuple[int, str]:
        command = [sys.executable, "-I", str(carried), str(file), "--key", str(keys)]
        answer = subprocess.run(
            command, cwd=shell.folder, capture_output=True, text=True, timeout=60, check=False
        )
        return answer.returncode, answer.stdout + answer.stderr

    for file in (backup, export):
        status, said = carried_away(file)
        assert status == 0, said
        assert shell.run("verify", file, "--key", keys)[0] == 0
    lines = export.read_bytes().splitlines(keepends=True)
    export.write_bytes(b"".join(lines[:1] + lines[2:]))
    status, said = carried_away(export)
    assert status == 1
    assert "missing" in said
    assert "1" in said
    assert shell.run("verify", export, "--key", keys)[0] == 1


def test_verify_called_wrongly_returns_two(shell: Shell) -> None:
    with contextlib.suppress(SystemExit):
        assert shell.run("verify")[0] == 2
        assert shell.run("verify", shell.folder / "nothing", "--key", "no-key")[0] == 2


def test_an_export_replaces_no_file_and_ends_whole(shell: Shell) -> None:
    file = shell.folder / "works.ndjson"
    file.write_text("mine")
    assert shell.run("export", "Works", file)[0] == 2
    assert file.read_text() == "mine"
    status, _, err = shell.run("export", "Nowhere", shell.folder / "other.ndjson")
    assert status == 2
    assert err.startswith("not-found: ")
    assert [each.name for each in shell.folder.iterdir() if "other" in each.name] == []


# --- backup and restore -----------------------------------------------------------------------------
def test_a_backup_is_told_and_restored_into_an_empty_database(shell: Shell) -> None:
    file = shell.folder / "backup.zip"
    status, out, err = shell.run("backup", file)
    assert (status, err) == (0, "")
    assert "Works: 3 events under hangers.example/log/" in out
    assert f"{file}: {file.stat().st_size} bytes, state of " in out
    assert shell.run("backup", file)[0] == 2
    assert shell.run("restore", file)[2].startswith("conflict: ")
    keys = shell.keys()
    for key in (keys, keys.read_text().splitlines()[0]):
        name = f"new-{len(str(key))}"
        shell.use(DATA_DIR=str(shell.folder / name))
        status, out, err = shell.run("restore", file, "--key", key)
        assert status == 0, err
        assert "Works: 3 events of the backup, 3 now\n" in out
        assert "Works: no checkpoint was at hand" in err
        assert shell.run("verify-log")[0] == 0
        assert shell.run("rebuild") == (0, "0 differences\n", "")


def test_a_loss_must_be_declared_with_words(shell: Shell) -> None:
    file = shell.folder / "backup.zip"
    assert shell.run("backup", file)[0] == 0
    with shell.store() as store:
        append(store, "Works", inspection("H1", "A", in_place=True))
    database = shell.data / "service.sqlite3"
    for each in shell.data.glob("service.sqlite3*"):
        each.unlink()
    status, out, err = shell.run("restore", file)
    assert (status, out) == (1, "")
    assert "Works ends at 3 in the backup, and a checkpoint for 4 was given" in err
    assert "--declare-loss" in err
    assert shell.run("restore", file, "--declare-loss", "  ")[0] == 2
    status, out, err = shell.run("restore", file, "--declare-loss", "the disk failed")
    assert (status, err) == (0, "")
    assert re.search(r"Works: 3 events of the backup, 4 now; loss declared, goes on as \S+/2\n", out)
    assert database.exists()
    assert shell.run("migrate")[0] == 0
    assert shell.run("verify-log")[0] == 0


def test_a_file_that_is_no_backup_is_refused(shell: Shell) -> None:
    file = shell.folder / "file.zip"
    file.write_bytes(b"no backup")
    keys = shell.keys()
    shell.use(DATA_DIR=str(shell.folder / "new"))
    status, _, err = shell.run("restore", file, "--key", keys)
    assert (status, err) == (1, "refused: the file is no ZIP file\n")
    status, _, err = shell.run("restore", file, "--key", "no+key")
    assert (status, err[:20]) == (1, "refused: The key is ")
    status, _, err = shell.run("restore", shell.folder / "nothing.zip", "--key", keys)
    assert status == 2
    assert "No such file" in err
    assert shell.run("restore", file, "--key", shell.folder / "no-file")[0] == 2


# --- serving ----------------------------------------------------------------------------------------
def children(pid: int) -> dict[int, str]:
    """Command lines of the processes below one, all the way down."""
    found: dict[int, str] = {}
    for folder in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            status = (folder / "stat").read_text().rpartition(")")[2].split()
            if int(status[1]) == pid and status[0] != "Z":
                words = (folder / "cmdline").read_bytes().replace(b"\0", b" ").decode()
                found[int(folder.name)] = words
                found |= children(int(folder.name))
    return found


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def relays(server: subprocess.Popen[bytes]) -> list[int]:
    return [pid for pid, words in children(server.pid).items() if "service relay" in words]


def until(wanted: bool, server: subprocess.Popen[bytes], seconds: float = 30) -> list[int]:
    """The relay's processes once there are any, or none."""
    end = time.monotonic() + seconds
    while bool(found := relays(server)) != wanted and time.monotonic() < end:
        time.sleep(0.1)
    return found


@contextlib.contextmanager
def serving(**more: str) -> Iterator[subprocess.Popen[bytes]]:
    """The server in a process of its own, once it takes connections."""
    port = free_port()
    environ = {**os.environ, "PORT": str(port), "LOG_LEVEL": "error", "WORKERS": "1", **more}
    server = subprocess.Popen([sys.executable, "-m", "service", "serve"], cwd=CHECKOUT, env=environ)
    try:
        end = time.monotonic() + 60
        while time.monotonic() < end:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 1):
                break
            time.sleep(0.1)
        yield server
    finally:
        if server.poll() is None:
            server.kill()
            server.wait(60)


def gone(pids: list[int], seconds: float = 40) -> bool:
    """Whether all of these processes end in time; those that do not are killed."""
    end = time.monotonic() + seconds
    while any(Path(f"/proc/{pid}").exists() for pid in pids) and time.monotonic() < end:
        time.sleep(0.1)
    left = [pid for pid in pids if Path(f"/proc/{pid}").exists()]
    for pid in left:
        os.kill(pid, signal.SIGKILL)
    return not left


WITH_PROC = pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks at processes by /proc")


@WITH_PROC
@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGKILL])
def test_the_relay_begins_and_ends_with_the_server(shell: Shell, how: signal.Signals) -> None:
    with serving() as server:
        found = until(True, server)
        assert found
        server.send_signal(how)
        server.wait(60)
        assert gone(found)


@WITH_PROC
def test_no_relay_runs_where_it_is_turned_off(shell: Shell) -> None:
    with serving(RELAY="off") as server:
        assert until(True, server, 2) == []
        server.terminate()
        assert server.wait(60) == 0


@WITH_PROC
def test_a_relay_that_was_killed_is_started_again(shell: Shell) -> None:
    with serving() as server:
        first = until(True, server)
        for pid in first:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        assert gone(first)
        again = until(True, server)
        assert again
        assert not set(again) & set(first)
        server.terminate()
        server.wait(60)
        assert gone(again)


def test_openapi_is_compared_with_the_routes(
    shell: Shell, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    from service.cli import serving

    file = tmp_path / "openapi.yaml"
    monkeypatch.setattr(serving, "OPENAPI_FILE", file)
    assert shell.run("openapi", "--write")[0] == 0
    assert shell.run("openapi", "--check") == (0, "", "")
    file.write_text(file.read_text().replace("summary: List plants", "summary: List all plants"))
    status, out, _ = shell.run("openapi", "--check")
    assert status == 1
    assert "List all plants" in out
