"""Hold points of a plan: the pure steps, put into the document with loads and engagement."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from service.domain.criteria import Criteria
from service.domain.nut_plans.adjuster import Adjuster, engagement_after
from service.domain.nut_plans.answer import Draft, plain
from service.domain.nut_plans.sources import Sources
from service.engineering.nut_plans import (
    HoldLimits,
    Influence,
    Interval,
    Step,
    hold_points,
    largest_step,
)
from service.units import Dimension

QUARTER = 0.25


def limits_from(criteria: Criteria, draft: Draft, *, quarter: bool) -> HoldLimits:
    """What ends a step, by the plant's criteria; work on a released support also goes by quarters."""
    for name in ("hold_point_load", "hold_point_movement"):
        draft.rests_on(name, criteria[name].source, criteria[name].source_status)
    if quarter:
        draft.rests_on("quarter_steps")
    return HoldLimits(
        load_fraction=criteria.si("hold_point_load"),
        movement_m=criteria.si("hold_point_movement"),
        part_of_total=QUARTER if quarter else None,
    )


def step_for(
    sources: Sources,
    draft: Draft,
    criteria: Criteria,
    *,
    lead_m: float,
    load_per_turn_n: float | None,
    operating_load_n: float | None,
    neighbours: Sequence[Influence],
    total_turns: float | None = None,
) -> Step:
    """The largest step between holds; a pair of assemblies also goes by its difference of turns.

    Args:
        sources: the record, for the number of assemblies
        draft: receives cautions and basis
        criteria: the plant's limits
        lead_m: change of length for one turn [m]
        load_per_turn_n: largest change of load here for one turn; None when not known [N]
        operating_load_n: operating load of the assembly; None when not known [N]
        neighbours: what a turn does to them
        total_turns: all turns of work on a released support; None for easing
    """
    here = None
    if load_per_turn_n is None or operating_load_n is None:
        draft.caution("own-load-change-unknown")
    else:
        here = Influence("", operating_load_n, load_per_turn_n)
    limits = limits_from(criteria, draft, quarter=total_turns is not None)
    step = largest_step(limits, lead_m, here, neighbours, total_turns)
    if len(sources.drawn("/assemblies") or []) > 1:
        draft.caution("pair")
        if criteria.si("pair_turns_max") < step.turns:
            step = Step(criteria.si("pair_turns_max"), "pair")
    return step


def write_holds(
    draft: Draft,
    adjuster: Adjuster,
    aim: float,
    step: Step,
    *,
    free_from: float | None = None,
    look: float | None = None,
    rod_load: Callable[[float], Interval] | None = None,
) -> bool:
    """Put the step and the hold points into the draft; False, and refused, where there are too many.

    Args:
        draft: receives them
        adjuster: for flats, engagement and net turns
        aim: all turns, signed
        step: largest step
        free_from: turns from which the pin may be free, signed; None where none is watched
        look: largest step from there on
        rod_load: predicted rod load after turns; None when not known [N]
    """
    holds = hold_points(aim, step, adjuster.flats, free_from, look)
    if holds is None:
        draft.refuse("too-many-holds", None)
        return False
    draft.step = step_document(draft, adjuster, step)
    written: list[dict[str, Any]] = []
    before = 0.0
    for hold in holds:
        flats = None if adjuster.flats is None else plain(hold.turns * adjuster.flats)
        if adjuster.flats is not None and 0.0 < abs(hold.turns - before) * adjuster.flats < 1.0 - 1e-9:
            draft.caution("part-of-a-flat")
        before = hold.turns
        load = None if rod_load is None else draft.between(rod_load(hold.turns), Dimension.FORCE)
        written.append(
            {
                "number": hold.number,
                "turns": plain(hold.turns),
                "flats": flats,
                "reason": hold.reason,
                "mark": hold.mark,
                "rod_load": load,
                "engagement": engagement_after(draft, adjuster, hold.turns),
                "net_turns": None if adjuster.net is None else plain(adjuster.net + hold.turns),
            }
        )
    draft.holds = written
    if adjuster.net is not None and draft.net_turns is not None:
        draft.net_turns["after"] = plain(adjuster.net + aim)
    return True


def step_document(draft: Draft, adjuster: Adjuster, step: Step) -> dict[str, Any]:
    """The largest step, for the document."""
    return {
        "turns": plain(step.turns),
        "flats": None if adjuster.flats is None else plain(step.turns * adjuster.flats),
        "reason": step.reason,
        "mark": step.mark,
    }
