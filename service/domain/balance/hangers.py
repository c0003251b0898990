"""Hangers: what the answer says of each one."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from service.domain.balance.analysis import Analysis
from service.domain.balance.contacts import bears, pipe_stiffness_n_per_m
from service.domain.balance.figures import Figures
from service.domain.balance.locked import Interval, Locked
from service.domain.balance.standing import Settled
from service.domain.balance.weigh import Parts, reading_m
from service.domain.balance.weighing import HangerWeighing, Standing
from service.domain.line_models.built import SupportedHanger
from service.engineering.states.laws import SLACK

_TOLERANCE = 1e-9  # a limit met exactly passes in any unit


def hangers_document(
    analysis: Analysis, parts: Parts, weighed: Mapping[str, HangerWeighing], figures: Figures
) -> list[dict[str, Any]]:
    """One entry for each hanger.

    Args:
        analysis: the line
        parts: its states
        weighed: what `weigh` says of each hanger
        figures: system of units
    """
    return [
        _hanger(analysis, parts, weighed[each.mark], each, place, figures)
        for place, each in enumerate(analysis.built.hangers)
    ]


def _hanger(
    analysis: Analysis,
    parts: Parts,
    weighed: HangerWeighing,
    hanger: SupportedHanger,
    place: int,
    figures: Figures,
) -> dict[str, Any]:
    now, test = parts.now, parts.test
    present = None if now is None else now.interval(place)
    under_test = None if test is None else test.interval(place)
    locked = hanger.kind != "rigid" and not hanger.released
    return {
        "mark": hanger.mark,
        "kind": hanger.kind,
        "node": hanger.node,
        "stops": "none" if hanger.kind == "rigid" else "out" if hanger.released else "in",
        "loads": {
            "now": _load(present, figures),
            "released_cold": _load(released_load(parts.cold, place), figures),
            "hot": _load(released_load(parts.hot, place), figures),
            "under_test": _load(under_test, figures),
            "operating": figures.force(hanger.operating_load_n),
        },
        "out_of_balance": _out_of_balance(now, hanger, place, figures) if locked else None,
        "stiffness": _stiffness(analysis, now, hanger, place, figures),
        "standing": {
            "released_cold": _standing(hanger, weighed.cold, figures),
            "hot": _standing(hanger, weighed.hot, figures),
        },
        "expected_released_cold": _expected(hanger, weighed, figures),
        "thermal_movement": _thermal(hanger, weighed.thermal_movement_m, figures),
        "capacities": {
            "rod_now": _capacity(present, hanger.rod_capacity_n, figures),
            "rod_under_test": _capacity(under_test, hanger.rod_test_capacity_n, figures),
            "locked_now": _capacity(present if locked else None, hanger.locked_capacity_n, figures),
            "locked_under_test": _capacity(
                under_test if hanger.kind != "rigid" else None, hanger.locked_capacity_n, figures
            ),
            "stop_now": _stop_capacity(now, hanger, place, figures) if locked else None,
        },
        "missing": list(hanger.missing),
    }


# --- loads ------------------------------------------------------------------------------------------
def released_load(settled: Settled | None, place: int) -> Interval | None:
    """What a hanger carries with every stop out; bounds over the friction bands where they are known."""
    if settled is None or settled.state is None:
        return None
    value = float(settled.state.force_n[place])
    if settled.bands is None:
        return Interval(value, math.nan, math.nan, math.nan)
    least, most = float(settled.bands.least_n[place]), float(settled.bands.greatest_n[place])
    return Interval(value, least, most, math.nan)


def _load(interval: Interval | None, figures: Figures) -> dict[str, Any] | None:
    if interval is None:
        return None

    def known(value_n: float) -> dict[str, Any] | None:
        return figures.force(value_n) if math.isfinite(value_n) else None

    return {
        "value": figures.force(interval.value_n),
        "low": known(interval.low_n),
        "high": known(interval.high_n),
        "standard_deviation": known(interval.deviation_n),
    }


def _out_of_balance(
    locked: Locked | None, hanger: SupportedHanger, place: int, figures: Figures
) -> dict[str, Any] | None:
    interval = None if locked is None else locked.out_of_balance(place)
    if interval is None:
        return None
    band = hanger.friction_n or 0.0
    direction = "either"
    if interval.low_n > band:
        direction = "rod_carries_more"
    elif interval.high_n < -band:
        direction = "rod_carries_less"
    elif max(abs(interval.low_n), abs(interval.high_n)) <= band:
        direction = "within_friction"
    return {
        **(_load(interval, figures) or {}),
        "direction": direction,
        "would_move": {"rod_carries_more": "down", "rod_carries_less": "up"}.get(direction),
        "text": _WORDS[direction],
    }


_STANDS: Mapping[str, str] = {
    "will": "{mark} will reach its {end} end of travel, whatever its friction and that of the others.",
    "may": "{mark} may reach its {end} end of travel: friction or heights may hold it off or take it there.",
    "will_not": "{mark} stays within its travel, whatever its friction and that of the others.",
    "cannot_say": "Where {mark} will stand cannot be said.",
}

_WORDS: Mapping[str, str] = {
    "rod_carries_more": (
        "The rod carries more than the spring: freed, the pipe goes down here. Which face bears, the stop's "
        "drawing tells."
    ),
    "rod_carries_less": (
        "The rod carries less than the spring: freed, the pipe goes up here. Which face bears, the stop's "
        "drawing tells."
    ),
    "within_friction": "Rod and spring are in balance within the spring's friction.",
    "either": "The heights leave both directions open: the bearing face tells.",
}


# --- stiffness --------------------------------------------------------------------------------------
def _stiffness(
    analysis: Analysis, locked: Locked | None, hanger: SupportedHanger, place: int, figures: Figures
) -> dict[str, Any] | None:
    """Stiffness seen at a hanger now; `in_series` as the hanger itself stands."""
    if locked is None:
        return None
    pipe = pipe_stiffness_n_per_m(analysis.line("present").stiffness, locked.state, place)
    law, part = locked.state.hangers[place], locked.state.parts[place]
    rod = _in_series(pipe, hanger.series_n_per_m)
    seen = rod
    if part == SLACK:
        seen = 0.0
    elif not bears(law, part):
        seen = _in_series(rod, law.rate_n_per_m)
    per_turn = None if hanger.lead_m is None else seen * hanger.lead_m
    return {
        "pipe": figures.stiffness(pipe),
        "with_rod_and_steel": figures.stiffness(rod),
        "seen_now": figures.stiffness(seen),
        "pin": "held" if bears(law, part) else "loose" if part == SLACK else "moves",
        "movement_per_kilonewton": None if pipe == 0.0 else figures.length(1e3 / pipe),
        "load_per_turn": figures.force(per_turn),
        "load_per_turn_while_stop_bears": figures.force(
            None if hanger.lead_m is None or hanger.kind == "rigid" else rod * hanger.lead_m
        ),
    }


def _in_series(first: float, second: float) -> float:
    if first == 0.0 or second == 0.0:
        return 0.0
    return 1.0 / (1.0 / first + 1.0 / second)


# --- positions --------------------------------------------------------------------------------------
def _standing(hanger: SupportedHanger, standing: Standing, figures: Figures) -> dict[str, Any] | None:
    if hanger.kind == "rigid":
        return None

    def reading(position: float | None) -> dict[str, Any] | None:
        return None if position is None else figures.length(reading_m(hanger, position))

    return {
        "verdict": standing.verdict,
        "end": standing.end,
        "position": figures.length(standing.position_m),
        "least": figures.length(standing.least_m),
        "greatest": figures.length(standing.greatest_m),
        "reading": reading(standing.position_m),
        "reading_at_least": reading(standing.least_m),
        "reading_at_greatest": reading(standing.greatest_m),
        "margin": figures.length(standing.margin_m),
        "nearer_end": standing.nearer,
        "text": _STANDS[standing.verdict].format(mark=hanger.mark, end=standing.end or ""),
    }


def _expected(hanger: SupportedHanger, weighed: HangerWeighing, figures: Figures) -> dict[str, Any] | None:
    reading, drawn = weighed.expected_released_cold_m, hanger.expected_released_cold_m
    if hanger.kind == "rigid":
        return None
    off_mark = None
    if reading is not None and hanger.cold_mark_m is not None:
        off_mark = reading - hanger.cold_mark_m
    return {
        "reading": figures.length(reading),
        "band": figures.length(weighed.expected_band_m),
        "off_cold_mark": figures.length(off_mark),
        "on_record": figures.length(drawn),
        "difference": figures.length(None if reading is None or drawn is None else reading - drawn),
    }


def _thermal(hanger: SupportedHanger, model_m: float | None, figures: Figures) -> dict[str, Any]:
    drawn = hanger.design_movement_m
    difference, opposite = None, None
    if model_m is not None and drawn is not None:
        difference = model_m - drawn
        # Movements of less than a tenth of a millimetre have no direction that a scale shows.
        opposite = model_m * drawn < 0.0 and min(abs(model_m), abs(drawn)) > 1e-4
    return {
        "model": figures.length(model_m),
        "drawing": figures.length(drawn),
        "difference": figures.length(difference),
        "opposite_direction": opposite,
    }


# --- capacities -------------------------------------------------------------------------------------
def _capacity(interval: Interval | None, capacity_n: float | None, figures: Figures) -> dict[str, Any]:
    if interval is None:
        return _judged(None, None, capacity_n, figures)
    return _judged(interval.low_n, interval.high_n, capacity_n, figures)


def _stop_capacity(
    locked: Locked | None, hanger: SupportedHanger, place: int, figures: Figures
) -> dict[str, Any]:
    """The stop against what it holds: upward where the rod carries less, downward where it carries more."""
    interval = None if locked is None else locked.out_of_balance(place)
    up, down = hanger.stop_capacity_up_n, hanger.stop_capacity_down_n
    if interval is None or up is None or down is None:
        return _judged(None, None, None, figures)
    upward = _judged(max(-interval.high_n, 0.0), max(-interval.low_n, 0.0), up, figures)
    downward = _judged(max(interval.low_n, 0.0), max(interval.high_n, 0.0), down, figures)
    return downward if interval.high_n / down >= -interval.low_n / up else upward


def _judged(
    low_n: float | None, high_n: float | None, capacity_n: float | None, figures: Figures
) -> dict[str, Any]:
    verdict, share = "cannot_say", None
    if low_n is not None and high_n is not None and capacity_n is not None:
        most = capacity_n * (1.0 + _TOLERANCE)
        verdict = "within" if high_n <= most else "exceeds" if low_n > most else "may_exceed"
        # What holds nothing beside its own hardware is no share of anything.
        share = high_n / capacity_n if capacity_n > 0.0 else None
    return {
        "greatest_load": figures.force(high_n),
        "capacity": figures.force(capacity_n),
        "utilisation": figures.ratio(share),
        "verdict": verdict,
    }
