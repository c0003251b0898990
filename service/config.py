"""Settings: read once from the environment, checked, and never changed afterwards.

Reading is pure: it takes a mapping, touches no file and makes no folder. A setting that is
wrong stops the start with an error that names the variable, what was given and what is
accepted; a database URL is never repeated in such an error, since it may carry a password.
`VARIABLES` is the one list of the variables, with their defaults and meanings.
"""

from __future__ import annotations

import ipaddress
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from importlib import metadata
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit

from service.errors import ConfigurationError

DISTRIBUTION = "spring-support-release"
SQLITE_FILE = "service.sqlite3"
KEYS_FOLDER = "keys"
CURSOR_FILE = "cursor-secret"
SIGNING_KEY = "log-signing-keys.pem"
WEBHOOK_MASTER = "webhook-secret"
WITNESS_FOLDER = "witness"
LOG_LEVELS = ("debug", "info", "warning", "error")

_INTEGER = re.compile(r"[0-9]{1,15}")
_DECIMAL = re.compile(r"[0-9]{1,9}(?:\.[0-9]{1,6})?")
_HOST_NAME = re.compile(r"(?=.{1,253}\Z)[A-Za-z0-9](?:[A-Za-z0-9-]*[A-Za-z0-9])?(?:\.[A-Za-z0-9-]+)*")
_ORIGIN = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9._~/-]{0,118}[A-Za-z0-9._~-])?")
_TARGET = re.compile(r"([a-z0-9](?:[a-z0-9.-]*[a-z0-9])?|\[[0-9a-f:.]+\])(?::([0-9]{1,5}))?")
_POSTGRESQL_SCHEMES = ("postgresql+psycopg", "postgresql", "postgres")
_SQLITE_SCHEMES = ("sqlite", "sqlite+pysqlite")


@dataclass(frozen=True, slots=True)
class Variable:
    """One environment variable: its name, its default as it would be written, and its words.

    name: the variable. default: the text that stands for "not set"; empty where there is none.
    accepted: what is accepted, in words. meaning: what it does, for the table of settings.
    """

    name: str
    default: str
    accepted: str
    meaning: str


