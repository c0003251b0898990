"""Files with secrets: made once with tight permissions, and the signing keys read from theirs.

Each is written whole under another name and then linked, so that no process ever reads half a secret
and that of several processes that begin at once one makes it for all.
"""

from __future__ import annotations

import fcntl
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, select

from service.errors import ConfigurationError
from service.ledger.notes import Signer, load_signers
from service.persistence.identifiers import RandomBytes
from service.persistence.tables import signing_keys

_BLOCK = re.compile(rb"-----BEGIN [A-Z0-9 ]+-----.*?-----END [A-Z0-9 ]+-----", re.DOTALL)


def make_file(file: Path, content: bytes, random_bytes: RandomBytes) -> bool:
    """Makes a file of mode 0600 unless it is there already; whether this call made it.

    Raises:
        ConfigurationError: the file cannot be made
    """
    if file.exists():
        return False
    made = _written(file, content, random_bytes)
    try:
        os.link(made, file)
    except FileExistsError:
        return False
    except OSError as error:
        raise unusable(file, "cannot be made") from error
    finally:
        made.unlink()
    return True


def replace_file(file: Path, content: bytes, random_bytes: RandomBytes) -> None:
    """Puts a file of mode 0600 in the place of another at once.

    Raises:
        ConfigurationError: the file cannot be written
    """
    made = _written(file, content, random_bytes)
    try:
        made.replace(file)
        _keep_names(file.parent)
    except OSError as error:
        made.unlink(missing_ok=True)
        raise unusable(file, "cannot be replaced") from error


@contextmanager
def alone_in(folder: Path) -> Iterator[None]:
    """Holds a folder's lock among processes: who changes a file of it reads it first.

    Raises:
        ConfigurationError: the folder cannot be opened
    """
    try:
        descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    except OSError as error:
        raise unusable(folder, "cannot be opened") from error
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)


def pem_blocks(content: bytes) -> dict[str, bytes]:
    """The blocks of a key file by public key (hex), as they stand there.

    Raises:
        ValueError: a block holds no key of that form
    """
    blocks = _BLOCK.findall(content)
    return {public_key(signer): block for block in blocks for signer in load_signers(block)}


def _written(file: Path, content: bytes, random_bytes: RandomBytes) -> Path:
    """The content on disk under a name of its own beside `file`."""
    made = file.with_name(f"{file.name}.{os.getpid()}.{random_bytes(8).hex()}")
    try:
        descriptor = os.open(made, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
        try:
            os.write(descriptor, content)
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
    except OSError as error:
        raise unusable(file, "cannot be made") from error
    return made


def _keep_names(folder: Path) -> None:
    """Has the folder's entries on disk."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def unusable(path: Path, why: str) -> ConfigurationError:
    """The error for a file or folder that does not serve."""
    return ConfigurationError(
        f"{path} {why}.", given=str(path), accepted="a place that the service may write to"
    )


@dataclass(frozen=True)
class _Read:
    """What a file held when its identity was this."""

    identity: tuple[int, int, int, int]
    signers: tuple[Signer, ...]


class KeyFile:
    """The file with the keys that sign. It is read again whenever another one stands in its place."""

    def __init__(self, file: Path) -> None:
        """file: PKCS #8 in PEM, one block a key; read when first asked."""
        self.file = file
        self._read: _Read | None = None

    def signers(self) -> tuple[Signer, ...]:
        """The keys as the file holds them now, at least one; the same object while it is unchanged.

        Raises:
            ConfigurationError: the file cannot be read, or holds no keys of that form
        """
        try:
            found = self.file.stat()
        except OSError as error:
            raise self._refusal("cannot be read") from error
        identity = (found.st_dev, found.st_ino, found.st_mtime_ns, found.st_size)
        known = self._read
        if known is not None and known.identity == identity:
            return known.signers
        signers = self._load()
        # Should the file have changed since it was looked at, the next look tells.
        self._read = _Read(identity, signers)
        return signers

    def _load(self) -> tuple[Signer, ...]:
        try:
            content = self.file.read_bytes()
        except OSError as error:
            raise self._refusal("cannot be read") from error
        try:
            signers = load_signers(content)
        except ValueError as error:
            raise self._refusal("holds no Ed25519 keys in PEM") from error
        if not signers:
            raise self._refusal("holds no key")
        return signers

    def _refusal(self, why: str) -> ConfigurationError:
        return ConfigurationError(
            f"The file of signing keys, {self.file}, {why}.",
            variable="SIGNING_KEY_FILE",
            given=str(self.file),
            accepted="a file with Ed25519 keys, PKCS #8 in PEM",
        )


class Signing:
    """How this process signs: by the keys of its file, as long as the store lists each of them."""

    def __init__(self, log_origin: str, key_file: KeyFile) -> None:
        """log_origin: first part of the origin of new logs."""
        self.log_origin = log_origin
        self._key_file = key_file
        self._listed: tuple[Signer, ...] | None = None

    def signers(self, connection: Connection) -> tuple[Signer, ...]:
        """The keys that sign now. connection: in the transaction that is to be signed.

        Raises:
            ConfigurationError: the file cannot be read, or has a key that the store does not list, so
                that nobody could know it
        """
        signers = self._key_file.signers()
        if signers is not self._listed:
            listed = set(
                connection.execute(
                    select(signing_keys.c.public_key).where(signing_keys.c.until_at.is_(None))
                ).scalars()
            )
            unknown = [each for each in map(public_key, signers) if each not in listed]
            if unknown:
                raise ConfigurationError(
                    f"The file of signing keys, {self._key_file.file}, has a key that is not listed.",
                    variable="SIGNING_KEY_FILE",
                    given=unknown[0],
                    accepted="a key added by `key add` or found by `migrate`",
                )
            self._listed = signers
        return signers


def public_key(signer: Signer) -> str:
    """The public half of a key in hex."""
    return signer.public_key.hex()
