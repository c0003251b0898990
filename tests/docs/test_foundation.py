"""The project's own files agree: Makefile, locks, floors, container files, and the tests' databases."""

from __future__ import annotations

import os
import re
import shutil
import stat
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
import yaml

from tests import postgres

CHECKOUT = Path(__file__).resolve().parents[2]
LOCKS = ("requirements.lock", "tests/requirements.lock")


def text(name: str) -> str:
    return (CHECKOUT / name).read_text("utf-8")


def project() -> dict[str, Any]:
    return tomllib.loads(text("pyproject.toml"))


def name_of(requirement: str) -> str:
    return re.split(r"[=\[; ]", requirement, maxsplit=1)[0].lower().replace("_", "-")


def pins(requirements: list[str]) -> dict[str, str]:
    return {
        name_of(each): match[1]
        for each in requirements
        if (match := re.search(r"==([0-9][0-9a-z.]*)", each)) is not None
    }


def locked(name: str) -> dict[str, set[str]]:
    versions: dict[str, set[str]] = {}
    for package, version in re.findall(r"^([a-z0-9-]+)==(\S+)", text(name), flags=re.M):
        versions.setdefault(package, set()).add(version)
    return versions


def run(*command: str, **environ: str) -> subprocess.CompletedProcess[str]:
    kept = {
        key: value for key, value in os.environ.items() if key not in {"PYTHON", "VENV", "MAKEFLAGS", "CI"}
    }
    return subprocess.run(
        command, cwd=CHECKOUT, env=kept | environ, capture_output=True, text=True, timeout=120, check=False
    )


# --- requirements ----------------------------------------------------------------------------------
@pytest.mark.parametrize("lock", LOCKS)
def test_a_lock_names_no_host_no_index_and_no_path(lock: str) -> None:
    content = text(lock)
    assert "://" not in content
    assert not re.search(r"^\s*--(?!hash=sha256:)", content, flags=re.M)
    assert not re.search(r"^(?!#)\S*/", content, flags=re.M)


@pytest.mark.parametrize("lock", LOCKS)
def test_every_locked_requirement_is_pinned_and_hashed(lock: str) -> None:
    entries = re.split(r"(?m)^(?=[a-z0-9])", text(lock))[1:]
    assert len(entries) > 20
    for entry in entries:
        assert re.match(r"[a-z0-9-]+==\S+", entry), entry
        assert re.search(r"--hash=sha256:[0-9a-f]{64}\b", entry), entry


def test_every_direct_requirement_is_pinned_and_locked_at_that_version() -> None:
    wanted, testing = project()["project"]["dependencies"], project()["dependency-groups"]["test"]
    assert len(pins(wanted)) == len(wanted)
    assert len(pins(testing)) == len(testing)
    for package, version in pins(wanted).items():
        assert locked("requirements.lock")[package] == {version}
    for package, version in pins(wanted + testing).items():
        assert locked("tests/requirements.lock")[package] == {version}


def test_the_tests_lock_holds_the_services_requirements_at_the_same_versions() -> None:
    testing = locked("tests/requirements.lock")
    assert {package: testing.get(package) for package in locked("requirements.lock")} == locked(
        "requirements.lock"
    )


# --- Makefile and CI -------------------------------------------------------------------------------
def test_make_alone_lists_every_target() -> None:
    phony = re.search(r"^\.PHONY: (.*)$", text("Makefile"), flags=re.M)
    assert phony is not None
    answer = run("make")
    assert answer.returncode == 0, answer.stderr
    listed = re.findall(r"^  ([a-z-]+) +\S", answer.stdout, flags=re.M)
    assert sorted(listed) == sorted(phony[1].split())


def test_make_says_what_it_needs_when_the_python_it_is_given_will_not_do(tmp_path: Path) -> None:
    old = tmp_path / "python"
    old.write_text("#!/bin/sh\necho 10\n")
    old.chmod(0o755)
    for python in (str(old), "/nonexistent/python"):
        answer = run("make", f"VENV={tmp_path}/venv", f"PYTHON={python}", f"{tmp_path}/venv/bin/python")
        assert answer.returncode != 0
        assert "Python 3.11 or newer is needed" in answer.stderr
        assert not (tmp_path / "venv").exists()


