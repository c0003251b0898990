"""Keys that sign: which ones the store lists, added and retired as events of the service's log.

A key is listed before it signs, by an event that a key known already signs; it stops signing before
the list says so. While the file holds two, both sign every note, and whoever knows one of them goes on
verifying. The private halves never enter the database.
"""

from __future__ import annotations

import secrets
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
            cannot be read; or it holds none of the keys that the store lists
    """
    with store.read_service() as reader:
        listed = {key.public_key for key in reader.known_keys() if key.until is None}
    if not settings.signing_key_is_given and not listed:
        make_file(settings.signing_key_file, new_private_key_pem(random_bytes(SEED_BYTES)), random_bytes)
    found = [public_key(signer) for signer in store.key_file.signers()]
    if not listed:
        list_keys(store, random_bytes)
    elif not listed & set(found):
        raise ConfigurationError(
            f"The file of signing keys, {settings.signing_key_file}, holds none of the keys that sign the "
            "store's checkpoints.",
            variable="SIGNING_KEY_FILE",
            given=found[0],
            accepted=", ".join(sorted(listed)),
        )
    else:
        list_keys(store, random_bytes)


def list_keys(store: SqlStore, random_bytes: RandomBytes) -> list[str]:
    """Lists each key of the file that the store does not list; public keys in hex of those it added."""
    with store.write_service() as writer:
        return list_keys_within(store, writer, random_bytes)


def list_keys_within(store: SqlStore, writer: ServiceWriting, random_bytes: RandomBytes) -> list[str]:
    """As `list_keys`, in the transaction of a writer."""
    present = {key.public_key for key in writer.known_keys() if key.until is None}
    added = [each for signer in store.key_file.signers() if (each := public_key(signer)) not in present]
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
    again = update(signing_keys).where(signing_keys.c.public_key == key)
    if writer.connection.execute(again.values(until_at=None)).rowcount == 0:
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
