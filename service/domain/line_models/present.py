"""What is on and in a line now: by inspection, else by the model itself, else as designed.

Shares are from 0 (nothing) to 1 (all of it).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from service.domain.line_models.faults import Faults, Named

_WHOLE: Final[Mapping[str, float]] = {"complete": 1.0, "none": 0.0}


class Present:
    """What is on and in the line now.

    Attributes:
        contents: `empty`, `operating` or `water`; None where nothing states it
        not_stated: pointers into the model of what nothing states
    """

    def __init__(self, model: Mapping[str, Any], seen: Mapping[str, Any] | None, faults: Faults) -> None:
        """Joins model and inspections; shares outside 0 to 1 and unknown ids of the model are faults.

        Args:
            model: the line model
            seen: by inspections: `segments` {id: {insulation, jacketing}} and `masses` {id: share} with
                shares; `insulation` and `jacketing` of the whole line as `complete`, `none` or `incomplete`
                (which says nothing of a segment); `contents`. Ids ignore letter case. It goes before what
                the model states
            faults: where faults are noted
        """
        stated = model.get("present", {})
        seen = seen or {}
        self._faults = faults
        self.not_stated: list[str] = []
        self.contents: str | None = seen.get("contents") or stated.get("contents")
        if self.contents is None:
            self.not_stated.append("/present/contents")
        self._jacketing_incomplete = seen.get("jacketing") == "incomplete"
        self._whole = {name: _WHOLE.get(seen.get(name, "")) for name in ("insulation", "jacketing")}
        segments, masses = Named(model, "segments", Faults()), Named(model, "masses", Faults())
        self._of_model = self._entries(stated.get("segments", ()), "segment", segments)
        of_masses = self._entries(stated.get("masses", ()), "mass", masses)
        self._seen = {
            str(key).casefold(): {
                name: self._share(share, f"/present/segments/{key}/{name}") for name, share in entry.items()
            }
            for key, entry in (seen.get("segments") or {}).items()
        }
        self._masses = {key: float(entry["share"]) for key, entry in of_masses.items()}
        for key, share in (seen.get("masses") or {}).items():
            self._masses[str(key).casefold()] = self._share(share, f"/present/masses/{key}")
        known = [str(entry["id"]).casefold() for _, entry in segments]
        self.unknown_segments = tuple(sorted(self._seen.keys() - set(known)))

    def _entries(self, entries: Any, key: str, named: Named) -> dict[str, Mapping[str, Any]]:
        found: dict[str, Mapping[str, Any]] = {}
        for place, entry in enumerate(entries):
            at = f"/present/{named.name}/{place}"
            folded = str(entry[key]).casefold()
            if named.find(entry[key]) is None:
                self._faults.add(
                    "unknown-reference",
                    f"There is no {entry[key]} among the {named.name}.",
                    f"{at}/{key}",
                    f"an id of /{named.name}",
                )
            elif folded in found:
                self._faults.add(
                    "duplicate-id", f"{entry[key]} is stated twice.", f"{at}/{key}", "each of them once"
                )
            else:
                for name in ("insulation", "jacketing", "share"):
                    if name in entry:
                        self._share(entry[name], f"{at}/{name}")
                found[folded] = entry
        return found

    def _share(self, share: Any, pointer: str) -> float:
        if isinstance(share, bool) or not isinstance(share, int | float) or not 0.0 <= share <= 1.0:
            self._faults.add("share", "A share is a number from 0 to 1.", pointer, "a number from 0 to 1")
            return 1.0
        return float(share)

    def cover(self, segment: str, place: int, *, jacketed: bool = True) -> tuple[float, float]:
        """Shares of insulation and jacketing that are on a segment.

        What nothing states is taken as complete and noted; jacketing that nothing states is on where the
        insulation under it is, which is noted where the line's jacketing is known not to be complete.

        Args:
            segment: id of the segment
            place: its place in the model
            jacketed: whether it has a jacketing by design
        """
        insulation = self._stated(segment, "insulation")
        if insulation is None:
            self.not_stated.append(f"/segments/{place}/insulation")
            insulation = 1.0
        jacketing = self._stated(segment, "jacketing")
        if jacketing is None and jacketed and self._jacketing_incomplete:
            self.not_stated.append(f"/segments/{place}/jacketing")
        return insulation, insulation if jacketing is None else jacketing

    def _stated(self, segment: str, name: str) -> float | None:
        folded = segment.casefold()
        if name in self._seen.get(folded, {}):
            return self._seen[folded][name]
        whole = self._whole[name]
        if whole is not None:
            return whole
        of_model = self._of_model.get(folded, {})
        return float(of_model[name]) if name in of_model else None

    def mass(self, mass: str) -> float:
        """Share of a mass that is in place; 1 where nothing states it, as the model's text says."""
        return self._masses.get(mass.casefold(), 1.0)