def test_a_changed_lock_installs_again_and_an_unchanged_one_does_not(tmp_path: Path) -> None:
    """A copy with stand-ins for the interpreter and pip: only when they are called is looked at."""
    for name in ("Makefile", *LOCKS):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        shutil.copy(CHECKOUT / name, tmp_path / name)
    stand_in = tmp_path / "python"
    stand_in.write_text(
        "#!/bin/sh\n"
        'case "$1 $2" in\n'
        "  '-c '*) echo 11;;\n"
        '  "-m venv") mkdir -p "$3/bin" && cp "$0" "$3/bin/python";;\n'
        f'  "-m pip") echo "$*" >> "{tmp_path}/calls";;\n'
        "esac\n"
    )
    stand_in.chmod(0o755)

    def installed(*targets: str) -> list[str]:
        calls = tmp_path / "calls"
        calls.write_text("")
        command = ["make", "-C", str(tmp_path), "VENV=.venv", f"PYTHON={stand_in}", *targets]
        environ = {key: value for key, value in os.environ.items() if key != "MAKEFLAGS"}
        subprocess.run(command, check=True, capture_output=True, timeout=60, env=environ)
        lines = calls.read_text().splitlines()
        assert all("--require-hashes" in line for line in lines)
        return [line.rpartition("-r ")[2] for line in lines]

    def only_changed(name: str) -> None:
        """Dates everything back, what was installed a little less far, and leaves `name` as of now."""
        (tmp_path / name).touch()
        now = (tmp_path / name).stat().st_mtime
        for each in {*LOCKS} - {name}:
            os.utime(tmp_path / each, (now - 300, now - 300))
        os.utime(tmp_path / ".venv/bin/python", (now - 300, now - 300))
        os.utime(tmp_path / ".venv/.made", (now - 200, now - 200))
        for stamp in (runtime, testing):
            os.utime(tmp_path / stamp, (now - 100, now - 100))

    runtime, testing = ".venv/.runtime-installed", ".venv/.tests-installed"
    assert installed(runtime) == ["requirements.lock"]
    assert installed(runtime) == []
    assert installed(testing) == ["tests/requirements.lock"]
    assert installed(testing, runtime) == []
    only_changed("tests/requirements.lock")
    assert installed(runtime) == []
    assert installed(testing) == ["tests/requirements.lock"]
    only_changed("requirements.lock")
    assert installed(runtime) == ["requirements.lock"]
    assert installed(testing) == ["tests/requirements.lock"]
    assert installed(testing, runtime) == []
    # An interpreter that went away takes what was installed for it along.
    (tmp_path / ".venv" / "bin" / "python").unlink()
    assert installed(testing) == ["tests/requirements.lock"]
    assert installed(runtime) == []


def test_ci_installs_from_nothing_then_runs_the_two_commands_that_a_developer_runs() -> None:
    assert (CHECKOUT / ".ci" / "run").stat().st_mode & stat.S_IXUSR
    commands = [line for line in text(".ci/run").splitlines() if line and not line.startswith("#")]
    assert commands[0] == "set -euo pipefail"
    assert commands[-4:] == ["export CI=true", "rm -rf .venv", "make lint", "make test"]


# --- floors ----------------------------------------------------------------------------------------
def contracts() -> dict[str, dict[str, Any]]:
    return {each["id"]: each for each in project()["tool"]["importlinter"]["contracts"]}


def modules_of_the_floors() -> set[str]:
    return {
        f"service.{name.strip()}" for floor in contracts()["floors"]["layers"] for name in floor.split("|")
    }


def test_the_floors_are_exhaustive_and_only_the_units_floor_may_import_the_unit_library() -> None:
    assert contracts()["floors"]["exhaustive"] is True
    assert set(contracts()["one-door"]["source_modules"]) == modules_of_the_floors() - {"service.units"}


def test_types_are_checked_strictly_except_on_the_floors_that_are_named() -> None:
    settings = project()["tool"]["mypy"]
    assert settings["strict"] is True
    eased = {name.removesuffix(".*") for name in settings["overrides"][0]["module"]}
    pure = {f"service.{name}" for name in ("domain", "engineering", "ledger", "units", "canonical", "errors")}
    assert eased <= modules_of_the_floors()
    assert not eased & pure


