"""Standing: where the pins will stand when every stop is out, and whether one may reach an end of its travel.

Positions are of the pin from the locked position, up positive [m]. Nothing here is a guess: where a law is
not known, nothing is said of any hanger, for each moves all others.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, Literal

import numpy as np

from service.domain.balance.analysis import Analysis
from service.domain.balance.contacts import bears, drifting, height_transfer, pin_compliance
from service.domain.balance.locked import height_uncertainty_m
from service.domain.balance.weighing import Standing
from service.domain.line_models.built import CaseName, SupportedHanger
from service.engineering.frames.elements import Array
from service.engineering.states.bands import Bands, friction_bands
from service.engineering.states.laws import SLACK, Hanger
from service.engineering.states.state import NotAtRest
from service.engineering.states.tracing import Line, NoVerticalStiffness, PathLost, State

UNLIMITED_M: Final = 1e3
"""Travel of a hanger whose end is thought away, far beyond any movement [m]."""
MOST_FOLLOWED: Final = 50
"""Hangers of a line up to which it is reckoned by how much an end would be passed, a state for each."""


@dataclass(frozen=True)
class Settled:
    """The line with every stop out.

    Attributes:
        state: without friction; None where it cannot be said
        bands: bounds of pins and forces over the friction bands; None where a friction is not known
        hangers: where each stands
        drifting: marks of the hangers that would leave the line without anything to fix its height
        reason: why nothing can be said, in a sentence; empty where it can
        wanting: pointers of what is missing, by mark
        heights_n: how far the intervals of the pick-up heights may move each load to either side, (m,) [N];
            None where the state is not known
    """

    state: State | None
    bands: Bands | None
    hangers: Mapping[str, Standing]
    drifting: tuple[str, ...] = ()
    reason: str = ""
    wanting: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    heights_n: Array | None = None


def settle(analysis: Analysis, case: CaseName, *, offsets_m: Mapping[str, float] | None = None) -> Settled:
    """Where the pins will stand with every stop out, in a case.

    Args:
        analysis: the line
        case: the load case
        offsets_m: pick-up height and turns together, by mark, instead of those on record [m]

    Returns:
        settled: `will` where an end is reached at every point of the friction bands, `will_not` at none and
            nowhere within the intervals of the pick-up heights; these count unless offsets_m gives heights
    """
    hangers = analysis.built.hangers
    given = offsets_m or {}
    laws = {each.mark: each.free(friction=0.0, offset_m=given.get(each.mark)) for each in hangers}
    wanting = {each.mark: wanted(each.missing) for each in hangers if laws[each.mark] is None}
    if wanting:
        return _unsaid(
            analysis,
            "Where any pin will stand depends on all of them, and these records do not tell enough: "
            + ", ".join(wanting)
            + ".",
            wanting,
        )
    plain = tuple(law for law in laws.values() if law is not None)
    line, load_n = analysis.line(case), analysis.load_n(case)
    try:
        # Ends of travel would catch a drifting line in the end; that is no height to release it to.
        leaving = drifting(line, plain)
        state = None if leaving else line.start(plain, load_n)
    except NoVerticalStiffness as error:
        leaving, state = tuple(error.facts["hangers"]), None
    except (PathLost, NotAtRest) as error:
        return _unsaid(analysis, error.detail, {})
    if state is None:
        marks = tuple(hangers[place].mark for place in leaving)
        return _unsaid(
            analysis, "With every stop out nothing fixes the line's height: it is free to drift.", {}, marks
        )
    rubbing = {
        each.mark: wanted(each.missing, ("friction",))
        for each in hangers
        if each.kind != "rigid" and each.friction_n is None
    }
    if rubbing:
        # The way without friction can be told; how far friction holds it back cannot.
        unsaid = {
            mark: replace(Standing("cannot_say"), position_m=float(state.pin_m[place]))
            for place, mark in enumerate(analysis.marks)
            if hangers[place].kind != "rigid"
        }
        reason = "The friction of these hangers is not stated: " + ", ".join(rubbing) + "."
        return Settled(state, None, {**_rigid(analysis), **unsaid}, (), reason, rubbing)
    laws_with = tuple(
        replace(law, friction_n=0.0 if each.kind == "rigid" else float(each.friction_n or 0.0))
        for each, law in zip(hangers, plain, strict=True)
    )
    bands = friction_bands(line, laws_with, load_n)
    pushes = pin_compliance(line, laws_with)
    spread, heights_n = _height_spread(line, state, hangers)
    if offsets_m:
        spread, heights_n = np.zeros(len(hangers)), np.zeros(len(hangers))
    found = {
        each.mark: _within_heights(
            _standing(line, laws_with, load_n, state, pushes, place, bands), float(spread[place])
        )
        for place, each in enumerate(hangers)
        if each.kind != "rigid"
    }
    return Settled(state, bands, {**_rigid(analysis), **found}, (), "", {}, heights_n)


def wanted(missing: tuple[str, ...], words: tuple[str, ...] = ()) -> tuple[str, ...]:
    """The pointers that bear on where a pin stands: those with one of the words in them, else all."""
    asked = words or ("load", "rate", "travel", "span", "range", "friction", "reading", "rises", "slot")
    found = tuple(each for each in missing if any(word in each for word in asked))
    return found or missing


def _rigid(analysis: Analysis) -> dict[str, Standing]:
    """A rigid hanger has no travel, and no end of it."""
    return {each.mark: Standing("will_not") for each in analysis.built.hangers if each.kind == "rigid"}


def _unsaid(
    analysis: Analysis,
    reason: str,
    wanting: Mapping[str, tuple[str, ...]],
    drifting: tuple[str, ...] = (),
) -> Settled:
    unsaid = {each.mark: Standing("cannot_say") for each in analysis.built.hangers if each.kind != "rigid"}
    return Settled(None, None, {**_rigid(analysis), **unsaid}, drifting, reason, wanting)


def _height_spread(line: Line, state: State, hangers: Sequence[SupportedHanger]) -> tuple[Array, Array]:
    """How far the intervals of the pick-up heights may move each pin [m] and load [N] to either side, (m,).

    Linear, and so exact as long as no contact changes. A pin that might be the first to come to an end says
    `may` by it, so that a line of which every pin says `will_not` has no change of contact.

    Source: mechanics; linear propagation, as of the locked loads.
    """
    movement, force = height_transfer(line.stiffness, state)
    heights = np.array([height_uncertainty_m(each) for each in hangers])
    spread = np.zeros(len(hangers))
    for place, (law, part) in enumerate(zip(state.hangers, state.parts, strict=True)):
        if law.low_m < law.high_m and not bears(law, part):
            way = movement[place] + force[place] / law.series_n_per_m
            way[place] -= 1.0
            spread[place] = float(np.abs(way) @ heights)
    loads: Array = np.abs(force) @ heights
    return spread, loads


def _within_heights(standing: Standing, spread_m: float) -> Standing:
    """Where a pin that friction keeps off its ends stands if the heights may move it by so much [m]."""
    margin = standing.margin_m
    if standing.verdict != "will_not" or margin is None or margin - spread_m > 0.0 or spread_m <= 0.0:
        return standing
    return replace(standing, verdict="may", end=standing.nearer, margin_m=margin - spread_m)


def _standing(
    line: Line,
    laws: tuple[Hanger, ...],
    load_n: Array,
    state: State,
    pushes: Array,
    place: int,
    bands: Bands,
) -> Standing:
    law, position = laws[place], float(state.pin_m[place])
    least, greatest = float(bands.least_m[place]), float(bands.greatest_m[place])
    above, below = law.high_m - greatest, least - law.low_m
    if law.low_m == law.high_m:
        # A spring without travel stands at both its ends.
        return Standing("will", "upper", position, least, greatest, 0.0, "upper")
    verdict = bands.reaches_an_end(place)
    upper: Literal["upper", "lower"] = "upper"
    if verdict == "will_not" and state.parts[place] == SLACK:
        # A spring that has lost its whole load stands at its end, wherever its scale ends.
        return Standing("may", upper, position, least, greatest, min(above, 0.0), upper)
    if verdict == "will_not":
        nearer = upper if above <= below else "lower"
        return Standing("will_not", None, position, least, greatest, min(above, below), nearer)
    end = upper if bands.upper[place] == verdict else "lower"
    if len(laws) > MOST_FOLLOWED:
        return Standing(verdict, end, position, least, greatest, None, end)
    passed = _passed_m(line, laws, load_n, pushes[place], place, 1 if end == "upper" else -1)
    margin = law.high_m - passed if end == "upper" else passed - law.low_m
    return Standing(verdict, end, position, least, greatest, min(margin, 0.0), end)


def _passed_m(
    line: Line, laws: tuple[Hanger, ...], load_n: Array, pushes: Array, place: int, sign: int
) -> float:
    """Where a pin would stand, friction pushing it most towards one end, if that end were not there [m].

    The frictions push by the signs that push it most while no other hanger reaches an end. pushes: rise of
    the pin for a unit of force at each spring [m/N].
    """
    free = tuple(
        replace(
            law,
            load_n=law.load_n + sign * float(np.sign(pushes[other])) * law.friction_n,
            friction_n=0.0,
            low_m=-UNLIMITED_M if other == place else law.low_m,
            high_m=UNLIMITED_M if other == place else law.high_m,
        )
        for other, law in enumerate(laws)
    )
    try:
        return float(line.start(free, load_n).pin_m[place])
    except NoVerticalStiffness:
        # Nothing but this end stops it.
        return sign * UNLIMITED_M
