"""Easing a locked support: from the loads, from the bearing face alone, or one flat and look."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

from service.domain.criteria import Criteria
from service.domain.nut_plans import loads
from service.domain.nut_plans.adjuster import Adjuster, describe, permits, read_adjuster
from service.domain.nut_plans.answer import Draft, plain
from service.domain.nut_plans.sources import Sources
from service.domain.nut_plans.steps import step_document, step_for, write_holds
from service.engineering.comparison import at_least, at_most
from service.engineering.nut_plans import (
    EasingCase,
    EasingTurns,
    Interval,
    Step,
    break_away,
    easing_turns,
    explained_turns,
    imbalance_n,
    narrow_by_face,
    net_turns,
    rod_load_after_n,
    rod_load_before_n,
    sign_from_face,
    sign_from_imbalance,
    slot_factor,
)
from service.engineering.nut_plans.faces import BearingFace
from service.units import Dimension


@dataclass(frozen=True)
class Known:
    """What is known of the locked assembly; None for what is not. Loads at the spring [N, N/m, m].

    imbalance_n: S - F_rod, narrowed by the bearing face. rod_load_n: likewise narrowed.
    face_sign: +1 too little on the rod, -1 too much, 0 pin clear, None not known. measured: whether the
    rod load was measured rather than estimated. rate_missing: whether a variable spring's rate is not known.
    contradiction: whether face and loads contradict each other.
    """

    spring_load_n: Interval | None
    rod_load_n: Interval | None
    imbalance_n: Interval | None
    friction_n: float | None
    stiffness_n_per_m: Interval | None
    spring_rate_n_per_m: float | None
    stop: loads.StopGeometry
    face_sign: int | None
    rate_missing: bool
    measured: bool
    contradiction: bool


def plan_easing(sources: Sources, draft: Draft, criteria: Criteria, assembly: int) -> None:
    """Plan the easing of a locked assembly into the draft."""
    stops_in = sources.given("/stops_in", wanted=True)
    if stops_in is None:
        draft.settle("cannot_say", "Whether the stops are in is not stated.")
        return
    if not stops_in:
        draft.refuse("stops-are-out")
        return
    draft.caution("only-freedom-counts", "face-goes-stale", "stiffness-of-now")
    for code in ("pin-moves", "bears-harder", "not-as-predicted", "resistance"):
        draft.stop_at(code)
    adjuster = read_adjuster(sources)
    if net_turns(sources.given("/load_adjuster_ledger") or []) != 0.0:
        draft.caution("load-adjuster-return")
    known = _read(sources, draft, assembly)
    _find(sources, draft, adjuster, known)
    if adjuster.lead_conflict:
        draft.settle("cannot_say", "The stated lead contradicts the threads of the adjuster.")
    elif adjuster.lead_m == 0.0:
        draft.refuse("adjuster-has-no-lead")
    elif _slack(sources, draft, adjuster, known, assembly):
        pass
    elif known.face_sign == 0:
        _pin_clear(draft, adjuster, sources, known)
    elif known.contradiction and known.measured:
        draft.settle("cannot_say", "The bearing face contradicts the measured load: look and weigh again.")
    else:
        _by_sign(sources, draft, criteria, adjuster, known, assembly)


def _read(sources: Sources, draft: Draft, assembly: int) -> Known:
    spring = loads.read_spring_load(sources)
    rod = loads.read_rod_load(sources, assembly)
    friction = loads.read_friction(sources, spring)
    stop = loads.read_stop(sources)
    face: BearingFace = sources.given("/bearing_face", wanted=True) or "unknown"
    face_sign = sign_from_face(face, stop.pin_moves_down_when)  # type: ignore[arg-type]
    if face in ("upper", "lower") and face_sign is None:
        draft.caution("face-not-readable")
    if face_sign is not None:
        draft.rests_on("bearing_face")
    measured = sources.given("/rod_load/basis") == "measured"
    if rod is not None and (sources.given("/rod_slack") is False or face_sign in (0, -1)):
        rod = rod.meet(0.0, math.inf)
        if rod is None:
            # A rod seen tight, or pulling on the stop, cannot push: the stated load does not count.
            sources.want("/rod_load/load")
    imbalance = None if spring is None or rod is None else imbalance_n(spring, rod)
    contradiction = False
    if imbalance is not None and face_sign is not None:
        imbalance = narrow_by_face(imbalance, face_sign, 0.0 if friction is None else friction)
        # Without the friction a face of the other sign is no contradiction that can be judged.
        contradiction = imbalance is None and friction is not None
    if imbalance is not None and spring is not None and rod is not None and not rod.is_exact:
        # What the face says of the imbalance it says of the rod's load too.
        narrowed = rod.meet(spring.low - imbalance.high, spring.high - imbalance.low)
        rod = rod if narrowed is None else narrowed
    if not measured and rod is not None:
        draft.indicative = True
        draft.caution("indicative")
    rate = loads.read_spring_rate(sources)
    for name, interval in (("spring_load_n", spring), ("rod_load_n", rod), ("imbalance_n", imbalance)):
        loads.note_load(sources, name, interval)
    return Known(
        spring_load_n=spring,
        rod_load_n=rod,
        imbalance_n=imbalance,
        friction_n=friction,
        stiffness_n_per_m=loads.read_stiffness(sources, draft),
        spring_rate_n_per_m=rate,
        stop=stop,
        face_sign=face_sign,
        rate_missing=rate is None and sources.drawn("/kind") == "variable",
        measured=measured,
        contradiction=contradiction,
    )


def _slack(sources: Sources, draft: Draft, adjuster: Adjuster, known: Known, assembly: int) -> bool:
    """A rod that is, or may be, slack: take up the gap first. True when that is the answer."""
    seen = sources.given("/rod_slack")
    # A slack rod still hangs its own hardware on the spring.
    bare = loads.read_hardware_weight(sources, assembly) or 0.0
    may_be = known.rod_load_n is not None and known.rod_load_n.low <= bare and seen is None
    if known.face_sign in (0, -1):
        if seen:
            draft.settle("cannot_say", "A slack rod contradicts the bearing face: look again.")
        return bool(seen)
    if not seen and not may_be:
        return False
    describe(draft, adjuster, sources, 1)
    draft.caution("slack-gap-unknown")
    draft.stop_at("first-bearing-change")
    if permits(draft, adjuster, sources, adjuster.one_flat):
        draft.settle(
            "take_up_slack",
            "The rod is slack: take up slack, flat by flat, to the first bearing change, then plan again."
            if seen
            else "The rod may be slack: see whether it is; if so take up slack to the first bearing change.",
        )
        draft.step = _flat(draft, adjuster)
    return True


def _flat(draft: Draft, adjuster: Adjuster) -> dict[str, Any]:
    """One flat as a step; in turns only where the number of flats is known."""
    if adjuster.flats is None:
        return {"turns": None, "flats": 1.0, "reason": "one_flat", "mark": None}
    return step_document(draft, adjuster, Step(adjuster.one_flat, "one_flat"))


def _pin_clear(draft: Draft, adjuster: Adjuster, sources: Sources, known: Known) -> None:
    describe(draft, adjuster, sources, 0)
    if known.contradiction:
        draft.caution("face-overrides-estimate")
    if known.contradiction and known.measured:
        draft.settle("cannot_say", "The pin is seen clear, which contradicts the measured load.")
        return
    draft.settle("nothing_to_turn", "The pin is clear of both faces: rod and spring agree within friction.")
    if known.spring_load_n is not None and known.friction_n is not None:
        spring, friction = known.spring_load_n, known.friction_n
        draft.predicted["rod_load"] = draft.between(
            Interval(spring.low - friction, spring.high + friction), Dimension.FORCE
        )


def _by_sign(
    sources: Sources, draft: Draft, criteria: Criteria, adjuster: Adjuster, known: Known, assembly: int
) -> None:
    by_load = None if known.imbalance_n is None else sign_from_imbalance(known.imbalance_n)
    if known.contradiction:
        draft.caution("face-overrides-estimate")
    sign = known.face_sign if known.face_sign is not None else by_load
    if sign is None and known.imbalance_n is None:
        describe(draft, adjuster, sources, 0)
        draft.settle("cannot_say", "Neither the loads nor a readable bearing face are known.")
        return
    describe(draft, adjuster, sources, 0 if sign is None else sign)
    case = None if sign is None or known.contradiction else _case(adjuster, known)
    if case is None or sign is None:
        _one_flat(sources, draft, criteria, adjuster, known, sign, assembly)
        return
    assert known.imbalance_n is not None
    turns = easing_turns(case, sign, known.imbalance_n)
    draft.rests_on("easing")
    if turns.aim == 0.0:
        draft.settle("nothing_to_turn", "Rod and spring agree: no turns are needed. Try the stop by hand.")
    elif permits(draft, adjuster, sources, turns.aim) and _explained(sources, draft, adjuster, known, turns):
        _planned(sources, draft, criteria, adjuster, known, assembly, case, turns)
    if draft.status == "refused":
        _alternative(sources, draft, known, case, turns)


def _case(adjuster: Adjuster, known: Known) -> EasingCase | None:
    """The easing case, where everything that it needs is known."""
    stop = known.stop
    if (
        known.spring_load_n is None
        or known.rod_load_n is None
        or known.imbalance_n is None
        or known.friction_n is None
        or known.stiffness_n_per_m is None
        or adjuster.lead_m is None
        or stop.slot_clearance_m is None
        or stop.linkage_ratio is None
        or known.rate_missing
    ):
        return None
    return EasingCase(
        spring_load_n=known.spring_load_n,
        rod_load_n=known.rod_load_n,
        friction_n=known.friction_n,
        stiffness_n_per_m=known.stiffness_n_per_m,
        lead_m=adjuster.lead_m,
        slot_clearance_m=stop.slot_clearance_m,
        linkage_ratio=stop.linkage_ratio,
        spring_rate_n_per_m=known.spring_rate_n_per_m,
    )


def _one_flat(
    sources: Sources,
    draft: Draft,
    criteria: Criteria,
    adjuster: Adjuster,
    known: Known,
    sign: int | None,
    assembly: int,
) -> None:
    """One flat and look, where the direction or the size is not known; less where a flat is too much."""
    for way in (1, -1) if sign is None else (sign,):
        if not permits(draft, adjuster, sources, way * adjuster.one_flat):
            return
    draft.caution("reverse-if-harder")
    if sign is None:
        draft.caution("direction-not-known")
        draft.settle("one_flat_and_look", "Which way is not known: the loads allow both. One flat, and look.")
    else:
        draft.settle("one_flat_and_look", "The direction is known, the size is not. One flat, and look.")
    draft.step = _flat(draft, adjuster)
    if known.stiffness_n_per_m is not None and adjuster.lead_m is not None:
        largest = step_for(
            sources,
            draft,
            criteria,
            lead_m=adjuster.lead_m,
            load_per_turn_n=known.stiffness_n_per_m.high * adjuster.lead_m,
            operating_load_n=loads.read_operating_load(sources, assembly),
            neighbours=loads.read_neighbours(sources, draft),
        )
        if largest.turns < adjuster.one_flat:
            draft.step = step_document(draft, adjuster, largest)
            draft.caution("part-of-a-flat")


def _explained(sources: Sources, draft: Draft, adjuster: Adjuster, known: Known, turns: EasingTurns) -> bool:
    """Note where to call the engineer; False, and refused, where the aim lies beyond it."""
    designed = sources.given_si("/tolerances/designed_imbalance", Dimension.FORCE, wanted=True)
    height = sources.given_si("/tolerances/height", Dimension.LENGTH, wanted=True)
    reading = sources.given_si("/tolerances/reading", Dimension.LENGTH, wanted=True)
    if designed is None or height is None or reading is None:
        draft.caution("no-call-threshold")
        return True
    assert known.stiffness_n_per_m is not None
    assert known.friction_n is not None
    assert adjuster.lead_m is not None
    assert known.stop.slot_clearance_m is not None
    assert known.stop.linkage_ratio is not None
    half_slot = min(
        known.stop.slot_clearance_m / 2.0 * slot_factor(k, known.spring_rate_n_per_m)
        for k in (known.stiffness_n_per_m.low, known.stiffness_n_per_m.high)
    ) / (known.stop.linkage_ratio * adjuster.lead_m)
    explained = explained_turns(
        designed, known.friction_n, height, reading, known.stiffness_n_per_m, adjuster.lead_m, half_slot
    )
    draft.rests_on("explained_turns")
    if explained is None:
        draft.caution("no-call-threshold")
        return True
    end = explained.high if turns.sign > 0 else explained.low
    if turns.sign * end <= 0.0:
        draft.stop_at("call-the-engineer", 0.0)
        draft.refuse("more-than-explained", 0.0, adjuster.flats)
        return False
    draft.stop_at("call-the-engineer", end)
    if not at_most(turns.sign * turns.aim, turns.sign * end):
        draft.refuse("more-than-explained", end, adjuster.flats)
        return False
    return True


def _planned(
    sources: Sources,
    draft: Draft,
    criteria: Criteria,
    adjuster: Adjuster,
    known: Known,
    assembly: int,
    case: EasingCase,
    turns: EasingTurns,
) -> None:
    if rod_load_after_n(case, turns.sign, turns.aim).low <= 0.0:
        draft.refuse("rod-would-go-slack")
        return
    stiffest = case.stiffness_n_per_m.high
    step = step_for(
        sources,
        draft,
        criteria,
        lead_m=case.lead_m,
        load_per_turn_n=stiffest * case.lead_m,
        operating_load_n=loads.read_operating_load(sources, assembly),
        neighbours=loads.read_neighbours(sources, draft),
    )
    slot_turns = (
        case.slot_clearance_m
        * slot_factor(stiffest, case.spring_rate_n_per_m)
        / (case.linkage_ratio * case.lead_m)
    )
    written = write_holds(
        draft,
        adjuster,
        turns.aim,
        step,
        free_from=turns.earliest,
        look=slot_turns / 2.0 if slot_turns > 0.0 else None,
        rod_load=lambda made: rod_load_after_n(case, turns.sign, made),
    )
    if not written:
        return
    draft.settle("planned", "Turns from the loads. Look at every hold; the pin observed decides.")
    draft.turns = {"earliest": plain(turns.earliest), "aim": plain(turns.aim), "latest": plain(turns.latest)}
    if adjuster.flats is not None:
        draft.flats = {name: plain(value * adjuster.flats) for name, value in draft.turns.items()}
    draft.predicted |= {
        "pin_moves_off": _pair(turns.moves_off),
        "pin_centred": _pair(turns.centred),
        "other_face": _pair(turns.other_face),
        "free_for_all": None if turns.free_for_all is None else _pair(turns.free_for_all),
        "load_per_turn": draft.between(
            Interval(case.stiffness_n_per_m.low * case.lead_m, stiffest * case.lead_m), Dimension.FORCE
        ),
    }
    if turns.earliest == 0.0:
        draft.caution("may-be-free-already")
    if turns.free_for_all is None:
        draft.caution("no-turns-free-for-all")
    reach = adjuster.reach(turns.sign)
    if abs(turns.latest) > reach.turns:
        draft.caution("reach-inside-interval")


def _pair(interval: Interval) -> dict[str, float]:
    return {"low": plain(interval.low), "high": plain(interval.high)}


def _alternative(sources: Sources, draft: Draft, known: Known, case: EasingCase, turns: EasingTurns) -> None:
    """Where the nut does not suffice: what the load adjuster of a constant support would have to do."""
    if draft.refusal is None or not draft.refusal["code"].startswith("beyond"):
        return
    calibrated = sources.drawn_si("/design/calibrated_load", Dimension.FORCE)
    if sources.drawn("/kind") != "constant" or calibrated is None:
        return
    nearest = draft.refusal["nearest"]["turns"]
    left = rod_load_after_n(replace(case, friction_n=0.0), turns.sign, nearest)
    change = left.middle - case.spring_load_n.middle
    setting = (case.spring_load_n.middle + change) / calibrated - 1.0
    lower = sources.drawn_si("/design/load_adjustability/lower", Dimension.RATIO, wanted=True)
    above = sources.drawn_si("/design/load_adjustability/raise", Dimension.RATIO, wanted=True)
    within = None
    if lower is not None and above is not None:
        within = at_least(setting, -lower) and at_most(setting, above)
    draft.alternative = {
        "device": "load_adjuster",
        "load_change": draft.quantity(change, Dimension.FORCE),
        "setting": draft.quantity(setting, Dimension.RATIO),
        "within_adjustability": within,
    }
    draft.caution("load-adjuster-return")


def _find(sources: Sources, draft: Draft, adjuster: Adjuster, known: Known) -> None:
    """What the turns observed have measured: rod load before easing, and friction."""
    observed: dict[str, Any] | None = sources.given("/observed")
    if not observed:
        return
    spring, stiffness, lead = known.spring_load_n, known.stiffness_n_per_m, adjuster.lead_m
    if spring is None or stiffness is None or not lead:
        return
    found: dict[str, Any] = {"rod_load_before": None, "friction": None}
    up, down = observed.get("break_away_raising"), observed.get("break_away_lowering")
    if up is not None and down is not None:
        both = break_away(up, down, spring, stiffness, lead)
        found["friction"] = draft.between(both.friction_n, Dimension.FORCE)
        found["rod_load_before"] = draft.between(both.rod_load_n, Dimension.FORCE)
        draft.rests_on("break_away")
    elif observed.get("free_at_turns") is not None and known.friction_n is not None:
        before = rod_load_before_n(observed["free_at_turns"], spring, stiffness, lead, known.friction_n)
        found["rod_load_before"] = draft.between(before, Dimension.FORCE)
        draft.rests_on("rod_load_before")
    draft.found = found
    draft.caution("cause-not-known")
