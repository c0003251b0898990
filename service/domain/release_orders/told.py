"""Told: what an order tells of one step: turns with their interval, bearing, neighbours, and when to stop."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from service.domain.balance.contacts import bears, height_transfer, load_transfer
from service.domain.balance.figures import Figures, plain
from service.domain.balance.locked import height_uncertainty_m
from service.domain.balance.weigh import reading_m
from service.domain.release_orders.asked import Asked
from service.domain.release_orders.words import CAUTIONS, STOPS
from service.engineering.frames.elements import Array
from service.engineering.nut_plans.faces import sign_from_face
from service.engineering.release_order.bands import margins
from service.engineering.release_order.field import Field
from service.engineering.release_order.steps import BEYOND, RETURN, Peak, Step, Yard
from service.engineering.states.laws import LOWER_WALL, RISING, SLACK, UPPER_WALL
from service.engineering.states.tracing import State

_NO_TURN = 1e-6  # fewer turns than can be made by hand
_NO_LOAD_N = 1.0  # a stop that bears less is called free


@dataclass(frozen=True)
class Turns:
    """Turns of one nut, signed. reach: where the engineer is called, turns from the start of the step."""

    earliest: float
    aim: float
    latest: float
    reach: float


class Teller:
    """Writes the steps of one order."""

    def __init__(
        self,
        asked: Asked,
        yard: Yard,
        field: Field,
        friction_n: Array,
        neighbours: tuple[tuple[tuple[int, int], ...], ...],
        records: Mapping[str, Mapping[str, Any]],
        figures: Figures,
    ) -> None:
        """friction_n: half the band of each hanger, zero where it is not weighed [N]."""
        self._asked, self._yard, self._field = asked, yard, field
        self._friction = friction_n
        self._neighbours, self._records, self._figures = neighbours, records, figures
        self._hangers = asked.analysis.built.hangers
        self._heights = np.array([height_uncertainty_m(each) for each in self._hangers])
        self._gone: frozenset[int] = frozenset()

    def step(self, number: int, before: State, out: frozenset[int], step: Step) -> dict[str, Any]:
        """One step as JSON.

        Args:
            number: from 1
            before: the line before it
            out: hangers whose stops are out before it
            step: as it was followed, without friction
        """
        cautions: list[str] = []
        self._gone = out
        own = [self._action(before, step, index, cautions) for index in range(len(step.hangers))]
        if len(own) > 1:
            cautions.append("eased-together")
        beside = dict.fromkeys(
            (side, place)
            for hanger in step.hangers
            for side, place in self._neighbours[hanger]
            if place not in step.hangers
        )
        after_out = out | set(step.hangers)
        low, high = self._pins(step.after, after_out)
        first, eased = self._pins(before, out), self._pins(step.eased, out)
        return {
            "number": number,
            "marks": [self._hangers[place].mark for place in step.hangers],
            "hangers": own,
            "neighbours": [
                self._neighbour(side, place, before, step, out, (float(low[place]), float(high[place])))
                for side, place in beside
            ],
            "readings_during": self._readings(np.minimum(first[0], eased[0]), np.maximum(first[1], eased[1])),
            "readings_after": self._readings(low, high),
            "peak": self.peak(step.peak),
            "stop_conditions": self._stops(own),
            "cautions": [{"code": code, "text": CAUTIONS[code]} for code in dict.fromkeys(cautions)],
        }

    def peak(self, peak: Peak) -> dict[str, Any]:
        """A utilisation as JSON; null where an end of travel is reached."""
        return {
            "utilisation": None if peak.utilisation >= BEYOND else plain(peak.utilisation),
            "mark": self._hangers[peak.place].mark if peak.place >= 0 else None,
            "cause": peak.cause or None,
        }

    # --- the hanger itself --------------------------------------------------------------------------------
    def _action(self, before: State, step: Step, index: int, cautions: list[str]) -> dict[str, Any]:
        place = step.hangers[index]
        hanger, law = self._hangers[place], before.hangers[place]
        record = self._records.get(hanger.mark.casefold(), {})
        turns = self._turns(before, step, index, cautions)
        sign = 0 if abs(turns.aim) < _NO_TURN else int(math.copysign(1.0, turns.aim))
        excess = float(before.force_n[place] - law.spring_n(float(before.pin_m[place])))
        borne = step.before_n[index] if law.low_m < law.high_m else excess
        carries = "as_its_spring" if abs(borne) < _NO_LOAD_N else "more" if borne > 0.0 else "less"
        certain = turns.earliest * turns.latest > 0.0
        if not certain:
            cautions.append("may-be-free-already")
            if sign != 0:
                cautions.append("direction-not-certain")
        if before.parts[place] == SLACK:
            cautions.append("rod-slack")
        rotation = self._rotation(record, sign, cautions)
        flats = record.get("adjuster", {}).get("flats")
        net = (before.hangers[place].offset_m - float(self._yard.base_m[place])) / self._yard.leads[place]
        back = -(net + turns.aim) if self._asked.rule == RETURN else 0.0
        figures = self._figures
        return {
            "mark": hanger.mark,
            "direction": {1: "raise", -1: "lower", 0: None}[sign],
            "rotation": rotation,
            "turns": self._interval(turns, 1.0),
            "flats": None if flats is None else self._interval(turns, float(flats)),
            "turns_back": plain(back),
            "net_turns_before": plain(net),
            "bearing_before": {
                "carries": carries,
                "certain": certain,
                "face": self._face(record, carries, cautions),
                "stop_load": figures.force(abs(float(borne))),
                "rod_load": figures.force(float(before.force_n[place])),
            },
            "rod_load_after": figures.force(float(step.after.force_n[place])),
            "reading_after": figures.length(reading_m(hanger, float(step.after.pin_m[place]))),
        }

    def _turns(self, before: State, step: Step, index: int, cautions: list[str]) -> Turns:
        """The interval: what friction, uncertain heights and the slots leave open.

        Linear about the state in which the pin is centred, the nut's hanger being driven by its force alone,
        locked pins that friction may have left anywhere in their slots counted as such.
        """
        place = step.hangers[index]
        law, lead = step.eased.hangers[place], float(self._yard.leads[place])
        aim, other = step.turns[index], step.other_face[index]
        way = 1.0 if other > aim or (other == aim and aim >= 0.0) else -1.0
        driven, strays = self._driven(step.eased, place)
        try:
            by_height = np.abs(height_transfer(self._yard.line.stiffness, driven)[0][place])
            pushes = np.abs(load_transfer(self._yard.line.stiffness, driven)[0][place])
        except np.linalg.LinAlgError:
            cautions.append("interval-not-known")
            return Turns(min(aim, 0.0), aim, max(other, 0.0), other)
        by_height[place] = 1.0
        moving = np.array([not bears(*each) for each in zip(driven.hangers, driven.parts, strict=True)])
        moving[place] = False
        others = float((pushes * self._friction)[moving].sum())
        own = float(self._friction[place]) * (float(pushes[place]) + 1.0 / law.series_n_per_m)
        spread = (float(by_height @ (self._heights + strays)) + others) / lead
        near, rubs = aim - (other - aim), way * own / lead
        if before.parts[place] not in (LOWER_WALL, UPPER_WALL, SLACK) and law.low_m < law.high_m:
            # Free in its slot already: what is left open may have put it on either face.
            first, middle = way * min(way * near, 0.0) - way * (own / lead + spread), aim
        else:
            # Free from where the spring's force is met within friction; it moves once friction is overcome.
            first, middle = near - rubs - way * spread, aim + rubs
        last = other + rubs + way * spread
        return Turns(first, middle, last, last + way * self._asked.tolerance_m / lead)

    def _driven(self, eased: State, place: int) -> tuple[State, Array]:
        """The state with one hanger driven by its force alone; and how far locked pins may stray [m]."""
        hangers, parts = list(eased.hangers), list(eased.parts)
        strays = np.zeros(len(hangers))
        for other, (law, part) in enumerate(zip(eased.hangers, eased.parts, strict=True)):
            friction, pin = float(self._friction[other]), float(eased.pin_m[other])
            locked = other not in self._gone and law.low_m < law.high_m
            if other == place or not locked or friction == 0.0 or part == SLACK:
                continue
            if abs(float(eased.force_n[other]) - law.spring_n(pin)) <= friction:
                strays[other] = max(law.high_m - pin, pin - law.low_m)
                parts[other] = LOWER_WALL
        law = hangers[place]
        hangers[place] = replace(
            law, load_n=law.spring_n(float(eased.pin_m[place])), rate_n_per_m=0.0, low_m=-1.0, high_m=1.0
        )
        parts[place] = RISING
        return replace(eased, hangers=tuple(hangers), parts=tuple(parts)), strays

    @staticmethod
    def _interval(turns: Turns, factor: float) -> dict[str, float]:
        return {
            "earliest": plain(turns.earliest * factor),
            "aim": plain(turns.aim * factor),
            "latest": plain(turns.latest * factor),
            "call_at": plain(turns.reach * factor),
        }

    @staticmethod
    def _rotation(record: Mapping[str, Any], sign: int, cautions: list[str]) -> dict[str, Any]:
        adjuster = record.get("adjuster", {})
        raises, seen_from = adjuster.get("clockwise_raises"), adjuster.get("seen_from")
        if raises is None or seen_from is None:
            cautions.append("rotation-not-known")
            return {"sense": None, "seen_from": None}
        if sign == 0:
            return {"sense": None, "seen_from": seen_from}
        return {"sense": "clockwise" if raises == (sign > 0) else "counter_clockwise", "seen_from": seen_from}

    @staticmethod
    def _face(record: Mapping[str, Any], carries: str, cautions: list[str]) -> str | None:
        when = record.get("stop", {}).get("pin_moves_down_when")
        if when is None:
            cautions.append("face-not-known")
            return None
        wanted = {"less": 1, "more": -1}.get(carries)
        faces = [face for face in ("upper", "lower") if sign_from_face(face, when) == wanted]
        return faces[0] if faces else "none"

    # --- others ---------------------------------------------------------------------------------------------
    def _neighbour(
        self, side: int, place: int, before: State, step: Step, out: frozenset[int], pins: tuple[float, float]
    ) -> dict[str, Any]:
        hanger, figures = self._hangers[place], self._figures
        bore, after = self._bearing(before, place, out), self._bearing(step.after, place, out)
        sense = hanger.indicator_sign
        moved = float(step.after.pin_m[place] - before.pin_m[place])
        spread = sorted(pin - float(before.pin_m[place]) for pin in pins)
        change = None
        if hanger.kind != "rigid" and sense is not None:
            ends = sorted(sense * each for each in spread)
            change = {
                "expected": figures.length(sense * moved),
                "low": figures.length(ends[0]),
                "high": figures.length(ends[1]),
            }
        return {
            "mark": hanger.mark,
            "side": side,
            "load_before": figures.force(float(before.force_n[place])),
            "load_change": figures.force(float(step.after.force_n[place] - before.force_n[place])),
            "pipe_movement": figures.length(float(step.after.movement_m[place] - before.movement_m[place])),
            "reading_change": change,
            "bearing_before": bore,
            "bearing_after": after,
            "bearing_changes": bore != after,
        }

    @staticmethod
    def _bearing(state: State, place: int, out: frozenset[int]) -> str:
        """What its stop bears: `more`, `less`, `none`; `out`; `rigid` or `slack` for a rigid hanger."""
        law = state.hangers[place]
        if law.low_m == law.high_m and law.load_n == 0.0:
            return "slack" if state.parts[place] == SLACK else "rigid"
        if place in out:
            return "out"
        borne = float(state.stop_n()[place])
        return "none" if abs(borne) < _NO_LOAD_N else "more" if borne > 0.0 else "less"

    def _pins(self, state: State, out: frozenset[int]) -> tuple[Array, Array]:
        """Where each pin may be found after a step: heights, friction and the reading's tolerance [m]."""
        rests = self._field.of_state(state, out)
        friction = margins(self._field, rests, self._friction)
        movement, force = height_transfer(self._yard.line.stiffness, state)
        soft = np.array([1.0 / each.series_n_per_m for each in state.hangers])
        moved = np.abs(movement - np.eye(len(soft)) + soft[:, None] * force) @ self._heights
        low_end = np.array([each.low_m for each in state.hangers])
        high_end = np.array([each.high_m for each in state.hangers])
        held = np.array([place not in out for place in range(len(soft))])
        low = np.where(held, low_end, np.maximum(state.pin_m - friction.pin_down[0] - moved, low_end))
        high = np.where(held, high_end, np.minimum(state.pin_m + friction.pin_up[0] + moved, high_end))
        return low - self._asked.tolerance_m, high + self._asked.tolerance_m

    def _readings(self, low: Array, high: Array) -> list[dict[str, Any]]:
        found = []
        for place, hanger in enumerate(self._hangers):
            ends = [reading_m(hanger, float(pin)) for pin in (low[place], high[place])]
            if hanger.kind != "rigid" and ends[0] is not None and ends[1] is not None:
                found.append(
                    {
                        "mark": hanger.mark,
                        "low": self._figures.length(min(ends[0], ends[1])),
                        "high": self._figures.length(max(ends[0], ends[1])),
                    }
                )
        return found

    def _stops(self, own: list[dict[str, Any]]) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = [
            {
                "code": "call-the-engineer",
                "text": STOPS["call-the-engineer"],
                "mark": each["mark"],
                "turns": each["turns"]["call_at"],
            }
            for each in own
        ]
        for code in ("wrong-way", "other-face", "neighbour-differs", "end-of-travel"):
            found.append({"code": code, "text": STOPS[code], "mark": None, "turns": None})
        return found
