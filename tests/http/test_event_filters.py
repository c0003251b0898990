"""Filters of the log: every combination of them, in every form, against a plain list of the test's own.

The list is what the test itself wrote down of each event; nothing of the service's own filtering is
used to make it.
"""

from __future__ import annotations

import itertools
import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from service.domain.events import NewEvent
from service.domain.ports import EventFilter, Store
from service.http.event_streams import EventStreams, Pace
from service.persistence.migrate import migrate
from service.persistence.store import open_store
from tests.contract import acts
from tests.http.running import Caller, Clock, Running

NAMES = ("line", "hanger", "type", "since", "until", "occurred_since", "occurred_until")
COMBINATIONS = [chosen for count in range(8) for chosen in itertools.combinations(NAMES, count)]
START = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)


@dataclass(frozen=True)
class Listed:
    """What the list knows of one event."""

    sequence: int
    line: str | None
    hanger: str | None
    type: str
    recorded_at: datetime
    occurred_at: datetime


def to_write() -> Iterator[tuple[Listed, NewEvent]]:
    """Events of three lines and eight hangers, one of which moves; site time does not follow the log."""
    places = itertools.count()

    def listed(event: NewEvent) -> tuple[Listed, NewEvent]:
        sequence = next(places)
        occurred = START - timedelta(hours=(sequence * 7) % 23, minutes=sequence)
        offset = timedelta(hours=(sequence % 5) - 2)
        local = (occurred + offset).replace(tzinfo=None).isoformat()
        sign, hours = ("-", "+")[offset >= timedelta(0)], abs(offset).seconds // 3600
        stated = replace(event, occurred_at=f"{local}{sign}{hours:02d}:00")
        kind, _, key = event.subject.partition("/")
        recorded = START + timedelta(minutes=10 * sequence)
        mark = key if kind == "hanger" else None
        return Listed(sequence, event.line, mark, event.type, recorded, occurred), stated

    yield listed(acts.plant_record())
    for line in ("L-1", "L-2", "L-3"):
        yield listed(acts.line_record(line))
    homes = {f"H-{number}": f"L-{number % 3 + 1}" for number in range(8)}
    for mark, line in homes.items():
        yield listed(acts.hanger_record(mark, line))
    for turn in range(3):
        for mark, line in homes.items():
            yield listed(acts.inspection(mark, line, texts={"note": "seen"} if turn else None))
        for line in ("L-1", "L-2", "L-3"):
            yield listed(acts.line_inspection(line))
        if turn == 1:
            yield listed(acts.transfer("H-4", homes["H-4"], "L-3"))
            homes["H-4"] = "L-3"
        for mark, line in list(homes.items())[turn : turn + 4]:
            yield listed(acts.turn(mark, line, 0.25))


def write(store: Store, clock: Clock) -> list[Listed]:
    """Write them all, ten minutes apart by the store's clock; the list of what was written."""
    rows = []
    clock.step_s = 0
    for row, event in to_write():
        clock.now = row.recorded_at
        with store.write("P") as writer:
            assert writer.append(event).sequence == row.sequence
        rows.append(row)
    return rows


# Two sets of values: one that leaves much together, and one whose filters shut each other out often.
VALUES: dict[str, dict[str, Any]] = {
    "wide": {
        "line": "L-2",
        "hanger": "H-4",
        "type": "hanger-inspected",
        "since": START + timedelta(minutes=150),
        "until": START + timedelta(minutes=470),
        "occurred_since": START - timedelta(hours=18),
        "occurred_until": START - timedelta(hours=5),
    },
    "narrow": {
        "line": "l-3",
        "hanger": "h-4",
        "type": "adjuster-turned",
        # Both bounds fall on an event's own time: the first is in, the second is out.
        "since": START + timedelta(minutes=300),
        "until": START + timedelta(minutes=480),
        "occurred_since": START - timedelta(hours=20, minutes=40),
        "occurred_until": START - timedelta(hours=2),
    },
}


def fits(row: Listed, wanted: dict[str, Any]) -> bool:
    """Whether a listed event passes every filter."""
    return (
        ("line" not in wanted or (row.line or "").casefold() == wanted["line"].casefold())
        and ("hanger" not in wanted or (row.hanger or "").casefold() == wanted["hanger"].casefold())
        and ("type" not in wanted or row.type == wanted["type"])
        and ("since" not in wanted or row.recorded_at >= wanted["since"])
        and ("until" not in wanted or row.recorded_at < wanted["until"])
        and ("occurred_since" not in wanted or row.occurred_at >= wanted["occurred_since"])
        and ("occurred_until" not in wanted or row.occurred_at < wanted["occurred_until"])
    )


def expected(rows: list[Listed], wanted: dict[str, Any]) -> list[int]:
    return [row.sequence for row in rows if fits(row, wanted)]


def wanted_of(chosen: tuple[str, ...], values: str) -> dict[str, Any]:
    return {name: VALUES[values][name] for name in chosen}


@pytest.mark.parametrize("values", VALUES)
def test_the_list_is_worth_filtering(values: str) -> None:
    rows = [row for row, _ in to_write()]
    assert len(rows) == 12 + 3 * 15 + 1
    alone = {name: len(expected(rows, wanted_of((name,), values))) for name in NAMES}
    assert all(0 < count < len(rows) for count in alone.values()), alone
    found = [len(expected(rows, wanted_of(chosen, values))) for chosen in COMBINATIONS]
    assert len(COMBINATIONS) == 128
    assert sum(1 for count in found if count) > 40
    assert len(set(found)) > 8