PORT = Variable("PORT", "8000", "an integer from 1 to 65535", "Port that the service listens on.")
HOST = Variable(
    "HOST",
    "127.0.0.1",
    "an IPv4 or IPv6 address, or a host name",
    "Address that the service listens on; 0.0.0.0 for every interface.",
)
DATA_DIR = Variable(
    "DATA_DIR",
    ".data",
    "a folder's path, without an unexpanded ~",
    "Folder of the embedded database, the keys and the write lock.",
)
DATABASE_URL = Variable(
    "DATABASE_URL",
    "",
    "sqlite:///PATH with a file's path, or postgresql://[USER[:PASSWORD]@]HOST[:PORT]/DATABASE",
    "Database; empty for an SQLite file in DATA_DIR. A PostgreSQL password may come by PGPASSWORD instead.",
)
WORKERS = Variable("WORKERS", "2", "an integer from 1 to 64", "Worker processes of the server.")
THREADS = Variable("THREADS", "8", "an integer from 1 to 128", "Threads of each worker process.")
CURSOR_SECRET_FILE = Variable(
    "CURSOR_SECRET_FILE",
    "",
    "a file's path, without an unexpanded ~",
    "File with the secret that signs paging cursors; empty for one made in DATA_DIR. "
    "Required alike on every machine when more than one serves.",
)
WRITE_LOCK_TIMEOUT_S = Variable(
    "WRITE_LOCK_TIMEOUT_S",
    "10",
    "a number of seconds from 0.1 to 300",
    "Longest wait for the write lock; after it a write is answered 503 with Retry-After.",
)
REQUEST_TIMEOUT_S = Variable(
    "REQUEST_TIMEOUT_S",
    "60",
    "an integer from 5 to 3600",
    "Seconds of silence after which a worker process is replaced.",
)
MAX_BODY_BYTES = Variable(
    "MAX_BODY_BYTES",
    "5242880",
    "an integer from 65536 to 1073741824",
    "Largest request body; beyond it the answer is 413.",
)
MAX_BULK_BYTES = Variable(
    "MAX_BULK_BYTES",
    "134217728",
    "an integer from 65536 to 1073741824",
    "Largest body of a bulk request, at least MAX_BODY_BYTES; beyond it the answer is 413.",
)
REPLICA_DATABASE_URL = Variable(
    "REPLICA_DATABASE_URL",
    "",
    "postgresql://[USER[:PASSWORD]@]HOST[:PORT]/DATABASE, with DATABASE_URL on PostgreSQL too",
    "Read-only replica from which the log is pulled (pages, streams, entry bundles); empty for DATABASE_URL.",
)
SIGNING_KEY_FILE = Variable(
    "SIGNING_KEY_FILE",
    "",
    "a file's path, without an unexpanded ~",
    "File with the Ed25519 keys (PKCS #8 in PEM) that sign checkpoints; empty for one made in DATA_DIR. "
    "Required alike on every machine when more than one serves.",
)
WEBHOOK_SECRET_FILE = Variable(
    "WEBHOOK_SECRET_FILE",
    "",
    "a file's path, without an unexpanded ~",
    "File with the secret from which each webhook's own is derived; empty for one made in DATA_DIR. "
    "Required alike on every machine when more than one serves.",
)
LOG_ORIGIN = Variable(
    "LOG_ORIGIN",
    "hangers.example/log",
    "a host name and path of letters, digits and . _ ~ / - without a scheme",
    "First part of the origin under which new logs sign their checkpoints; each keeps its own.",
)
RELAY = Variable(
    "RELAY", "on", "one of on, off", "Whether `serve` runs the relay of the webhooks beside the workers."
)
WEBHOOK_ALLOWED_TARGETS = Variable(
    "WEBHOOK_ALLOWED_TARGETS",
    "",
    "HOST or HOST:PORT, several with commas",
    "Webhook targets that may point inward (private, loopback, link-local) or use plain http.",
)
EVENT_STREAM_LIMIT = Variable(
    "EVENT_STREAM_LIMIT",
    "4",
    "an integer from 0 to 127",
    "Server-sent event streams open in one worker process, fewer than THREADS; beyond it 503.",
)
LOG_LEVEL = Variable(
    "LOG_LEVEL", "info", "one of " + ", ".join(LOG_LEVELS), "Least level that the structured log records."
)

VARIABLES: tuple[Variable, ...] = (
    PORT,
    HOST,
    DATA_DIR,
    DATABASE_URL,
    WORKERS,
    THREADS,
    CURSOR_SECRET_FILE,
    WRITE_LOCK_TIMEOUT_S,
    REQUEST_TIMEOUT_S,
    MAX_BODY_BYTES,
    MAX_BULK_BYTES,
    REPLICA_DATABASE_URL,
    SIGNING_KEY_FILE,
    WEBHOOK_SECRET_FILE,
    LOG_ORIGIN,
    RELAY,
    WEBHOOK_ALLOWED_TARGETS,
    EVENT_STREAM_LIMIT,
    LOG_LEVEL,
)


