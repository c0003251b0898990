"""The command line: one module for each kind of command, and what they share here."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence

from service.cli import access, keeping, logs, serving
from service.errors import ConfigurationError, ServiceError

DONE, ANSWER_IS_NO, NOT_DONE = 0, 1, 2


def main(arguments: Sequence[str]) -> int:
    """Run one command; returns the exit status: 0 done, 1 the answer is no, 2 it could not be done."""
    if arguments[:1] == ["verify"]:
        # The verifier reads its own arguments: it is the same program as the one carried away.
        from service.ledger import verifier

        return verifier.main(list(arguments[1:]))
    chosen = parser().parse_args(arguments)
    try:
        return int(chosen.run(chosen))
    except ConfigurationError as error:
        print(f"setting: {error.detail}", file=sys.stderr)
        return NOT_DONE
    except ServiceError as error:
        print(f"{error.code}: {error.detail}", file=sys.stderr)
        for finding in error.errors:
            print(f"  {finding.pointer or finding.name}: {finding.detail}", file=sys.stderr)
        return NOT_DONE


def parser() -> argparse.ArgumentParser:
    """The parser of every command; each sets `run`, which takes what was parsed and returns the status."""
    made = argparse.ArgumentParser(prog="python -m service", description="Spring support release service")
    commands = made.add_subparsers(dest="command", required=True)
    for module in (serving, access, logs, keeping):
        module.add_commands(commands)
    return made
