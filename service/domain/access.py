"""Principals, roles and scopes: who may do what, as one table without a framework."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

ROLES: Final = ("reader", "recorder", "engineer", "integrator", "auditor", "administrator")

# act -> roles that may do it. `read` is reading within scope; `read_log` is the whole log.
PERMITTED: Final[Mapping[str, frozenset[str]]] = {
    "read": frozenset({"reader", "recorder", "engineer", "integrator", "auditor", "administrator"}),
    "read_log": frozenset({"engineer", "integrator", "auditor"}),
    "erase": frozenset({"administrator"}),
    "read_webhooks": frozenset({"integrator", "auditor"}),
    "write_webhooks": frozenset({"integrator"}),
    "read_service_log": frozenset({"auditor", "administrator"}),
    "record_acts": frozenset({"recorder", "engineer", "integrator"}),
    "authorise": frozenset({"engineer"}),
    "concede": frozenset({"engineer"}),
    "dispose": frozenset({"engineer"}),
    "prove": frozenset({"engineer"}),
    "relock": frozenset({"engineer"}),
    "transfer": frozenset({"engineer"}),
    "retire": frozenset({"engineer"}),
    "write_criteria": frozenset({"engineer"}),
    "write_line_models": frozenset({"engineer"}),
    "write_records": frozenset({"engineer", "integrator"}),
    "write_lines": frozenset({"engineer", "integrator"}),
    "write_plants": frozenset({"administrator"}),
    "administer": frozenset({"administrator"}),
}


@dataclass(frozen=True)
class Principal:
    """Who calls: opaque id, person or system, the token's role and scope.

    plants / lines: None means all. lines are keys of lines within the plants in scope.
    """

    id: str
    kind: str
    role: str
    token_id: str
    plants: frozenset[str] | None = None
    lines: frozenset[str] | None = None

    def may(self, act: str) -> bool:
        """Whether the role permits the act (scope is asked apart)."""
        return self.role in PERMITTED[act]

    def sees_plant(self, plant: str) -> bool:
        """Whether the plant is in scope (keys compare ignoring letter case)."""
        return self.plants is None or plant.casefold() in self.plants

    def sees_line(self, plant: str, line: str | None) -> bool:
        """Whether the line of this plant is in scope; None stands for the plant as a whole."""
        if not self.sees_plant(plant):
            return False
        if self.lines is None:
            return True
        return line is not None and line.casefold() in self.lines
