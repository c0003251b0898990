"""One rule's look at one hanger: what it read, what it found missing, and the row it gives.

A rule asks the look for what it needs. What the record or the log does not state is noted, and
`settle` then ends the rule with `cannot_say` and every name that is missing; a rule never goes on with
a guess.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, NoReturn

from service.domain.balance.weighing import HangerWeighing, Weighing
from service.domain.checks.weighed import NotWeighed, Weighed, weighed_by
from service.domain.criteria import Criteria
from service.domain.facts import Fact, Facts
from service.engineering.checks import Verdict
from service.engineering.springs import spring_load_n
from service.engineering.threads import Thread, parse_thread
from service.errors import UnknownThread
from service.units import PREFERRED, Dimension, quantity_from_si, quantity_to_si

if TYPE_CHECKING:
    from service.domain.checks.table import Rule

Row = dict[str, Any]

_UNITS = PREFERRED["si"]
# What the published shape of a row allows for the source of its basis.
_SOURCE_LENGTH: Final = 200


def _quantity(value_si: float, unit: str, dimension: Dimension) -> dict[str, Any]:
    """A quantity for a row; what is only the noise of a subtraction reads as zero."""
    quantity = quantity_from_si(value_si, unit, dimension)
    if abs(quantity["value"]) < 1e-9:
        quantity["value"] = 0.0
    return quantity


def _figures(verdict: Verdict, dimension: Dimension) -> list[dict[str, Any]]:
    """Found, limit and margin of a verdict as quantities."""
    unit = _UNITS[dimension]
    return [_quantity(value, unit, dimension) for value in (verdict.found, verdict.limit, verdict.margin)]


@dataclass(frozen=True)
class DocumentFact(Fact):
    """A fact from a posted document instead of the log; pointer: where it stands in the request."""

    pointer: str = ""


@dataclass(frozen=True)
class Subject:
    """What the checks look at.

    record: the hanger's record as given. facts: facts of the hanger, empty where nothing is known.
    state: release state, None for a posted document. line_record: record of its line, or None. weighing:
    what the balance of its line says, why it says nothing, or None where the line has no model. key: its mark
    as the line's model names it; that of the record where None is given.
    """

    record: Mapping[str, Any]
    facts: Facts
    state: str | None
    line_record: Mapping[str, Any] | None
    criteria: Criteria
    weighing: Weighed | None = None
    key: str | None = None
    # The rules of one run ask for the same places over and over.
    _found: dict[str, Any] = field(default_factory=dict, repr=False, compare=False)
    _si: dict[str, float] = field(default_factory=dict, repr=False, compare=False)

    @property
    def mark(self) -> str:
        """Its mark, by which the line's model knows it."""
        return str(self.record.get("mark")) if self.key is None else self.key

    @property
    def kind(self) -> str:
        """variable, constant or rigid."""
        return str(self.record["kind"])

    def at(self, pointer: str) -> Any:
        """What stands in the record at a JSON pointer; None where nothing does."""
        if pointer not in self._found:
            self._found[pointer] = self._seek(pointer)
        return self._found[pointer]

    def si(self, pointer: str, dimension: Dimension) -> float:
        """The quantity that stands at a pointer, as an SI float; each place has one dimension."""
        if pointer not in self._si:
            self._si[pointer] = quantity_to_si(self.at(pointer), dimension)
        return self._si[pointer]

    def _seek(self, pointer: str) -> Any:
        found: Any = self.record
        for part in pointer.split("/")[1:]:
            if isinstance(found, list):
                found = found[int(part)] if int(part) < len(found) else None
            else:
                found = found.get(part)
            if found is None:
                return None
        return found

    @property
    def assemblies(self) -> int:
        """Number of assemblies; 0 where the record does not state them."""
        return len(self.record.get("assemblies", ()))

    @property
    def from_below(self) -> bool:
        """Whether it is a base spring under the pipe, which has no rod."""
        return self.record.get("acts_from") == "below"


class Answer(Exception):
    """Ends a rule early with its row."""

    def __init__(self, row: Row) -> None:
        super().__init__(row["message"])
        self.row = row


