"""The release status of one hanger as a document: schemas/release-status.schema.json.

Turns are positive when they raise the load on the pipe; `raise` and `lower` say it in words.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any, Final

from service.domain.access import PERMITTED, ROLES, Principal
from service.domain.checks import Weighed
from service.domain.criteria import Criteria
from service.domain.release import adjuster, guards, machine
from service.domain.release.persons import conceders, not_the_authoriser, separate
from service.domain.release.situation import Assembly, Situation, moment
from service.domain.release.stop_register import disturbances_on_line, is_fresh
from service.domain.views import HangerView, LineView
from service.engineering.comparison import at_most
from service.errors import Lack
from service.units import Dimension, quantity_from_si, rounded

# What the act's document has to say besides its time, by step.
WANTED_FIELDS: Final[Mapping[str, tuple[str, ...]]] = {
    "withdraw": ("stops_withdrawn",),
    "reposition": ("reason",),
    "relock": ("purpose",),
    "hold": ("reason",),
    "dispose": ("to", "reason"),
}

# Steps that who authorised or conceded may not perform.
KEPT_APART: Final = frozenset(name for name, wanted in guards.GUARDS.items() if not_the_authoriser in wanted)

# Nobody in particular: what a step lacks is then told apart from who asks.
_NOBODY: Final = Principal(id="", kind="person", role="engineer", token_id="")


def status_document(
    view: HangerView,
    line: LineView,
    criteria: Criteria,
    principal: Principal,
    at: datetime,
    blockers: Sequence[Lack | Mapping[str, Any]] | None = None,
    weighing: Weighed | None = None,
) -> dict[str, Any]:
    """Where a hanger stands in its release, what is possible from there, its ledger and its stops.

    Args:
        view: the hanger
        line: its line, as of the same sequence
        criteria: the limits that hold
        principal: who asks; tells which steps the role permits
        at: the instant at which freshness and expiry are judged
        blockers: what keeps the line from being ready for release, as lacks or as readiness lists
            them; None when that was not asked
        weighing: what the line's balance says, or why it says nothing; None where the line has no model

    Returns:
        the document
    """
    situation = Situation(
        view=view,
        line=line,
        criteria=criteria,
        act={"paired_with": [hanger.mark for hanger in line.hangers]},
        actor=_NOBODY,
        performed_by=_NOBODY.id,
        performed_by_kind=_NOBODY.kind,
        occurred_at=at,
        now=at,
        release_blockers=None if blockers is None else [_as_lack(blocker) for blocker in blockers],
        weigh=lambda: weighing,
    )
    status = view.status
    return {
        "plant": line.plant,
        "line": view.line,
        "mark": view.mark,
        "kind": view.kind,
        "revision": view.revision,
        "sequence": line.sequence,
        "state": status["state"],
        "held_from": status["held_from"],
        "cycle": status["cycle"],
        "cycle_started_at": status["cycle_started_at"],
        "authorisation": _authorisation(situation),
        "paired_with": list(status["paired_with"]),
        "possible": possible_steps(situation, principal),
        "assemblies": [_assembly(situation, assembly) for assembly in situation.assemblies()],
        "pair": _pair(situation),
        "disturbance": _disturbance(situation),
    }


def possible_steps(situation: Situation, principal: Principal) -> list[dict[str, Any]]:
    """Every step possible from here: where it leads, what it lacks, and who may take it.

    None for a retired hanger. Lacks are of the facts alone; `wants` names what the act has to say,
    `roles` who may ask for it, `not_by` who may not perform it.
    """
    view, steps = situation.view, []
    for name in () if view.retired else machine.possible(view.state, view.kind):
        permission = machine.TRANSITIONS[name].permission
        acts = [situation]
        if name == "dispose":
            acts = [replace(situation, act={**situation.act, "to": to}) for to in ("resume", "locked")]
        steps += [
            {
                "transition": name,
                "to": machine.target(view.state, name, view.status, act.act),
                "wants": list(WANTED_FIELDS.get(name, ())),
                "roles": [role for role in ROLES if permission and role in PERMITTED[permission]],
                "permitted": permission is not None and principal.may(permission),
                "not_by": _kept_apart(situation) if name in KEPT_APART else [],
                "lacks": [lack.as_document() for lack in guards.standing_lacks(name, act)],
            }
            for act in acts
        ]
    return steps


def _as_lack(blocker: Lack | Mapping[str, Any]) -> Lack:
    if isinstance(blocker, Lack):
        return blocker
    return Lack(blocker["code"], blocker["detail"], blocker["subject"], shown_by=blocker.get("shown_by"))


def _kept_apart(situation: Situation) -> list[str]:
    if not separate(situation):
        return []
    authoriser = situation.view.status["authorised_by"]
    return sorted({*conceders(situation).values(), *([] if authoriser is None else [authoriser])})


def _authorisation(situation: Situation) -> dict[str, Any] | None:
    status = situation.view.status
    if status["authorisation"] is None:
        return None
    return {
        "sequence": status["authorisation"],
        "authorised_by": status["authorised_by"],
        "in_force": not list(guards.cleared_and_authorised(situation)),
    }


def _pair(situation: Situation) -> dict[str, Any] | None:
    """Difference of net turns between the assemblies of a trapeze; None for a single assembly."""
    net = [adjuster.ledger_of(assembly)["net_turns"] for assembly in situation.assemblies()]
    if len(net) < 2:
        return None
    apart, limit = max(net) - min(net), situation.criteria.si("pair_turns_max")
    return {"net_turns_difference": apart, "limit": limit, "within": at_most(apart, limit, scale=1.0)}


def _disturbance(situation: Situation) -> dict[str, Any] | None:
    """The newest thing that can have moved load between the stops of the line."""
    found = max(disturbances_on_line(situation), key=lambda entry: moment(entry[1]), default=None)
    if found is None:
        return None
    subject, fact = found
    return {
        "what": fact.value["what"],
        "subject": subject,
        "occurred_at": fact.value["latest_occurred_at"],
        "sequence": fact.sequence,
        "shown_by": fact.shown_by,
    }


def _assembly(situation: Situation, assembly: Assembly) -> dict[str, Any]:
    ends = adjuster.thread_ends(assembly, situation.criteria)
    net_turns = adjuster.ledger_of(assembly)["net_turns"]
    noted = assembly.stops()
    numbers = sorted({*range(1, (assembly.drawn or 0) + 1), *noted})
    return {
        "assembly": assembly.number,
        "stops_drawn": assembly.drawn,
        "stops_counted": assembly.value("stops_counted"),
        "stops": [_stop(situation, assembly, number) for number in numbers],
        "ledger": _ledger(assembly, ends),
        "engagement": [_engagement(end, net_turns) for end in ends],
    }


def _stop(situation: Situation, assembly: Assembly, number: int) -> dict[str, Any]:
    fact = assembly.fact(f"stop/{number}")
    if fact is None:
        unknown = dict.fromkeys(
            ("position", "bearing_face", "free_by_hand", "observed_at", "fresh", "stowed_at", "shown_by")
        )
        return {"stop": number, **unknown}
    return {
        "stop": number,
        **{key: fact.value[key] for key in ("position", "bearing_face", "free_by_hand", "observed_at")},
        "fresh": is_fresh(situation, fact),
        "stowed_at": fact.value["stowed_at"],
        "shown_by": fact.shown_by,
    }


def _ledger(assembly: Assembly, ends: Sequence[adjuster.ThreadEnd]) -> dict[str, Any]:
    ledger, fact = adjuster.ledger_of(assembly), assembly.fact("ledger")
    return {
        "net_turns": ledger["net_turns"],
        "cycle_net_turns": ledger["cycle_net_turns"],
        "turned_raise": ledger["turned_up"],
        "turned_lower": ledger["turned_down"],
        "entries": ledger["entries"],
        "load_adjuster_turns": ledger["load_adjuster_turns"],
        "cycle_load_adjuster_turns": ledger["cycle_load_adjuster_turns"],
        "remaining_raise": _remaining(assembly, ends, ledger["net_turns"], +1),
        "remaining_lower": _remaining(assembly, ends, ledger["net_turns"], -1),
        "way_back": _way_back(ledger["net_turns"]),
        "way_back_in_cycle": _way_back(ledger["cycle_net_turns"]),
        "load_adjuster_way_back": _way_back(ledger["cycle_load_adjuster_turns"]),
        "shown_by": None if fact is None else fact.shown_by,
    }


def _way_back(net_turns: float) -> dict[str, Any]:
    """Turns that undo a count of net turns, as a size and a word."""
    direction = None
    if abs(net_turns) > adjuster.NO_TURN:
        direction = "lower" if net_turns > 0 else "raise"
    return {"turns": abs(net_turns), "direction": direction}


def _remaining(
    assembly: Assembly, ends: Sequence[adjuster.ThreadEnd], net_turns: float, sign: int
) -> dict[str, Any]:
    """Turns left in a direction and what ends them; turns null where that cannot be said."""
    direction = "raise" if sign > 0 else "lower"
    limit = assembly.view.record.get("adjuster", {}).get(f"turn_limit_{direction}")
    left: list[tuple[float, str]] = []
    known = limit is not None and bool(ends)
    if limit is not None:
        left.append((max(0.0, limit - sign * net_turns), "turn_limit"))
    for end in ends:
        each_m, margin_m = end.moved_m(float(sign)), end.margin_m(net_turns)
        if each_m is None or margin_m is None:
            known = False
        elif each_m < 0.0:
            turns = 0.0 if end.seen_short else max(0.0, margin_m / -each_m)
            left.append((turns, f"engagement_{end.end}"))
    if not known:
        return {"turns": None, "limited_by": None}
    turns, limited_by = min(left)
    return {"turns": rounded(turns), "limited_by": limited_by}


def _engagement(end: adjuster.ThreadEnd, net_turns: float) -> dict[str, Any]:
    margin_m = end.margin_m(net_turns)
    predicted_m = None if margin_m is None or end.least_m is None else margin_m + end.least_m
    short: bool | None = end.seen_short or None
    if margin_m is not None and not end.seen_short:
        short = not at_most(-margin_m, 0.0, scale=end.least_m or 0.0)
    return {
        "end": end.end,
        "as_drawn": _length(end.drawn_m),
        "least_allowed": _length(end.least_m),
        "measured": _length(end.measured_m),
        "full": end.full,
        "net_turns_when_seen": None if end.fact is None else end.seen_net_turns,
        "predicted_least": _length(predicted_m),
        "margin": _length(margin_m),
        "short": short,
        "shown_by": None if end.fact is None else end.fact.shown_by,
    }


def _length(value_m: float | None) -> dict[str, Any] | None:
    return None if value_m is None else quantity_from_si(value_m, "mm", Dimension.LENGTH)
