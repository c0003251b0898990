"""Commands that keep what the service holds: backup, restore, export."""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

from service import bootstrap
from service.application.log import Export, export_events
from service.domain.ports import EventFilter
from service.errors import ConfigurationError
from service.ledger.verifier import Refused, VerifierKey
from service.persistence.backup import back_up, new_file
from service.persistence.backup_format import BackupRefused
from service.persistence.restore import LossNotDeclared, Restored, Wish, restore


def add_commands(commands: Any) -> None:
    """Adds the commands to those of the parser."""
    add = commands.add_parser("backup", help="write logs and tables of one instant to a file, while serving")
    add.add_argument("file", type=Path, metavar="FILE", help="new file; must not exist")
    add.set_defaults(run=_backup)

    add = commands.add_parser("restore", help="verify a backup and load it into an empty database")
    add.add_argument("file", type=Path, metavar="FILE")
    add.add_argument(
        "--key",
        action="append",
        default=[],
        metavar="KEY",
        help="verifier key, or file with one on each line, that signed the backup (repeatable); "
        "the keys of the key file when left out",
    )
    add.add_argument(
        "--witness",
        action="append",
        default=[],
        type=Path,
        metavar="CHECKPOINT",
        help="file with a checkpoint that was given out (repeatable), beside those of the data folder",
    )
    add.add_argument(
        "--declare-loss",
        metavar="WORDS",
        help="accept that events are lost, and say why: the logs concerned go on under a new origin",
    )
    add.set_defaults(run=_restore)

    add = commands.add_parser("export", help="write a plant's log with documents and words to a file")
    add.add_argument("plant", metavar="PLANT")
    add.add_argument("file", type=Path, metavar="FILE", help="new file; must not exist")
    add.set_defaults(run=_export)


def _backup(chosen: argparse.Namespace) -> int:
    manifest = back_up(bootstrap.settings_of(), chosen.file, bootstrap.now())
    for log in manifest.logs:
        closed = "" if log.fault is None else f"; closed to writes: {log.fault}"
        print(f"{log.name}: {log.size} events under {log.origin}{closed}")
    print(f"{chosen.file}: {chosen.file.stat().st_size} bytes, state of {manifest.made_at}")
    return 0


def _restore(chosen: argparse.Namespace) -> int:
    words = chosen.declare_loss
    if words is not None and not 1 <= len(words.strip()) <= 2_000:
        print("--declare-loss takes 1 to 2000 characters: what happened, and who decided", file=sys.stderr)
        return 2
    try:
        keys = tuple(key for given in chosen.key for key in _keys(given))
        wish = Wish(chosen.file, keys, tuple(chosen.witness), words)
        done = restore(bootstrap.settings_of(), wish, clock=bootstrap.now)
    except LossNotDeclared as error:
        print(f"refused: events would be lost: {error}", file=sys.stderr)
        print("A newer backup loses less. --declare-loss records the loss and goes on.", file=sys.stderr)
        return 1
    except (BackupRefused, Refused) as error:
        print(f"refused: {error}", file=sys.stderr)
        return 1
    _tell(done)
    return 0


def _tell(done: Restored) -> None:
    lost = {loss.log.log_id: loss for loss in done.losses}
    for log, end in done.ends:
        loss = lost.get(log.log_id)
        told = "" if loss is None else f"; loss declared, goes on as {loss.new_origin}"
        print(f"{log.name}: {log.size} events of the backup, {end.size} now{told}")
        if log.fault is not None:
            print(f"{log.name}: was closed to writes when the backup was made: {log.fault}", file=sys.stderr)
    for each in done.missing:
        print(f"the log {each.log_id}, {each.size} events, is lost: the backup does not hold it")
    for name in done.unwitnessed:
        print(
            f"{name}: no checkpoint was at hand, so that only the backup says where this log ended",
            file=sys.stderr,
        )


def _keys(given: str) -> list[bytes]:
    """Public keys of a verifier key, or of a file with one on each line. Refused when one is none."""
    file = Path(given)
    lines = [given]
    if "+" not in given or file.is_file():
        try:
            lines = file.read_text("utf-8").splitlines()
        except (OSError, UnicodeDecodeError) as error:
            raise ConfigurationError(f"The keys in {given} cannot be read.", given=given) from error
    return [VerifierKey.parse(line.strip()).public_key for line in lines if line.strip()]


def _export(chosen: argparse.Namespace) -> int:
    store = bootstrap.store_of(bootstrap.settings_of())
    context = bootstrap.operator_context(store)
    context = replace(context, principal=replace(context.principal, role="auditor"))
    lines = export_events(context, chosen.plant, EventFilter(), 0, None, Export(documents=True, texts=True))
    with new_file(chosen.file) as target:
        for line in lines:
            target.write(line)
    return 0
