"""Weighings: the balance of a stored line as checks, guards and readiness use it, worked out once.

Building and factorising a line costs tens of milliseconds, and every act on a line asks for its
readiness. What was worked out is kept by a digest of everything that it rests on, so that a trial or a
write that was undone cannot leave a wrong one behind.
"""

from __future__ import annotations

import hashlib
import math
from collections import OrderedDict
from collections.abc import Mapping
from threading import Lock
from typing import Any, Final

import orjson

from service.application.limits import criteria_of
from service.domain.balance.analysis import Analysis
from service.domain.balance.weigh import weigh, without_expected
from service.domain.checks.weighed import NotWeighed, Weighed
from service.domain.line_models.basis import basis_differs
from service.domain.line_models.builder import build_line
from service.domain.line_models.built import BuiltLine
from service.domain.line_models.known import known_line
from service.domain.ports import PlantReader, Record
from service.domain.views import LineView
from service.errors import InvalidDocument, ServiceError

KIND: Final = "line-model"
KEPT_LINES: Final = 16
# Nodes of all lines that are kept factorised: some 15 kB each with what was solved on them.
KEPT_NODES: Final = 20_000
KEPT_WEIGHINGS: Final = 512


class _Kept:
    """The newest lines asked for, by digest; the last one always, however large it is."""

    def __init__(self, size: int, room: float = math.inf) -> None:
        """size: how many at most. room: the most that they may take up together, in the unit of `put`."""
        self._size = size
        self._room = room
        self._lock = Lock()
        self._held: OrderedDict[bytes, tuple[Any, int]] = OrderedDict()
        self._taken = 0

    def get(self, key: bytes) -> Any:
        with self._lock:
            if key in self._held:
                self._held.move_to_end(key)
            return self._held.get(key, (None, 0))[0]

    def put(self, key: bytes, value: Any, takes: int = 1) -> None:
        with self._lock:
            self._taken += takes - self._held.pop(key, (None, 0))[1]
            self._held[key] = value, takes
            while len(self._held) > 1 and (len(self._held) > self._size or self._taken > self._room):
                self._taken -= self._held.popitem(last=False)[1][1]


_LINES: Final = _Kept(KEPT_LINES, KEPT_NODES)
_WEIGHINGS: Final = _Kept(KEPT_WEIGHINGS)


class ModelledLine:
    """A line with a model, as of one sequence: everything that its balance rests on."""

    def __init__(self, reader: PlantReader, view: LineView, model: Record, as_of: int | None) -> None:
        """Reads the plant's criteria too: allowable stresses of rods whose record states none are theirs."""
        self.view = view
        self.model = model
        criteria, _ = criteria_of(reader, as_of)
        self._known = known_line(view, model.document, model.sequence)
        self._criteria = criteria
        rests_on = [
            [model.revision, model.sequence, model.document],
            [self._known.present, self._known.net_turns, self._known.load_adjuster_turns],
            [sorted(self._known.released), self._known.locked_readings],
            [[hanger.mark, hanger.record] for hanger in view.hangers],
            (view.record or {}).get("weight_basis"),
            [[name, criteria[name].value_si] for name in criteria.names()],
        ]
        self._key = hashlib.sha256(orjson.dumps(rests_on, option=orjson.OPT_SORT_KEYS)).digest()

    def analysis(self) -> Analysis:
        """The line as it stands, ready to be asked.

        Errors: InvalidDocument where the records no longer fit the model.
        """
        found: Analysis | None = _LINES.get(self._key)
        if found is None:
            built = self._built()
            found = Analysis(built)
            _LINES.put(self._key, found, len(built.frames["cold"].coordinates))
        return found

    def weighing(self) -> Weighed:
        """What the balance says; where it says nothing, why."""
        found: Weighed | None = _WEIGHINGS.get(self._key)
        if found is None:
            found = self._weighed()
            _WEIGHINGS.put(self._key, found)
        return found

    def _built(self) -> BuiltLine:
        return build_line(
            self.model.document,
            hanger_records(self.view),
            present=self._known.present,
            net_turns=self._known.net_turns,
            load_adjuster_turns=self._known.load_adjuster_turns,
            released=self._known.released,
            locked_readings=self._known.locked_readings,
            criteria=self._criteria,
        )

    def _weighed(self) -> Weighed:
        revision, sequence = self.model.revision, self.model.sequence
        try:
            found = weigh(self.analysis(), model_revision=revision, model_sequence=sequence)
        except InvalidDocument as error:
            places = "; ".join(f"{finding.pointer}: {finding.detail}" for finding in error.errors[:5])
            reason = f"the records no longer fit it. {places or error.detail}"
            return NotWeighed(reason, {}, revision, sequence)
        except ServiceError as error:
            missing = {mark: tuple(fields) for mark, fields in error.facts.get("missing", {}).items()}
            return NotWeighed(error.detail, missing, revision, sequence)
        except (ArithmeticError, ValueError):
            # Nobody may be kept from putting a hanger on hold because a line cannot be reckoned.
            reason = "its figures are outside what can be reckoned with."
            return NotWeighed(reason, {}, revision, sequence)
        differs = basis_differs(self.view.record, self.analysis().built)
        return found if differs is None else without_expected(found, differs)


def hanger_records(view: LineView) -> dict[str, Mapping[str, Any]]:
    """Records of the line's hangers by folded mark."""
    return {hanger.mark.casefold(): hanger.record for hanger in view.hangers}


def modelled_line(reader: PlantReader, view: LineView, as_of: int | None = None) -> ModelledLine | None:
    """The line with its model as of a sequence; None where it had none."""
    model = reader.record(KIND, view.line, as_of=as_of)
    return None if model is None else ModelledLine(reader, view, model, as_of)


def weighing_of(reader: PlantReader, view: LineView, as_of: int | None = None) -> Weighed | None:
    """What the balance says of a line; None where it has no model.

    NotWeighed where it has one and the balance fails: it is a blocker, never silence.
    """
    line = modelled_line(reader, view, as_of)
    return None if line is None else line.weighing()
