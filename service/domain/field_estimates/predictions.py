"""What is expected of the hangers whose stops are still in, before and after the estimate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from service.domain.field_estimates.reading import Case
from service.domain.field_estimates.spans import Figures, turns_span
from service.engineering.estimates.fitting import Fit, sensitivity, state_of, stiffness_seen
from service.engineering.estimates.possible import Possible, Range, turned_m
from service.engineering.estimates.problem import Moment
from service.engineering.states.laws import LOWER_WALL, SLACK, UPPER_WALL
from service.engineering.states.tracing import NoVerticalStiffness, PathLost
from service.units import Dimension, rounded

MOST_TURNED: Final = 6  # hangers of a line; beyond it intervals of turns would take minutes


@dataclass(frozen=True)
class Outlook:
    """What predictions rest on.

    case: the request. now: the line as it stands, None where the records do not tell enough. before, after:
    intervals of the misfit [N]; after is None where nothing is added. possible: everything seen. fit: the
    estimate.
    """

    case: Case
    now: Moment | None
    before: Sequence[Range]
    possible: Possible | None
    after: Sequence[Range] | None
    fit: Fit | None


def predictions(outlook: Outlook, figures: Figures) -> list[dict[str, Any]]:
    """Rod load now and turns to free of every hanger whose stops are in, with intervals."""
    now = outlook.now
    if now is None:
        return []
    case = outlook.case
    blank = Possible(case.problem((now,)))
    found = []
    for place, hanger in enumerate(case.hangers):
        law = now.hangers[place]
        is_in = hanger.locked(friction=1.0, offset_m=law.offset_m) == law
        if hanger.kind == "rigid" or not is_in:
            continue
        before = blank.rod_n(now, place, outlook.before)
        after = None
        if outlook.possible is not None and outlook.after is not None:
            after = outlook.possible.rod_n(now, place, outlook.after)
        found.append(
            {
                "mark": hanger.mark,
                "net_turns": rounded(law.offset_m / hanger.lead_m) + 0.0 if hanger.lead_m else 0.0,
                "before": _expected(outlook, place, before, outlook.before, figures),
                "after": _expected(outlook, place, after, outlook.after, figures),
                "estimate": _estimate(outlook, place, figures),
            }
        )
    return found


def _expected(
    outlook: Outlook, place: int, rod_n: Range | None, misfit_n: Sequence[Range] | None, figures: Figures
) -> dict[str, Any] | None:
    if rod_n is None or misfit_n is None or outlook.now is None:
        return None
    lead_m = outlook.case.hangers[place].lead_m
    take_up = None
    if len(outlook.case.hangers) <= MOST_TURNED and lead_m is not None:
        take_up = turned_m(outlook.case.problem(), outlook.now, place, rod_n, misfit_n)
    elif lead_m is not None:
        outlook.case.cautions.setdefault("turns-not-reckoned")
    return {
        "rod_load": figures.span(rod_n, Dimension.FORCE),
        "turns_to_free": turns_span(_with_error(take_up, outlook.case.stiffness_error), lead_m),
        "direction": _direction(take_up),
    }


def _with_error(take_up_m: Range | None, share: float) -> Range | None:
    """A take-up with the error of the stiffness: it goes further where the line is softer."""
    if take_up_m is None:
        return None
    low, high = take_up_m
    softer, stiffer = 1.0 / (1.0 - share), 1.0 / (1.0 + share)
    return low * (softer if low < 0.0 else stiffer), high * (softer if high > 0.0 else stiffer)


def _direction(take_up_m: Range | None) -> str:
    if take_up_m is None:
        return "not_known"
    low, high = take_up_m
    if low > 1e-9:
        return "raise"
    if high < -1e-9:
        return "lower"
    return "none" if high - low < 1e-9 else "not_known"


def _estimate(outlook: Outlook, place: int, figures: Figures) -> dict[str, Any] | None:
    """Rod load and turns by the fit, with the standard uncertainty of the load; None without a fit."""
    case, fit, now = outlook.case, outlook.fit, outlook.now
    if fit is None or now is None:
        return None
    problem, hanger = case.problem(), case.hangers[place]
    try:
        state = state_of(problem, now, fit.height_m, fit.share)
    except (NoVerticalStiffness, PathLost):
        return None
    seen = sensitivity(problem.stiffness_n_per_m, state.hangers, state.parts)
    row = np.concatenate([seen.by_offset[place], seen.by_load[place] @ problem.unknowns.weight_n])
    deviation = float(np.sqrt(max(0.0, row @ fit.covariance @ row)))
    turns = None
    if hanger.lead_m is not None:
        on_wall = state.parts[place] in (LOWER_WALL, UPPER_WALL, SLACK)
        lacking = state.hangers[place].spring_n(float(state.pin_m[place])) - float(state.force_n[place])
        turns = 0.0
        if on_wall:
            turns = lacking / (stiffness_seen(problem, state, place) * hanger.lead_m)
    return {
        "rod_load": figures.force(float(state.force_n[place])),
        "standard_uncertainty": figures.force(deviation),
        "turns_to_free": None if turns is None else rounded(turns) + 0.0,
    }
