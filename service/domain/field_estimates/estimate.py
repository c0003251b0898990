"""The field estimate: a request in, a document out.

Up is positive; turns are net turns, positive when they raise the load on the pipe. Documents are those of
schemas/field-estimate-request.schema.json and schemas/field-estimate.schema.json.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from service.domain.balance.analysis import Analysis
from service.domain.field_estimates import words
from service.domain.field_estimates.looks import Gathered, Statement, gather
from service.domain.field_estimates.predictions import Outlook, predictions
from service.domain.field_estimates.reading import Case, read_case, state_of_line
from service.domain.field_estimates.spans import Figures
from service.engineering.estimates.fitting import Fit, fit
from service.engineering.estimates.possible import Possible, Range
from service.engineering.estimates.problem import Moment
from service.engineering.states.tracing import NoVerticalStiffness, PathLost
from service.errors import OutOfRange
from service.units import Dimension, System

_NARROWER: Final = 0.98
_REGULAR: Final = 1e-9
MOST_HANGERS: Final = 24  # beyond it an answer takes minutes


def field_estimate(
    analysis: Analysis, request: Mapping[str, Any], *, system: System = "si"
) -> dict[str, Any]:
    """What was seen on site, brought together.

    Args:
        analysis: of the line as it stands
        request: a valid field-estimate request
        system: units of the answer

    Returns:
        the document

    Raises:
        InvalidDocument: names that the line does not have, or what cannot be
        FrameUnstable: the line itself is a mechanism
        OutOfRange: the line has more than 24 hangers

    Source: statics of the line in the contacts of each moment; bounded least squares; mixed-integer linear
    programming for the intervals.
    """
    if len(analysis.built.hangers) > MOST_HANGERS:
        raise OutOfRange(
            f"An estimate is made for a line of up to {MOST_HANGERS} hangers.",
            hangers=len(analysis.built.hangers),
            most=MOST_HANGERS,
        )
    case = read_case(analysis, request)
    gathered = gather(case, list(request["observations"]))
    problem = case.problem(case.moments, gathered.looks)
    possible = Possible(problem)
    against = possible.contradicting()
    found = None if against or not gathered.looks else _fit(case, gathered)
    used = bool(gathered.looks) and not against
    before = _beforehand(case)
    after = possible.misfit_n() if used else None
    now = _now(case, request)
    figures = Figures(system)
    outlook = Outlook(
        case, None if isinstance(now, list) else now, before, possible if used else None, after, found
    )
    status = "contradicted" if against else "estimated" if used else "nothing_observed"
    if used and found is None:
        case.cautions.setdefault("not-settled")
    elif found is not None:
        case.cautions.setdefault("uncertainty-is-no-bound")
        if not found.settled:
            case.cautions.setdefault("not-settled")
    expected = predictions(outlook, figures)
    return {
        "status": status,
        "reason": words.REASONS["not_followed" if used and found is None else status],
        "observations": [_statement(each, against, found, figures) for each in gathered.statements],
        "contradictions": _contradictions(gathered, against),
        "misfit": _misfit(case, before, after, found, figures),
        "split": _split(case, possible if used else None, found, gathered, figures),
        "predictions": expected,
        "taken": [_taken(each, figures) for each in case.taken],
        "intervals": "exact" if possible.is_exact else "wide",
        "indicative": bool(against) or not case.all_surveyed,
        "cautions": _cautions(case, possible),
        "limits": [*analysis.built.limits, *words.LIMITS],
        "missing": _missing(gathered, now),
    }


def _fit(case: Case, gathered: Gathered) -> Fit | None:
    """The best estimate; None where its states cannot be followed."""
    try:
        return fit(case.problem(gathered.fit_moments), gathered.equations)
    except (NoVerticalStiffness, PathLost):
        return None


def _beforehand(case: Case) -> list[Range]:
    """Intervals of the misfit from what was taken beforehand alone [N]."""
    unknowns = case.unknowns
    middle = case.problem().misfit_n(unknowns.height_m, unknowns.weight_share)
    half = (
        np.abs(case.stiffness_n_per_m) @ unknowns.height_half_m
        + np.abs(unknowns.weight_n) @ unknowns.weight_half
    )
    return [(float(low), float(high)) for low, high in zip(middle - half, middle + half, strict=True)]


def _now(case: Case, request: Mapping[str, Any]) -> Moment | list[str]:
    """The line as it stands: by the request, else on record."""
    if "present" in request:
        out, turns, occasion = state_of_line(request["present"], case, "/present")
        if "occasion" in request["present"]:
            known = case.moment(out, turns, occasion)
            if isinstance(known, int) and known < len(case.moments):
                return case.moments[known]
        return case.at(out, turns)
    turns = {each.mark: each.net_turns for each in case.hangers}
    return case.at(case.analysis.released_now, turns)


def _statement(
    statement: Statement, against: Sequence[int], found: Fit | None, figures: Figures
) -> dict[str, Any]:
    status = "cannot_say" if statement.missing else "set_aside" if against else "used"
    if statement.number in against:
        status = "contradicted"
    misfit = None
    if statement.rod_load_n is not None and statement.expected_n is not None:
        low, high = statement.rod_load_n
        expected = statement.expected_n
        misfit = (None if low is None else low - expected, None if high is None else high - expected)
    residual = None
    if found is not None and statement.equation is not None:
        residual = figures.force(found.residual_n[statement.equation])
    return {
        "id": statement.identifier,
        "kind": statement.entry["kind"],
        "mark": statement.entry.get("mark"),
        "status": status,
        "text": statement.text,
        "stiffness_seen": figures.maybe(statement.stiffness_n_per_m, Dimension.STIFFNESS),
        "friction": figures.span(statement.friction_n, Dimension.FORCE),
        "rod_load": figures.span(statement.rod_load_n, Dimension.FORCE),
        "rod_load_expected": figures.maybe(statement.expected_n, Dimension.FORCE),
        "combined_misfit": figures.span(misfit, Dimension.FORCE),
        "residual": residual,
        "events": list(statement.entry.get("events", ())),
        "missing": list(dict.fromkeys(statement.missing)),
    }


def _contradictions(gathered: Gathered, against: Sequence[int]) -> list[dict[str, Any]]:
    if not against:
        return []
    names = [gathered.statements[number].identifier for number in against]
    if len(names) == 1:
        text = (
            f"Observation {names[0]} needs more misfit than the heights and weights taken beforehand allow; "
            "look again, or say that they may be further off."
        )
    else:
        text = f"Observations {', '.join(names)} cannot all hold; any of them may be the wrong one."
    return [{"observations": names, "text": text}]


def _misfit(
    case: Case, before: Sequence[Range], after: Sequence[Range] | None, found: Fit | None, figures: Figures
) -> list[dict[str, Any]]:
    stiffness = case.stiffness_n_per_m
    scale = float(np.abs(stiffness).max(initial=0.0))
    values = np.linalg.eigvalsh(stiffness) if len(stiffness) else np.zeros(0)
    regular = bool(len(values)) and float(values.min()) > _REGULAR * scale
    estimate = deviation = height = None
    if found is not None:
        estimate = case.problem().misfit_n(found.height_m, found.share)
        by_unknown = np.hstack([stiffness, -case.unknowns.weight_n])
        deviation = np.sqrt(np.maximum(np.diag(by_unknown @ found.covariance @ by_unknown.T), 0.0))
        height = np.linalg.solve(stiffness, estimate) if regular else None
    return [
        {
            "mark": hanger.mark,
            "before": figures.span(before[place], Dimension.FORCE),
            "after": None if after is None else figures.span(after[place], Dimension.FORCE),
            "estimate": None if estimate is None else figures.force(float(estimate[place])),
            "standard_uncertainty": None if deviation is None else figures.force(float(deviation[place])),
            "equivalent_height": None if height is None else figures.length(float(height[place])),
        }
        for place, hanger in enumerate(case.hangers)
    ]


def _split(
    case: Case, possible: Possible | None, found: Fit | None, gathered: Gathered, figures: Figures
) -> dict[str, Any]:
    """Heights and weights apart, where something other than turns and loads was measured."""
    if possible is None or not (case.surveyed or case.weighed):
        cell = any(each.entry["kind"] == "weighed_load" for each in gathered.statements)
        reason = words.SPLIT_LOAD_CELL if cell else words.SPLIT_MISSING
        if possible is None and (case.surveyed or case.weighed):
            reason = words.REASONS["contradicted" if gathered.looks else "nothing_observed"]
        return {"status": "cannot_say", "reason": reason, "heights": [], "weights": []}
    heights, shares = possible.heights_m() or [], possible.shares() or []
    unknowns, m = case.unknowns, len(case.hangers)
    deviation = None if found is None else np.sqrt(np.maximum(np.diag(found.covariance), 0.0))
    return {
        "status": "split",
        "reason": words.SPLIT_DONE,
        "heights": [
            {
                "mark": hanger.mark,
                "height": figures.span(heights[place], Dimension.LENGTH),
                "estimate": None if found is None else figures.length(float(found.height_m[place])),
                "standard_uncertainty": None
                if deviation is None
                else figures.length(float(deviation[place])),
                "narrowed": _narrowed(heights[place], float(unknowns.height_half_m[place])),
            }
            for place, hanger in enumerate(case.hangers)
        ],
        "weights": [
            {
                "part": name,
                "share": figures.span(shares[group], Dimension.RATIO),
                "weight_change": figures.span(
                    _times(shares[group], float(case.weight_n[group])), Dimension.FORCE
                ),
                "estimate": None if found is None else figures.ratio(float(found.share[group])),
                "standard_uncertainty": None
                if deviation is None
                else figures.ratio(float(deviation[m + group])),
                "narrowed": _narrowed(shares[group], float(unknowns.weight_half[group])),
            }
            for group, name in enumerate(case.groups)
        ],
    }


def _narrowed(found: Range, half: float) -> bool:
    """Whether an interval says more than what was taken beforehand."""
    return math.isfinite(found[1] - found[0]) and found[1] - found[0] < _NARROWER * 2.0 * half


def _times(found: Range, factor: float) -> Range:
    return found[0] * factor, found[1] * factor


def _taken(taken: Any, figures: Figures) -> dict[str, Any]:
    return {
        "name": taken.name,
        "mark": taken.about,
        "value": figures.as_given(taken.value),
        "from": taken.origin,
        "basis": words.ASSUMED[taken.name] if taken.origin == "assumed" else None,
    }


def _cautions(case: Case, possible: Possible) -> list[dict[str, str]]:
    codes = dict.fromkeys(
        ["observed-freedom", "combined-misfit", "faces-and-turns-first", "one-hanger-figure"]
    )
    if not case.all_surveyed:
        codes.setdefault("heights-not-surveyed")
    if not possible.is_exact:
        codes.setdefault("contacts-relaxed")
    codes.update(case.cautions)
    return [{"code": code, "text": words.CAUTIONS[code]} for code in codes]


def _missing(gathered: Gathered, now: Moment | list[str]) -> list[str]:
    found = [pointer for each in gathered.statements for pointer in each.missing]
    return list(dict.fromkeys([*found, *(now if isinstance(now, list) else [])]))
