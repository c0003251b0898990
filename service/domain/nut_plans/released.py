"""Work on a released support: load correction, load adjuster, positioning; and the way back."""

from __future__ import annotations

from service.domain.criteria import Criteria
from service.domain.nut_plans import loads
from service.domain.nut_plans.adjuster import Adjuster, describe, permits, read_adjuster
from service.domain.nut_plans.answer import Draft, plain
from service.domain.nut_plans.sources import Sources
from service.domain.nut_plans.steps import limits_from, step_for, write_holds
from service.engineering.comparison import at_least, at_most
from service.engineering.nut_plans import (
    Influence,
    Interval,
    constant_positioning_turns,
    friction_relief_turns,
    hold_points,
    largest_step,
    load_adjustment,
    load_change_per_turn_n,
    net_turns,
    reading_change_per_turn_m,
    turns_for_load_change,
    variable_correction,
    way_back_turns,
)
from service.units import Dimension


def _usable(draft: Draft, adjuster: Adjuster) -> bool:
    """Whether the adjuster has a lead to reckon with; where not, the draft says why."""
    if adjuster.lead_conflict:
        draft.settle("cannot_say", "The stated lead contradicts the threads of the adjuster.")
        return False
    if adjuster.lead_m == 0.0:
        draft.refuse("adjuster-has-no-lead")
        return False
    if adjuster.lead_m is None:
        draft.settle("cannot_say", "The lead of the adjuster is not known.")
        return False
    return True


def _stops_out(sources: Sources, draft: Draft) -> bool:
    """Whether the stops are known to be out; where not, the draft says why."""
    stops_in = sources.given("/stops_in", wanted=True)
    if stops_in is None:
        draft.settle("cannot_say", "Whether the stops are in is not stated.")
    elif stops_in:
        draft.refuse("stops-are-in")
    return stops_in is False


def _turn(
    sources: Sources,
    draft: Draft,
    criteria: Criteria,
    adjuster: Adjuster,
    turns: Interval,
    aim: float,
    load_per_turn_n: float | None,
    assembly: int,
    *,
    restoring: bool = False,
) -> bool:
    """Plan turns of the adjuster on a released support, or refuse them. True when planned."""
    if not permits(draft, adjuster, sources, aim, restoring=restoring):
        return False
    assert adjuster.lead_m is not None
    step = step_for(
        sources,
        draft,
        criteria,
        lead_m=adjuster.lead_m,
        load_per_turn_n=load_per_turn_n,
        operating_load_n=loads.read_operating_load(sources, assembly),
        neighbours=loads.read_neighbours(sources, draft),
        total_turns=aim,
    )
    if not write_holds(draft, adjuster, aim, step):
        return False
    near, far = (turns.low, turns.high) if aim >= 0.0 else (turns.high, turns.low)
    draft.turns = {"earliest": plain(near), "aim": plain(aim), "latest": plain(far)}
    if adjuster.flats is not None:
        draft.flats = {name: plain(value * adjuster.flats) for name, value in draft.turns.items()}
    draft.caution("quarter-steps")
    for code in ("not-as-predicted", "resistance", "end-of-travel"):
        draft.stop_at(code)
    return True


def plan_load_correction(sources: Sources, draft: Draft, criteria: Criteria, assembly: int) -> None:
    """Turns that change the load of a released variable support by a wanted amount."""
    if sources.drawn("/kind") == "constant":
        draft.refuse("nut-does-not-set-load")
        return
    if not _stops_out(sources, draft):
        return
    adjuster = read_adjuster(sources)
    change = sources.given_si("/load_change", Dimension.FORCE, wanted=True)
    rate = loads.read_spring_rate(sources)
    stiffness = loads.read_stiffness(sources, draft)
    if change is not None:
        describe(draft, adjuster, sources, (change > 0.0) - (change < 0.0))
    if not _usable(draft, adjuster):
        return
    if change is None or rate is None or stiffness is None:
        draft.settle("cannot_say", "The load change, the spring rate or the stiffness is not known.")
        return
    if change == 0.0:
        draft.settle("nothing_to_turn", "No change of load is wanted.")
        return
    assert adjuster.lead_m is not None
    draft.rests_on("variable_load")
    if not _in_working_range(sources, draft, adjuster, change, rate, stiffness):
        return
    found = variable_correction(change, rate, stiffness, adjuster.lead_m)
    per_turn = load_change_per_turn_n(rate, stiffness.high, adjuster.lead_m)
    if not _turn(sources, draft, criteria, adjuster, found.turns, found.aim, per_turn, assembly):
        return
    draft.settle("planned", "Turns for the load change, with spring and line in series.")
    draft.predicted |= {
        "load_change": draft.quantity(change, Dimension.FORCE),
        "pipe_movement": draft.between(found.pipe_movement_m, Dimension.LENGTH),
        "indicator_change": _indicator_change(sources, draft, found.plate_movement_m),
    }


