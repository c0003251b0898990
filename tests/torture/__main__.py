"""The long run: python -m tests.torture --engine sqlite --minutes 15 --seed 1."""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
from itertools import islice
from pathlib import Path

from tests.torture.plan import as_document, rounds, short_rounds
from tests.torture.run import run
from tests.torture.sabotage import SABOTAGES, VARIABLE


def main(arguments: list[str]) -> int:
    """Runs the harness; 0 when nothing was violated, 1 otherwise."""
    parser = argparse.ArgumentParser(prog="python -m tests.torture", description=__doc__)
    parser.add_argument("--engine", choices=("sqlite", "postgresql"), default="sqlite")
    parser.add_argument("--minutes", type=float, default=15.0)
    parser.add_argument("--seed", type=int, default=int(time.time()))
    parser.add_argument("--folder", type=Path, help="where rounds lie; a fresh temporary one when left out")
    parser.add_argument("--plan", type=int, metavar="N", help="print the plan of N rounds and do nothing")
    parser.add_argument("--short", action="store_true", help="the short rounds of `make test`")
    parser.add_argument("--sabotage", choices=sorted(SABOTAGES), help="put a fault in, which must be found")
    chosen = parser.parse_args(arguments)
    planned = (short_rounds if chosen.short else rounds)(chosen.seed, chosen.engine)
    if chosen.plan is not None:
        for each in islice(planned, chosen.plan):
            print(json.dumps(as_document(each)))
        return 0
    folder = chosen.folder or Path(tempfile.mkdtemp(prefix="torture-"))
    begun = time.monotonic()

    def say(line: str) -> None:
        print(f"{time.monotonic() - begun:8.1f} s  {line}", flush=True)

    if chosen.sabotage:
        os.environ[VARIABLE] = chosen.sabotage
    say(f"engine {chosen.engine}, seed {chosen.seed}, {chosen.minutes} minutes")
    figures = run(planned, chosen.engine, chosen.seed, chosen.minutes * 60, folder, say)
    print("\n".join(figures.lines()))
    return 1 if figures.found else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