# --- the store, on both engines -------------------------------------------------------------------
@pytest.fixture
def clock() -> Clock:
    return Clock(START)


@pytest.fixture
def store(database_url: str, tmp_path: Path, clock: Clock) -> Iterator[Store]:
    settings = acts.settings_for(database_url, tmp_path / "data")
    migrate(settings)
    opened = open_store(settings, clock=clock)
    acts.open_plant(opened, "P")
    yield opened
    opened.close()


def test_the_store_filters_as_the_list_does_in_every_combination(store: Store, clock: Clock) -> None:
    rows = write(store, clock)
    for values, chosen in itertools.product(VALUES, COMBINATIONS):
        wanted = wanted_of(chosen, values)
        full = expected(rows, wanted)
        given = EventFilter(**wanted)
        with store.read("P") as reader:
            assert [each.event.sequence for each in reader.events(given, 0, 500)] == full, wanted
            assert [each.event.sequence for each in reader.events(given, 17, 3)] == [
                sequence for sequence in full if sequence >= 17
            ][:3], wanted
        streamed = [sequence for chunk in store.stream("P", given, 5, 50) for sequence, _ in chunk]
        assert streamed == [sequence for sequence in full if 5 <= sequence < 50], wanted


# --- over HTTP ------------------------------------------------------------------------------------
@dataclass(frozen=True)
class Written:
    """A service with the events, the list of them, and a caller who may read them."""

    running: Running
    rows: list[Listed]
    auditor: Caller


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Written]:
    running = Running(tmp_path_factory.mktemp("service"))
    acts.open_plant(running.store, "P")  # type: ignore[arg-type]
    auditor = running.caller("auditor")
    rows = write(running.store, running.clock)
    # A stream ends at its first look that finds nothing new: its time passes only while it sleeps.
    time = Ticking()
    streams = EventStreams(4, Pace(poll_s=1, heartbeat_s=2, longest_s=1), clock=time, sleep=time.sleep)
    edge = running.app.extensions["service-edge"]
    running.app.extensions["service-edge"] = replace(edge, streams=streams)
    yield Written(running, rows, auditor)
    running.close()


class Ticking:
    """Seconds that pass only while a stream sleeps."""

    def __init__(self) -> None:
        self.seconds = 0.0

    def __call__(self) -> float:
        return self.seconds

    def sleep(self, seconds: float) -> None:
        self.seconds += seconds


def query_of(wanted: dict[str, Any]) -> dict[str, str]:
    return {
        name: value.isoformat() if isinstance(value, datetime) else value for name, value in wanted.items()
    }


def json_pages(auditor: Caller, query: dict[str, str], limit: int) -> list[int]:
    """Sequences on all pages, followed by `next`."""
    found: list[int] = []
    start: int | None = int(query.get("from", "0"))
    while start is not None:
        answer = auditor.get("/v1/plants/P/events", query_string={**query, "from": start, "limit": limit})
        assert answer.status_code == 200, answer.data
        page = answer.json
        assert len(page["items"]) <= limit
        found += [item["event"]["sequence"] for item in page["items"]]
        start = page["next"]
    return found


def ndjson(auditor: Caller, query: dict[str, str]) -> list[int]:
    answer = auditor.get(
        "/v1/plants/P/events",
        query_string={**query, "trailer": "false"},
        headers={"Accept": "application/x-ndjson"},
    )
    assert answer.status_code == 200, answer.data
    return [json.loads(line)["sequence"] for line in answer.data.splitlines()]


def sent_events(auditor: Caller, query: dict[str, str]) -> list[int]:
    answer = auditor.get("/v1/plants/P/events", query_string=query, headers={"Accept": "text/event-stream"})
    assert answer.status_code == 200, answer.data
    blocks = [block.split("\n") for block in answer.get_data(as_text=True).split("\n\n")]
    return [
        json.loads(line.removeprefix("data: "))["sequence"]
        for block in blocks
        for line in block
        if line.startswith("data: ")
    ]


@pytest.mark.parametrize("values", VALUES)
def test_every_form_filters_as_the_list_does_in_every_combination(written: Written, values: str) -> None:
    for number, chosen in enumerate(COMBINATIONS):
        wanted = wanted_of(chosen, values)
        full, query = expected(written.rows, wanted), query_of(wanted)
        assert json_pages(written.auditor, query, 500) == full, wanted
        assert ndjson(written.auditor, query) == full, wanted
        assert sent_events(written.auditor, query) == full, wanted
        # A part of it: from a place on, up to a place, in pages of a few.
        start, end = number % 30, 40 + number % 18
        part = [sequence for sequence in full if start <= sequence < end]
        bounds = {**query, "from": str(start), "to": str(end)}
        assert json_pages(written.auditor, bounds, 3) == part, wanted
        assert ndjson(written.auditor, bounds) == part, wanted
        assert sent_events(written.auditor, {**query, "from": str(start)}) == [
            sequence for sequence in full if sequence >= start
        ], wanted


def test_a_token_scoped_to_lines_adds_its_own_filter_to_every_combination(written: Written) -> None:
    scoped = written.running.caller("engineer", plants=["P"], lines=["L-2", "L-3"])
    for chosen in COMBINATIONS:
        wanted = wanted_of(chosen, "wide")
        visible = [row for row in written.rows if row.line in ("L-2", "L-3")]
        full, query = expected(visible, wanted), query_of(wanted)
        assert json_pages(scoped, query, 7) == full, wanted
        assert ndjson(scoped, query) == full, wanted
        assert sent_events(scoped, query) == full, wanted
