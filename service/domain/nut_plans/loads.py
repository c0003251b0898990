"""Loads, stiffness and stop geometry of one assembly, read from request and record.

Loads are those of the assembly at the spring, hardware weight included, unless said otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass

from service.domain.nut_plans.answer import Draft, plain
from service.domain.nut_plans.sources import Sources
from service.engineering.nut_plans import (
    Influence,
    Interval,
    net_turns,
    rod_stiffness_n_per_m,
    series_stiffness_interval,
)
from service.engineering.threads import parse_thread
from service.errors import Finding, InvalidDocument, UnknownThread
from service.units import Dimension


def read_assembly(sources: Sources) -> int | None:
    """Number of the assembly that the plan is for; None where several exist and none is named.

    Raises:
        InvalidDocument: the record has no assembly of the number named
    """
    assemblies = sources.drawn("/assemblies")
    count = 1 if assemblies is None else len(assemblies)
    number = sources.given("/assembly", wanted=count > 1)
    if number is None:
        return 1 if count == 1 else None
    if number > count:
        raise InvalidDocument(
            f"The hanger has {count} assemblies, there is no number {number}.",
            errors=[
                Finding("body", "no-such-assembly", "No such assembly in the record.", pointer="/assembly")
            ],
        )
    return int(number)


def read_share(sources: Sources, assembly: int) -> float | None:
    """Share of the hanger's load that the assembly carries; equal shares where none is stated.

    None where others state a share and this one does not.
    """
    assemblies = sources.drawn("/assemblies") or [{}]
    pointer = f"/assemblies/{assembly - 1}/load_share"
    share = sources.drawn_si(pointer, Dimension.RATIO)
    if share is not None:
        return share
    if any("load_share" in entry for entry in assemblies):
        sources.want(f"/hanger{pointer}")
        return None
    return 1.0 / len(assemblies)


def read_operating_load(sources: Sources, assembly: int) -> float | None:
    """Operating load of the assembly at the pipe, upward [N]; None when not known."""
    load = sources.drawn_si("/design/operating_load", Dimension.FORCE, wanted=True)
    share = read_share(sources, assembly)
    return None if load is None or share is None else load * share


def read_spring_load(sources: Sources) -> Interval | None:
    """Force of the spring S [N]: as stated, else as locked (variable) or as calibrated (constant).

    A constant support whose load adjuster was turned stands off its calibrated load by the net turns.
    """
    stated = sources.given_interval("/spring_load", Dimension.FORCE)
    if stated is not None:
        return stated
    if sources.drawn("/kind") == "variable":
        locked = sources.drawn_si("/design/locked_position/load", Dimension.FORCE, wanted=True)
        return None if locked is None else Interval.exact(locked)
    calibrated = sources.drawn_si("/design/calibrated_load", Dimension.FORCE, wanted=True)
    if calibrated is None:
        return None
    turned = net_turns(sources.given("/load_adjuster_ledger") or [])
    if turned == 0.0:
        return Interval.exact(calibrated)
    per_turn = sources.drawn_si("/design/load_adjustability/load_per_turn", Dimension.FORCE, wanted=True)
    return None if per_turn is None else Interval.exact(calibrated + turned * per_turn)


def read_rod_load(sources: Sources, assembly: int) -> Interval | None:
    """Load of the rod at the spring F_rod [N]; one stated at the pipe gets the hardware weight added."""
    stated = sources.given_interval("/rod_load/load", Dimension.FORCE, wanted=True)
    if stated is None:
        return None
    if sources.given("/rod_load/at") == "spring":
        return stated
    hardware = read_hardware_weight(sources, assembly, wanted=True)
    return None if hardware is None else Interval(stated.low + hardware, stated.high + hardware)


def read_hardware_weight(sources: Sources, assembly: int, *, wanted: bool = False) -> float | None:
    """Weight of rod, clamp and beam that the assembly's spring carries too [N]; None when not known."""
    weight = sources.drawn_si("/design/hardware_weight", Dimension.FORCE, wanted=wanted)
    share = read_share(sources, assembly)
    return None if weight is None or share is None else weight * share


