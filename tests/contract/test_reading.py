"""What is read: the past as it was, filters against a plain list, lists, streams and letter case."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from sqlalchemy import select

from service.domain.events import NewEvent
from service.domain.ports import EventFilter, HangerFilter, StoredEvent
from service.persistence import tables
from service.persistence.plant_reading import StoredPlant
from service.persistence.rebuild import rebuild
from service.persistence.store import SqlStore
from tests.contract.acts import (
    START,
    Clock,
    act,
    append,
    hanger_record,
    inspection,
    line_inspection,
    line_record,
    open_plant,
    plant_record,
    retirement,
    transfer,
    turn,
)

MARKS = ("H1", "H2", "H3")
LINES = ("A", "B")
FIXTURE_IS_SHARED = [HealthCheck.function_scoped_fixture, HealthCheck.too_slow]


# --- the past --------------------------------------------------------------------------------------
@st.composite
def histories(draw: st.DrawFn) -> list[tuple[str, ...]]:
    mark, line = st.sampled_from(MARKS), st.sampled_from(LINES)
    step = st.one_of(
        st.tuples(st.just("record"), mark, line),
        st.tuples(st.just("line"), line),
        st.tuples(st.just("inspect"), mark, st.sampled_from(["yes", "no", "2", "3"])),
        st.tuples(st.just("turn"), mark, st.sampled_from(["0.25", "-0.5", "1"])),
        st.tuples(st.just("correct"), mark, st.sampled_from(["yes", "no"])),
        st.tuples(st.just("withdraw"), mark),
        st.tuples(st.just("transfer"), mark, line),
        st.tuples(st.just("retire"), mark),
        st.tuples(st.just("look"), line, st.sampled_from(["complete", "incomplete"])),
    )
    return draw(st.lists(step, min_size=4, max_size=25))


class Story:
    """Turns drawn steps into events that make sense: what does not is left out."""

    def __init__(self) -> None:
        self.hangers: dict[str, str] = {}
        self.revisions: dict[str, int] = {}
        self.inspected: dict[str, int] = {}
        self.retired: set[str] = set()
        self.size = 0

    def event(self, step: tuple[str, ...]) -> NewEvent | None:
        event = self._event(*step)
        if event is not None:
            if event.type == "hanger-inspected":
                self.inspected[event.subject.partition("/")[2]] = self.size
            if event.data.get("withdraws"):
                del self.inspected[event.subject.partition("/")[2]]
            self.size += 1
        return event

    def _event(self, kind: str, key: str, word: str = "") -> NewEvent | None:
        if kind == "line":
            return line_record(key, self._revision(f"line/{key}"), description=str(self.size))
        if kind == "look":
            return line_inspection(key, insulation=word)
        if kind == "record":
            line = self.hangers.setdefault(key, word)
            return hanger_record(key, line, self._revision(f"hanger/{key}"), drawing_mark=str(self.size))
        if key not in self.hangers or key in self.retired:
            return None
        line = self.hangers[key]
        if kind == "inspect":
            seen: dict[str, Any] = (
                {"in_place": word == "yes"} if word in ("yes", "no") else {"stops_counted": int(word)}
            )
            return inspection(key, line, **seen)
        if kind == "turn":
            return turn(key, line, float(word))
        if kind in ("correct", "withdraw"):
            if key not in self.inspected:
                return None
            more = {"in_place": word == "yes"} if kind == "correct" else {"withdraws": True}
            return inspection(key, line, corrects=self.inspected[key], texts={"reason": "misread"}, **more)
        if kind == "transfer":
            if word == line:
                return None
            self.hangers[key] = word
            return transfer(key, line, word)
        self.retired.add(key)
        return retirement(key, line)

    def _revision(self, subject: str) -> int:
        self.revisions[subject] = self.revisions.get(subject, 0) + 1
        return self.revisions[subject]


def picture(reader: StoredPlant, as_of: int | None) -> list[Any]:
    """Everything that may be asked as of a sequence."""
    asked: list[Any] = [reader.line_view(line, as_of) for line in LINES]
    asked += [reader.hanger_view(mark, as_of) for mark in MARKS]
    asked += [reader.facts(f"hanger/{mark}", as_of) for mark in MARKS]
    asked += [reader.facts(f"line/{line}", as_of) for line in LINES]
    asked += [reader.record("hanger", mark, as_of=as_of) for mark in MARKS]
    asked += [reader.record("line", line, as_of=as_of) for line in LINES]
    return asked


def test_as_of_shows_what_was_read_then(store: SqlStore) -> None:
    plants = (f"Plant-{number}" for number in itertools.count())

    @given(histories())
    @hypothesis_settings(max_examples=25, suppress_health_check=FIXTURE_IS_SHARED)
    def check(steps: list[tuple[str, ...]]) -> None:
        plant = next(plants)
        open_plant(store, plant)
        story, then = Story(), []
        for step in steps:
            event = story.event(step)
            if event is not None:
                with store.write(plant) as writer:
                    writer.append(event)
                with store.read(plant) as reader:
                    then.append(picture(reader, None))
        with store.read(plant) as reader:
            assert picture(reader, -1) == [None] * 5 + [{}] * 5 + [None] * 5
            for sequence, expected in enumerate(then):
                assert picture(reader, sequence) == expected
            assert reader.size == len(then)
            assert picture(reader, None) == (then[-1] if then else picture(reader, -1))

    check()
    assert rebuild(store, write=False) == []


def test_as_of_sees_a_correction_from_its_own_place_only(store: SqlStore) -> None:
    append(store, "Works-1", hanger_record("H1", "A"), inspection("H1", "A", in_place=False))
    append(store, "Works-1", inspection("H1", "A", in_place=True, corrects=1))
    with store.read("Works-1") as reader:
        seen = [reader.facts("hanger/H1", as_of).get("assembly/1/in_place") for as_of in (0, 1, 2, None)]
    assert seen[0] is None
    assert [fact.value for fact in seen[1:] if fact] == [False, True, True]
    assert [(fact.sequence, fact.shown_by) for fact in seen[1:] if fact] == [(1, 1), (1, 2), (1, 2)]


def test_a_fact_that_comes_back_is_one_name_with_a_gap(store: SqlStore) -> None:
    name = "assembly/1/in_place"
    append(store, "Works-1", hanger_record("H1", "A"), inspection("H1", "A", in_place=True))
    append(
        store, "Works-1", inspection("H1", "A", corrects=1, withdraws=True, texts={"reason": "other hanger"})
    )
    append(store, "Works-1", inspection("H1", "A", in_place=False))
    with store.read("Works-1") as reader:
        seen = [reader.facts("hanger/H1", as_of).get(name) for as_of in range(4)]
        rows = reader.connection.execute(
            select(tables.facts.c.from_sequence, tables.facts.c.until_sequence, tables.facts.c.first)
            .where(tables.facts.c.name == name)
            .order_by(tables.facts.c.from_sequence)
        ).all()
    assert [fact and fact.value for fact in seen] == [None, True, None, False]
    assert [tuple(row) for row in rows] == [(1, 2, True), (3, None, False)]


def test_a_hanger_moved_to_another_line_left_the_first_one_then(store: SqlStore) -> None:
    append(store, "Works-1", line_record("A"), hanger_record("H1", "A"), transfer("H1", "A", "B"))
    with store.read("Works-1") as reader:

        def marks(line: str, as_of: int | None) -> list[str] | None:
            view = reader.line_view(line, as_of)
            return None if view is None else [hanger.mark for hanger in view.hangers]

        assert [marks("A", at) for at in (0, 1, 2, None)] == [[], ["H1"], [], []]
        assert [marks("B", at) for at in (0, 1, 2, None)] == [None, None, ["H1"], ["H1"]]
        moved = reader.record("hanger", "H1")
        before = reader.record("hanger", "H1", as_of=1)
        written = reader.record("hanger", "H1", revision=1)
        row = reader.hanger_row("h1")
    assert moved is not None
    assert before is not None
    assert written is not None
    assert row is not None
    assert (moved.line, before.line, written.line, row.line) == ("B", "A", "A", "B")


def test_a_retired_hanger_leaves_its_line_and_stays_readable(store: SqlStore) -> None:
    append(store, "Works-1", hanger_record("H1", "A"), hanger_record("H2", "A"), retirement("H1", "A"))
    with store.read("Works-1") as reader:
        now, then = reader.line_view("A"), reader.line_view("A", 1)
        view, earlier = reader.hanger_view("H1"), reader.hanger_view("H1", 1)
        kept = [row.mark for row in reader.hangers(HangerFilter(), "", 10)]
        gone = [row.mark for row in reader.hangers(HangerFilter(retired=True), "", 10)]
        every = [row.mark for row in reader.hangers(HangerFilter(retired=None), "", 10)]
    assert now is not None
    assert then is not None
    assert view is not None
    assert earlier is not None
    assert [hanger.mark for hanger in now.hangers] == ["H2"]
    assert [hanger.mark for hanger in then.hangers] == ["H1", "H2"]
    assert (view.retired, earlier.retired) == (True, False)
    assert (kept, gone, every) == (["H2"], ["H1"], ["H1", "H2"])


def test_a_line_view_names_the_last_event_taken_in(store: SqlStore) -> None:
    append(store, "Works-1", line_record("A"), line_record("B"), line_record("A", 2))
    with store.read("Works-1") as reader:
        views = [reader.line_view("a", at) for at in (0, 1, 2, 99, None)]
    assert [(view.sequence, view.revision, view.record_sequence) for view in views if view] == [
        (0, 1, 0),
        (1, 1, 0),
        (2, 2, 2),
        (2, 2, 2),
        (2, 2, 2),
    ]


# --- events by filter ---------------------------------------------------------------------------------
KINDS: Sequence[tuple[NewEvent, float]] = [
    (plant_record(), 0),
    (line_record("A"), 0),
    (line_record("B"), 60),
    (hanger_record("H1", "A"), 0),
    (hanger_record("H2", "a"), 1),
    (hanger_record("H3", "B"), 1),
    (inspection("H1", "A", in_place=True, at="2026-05-04T08:00:00+02:00"), 5),
    (inspection("h1", "A", in_place=False, at="2026-05-04T05:59:59Z"), 0),
    (inspection("H3", "B", in_place=True, at="2026-05-04T11:30:00+05:30"), 0),
    (turn("H1", "A", 0.5, at="2026-05-03T23:00:00-08:00"), -7200),
    (line_inspection("A", insulation="complete"), 7200),
    (transfer("H2", "A", "B"), 30),
    (inspection("H2", "B", in_place=True, at="2026-05-04T06:00:00.000001Z"), 0),
    (act("criteria-recorded", "criteria", {"revision": 1, "document": {"limits": {}}}), 10),
    (retirement("H3", "B"), 10),
]


def lets_through(wanted: EventFilter, stored: StoredEvent) -> bool:
    """The filter's meaning, written out plainly."""
    event = stored.event
    line = None if event.line is None else event.line.casefold()
    recorded, occurred = datetime.fromisoformat(event.recorded_at), datetime.fromisoformat(event.occurred_at)
    return all(
        (
            wanted.line is None or line == wanted.line.casefold(),
            wanted.hanger is None or event.subject.casefold() == f"hanger/{wanted.hanger}".casefold(),
            wanted.type is None or event.type == wanted.type,
            wanted.since is None or recorded >= wanted.since,
            wanted.until is None or recorded < wanted.until,
            wanted.occurred_since is None or occurred >= wanted.occurred_since,
            wanted.occurred_until is None or occurred < wanted.occurred_until,
            wanted.lines is None or line in {key.casefold() for key in wanted.lines},
        )
    )


