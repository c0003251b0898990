"""README.md as printed: its requests run against the invented plant, and its answers are in the real ones."""

from __future__ import annotations

import json
import math
import os
import re
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from service.config import VARIABLES
from service.domain.access import ROLES
from service.domain.release.machine import STATES, TRANSITIONS

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCK = re.compile(r"^```(\w*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
BLOCKS = [(match[1], match[2]) for match in BLOCK.finditer(README)]
PRINTED_PORT = "8000"
VERIFIER = ROOT / "service/ledger/verifier.py"


@dataclass(frozen=True)
class Demo:
    """The invented plant, served: its port, and the shell's variables that it printed."""

    port: int
    variables: dict[str, str]

    def run(self, command: list[str], **options: Any) -> subprocess.CompletedProcess[str]:
        """Run a command with the tokens as a reader of the README has them."""
        environment = {"PATH": os.environ["PATH"], **self.variables}
        return subprocess.run(
            command, env=environment, capture_output=True, text=True, timeout=60, check=False, **options
        )

    def shell(self, text: str, **options: Any) -> str:
        """Standard output of a shell block as printed, with the port of this run."""
        done = self.run(
            ["bash", "-euo", "pipefail", "-c", text.replace(f":{PRINTED_PORT}/", f":{self.port}/")], **options
        )
        assert done.returncode == 0, done.stderr
        return done.stdout


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Demo]:
    folder = tmp_path_factory.mktemp("demo")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    environment = {**os.environ, "PORT": str(port), "DATA_DIR": str(folder / "data"), "LOG_LEVEL": "error"}
    environment.pop("DATABASE_URL", None)
    printed = folder / "printed"
    with printed.open("w") as output:
        process = subprocess.Popen(
            [sys.executable, "-m", "service", "demo"], cwd=ROOT, env=environment, stdout=output, stderr=output
        )
    try:
        _wait(port, process, printed)
        text = printed.read_text(encoding="utf-8")
        yield Demo(port, dict(re.findall(r"^export (\w+)=(\S+)$", text, re.MULTILINE)))
    finally:
        process.terminate()
        process.wait(timeout=30)


def _wait(port: int, process: subprocess.Popen[bytes], printed: Path) -> None:
    deadline = time.monotonic() + 120
    while time.monotonic() < deadline:
        assert process.poll() is None, printed.read_text(encoding="utf-8")
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/health/ready", timeout=2):
                return
        except (urllib.error.URLError, OSError):
            time.sleep(0.2)
    raise AssertionError("the demonstration did not come up")


def _missing(printed: Any, real: Any, place: str = "") -> list[str]:
    """Places of the printed answer that the real one does not bear out; items of lists keep their order."""
    if isinstance(printed, dict) and isinstance(real, dict):
        return [
            fault
            for name, value in printed.items()
            for fault in (
                _missing(value, real[name], f"{place}/{name}") if name in real else [f"{place}/{name} absent"]
            )
        ]
    if isinstance(printed, list) and isinstance(real, list):
        rest = iter(real)
        return [
            f"{place}/{number} not found"
            for number, value in enumerate(printed)
            if not any(not _missing(value, candidate) for candidate in rest)
        ]
    same = printed == real and isinstance(printed, bool) == isinstance(real, bool)
    if isinstance(printed, float) and isinstance(real, float):
        # Solved figures differ in their last digits from one processor to the next.
        same = math.isclose(printed, real, rel_tol=1e-8)
    return [] if same else [f"{place}: printed {printed!r}, real {real!r}"]


def test_the_comparison_of_answers_notices_what_differs() -> None:
    real = {"a": 1, "b": [{"c": 2}, {"c": 3}], "d": True}
    assert _missing({"a": 1, "b": [{"c": 3}]}, real) == []
    assert _missing({"a": 2}, real)
    assert _missing({"b": [{"c": 3}, {"c": 2}]}, real)
    assert _missing({"d": 1}, real)
    assert _missing({"e": None}, real)
    assert _missing({"f": 0.5}, {"f": 0.5000001})
    assert _missing({"f": 0.5}, {"f": 0.5 + 1e-12}) == []


def test_every_request_of_the_tour_gives_the_answer_that_is_printed(demo: Demo) -> None:
    replayed = 0
    for (language, command), (answer_language, answer) in pairwise(BLOCKS):
        if language == "sh" and answer_language == "json":
            output = demo.shell(command)
            real = json.loads(output.splitlines()[0] if "x-ndjson" in command else output)
            assert _missing(json.loads(answer), real) == [], command
            replayed += 1
    assert replayed == 13


def test_the_tour_of_the_readme_is_the_tour_that_the_demonstration_prints(demo: Demo) -> None:
    from datetime import UTC, datetime

    from service.demo.tour import stops

    paths = [stop.path for stop in stops(datetime.now(UTC))]
    assert [path for path in paths if f":{PRINTED_PORT}{path}'" not in README] == []


