"""Keys that sign: which ones the store lists, added and retired as events of the service's log.

A key is listed before it signs, by an event that a key known already signs; it stops signing before
the list says so. While the file holds two, both sign every note, and whoever knows one of them goes on
verifying. The private halves never enter the database.
"""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from typing import Final

from sqlalchemy import insert, update

from service.config import Settings
from service.domain.events import NewEvent
from service.domain.ports import SigningKey
from service.errors import ConfigurationError, Conflict, NotFound
from service.ledger.notes import SEED_BYTES, load_signers, new_private_key_pem
from service.persistence.identifiers import RandomBytes, comparable
from service.persistence.key_files import KeyFile, alone_in, make_file, pem_blocks, public_key, replace_file
from service.persistence.store import SqlStore, open_store
from service.persistence.tables import signing_keys
from service.persistence.writing import ServiceWriting

# Acts of the command line are this principal's: a system, never a person.
OPERATOR: Final = "pr_00000000000000000000000000"
SUBJECT: Final = "service/keys"
_NO_SUCH_KEY: Final = "No key of the store has this id."


def prepare_keys(store: SqlStore, settings: Settings, random_bytes: RandomBytes) -> None:
    """Makes the key file where there is none and may be one, and lists its keys.

    A store without a listed key takes those of the file. One with listed keys takes further ones only
    from a file that holds one of them too: a file of strangers is some other service's, or a new one in
    the place of one that was lost, which `add_key` is for.

    Raises:
        ConfigurationError: there is no file though the store lists keys, or a setting names it; it
            cannot be read; it holds none of the keys that the store lists, or one that was retired
    """
    with store.read_service() as reader:
        known = reader.known_keys()
    if not settings.signing_key_is_given and all(key.until is not None for key in known):
        make_file(settings.signing_key_file, new_private_key_pem(random_bytes(SEED_BYTES)), random_bytes)
    if _lacking(store, known):
        with store.write_service() as writer:
            _lacking(store, writer.known_keys())  # of several machines that begin at once one was first
            list_keys_within(store, writer, random_bytes)


def _lacking(store: SqlStore, known: Sequence[SigningKey]) -> list[str]:
    """Keys of the file that the store does not list, if they may be listed. Raises ConfigurationError."""
    found = [public_key(signer) for signer in store.key_file.signers()]
    present = {key.public_key for key in known if key.until is None}
    retired = {key.public_key for key in known} - present
    for each in found:
        if each in retired:
            raise _wrong_file(store, "holds a key that was retired", each, present)
    if present and not present & set(found):
        raise _wrong_file(store, "holds none of the keys that sign the checkpoints", found[0], present)
    return [each for each in found if each not in present]


def _wrong_file(store: SqlStore, why: str, key: str, present: set[str]) -> ConfigurationError:
    return ConfigurationError(
        f"The file of signing keys, {store.key_file.file}, {why}.",
        variable="SIGNING_KEY_FILE",
        given=key,
        accepted=", ".join(sorted(present)),
    )


def list_keys(store: SqlStore, random_bytes: RandomBytes) -> list[str]:
    """Lists each key of the file that the store does not list; public keys in hex of those it added.

    Raises:
        ConfigurationError: the file cannot be read, or has a key that was retired
    """
    with store.write_service() as writer:
        return list_keys_within(store, writer, random_bytes)


def list_keys_within(store: SqlStore, writer: ServiceWriting, random_bytes: RandomBytes) -> list[str]:
    """As `list_keys`, in the transaction of a writer."""
    known = {key.public_key: key for key in writer.known_keys()}
    found = [public_key(signer) for signer in store.key_file.signers()]
    retired = [each for each in found if each in known and known[each].until is not None]
    if retired:
        raise ConfigurationError(
            f"The file of signing keys, {store.key_file.file}, has a key that was retired: an old copy, or a "
            "stolen one.",
            variable="SIGNING_KEY_FILE",
            given=retired[0],
            accepted="the present file, as `key retire` left it",
        )
    added = [each for each in found if each not in known]
    for each in added:
        _list(store, writer, each, random_bytes)
    return added


def add_key(settings: Settings, random_bytes: RandomBytes = secrets.token_bytes) -> SigningKey:
    """Makes a key, lists it, and puts it into the key file, where it signs with the others from then on.

    Where the file is lost the new key is its only one; the lost ones stay listed until they are retired.

    Raises:
        ConfigurationError: the file cannot be read or written
    """
    file = settings.signing_key_file
    made = new_private_key_pem(random_bytes(SEED_BYTES))
    key = public_key(load_signers(made)[0])
    store = open_store(settings)
    try:
        with alone_in(file.parent):
            if make_file(file, made, random_bytes):
                list_keys(store, random_bytes)
            else:
                store.key_file.signers()  # refuses a file that cannot be added to
                before = file.read_bytes()
                with store.write_service() as writer:
                    _list(store, writer, key, random_bytes)
                replace_file(file, before.rstrip(b"\n") + b"\n" + made, random_bytes)
        return _listed(store, key)
    finally:
        store.close()


def retire_key(
    settings: Settings, key_id: str, random_bytes: RandomBytes = secrets.token_bytes
) -> SigningKey:
    """Takes a key out of the key file, so that it signs no more, and lists until when it did.

    key_id: first letters of the public key in hex, enough to tell it from the others, at least 8.

    Raises:
        NotFound: no key that signs has this id, or several have
        Conflict: it is the only key of the file
        ConfigurationError: the file cannot be read or written
    """
    store = open_store(settings)
    try:
        with alone_in(settings.signing_key_file.parent):
            with store.read_service() as reader:
                present = [key.public_key for key in reader.known_keys() if key.until is None]
            chosen = [each for each in present if len(key_id) >= 8 and each.startswith(key_id.lower())]
            if len(chosen) != 1:
                raise NotFound(_NO_SUCH_KEY, key=key_id)
            _take_out(store.key_file, chosen[0], random_bytes)
            with store.write_service() as writer:
                event = writer.append(_event(store, "signing-key-retired", chosen[0], random_bytes))
                writer.connection.execute(
                    update(signing_keys)
                    .where(signing_keys.c.public_key == chosen[0])
                    .values(until_at=event.recorded_at)
                )
        return _listed(store, chosen[0])
    finally:
        store.close()


def _take_out(key_file: KeyFile, key: str, random_bytes: RandomBytes) -> None:
    kept = {public_key(signer) for signer in key_file.signers()} - {key}
    if not kept:
        raise Conflict("The only key that signs cannot be retired; add another one first.", key=key)
    blocks = pem_blocks(key_file.file.read_bytes())
    content = b"\n".join(blocks[each] for each in blocks if each in kept) + b"\n"
    if len(kept) < len(blocks):
        replace_file(key_file.file, content, random_bytes)


def _list(store: SqlStore, writer: ServiceWriting, key: str, random_bytes: RandomBytes) -> None:
    event = writer.append(_event(store, "signing-key-added", key, random_bytes))
    writer.connection.execute(
        insert(signing_keys), {"public_key": key, "since_at": event.recorded_at, "until_at": None}
    )


def _listed(store: SqlStore, key: str) -> SigningKey:
    with store.read_service() as reader:
        return next(each for each in reader.known_keys() if each.public_key == key)


def _event(store: SqlStore, type: str, key: str, random_bytes: RandomBytes) -> NewEvent:
    return NewEvent(
        type=type,
        subject=SUBJECT,
        occurred_at=comparable(store.clock()),
        actor=OPERATOR,
        performed_by=OPERATOR,
        role="administrator",
        data={"public_key": key},
        request_id=f"rq_{random_bytes(13).hex()}",
    )