def read_friction(sources: Sources, spring_load: Interval | None) -> float | None:
    """Half width f of the friction band [N], from the ratio in the request or else the record."""
    ratio = sources.given_si("/friction", Dimension.RATIO)
    if ratio is None:
        ratio = sources.drawn_si("/design/friction", Dimension.RATIO, wanted=True)
    return None if ratio is None or spring_load is None else ratio * spring_load.high


def read_spring_rate(sources: Sources) -> float | None:
    """Rate of a variable spring [N/m]; None for a constant support, or when it is not known."""
    if sources.drawn("/kind") != "variable":
        return None
    return sources.drawn_si("/design/spring_rate", Dimension.STIFFNESS, wanted=True)


def read_stiffness(sources: Sources, draft: Draft, *, wanted: bool = True) -> Interval | None:
    """Stiffness k that the adjuster works against [N/m], as seen or in parts; None when not known.

    In parts, what is not stated is taken from the record: the rod from its thread and length, the
    steelwork from its stiffness. A part counts as rigid only where the request says so; a support from
    below has no rod.
    """
    if sources.given("/stiffness", wanted=wanted) is None:
        return None
    seen = sources.given_interval("/stiffness/seen", Dimension.STIFFNESS)
    if seen is not None:
        return seen
    line = sources.given_interval("/stiffness/parts/line", Dimension.STIFFNESS, wanted=True)
    rigid = sources.given("/stiffness/parts/rigid") or []
    parts: list[Interval | None] = []
    complete = line is not None
    for name in ("rod", "steel", "assembly"):
        part = sources.given_interval(f"/stiffness/parts/{name}", Dimension.STIFFNESS)
        if part is None and name not in rigid:
            part = _part_from_record(sources, draft, name)
            no_rod = name == "rod" and sources.drawn("/acts_from") == "below"
            if part is None and not no_rod:
                sources.want(f"/stiffness/parts/{name}")
                complete = False
        parts.append(part)
    if line is None or not complete:
        return None
    draft.rests_on("series_stiffness")
    return series_stiffness_interval(line, *parts)


def _part_from_record(sources: Sources, draft: Draft, name: str) -> Interval | None:
    if name == "steel":
        steel = sources.drawn_si("/design/steel_stiffness", Dimension.STIFFNESS)
        return None if steel is None else Interval.exact(steel)
    if name != "rod":
        return None
    text = sources.drawn("/rod/thread")
    length = sources.drawn_si("/rod/length_between_pins", Dimension.LENGTH)
    if text is None or length is None:
        return None
    try:
        area = parse_thread(text).stress_area_m2
    except UnknownThread:
        return None
    draft.rests_on("rod_stiffness")
    return Interval.exact(rod_stiffness_n_per_m(area, length, sources.drawn("/rod/number") or 1))


def read_neighbours(sources: Sources, draft: Draft) -> list[Influence]:
    """What one turn here does to the neighbours; without it, a caution."""
    entries = sources.given("/neighbours", wanted=True)
    if entries is None:
        draft.caution("neighbour-influence-unknown")
        return []
    found = []
    for place, entry in enumerate(entries):
        at = f"/neighbours/{place}"
        load = sources.given_si(f"{at}/operating_load", Dimension.FORCE)
        change = sources.given_si(f"{at}/load_change_per_turn", Dimension.FORCE)
        assert load is not None
        assert change is not None
        found.append(Influence(entry["mark"], load, change))
    return found


@dataclass(frozen=True)
class StopGeometry:
    """Slot clearance [m], linkage ratio, and which way the pin moves; each None when not known."""

    slot_clearance_m: float | None
    linkage_ratio: float | None
    pin_moves_down_when: str | None


def read_stop(sources: Sources) -> StopGeometry:
    """The stop as the drawing shows it."""
    return StopGeometry(
        slot_clearance_m=sources.drawn_si("/stop/slot_clearance", Dimension.LENGTH, wanted=True),
        linkage_ratio=sources.drawn("/stop/linkage_ratio", wanted=True),
        pin_moves_down_when=sources.drawn("/stop/pin_moves_down_when", wanted=True),
    )


def note_load(sources: Sources, name: str, interval: Interval | None) -> None:
    """Put a worked-out load or stiffness into the account of inputs, in SI."""
    if interval is not None:
        sources.derived(name, [plain(interval.low), plain(interval.high)])
