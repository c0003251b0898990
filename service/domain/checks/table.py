"""The shape of the table of rules."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

from service.domain.checks.look import Look, Row

Group = Literal["design", "erected", "read", "balance"]
Purpose = Literal["pressure_test", "chemical_clean", "release", "heat_up", "acceptance"]

SPRINGS = ("variable", "constant")
EVERY_KIND = ("variable", "constant", "rigid")
VARIABLE = ("variable",)
CONSTANT = ("constant",)

RELEASE: tuple[Purpose, ...] = ("release",)
LOCKED: tuple[Purpose, ...] = ("pressure_test", "chemical_clean")
LOCKED_AND_RELEASE: tuple[Purpose, ...] = ("pressure_test", "chemical_clean", "release")

RESERVE = ("reserve_share", "reserve_least")


@dataclass(frozen=True)
class Basis:
    """What a rule rests on where no limit of the criteria does."""

    source: str
    paragraph: str | None
    status: str

    def as_document(self) -> dict[str, Any]:
        """The basis as a row carries it."""
        return {"source": self.source, "paragraph": self.paragraph, "status": self.status}


DRAWING = Basis("the hanger's drawing", None, "plant")
MECHANICS = Basis("mechanics", None, "standard")


@dataclass(frozen=True)
class Rule:
    """One row of the table.

    code: public name. group: design, erected (what was found on site), read (what the scales show) or balance
    (what the line's model says; run only where the line was weighed).
    title: one line. run: gives the row. kinds: kinds of support that it applies to. per_assembly: one
    row an assembly, else one for the hanger. vertical: it does not apply to a horizontal line of
    action. rod: it does not apply to a base spring. limits: names of the criteria that it compares
    with; at least one, or a basis. basis: what it rests on; None where the first limit says so.
    purposes: purposes of readiness that it feeds.
    """

    code: str
    group: Group
    title: str
    run: Callable[[Look], Row]
    kinds: tuple[str, ...] = SPRINGS
    per_assembly: bool = False
    vertical: bool = False
    rod: bool = False
    limits: tuple[str, ...] = ()
    basis: Basis | None = None
    purposes: tuple[Purpose, ...] = ()

    def as_document(self) -> dict[str, Any]:
        """The rule as it is listed: code, group, title, kinds, limits and purposes."""
        return {
            "rule": self.code,
            "group": self.group,
            "title": self.title,
            "kinds": list(self.kinds),
            "limits": list(self.limits),
            "purposes": list(self.purposes),
        }
