"""Commands about who may call, and with which keys the log is signed: token, key."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from typing import Any, Final

from service import bootstrap
from service.application import access
from service.domain.access import ROLES
from service.domain.ports import SigningKey, Store
from service.ledger.verifier import VerifierKey
from service.persistence import signing
from service.persistence.backup_format import note_name
from service.persistence.losses import origins

_PAGE: Final = 500


def add_commands(commands: Any) -> None:
    """Adds the commands to those of the parser."""
    add = commands.add_parser("token", help="print a new token and nothing else")
    add.add_argument("--role", required=True, choices=ROLES)
    add.add_argument("--principal", help="id of a registered principal; a new person when left out")
    add.add_argument("--system", action="store_true", help="the new principal is a system, not a person")
    add.add_argument("--name", help="display name of the new principal")
    add.add_argument("--plant", action="append", help="plant in scope (repeatable); all when left out")
    add.add_argument("--line", action="append", help="line in scope (repeatable); all when left out")
    add.set_defaults(run=_token)

    add = commands.add_parser("key", help="keys that sign the logs: list, add, retire")
    acts = add.add_subparsers(dest="act", required=True)
    act = acts.add_parser("list", help="present and past keys")
    act.add_argument(
        "--verifier",
        action="store_true",
        help="as verifier keys, one for each log and key, for `verify --key`",
    )
    act.set_defaults(run=_list_keys)
    act = acts.add_parser("add", help="make a key that signs with those there are")
    act.set_defaults(run=_add_key)
    act = acts.add_parser("retire", help="end a key; past signatures keep counting")
    act.add_argument("key", metavar="KEY", help="first 8 or more letters of the public key in hex")
    act.set_defaults(run=_retire_key)


def _token(chosen: argparse.Namespace) -> int:
    store = bootstrap.store_of(bootstrap.settings_of())
    context = bootstrap.operator_context(store)
    principal = chosen.principal
    if principal is None:
        document = {"kind": "system" if chosen.system else "person"}
        if chosen.name:
            document["display_name"] = chosen.name
        principal = access.register_principal(context, document, bootstrap.new_id("pr_")).document["id"]
    request: dict[str, Any] = {"principal": principal, "role": chosen.role}
    if chosen.plant:
        request["plants"] = chosen.plant
    if chosen.line:
        request["lines"] = chosen.line
    answer = access.issue_token(context, request, bootstrap.new_id("tk_"), bootstrap.new_secret)
    print(answer.document["token"])
    return 0


def _list_keys(chosen: argparse.Namespace) -> int:
    settings = bootstrap.settings_of()
    store = bootstrap.store_of(settings)
    with store.read_service() as service:
        keys = service.known_keys()
        names = origins(service.origin, service.log_id)
    if not chosen.verifier:
        for key in keys:
            print(_described(key))
        return 0
    for plant in _plants(store):
        with store.read(plant) as reader:
            names += origins(reader.origin, reader.log_id)
    for name in [*names, note_name(settings.log_origin)]:
        for key in keys:
            print(VerifierKey(name, bytes.fromhex(key.public_key)))
    return 0


def _plants(store: Store) -> Iterator[str]:
    """Key of every plant."""
    page = store.plants("", _PAGE, None)
    while page:
        yield from page
        page = store.plants(page[-1].casefold(), _PAGE, None)


def _described(key: SigningKey) -> str:
    return f"{key.public_key} since {key.since}" + ("" if key.until is None else f" until {key.until}")


def _add_key(_: argparse.Namespace) -> int:
    print(_described(signing.add_key(bootstrap.settings_of())))
    return 0


def _retire_key(chosen: argparse.Namespace) -> int:
    print(_described(signing.retire_key(bootstrap.settings_of(), chosen.key)))
    return 0