MOMENTS = st.one_of(
    st.none(),
    st.sampled_from([-3600, -1, 0, 1, 60, 61, 62, 66, 67, 7266, 7267, 7296, 9999]).map(
        lambda seconds: START + timedelta(seconds=seconds)
    ),
    st.integers(-8000, 8000).map(lambda milliseconds: START + timedelta(milliseconds=milliseconds)),
)
FILTERS = st.builds(
    EventFilter,
    line=st.sampled_from([None, "A", "a", "B", "C"]),
    hanger=st.sampled_from([None, "H1", "h2", "H3", "H9"]),
    type=st.sampled_from([None, "hanger-inspected", "hanger-recorded", "line-recorded", "stop-noted"]),
    since=MOMENTS,
    until=MOMENTS,
    occurred_since=MOMENTS,
    occurred_until=MOMENTS,
    lines=st.sampled_from([None, frozenset[str](), frozenset({"A"}), frozenset({"b", "C"})]),
)


def filled(store: SqlStore, clock: Clock) -> list[StoredEvent]:
    for event, seconds in KINDS:
        clock.move(seconds=seconds)
        append(store, "Works-1", event)
    with store.read("Works-1") as reader:
        every = list(reader.events(EventFilter(), 0, 1000))
    assert [each.event.sequence for each in every] == list(range(len(KINDS)))
    return every


