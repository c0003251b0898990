"""Criteria: every limit against which the service compares, with its source.

A plant's criteria document may state only some limits; the defaults hold for the rest. The names are
closed: schemas/criteria.schema.json has a property for each, and `DIMENSIONS` gives what each
measures.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

from service.errors import Finding, InvalidDocument
from service.units import Dimension, quantity_to_si, to_si

DEFAULT_SOURCE = "default_criteria.json"

# What each limit measures; None for a plain number or a yes/no.
DIMENSIONS: Mapping[str, Dimension | None] = {
    "variability_max": Dimension.RATIO,
    "deviation_max": Dimension.RATIO,
    "total_travel_share": Dimension.RATIO,
    "total_travel_least": Dimension.LENGTH,
    "reserve_share": Dimension.RATIO,
    "reserve_least": Dimension.LENGTH,
    "rod_swing_max": Dimension.ANGLE,
    "rod_swing_attention": Dimension.ANGLE,
    "rod_offset_tolerance": Dimension.ANGLE,
    "rod_allowable_stress": Dimension.STRESS,
    "unknown_steel_allowable_stress": Dimension.STRESS,
    "thread_reduction": Dimension.RATIO,
    "test_yield_share": Dimension.RATIO,
    "unknown_steel_test_stress": Dimension.STRESS,
    "engagement_diameters": None,
    "record_agreement": Dimension.RATIO,
    "record_agreement_length": Dimension.LENGTH,
    "nameplate_agreement": Dimension.RATIO,
    "dimension_tolerance": Dimension.LENGTH,
    "elevation_accept": Dimension.LENGTH,
    "elevation_limit": Dimension.LENGTH,
    "cold_load_accept": Dimension.RATIO,
    "cold_load_limit": Dimension.RATIO,
    "hot_load_accept": Dimension.RATIO,
    "hot_load_limit": Dimension.RATIO,
    "load_sum_accept": Dimension.RATIO,
    "load_sum_limit": Dimension.RATIO,
    "load_setting_tolerance": Dimension.RATIO,
    "position_least": Dimension.LENGTH,
    "position_share": Dimension.RATIO,
    "position_attention_factor": None,
    "travel_ratio_low": Dimension.RATIO,
    "travel_ratio_high": Dimension.RATIO,
    "travel_ratio_attention_low": Dimension.RATIO,
    "travel_ratio_attention_high": Dimension.RATIO,
    "reading_jump_least": Dimension.LENGTH,
    "reading_jump_share": Dimension.RATIO,
    "cold_range_low": Dimension.TEMPERATURE,
    "cold_range_high": Dimension.TEMPERATURE,
    "bearing_valid_minutes": None,
    "concession_days_max": None,
    "hold_point_load": Dimension.RATIO,
    "hold_point_movement": Dimension.LENGTH,
    "pair_turns_max": None,
    "pair_reading_max": Dimension.LENGTH,
    "movement_seen_least": Dimension.LENGTH,
    "separate_persons": None,
}

# Pairs that would make no sense the other way round: the first may not exceed the second.
_ORDERED: tuple[tuple[str, str], ...] = (
    ("rod_swing_max", "rod_swing_attention"),
    ("elevation_accept", "elevation_limit"),
    ("cold_load_accept", "cold_load_limit"),
    ("hot_load_accept", "hot_load_limit"),
    ("load_sum_accept", "load_sum_limit"),
    ("travel_ratio_attention_low", "travel_ratio_low"),
    ("travel_ratio_low", "travel_ratio_high"),
    ("travel_ratio_high", "travel_ratio_attention_high"),
    ("cold_range_low", "cold_range_high"),
)

# Ratios that are shares of a whole: more than the whole would make a capacity negative or a limit void.
_SHARES: tuple[str, ...] = ("thread_reduction", "test_yield_share", "variability_max", "deviation_max")


@dataclass(frozen=True)
class Limit:
    """One limit. value_si: in the SI unit of its dimension, or a plain number or yes/no.

    unit: the unit in which it is stated, None for a plain number or a yes/no. source, paragraph:
    where it comes from. source_status: `standard`, `plant`, `common_practice` or `memory` (recalled
    from a standard whose text was not read).
    """

    name: str
    value_si: float | bool
    unit: str | None
    dimension: Dimension | None
    source: str
    paragraph: str | None
    source_status: str


def default_criteria() -> dict[str, Any]:
    """The default criteria document, complete: every limit with its source. A new copy each time."""
    document: dict[str, Any] = json.loads(_default_text())
    return document


@cache
def _default_text() -> str:
    return resources.files("service.engineering.tables").joinpath(DEFAULT_SOURCE).read_text(encoding="utf-8")


def complete(document: Mapping[str, Any] | None) -> dict[str, Any]:
    """The limits of a criteria document with the defaults for those that it does not state."""
    limits = dict(default_criteria()["limits"])
    if document is not None:
        limits.update(document["limits"])
    return {"limits": limits}


def _limit(name: str, entry: Mapping[str, Any]) -> Limit:
    dimension = DIMENSIONS[name]
    raw = entry["value"]
    if dimension is None:
        value, unit = raw, None
    else:
        value, unit = quantity_to_si(raw, dimension), raw["unit"]
    return Limit(
        name, value, unit, dimension, entry["source"], entry.get("paragraph"), entry["source_status"]
    )


class Criteria:
    """Typed access to a complete set of limits, in SI."""

    def __init__(self, document: Mapping[str, Any] | None = None) -> None:
        """Reads a criteria document, partial or complete; None gives the defaults.

        The document is valid by its schema; what the schema cannot say is verified here.

        Raises:
            InvalidDocument: limits that contradict each other, with a JSON pointer each
            UnknownUnit: a unit that the limit's dimension does not accept
        """
        limits = complete(document)["limits"]
        unknown = sorted(set(limits) - set(DIMENSIONS))
        if unknown:
            raise InvalidDocument(
                "The criteria state limits that the service does not know.",
                errors=[
                    Finding("body", "unknown-limit", f"{name} is no limit.", pointer=f"/limits/{name}")
                    for name in unknown
                ],
            )
        self._limits: dict[str, Limit] = {name: _limit(name, entry) for name, entry in limits.items()}
        findings = list(_contradictions(self._limits, document))
        if findings:
            raise InvalidDocument("The criteria contradict themselves.", errors=findings)

    @classmethod
    def from_document(cls, document: Mapping[str, Any] | None) -> Criteria:
        """The criteria that a document states; as the constructor."""
        return cls(document)

    def __getitem__(self, name: str) -> Limit:
        """The limit of this name."""
        return self._limits[name]

    def si(self, name: str) -> float:
        """The limit's value in the SI unit of its dimension, or its plain number."""
        return float(self._limits[name].value_si)

    def flag(self, name: str) -> bool:
        """The value of a yes/no criterion."""
        return bool(self._limits[name].value_si)

    def names(self) -> tuple[str, ...]:
        """The names of all limits, in the order of the published list."""
        return tuple(DIMENSIONS)


def _contradictions(limits: Mapping[str, Limit], document: Mapping[str, Any] | None) -> Iterator[Finding]:
    """Limits that make no sense together; each is reported where the document states it."""
    stated = document["limits"] if document is not None else {}
    for lower, upper in _ORDERED:
        if limits[lower].value_si > limits[upper].value_si:
            name = lower if lower in stated else upper
            yield Finding(
                "body", "order", f"{lower} may not exceed {upper}.", pointer=f"/limits/{name}/value"
            )
    for name in _SHARES:
        if limits[name].value_si > to_si(100.0, "%", Dimension.RATIO):
            yield Finding("body", "share", f"{name} may not exceed 100 %.", pointer=f"/limits/{name}/value")