def _in_working_range(
    sources: Sources, draft: Draft, adjuster: Adjuster, change_n: float, rate: float, stiffness: Interval
) -> bool:
    now = sources.given_interval("/spring_load", Dimension.FORCE, wanted=True)
    least = sources.drawn_si("/design/working_range/minimum_load", Dimension.FORCE, wanted=True)
    most = sources.drawn_si("/design/working_range/maximum_load", Dimension.FORCE, wanted=True)
    if now is None or least is None or most is None:
        draft.caution("range-not-checked")
        return True
    if at_least(now.low + change_n, least) and at_most(now.high + change_n, most):
        return True
    room = max(0.0, most - now.high) if change_n > 0.0 else min(0.0, least - now.low)
    assert adjuster.lead_m is not None
    nearest = turns_for_load_change(room, rate, stiffness.high, adjuster.lead_m)
    draft.refuse("beyond-working-range", nearest, adjuster.flats)
    return False


def _indicator_change(sources: Sources, draft: Draft, plate_movement_m: float) -> dict[str, object] | None:
    sense = sources.drawn("/indicator/rises_when_pipe", wanted=True)
    if sense is None:
        return None
    signed = plate_movement_m if sense == "rises" else -plate_movement_m
    return draft.quantity(signed, Dimension.LENGTH)


def plan_load_adjuster(sources: Sources, draft: Draft, criteria: Criteria, assembly: int) -> None:
    """Change of a constant support's set load by its load adjuster, or its return to calibrated."""
    draft.device = "load_adjuster"
    draft.rotation = {
        "sense": None,
        "seen_from": None,
        "reason": "The record does not say which hand of the load adjuster raises.",
    }
    if sources.drawn("/kind") == "variable":
        draft.refuse("no-load-adjuster")
        return
    draft.caution("scale-shows-setting")
    calibrated = sources.drawn_si("/design/calibrated_load", Dimension.FORCE, wanted=True)
    above = sources.drawn_si("/design/load_adjustability/raise", Dimension.RATIO, wanted=True)
    below = sources.drawn_si("/design/load_adjustability/lower", Dimension.RATIO, wanted=True)
    per_turn = sources.drawn_si("/design/load_adjustability/load_per_turn", Dimension.FORCE, wanted=True)
    ledger = sources.given("/load_adjuster_ledger")
    setting = sources.given_si("/load_adjuster/setting", Dimension.RATIO)
    if setting is None and ledger is not None and per_turn is not None and calibrated is not None:
        setting = net_turns(ledger) * per_turn / calibrated
        sources.derived("load_adjuster_setting", plain(setting))
    if setting is None:
        sources.want("/load_adjuster/setting")
    wanted = sources.given_si("/load_adjuster/wanted", Dimension.RATIO, wanted=True)
    if calibrated is None or above is None or below is None or setting is None or wanted is None:
        draft.settle("cannot_say", "The calibrated load, the adjustability or a setting is not known.")
        return
    draft.rests_on("load_adjustability")
    found = load_adjustment(calibrated, setting, wanted, below, above, per_turn)
    draft.sign = (found.change > 0.0) - (found.change < 0.0)
    draft.predicted |= {
        "setting": draft.quantity(wanted, Dimension.RATIO),
        "load_change": draft.quantity(found.load_change_n, Dimension.FORCE),
    }
    if setting != 0.0 or wanted != 0.0:
        draft.caution("load-adjuster-return")
    if not found.within:
        nearest = (found.nearest_setting - setting) * calibrated
        draft.refuse("beyond-adjustability", None if per_turn is None else nearest / per_turn)
        draft.predicted["nearest_setting"] = draft.quantity(found.nearest_setting, Dimension.RATIO)
        return
    if found.change == 0.0:
        draft.settle("nothing_to_turn", "The setting is the one wanted.")
        return
    draft.settle("planned", "Change of the set load by the load adjuster, in steps.")
    for code in ("not-as-predicted", "resistance", "elevation"):
        draft.stop_at(code)
    _adjuster_steps(sources, draft, criteria, assembly, found.load_change_n, found.turns)


