"""Missing weight: which kilograms matter most, and what the insulation that is not yet on will do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from service.domain.balance.analysis import Analysis
from service.domain.balance.contacts import load_transfer
from service.domain.balance.figures import Figures
from service.domain.balance.weigh import Parts, missing_weights
from service.domain.balance.weighing import MissingWeight
from service.domain.balance.weights import added
from service.engineering.frames.elements import Array
from service.engineering.states.laws import Hanger
from service.engineering.states.state import NotAtRest
from service.engineering.states.tracing import NoVerticalStiffness, PathLost, State
from service.errors import OutOfRange
from service.units import Dimension

MOST_LISTED = 20
"""Parts listed; the rest are in the effect of all insulation together."""

COVER = ("insulation", "jacketing")
GRAVITY = 9.80665


@dataclass(frozen=True)
class _Effect:
    """What laying parts on does: change of each load as locked now, and the pins with every stop out."""

    locked_n: Array | None
    pins_m: Array | None
    margin_m: float | None
    worst: int | None


class Missing:
    """The parts that are not on, laid on one by one or together."""

    def __init__(self, analysis: Analysis, parts: Parts) -> None:
        """analysis: the line. parts: its states."""
        self._analysis = analysis
        self._parts = parts
        self.weights = missing_weights(analysis.built)
        self._before = self._margin(None if parts.cold is None else parts.cold.state)

    def document(self, figures: Figures) -> dict[str, Any]:
        """`heaviest_missing`, ranked by effect, and `insulation_not_on`."""
        ranked = sorted(((each, self._laid([each])) for each in self.weights), key=self._rank)
        cover = [each for each in self.weights if each.part in COVER]
        return {
            "heaviest_missing": [
                {
                    "owner": each.owner,
                    "part": each.part,
                    "weight": figures.force(each.weight_n),
                    "mass": figures.quantity(each.weight_n / GRAVITY, Dimension.MASS),
                    **self._effect(effect, figures),
                }
                for each, effect in ranked[:MOST_LISTED]
            ],
            "insulation_not_on": None if not cover else self._together(cover, figures),
        }

    def _together(self, cover: Sequence[MissingWeight], figures: Figures) -> dict[str, Any]:
        effect = self._laid(cover)
        cold = self._parts.cold
        before = None if cold is None or cold.state is None else cold.state.pin_m
        moved = None if before is None or effect.pins_m is None else effect.pins_m - before
        total = sum(each.weight_n for each in cover)
        return {
            "weight": figures.force(total),
            "mass": figures.quantity(total / GRAVITY, Dimension.MASS),
            **self._effect(effect, figures),
            "hangers": [
                {
                    "mark": mark,
                    "locked_load_change": figures.force(
                        None if effect.locked_n is None else float(effect.locked_n[place])
                    ),
                    "released_cold_movement": figures.length(None if moved is None else float(moved[place])),
                }
                for place, mark in enumerate(self._analysis.marks)
            ],
        }

    def _rank(self, each: tuple[MissingWeight, _Effect]) -> tuple[float, float, float, str, str]:
        """Most gain of the worst margin first; then most change of a locked load; then the heaviest."""
        weight, effect = each
        gain = 0.0
        if effect.margin_m is not None and self._before[0] is not None:
            gain = effect.margin_m - self._before[0]
        changed = 0.0 if effect.locked_n is None else float(np.abs(effect.locked_n).max(initial=0.0))
        return (-round(gain, 9), -changed, -weight.weight_n, weight.owner, weight.part)

    def _effect(self, effect: _Effect, figures: Figures) -> dict[str, Any]:
        most = None if effect.locked_n is None else int(np.abs(effect.locked_n).argmax())
        return {
            "worst_margin_now": figures.length(self._before[0]),
            "worst_margin_with_it": figures.length(effect.margin_m),
            "worst_margin_at": None if self._before[1] is None else self._analysis.marks[self._before[1]],
            "most_locked_load_change": None
            if most is None or effect.locked_n is None
            else figures.force(float(effect.locked_n[most])),
            "most_changed": None if most is None else self._analysis.marks[most],
        }

    # --- laying on --------------------------------------------------------------------------------------
    def _pressed(self, weights: Sequence[MissingWeight]) -> Array:
        """What parts press on each hanger's place, negative down, (m,) [N]."""
        built = self._analysis.built
        wanted = {(each.owner, each.part): each.weight_n for each in weights}
        case = None
        for item, unit in zip(built.items, built.unit_loads, strict=True):
            lacking = wanted.get((item.owner, item.part))
            if lacking is not None:
                case = added(unit, lacking / item.weight_n["present"], case)
        if case is None:
            raise OutOfRange("A missing part has no load case.")
        pressed: Array = self._analysis.factorised("present").condense([case]).loads[:, 0]
        return pressed

    def _laid(self, weights: Sequence[MissingWeight]) -> _Effect:
        locked_n, now = None, self._parts.now
        if now is None and self._parts.cold is None:
            return _Effect(None, None, None, None)
        pressed = self._pressed(weights)
        if now is not None:
            locked_n = load_transfer(self._analysis.line("present").stiffness, now.held_state)[1] @ pressed
        cold = self._parts.cold
        if cold is None or cold.state is None:
            return _Effect(locked_n, None, None, None)
        try:
            state = self._analysis.line("present").follow(cold.state, cold.state.load_n + pressed)
        except (NoVerticalStiffness, PathLost, NotAtRest):
            return _Effect(locked_n, None, None, None)
        margin, worst = self._margin(state)
        return _Effect(locked_n, state.pin_m, margin, worst)

    def _margin(self, state: State | None) -> tuple[float | None, int | None]:
        """Least way to an end of travel with every stop out, without friction, and whose it is [m]."""
        if state is None:
            return None, None
        margins = [
            (_room(law, float(pin)), place)
            for place, (law, pin) in enumerate(zip(state.hangers, state.pin_m, strict=True))
            if law.low_m < law.high_m
        ]
        return min(margins, default=(None, None))


def _room(law: Hanger, pin_m: float) -> float:
    return min(law.top_m - pin_m, pin_m - law.low_m)