@pytest.mark.parametrize(
    "line",
    [
        "from datetime import datetime\nnow = datetime.now()",
        "from datetime import datetime\nnow = datetime.utcnow()",
        "from datetime import date\nnow = date.today()",
        "import time\nnow = time.time()",
        "from time import monotonic\nnow = monotonic()",
        "import random\nx = random.random()",
        "import secrets\nx = secrets.token_hex()",
        "import os\nx = os.urandom(8)",
        "import uuid\nx = uuid.uuid4()",
        "from uuid import uuid4\nx = uuid4()",
    ],
)
def test_clock_and_chance_are_refused_on_a_pure_floor_and_allowed_above(line: str) -> None:
    def banned(file: str) -> bool:
        command = [
            *(sys.executable, "-m", "ruff", "check", "--no-cache", "--select", "TID251"),
            *("--stdin-filename", file, "-"),
        ]
        answer = subprocess.run(
            command, cwd=CHECKOUT, input=line, capture_output=True, text=True, timeout=60, check=False
        )
        assert answer.returncode in (0, 1), answer.stderr
        return "TID251" in answer.stdout

    for floor in (
        "domain/x.py",
        "engineering/x.py",
        "ledger/x.py",
        "units/x.py",
        "canonical.py",
        "errors.py",
    ):
        assert banned(f"service/{floor}"), floor
    for floor in ("http/x.py", "application/x.py", "persistence/x.py", "cli.py", "bootstrap.py"):
        assert not banned(f"service/{floor}"), floor


# --- containers ------------------------------------------------------------------------------------
def test_the_image_holds_what_the_checkout_needs_to_run_and_runs_without_root() -> None:
    dockerfile = text("docker/Dockerfile")
    copied = {
        name for line in re.findall(r"^COPY (.*)$", dockerfile, flags=re.M) for name in line.split()[:-1]
    }
    assert copied == {"requirements.lock", "pyproject.toml", "openapi.yaml", "schemas", "service"}
    sent = {line[1:] for line in text(".dockerignore").splitlines() if line.startswith("!")}
    assert sent == copied
    assert re.search(r"^USER 10001:10001$", dockerfile, flags=re.M)
    assert "--require-hashes" in dockerfile
    assert "HEALTHCHECK" in dockerfile
    assert "curl" not in dockerfile


def test_the_compose_file_has_no_password_of_its_own_and_waits_for_a_healthy_database() -> None:
    services = yaml.safe_load(text("docker/compose.yaml"))["services"]
    required = "${DATABASE_PASSWORD:?set DATABASE_PASSWORD in docker/.env}"
    assert services["database"]["environment"]["POSTGRES_PASSWORD"] == required
    assert services["service"]["environment"]["PGPASSWORD"] == required
    assert services["service"]["environment"]["DATABASE_URL"].count(":") == 2  # scheme and port: no password
    assert services["service"]["depends_on"]["database"]["condition"] == "service_healthy"
    assert services["database"]["healthcheck"]["test"]
    assert "ports" not in services["database"]
    assert all(port.startswith("127.0.0.1:") for port in services["service"]["ports"])
    assert re.search(r"^DATABASE_PASSWORD=$", text("docker/env.example"), flags=re.M)


# --- the tests' databases --------------------------------------------------------------------------
def engine_for(url: str) -> sa.Engine:
    return sa.create_engine(url, poolclass=sa.NullPool)


@pytest.mark.parametrize("once_and_again", [1, 2])
def test_each_test_has_an_empty_database_of_its_own(database_url: str, once_and_again: int) -> None:
    engine = engine_for(database_url)
    assert sa.inspect(engine).get_table_names() == []
    with engine.begin() as connection:
        connection.execute(sa.text("CREATE TABLE kept_by_this_test (n INTEGER)"))
    assert sa.inspect(engine).get_table_names() == ["kept_by_this_test"]
    engine.dispose()


