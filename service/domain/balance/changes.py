"""What-if: a built line with other shares on, other stops out, or another friction.

Everything is in SI; a change makes another line and leaves the given one as it is.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace

from service.domain.line_models.built import BuiltLine, CaseName
from service.engineering.frames.frame import Case

PARTS = {"insulation": "insulation", "jacketing": "jacketing", "masses": "mass"}
"""Part behind each name of a share."""

CONTENTS: Mapping[str, CaseName | None] = {
    "empty": None,
    "as_designed": "cold",
    "operating": "hot",
    "under_test": "test",
}
"""Case whose contents are meant."""


def with_shares(
    built: BuiltLine,
    shares: Mapping[str, float],
    contents: str | None = None,
    owners: Collection[str] | None = None,
) -> BuiltLine:
    """The line with other shares of its parts on now.

    Args:
        built: the line
        shares: share that is on, 0 to 1, by part: insulation, jacketing, mass
        contents: what is in the line, by the names of `CONTENTS`; as it is where None
        owners: segments and masses that are meant; all where None

    Returns:
        the line, its case `present` changed by the items' own load cases
    """
    case, items = built.cases["present"], []
    for place, item in enumerate(built.items):
        share = shares.get(item.part)
        if item.part == "contents" and contents is not None:
            meant = CONTENTS[contents]
            share = 0.0 if meant is None else item.weight_n[meant] / item.weight_n["present"]
        if share is None or (owners is not None and item.owner not in owners):
            items.append(item)
            continue
        case = _added(case, built.unit_loads[place], share - item.share_present)
        items.append(replace(item, share_present=share))
    return replace(built, items=tuple(items), cases={**built.cases, "present": case})


def with_friction(built: BuiltLine, friction: float) -> BuiltLine:
    """The line with the friction band of every spring at a share of its load. friction: half the band [1]."""
    hangers = tuple(
        hanger
        if hanger.kind == "rigid" or hanger.spring_load_n is None
        else replace(hanger, friction_n=friction * hanger.spring_load_n)
        for hanger in built.hangers
    )
    return replace(built, hangers=hangers)


def with_stops_out(built: BuiltLine, released: Collection[str]) -> BuiltLine:
    """The line with the stops of these hangers out and of all others in. released: marks."""
    hangers = tuple(replace(hanger, released=hanger.mark in released) for hanger in built.hangers)
    return replace(built, hangers=hangers)


def _added(case: Case, unit: Case, share: float) -> Case:
    """A load case with a share of another's loads laid on it."""
    return replace(
        case,
        straight_n_per_m=case.straight_n_per_m + share * unit.straight_n_per_m,
        bend_n_per_m=case.bend_n_per_m + share * unit.bend_n_per_m,
        nodal=case.nodal + share * unit.nodal,
    )
