"""A site played by simulation: a line with a truth of its own, eased flat by flat, and what is written down.

The truth is followed by `service.engineering.states`; nothing of the estimates is used here.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from service.domain.balance.analysis import Analysis
from service.engineering.states.tracing import Line, State
from tests.lines.base import LEAD_M, MARKS, base_line

UNSURVEYED: dict[str, object] = {"height_error_m": None, "height_uncertainty_m": None}
FLAT = 1.0 / 6.0
RISES = "rod_tension_rises"


class Site:
    """A line whose heights [m] and weight differ from what is on record."""

    def __init__(self, heights_m: Mapping[str, float], factor: float = 1.0, **fields: Any) -> None:
        self.record = Analysis(base_line(**{**UNSURVEYED, **fields}))
        truth = base_line(factor=factor, **{**UNSURVEYED, **fields})
        self.truth = Analysis(truth)
        self.heights_m = np.array([heights_m.get(mark, 0.0) for mark in MARKS])
        self.factor = factor
        self.line = Line(self.truth.condensed("present").stiffness)
        laws = self.truth.laws(
            released=(), friction=1.0, offsets_m={mark: heights_m.get(mark, 0.0) for mark in MARKS}
        )
        self.state: State = self.line.start(laws, self.truth.load_n("present"))
        self.turns: dict[str, float] = {}
        self.out: list[str] = []
        self.acts = 0

    def misfit_n(self) -> Any:
        """K h - W w of the truth: rod loads with every pin held, less those of the record [N]."""
        stiffness = self.truth.condensed("present").stiffness
        return stiffness @ self.heights_m - (self.truth.load_n("present") - self.record.load_n("present"))

    def face(self, mark: str) -> str:
        """Face that the pin bears on, for a pin that moves down when the rod's tension rises."""
        place = MARKS.index(mark)
        bears_n = self.state.stop_n()[place]
        return "none" if bears_n == 0.0 else "upper" if bears_n < 0.0 else "lower"

    def around(self) -> dict[str, Any]:
        """Which stops are out and what was turned, as an observation states it."""
        return {
            "stops_out": list(self.out),
            "net_turns": [{"mark": mark, "turns": net} for mark, net in self.turns.items() if net],
            "occasion": f"look-{self.acts}",
        }

    def look(self, mark: str) -> dict[str, Any]:
        """A look at one pin."""
        return {
            "kind": "bearing_face",
            "mark": mark,
            "bearing_face": self.face(mark),
            "pin_moves_down_when": RISES,
            **self.around(),
        }

    def turn(self, mark: str, turns: float) -> None:
        """Turns a nut."""
        place = MARKS.index(mark)
        offsets = np.array([hanger.offset_m for hanger in self.state.hangers])
        offsets[place] += turns * LEAD_M
        self.state = self.line.follow(self.state, offset_m=offsets)
        self.acts += 1
        self.turns[mark] = round(self.turns.get(mark, 0.0) + turns, 9)

    def ease(self, mark: str) -> dict[str, Any]:
        """Turns flat by flat until the pin is free, and says between which turns it came free."""
        begun = self.around()
        face = self.face(mark)
        direction = {"upper": 1.0, "lower": -1.0}.get(face, 0.0)
        bearing = self.turns.get(mark, 0.0)
        for _ in range(200):
            if self.face(mark) == "none":
                break
            bearing = self.turns.get(mark, 0.0)
            self.turn(mark, direction * FLAT)
        free = self.turns.get(mark, 0.0)
        others = [each for each in begun["net_turns"] if each["mark"] != mark]
        if direction == 0.0:
            return self.look(mark)
        return {
            "kind": "turns_to_free",
            "mark": mark,
            "turns_bearing": bearing,
            "turns_free": free,
            "bearing_face": face,
            "pin_moves_down_when": RISES,
            "stops_out": begun["stops_out"],
            "net_turns": others,
        }

    def withdraw(self, mark: str) -> None:
        """Takes the stop out."""
        place, hanger = MARKS.index(mark), self.truth.built.hangers[MARKS.index(mark)]
        low, high = hanger.travel_low_m, hanger.travel_high_m
        assert low is not None
        assert high is not None
        self.state = self.line.released(self.state, place, low, high)
        self.out.append(mark)
        self.acts += 1

    def rod_n(self, mark: str) -> float:
        """Load of a rod now [N]."""
        return float(self.state.force_n[MARKS.index(mark)])

    def turns_to_free(self, mark: str) -> float:
        """Turns from now on until the pin leaves the face it bears on; nothing else changes [1]."""
        place = MARKS.index(mark)
        if self.face(mark) == "none":
            return 0.0
        upper = self.face(mark) == "upper"
        hanger = self.state.hangers[place]
        goal = hanger.high_m - 1e-9 if upper else hanger.low_m + 1e-9
        _, added = self.line.turn_until(self.state, place, 1 if upper else -1, 0.3, pin_m=goal)
        return added / LEAD_M


def span_n(document: Mapping[str, Any]) -> tuple[float, float]:
    """An interval of kilonewtons in newtons."""
    return document["low"]["value"] * 1e3, document["high"]["value"] * 1e3


def exact(**fields: object) -> dict[str, Any]:
    """A request's assumptions, the stiffness taken as exact."""
    return {"stiffness_uncertainty": {"value": 0, "unit": "%"}, **fields}