def test_a_database_is_gone_after_its_test_even_when_a_connection_stays_open(postgres_url: str) -> None:
    with postgres.temporary_database(postgres_url) as url:
        name = sa.make_url(url).database
        left_open = engine_for(url).connect()
    with engine_for(postgres_url).connect() as connection:
        names = connection.execute(sa.text("SELECT datname FROM pg_database")).scalars().all()
    left_open.invalidate()
    assert "postgres" in names
    assert name not in names


def test_a_database_can_be_copied_from_another(postgres_url: str) -> None:
    with postgres.temporary_database(postgres_url) as url:
        engine = engine_for(url)
        with engine.begin() as connection:
            connection.execute(sa.text("CREATE TABLE migrated (n INTEGER)"))
        copy = postgres.fresh_database(postgres_url, template=sa.make_url(url).database)
        try:
            assert sa.inspect(engine_for(copy)).get_table_names() == ["migrated"]
        finally:
            postgres.drop_database(copy)


def test_only_databases_of_tests_are_dropped(postgres_url: str) -> None:
    with pytest.raises(ValueError, match="made for a test"):
        postgres.drop_database(postgres_url)


@pytest.mark.postgres
def test_a_server_listens_on_no_network_and_leaves_nothing_behind() -> None:
    if postgres.find_programs() is None:
        pytest.skip("PostgreSQL: no programs to start one from")
    server = postgres.start_server()
    try:
        assert server.folder.stat().st_mode & 0o077 == 0
        assert CHECKOUT not in server.folder.parents
        with engine_for(server.url).connect() as connection:
            assert connection.execute(sa.text("SHOW listen_addresses")).scalar_one() == ""
            assert connection.execute(sa.text("SELECT 1 FROM pg_roles WHERE rolsuper")).scalar_one() == 1
        if os.geteuid() == 0:
            assert Path(f"/proc/{server.process.pid}").stat().st_uid != 0
    finally:
        server.stop()
    assert server.process.poll() is not None
    assert not server.folder.exists()


@pytest.mark.skipif(os.geteuid() != 0, reason="only root must run the server as another account")
@pytest.mark.postgres
def test_programs_that_another_account_cannot_reach_are_copied_and_no_folder_is_opened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    programs = postgres.find_programs()
    if programs is None or postgres.PACKAGE not in programs.parts:
        pytest.skip("PostgreSQL: the programs of the test requirements are not there")
    closed = tmp_path / "closed"
    package = programs.parent.parent
    shutil.copytree(programs.parent, closed / package.name / programs.parent.name, symlinks=True)
    libraries = package.with_name(f"{package.name}.libs")
    if libraries.is_dir():
        shutil.copytree(libraries, closed / libraries.name)
    closed.chmod(0o700)
    monkeypatch.setattr(
        postgres, "find_programs", lambda: closed / package.name / programs.parent.name / "bin"
    )
    server = postgres.start_server()
    try:
        with engine_for(server.url).connect() as connection:
            assert connection.execute(sa.text("SELECT 42")).scalar_one() == 42
        running = os.readlink(f"/proc/{server.process.pid}/exe")
        assert running.startswith(str(server.folder))
        assert closed.stat().st_mode & 0o777 == 0o700
    finally:
        server.stop()


@pytest.mark.parametrize(("in_ci", "outcome"), [("", "1 skipped"), ("true", "1 error")])
def test_without_postgresql_a_test_is_skipped_with_the_reason_and_fails_in_ci(
    in_ci: str, outcome: str
) -> None:
    here = "tests/docs/test_foundation.py::test_only_databases_of_tests_are_dropped"
    program = (
        "import sys, pytest\n"
        "sys.path.insert(0, '.')\n"
        "from tests import postgres\n"
        "postgres.find_programs = lambda: None\n"
        f"sys.exit(pytest.main(['-p', 'no:cacheprovider', {here!r}]))\n"
    )
    answer = run(sys.executable, "-c", program, CI=in_ci, TEST_DATABASE_URL="")
    assert outcome in answer.stdout.splitlines()[-1], answer.stdout + answer.stderr
    assert "no PostgreSQL programs found" in answer.stdout
    assert (answer.returncode == 0) is (in_ci == "")
