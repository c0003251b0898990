"""The verifier as a command: alone in an empty folder, with what it prints and how it ends."""

from __future__ import annotations

import ast
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from service.ledger import verifier
from service.ledger.verifier import main
from tests.unit.ledger.sample_log import KEY, ORIGIN, Log, full_log, key_of, rewritten, signer
from tests.unit.ledger.test_backups import backup
from tests.unit.ledger.test_receipts import receipt_of

SOURCE = Path(verifier.__file__)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A file of each kind, and the keys."""
    log = full_log()
    (tmp_path / "log.ndjson").write_bytes(b"".join(log.export()))
    (tmp_path / "part.ndjson").write_bytes(b"".join(log.export(wanted={"hanger": "H1"}, rows=[1, 3, 7])))
    (tmp_path / "event.tlog-proof").write_bytes(receipt_of(log, 2))
    (tmp_path / "checkpoint").write_bytes(log.note())
    (tmp_path / "old").write_bytes(log.note(5))
    (tmp_path / "keys").write_text(f"{key_of(2)}\n\n{KEY}\n")
    backup(tmp_path)
    return tmp_path


def run(folder: Path, capsys: pytest.CaptureFixture[str], file: str, *more: str) -> tuple[int, str]:
    """Exit status and what was printed; a relative name among the arguments is one in the folder."""
    arguments = [str(folder / each) if (folder / each).is_file() else each for each in (file, *more)]
    status = main([*arguments, "--key", str(KEY)] if "--key" not in more else arguments)
    captured = capsys.readouterr()
    return status, captured.out + captured.err


# --- what is verified -----------------------------------------------------------------------------------
def test_an_export_is_verified(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, said = run(folder, capsys, "log.ndjson", "--since", "old")
    assert status == 0
    assert said.startswith("VERIFIED\n")
    assert ORIGIN in said
    assert "8 events from 0 on, none left out" in said
    assert "2 documents, 2 texts" in said


def test_a_filtered_export_says_by_what_it_is_vouched_for(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, said = run(folder, capsys, "part.ndjson")
    assert status == 0
    assert '{"hanger":"H1"}' in said
    assert "by the signature over the seal alone" in said


def test_a_receipt_shows_its_entry(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, said = run(folder, capsys, "event.tlog-proof")
    assert status == 0
    assert full_log().bodies[2].decode() in said


def test_the_entry_of_a_receipt_may_be_given_apart(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "entry").write_bytes(full_log().bodies[2])
    assert run(folder, capsys, "event.tlog-proof", "--entry", "entry")[0] == 0
    (folder / "entry").write_bytes(full_log().bodies[1])
    assert run(folder, capsys, "event.tlog-proof", "--entry", "entry")[0] == 1


def test_a_checkpoint_is_verified(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, said = run(folder, capsys, "checkpoint")
    assert status == 0
    assert f"{ORIGIN}: 8 events, root {full_log().checkpoint().root.hex()}" in said


def test_a_backup_is_verified(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, said = run(folder, capsys, "backup.zip", "--since", "old")
    assert status == 0
    assert "backup of 2 logs" in said
    assert said.count("none left out") == 2


def test_keys_may_stand_in_a_file(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(folder, capsys, "log.ndjson", "--key", "keys")[0] == 0
    assert run(folder, capsys, "log.ndjson", "--key", str(key_of(2)), "--key", str(KEY))[0] == 0


# --- what is refused --------------------------------------------------------------------------------------
def test_the_first_bad_position_and_the_reason_are_printed(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = full_log().export()
    lines[1] = rewritten(lines[1], data={})
    (folder / "log.ndjson").write_bytes(b"".join(lines))
    status, said = run(folder, capsys, "log.ndjson")
    assert status == 1
    assert said.startswith("REFUSED: altered\nposition: 1\n")


@pytest.mark.parametrize(
    "file", ["log.ndjson", "part.ndjson", "event.tlog-proof", "checkpoint", "backup.zip"]
)
def test_another_key_is_refused_for_every_kind(
    folder: Path, capsys: pytest.CaptureFixture[str], file: str
) -> None:
    status, said = run(folder, capsys, file, "--key", str(key_of(2)))
    assert status == 1
    assert said.startswith("REFUSED: wrong-key\nposition: none\n")


def test_an_older_checkpoint_that_does_not_fit_is_refused(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "old").write_bytes(Log(["plant", "line/B"]).note())
    assert "REFUSED: forked\nposition: 0" in run(folder, capsys, "log.ndjson", "--since", "old")[1]
    assert "REFUSED: forked\nposition: 0" in run(folder, capsys, "backup.zip", "--since", "old")[1]
    (folder / "old").write_bytes(full_log().note(5, [signer(2)]))
    assert "REFUSED: wrong-key" in run(folder, capsys, "log.ndjson", "--since", "old")[1]
    assert "REFUSED: wrong-key" in run(folder, capsys, "backup.zip", "--since", "old")[1]
    (folder / "old").write_bytes(b"no note")
    assert "REFUSED: malformed" in run(folder, capsys, "backup.zip", "--since", "old")[1]


@pytest.mark.parametrize(
    "content", [b"", b"{", b"{}\n", b"something else\n", b"PK", b"\xff\xfe", b"c2sp.org/"]
)
def test_a_file_of_no_known_kind_is_refused(
    folder: Path, capsys: pytest.CaptureFixture[str], content: bytes
) -> None:
    (folder / "odd").write_bytes(content)
    assert run(folder, capsys, "odd")[0] == 1


def test_control_characters_of_a_file_never_reach_the_terminal(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = full_log()
    log.bodies[2] = b"\x1b[2J\xc2\x9b2J" + log.bodies[2]
    (folder / "event.tlog-proof").write_bytes(receipt_of(log, 2))
    status, said = run(folder, capsys, "event.tlog-proof")
    assert status == 0
    assert said.isascii()
    assert "\x1b" not in said
    other = "hangers.example/\u009b2J"
    (folder / "checkpoint").write_bytes(full_log().note(origin=other))
    for keys in ([], ["--key", str(key_of(1, other))]):
        assert run(folder, capsys, "checkpoint", *keys)[1].isascii()


# --- how it is called ---------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["log.ndjson"],
        ["log.ndjson", "--key", "nonsense"],
        ["log.ndjson", "--key", str(KEY), "--unknown"],
        ["absent", "--key", str(KEY)],
        ["log.ndjson", "--key", str(KEY), "--since", "absent"],
        ["log.ndjson", "--key", str(KEY), "--entry", "old"],
        ["checkpoint", "--key", str(KEY), "--since", "old"],
        ["event.tlog-proof", "--key", str(KEY), "--since", "old"],
        ["event.tlog-proof", "--key", str(KEY), "--entry", "absent"],
        [".", "--key", str(KEY)],
    ],
    ids=range(11),
)
def test_a_wrong_call_ends_with_two(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, arguments: list[str]
) -> None:
    monkeypatch.chdir(folder)
    assert main(arguments) == 2
    assert capsys.readouterr().err != ""


def test_help_ends_well(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == 0
    assert "--since" in capsys.readouterr().out


# --- alone ------------------------------------------------------------------------------------------------
def test_the_file_works_alone_in_an_empty_folder(
    folder: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    alone = tmp_path_factory.mktemp("alone")
    shutil.copy(SOURCE, alone / "verifier.py")
    for file, more in (
        ("log.ndjson", ["--since", str(folder / "old")]),
        ("event.tlog-proof", []),
        ("checkpoint", []),
        ("backup.zip", []),
    ):
        done = subprocess.run(
            [sys.executable, "-I", "verifier.py", folder / file, "--key", str(KEY), *more],
            cwd=alone,
            env={},
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert (done.returncode, done.stderr) == (0, "")
        assert done.stdout.startswith("VERIFIED\n")


def test_the_file_imports_the_standard_library_and_the_signature_library_alone() -> None:
    roots = set()
    for node in ast.walk(ast.parse(SOURCE.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            roots |= {each.name.split(".")[0] for each in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0
            roots.add((node.module or "").split(".")[0])
    assert roots - set(sys.stdlib_module_names) == {"cryptography"}