def _adjuster_steps(
    sources: Sources,
    draft: Draft,
    criteria: Criteria,
    assembly: int,
    load_change_n: float,
    turns: float | None,
) -> None:
    """Steps of the load adjuster, and what moves when the stops are out."""
    stops_in = sources.given("/stops_in", wanted=True)
    stiffness = loads.read_stiffness(sources, draft, wanted=False)
    if stops_in is not True:
        draft.caution("adjuster-moves-pipe")
        if stops_in is None:
            draft.caution("stops-decide-effect")
        elif stiffness is not None:
            ends = (load_change_n / stiffness.low, load_change_n / stiffness.high)
            draft.predicted["pipe_movement"] = draft.between(Interval.hull(ends), Dimension.LENGTH)
    if turns is None:
        return
    operating = loads.read_operating_load(sources, assembly)
    here = None if operating is None else Influence("", operating, abs(load_change_n / turns))
    if here is None:
        draft.caution("own-load-change-unknown")
    limits = limits_from(criteria, draft, quarter=True)
    # The load adjuster has no lead: its steps go by load and by quarters, one turn standing for its own.
    step = largest_step(limits, limits.movement_m / abs(turns), here, (), turns)
    holds = hold_points(turns, step, None)
    if holds is None:
        draft.refuse("too-many-holds")
        return
    draft.turns = {name: plain(turns) for name in ("earliest", "aim", "latest")}
    draft.step = {"turns": plain(step.turns), "flats": None, "reason": step.reason, "mark": None}
    draft.holds = [
        {
            "number": hold.number,
            "turns": plain(hold.turns),
            "flats": None,
            "reason": hold.reason,
            "mark": None,
            "rod_load": None,
            "engagement": [],
            "net_turns": None,
        }
        for hold in holds
    ]


def plan_positioning(sources: Sources, draft: Draft, criteria: Criteria, assembly: int) -> None:
    """Bring a support to position after all stops of the line are out."""
    if not _stops_out(sources, draft):
        return
    adjuster = read_adjuster(sources)
    if not _usable(draft, adjuster):
        return
    if net_turns(sources.given("/load_adjuster_ledger") or []) != 0.0:
        draft.caution("load-adjuster-return")
    if sources.drawn("/kind") == "variable":
        draft.caution("not-the-cold-mark")
        _back(sources, draft, criteria, adjuster, assembly, stops_in=False)
    else:
        _position_constant(sources, draft, criteria, adjuster, assembly)


def _position_constant(
    sources: Sources, draft: Draft, criteria: Criteria, adjuster: Adjuster, assembly: int
) -> None:
    assert adjuster.lead_m is not None
    draft.caution("constant-load-unchanged", "not-the-cold-mark")
    reading = sources.given_si("/reading", Dimension.LENGTH, wanted=True)
    expected = sources.given_si("/expected_reading", Dimension.LENGTH)
    if expected is None:
        expected = sources.drawn_si("/indicator/expected_released_cold", Dimension.LENGTH, wanted=True)
    sense = sources.drawn("/indicator/rises_when_pipe", wanted=True)
    elevation = sources.given_si("/elevation_difference", Dimension.LENGTH, wanted=True)
    tolerance = sources.given_si("/elevation_tolerance", Dimension.LENGTH)
    if tolerance is None:
        tolerance = criteria.si("elevation_accept")
    if reading is None or expected is None or sense is None or elevation is None:
        draft.settle("cannot_say", "A reading, the sense of the indicator or the elevation is not known.")
        return
    turns = 0.0 + constant_positioning_turns(reading, expected, adjuster.lead_m, sense)
    sign = (turns > 0.0) - (turns < 0.0)
    describe(draft, adjuster, sources, sign)
    draft.rests_on("constant_position")
    draft.stop_at("elevation")
    if not at_most(abs(elevation), tolerance):
        draft.refuse("elevation-not-right")
        return
    if not _on_the_scale(sources, draft, adjuster, reading, expected):
        return
    if sign == 0:
        draft.settle("nothing_to_turn", "The indicator stands at the expected reading.")
        return
    stiffness = loads.read_stiffness(sources, draft)
    friction = loads.read_friction(sources, loads.read_spring_load(sources))
    relief = None
    most = turns
    if stiffness is not None and friction is not None:
        relief = friction_relief_turns(sign, friction, stiffness, adjuster.lead_m)
        # Until the friction band is crossed, twice the relief, the pin does not follow the nut.
        most = turns - 2.0 * (relief.low if sign > 0 else relief.high)
    # The load changes within the friction band only, f either way.
    spread = Interval.hull((turns, most))
    if not _turn(sources, draft, criteria, adjuster, spread, turns, 0.0, assembly):
        return
    draft.settle(
        "planned", "Turn until the reading is the expected one; the load stays in its friction band."
    )
    draft.predicted["reading_per_turn"] = draft.quantity(
        reading_change_per_turn_m(adjuster.lead_m, sense), Dimension.LENGTH
    )
    _relief(draft, relief)


