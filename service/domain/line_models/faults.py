"""Faults of a line model: all of them together, each with its pointer."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from service.errors import Finding, InvalidDocument

MOST_TOLD: Final = 200


class Faults:
    """What was found wrong with a line model so far."""

    def __init__(self) -> None:
        self._found: list[Finding] = []

    def add(self, rule: str, detail: str, pointer: str, accepted: Any = None) -> None:
        """Notes a fault.

        Args:
            rule: short code of the rule that is broken
            detail: one sentence
            pointer: JSON pointer into the model
            accepted: what would have been accepted, in words or as a list
        """
        self._found.append(Finding("body", rule, detail, pointer=pointer, accepted=accepted))

    def __len__(self) -> int:
        return len(self._found)

    def settle(self) -> None:
        """Raises InvalidDocument with the faults that were noted, if there is one: the first of very many."""
        if self._found:
            count = len(self._found)
            detail = "The line model has a fault." if count == 1 else f"The line model has {count} faults."
            if count > MOST_TOLD:
                detail += f" The first {MOST_TOLD} are told."
            raise InvalidDocument(detail, errors=self._found[:MOST_TOLD])


class Named:
    """The entries of one list of the model by id, ignoring letter case."""

    def __init__(self, model: Mapping[str, Any], name: str, faults: Faults, key: str = "id") -> None:
        """Indexes a list; an id that comes twice is a fault.

        Args:
            model: the line model
            name: which list of it; an absent list is empty
            faults: where faults are noted
            key: the entry's key
        """
        self.name = name
        self.entries: Sequence[Mapping[str, Any]] = model.get(name, ())
        self._faults = faults
        self._places: dict[str, int] = {}
        for place, entry in enumerate(self.entries):
            folded = str(entry[key]).casefold()
            if folded in self._places:
                faults.add(
                    "duplicate-id",
                    f"{entry[key]} stands twice among the {name}.",
                    f"/{name}/{place}/{key}",
                    "an id of its own, also when letter case is ignored",
                )
            else:
                self._places[folded] = place

    def __iter__(self) -> Iterator[tuple[int, Mapping[str, Any]]]:
        """Place and entry of each, those of a repeated id too."""
        return iter(enumerate(self.entries))

    def find(self, given: str) -> int | None:
        """Place of an id; None where there is none."""
        return self._places.get(given.casefold())

    def refer(self, given: str, pointer: str) -> int | None:
        """Place of an id that the model refers to; one that does not exist is a fault."""
        place = self.find(given)
        if place is None:
            self._faults.add(
                "unknown-reference",
                f"There is no {given} among the {self.name}.",
                pointer,
                f"an id of /{self.name}",
            )
        return place
