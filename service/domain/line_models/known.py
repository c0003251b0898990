"""What the log knows of a line as it stands: what is on it, which nuts were turned, which stops are out."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from service.domain.facts import Fact
from service.domain.instants import parse_instant
from service.domain.release.stop_register import STOPS_OUT_STATES
from service.domain.views import HangerView, LineView
from service.units import Dimension, quantity_to_si

# States in which a reading shows where the stops hold the pin.
_STOPS_IN: Final = frozenset({"locked", "cleared"})


@dataclass(frozen=True)
class Known:
    """The line as it stands.

    Attributes:
        present: `segments` {id: {insulation, jacketing}}, `masses` {id: share}, and `contents` where
            known; shares from 0 to 1, ids folded; what was not inspected is left out. `insulation` and
            `jacketing` stand in it where the whole line was called `incomplete` last
        net_turns: of each hanger by folded mark, signed; the mean over its assemblies
        load_adjuster_turns: likewise, of the load adjuster of a constant support
        released: folded marks of the hangers whose stops are out
        locked_readings: of each hanger that was locked again, by folded mark: what its indicator shows with
            the stops in, the mean over its assemblies; None where no reading of this cycle tells [m]
    """

    present: Mapping[str, Any]
    net_turns: Mapping[str, float]
    load_adjuster_turns: Mapping[str, float]
    released: frozenset[str]
    locked_readings: Mapping[str, float | None] = field(default_factory=dict)


def known_line(view: LineView, model: Mapping[str, Any], model_sequence: int = -1) -> Known:
    """What inspections, turns and steps say of a line.

    What was seen of a part of the line goes before what was seen of the whole, unless the whole was
    inspected later. `incomplete` for the whole says nothing of a part. Where the model was written after
    the inspection and states less of a part, the less counts: nobody has looked since.

    Args:
        view: the line with its hangers, as of one sequence
        model: its line model, as of the same sequence
        model_sequence: of the event that wrote the model
    """
    stated = _stated(model)
    segments: dict[str, dict[str, float]] = {}
    for segment in model.get("segments", ()):
        if "insulation" not in segment:
            continue
        key = str(segment["id"]).casefold()
        shares = {}
        for name in ("insulation", "jacketing"):
            seen = _seen(view.facts.get(name), view.facts.get(f"present/segment/{key}/{name}"))
            if seen is not None:
                shares[name] = _least(seen, stated.get(("segment", key, name)), model_sequence)
        segments[key] = shares
    masses = {}
    for mass in model.get("masses", ()):
        key = str(mass["id"]).casefold()
        fact = view.facts.get(f"present/mass/{key}/share")
        if fact is not None:
            seen = float(fact.value), fact.sequence
            masses[key] = _least(seen, stated.get(("mass", key, "share")), model_sequence)
    present: dict[str, Any] = {"segments": segments, "masses": masses}
    for name in ("insulation", "jacketing"):
        whole = view.facts.get(name)
        if whole is not None and whole.value == "incomplete":
            present[name] = whole.value
    contents = view.facts.get("contents")
    if contents is not None:
        present["contents"] = contents.value
    return Known(
        present,
        {hanger.mark.casefold(): _turned(hanger, "net_turns") for hanger in view.hangers},
        {hanger.mark.casefold(): _turned(hanger, "load_adjuster_turns") for hanger in view.hangers},
        frozenset(hanger.mark.casefold() for hanger in view.hangers if _is_out(hanger)),
        {
            hanger.mark.casefold(): _locked_reading_m(hanger)
            for hanger in view.hangers
            if hanger.status["cycle"] > 1 and hanger.kind != "rigid" and not _is_out(hanger)
        },
    )


def _stated(model: Mapping[str, Any]) -> dict[tuple[str, str, str], float]:
    """What the model itself states to be present, by kind, folded id and what it is."""
    present = model.get("present", {})
    return {
        (kind, str(entry[kind]).casefold(), name): float(entry[name])
        for kind, entries in (("segment", "segments"), ("mass", "masses"))
        for entry in present.get(entries, ())
        for name in ("insulation", "jacketing", "share")
        if name in entry
    }


def _seen(whole: Fact | None, part: Fact | None) -> tuple[float, int] | None:
    """The share that was inspected last, and the place of the event in the log."""
    of_whole = None if whole is None else {"complete": 1.0, "none": 0.0}.get(whole.value)
    if whole is None or of_whole is None:
        return None if part is None else (float(part.value), part.sequence)
    if part is None or parse_instant(whole.occurred_at) > parse_instant(part.occurred_at):
        return of_whole, whole.sequence
    return float(part.value), part.sequence


def _least(seen: tuple[float, int], stated: float | None, model_sequence: int) -> float:
    share, sequence = seen
    return share if stated is None or sequence > model_sequence else min(share, stated)


def _turned(hanger: HangerView, name: str) -> float:
    count = len(hanger.record.get("assemblies", ())) or 1
    turned = []
    for assembly in range(1, count + 1):
        ledger = hanger.facts.get(f"assembly/{assembly}/ledger")
        turned.append(0.0 if ledger is None else float(ledger.value[name]))
    return math.fsum(turned) / count


def _locked_reading_m(hanger: HangerView) -> float | None:
    """What the indicator of a hanger locked again shows, read in this cycle with the stops in [m]."""
    count = len(hanger.record.get("assemblies", ())) or 1
    found = []
    for assembly in range(1, count + 1):
        reading = hanger.facts.get(f"assembly/{assembly}/reading/cold")
        if reading is None or reading.value["cycle"] != hanger.status["cycle"]:
            return None
        value = reading.value
        if value["release_state"] not in _STOPS_IN or value["legible"] is False or value["position"] is None:
            return None
        found.append(quantity_to_si(value["position"], Dimension.LENGTH))
    return math.fsum(found) / count


def _is_out(hanger: HangerView) -> bool:
    state = hanger.state
    if state == "on_hold":
        state = str(hanger.status.get("held_from"))
    return state in STOPS_OUT_STATES