@dataclass(frozen=True, slots=True)
class Settings:
    """Every setting of one running service. Times in seconds, sizes in bytes.

    database_url: in the form that SQLAlchemy reads, `sqlite:///PATH` or `postgresql+psycopg://...`;
    it may carry a password, so only `masked_database_url` goes into a log.
    cursor_secret_file: where the secret is read from. cursor_secret_is_given: True when the
    operator named that file, so that it must exist; False when the service makes it itself.
    signing_key_file, webhook_secret_file: likewise, each with its own flag.
    replica_database_url: None where the log is pulled from the database itself.
    log_origin: without a slash at its end. webhook_allowed_targets: folded `host` or `host:port`.
    """

    host: str
    port: int
    data_directory: Path
    database_url: str
    workers: int
    threads: int
    cursor_secret_file: Path
    cursor_secret_is_given: bool
    write_lock_timeout_s: float
    request_timeout_s: int
    max_body_bytes: int
    max_bulk_bytes: int
    replica_database_url: str | None
    signing_key_file: Path
    signing_key_is_given: bool
    webhook_secret_file: Path
    webhook_secret_is_given: bool
    log_origin: str
    relay: bool
    webhook_allowed_targets: frozenset[str]
    event_stream_limit: int
    log_level: str

    @classmethod
    def from_environment(cls, environ: Mapping[str, str]) -> Settings:
        """The settings that `environ` gives; a variable that is absent or empty takes its default.

        Raises:
            ConfigurationError: facts `variable`, `given` (None for a URL) and `accepted`.
        """
        data_directory = _path(DATA_DIR, environ)
        secret_is_given = bool(environ.get(CURSOR_SECRET_FILE.name))
        max_body_bytes = _integer(MAX_BODY_BYTES, environ, 65_536, 1_073_741_824)
        max_bulk_bytes = _integer(MAX_BULK_BYTES, environ, 65_536, 1_073_741_824)
        if not environ.get(MAX_BULK_BYTES.name):
            max_bulk_bytes = max(max_bulk_bytes, max_body_bytes)
        if max_bulk_bytes < max_body_bytes:
            raise ConfigurationError(
                f"MAX_BULK_BYTES is {max_bulk_bytes}, less than MAX_BODY_BYTES, {max_body_bytes}.",
                variable=MAX_BULK_BYTES.name,
                given=str(max_bulk_bytes),
                accepted=f"an integer from {max_body_bytes} (MAX_BODY_BYTES) to 1073741824",
            )
        database_url = _database_url(environ, data_directory)
        signing_key, signing_key_is_given = _key_file(SIGNING_KEY_FILE, SIGNING_KEY, environ, data_directory)
        webhook_secret, webhook_secret_is_given = _key_file(
            WEBHOOK_SECRET_FILE, WEBHOOK_MASTER, environ, data_directory
        )
        threads = _integer(THREADS, environ, 1, 128)
        return cls(
            host=_host(environ),
            port=_integer(PORT, environ, 1, 65_535),
            data_directory=data_directory,
            database_url=database_url,
            workers=_integer(WORKERS, environ, 1, 64),
            threads=threads,
            cursor_secret_file=(
                _path(CURSOR_SECRET_FILE, environ)
                if secret_is_given
                else data_directory / KEYS_FOLDER / CURSOR_FILE
            ),
            cursor_secret_is_given=secret_is_given,
            write_lock_timeout_s=_decimal(WRITE_LOCK_TIMEOUT_S, environ, 0.1, 300.0),
            request_timeout_s=_integer(REQUEST_TIMEOUT_S, environ, 5, 3_600),
            max_body_bytes=max_body_bytes,
            max_bulk_bytes=max_bulk_bytes,
            replica_database_url=_replica_url(environ, database_url),
            signing_key_file=signing_key,
            signing_key_is_given=signing_key_is_given,
            webhook_secret_file=webhook_secret,
            webhook_secret_is_given=webhook_secret_is_given,
            log_origin=_origin(environ),
            relay=_choice(RELAY, environ, ("on", "off")) == "on",
            webhook_allowed_targets=_targets(environ),
            event_stream_limit=_stream_limit(environ, threads),
            log_level=_choice(LOG_LEVEL, environ, LOG_LEVELS),
        )

    @property
    def uses_sqlite(self) -> bool:
        """Whether the database is an SQLite file (otherwise PostgreSQL)."""
        return self.database_url.startswith("sqlite:")

    @property
    def sqlite_file(self) -> Path | None:
        """The SQLite file, or None on PostgreSQL."""
        return Path(self.database_url.removeprefix("sqlite:///")) if self.uses_sqlite else None

    @property
    def masked_database_url(self) -> str:
        """The database URL without password and options, for logs and messages."""
        return self.database_url if self.uses_sqlite else _masked(self.database_url)

    @property
    def witness_directory(self) -> Path:
        """Folder of the last checkpoint of each log that this data folder has seen."""
        return self.data_directory / WITNESS_FOLDER

    def __repr__(self) -> str:
        """As a dataclass is shown, but with the database URL masked."""
        shown = {each.name: getattr(self, each.name) for each in fields(self)}
        shown["database_url"] = self.masked_database_url
        if self.replica_database_url is not None:
            shown["replica_database_url"] = _masked(self.replica_database_url)
        return f"Settings({', '.join(f'{name}={value!r}' for name, value in shown.items())})"