@dataclass
class Look:
    """A rule's look. assembly: number of the assembly from 1, None for a rule of the whole hanger."""

    subject: Subject
    rule: Rule
    assembly: int | None = None
    inputs: list[str | int] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    rests_on: Mapping[str, Any] | None = None
    balance: str | None = None

    # --- what the record states ------------------------------------------------------------------
    def optional(self, pointer: str) -> Any:
        """What stands in the record at the pointer, noted as used; None where nothing does."""
        found = self.subject.at(pointer)
        if found is not None and pointer not in self.inputs:
            self.inputs.append(pointer)
        return found

    def value(self, pointer: str) -> Any:
        """As `optional`, but its absence is noted as missing."""
        found = self.optional(pointer)
        if found is None:
            self.lack(pointer)
        return found

    def optional_si(self, pointer: str, dimension: Dimension) -> float | None:
        """A quantity of the record as an SI float, or None."""
        return None if self.optional(pointer) is None else self.subject.si(pointer, dimension)

    def si(self, pointer: str, dimension: Dimension) -> float:
        """A quantity of the record as an SI float; not a number where missing, which `settle` ends."""
        return math.nan if self.value(pointer) is None else self.subject.si(pointer, dimension)

    @property
    def assembly_pointer(self) -> str:
        """Pointer to the assembly in the record, for a rule per assembly."""
        return f"/assemblies/{(self.assembly or 1) - 1}"

    def load_share(self) -> float:
        """The assembly's share of the hanger's load: as stated, or an equal one where none is stated.

        Only rules per assembly ask for it; they run where the record states the assemblies.
        """
        assemblies = self.subject.record["assemblies"]
        pointer = f"{self.assembly_pointer}/load_share"
        stated = self.optional_si(pointer, Dimension.RATIO)
        if stated is not None:
            return stated
        if any("load_share" in entry for entry in assemblies):
            self.lack(pointer)  # some shares are stated, so this one is not simply an equal one
            return math.nan
        self.inputs.append("/assemblies")
        return 1.0 / len(assemblies)

    def share_of(self, pointer: str) -> float:
        """The assembly's part of a load of the hanger at the pipe, hardware weight included [N]."""
        load_n = self.si(pointer, Dimension.FORCE)
        hardware_n = self.si("/design/hardware_weight", Dimension.FORCE)
        return spring_load_n(load_n, hardware_n, self.load_share())

    def operating_load(self) -> float:
        """Load of the assembly in operation, hardware weight included [N]."""
        return self.share_of("/design/operating_load")

    def thread(self, pointer: str) -> Thread | None:
        """The thread at a pointer; one that is missing or not of an accepted form is noted as missing."""
        text = self.value(pointer)
        if text is None:
            return None
        try:
            return parse_thread(text)
        except UnknownThread:
            self.lack(pointer)
            return None

    # --- what the log shows ----------------------------------------------------------------------
    def optional_fact(self, name: str) -> Fact | None:
        """A fact of the whole hanger or, for a rule per assembly, of the assembly; noted as used."""
        full = name if self.assembly is None else f"assembly/{self.assembly}/{name}"
        fact = self.subject.facts.get(full)
        if fact is not None:
            shown = fact.pointer if isinstance(fact, DocumentFact) else fact.shown_by
            if shown not in self.inputs:
                self.inputs.append(shown)
        return fact

    def fact(self, name: str) -> Any:
        """The value of a fact; its absence is noted as the missing observation `assembly/1/...`."""
        fact = self.optional_fact(name)
        if fact is None:
            self.lack(name if self.assembly is None else f"assembly/{self.assembly}/{name}")
            return None
        return fact.value

    def fact_si(self, name: str, dimension: Dimension) -> float:
        """A quantity that the log shows, as an SI float; not a number where missing."""
        found = self.fact(name)
        return math.nan if found is None else quantity_to_si(found, dimension)

    # --- what the line's balance says --------------------------------------------------------------
    def weighing(self) -> Weighing | None:
        """The balance of the line where there is one; noted as used."""
        weighing = self.subject.weighing
        if not isinstance(weighing, Weighing):
            return None
        self.balance, used = weighed_by(weighing)
        self.inputs += [name for name in used if name not in self.inputs]
        return weighing

    def hanger_weighing(self) -> HangerWeighing:
        """What the balance says of the hanger, noted as used; ends the rule where it says nothing."""
        if self.subject.weighing is None:
            self.not_applicable("The line has no model.")
        mark = self.subject.mark
        if isinstance(self.subject.weighing, NotWeighed):
            for pointer in self.subject.weighing.missing.get(mark, ()):
                self.lack(pointer)
            self.cannot_say(f"The line is not weighed: {self.subject.weighing.reason}")
        weighing = self.weighing()
        hanger = None if weighing is None else weighing.hangers.get(mark)
        if hanger is None:
            self.lack(f"line-model/hangers/{mark}")
            self.cannot_say("The line's model does not have this hanger.")
        return hanger

    # --- limits ------------------------------------------------------------------------------------
    def limit(self, name: str) -> float:
        """A limit of the criteria in SI, or its plain number."""
        return self.subject.criteria.si(name)

    def rest_on_limit(self, name: str) -> None:
        """Makes a limit of the criteria the basis of the row."""
        limit = self.subject.criteria[name]
        self.rests_on = {"source": limit.source, "paragraph": limit.paragraph, "status": limit.source_status}

    # --- answers -----------------------------------------------------------------------------------
    def lack(self, name: str) -> None:
        """Notes something as missing: a JSON pointer into the record, or the name of an observation."""
        if name not in self.missing:
            self.missing.append(name)

    def settle(self, message: str = "The record or the log does not state what this check needs.") -> None:
        """Ends the rule with `cannot_say` when anything that it asked for is missing."""
        if self.missing:
            self.cannot_say(message)

    def cannot_say(self, message: str) -> NoReturn:
        """Ends the rule: nothing can be said, for the reason given."""
        raise Answer(self.row("cannot_say", message))

    def not_applicable(self, message: str) -> NoReturn:
        """Ends the rule: it does not apply here."""
        raise Answer(self.row("not_applicable", message))

    def basis(self) -> dict[str, Any]:
        """Source, paragraph and standing of what the rule compares with."""
        if self.rests_on is None:
            if self.rule.basis is not None:
                self.rests_on = self.rule.basis.as_document()
            else:
                self.rest_on_limit(self.rule.limits[0])
        basis = dict(self.rests_on or {})
        if self.balance is not None:
            basis["source"] = f"{self.balance}; {basis['source']}"[:_SOURCE_LENGTH]
        return basis

    def row(self, status: str, message: str, found: Any = None, limit: Any = None, margin: Any = None) -> Row:
        """The rule's row, with plain JSON values for found, limit and margin."""
        return {
            "rule": self.rule.code,
            "status": status,
            "found": found,
            "limit": limit,
            "margin": margin,
            "basis": self.basis(),
            "message": message,
            "inputs": list(self.inputs),
            "assembly": self.assembly,
            "missing": list(self.missing),
        }

    def compared(self, verdict: Verdict, dimension: Dimension, messages: Mapping[str, str]) -> Row:
        """The row of a comparison.

        verdict: in SI. dimension: of found, limit and margin. messages: a sentence per status; the one
        for `attention` may be left out where there is no such zone.
        """
        return self.row(verdict.status, messages[verdict.status], *_figures(verdict, dimension))

    def undecided(self, verdict: Verdict, dimension: Dimension, message: str) -> Row:
        """The row of a comparison that lets nothing be said, with its figures; arguments as `compared`."""
        return self.row("cannot_say", message, *_figures(verdict, dimension))

    def judged(self, good: bool, found: Any, limit: Any, yes: str, no: str) -> Row:
        """The row of a plain yes or no: pass with the sentence `yes`, or fail with `no`."""
        return self.row("pass" if good else "fail", yes if good else no, found, limit)
