"""`plan_nut`: one request, one plan."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.domain.criteria import Criteria
from service.domain.nut_plans.answer import Draft
from service.domain.nut_plans.easing import plan_easing
from service.domain.nut_plans.loads import read_assembly
from service.domain.nut_plans.released import (
    plan_load_adjuster,
    plan_load_correction,
    plan_positioning,
    plan_way_back,
)
from service.domain.nut_plans.sources import Sources, join_known
from service.errors import OutOfRange
from service.units import System

_PLANNERS = {
    "easing": plan_easing,
    "load_correction": plan_load_correction,
    "load_adjuster": plan_load_adjuster,
    "positioning": plan_positioning,
    "way_back": plan_way_back,
}


def plan_nut(
    request: Mapping[str, Any],
    record: Mapping[str, Any] | None = None,
    *,
    known: Mapping[str, Any] | None = None,
    criteria: Criteria | None = None,
    units: System = "si",
) -> dict[str, Any]:
    """Plan the turns of one assembly's adjuster or load adjuster.

    Turns are positive when they raise the load on the pipe; the direction is always in words (`raise`,
    `lower`), the hand only where the record tells it. What is missing is named and never guessed; what
    cannot be reached is refused with the nearest that can.

    Args:
        request: document valid by nut-plan-request.schema.json
        record: hanger record of the store; None takes the request's own `hanger`, if it has one
        known: what the store knows of the assembly, in the request's members `stops_in`, `ledger`,
            `load_adjuster_ledger`, `bearing_face`, `rod_slack`, `engagement`, `reading`; None without a store
        criteria: the plant's criteria; None takes the defaults
        units: system of units of the answer

    Returns:
        document valid by nut-plan.schema.json

    Raises:
        InvalidDocument: a lower bound above its upper bound, or an assembly that the record does not have
        OutOfRange: values whose results are not finite numbers
    """
    joined, from_store, cautions = join_known(request, known)
    sources = Sources(joined, request.get("hanger") if record is None else record, from_store)
    draft = Draft(purpose=request["purpose"], system=units)
    draft.rotation = {"sense": None, "seen_from": None, "reason": "There is no direction to turn."}
    draft.caution(*cautions)
    kind = sources.drawn("/kind", wanted=True)
    if kind is None:
        draft.settle("cannot_say", "The hanger record is missing.")
    elif kind == "rigid":
        draft.refuse("no-stop")
    elif sources.drawn("/line_of_action") == "horizontal":
        draft.refuse("horizontal-line-of-action")
    else:
        assembly = read_assembly(sources)
        if assembly is None:
            draft.settle("cannot_say", "The hanger has several assemblies: the plan is for one of them.")
        else:
            limits = Criteria() if criteria is None else criteria
            try:
                _PLANNERS[draft.purpose](sources, draft, limits, assembly)
            except (ZeroDivisionError, OverflowError) as error:
                raise OutOfRange("The inputs lead to a number that is not finite.") from error
    return draft.document(sources.missing, sources.inputs)
