"""A small invented plant for the tests of the use cases: records, persons, a clock, and acts in few words."""

from __future__ import annotations

import functools
import itertools
import pickle
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select

from service.application import access, acts, authorisations, hangers, questions, records
from service.application.context import Answer, Context, IdempotencyKey
from service.application.preconditions import Precondition
from service.config import Settings
from service.domain.access import Principal
from service.domain.ports import EventFilter
from service.errors import ServiceError
from service.http.documents import Document
from service.persistence.migrate import migrate
from service.persistence.rebuild import rebuild
from service.persistence.store import SqlStore, open_store
from service.persistence.tables import idempotency_keys
from tests.application.plant import (
    ANY,
    HANGERS,
    NEW,
    PEOPLE,
    PLANT,
    hanger_document,
    line_document,
    on,
    plate,
    q,
    sprung,
)

START = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)


def fits(schema: str, document: Any) -> None:
    """Holds a document against its open schema."""
    Document(schema).validate(document)


# --- the site -----------------------------------------------------------------------------------------
class Clock:
    """A clock that stands still until it is moved."""

    def __init__(self) -> None:
        self.moment = START

    def __call__(self) -> datetime:
        return self.moment

    def advance(self, minutes: float) -> None:
        self.moment += timedelta(minutes=minutes)


ACTS: dict[str, tuple[Any, str]] = {
    "inspect": (acts.inspect_hanger, "hanger-inspection"),
    "read": (acts.take_reading, "reading"),
    "turn": (acts.make_turns, "turn"),
    "stop": (acts.note_stop, "stop"),
    "step": (acts.make_transition, "transition"),
    "inspect line": (acts.inspect_line, "line-inspection"),
    "authorise": (authorisations.authorise_line, "authorisation"),
    "concede": (authorisations.grant_concession, "concession"),
    "transfer": (hangers.transfer_hanger, "transfer"),
    "retire": (hangers.retire_hanger, "retirement"),
}


@dataclass
class Refusal:
    """The error of an act that was refused."""

    error: Any = None

    @property
    def lacks(self) -> set[str]:
        """Codes of what was lacking."""
        return {lack["code"] for lack in self.error.facts["lacks"]}

    @property
    def rules(self) -> list[tuple[str | None, str]]:
        """Pointer and rule of each finding."""
        return [(finding.pointer, finding.rule) for finding in self.error.errors]