def test_every_filter_gives_what_a_plain_list_gives(store: SqlStore, clock: Clock) -> None:
    every = filled(store, clock)

    @given(FILTERS, st.integers(-1, 16), st.integers(0, 6), st.one_of(st.none(), st.integers(0, 20)))
    @hypothesis_settings(max_examples=300, suppress_health_check=FIXTURE_IS_SHARED)
    def check(wanted: EventFilter, start: int, limit: int, end: int | None) -> None:
        expected = [each for each in every if lets_through(wanted, each) and each.event.sequence >= start]
        with store.read("Works-1") as reader:
            assert list(reader.events(wanted, start, limit)) == expected[:limit]
            assert list(reader.events(wanted, start, 1000)) == expected
        bounded = [each for each in expected if end is None or each.event.sequence < end]
        streamed = [pair for chunk in store.stream("Works-1", wanted, start, end) for pair in chunk]
        assert streamed == [(each.event.sequence, each.body) for each in bounded]

    check()


def test_every_combination_of_filters_narrows_as_a_plain_list_does(store: SqlStore, clock: Clock) -> None:
    every = filled(store, clock)
    values: dict[str, Any] = {
        "line": "a",
        "hanger": "H1",
        "type": "hanger-inspected",
        "since": START + timedelta(seconds=60),
        "until": START + timedelta(seconds=7200),
        "occurred_since": START,
        "occurred_until": START + timedelta(hours=1),
        "lines": frozenset({"A"}),
    }
    assert values.keys() == {each.name for each in dataclasses.fields(EventFilter)}
    counts = set()
    with store.read("Works-1") as reader:
        for size in range(len(values) + 1):
            for names in itertools.combinations(values, size):
                wanted = EventFilter(**{name: values[name] for name in names})
                expected = [each for each in every if lets_through(wanted, each)]
                assert list(reader.events(wanted, 0, 1000)) == expected, names
                counts.add(len(expected))
    assert len(counts) > 5
    assert 0 not in counts, "a filter that lets nothing through proves nothing"


