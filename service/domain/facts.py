"""Facts: what the log says of one subject at one moment, folded from its events.

A fact has a name, a value and the event that shows it. Facts are kept with the sequence
from which and until which they held, so that the past costs what the present costs.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final


@dataclass(frozen=True)
class Fact:
    """One known thing.

    value: JSON value. sequence: place in the order of the log (a correction takes the place of
    what it corrects). shown_by: sequence of the event that shows it (the correction itself).
    occurred_at: when it happened on site, RFC 3339 as given. performed_by: principal id.
    """

    value: Any
    sequence: int
    shown_by: int
    occurred_at: str
    performed_by: str


Facts = Mapping[str, Fact]
Changes = dict[str, Fact | None]

# Fields of an inspection that are facts of the assembly by their own name and as they stand.
INSPECTED_FIELDS: Final = (
    "in_place",
    "nameplate",
    "stops_counted",
    "stops_damaged",
    "pipe_to_support_dimension",
    "elevation",
    "rod_offset",
    "rod_slack",
    "retaining_hardware",
    "adjuster_locked",
    "interference",
    "defects",
)
# Fields of a reading that its fact keeps.
READING_FIELDS: Final = (
    "position",
    "load_indicator",
    "elevation",
    "line_temperature",
    "legible",
    "last_movement",
    "reading_resolution",
)
