"""Lines that are weighed, for tests over HTTP: a straight one, and those of the demonstration."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from service.demo.records import PLANT as DEMO
from service.demo.records import Support, supports_of
from service.demo.work import Clock, Crew, open_demo_plant
from service.http.documents import Document
from tests.docs.test_schemas import independent
from tests.http.running import LINE, PLANT, Caller, Running
from tests.lines.models import five_hanger_model, five_hanger_records

STRAIGHT = "/v1/plants/P/lines/L-5"
READY = f"/v1/plants/{DEMO}/lines/BP-50"
BARE = f"/v1/plants/{DEMO}/lines/CR-40"


def records(**design: Any) -> dict[str, Any]:
    """Records of the straight line's hangers by mark."""
    return {mark: {**record, "line": "L-5"} for mark, record in five_hanger_records(**design).items()}


def model(**changes: Any) -> dict[str, Any]:
    """The model of the straight line."""
    found = five_hanger_model(**changes)
    del found["line"]
    return found


def posted(**more: Any) -> dict[str, Any]:
    """The straight line as a request brings it with it."""
    return {"model": {**model(), "line": "L-5"}, "hangers": list(records().values()), **more}


def straight_line(running: Running, *, modelled: bool = True) -> Caller:
    """Plant P with the straight line of five hangers; its engineer."""
    assert running.caller("administrator").put("/v1/plants/P", PLANT).status_code == 201
    engineer = running.caller("engineer")
    assert engineer.put(STRAIGHT, LINE).status_code == 201
    for mark, record in records().items():
        assert engineer.put(f"/v1/plants/P/hangers/{mark}", record).status_code == 201
    if modelled:
        assert engineer.put(f"{STRAIGHT}/model", model()).status_code == 201
    return engineer


def straight_service(folder: Path) -> Iterator[Running]:
    """A service with the straight line, for a fixture that a module's tests share."""
    running = Running(folder)
    straight_line(running)
    yield running
    running.close()


def valid(name: str, document: Any) -> Any:
    """The document, after both validators took it."""
    Document(name).validate(document)
    errors = [
        f"{list(error.absolute_path)}: {error.message[:300]}"
        for error in independent(f"{name}.schema.json").iter_errors(document)
    ]
    assert errors == []
    return document


# Exact by definition of pound, foot and standard gravity, or decimal.
LBF_N, INCH_M = 0.45359237 * 9.80665, 0.0254
SI_UNITS = {"kN": 1e3, "mm": 1e-3, "N/mm": 1e3, "%": 0.01, "kg": 1.0}
US_UNITS = {"lbf": LBF_N, "in": INCH_M, "lbf/in": LBF_N / INCH_M, "%": 0.01, "lb": 0.45359237}


def same_physics(si: Any, us: Any) -> int:
    """How many quantities two answers have, one in each system of units, after all were compared.

    Quantities and tables are compared in SI; all else has to be equal.
    """
    if isinstance(si, dict) and "unit" in si:
        assert isinstance(us, dict)
        assert set(si) == set(us)
        (kind,) = set(si) - {"unit"}
        left = np.array(si[kind], dtype=float) * SI_UNITS[si["unit"]]
        right = np.array(us[kind], dtype=float) * US_UNITS[us["unit"]]
        np.testing.assert_allclose(right, left, rtol=1e-9, atol=1e-12)
        return int(left.size)
    if isinstance(si, dict):
        assert set(si) == set(us)
        return sum(same_physics(si[name], us[name]) for name in si)
    if isinstance(si, list):
        assert len(si) == len(us)
        return sum(same_physics(*each) for each in zip(si, us, strict=True))
    if isinstance(si, float):
        assert us == pytest.approx(si, rel=1e-9, abs=1e-12)
    else:
        assert us == si
    return 0


def log_size(running: Running) -> int:
    """Events in the log of plant P."""
    with running.store.read("P") as reader:
        return reader.size


def pointers(problem: Any) -> list[str]:
    """Where in the body a problem finds faults."""
    return [error["pointer"] for error in problem["errors"]]


# --- a line that is ready ----------------------------------------------------------------------------
@dataclass
class Site:
    """The demonstration's weighed lines in a service of their own, with the crew that works on them."""

    running: Running
    crew: Crew
    callers: dict[str, Caller]

    def at_work(self) -> Crew:
        """The crew at the service's present moment."""
        self.crew.clock.moment = max(self.crew.clock.moment, self.running.clock.now)
        return self.crew

    def catch_up(self) -> None:
        """Bring the service's clock to the end of what the crew did."""
        self.running.clock.now = max(self.crew.clock.moment, self.running.clock.now)

    def stamp(self) -> str:
        """A time on site that has just passed."""
        self.catch_up()
        return self.running.clock.now.isoformat()

    def act(self, caller: str, path: str, **document: Any) -> Any:
        """One act over HTTP that is taken; its receipt."""
        self.running.clock.advance(minutes=1)
        answer = self.callers[caller].post(
            f"/v1/plants/{DEMO}{path}", {"occurred_at": self.stamp(), **document}
        )
        assert answer.status_code == 201, answer.get_data(as_text=True)
        self.crew.clock.moment = self.running.clock.now
        return answer.json

    def turn(self, mark: str, turns: float, face: str = "none") -> None:
        """Counted turns at the hanger's one assembly; where its pin bears after them."""
        self.act(
            "recorder",
            f"/hangers/{mark}/turns",
            assembly=1,
            turns=turns,
            engagement=[{"end": end, "full": True} for end in ("upper", "lower")],
            bearing_face_after=face,
            pin_moved=True,
        )

    def look_at_line(self, line: str, **changes: Any) -> Any:
        """An inspection of a line, complete, cold and empty but for `changes`."""
        complete = {
            "insulation": "complete",
            "jacketing": "complete",
            "welds": "complete",
            "rigid_supports": "complete",
            "temporary_supports": 0,
            "pressure_test": "done",
            "chemical_clean": "not_required",
            "contents": "empty",
            "line_temperature": {"value": 21, "unit": "degC"},
            "connected_lines": "anchored_off",
        }
        return self.act("recorder", f"/lines/{line}/inspections", **{**complete, **changes})


def site(running: Running, line: str, *, modelled: bool = True, **inspection: Any) -> Site:
    """A line of the demonstration, erected and inspected, not yet authorised."""
    callers = {
        role: running.caller(role, kind="system" if role == "integrator" else "person")
        for role in ("engineer", "recorder", "integrator", "reader")
    }
    inspector = running.caller("recorder")
    persons = {
        "engineer": callers["engineer"].principal,
        "fitter": callers["recorder"].principal,
        "inspector": inspector.principal,
        "integrator": callers["integrator"].principal,
    }
    clock = Clock(_moment(running))
    base = replace(running.context(), now=clock())
    running.clock.advance(hours=24)
    open_demo_plant(base)
    crew = Crew(base, clock, persons)
    crew.register_line(line)
    for support in supports_of(line):
        crew.register(support)
    if modelled:
        crew.model(line)
    for support in supports_of(line):
        clock.advance(3)
        crew.inspect(support)
    clock.advance(10)
    crew.inspect_line(line, **inspection)
    return Site(running, crew, callers)


def _moment(running: Running) -> datetime:
    return running.clock.now + timedelta(seconds=1)


def support(mark: str) -> Support:
    """A support of the demonstration's weighed lines."""
    return next(each for each in supports_of(mark[:5]) if each.mark == mark)