def _on_the_scale(
    sources: Sources, draft: Draft, adjuster: Adjuster, reading_m: float, expected_m: float
) -> bool:
    low = sources.drawn_si("/indicator/span/low", Dimension.LENGTH, wanted=True)
    high = sources.drawn_si("/indicator/span/high", Dimension.LENGTH, wanted=True)
    sense = sources.drawn("/indicator/rises_when_pipe")
    if low is None or high is None:
        draft.caution("travel-not-checked")
        return True
    if at_least(expected_m, low, scale=high) and at_most(expected_m, high, scale=low):
        return True
    assert adjuster.lead_m is not None
    end = min(max(expected_m, low), high)
    nearest = constant_positioning_turns(reading_m, end, adjuster.lead_m, sense)
    draft.refuse("beyond-travel", nearest, adjuster.flats)
    return False


def _relief(draft: Draft, relief: Interval | None) -> None:
    """How far to turn back at the end, so that the last movement leaves friction unbiased."""
    if relief is None:
        draft.caution("relief-not-known")
        return
    draft.rests_on("friction_relief")
    draft.caution("friction-biases")
    draft.predicted["relief_turns"] = {"low": plain(relief.low), "high": plain(relief.high)}


def plan_way_back(sources: Sources, draft: Draft, criteria: Criteria, assembly: int) -> None:
    """From the ledger back to where it began."""
    adjuster = read_adjuster(sources)
    if not _usable(draft, adjuster):
        return
    if net_turns(sources.given("/load_adjuster_ledger") or []) != 0.0:
        draft.caution("load-adjuster-return")
    stops_in = sources.given("/stops_in", wanted=True)
    _back(sources, draft, criteria, adjuster, assembly, stops_in=stops_in)


def _back(
    sources: Sources,
    draft: Draft,
    criteria: Criteria,
    adjuster: Adjuster,
    assembly: int,
    *,
    stops_in: bool | None,
) -> None:
    ledger = sources.given("/ledger", wanted=True)
    if ledger is None:
        draft.settle("cannot_say", "There is no ledger of the turns made.")
        return
    turns = way_back_turns(ledger)
    describe(draft, adjuster, sources, (turns > 0.0) - (turns < 0.0))
    draft.rests_on("way_back")
    if turns == 0.0:
        draft.settle("nothing_to_turn", "The net turns are zero already.")
        return
    assert adjuster.lead_m is not None
    per_turn = _load_per_turn(sources, draft, adjuster.lead_m, stops_in)
    exact = Interval.exact(turns)
    if _turn(sources, draft, criteria, adjuster, exact, turns, per_turn, assembly, restoring=True):
        draft.settle("planned", "Back by the net turns of the ledger.")


def _load_per_turn(sources: Sources, draft: Draft, lead_m: float, stops_in: bool | None) -> float | None:
    """Largest load change for one turn [N]: none beyond friction at a released constant support."""
    if stops_in is None:
        draft.caution("stops-decide-effect")
    stiffness = loads.read_stiffness(sources, draft)
    if stops_in is False and sources.drawn("/kind") == "constant":
        draft.caution("constant-load-unchanged")
        return 0.0
    if stiffness is None:
        return None
    rate = loads.read_spring_rate(sources)
    if stops_in is False:
        return None if rate is None else load_change_per_turn_n(rate, stiffness.high, lead_m)
    return stiffness.high * lead_m