def test_the_maintenance_example_posts_records_as_printed(demo: Demo, tmp_path: Path) -> None:
    script = _example("Post hanger records")
    example = json.loads((ROOT / "schemas/hanger-record.schema.json").read_text())["examples"][0]
    records = tmp_path / "records.ndjson"
    rows = [{**example, "line": "FW-30", "mark": f"FW-30-9{number}", "external_ids": []} for number in (1, 2)]
    records.write_text("\n".join(json.dumps(row) for row in rows))
    done = demo.run([sys.executable, "-c", script, str(records)])
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines() == ["1 FW-30-91 created 1", "2 FW-30-92 created 1"]
    records.write_text(json.dumps({**rows[0], "line": "NO-1", "mark": "X-1"}))
    refused = demo.run([sys.executable, "-c", script, str(records)])
    assert refused.returncode == 1
    assert "known-line" in refused.stdout


def test_the_contractor_example_answers_as_printed(demo: Demo) -> None:
    (command,) = [
        text for language, text in BLOCKS if language == "sh" and "readiness" in text and "$SERVICE" in text
    ]
    assert demo.shell(command) == "ready 0 blockers\n"


def test_the_audit_example_copies_the_log_and_notices_a_change(demo: Demo, tmp_path: Path) -> None:
    script = _example("Keep a verified copy")
    assert len(script.splitlines()) < 80
    (tmp_path / "follow_log.py").write_text(script, encoding="utf-8")
    keys, pull = (_shell("/log/key"), _shell("follow_log.py").replace("python3", sys.executable))
    demo.shell(keys, cwd=tmp_path)
    first = demo.shell(pull, cwd=tmp_path)
    assert re.fullmatch(r"\d+ events verified\n", first)
    assert demo.shell(pull, cwd=tmp_path) == first
    copy = tmp_path / "copy" / "events.ndjson"
    lines = copy.read_bytes().splitlines(keepends=True)
    place = next(number for number, line in enumerate(lines) if b'"bearing_face":"none"' in line)
    lines[place] = lines[place].replace(b'"bearing_face":"none"', b'"bearing_face":"lower"')
    copy.write_bytes(b"".join(lines))
    refused = demo.run(["bash", "-euc", pull], cwd=tmp_path)
    assert refused.returncode != 0
    assert "REFUSED: copy was altered" in refused.stderr


def test_what_was_pulled_verifies_as_printed_and_a_change_is_named(demo: Demo, tmp_path: Path) -> None:
    demo.shell(_shell("/log/key"), cwd=tmp_path)
    command = _shell("service verify").replace(
        ".venv/bin/python -m service verify", f"{sys.executable} {VERIFIER}"
    )
    assert demo.shell(command, cwd=tmp_path).startswith("VERIFIED\n")
    log = tmp_path / "log.ndjson"
    lines = log.read_bytes().splitlines(keepends=True)
    lines[7] = lines[7].replace(b'"sequence":7', b'"sequence":8')
    log.write_bytes(b"".join(lines))
    check = command.splitlines()[-1]
    refused = demo.run(["bash", "-euc", check], cwd=tmp_path)
    assert refused.returncode == 1
    assert "position: 7" in refused.stdout + refused.stderr


def _shell(part: str) -> str:
    (command,) = [text for language, text in BLOCKS if language == "sh" and part in text]
    return command


def _example(beginning: str) -> str:
    (script,) = [text for language, text in BLOCKS if language == "python" and beginning in text]
    return script


def test_the_table_of_settings_states_every_variable() -> None:
    for variable in VARIABLES:
        default = f"`{variable.default}`" if variable.default else "none"
        accepted = variable.accepted.replace("|", "/")
        assert f"| `{variable.name}` | {default} | {accepted} | {variable.meaning} |" in README


def test_every_role_state_and_step_is_explained() -> None:
    rows = {
        line.split("|")[1].strip(): line.split("|") for line in README.splitlines() if line.startswith("| ")
    }
    assert [role for role in ROLES if f"`{role}`" not in rows] == []
    assert [state for state in STATES if f"`{state}`" not in README] == []
    for name, transition in TRANSITIONS.items():
        _, _, start, target, who, _ = rows[name]
        if name != "hold":
            assert {part.strip() for part in start.split(",")} == set(transition.targets)
        if name != "dispose":
            assert target.split(",")[0].strip() in transition.targets.values()
        assert ("service" in who) == (transition.permission is None)


def test_every_command_of_make_that_is_named_exists() -> None:
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    text = README + (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`?make ([a-z-]+)`", text)) | set(
        re.findall(r"^make ([a-z-]+)", text, re.MULTILINE)
    )
    assert named
    assert [name for name in sorted(named) if not re.search(rf"^{name}:", makefile, re.MULTILINE)] == []
