"""A small site for tests: events are appended and folded one by one, as a log would do it."""

from __future__ import annotations

import copy
import hashlib
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

from service.domain.access import Principal
from service.domain.criteria import Criteria
from service.domain.events import Event
from service.domain.facts import Fact
from service.domain.release import guards, machine
from service.domain.release.fold import fold_hanger, fold_line, refold_hanger, refold_line
from service.domain.views import HangerView, LineView
from service.errors import Lack

START = datetime(2026, 5, 5, 6, 0, tzinfo=UTC)


def person(name: str) -> str:
    """An id of the service's form that stays readable."""
    return "pr_" + (name.lower().replace("i", "j").replace("l", "k").replace("o", "0").replace("u", "v"))[
        :26
    ].ljust(26, "0")


ENGINEER, CREW, MATE, CHECKER = person("engineer"), person("crew"), person("mate"), person("checker")
SYSTEM = person("system")


def mm(value: float) -> dict[str, Any]:
    return {"value": value, "unit": "mm"}


def metres(value: float) -> dict[str, Any]:
    return {"value": value, "unit": "m"}


def celsius(value: float) -> dict[str, Any]:
    return {"value": value, "unit": "degC"}


def kn(value: float) -> dict[str, Any]:
    return {"value": value, "unit": "kN"}


SPRING: Mapping[str, Any] = {
    "line": "L-1",
    "kind": "variable",
    "acts_from": "above",
    "line_of_action": "vertical",
    "location": {"elevation": metres(12.4)},
    "assemblies": [{"stops": 2}],
    "design": {
        "operating_load": kn(14.5),
        "hardware_weight": kn(0.3),
        "vertical_movement": mm(40),
        "installed_load": kn(17.2),
        "spring_rate": {"value": 60, "unit": "N/mm"},
        "total_travel": mm(200),
        "working_range": {"minimum_load": kn(10), "maximum_load": kn(22)},
        "friction": {"value": 2, "unit": "%"},
    },
    "indicator": {
        "span": {"low": mm(0), "high": mm(200)},
        "rises_when_pipe": "rises",
        "cold_mark": mm(80),
        "hot_mark": mm(120),
        "expected_released_cold": mm(80),
    },
    "adjuster": {
        "form": "turnbuckle",
        "thread": "M36",
        "hands": "opposite_hands",
        "engagement": [
            {"end": "upper", "as_drawn": mm(60), "least_allowed": mm(36)},
            {"end": "lower", "as_drawn": mm(60), "least_allowed": mm(36)},
        ],
        "turn_limit_raise": 6,
        "turn_limit_lower": 6,
    },
}


def spring(**changes: Any) -> dict[str, Any]:
    """A variable spring's record; keyword `a__b` sets what stands at /a/b, None takes it away."""
    record = copy.deepcopy(dict(SPRING))
    for path, value in changes.items():
        *parents, last = path.split("__")
        part = record
        for parent in parents:
            part = part[parent]
        if value is None:
            del part[last]
        else:
            part[last] = value
    return record


def constant(**changes: Any) -> dict[str, Any]:
    """A constant support's record."""
    return spring(**{"kind": "constant", "design__calibrated_load": kn(14.8), **changes})


def trapeze(**changes: Any) -> dict[str, Any]:
    """Two variable assemblies with one stop each."""
    return spring(**{"assemblies": [{"stops": 1}, {"stops": 1}], **changes})


RIGID: Mapping[str, Any] = {"line": "L-1", "kind": "rigid", "assemblies": [{"stops": 0}]}


def principal(identifier: str, role: str = "engineer", kind: str = "person") -> Principal:
    return Principal(identifier, kind, role, "tk")


def codes(lacks: list[Lack]) -> list[str]:
    return [lack.code for lack in lacks]


