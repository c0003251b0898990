"""The invented crew at work: every act goes through the same use cases as a request does."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

from service.application import acts, authorisations, hangers, line_models, records
from service.application.context import Context
from service.application.preconditions import Precondition
from service.demo.models import line_model
from service.demo.records import (
    LINES,
    PLANT,
    PLANT_RECORD,
    Support,
    expected_released_cold_mm,
    hanger_record,
    hot_load_kn,
    hot_mark_mm,
    line_record,
    nameplate,
    supports_of,
)
from service.domain.access import Principal

NEW = Precondition(must_be_absent=True)


@dataclass
class Clock:
    """A clock that only this demonstration moves."""

    moment: datetime

    def __call__(self) -> datetime:
        """The present moment of the story."""
        return self.moment

    def advance(self, minutes: float) -> None:
        """Let time pass."""
        self.moment += timedelta(minutes=minutes)


@dataclass(frozen=True)
class Crew:
    """Persons of the story by role: engineer, fitter (records acts), inspector (verifies hardware)."""

    base: Context
    clock: Clock
    persons: Mapping[str, str]
    nets: dict[tuple[str, int], float] = field(default_factory=dict)

    def act_as(self, role: str) -> Context:
        """A context of the person with this part in the story, at the story's present moment."""
        granted = {
            "engineer": "engineer",
            "fitter": "recorder",
            "inspector": "recorder",
            "integrator": "integrator",
        }
        kind = "system" if role == "integrator" else "person"
        principal = Principal(self.persons[role], kind, granted[role], "demo")
        return replace(self.base, principal=principal, now=self.clock())

    def stamp(self) -> str:
        """The present moment as a document states it."""
        return self.clock().isoformat()

    # --- records -------------------------------------------------------------------------------------
    def register(self, support: Support) -> None:
        """Post one hanger's record."""
        document = hanger_record(support)
        hangers.put_hanger(self.act_as("integrator"), PLANT, support.mark, document, NEW)

    def register_line(self, line: str) -> None:
        """Post the record of a line."""
        records.put_line(self.act_as("integrator"), PLANT, line, line_record(line), NEW)

    def model(self, line: str) -> None:
        """Post the model of a line whose hangers are registered."""
        line_models.put_line_model(self.act_as("engineer"), PLANT, line, line_model(line), NEW)

    # --- looking -------------------------------------------------------------------------------------
    def inspect(self, support: Support, role: str = "inspector", **changes: Any) -> None:
        """Inspect every assembly of a support; everything as drawn but for `changes`."""
        for assembly in range(1, support.assemblies + 1):
            document: dict[str, Any] = {
                "occurred_at": self.stamp(),
                "assembly": assembly,
                "in_place": True,
                "pipe_to_support_dimension": {"value": 1852, "unit": "mm"},
                "elevation": {"value": support.elevation_m, "unit": "m"},
                "rod_slack": False,
                "interference": False,
                "defects": [],
            }
            if support.acts_from == "above":
                document["rod_offset"] = {"value": 20, "unit": "mm"}
            if support.kind != "rigid":
                document |= {
                    "nameplate": {"legible": True, **nameplate(support)},
                    "stops_counted": support.stops,
                    "stops_damaged": 0,
                    "engagement": [
                        {"end": item["end"], "measured": item["as_drawn"], "full": True}
                        for item in hanger_record(support)["adjuster"]["engagement"]
                    ],
                    "retaining_hardware": {"one_end": True, "other_end": True},
                    "adjuster_locked": True,
                }
            document |= changes
            kept = {name: value for name, value in document.items() if value is not None}
            acts.inspect_hanger(self.act_as(role), PLANT, support.mark, kept)

    def inspect_line(self, line: str, **changes: Any) -> None:
        """Inspect a line; complete, empty and cold but for `changes` (None leaves a field out)."""
        document: dict[str, Any] = {
            "occurred_at": self.stamp(),
            "insulation": "complete",
            "jacketing": "complete",
            "welds": "complete",
            "rigid_supports": "complete",
            "temporary_supports": 0,
            "pressure_test": "done",
            "chemical_clean": "not_required",
            "contents": "empty",
            "line_temperature": {"value": 21, "unit": "degC"},
            "connected_lines": "anchored_off",
            **changes,
        }
        kept = {name: value for name, value in document.items() if value is not None}
        acts.inspect_line(self.act_as("inspector"), PLANT, line, kept)

    # --- release -------------------------------------------------------------------------------------
    def authorise(self, line: str, stage: list[str] | None = None) -> None:
        """The engineer authorises the line or a stage of it."""
        document: dict[str, Any] = {"occurred_at": self.stamp()}
        if stage is not None:
            document["stage"] = stage
        authorisations.authorise_line(self.act_as("engineer"), PLANT, line, document)

    def step(self, support: Support, transition: str, role: str = "fitter", **fields: Any) -> None:
        """One transition."""
        self.clock.advance(1)
        document = {"occurred_at": self.stamp(), "transition": transition, **fields}
        acts.make_transition(self.act_as(role), PLANT, support.mark, document)

    def turn(self, support: Support, turns: float) -> None:
        """The same counted turns at every assembly; engagement felt full afterwards."""
        for assembly in range(1, support.assemblies + 1):
            self.clock.advance(2)
            ends = [item["end"] for item in hanger_record(support)["adjuster"]["engagement"]]
            document = {
                "occurred_at": self.stamp(),
                "assembly": assembly,
                "turns": turns,
                "engagement": [{"end": end, "full": True} for end in ends],
                "bearing_face_after": "none",
                "pin_moved": True,
            }
            acts.make_turns(self.act_as("fitter"), PLANT, support.mark, document)
            place = (support.mark, assembly)
            self.nets[place] = self.nets.get(place, 0.0) + turns

    def each_stop(self, support: Support, act: str, **fields: Any) -> None:
        """One stop act at every stop of the support."""
        for assembly in range(1, support.assemblies + 1):
            for stop in range(1, support.stops + 1):
                self.clock.advance(0.5)
                document = {
                    "occurred_at": self.stamp(),
                    "assembly": assembly,
                    "stop": stop,
                    "act": act,
                    **fields,
                }
                acts.note_stop(self.act_as("fitter"), PLANT, support.mark, document)

    def ease(self, support: Support, turns: float) -> None:
        """Ease a support until its stops are free by hand, and see that they are."""
        self.step(support, "ease")
        self.turn(support, turns)
        self.each_stop(support, "observed", bearing_face="none", free_by_hand=True)

    def withdraw(self, support: Support) -> None:
        """Draw every stop by hand, counted, and stow it."""
        counts = [{"assembly": place, "count": support.stops} for place in range(1, support.assemblies + 1)]
        self.step(support, "withdraw", stops_withdrawn=counts)
        self.each_stop(support, "stowed", stowed_at=f"bag {support.mark[-2:]}, at the hanger")

    def position(self, support: Support) -> None:
        """Bring the support to its position: the nut goes back by the counted turns."""
        self.step(support, "position")
        if support.kind != "rigid":
            self.turn(support, -self.nets.get((support.mark, 1), 0.0))

    def confirm(self, support: Support) -> None:
        """Hardware verified by another person, cold readings in, then confirm."""
        self.clock.advance(5)
        self.inspect(support, stops_counted=None, stops_damaged=None, nameplate=None)
        self.read(support, "cold", expected_released_cold_mm(support) + 1, 21)
        self.step(support, "confirm")

    def read(self, support: Support, condition: str, position_mm: float, temperature: float) -> None:
        """Read every assembly's indicators."""
        for assembly in range(1, support.assemblies + 1):
            self.clock.advance(2)
            rise_mm = support.movement_mm if condition == "hot" else 0.0
            document: dict[str, Any] = {
                "occurred_at": self.stamp(),
                "assembly": assembly,
                "condition": condition,
                "position": {"value": round(position_mm, 3), "unit": "mm"},
                "elevation": {"value": round(support.elevation_m + rise_mm / 1000, 4), "unit": "m"},
                "line_temperature": {"value": temperature, "unit": "degC"},
                "legible": True,
                "reading_resolution": {"value": 1, "unit": "mm"},
                "last_movement": "rising" if support.movement_mm > 0 else "falling",
                "method": "at_the_scale",
            }
            if support.kind == "constant":
                document["load_indicator"] = {"value": round(hot_load_kn(support), 3), "unit": "kN"}
            if condition == "hot":
                document["steady_hours"] = 8
            acts.take_reading(self.act_as("fitter"), PLANT, support.mark, document)

    def prove(self, support: Support) -> None:
        """Hot readings, then the engineer accepts."""
        temperature = float(LINES[support.line]["design_temperature"]["value"])
        self.read(support, "hot", hot_mark_mm(support) + 2, temperature)
        self.step(support, "prove", role="engineer")


def sprung(line: str) -> list[Support]:
    """Supports of a line that have something to release, in the order of the line."""
    return [support for support in supports_of(line) if support.kind != "rigid"]


def open_demo_plant(context: Context) -> None:
    """Open the invented plant."""
    records.put_plant(context, PLANT, PLANT_RECORD, NEW)
