"""`weigh`: what checks and readiness take from the balance of a line.

Every part stands on its own: what one part wants and does not find leaves the others as they are.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import TypeVar

from service.domain.balance.analysis import Analysis, NotWeighable
from service.domain.balance.locked import SLOT_HALF_M, Interval, Locked, height_uncertainty_m
from service.domain.balance.movements import design_sum_n, thermal_movement_m
from service.domain.balance.standing import Settled, settle
from service.domain.balance.weighing import HangerWeighing, MissingWeight, Standing, Weighing
from service.domain.line_models.built import BuiltLine, SupportedHanger
from service.engineering.frames.elements import Array
from service.engineering.frames.solution import FrameUnstable
from service.engineering.states.state import NotAtRest
from service.engineering.states.tracing import NoVerticalStiffness, PathLost

Asked = TypeVar("Asked")

LEAST_MISSING_N = 1.0
"""Weights below this are not listed as missing [N]."""


@dataclass
class Notes:
    """Why something cannot be said, by part; who drifts, and what nothing holds."""

    unsaid: dict[str, str] = field(default_factory=dict)
    drifting: tuple[str, ...] = ()
    unheld: str | None = None

    def attempt(self, part: str, analysis: Analysis, asked: Callable[[], Asked]) -> Asked | None:
        """What is asked, or None, the reason noted."""
        try:
            return asked()
        except NoVerticalStiffness as error:
            self.drifting = tuple(analysis.marks[place] for place in error.facts["hangers"])
            self.unsaid[part] = "Nothing fixes the line's height there: it is free to drift."
        except FrameUnstable as error:
            self.unheld = unheld(analysis.built, error)
            self.unsaid[part] = f"The line is not held: {self.unheld}."
        except (NotWeighable, PathLost, NotAtRest) as error:
            self.unsaid[part] = error.detail
        return None


@dataclass(frozen=True)
class Parts:
    """The states that the answers rest on; None where one cannot be said, with the reason in `notes`.

    Attributes:
        now: with the stops that are in now, the line as it stands
        test: every stop in, under the pressure test
        expected: every stop out, cold, as designed: every hanger at its drawn height, no turns made
        cold: every stop out, as the line stands now. hot: every stop out, hot as designed
        notes: what cannot be said, and why
    """

    now: Locked | None
    test: Locked | None
    expected: Settled | None
    cold: Settled | None
    hot: Settled | None
    notes: Notes


def parts_of(analysis: Analysis) -> Parts:
    """The states that the answers rest on. analysis: the line."""
    notes = Notes()
    drawn = dict.fromkeys(analysis.marks, 0.0)
    parts = Parts(
        notes.attempt("locked", analysis, lambda: Locked(analysis, "present", analysis.released_now)),
        notes.attempt("locked_test", analysis, lambda: Locked(analysis, "test")),
        notes.attempt("expected_cold", analysis, lambda: settle(analysis, "cold", offsets_m=drawn)),
        notes.attempt("cold", analysis, lambda: settle(analysis, "present")),
        notes.attempt("hot", analysis, lambda: settle(analysis, "hot")),
        notes,
    )
    for name, settled in (("expected_cold", parts.expected), ("cold", parts.cold), ("hot", parts.hot)):
        if settled is not None and settled.reason:
            notes.unsaid[name] = settled.reason
            notes.drifting = notes.drifting or settled.drifting
    return parts


def weigh(
    analysis: Analysis, *, model_revision: int | None = None, model_sequence: int | None = None
) -> Weighing:
    """What the balance of a line says of it and of each hanger.

    Args:
        analysis: the line
        model_revision: revision of the line model; None for a posted one
        model_sequence: sequence of the event that stored it

    Returns:
        weighing: loads at the pipe, upward positive [N]; readings and positions [m]
    """
    return weighing_of(analysis, parts_of(analysis), model_revision, model_sequence)


def weighing_of(
    analysis: Analysis, parts: Parts, model_revision: int | None = None, model_sequence: int | None = None
) -> Weighing:
    """As `weigh`, from states that are there already. parts: of the same line."""
    built, notes = analysis.built, parts.notes
    design_sum = notes.attempt("design_sum", analysis, lambda: design_sum_n(analysis))
    growth = notes.attempt("thermal_movement", analysis, lambda: thermal_movement_m(analysis))
    settled = [each for each in (parts.expected, parts.cold, parts.hot) if each is not None]
    wanting: dict[str, tuple[str, ...]] = {}
    for each in settled:
        wanting.update(each.wanting)
    missing = missing_weights(built)
    complete = None
    if missing:
        # What cannot be said of this state stands in the others' reasons: it has their laws.
        complete = Notes().attempt("complete", analysis, lambda: settle(analysis, "cold"))
    return Weighing(
        model_revision,
        model_sequence,
        {
            hanger.mark: replace(
                _weighed(hanger, place, parts, growth),
                complete=_standing(hanger, complete) if missing else None,
            )
            for place, hanger in enumerate(built.hangers)
        },
        design_sum,
        notes.drifting,
        notes.unheld,
        missing,
        not built.surveyed or any(each.height_error_m is None for each in built.hangers),
        tuple(built.limits),
        dict(notes.unsaid),
        wanting,
        assumptions(built, () if parts.now is None else parts.now.may_go_slack()),
        built.present_not_stated,
    )


def without_expected(weighing: Weighing, reason: str) -> Weighing:
    """The same without any reading expected when released cold. reason: why none can be said, a sentence."""
    return replace(
        weighing,
        hangers={
            mark: replace(hanger, expected_released_cold_m=None, expected_band_m=None)
            for mark, hanger in weighing.hangers.items()
        },
        unsaid={**weighing.unsaid, "expected_cold": reason},
    )


def _weighed(hanger: SupportedHanger, place: int, parts: Parts, growth: Array | None) -> HangerWeighing:
    locked = parts.now is not None and not bool(parts.now.out[place])
    expected, band = expected_reading(hanger, place, parts.expected)
    return HangerWeighing(
        hanger.mark,
        _span(parts.now.interval(place)) if parts.now is not None and locked else None,
        _span(parts.test.interval(place)) if parts.test is not None else None,
        _span(parts.now.out_of_balance(place)) if parts.now is not None and locked else None,
        expected,
        band,
        _standing(hanger, parts.cold),
        _standing(hanger, parts.hot),
        hanger.missing,
        None if growth is None else float(growth[place]),
        released_load_n=_greatest_released(place, (parts.cold, parts.hot)),
    )


def _greatest_released(place: int, settled: tuple[Settled | None, ...]) -> tuple[float, float] | None:
    """The greatest load of a hanger in these states: what it reaches at least, and at most [N]."""
    low, high = 0.0, 0.0
    for each in settled:
        if each is None or each.bands is None or each.heights_n is None:
            return None
        spread = float(each.heights_n[place])
        low = max(low, float(each.bands.least_n[place]) - spread)
        high = max(high, float(each.bands.greatest_n[place]) + spread)
    return low, high


def _span(interval: Interval | None) -> tuple[float, float] | None:
    return None if interval is None else (interval.low_n, interval.high_n)


def _standing(hanger: SupportedHanger, settled: Settled | None) -> Standing:
    return Standing("cannot_say") if settled is None else settled.hangers[hanger.mark]


def reading_m(hanger: SupportedHanger, position_m: float) -> float | None:
    """What the position indicator shows with its pin at a position; None where the record does not tell [m].

    position_m: of the pin from the locked position, up positive.
    """
    if hanger.locked_reading_m is None or hanger.indicator_sign is None:
        return None
    return hanger.locked_reading_m + hanger.indicator_sign * position_m


def expected_reading(
    hanger: SupportedHanger, place: int, expected: Settled | None
) -> tuple[float | None, float | None]:
    """Reading when released cold as designed, and the half width of its band; None where not known [m]."""
    if expected is None or expected.state is None or hanger.kind == "rigid":
        return None, None
    reading = reading_m(hanger, float(expected.state.pin_m[place]))
    if reading is None or expected.bands is None:
        return reading, None
    bands, pin = expected.bands, float(expected.state.pin_m[place])
    return reading, max(float(bands.greatest_m[place]) - pin, pin - float(bands.least_m[place]), 0.0)


def missing_weights(built: BuiltLine) -> tuple[MissingWeight, ...]:
    """Parts that weigh less now than they will in the cold line as designed, greatest first [N]."""
    found = [
        MissingWeight(item.owner, item.part, lacking)
        for item in built.items
        if (lacking := item.weight_n["cold"] - item.share_present * item.weight_n["present"])
        > LEAST_MISSING_N
    ]
    return tuple(sorted(found, key=lambda each: (-each.weight_n, each.owner, each.part)))


def assumptions(built: BuiltLine, slack: tuple[str, ...] = ()) -> tuple[str, ...]:
    """What was taken where nothing was stated, a sentence each.

    Args:
        built: the line
        slack: marks of the hangers whose rods may hang loose within the heights' intervals
    """
    found = []
    springs = [each for each in built.hangers if each.kind != "rigid"]
    heights: dict[str, list[str]] = {}
    for each in built.hangers:
        if each.height_error_m is None:
            stated = each.height_uncertainty_m is not None
            width = f"{round(1e3 * height_uncertainty_m(each), 6):g} mm to either side"
            why = "as the model states" if stated else "common practice, no source"
            heights.setdefault(f"within {width} ({why})", []).append(each.mark)
    for within, marks in heights.items():
        found.append(f"Pick-up heights not surveyed, taken as drawn {within}: {', '.join(marks)}.")
    slots = [each.mark for each in springs if each.slot_clearance_m is None]
    if slots:
        found.append(
            f"Slot clearances of {', '.join(slots)} are not stated: their pins may lie "
            f"{1e3 * SLOT_HALF_M:g} mm to either side (common practice, no source)."
        )
    if built.present_not_stated:
        found.append(
            "Neither an inspection nor the model states these, taken as designed and cold: "
            + ", ".join(built.present_not_stated)
            + "."
        )
    if slack:
        found.append(
            f"Rods of {', '.join(slack)} may hang loose within the heights' intervals: the intervals of the "
            "other loads are those of a line whose rods all bear."
        )
    rigid_parts: dict[tuple[str, ...], list[str]] = {}
    for each in built.hangers:
        if each.rigid_parts:
            rigid_parts.setdefault(each.rigid_parts, []).append(each.mark)
    for names, marks in rigid_parts.items():
        found.append(f"Taken as rigid at {', '.join(marks)}: {', '.join(names)}.")
    return tuple(found)


def unheld(built: BuiltLine, error: FrameUnstable) -> str:
    """Node and direction that nothing holds, in words."""
    index, direction = error.facts["node"], error.facts["direction"]
    names = [name for name, place in built.nodes.items() if place == index]
    if names:
        return f"node {names[0]}, {direction}"
    inside = [name for name, place in built.segments.items() if index in place.nodes]
    return f"within segment {inside[0]}, {direction}" if inside else f"{direction}"


def unsaid_of(parts: Mapping[str, str], *names: str) -> str:
    """The reasons for some parts, each once."""
    return " ".join(dict.fromkeys(parts[name] for name in names if name in parts))
