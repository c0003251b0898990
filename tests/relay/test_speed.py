"""A long absence is caught up, all of it, in order and in good time."""

from __future__ import annotations

import time

import pytest

from tests.relay.receiver import Receiver, in_order, wait_until
from tests.relay.site import Site

COUNT = 10_000


@pytest.mark.slow
def test_ten_thousand_events_are_caught_up(
    site: Site, receiver: Receiver, record_property: pytest.RecordProperty
) -> None:
    hook = site.register(f"http://127.0.0.1:{receiver.port}/", active=False)
    end = site.bulk(COUNT)
    assert end == COUNT + 11
    with site.relaying():
        time.sleep(0.3)
        assert receiver.got == []  # down for a week
        begun = time.monotonic()
        site.change(hook, active=True)
        wait_until(lambda: site.progress(hook).cursor == end, 240)
        seconds = time.monotonic() - begun
    sequences = [each.sequence for each in receiver.got]
    assert len(sequences) == end
    assert sorted(sequences) == list(range(end))
    assert in_order(receiver.got)
    for each in receiver.got[::500]:
        each.verify(site.secret(hook.id))
    assert receiver.connections <= 4
    record_property("summary", f"{end} events in {seconds:.1f} s: {end / seconds:.0f} events/s")
    # The receiver runs in this process and takes most of the time; a whole week's backlog of 100,000
    # events must take minutes and no more.
    assert seconds < 200
