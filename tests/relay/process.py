"""A relay as a process of its own, as the service's command runs it; it may be told to die at a point.

    python process.py [--beside PID]

DIE_AT=n: killed when it is about to keep what its n-th round delivered. PID_FILE: where it states its id.
"""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path
from typing import Any

from service.bootstrap import make_relay
from service.relay.process import BESIDE, main_loop
from service.relay.relay import Relay


def make() -> Relay:
    """The service's own relay, with the point at which it dies."""
    relay = make_relay()
    if "PID_FILE" in os.environ:
        file = Path(os.environ["PID_FILE"])
        made = file.with_suffix(".new")
        made.write_text(str(os.getpid()))
        made.rename(file)
    die_at = int(os.environ.get("DIE_AT", "0"))
    if die_at:
        record: Any = relay.outbox.record
        rounds = iter(range(1, die_at + 1))

        def recording(work: Any, deliveries: Any, *more: Any) -> Any:
            if deliveries and next(rounds, None) == die_at:
                os.kill(os.getpid(), signal.SIGKILL)
            return record(work, deliveries, *more)

        relay.outbox.record = recording  # type: ignore[method-assign]
    return relay


if __name__ == "__main__":
    given = sys.argv[1:]
    sys.exit(main_loop(make, beside=int(given[1]) if given[:1] == [BESIDE] else None))