@dataclass
class Site:
    """The service's use cases on one store, and the people who use them."""

    store: SqlStore
    clock: Clock
    numbers: Any = field(default_factory=lambda: itertools.count(1))
    nets: dict[tuple[str, int], float] = field(default_factory=dict)

    # --- who, when ----------------------------------------------------------------------------------
    def context(
        self,
        who: str,
        *,
        dry: bool = False,
        key: str | None = None,
        path: str = "/",
        digest: str = "0" * 64,
        lines: list[str] | None = None,
        plants: list[str] | None = None,
    ) -> Context:
        identifier, kind, role = PEOPLE[who]
        scope = [
            None if keys is None else frozenset(each.casefold() for each in keys) for keys in (plants, lines)
        ]
        principal = Principal(identifier, kind, role, "tk_test", *scope)
        remembered = None if key is None else IdempotencyKey("POST", path, key, digest)
        request = f"rq_{next(self.numbers)}"
        return Context(
            self.store, self.clock(), lambda: request, principal, request, remembered, dry, "0.test"
        )

    def stamp(self, minutes: float = 0) -> str:
        return (self.clock() + timedelta(minutes=minutes)).isoformat()

    # --- acts -----------------------------------------------------------------------------------------
    def do(
        self, act: str, who: str, subject: str, /, *, at: str | None = None, **options: Any
    ) -> dict[str, Any]:
        """One act; its document and its answer are held against their schemas."""
        return self.answer(act, who, subject, at=at, **options).document

    def answer(self, act: str, who: str, subject: str, /, *, at: str | None = None, **options: Any) -> Answer:
        surroundings = {
            name: options.pop(name)
            for name in ("dry", "key", "path", "digest", "lines", "plants")
            if name in options
        }
        call, schema = ACTS[act]
        document = {"occurred_at": at or self.stamp(), **options}
        fits(schema, document)
        answer: Answer = call(self.context(who, **surroundings), PLANT, subject, document)
        fits("act-receipt", answer.document)
        return answer

    def later(self, minutes: float = 1) -> Site:
        self.clock.advance(minutes)
        return self

    # --- records -----------------------------------------------------------------------------------
    def put_hanger(
        self,
        mark: str,
        document: Mapping[str, Any] | None = None,
        precondition: Precondition = NEW,
        who: str = "integrator",
        **options: Any,
    ) -> records.Written:
        document = hanger_document(mark) if document is None else document
        fits("hanger-record", document)
        return hangers.put_hanger(self.context(who, **options), PLANT, mark, document, precondition)

    def revise_hanger(self, mark: str, **changes: Any) -> records.Written:
        """A further revision of the record with some members changed (dotted by double underscores)."""
        document = dict(hangers.get_hanger(self.context("reader"), PLANT, mark).document)
        return self.put_hanger(mark, _changed(document, changes), ANY)

    def put_line(self, line: str, document: Mapping[str, Any] | None = None, precondition: Precondition = NEW,
                 who: str = "integrator", **options: Any) -> records.Written:  # fmt: skip
        document = line_document(line) if document is None else document
        fits("line-record", document)
        return records.put_line(self.context(who, **options), PLANT, line, document, precondition)

    def put_criteria(self, who: str = "engineer", precondition: Precondition = ANY, dry: bool = False,
                     **limits: Any) -> records.Written:  # fmt: skip
        """A revision of the criteria with some limits changed; the first one too takes If-Match."""
        document = dict(records.get_criteria(self.context("reader"), PLANT).document)
        document["limits"] = {**document["limits"]}
        for name, value in limits.items():
            document["limits"][name] = {**document["limits"][name], "value": value}
        fits("criteria", document)
        return records.put_criteria(self.context(who, dry=dry), PLANT, document, precondition)

    @contextmanager
    def refused(self, error: type[ServiceError]) -> Iterator[Refusal]:
        """What is done inside is refused with this error, and leaves no trace in any log."""
        before = self.traces()
        refusal = Refusal()
        with pytest.raises(error) as caught:
            yield refusal
        assert type(caught.value) is error, caught.value
        refusal.error = caught.value
        assert self.traces() == before

    def traces(self) -> list[Any]:
        """The size of the plant's log and of the service's, and the number of answers kept."""
        with self.store.read(PLANT) as reader, self.store.read_service() as service:
            kept = reader.connection.execute(select(func.count()).select_from(idempotency_keys)).scalar()
            return [reader.size, service.size, kept]

    # --- questions ------------------------------------------------------------------------------------
    def size(self) -> int:
        with self.store.read(PLANT) as reader:
            return reader.size

    def events(self, **wanted: Any) -> list[Any]:
        with self.store.read(PLANT) as reader:
            return [stored.event for stored in reader.events(EventFilter(**wanted), 0, 10_000)]

    def release(self, mark: str, as_of: Any = None) -> dict[str, Any]:
        document = questions.release_status(self.context("reader"), PLANT, mark, as_of)
        fits("release-status", document)
        return document

    def state(self, mark: str, as_of: Any = None) -> str:
        return str(self.release(mark, as_of)["state"])

    def states(self, line: str = "LA") -> dict[str, str]:
        return {hanger.mark: self.state(hanger.mark) for hanger in sprung(line)}

    def readiness(self, line: str, purpose: str = "release", as_of: Any = None) -> dict[str, Any]:
        document = questions.line_readiness(self.context("reader"), PLANT, line, purpose, as_of)
        fits("readiness", document)
        return document

    def blockers(self, line: str, purpose: str = "release") -> set[tuple[str, str]]:
        return {(each["code"], each["subject"]) for each in self.readiness(line, purpose)["blockers"]}

    def codes(self, line: str, purpose: str = "release") -> set[str]:
        return {code for code, _ in self.blockers(line, purpose)}

    def differences(self) -> list[Any]:
        return rebuild(self.store, write=False)

    # --- whole pieces of work ----------------------------------------------------------------------
    def register(self) -> None:
        for line in ("LA", "LB"):
            self.put_line(line)
        for mark in HANGERS:
            self.put_hanger(mark)

    def look(
        self, mark: str, who: str = "inspector", like: str | None = None, **changes: Any
    ) -> dict[str, Any]:
        """Inspect every assembly, as drawn but for `changes`; None leaves a field out. The last answer."""
        hanger = HANGERS[like or mark]
        answer: dict[str, Any] = {}
        for assembly in hanger.assemblies:
            seen: dict[str, Any] = {
                "in_place": True,
                "pipe_to_support_dimension": q(1852, "mm"),
                "elevation": q(hanger.elevation_m, "m"),
                "rod_slack": False,
                "interference": False,
                "defects": [],
            }
            if not hanger.base:
                seen["rod_offset"] = q(20, "mm")
            if hanger.kind != "rigid":
                seen |= {
                    "nameplate": {"legible": True, **plate(hanger), "mark": mark},
                    "stops_counted": hanger.stops[assembly - 1],
                    "stops_damaged": 0,
                    "engagement": [{"end": end, "full": True} for end in hanger.ends],
                    "retaining_hardware": {"one_end": True, "other_end": True},
                    "adjuster_locked": True,
                }
            seen |= changes
            kept = {name: value for name, value in seen.items() if value is not None}
            answer = self.do("inspect", who, mark, assembly=assembly, **kept)
        return answer

    def look_at_line(self, line: str, who: str = "inspector", **changes: Any) -> dict[str, Any]:
        seen = {
            "insulation": "complete",
            "jacketing": "complete",
            "welds": "complete",
            "rigid_supports": "complete",
            "temporary_supports": 0,
            "pressure_test": "done",
            "contents": "empty",
            "line_temperature": q(21, "degC"),
            "connected_lines": "anchored_off",
            **changes,
        }
        kept = {name: value for name, value in seen.items() if value is not None}
        return self.do("inspect line", who, line, **kept)

    def erect(self, *lines: str) -> None:
        for line in lines:
            for hanger in on(line):
                self.later(2).look(hanger.mark)
            self.later(2).look_at_line(line)

    def authorise(self, line: str, who: str = "engineer", **fields: Any) -> dict[str, Any]:
        return self.later().do("authorise", who, line, **fields)

    def step(self, mark: str, transition: str, who: str = "fitter", **fields: Any) -> dict[str, Any]:
        return self.later().do("step", who, mark, transition=transition, **fields)

    def turn(self, mark: str, turns: float, who: str = "fitter") -> None:
        hanger = HANGERS[mark]
        for assembly in hanger.assemblies:
            self.later(2).do(
                "turn", who, mark, assembly=assembly, turns=turns,
                engagement=[{"end": end, "full": True} for end in hanger.ends],
            )  # fmt: skip
            self.nets[(mark, assembly)] = self.nets.get((mark, assembly), 0.0) + turns

    def each_stop(
        self, mark: str, act: str, who: str = "fitter", minutes: float = 0.5, **fields: Any
    ) -> None:
        for assembly, stops in enumerate(HANGERS[mark].stops, start=1):
            for stop in range(1, stops + 1):
                self.later(minutes).do("stop", who, mark, assembly=assembly, stop=stop, act=act, **fields)

    def see_free(self, mark: str, who: str = "fitter") -> None:
        self.each_stop(mark, "observed", who, bearing_face="none", free_by_hand=True)

    def counts(self, mark: str) -> list[dict[str, int]]:
        return [
            {"assembly": place, "count": stops} for place, stops in enumerate(HANGERS[mark].stops, start=1)
        ]

    def draw(self, mark: str, who: str = "fitter", **fields: Any) -> dict[str, Any]:
        return self.step(mark, "withdraw", who, stops_withdrawn=self.counts(mark), **fields)

    def ease(self, mark: str, turns: float = 0.5, who: str = "fitter") -> None:
        self.step(mark, "ease", who)
        self.turn(mark, turns, who)
        self.see_free(mark, who)

    def stow(self, mark: str, who: str = "fitter") -> None:
        self.each_stop(mark, "stowed", who, stowed_at="bag at the hanger")

    def take_out(self, mark: str, turns: float = 0.5, who: str = "fitter") -> None:
        self.ease(mark, turns, who)
        self.draw(mark, who)
        self.stow(mark, who)

    def read(
        self, mark: str, condition: str, position: float, who: str = "fitter", **changes: Any
    ) -> dict[str, Any]:
        hanger = HANGERS[mark]
        rise = hanger.movement_mm / 1000 if condition == "hot" else 0.0
        answer: dict[str, Any] = {}
        for assembly in hanger.assemblies:
            document: dict[str, Any] = {
                "condition": condition,
                "position": q(position, "mm"),
                "elevation": q(round(hanger.elevation_m + rise, 4), "m"),
                "line_temperature": q(545 if condition == "hot" else 21, "degC"),
                "legible": True,
                "last_movement": "rising",
                "reading_resolution": q(1, "mm"),
            }
            if hanger.kind == "constant":
                document["load_indicator"] = q(hanger.spring_kn, "kN")
            if condition == "hot":
                document["steady_hours"] = 8
            self.later(2)
            answer = self.do("read", who, mark, assembly=assembly, **{**document, **changes})
        return answer

    def position(self, mark: str, who: str = "fitter") -> None:
        self.step(mark, "position", who)
        self.turn(mark, -self.nets.get((mark, 1), 0.0), who)

    def verify(self, mark: str, who: str = "inspector") -> None:
        """Hardware and locking device seen on by somebody else, and the cold reading in."""
        self.later().look(mark, who, stops_counted=None, stops_damaged=None, nameplate=None)
        self.read(mark, "cold", HANGERS[mark].expected_mm + 1)

    def confirm(self, mark: str, who: str = "fitter") -> dict[str, Any]:
        self.verify(mark)
        return self.step(mark, "confirm", who)

    def release_line(self, line: str = "LA") -> None:
        """From cleared to released, every hanger of the line."""
        for hanger in sprung(line):
            self.take_out(hanger.mark)
        for hanger in sprung(line):
            self.position(hanger.mark)
        for hanger in sprung(line):
            self.confirm(hanger.mark)

    def heat(self, line: str = "LA") -> None:
        self.later(60 * 24).look_at_line(line, contents="operating", line_temperature=q(545, "degC"))

    def prove(self, mark: str, who: str = "engineer") -> dict[str, Any]:
        self.read(mark, "hot", HANGERS[mark].hot_mark + 2)
        return self.step(mark, "prove", who)

    def put_back(self, mark: str, who: str = "fitter") -> None:
        """Every stop goes in again and is counted."""
        self.each_stop(mark, "inserted", who)
        hanger = HANGERS[mark]
        for assembly in hanger.assemblies:
            self.later().do(
                "inspect", "inspector", mark, assembly=assembly, stops_counted=hanger.stops[assembly - 1],
                stops_damaged=0, engagement=[{"end": end, "full": True} for end in hanger.ends],
            )  # fmt: skip


