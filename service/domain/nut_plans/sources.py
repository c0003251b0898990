"""Reading the request, the hanger record and the stored facts into SI, keeping account of it.

Everything read is noted with where it came from; everything wanted and not found is noted by its
JSON pointer. Pointers lead into the request document; the record stands under `/hanger` there, also
when it came from the store.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from service.engineering.nut_plans import Interval
from service.errors import Finding, InvalidDocument
from service.units import Dimension, quantity_to_si

# Facts of which the store is the truth wherever it knows them.
_STORE_RULES = ("stops_in", "ledger", "load_adjuster_ledger")


def join_known(
    request: Mapping[str, Any], known: Mapping[str, Any] | None
) -> tuple[dict[str, Any], frozenset[str], tuple[str, ...]]:
    """The request joined with what the store knows, in the request's own members.

    The store is the truth for stops and ledgers. Of two engagements of one end the smaller counts; a rod
    is slack if either says so; two different bearing faces make the face unknown; other observations of
    the request go before those of the store.

    Args:
        request: a valid nut plan request
        known: members stops_in, ledger, load_adjuster_ledger, bearing_face, rod_slack, engagement and
            reading as the store knows them; None when nothing is stored

    Returns:
        the joined request, the names of members that came from the store, and caution codes
    """
    joined = dict(request)
    if known is None:
        return joined, frozenset(), ()
    from_store: set[str] = set()
    cautions: list[str] = []
    for name, value in known.items():
        if name in _STORE_RULES or name not in request:
            joined[name] = value
            from_store.add(name)
        elif name == "bearing_face" and value not in (request[name], "unknown"):
            if request[name] == "unknown":
                joined[name] = value
                from_store.add(name)
            else:
                joined[name] = "unknown"
                cautions.append("faces-differ")
        elif name == "rod_slack":
            joined[name] = bool(request[name]) or bool(value)
        elif name == "engagement":
            joined[name] = list(_smaller_engagements([*request[name], *value]))
    return joined, frozenset(from_store), tuple(cautions)


def _smaller_engagements(entries: Sequence[Mapping[str, Any]]) -> Iterator[Mapping[str, Any]]:
    for end in ("upper", "lower"):
        here = [entry for entry in entries if entry["end"] == end]
        measured = [entry for entry in here if "measured" in entry]
        refused = [entry for entry in here if entry.get("full") is False]
        if measured:
            least = min(measured, key=lambda entry: quantity_to_si(entry["measured"], Dimension.LENGTH))
            yield {**least, "full": False} if refused else least
        elif refused:
            yield refused[0]
        elif here:
            yield here[0]


class Sources:
    """The joined request and the record, read once, with an account of what was used and missing."""

    def __init__(
        self, request: Mapping[str, Any], record: Mapping[str, Any] | None, from_store: frozenset[str]
    ) -> None:
        """Keeps the documents; nothing is read yet. record: None when there is none."""
        self.request = request
        self.record: Mapping[str, Any] = {} if record is None else record
        self._from_store = from_store
        self._missing: dict[str, None] = {}
        self._inputs: dict[str, dict[str, Any]] = {}

    @property
    def missing(self) -> list[str]:
        """Pointers of what was wanted and not found, in the order of wanting."""
        return list(self._missing)

    @property
    def inputs(self) -> list[dict[str, Any]]:
        """What was read, in order: pointer, value as given, and from where."""
        return list(self._inputs.values())

    def want(self, pointer: str) -> None:
        """Note that something is missing."""
        self._missing.setdefault(pointer)

    def derived(self, name: str, value: Any) -> None:
        """Note a value that was worked out of others."""
        self._inputs[f"#{name}"] = {"pointer": f"#{name}", "value": value, "from": "derived"}

    def _note(self, pointer: str, value: Any, origin: str) -> None:
        self._inputs[pointer] = {"pointer": pointer, "value": value, "from": origin}

    @staticmethod
    def _find(document: Any, pointer: str) -> Any:
        for part in pointer.strip("/").split("/"):
            if isinstance(document, Mapping):
                document = document.get(part)
            elif isinstance(document, Sequence) and not isinstance(document, str) and part.isdigit():
                document = document[int(part)] if int(part) < len(document) else None
            else:
                return None
        return document

    def given(self, pointer: str, *, wanted: bool = False) -> Any:
        """A member of the joined request as it stands; None when absent, and noted so if wanted."""
        value = self._find(self.request, pointer)
        if value is None:
            if wanted:
                self.want(pointer)
            return None
        origin = "store" if pointer.strip("/").split("/")[0] in self._from_store else "request"
        self._note(pointer, value, origin)
        return value

    def given_si(self, pointer: str, dimension: Dimension, *, wanted: bool = False) -> float | None:
        """A quantity of the request in SI; None when absent."""
        value = self.given(pointer, wanted=wanted)
        return None if value is None else quantity_to_si(value, dimension)

    def drawn(self, pointer: str, *, wanted: bool = False) -> Any:
        """A member of the hanger record as it stands; None when absent, and noted so if wanted."""
        value = self._find(self.record, pointer)
        if value is None:
            if wanted:
                self.want(f"/hanger{pointer}")
            return None
        self._note(f"/hanger{pointer}", value, "record")
        return value

    def drawn_si(self, pointer: str, dimension: Dimension, *, wanted: bool = False) -> float | None:
        """A quantity of the hanger record in SI; None when absent."""
        value = self.drawn(pointer, wanted=wanted)
        return None if value is None else quantity_to_si(value, dimension)

    def given_interval(self, pointer: str, dimension: Dimension, *, wanted: bool = False) -> Interval | None:
        """A value or an estimate (`value`, or `low` and `high`) of the request, as an interval in SI.

        Raises:
            InvalidDocument: `low` lies above `high`
        """
        entry = self.given(pointer, wanted=wanted)
        if entry is None:
            return None
        if "value" in entry:
            return Interval.exact(quantity_to_si(entry["value"], dimension))
        low, high = quantity_to_si(entry["low"], dimension), quantity_to_si(entry["high"], dimension)
        if low > high:
            raise InvalidDocument(
                "The lower bound of an estimate lies above its upper bound.",
                errors=[
                    Finding(
                        place="body",
                        rule="low-not-above-high",
                        detail="`low` must not lie above `high`.",
                        pointer=f"{pointer}/low",
                    )
                ],
            )
        return Interval(low, high)
