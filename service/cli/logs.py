"""Commands about the log: rebuild, verify-log, verify, verifier."""

from __future__ import annotations

import argparse
import sys
from contextlib import closing
from pathlib import Path
from typing import Any

from service import bootstrap
from service.ledger import verifier
from service.persistence.rebuild import rebuild
from service.persistence.soundness import examine
from service.persistence.store import open_store
from service.persistence.verify import plants_of


def add_commands(commands: Any) -> None:
    """Adds the commands to those of the parser."""
    add = commands.add_parser("rebuild", help="make every projection again from the log, report differences")
    add.add_argument("--write", action="store_true", help="replace what differs")
    add.set_defaults(run=_rebuild)

    add = commands.add_parser(
        "verify-log", help="examine every log in full; one with a fault takes no writes"
    )
    add.set_defaults(run=_verify_log)

    # Its arguments are read by the verifier itself, see `main`; here it is for the list of commands.
    commands.add_parser("verify", help="check an export, receipt, checkpoint or backup file: FILE --key KEY")

    add = commands.add_parser("verifier", help="print the verifier as one file that needs no service")
    add.set_defaults(run=_verifier)


def _rebuild(chosen: argparse.Namespace) -> int:
    differences = rebuild(bootstrap.settings_of(), write=chosen.write)
    for difference in differences:
        print(difference)
    print(f"{len(differences)} differences" + (" replaced" if chosen.write and differences else ""))
    return 1 if differences and not chosen.write else 0


def _verify_log(_: argparse.Namespace) -> int:
    with closing(open_store(bootstrap.settings_of(), clock=bootstrap.now)) as store:
        faults = dict(examine(store, full=True))
        for plant in plants_of(store):
            name, fault = plant or "service", faults.get(plant)
            if fault is None:
                with store.read_service() if plant is None else store.read(plant) as log:
                    size = log.size
                print(f"{name}: {size} events agree with their hashes, chains, tree and checkpoints")
            else:
                where = "" if fault.position is None else f" at position {fault.position}"
                print(
                    f"{name}: closed to writes: {fault.reason}{where}, found {fault.found_at}",
                    file=sys.stderr,
                )
    return 1 if faults else 0


def _verifier(_: argparse.Namespace) -> int:
    sys.stdout.write(Path(verifier.__file__).read_text("utf-8"))
    return 0