def test_a_stream_comes_in_chunks_and_holds_no_transaction_between_them(store: SqlStore) -> None:
    with store.write("Works-1") as writer:
        for number in range(2_150):
            writer.append(act("criteria-recorded", "criteria", {"revision": number + 1, "document": {}}))
    chunks = store.stream("Works-1", EventFilter(), 100, None)
    first = next(chunks)
    assert store.engine.pool.checkedout() == 0  # type: ignore[attr-defined]
    append(store, "Works-1", line_record("A"))
    rest = list(chunks)
    assert [len(first), *(len(chunk) for chunk in rest)] == [1000, 1000, 50]
    assert [place for chunk in (first, *rest) for place, _ in chunk] == list(range(100, 2_150))


# --- hangers by filter ----------------------------------------------------------------------------------
def test_every_hanger_filter_gives_what_a_plain_list_gives(store: SqlStore) -> None:
    hangers = [
        ("H-10", "A", "variable", [{"source": "m", "id": "1"}, {"source": "x", "id": "2"}], False),
        ("H-2", "A", "constant", [{"source": "m", "id": "2"}], False),
        ("h-3", "a", "rigid", [], True),
        ("G-1", "B", "variable", [{"source": "x", "id": "1"}], False),
        ("Z.9", "B", "constant", [], True),
    ]
    changed: dict[str, int] = {}
    for mark, line, kind, names, gone in hangers:
        [changed[mark]] = append(store, "Works-1", hanger_record(mark, line, kind=kind, external_ids=names))
        if gone:
            [changed[mark]] = append(store, "Works-1", retirement(mark, line))
    hold = {"transition": "hold", "from": "locked", "to": "on_hold", "caused_by": None, "cause": None}
    [changed["G-1"]] = append(store, "Works-1", act("transition-made", "hanger/g-1", hold, "B"))

    def expected(wanted: HangerFilter, after: str) -> list[str]:
        marks = []
        for mark, line, kind, names, gone in hangers:
            pairs = [(name["source"], name["id"]) for name in names]
            good = (
                mark.casefold() > after
                and (wanted.line is None or wanted.line.casefold() == line.casefold())
                and (wanted.kind is None or wanted.kind == kind)
                and (wanted.state is None or wanted.state == ("on_hold" if mark == "G-1" else "locked"))
                and (wanted.changed_since is None or changed[mark] > wanted.changed_since)
                and (wanted.retired is None or wanted.retired == gone)
                and (wanted.lines is None or line.casefold() in {key.casefold() for key in wanted.lines})
                and (
                    (wanted.external_source is None and wanted.external_id is None)
                    or any(
                        wanted.external_source in (None, source) and wanted.external_id in (None, identifier)
                        for source, identifier in pairs
                    )
                )
            )
            if good:
                marks.append(mark)
        return sorted(marks, key=str.casefold)

    @given(
        st.builds(
            HangerFilter,
            line=st.sampled_from([None, "A", "b", "C"]),
            kind=st.sampled_from([None, "variable", "constant", "rigid"]),
            state=st.sampled_from([None, "locked", "on_hold", "proved"]),
            external_source=st.sampled_from([None, "m", "x", "y"]),
            external_id=st.sampled_from([None, "1", "2"]),
            changed_since=st.one_of(st.none(), st.integers(-1, 8)),
            retired=st.sampled_from([None, True, False]),
            lines=st.sampled_from([None, frozenset[str](), frozenset({"A", "B"}), frozenset({"a"})]),
        ),
        st.sampled_from(["", "g-1", "h-10", "zz"]),
        st.integers(1, 6),
    )
    @hypothesis_settings(max_examples=200, suppress_health_check=FIXTURE_IS_SHARED)
    def check(wanted: HangerFilter, after: str, limit: int) -> None:
        with store.read("Works-1") as reader:
            rows = reader.hangers(wanted, after, limit)
        assert [row.mark for row in rows] == expected(wanted, after)[:limit]
        assert [row.changed for row in rows] == [changed[row.mark] for row in rows]

    check()