def _changed(document: dict[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    for path, value in changes.items():
        *parents, last = path.split("__")
        holder = document
        for name in parents:
            holder[name] = dict(holder[name])
            holder = holder[name]
        holder[last] = value
    return document


# --- sites at a stage of the story ------------------------------------------------------------------
STAGES = (
    "empty",
    "registered",
    "erected",
    "cleared",
    "easing",
    "stops_out",
    "positioning",
    "released",
    "proved",
)


def settings_of(folder: Path, url: str | None = None) -> Settings:
    given = {"DATA_DIR": str(folder), "LOG_LEVEL": "error", **({"DATABASE_URL": url} if url else {})}
    return Settings.from_environment(given)


def begin(store: SqlStore, clock: Clock) -> Site:
    """A plant without lines, and everybody known to the service."""
    site = Site(store, clock)
    for identifier, kind, _ in PEOPLE.values():
        access.register_principal(site.context("administrator"), {"kind": kind}, identifier)
    records.put_plant(site.context("administrator"), PLANT, {"name": "Invented works"}, NEW)
    return site


def bring(site: Site, stage: str) -> None:
    """Take line LA one stage further; A-1 is the hanger at work in `easing` and `stops_out`."""
    if stage == "registered":
        site.register()
    elif stage == "erected":
        site.erect("LA", "LB")
    elif stage == "cleared":
        site.authorise("LA")
    elif stage == "easing":
        site.ease("A-1")
    elif stage == "stops_out":
        site.draw("A-1")
        site.stow("A-1")
    elif stage == "positioning":
        for hanger in sprung("LA")[1:]:
            site.take_out(hanger.mark)
        for hanger in sprung("LA"):
            site.position(hanger.mark)
    elif stage == "released":
        for hanger in sprung("LA"):
            site.confirm(hanger.mark)
    elif stage == "proved":
        site.heat("LA")
        for hanger in sprung("LA"):
            site.prove(hanger.mark)


@functools.cache
def _template(stage: str) -> tuple[Path, bytes]:
    """A data folder at a stage, and clock and counters as they stood; made once and copied for each test."""
    folder = Path(tempfile.mkdtemp(prefix="site-"))
    place = STAGES.index(stage)
    if place == 0:
        migrate(settings_of(folder), clock=Clock())
        site = begin(open_store(settings_of(folder), clock=(clock := Clock())), clock)
    else:
        site = copied(STAGES[place - 1], folder)
        bring(site, stage)
    site.store.close()
    return folder, pickle.dumps((site.clock.moment, next(site.numbers), site.nets))


def copied(stage: str, folder: Path) -> Site:
    """A site on SQLite at a stage of the story."""
    source, kept = _template(stage)
    shutil.copytree(source, folder, dirs_exist_ok=True)
    clock = Clock()
    clock.moment, number, nets = pickle.loads(kept)
    return Site(open_store(settings_of(folder), clock=clock), clock, itertools.count(number), dict(nets))


def built(url: str, folder: Path, stage: str) -> Site:
    """A site on any engine at a stage of the story, built from nothing."""
    settings = settings_of(folder, url)
    migrate(settings, clock=Clock())
    site = begin(open_store(settings, clock=(clock := Clock())), clock)
    for each in STAGES[1 : STAGES.index(stage) + 1]:
        bring(site, each)
    return site