class Site:
    """One line with its hangers. Each event happens one minute after the one before, unless told."""

    def __init__(self, criteria: Mapping[str, Any] | None = None, **records: Mapping[str, Any]) -> None:
        self.records = {mark.replace("_", "-"): dict(record) for mark, record in records.items()}
        self.line_record: dict[str, Any] | None = {}
        limits = {
            name: {"value": value, "source": "test", "source_status": "plant"}
            for name, value in (criteria or {}).items()
        }
        self.criteria = Criteria({"limits": limits})
        self.events: list[Event] = []
        self.facts: dict[str, dict[str, Fact]] = {}
        self.now = START
        self.retired: set[str] = set()

    # --- the log -----------------------------------------------------------------------------------
    def post(
        self,
        type: str,
        subject: str,
        data: Mapping[str, Any],
        *,
        by: str = CREW,
        actor: str | None = None,
        role: str = "recorder",
        at: datetime | str | None = None,
        corrects: int | None = None,
    ) -> Event:
        self.now += timedelta(minutes=1)
        moment = self.now if at is None else at
        event = Event(
            sequence=len(self.events),
            id=f"id-{len(self.events)}",
            log_id="log",
            type=type,
            schema_version=1,
            subject=subject,
            line="L-1",
            subject_sequence=sum(one.subject == subject for one in self.events),
            previous=None,
            occurred_at=moment if isinstance(moment, str) else moment.isoformat(),
            recorded_at=self.now.isoformat(),
            actor=actor or by,
            performed_by=by,
            role=role,
            data={**data, **({"reason": digest("why")} if corrects is not None else {})},
            corrects=corrects,
            client_event_id=None,
            request_id="rq",
        )
        self.events.append(event)
        self._fold(event)
        return event

    def _fold(self, event: Event) -> None:
        facts = self.facts.setdefault(event.subject, {})
        is_line = event.subject.startswith("line/")
        if event.corrects is not None:
            refold = refold_line if is_line else refold_hanger
            self.facts[event.subject] = dict(refold(self.of(event.subject)))
            return
        for name, fact in (fold_line if is_line else fold_hanger)(facts, event).items():
            if fact is None:
                del facts[name]
            else:
                facts[name] = fact

    def of(self, subject: str) -> list[Event]:
        return [event for event in self.events if event.subject == subject]

    def hanger_facts(self, mark: str) -> dict[str, Fact]:
        return self.facts.get(f"hanger/{mark}", {})

    def line_facts(self) -> dict[str, Fact]:
        return self.facts.get("line/L-1", {})

    # --- views -------------------------------------------------------------------------------------
    def view(self, mark: str, as_of: int | None = None) -> HangerView:
        record = self.records[mark]
        facts = self.hanger_facts(mark) if as_of is None else self._as_of(f"hanger/{mark}", as_of)
        return HangerView(mark, "L-1", record["kind"], record, 1, 0, facts, mark in self.retired)

    def line(self, as_of: int | None = None) -> LineView:
        facts = self.line_facts() if as_of is None else self._as_of("line/L-1", as_of)
        hangers = tuple(self.view(mark, as_of) for mark in self.records if mark not in self.retired)
        last = len(self.events) - 1 if as_of is None else as_of
        return LineView("P-1", "L-1", self.line_record, 1, 0, facts, hangers, last)

    def _as_of(self, subject: str, as_of: int) -> dict[str, Fact]:
        refold = refold_line if subject.startswith("line/") else refold_hanger
        return dict(refold([event for event in self.of(subject) if event.sequence <= as_of]))

    def situation(
        self,
        mark: str,
        act: Mapping[str, Any],
        *,
        by: str = CREW,
        actor: Principal | None = None,
        kind: str = "person",
        at: datetime | None = None,
        now: datetime | None = None,
        blockers: Any = (),
    ) -> guards.Situation:
        moment = self.now + timedelta(minutes=1) if at is None else at
        return guards.Situation(
            view=self.view(mark),
            line=self.line(),
            criteria=self.criteria,
            act=act,
            actor=actor or principal(by),
            performed_by=by,
            performed_by_kind=kind,
            occurred_at=moment,
            now=max(self.now, moment) if now is None else now,
            release_blockers=blockers,
        )

    # --- acts that are judged ------------------------------------------------------------------------
    def lacks(self, mark: str, name: str, **options: Any) -> list[str]:
        """Codes of what a step lacks; fields of the act and options of the situation by name."""
        return codes(self.lacking(mark, name, **options))

    def lacking(self, mark: str, name: str, **options: Any) -> list[Lack]:
        known = {
            key: options.pop(key)
            for key in ("by", "actor", "kind", "at", "now", "blockers")
            if key in options
        }
        return guards.lacks(name, self.situation(mark, {"transition": name, **options}, **known))

    def step(self, mark: str, name: str, *, by: str = CREW, **fields: Any) -> Event:
        """Take a step that has to be open."""
        view = self.view(mark)
        act = {"transition": name, **fields}
        target = machine.target(view.state, name, view.status, act)
        assert target is not None, f"{name} from {view.state}"
        role = "engineer" if by == ENGINEER else "recorder"
        found = guards.lacks(name, self.situation(mark, act, by=by, actor=principal(by, role)))
        assert not found, [lack.detail for lack in found]
        return self.made(mark, name, target, by=by, role=role, **fields)

    def made(
        self,
        mark: str,
        name: str,
        target: str,
        *,
        by: str = CREW,
        role: str = "recorder",
        caused_by: int | None = None,
        cause: str | None = None,
        at: datetime | None = None,
        **fields: Any,
    ) -> Event:
        """Write a step down unjudged."""
        if "reason" in fields:
            fields["reason"] = digest(fields["reason"])
        data = {
            **fields,
            "transition": name,
            "from": self.view(mark).state,
            "to": target,
            "caused_by": caused_by,
            "cause": cause,
        }
        return self.post("transition-made", f"hanger/{mark}", data, by=by, role=role, at=at)

    def turn_lacks(self, mark: str, turns: float, assembly: int = 1, **options: Any) -> list[str]:
        known = {key: options.pop(key) for key in ("by", "actor", "kind", "at") if key in options}
        act = {"assembly": assembly, "turns": turns, **options}
        return codes(guards.turn_lacks(self.situation(mark, act, **known)))

    def stop_lacks(self, mark: str, act: str, stop: int = 1, assembly: int = 1, **fields: Any) -> list[str]:
        document = {"assembly": assembly, "stop": stop, "act": act, **fields}
        return codes(guards.stop_lacks(self.situation(mark, document)))

    # --- acts that are written down ----------------------------------------------------------------
    def turn(self, mark: str, turns: float, assembly: int = 1, **more: Any) -> Event:
        known = _post_options(more)
        data = {"assembly": assembly, "turns": turns, **more}
        return self.post("adjuster-turned", f"hanger/{mark}", data, **known)

    def stop(self, mark: str, act: str, stop: int = 1, assembly: int = 1, **more: Any) -> Event:
        known = _post_options(more)
        data = {"assembly": assembly, "stop": stop, "act": act, **more}
        return self.post("stop-noted", f"hanger/{mark}", data, **known)

    def inspect(self, mark: str, assembly: int = 1, **more: Any) -> Event:
        known = _post_options(more)
        return self.post("hanger-inspected", f"hanger/{mark}", {"assembly": assembly, **more}, **known)

    def read(
        self, mark: str, condition: str, position: float | None, assembly: int = 1, **more: Any
    ) -> Event:
        known = _post_options(more)
        data: dict[str, Any] = {"assembly": assembly, "condition": condition, "flags": []}
        data["release_state"] = self.view(mark).state
        if position is not None:
            data["position"] = mm(position)
        return self.post("reading-taken", f"hanger/{mark}", {**data, **more}, **known)

    def inspect_line(self, **more: Any) -> Event:
        known = _post_options(more)
        return self.post("line-inspected", "line/L-1", more, **known)

    # --- whole stretches -------------------------------------------------------------------------------
    def stops_of(self, mark: str) -> list[tuple[int, int]]:
        return [
            (assembly, stop)
            for assembly, entry in enumerate(self.records[mark]["assemblies"], start=1)
            for stop in range(1, entry["stops"] + 1)
        ]

    def numbers(self, mark: str) -> range:
        return range(1, len(self.records[mark]["assemblies"]) + 1)

    def erected(self, mark: str) -> None:
        """What an inspection of the locked hanger finds."""
        for assembly in self.numbers(mark):
            self.inspect(
                mark,
                assembly,
                stops_counted=self.records[mark]["assemblies"][assembly - 1]["stops"],
                stops_damaged=0,
                engagement=[
                    {"end": "upper", "measured": mm(60), "full": True},
                    {"end": "lower", "measured": mm(60), "full": True},
                ],
            )

    def authorise(self, *marks: str, stage: list[str] | None = None, by: str = ENGINEER) -> Event:
        data = {"stage": stage, "hangers": list(marks), "readiness": {}}
        event = self.post("line-authorised", "line/L-1", data, by=by, role="engineer")
        for mark in marks:
            self.made(mark, "clear", "cleared", by=by, role="engineer", caused_by=event.sequence)
        return event

    def see_free(self, mark: str, **more: Any) -> None:
        """Every stop seen with no face bearing and free by hand."""
        for assembly, stop in self.stops_of(mark):
            self.stop(mark, "observed", stop, assembly, bearing_face="none", free_by_hand=True, **more)

    def counts(self, mark: str) -> list[dict[str, int]]:
        return [
            {"assembly": assembly, "count": entry["stops"]}
            for assembly, entry in enumerate(self.records[mark]["assemblies"], start=1)
        ]

    def stow(self, mark: str) -> None:
        for assembly, stop in self.stops_of(mark):
            self.stop(mark, "stowed", stop, assembly, stowed_at=f"bag {stop}")

    def verify(self, mark: str, by: str = CHECKER, **more: Any) -> None:
        for assembly in self.numbers(mark):
            self.inspect(
                mark,
                assembly,
                retaining_hardware={"one_end": True, "other_end": True},
                adjuster_locked=True,
                by=by,
                **more,
            )

    def read_cold(self, mark: str, position: float = 80) -> None:
        for assembly in self.numbers(mark):
            self.read(
                mark,
                "cold",
                position,
                assembly,
                elevation=metres(12.4),
                line_temperature=celsius(20),
                legible=True,
            )

    def read_hot(self, mark: str, position: float = 120) -> None:
        more = {"load_indicator": kn(14.8)} if self.records[mark]["kind"] == "constant" else {}
        for assembly in self.numbers(mark):
            self.read(mark, "hot", position, assembly, line_temperature=celsius(500), legible=True, **more)

    def put_back(self, mark: str) -> None:
        for assembly, stop in self.stops_of(mark):
            self.stop(mark, "inserted", stop, assembly)
        for assembly in self.numbers(mark):
            self.inspect(
                mark, assembly, stops_counted=self.records[mark]["assemblies"][assembly - 1]["stops"]
            )

    def bring(self, mark: str, state: str) -> None:
        """Bring a hanger forward to a state, every step judged."""
        order = ("locked", "cleared", "easing", "stops_out", "positioning", "released", "proved")
        while order.index(self.view(mark).state) < order.index(state):
            getattr(self, f"_from_{self.view(mark).state}")(mark)

    def _from_locked(self, mark: str) -> None:
        self.erected(mark)
        self.authorise(mark)

    def _from_cleared(self, mark: str) -> None:
        self.step(mark, "ease")

    def _from_easing(self, mark: str) -> None:
        self.see_free(mark)
        self.step(mark, "withdraw", stops_withdrawn=self.counts(mark))

    def _from_stops_out(self, mark: str) -> None:
        self.step(mark, "position")

    def _from_positioning(self, mark: str) -> None:
        self.stow(mark)
        self.read_cold(mark)
        self.verify(mark)
        self.step(mark, "confirm")

    def _from_released(self, mark: str) -> None:
        self.read_hot(mark)
        self.step(mark, "prove", by=ENGINEER)


def digest(words: Any) -> dict[str, str]:
    """Free text as the log holds it."""
    return {"sha256": hashlib.sha256(str(words).encode()).hexdigest()}


def _post_options(more: dict[str, Any]) -> dict[str, Any]:
    return {key: more.pop(key) for key in ("by", "actor", "role", "at", "corrects") if key in more}


def instant(minutes: float) -> datetime:
    """A moment so many minutes after the site's start."""
    return START + timedelta(minutes=minutes)
