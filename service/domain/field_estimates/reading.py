"""From a request and an analysis to the problem: unknowns, moments, looks and equations, in SI.

Up is positive; turns are net turns since erection, positive when they raise the load on the pipe.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np

from service.domain.balance.analysis import Analysis
from service.domain.line_models.built import SupportedHanger
from service.engineering.estimates.problem import Array, Look, Moment, Problem, Unknowns
from service.engineering.states.laws import Hanger
from service.errors import Finding, InvalidDocument
from service.units import Dimension, quantity_from_si, quantity_to_si

HEIGHT_M: Final = 0.003
SHARE: Final = 0.1
NO_OCCASION: Final = "#"


@dataclass(frozen=True)
class Taken:
    """Something taken beforehand. value: quantity. origin: `request`, `record` or `assumed`."""

    name: str
    value: Mapping[str, Any]
    origin: str
    about: str | None = None


@dataclass
class Case:
    """Everything of a request but its observations' own words.

    hangers: with the friction that counts, by place. groups: names of the groups of weight; members: owners
    of each; weight_n: weight of each now, positive [N]. unknowns: what was taken beforehand. stiffness_error:
    share. surveyed: whether any height was levelled; all_surveyed: whether every one was. weighed: whether a
    part was weighed. cautions: codes.
    """

    analysis: Analysis
    hangers: list[SupportedHanger]
    groups: tuple[str, ...]
    weight_n: Array
    unknowns: Unknowns
    stiffness_error: float
    surveyed: bool
    all_surveyed: bool
    weighed: bool
    taken: list[Taken]
    cautions: dict[str, None] = field(default_factory=dict)
    moments: list[Moment] = field(default_factory=list)
    _known: dict[tuple[Any, ...], int] = field(default_factory=dict)

    @property
    def stiffness_n_per_m(self) -> Array:
        """Of the line alone, as it stands [N/m]."""
        return self.analysis.line("present").stiffness

    def place(self, mark: str, pointer: str) -> int:
        """Index of a hanger. Errors: InvalidDocument where the line has no such hanger."""
        if mark not in self.analysis.marks:
            raise refused(pointer, "known-hanger", f"The line has no hanger {mark}.")
        return self.analysis.marks.index(mark)

    def moment(self, out: frozenset[str], turns: Mapping[str, float], occasion: str) -> int | list[str]:
        """Index of a moment that was looked at; or pointers of what the records do not state.

        Moments of one occasion with the same stops and turns are one: friction stood alike in them.
        """
        key = (occasion, out, tuple(sorted((mark, net) for mark, net in turns.items() if net)))
        if occasion != NO_OCCASION and key in self._known:
            return self._known[key]
        built = self.at(out, turns)
        if isinstance(built, list):
            return built
        self.moments.append(built)
        self._known[key] = len(self.moments) - 1
        return len(self.moments) - 1

    def at(self, out: frozenset[str], turns: Mapping[str, float]) -> Moment | list[str]:
        """The line with these stops out and these net turns; or pointers of what the records do not state."""
        laws: list[Hanger] = []
        missing: list[str] = []
        for hanger in self.hangers:
            net = turns.get(hanger.mark, 0.0)
            pointer = f"/hangers/{hanger.mark}"
            if net and hanger.lead_m is None:
                missing.append(f"{pointer}/adjuster/lead_per_turn")
                continue
            kind = hanger.free if hanger.mark in out else hanger.locked
            law = kind(friction=1.0, offset_m=net * (hanger.lead_m or 0.0))
            if law is None:
                missing += [f"{pointer}{each}" for each in hanger.missing] or [pointer]
            else:
                laws.append(law)
        if missing:
            return missing
        turned = np.array([abs(turns.get(each.mark, 0.0)) * (each.lead_m or 0.0) for each in self.hangers])
        allowance = self.stiffness_error * (np.abs(self.stiffness_n_per_m) @ turned)
        return Moment(tuple(laws), allowance)

    def problem(self, moments: Sequence[Moment] = (), looks: Sequence[Look] = ()) -> Problem:
        """The problem with these moments and looks."""
        load_n = self.analysis.load_n("present")
        return Problem(self.stiffness_n_per_m, load_n, self.unknowns, tuple(moments), tuple(looks))


def refused(pointer: str, rule: str, detail: str) -> InvalidDocument:
    """The refusal of a request, with where and why."""
    return InvalidDocument(
        "The request does not fit the line.", errors=[Finding("body", rule, detail, pointer=pointer)]
    )


def state_of_line(
    entry: Mapping[str, Any], case: Case, pointer: str
) -> tuple[frozenset[str], dict[str, float], str]:
    """Stops out, net turns and occasion of an observation or of `present`."""
    for number, mark in enumerate(entry.get("stops_out", ())):
        case.place(mark, f"{pointer}/stops_out/{number}")
    turns: dict[str, float] = {}
    for number, each in enumerate(entry.get("net_turns", ())):
        case.place(each["mark"], f"{pointer}/net_turns/{number}/mark")
        if each["mark"] in turns:
            raise refused(f"{pointer}/net_turns/{number}/mark", "once", f"{each['mark']} is given twice.")
        turns[each["mark"]] = float(each["turns"])
    return frozenset(entry.get("stops_out", ())), turns, entry.get("occasion", NO_OCCASION)


def read_case(analysis: Analysis, request: Mapping[str, Any]) -> Case:
    """Unknowns and what was taken beforehand.

    Errors: InvalidDocument for names that the line does not have; FrameUnstable
    """
    assumed = request.get("assumptions", {})
    taken: list[Taken] = []
    height_m = _assumption(assumed, "height_uncertainty", Dimension.LENGTH, HEIGHT_M, taken)
    share = _assumption(assumed, "weight_uncertainty", Dimension.RATIO, SHARE, taken)
    stiffness = _assumption(assumed, "stiffness_uncertainty", Dimension.RATIO, SHARE, taken)
    built = analysis.built
    groups, members = _groups(analysis, request)
    columns, weights = _weights(analysis, members)
    case = Case(
        analysis,
        list(built.hangers),
        groups,
        weights,
        Unknowns(np.zeros(0), np.zeros(0), columns, np.zeros(len(groups)), np.full(len(groups), share)),
        stiffness,
        False,
        False,
        False,
        taken,
    )
    low, high, origins = _heights(case, request, height_m)
    share_low, share_high = _shares(case, request, share)
    case.unknowns = Unknowns(
        (low + high) / 2.0,
        (high - low) / 2.0,
        columns,
        (share_low + share_high) / 2.0,
        (share_high - share_low) / 2.0,
    )
    case.surveyed = any(origin != "assumed" for origin in origins)
    case.all_surveyed = "assumed" not in origins
    return case


def _assumption(
    given: Mapping[str, Any], name: str, dimension: Dimension, default: float, taken: list[Taken]
) -> float:
    if name in given:
        taken.append(Taken(name, given[name], "request"))
        value = quantity_to_si(given[name], dimension)
    else:
        unit = "mm" if dimension is Dimension.LENGTH else "%"
        taken.append(Taken(name, quantity_from_si(default, unit, dimension), "assumed"))
        value = default
    if name != "height_uncertainty" and not 0.0 <= value < 1.0:
        raise refused(f"/assumptions/{name}", "below-one", "It has to lie below 100 %.")
    return value


def _groups(analysis: Analysis, request: Mapping[str, Any]) -> tuple[tuple[str, ...], list[list[str]]]:
    """Names and owners of the groups; an owner that no group names is a group of its own."""
    owners = list(dict.fromkeys(item.owner for item in analysis.built.items))
    names, members, used = [], [], set()
    for number, group in enumerate(request.get("weight_groups", ())):
        pointer = f"/weight_groups/{number}"
        if group["name"] in names:
            raise refused(f"{pointer}/name", "once", f"{group['name']} is given twice.")
        for place, owner in enumerate(group["owners"]):
            if owner not in owners or owner in used:
                raise refused(
                    f"{pointer}/owners/{place}",
                    "known-owner",
                    f"{owner} is not in the model, or in a group already.",
                )
            used.add(owner)
        names.append(group["name"])
        members.append(list(group["owners"]))
    for owner in owners:
        if owner not in used:
            if owner in names:
                raise refused(
                    "/weight_groups", "once", f"A group has the name of {owner}, which is not in it."
                )
            names.append(owner)
            members.append([owner])
    return tuple(names), members


def _weights(analysis: Analysis, members: Sequence[Sequence[str]]) -> tuple[Array, Array]:
    """Change of the load vector for a share of 1 of each group, (m, groups), and weight of each now [N]."""
    built = analysis.built
    count = len(analysis.marks)
    columns, weights = np.zeros((count, len(members))), np.zeros(len(members))
    if not built.items:
        return columns, weights
    loads = analysis.factorised("present").condense(list(built.unit_loads)).loads
    for group, owners in enumerate(members):
        for place, item in enumerate(built.items):
            if item.owner in owners:
                columns[:, group] += item.share_present * loads[:, place]
                weights[group] += item.share_present * item.weight_n["present"]
    return columns, weights


def _heights(case: Case, request: Mapping[str, Any], without_m: float) -> tuple[Array, Array, list[str]]:
    """Box of the heights: a level of the request, else a survey on record, else what is taken."""
    low, high, origins = [], [], []
    for hanger in case.hangers:
        levels = [
            (
                quantity_to_si(each["height"], Dimension.LENGTH),
                quantity_to_si(each["uncertainty"], Dimension.LENGTH),
            )
            for each in request["observations"]
            if each["kind"] == "level" and each["mark"] == hanger.mark
        ]
        if levels:
            low.append(min(value - half for value, half in levels))
            high.append(max(value + half for value, half in levels))
            origins.append("request")
        elif hanger.height_error_m is not None and hanger.height_uncertainty_m is not None:
            low.append(hanger.height_error_m - hanger.height_uncertainty_m)
            high.append(hanger.height_error_m + hanger.height_uncertainty_m)
            origins.append("record")
            half = quantity_from_si(hanger.height_uncertainty_m, "mm", Dimension.LENGTH)
            case.taken.append(Taken("height_uncertainty", half, "record", hanger.mark))
        else:
            about = hanger.height_error_m or 0.0
            low.append(about - without_m)
            high.append(about + without_m)
            origins.append("assumed")
    return np.array(low), np.array(high), origins


def _shares(case: Case, request: Mapping[str, Any], share: float) -> tuple[Array, Array]:
    """Box of the shares of weight: of what was weighed, else what is taken."""
    low, high = np.full(len(case.groups), -share), np.full(len(case.groups), share)
    seen: set[int] = set()
    for number, each in enumerate(request["observations"]):
        if each["kind"] != "weighed_part":
            continue
        group, least, most = weighed_share(case, each, f"/observations/{number}")
        if group in seen:
            low[group], high[group] = min(low[group], least), max(high[group], most)
        else:
            low[group], high[group] = least, most
        seen.add(group)
        case.weighed = True
    return low, high


def weighed_share(case: Case, each: Mapping[str, Any], pointer: str) -> tuple[int, float, float]:
    """Group that was weighed, and the interval of its share.

    Errors: InvalidDocument for a group that is not there, or weighs nothing in the model
    """
    if each["part"] not in case.groups:
        raise refused(f"{pointer}/part", "known-group", f"There is no group of weight {each['part']}.")
    group = case.groups.index(each["part"])
    model = float(case.weight_n[group])
    if model <= 0.0:
        raise refused(f"{pointer}/part", "weighs-something", f"{each['part']} weighs nothing in the model.")
    weight = quantity_to_si(each["weight"], Dimension.FORCE)
    half = quantity_to_si(each["uncertainty"], Dimension.FORCE)
    return group, (weight - half) / model - 1.0, (weight + half) / model - 1.0


def with_friction(case: Case, place: int, friction_n: float) -> None:
    """Puts a friction that was measured in the place of a smaller one, or of none on record."""
    hanger = case.hangers[place]
    if hanger.friction_n is None or friction_n > hanger.friction_n:
        case.hangers[place] = replace(hanger, friction_n=friction_n)