def service_version(checkout: Path | None = None) -> str:
    """The version of this service, which stands in pyproject.toml alone.

    Read from the installed distribution's metadata; in a checkout that is not installed,
    from the pyproject.toml beside the package.

    Args:
        checkout: folder of pyproject.toml; the folder above the package if None

    Raises:
        ConfigurationError: neither is there.
    """
    if checkout is None:
        try:
            return metadata.version(DISTRIBUTION)
        except metadata.PackageNotFoundError:
            checkout = Path(__file__).resolve().parent.parent
    try:
        project = tomllib.loads((checkout / "pyproject.toml").read_text("utf-8"))["project"]
        name, version = project["name"], project["version"]
    except (OSError, tomllib.TOMLDecodeError, KeyError) as error:
        raise ConfigurationError(
            "The version cannot be read: the service is neither installed nor beside its pyproject.toml.",
            accepted="a checkout with pyproject.toml above the package",
        ) from error
    if name != DISTRIBUTION or not isinstance(version, str):
        raise ConfigurationError(
            "The pyproject.toml above the package belongs to another project.",
            given=str(name),
            accepted=DISTRIBUTION,
        )
    return version


def _given(variable: Variable, environ: Mapping[str, str]) -> str:
    """The text given, or the default where nothing is."""
    return environ.get(variable.name) or variable.default


def _refusal(variable: Variable, given: str | None, why: str) -> ConfigurationError:
    """The error for a wrong value; `given` is None where the value may hold a secret."""
    shown = "" if given is None else f" {given!r}"
    facts: dict[str, Any] = {"variable": variable.name, "given": given, "accepted": variable.accepted}
    return ConfigurationError(f"{variable.name}{shown} {why}; accepted: {variable.accepted}.", **facts)


def _integer(variable: Variable, environ: Mapping[str, str], least: int, most: int) -> int:
    given = _given(variable, environ)
    if not _INTEGER.fullmatch(given):
        raise _refusal(variable, given, "is not an integer written in digits")
    if not least <= int(given) <= most:
        raise _refusal(variable, given, "is out of range")
    return int(given)


def _decimal(variable: Variable, environ: Mapping[str, str], least: float, most: float) -> float:
    given = _given(variable, environ)
    if not _DECIMAL.fullmatch(given):
        raise _refusal(variable, given, "is not a number written in digits")
    if not least <= float(given) <= most:
        raise _refusal(variable, given, "is out of range")
    return float(given)


def _choice(variable: Variable, environ: Mapping[str, str], choices: tuple[str, ...]) -> str:
    given = _given(variable, environ)
    if given not in choices:
        raise _refusal(variable, given, "is not a choice")
    return given


def _path(variable: Variable, environ: Mapping[str, str]) -> Path:
    given = _given(variable, environ)
    if given.startswith("~"):
        raise _refusal(variable, given, "begins with a ~ that no shell has expanded")
    if "\0" in given or "\n" in given or given != given.strip():
        raise _refusal(variable, given, "has a space or a line break at an end, or a control character")
    return Path(given)


def _key_file(
    variable: Variable, name: str, environ: Mapping[str, str], data_directory: Path
) -> tuple[Path, bool]:
    """Where a secret is read from, and whether the operator named that file."""
    if environ.get(variable.name):
        return _path(variable, environ), True
    return data_directory / KEYS_FOLDER / name, False


def _masked(url: str) -> str:
    """A PostgreSQL URL without password and options."""
    parts = urlsplit(url)
    user = f"{parts.username}@" if parts.username else ""
    return f"{parts.scheme}://{user}{parts.netloc.rpartition('@')[2]}{parts.path}"


def _origin(environ: Mapping[str, str]) -> str:
    given = _given(LOG_ORIGIN, environ)
    if not _ORIGIN.fullmatch(given) or "//" in given:
        raise _refusal(LOG_ORIGIN, given, "is not of that form")
    return given


