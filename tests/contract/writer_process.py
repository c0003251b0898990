"""A writer in a process of its own: appends one event a transaction and prints each place once committed.

Usage: python -m tests.contract.writer_process MARK COUNT, with the store's settings in the environment.
"""

from __future__ import annotations

import os
import sys

from service.config import Settings
from service.persistence.store import open_store
from tests.contract.acts import append, inspection


def main(mark: str, count: int) -> None:
    """Appends `count` inspections of the hanger `mark`."""
    store = open_store(Settings.from_environment(os.environ))
    for _ in range(count):
        for place in append(store, "Works-1", inspection(mark, "A", in_place=True, texts={"note": "seen"})):
            print(place, flush=True)
    store.close()


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
