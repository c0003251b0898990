"""Weights: of the whole line, of its parts, and who carries them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from service.domain.balance.analysis import Analysis
from service.domain.balance.contacts import load_transfer
from service.domain.balance.figures import Figures
from service.domain.balance.locked import Locked
from service.domain.line_models.built import BuiltLine, WeighedItem
from service.engineering.frames.frame import TRANSLATION, Case
from service.engineering.frames.solution import Response
from service.units import Dimension

CASES = {"as_designed": "cold", "now": "present", "under_test": "test", "hot": "hot"}
"""Case behind each name of a weight."""


def weight_n(item: WeighedItem, name: str) -> float:
    """What an item weighs: `as_designed`, `now` (what is on), `under_test` or `hot` [N]."""
    weight = item.weight_n[CASES[name]]
    return weight * item.share_present if name == "now" else weight


def weights_document(built: BuiltLine, figures: Figures) -> dict[str, Any]:
    """Sums that can be checked by hand: of the line, by owner and by item."""
    owners: dict[str, list[WeighedItem]] = {}
    for item in built.items:
        owners.setdefault(item.owner, []).append(item)
    return {
        "total": _sums(built.items, figures),
        "by_owner": [
            {"owner": owner, "kind": items[0].kind, **_sums(items, figures)}
            for owner, items in owners.items()
        ],
        "by_item": [
            {
                "owner": item.owner,
                "part": item.part,
                "share_present": figures.ratio(item.share_present),
                **_sums([item], figures),
            }
            for item in built.items
        ],
    }


def _sums(items: Sequence[WeighedItem], figures: Figures) -> dict[str, Any]:
    return {name: figures.force(sum(weight_n(item, name) for item in items)) for name in CASES}


def owner_cases(built: BuiltLine) -> Mapping[str, tuple[float, Case]]:
    """For each segment and mass: what it weighs now [N], and the load case of that."""
    found: dict[str, tuple[float, Case]] = {}
    case: Case | None
    for item, unit in zip(built.items, built.unit_loads, strict=True):
        weight, case = found.get(item.owner, (0.0, None))
        found[item.owner] = (weight + weight_n(item, "now"), added(unit, item.share_present, case))
    return found


def added(case: Case, share: float, onto: Case | None = None) -> Case:
    """The loads of a case times a share, on top of another case's; growth and imposed movements left out."""
    return Case(
        share * case.straight_n_per_m + (0.0 if onto is None else onto.straight_n_per_m),
        share * case.bend_n_per_m + (0.0 if onto is None else onto.bend_n_per_m),
        np.zeros_like(case.straight_strain),
        np.zeros_like(case.bend_strain),
        share * case.nodal + (0.0 if onto is None else onto.nodal),
        np.zeros_like(case.imposed),
    )


def shares_document(analysis: Analysis, locked: Locked, figures: Figures) -> dict[str, Any]:
    """Where the weight of each segment and mass goes: to each hanger, and to each anchor, guide or nozzle.

    The weight is laid on alone; every locked pin is held where it lies, released springs give by their rates.
    A row for each segment or mass that weighs something now, a column for each carrier.
    """
    cases = {owner: found for owner, found in owner_cases(analysis.built).items() if found[0] > 0.0}
    factorised = analysis.factorised("present")
    loads = factorised.condense([case for _, case in cases.values()]).loads
    moves, forces = load_transfer(analysis.line("present").stiffness, locked.held_state)
    rows, restraints = [], list[str]()
    for place, (_, case) in enumerate(cases.values()):
        movement, force = moves @ loads[:, place], forces @ loads[:, place]
        upward = _upward(analysis, factorised.recover(case, movement, force))
        restraints = list(upward)
        rows.append([*force, *upward.values()])
    weights = np.array([weight for weight, _ in cases.values()])
    table = np.array(rows).reshape(len(cases), len(analysis.marks) + len(restraints))
    return {
        "owners": list(cases),
        "carriers": [
            *({"kind": "hanger", "name": mark} for mark in analysis.marks),
            *({"kind": "restraint", "name": name} for name in restraints),
        ],
        "weight": [figures.force(float(weight)) for weight in weights],
        "load": figures.table(table, Dimension.FORCE),
        "share": figures.table(table / weights[:, None], Dimension.RATIO),
    }


def _upward(analysis: Analysis, response: Response) -> dict[str, float]:
    """Upward force of each anchor, guide, nozzle or elastic restraint on the pipe, by name and node [N]."""
    frame, nodes = analysis.built.frames["present"], _named(analysis.built)
    found: dict[str, float] = {}

    def add(name: str, node: int, force_n: float) -> None:
        key = f"{name} at {nodes.get(node, node)}"
        found[key] = found.get(key, 0.0) + force_n

    for each, reaction in zip(frame.restraints, response.reactions, strict=True):
        if each.kind == TRANSLATION and each.direction[2]:
            add(each.name or "restraint", each.node, float(reaction) * each.direction[2])
    for spring in frame.springs:
        if spring.kind == TRANSLATION and spring.direction[2]:
            moved = float(response.displacements[spring.node, :3] @ np.array(spring.direction))
            add("elastic restraint", spring.node, -spring.stiffness * moved * spring.direction[2])
    return found


def _named(built: BuiltLine) -> dict[int, str]:
    return {place: name for name, place in built.nodes.items()}