def _targets(environ: Mapping[str, str]) -> frozenset[str]:
    given = _given(WEBHOOK_ALLOWED_TARGETS, environ)
    targets = [each.strip().lower() for each in given.split(",") if each.strip()]
    for target in targets:
        match = _TARGET.fullmatch(target)
        if match is None or (match[2] is not None and not 1 <= int(match[2]) <= 65_535):
            raise _refusal(WEBHOOK_ALLOWED_TARGETS, given, "names no target")
    return frozenset(targets)


def _stream_limit(environ: Mapping[str, str], threads: int) -> int:
    """Streams hold a thread each: at least one thread is left for everything else."""
    if environ.get(EVENT_STREAM_LIMIT.name):
        limit = _integer(EVENT_STREAM_LIMIT, environ, 0, 127)
        if limit >= threads:
            raise _refusal(EVENT_STREAM_LIMIT, str(limit), f"is not less than THREADS, {threads}")
        return limit
    return min(int(EVENT_STREAM_LIMIT.default), threads - 1)


def _replica_url(environ: Mapping[str, str], database_url: str) -> str | None:
    given = environ.get(REPLICA_DATABASE_URL.name)
    if not given:
        return None
    scheme, separator, rest = given.partition("://")
    if given != given.strip() or not separator or scheme not in _POSTGRESQL_SCHEMES:
        raise _refusal(REPLICA_DATABASE_URL, None, "is no PostgreSQL URL")
    if database_url.startswith("sqlite:"):
        raise _refusal(REPLICA_DATABASE_URL, None, "is given while DATABASE_URL is SQLite")
    return _postgresql_url(rest, REPLICA_DATABASE_URL)


def _host(environ: Mapping[str, str]) -> str:
    given = _given(HOST, environ)
    try:
        return str(ipaddress.ip_address(given))
    except ValueError:
        # Digits and dots alone were meant as an address, and are none.
        if _HOST_NAME.fullmatch(given) and not re.fullmatch(r"[0-9.]+", given):
            return given
    raise _refusal(HOST, given, "is neither an address nor a host name")


def _database_url(environ: Mapping[str, str], data_directory: Path) -> str:
    given = environ.get(DATABASE_URL.name)
    if not given:
        return f"sqlite:///{data_directory / SQLITE_FILE}"
    if given != given.strip() or "\n" in given:
        raise _refusal(DATABASE_URL, None, "has a space or a line break at an end")
    scheme, separator, rest = given.partition("://")
    if not separator:
        raise _refusal(DATABASE_URL, None, "is not a URL")
    if scheme in _SQLITE_SCHEMES:
        return _sqlite_url(rest)
    if scheme in _POSTGRESQL_SCHEMES:
        return _postgresql_url(rest)
    raise _refusal(DATABASE_URL, None, "names a database that the service does not speak")


def _sqlite_url(rest: str) -> str:
    """`sqlite:///PATH`; a database in memory is refused: each process would have its own."""
    file = rest.removeprefix("/")
    if not rest.startswith("/") or not file or file.endswith("/"):
        raise _refusal(DATABASE_URL, None, "names no file")
    if file.startswith("~"):
        raise _refusal(DATABASE_URL, None, "begins its path with a ~, which nothing expands")
    if ":memory:" in file or file.startswith("file:"):
        raise _refusal(DATABASE_URL, None, "names a database in memory, which processes cannot share")
    if "?" in file:
        raise _refusal(DATABASE_URL, None, "carries options, which the service sets itself")
    return f"sqlite:///{file}"


def _postgresql_url(rest: str, variable: Variable = DATABASE_URL) -> str:
    """The URL with the driver named; the database must be named, the host may come as an option."""
    url = f"postgresql+psycopg://{rest}"
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError:
        raise _refusal(variable, None, "has a port or an address that cannot be read") from None
    if port == 0:
        raise _refusal(variable, None, "has a port that cannot be read")
    if not unquote(parts.path).strip("/"):
        raise _refusal(variable, None, "names no database")
    return url
