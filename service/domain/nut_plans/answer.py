"""The plan under construction, and its document (schemas/nut-plan.schema.json)."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, Literal

from service.domain.nut_plans.words import ALWAYS, BASIS, CAUTIONS, REFUSALS, STOPS
from service.engineering.nut_plans import Interval
from service.errors import OutOfRange
from service.units import PREFERRED, Dimension, System, quantity_from_si, rounded

Purpose = Literal["easing", "load_correction", "load_adjuster", "positioning", "way_back"]
Status = Literal["planned", "one_flat_and_look", "take_up_slack", "nothing_to_turn", "refused", "cannot_say"]

_LARGEST = 1e12  # the largest value that the schema of quantities admits


def plain(value: float) -> float:
    """A number for the document: finite, 12 significant digits, no negative zero.

    Raises:
        OutOfRange: the inputs lead to a number that is not finite
    """
    if not math.isfinite(value):
        raise OutOfRange("The inputs lead to a number that is not finite.", value=str(value))
    return rounded(value) + 0.0


@dataclass
class Draft:
    """What a plan will say. Turns are signed: positive raises the load on the pipe."""

    purpose: Purpose
    system: System
    status: Status = "cannot_say"
    reason: str = ""
    sign: int = 0
    device: Literal["adjuster", "load_adjuster"] = "adjuster"
    rotation: dict[str, Any] = field(default_factory=dict)
    turns: dict[str, float] | None = None
    flats: dict[str, float] | None = None
    step: dict[str, Any] | None = None
    holds: list[dict[str, Any]] = field(default_factory=list)
    engagement: list[dict[str, Any]] = field(default_factory=list)
    net_turns: dict[str, float] | None = None
    predicted: dict[str, Any] = field(default_factory=dict)
    found: dict[str, Any] | None = None
    refusal: dict[str, Any] | None = None
    alternative: dict[str, Any] | None = None
    indicative: bool = False
    _cautions: dict[str, None] = field(default_factory=dict)
    _stops: dict[str, float | None] = field(default_factory=dict)
    _basis: dict[str, tuple[str, str] | None] = field(default_factory=dict)

    def quantity(self, value_si: float, dimension: Dimension) -> dict[str, Any]:
        """An SI value as a quantity in the plan's system of units."""
        found = quantity_from_si(plain(value_si), PREFERRED[self.system][dimension], dimension)
        if abs(found["value"]) > _LARGEST:
            raise OutOfRange("The inputs lead to a value beyond what a quantity may hold.", **found)
        return {"value": found["value"] + 0.0, "unit": found["unit"]}

    def between(self, interval: Interval, dimension: Dimension) -> dict[str, Any]:
        """An SI interval as two quantities."""
        return {
            "low": self.quantity(interval.low, dimension),
            "high": self.quantity(interval.high, dimension),
        }

    def caution(self, *codes: str) -> None:
        """Add cautions by code; each counts once."""
        for code in codes:
            self._cautions.setdefault(code)

    def stop_at(self, code: str, turns: float | None = None) -> None:
        """Add a condition that makes the crew stop, at a number of turns where it has one."""
        self._stops[code] = turns

    def rests_on(self, formula: str, source: str | None = None, status: str | None = None) -> None:
        """Note a formula; source and status where the criteria give their own."""
        self._basis[formula] = None if source is None or status is None else (source, status)

    def settle(self, status: Status, reason: str) -> None:
        """Set the answer and its reason."""
        self.status, self.reason = status, reason

    def refuse(self, code: str, nearest_turns: float | None = None, flats: int | None = None) -> None:
        """Refuse, with the nearest number of turns that can be done where there is one."""
        self.settle("refused", REFUSALS[code])
        nearest = None
        if nearest_turns is not None:
            nearest = {"turns": plain(nearest_turns), "flats": _flats(nearest_turns, flats)}
        self.refusal = {"code": code, "text": REFUSALS[code], "nearest": nearest}

    def document(self, missing: list[str], inputs: list[dict[str, Any]]) -> dict[str, Any]:
        """The plan as JSON. Numbers of turns are left out of everything but a plan that may be done."""
        done = self.status in ("planned", "one_flat_and_look", "take_up_slack")
        cautions = [*ALWAYS, *(code for code in self._cautions if code not in ALWAYS)]
        return {
            "purpose": self.purpose,
            "status": self.status,
            "reason": self.reason,
            "device": self.device,
            "direction": {1: "raise", -1: "lower"}.get(self.sign),
            "rotation": self.rotation,
            "turns": self.turns if self.status == "planned" else None,
            "flats": self.flats if self.status == "planned" else None,
            "step": self.step if done else None,
            "holds": self.holds if done else [],
            "engagement": self.engagement,
            "net_turns": self.net_turns,
            "predicted": self.predicted,
            "found": self.found,
            "refusal": self.refusal,
            "alternative": self.alternative,
            "indicative": self.indicative,
            "stop_conditions": [
                {"code": code, "text": STOPS[code], "turns": None if turns is None else plain(turns)}
                for code, turns in self._stops.items()
            ],
            "cautions": [{"code": code, "text": CAUTIONS[code]} for code in cautions],
            "missing": missing,
            "basis": [_basis(formula, override) for formula, override in self._basis.items()],
            "inputs": inputs,
        }


def _flats(turns: float, flats: int | None) -> float | None:
    return None if flats is None else plain(turns * flats)


def _basis(formula: str, override: tuple[str, str] | None) -> dict[str, str]:
    text, source, status = BASIS[formula]
    if override is not None:
        source, status = override
    return {"formula": formula, "text": text, "source": source, "status": status}