# --- records ----------------------------------------------------------------------------------------------
def test_revisions_tell_from_which_event_until_which_they_held(store: SqlStore, clock: Clock) -> None:
    for revision in (1, 2, 3):
        append(store, "Works-1", line_record("A", revision, description=str(revision)))
        clock.move(seconds=1)
    with store.read("Works-1") as reader:
        assert [(r.revision, r.sequence, r.until) for r in reader.revisions("line", "a", 0, 10)] == [
            (1, 0, 1),
            (2, 1, 2),
            (3, 2, None),
        ]
        assert [r.revision for r in reader.revisions("line", "A", 1, 1)] == [2]
        assert reader.record("line", "A", revision=2, as_of=0) is None
        then = reader.record("line", "A", as_of=1)
        assert then is not None
        assert (then.revision, then.until, then.recorded_at) == (2, None, "2026-05-04T06:00:01.000000Z")
        assert reader.record("line", "B") is None


def test_the_plants_own_records_are_found_by_the_plants_key(store: SqlStore) -> None:
    criteria = act("criteria-recorded", "criteria", {"revision": 1, "document": {"limits": {}}})
    append(store, "Works-1", plant_record(), criteria)
    with store.read("Works-1") as reader:
        for kind in ("plant", "criteria"):
            record = reader.record(kind, "works-1")
            assert record is not None
            assert (record.kind, record.key, record.line) == (kind, "Works-1", None)


def test_lines_are_listed_with_and_without_records(store: SqlStore) -> None:
    append(store, "Works-1", line_record("b-2"), hanger_record("H1", "A-1"), line_record("C-3"))
    append(store, "Works-1", hanger_record("H2", "B-2"))
    with store.read("Works-1") as reader:
        assert reader.line_keys(None) == ["A-1", "b-2", "C-3"]
        assert reader.line_keys(frozenset({"B-2", "a-1"})) == ["A-1", "b-2"]
        assert [record.key for record in reader.lines("", 10, None)] == ["b-2", "C-3"]
        assert [record.key for record in reader.lines("b-2", 10, None)] == ["C-3"]
        assert [record.key for record in reader.lines("", 1, None)] == ["b-2"]
        assert [record.key for record in reader.lines("", 10, frozenset({"c-3"}))] == ["C-3"]
        bare = reader.line_view("a-1")
        assert bare is not None
        assert (bare.line, bare.record, bare.revision, bare.record_sequence) == ("A-1", None, 0, None)
        assert reader.line_view("Z") is None


def test_an_external_id_has_one_holder_in_its_plant(store: SqlStore) -> None:
    def names(*identifiers: str) -> list[dict[str, str]]:
        return [{"source": "m", "id": identifier} for identifier in identifiers]

    open_plant(store, "Works-2")
    append(store, "Works-2", hanger_record("X", "A", external_ids=names("1")))
    append(store, "Works-1", hanger_record("H1", "A", external_ids=names("1", "2")))
    append(store, "Works-1", hanger_record("H1", "A", 2, external_ids=names("2", "3")))
    append(store, "Works-1", hanger_record("H2", "A", external_ids=names("1")))
    with store.read("Works-1") as reader:
        assert [reader.external_id_owner("m", each) for each in "1234"] == ["H2", "H1", "H1", None]
        assert reader.external_id_owner("M", "1") is None


def test_the_last_sequence_at_an_instant_is_found(store: SqlStore, clock: Clock) -> None:
    append(store, "Works-1", line_record("A"), line_record("B"))
    clock.move(seconds=10)
    append(store, "Works-1", line_record("C"))
    with store.read("Works-1") as reader:
        instants = [-1, 0, 9.999999, 10, 11]
        assert [reader.sequence_at(START + timedelta(seconds=each)) for each in instants] == [-1, 1, 1, 2, 2]
        assert reader.recorded_at(2) == "2026-05-04T06:00:10.000000Z"
        assert reader.recorded_at(3) is None
        with pytest.raises(ValueError, match="offset"):
            reader.sequence_at(datetime(2026, 5, 4))  # noqa: DTZ001


def test_a_reader_keeps_one_state_while_others_write(store: SqlStore) -> None:
    append(store, "Works-1", line_record("A"))
    if store.engine.dialect.name == "sqlite":
        with store.engine.connect() as connection:
            if connection.exec_driver_sql("PRAGMA journal_mode").scalar() != "wal":
                return  # there a reader keeps writers waiting instead
    with store.read("Works-1") as reader:
        append(store, "Works-1", line_record("B"))
        assert reader.size == 1
        assert reader.line_view("B") is None
        assert len(reader.events(EventFilter(), 0, 10)) == 1
    with store.read("Works-1") as reader:
        assert reader.line_view("B") is not None


def test_a_line_of_sixty_hangers_is_read_in_few_queries(store: SqlStore) -> None:
    from sqlalchemy import event

    with store.write("Works-1") as writer:
        writer.append(line_record("A"))
        for number in range(60):
            writer.append(hanger_record(f"H{number}", "A"))
            writer.append(inspection(f"H{number}", "A", in_place=True, stops_counted=2))
    queries: list[str] = []
    event.listen(store.engine, "before_cursor_execute", lambda *given: queries.append(given[2]))
    for as_of in (None, 90):
        with store.read("Works-1") as reader:
            queries.clear()
            view = reader.line_view("A", as_of)
            assert view is not None
            assert len(view.hangers) == (60 if as_of is None else 45)
            assert len(queries) <= 4
