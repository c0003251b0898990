"""Analysis: a built line, factorised once, and the states that questions ask for.

Everything is in SI. Up is positive; turns are positive when they raise the load on the pipe.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from functools import cached_property

from service.domain.line_models.built import BuiltLine, CaseName
from service.engineering.frames.elements import Array
from service.engineering.frames.solution import Condensed, Factorised, Response, factorise
from service.engineering.states.laws import Hanger
from service.engineering.states.tracing import Line, State
from service.errors import ServiceError


class NotWeighable(ServiceError):
    """A record does not state what the question needs; facts `missing`: {mark: [pointers]} (422)."""

    code = "not-weighable"
    title = "The records do not tell enough to weigh the line"


class Analysis:
    """A line that can be asked. Nothing is solved before it is asked for, and nothing twice."""

    def __init__(self, built: BuiltLine) -> None:
        """built: the line; its frames are factorised when first needed."""
        self.built = built
        self.marks = tuple(hanger.mark for hanger in built.hangers)
        self._factorised: dict[int, Factorised] = {}
        self._condensed: dict[CaseName, Condensed] = {}

    def changed(self, built: BuiltLine) -> Analysis:
        """The same frames with other hangers or loads: what is factorised is used again.

        built: of this line, its frames the same objects
        """
        found = Analysis(built)
        found._factorised = self._factorised
        return found

    # --- the line alone ---------------------------------------------------------------------------------
    def factorised(self, case: CaseName) -> Factorised:
        """The factorised frame of a case; cases with the same frame share it. Errors: FrameUnstable."""
        frame = self.built.frames[case]
        if id(frame) not in self._factorised:
            self._factorised[id(frame)] = factorise(frame)
        return self._factorised[id(frame)]

    def condensed(self, case: CaseName) -> Condensed:
        """The line alone as its hangers feel it in a case; loads (m, 1)."""
        if case not in self._condensed:
            self._condensed[case] = self.factorised(case).condense([self.built.cases[case]])
        return self._condensed[case]

    def line(self, case: CaseName) -> Line:
        """The line alone, to follow paths on."""
        return Line(self.condensed(case).stiffness)

    def load_n(self, case: CaseName) -> Array:
        """What the line would press on each hanger's place if none of them moved, negative down, (m,) [N]."""
        loads: Array = self.condensed(case).loads[:, 0]
        return loads

    # --- states ---------------------------------------------------------------------------------------------
    @cached_property
    def released_now(self) -> frozenset[str]:
        """Marks of the hangers whose stops are out now."""
        return frozenset(hanger.mark for hanger in self.built.hangers if hanger.released)

    def laws(
        self,
        *,
        released: Collection[str] | None = None,
        friction: float = 0.0,
        offsets_m: Mapping[str, float] | None = None,
    ) -> tuple[Hanger, ...]:
        """What each hanger does.

        Args:
            released: marks of hangers whose stops are out; those that are out now where None is given
            friction: share of the friction band that acts, 0 to 1
            offsets_m: offsets instead of those on record, by mark [m]

        Raises:
            NotWeighable: a record does not state what this needs
        """
        out = self.released_now if released is None else released
        given = offsets_m or {}
        found: list[Hanger] = []
        missing: dict[str, list[str]] = {}
        for hanger in self.built.hangers:
            law = (hanger.free if hanger.mark in out else hanger.locked)(
                friction=friction, offset_m=given.get(hanger.mark)
            )
            if law is None:
                missing[hanger.mark] = list(hanger.missing)
            else:
                found.append(law)
        if missing:
            raise NotWeighable(
                "Records of the line's hangers do not state what this needs: " + ", ".join(missing) + ".",
                missing=missing,
            )
        return tuple(found)

    def state(
        self,
        case: CaseName,
        *,
        released: Collection[str] | None = None,
        friction: float = 0.0,
        offsets_m: Mapping[str, float] | None = None,
    ) -> State:
        """The line at rest in a case; arguments as `laws`.

        Raises:
            NotWeighable: a record does not state what this needs
            NoVerticalStiffness: the line is free to drift
        """
        laws = self.laws(released=released, friction=friction, offsets_m=offsets_m)
        return self.line(case).start(laws, self.load_n(case))

    def response(self, case: CaseName, state: State) -> Response:
        """Displacements, reactions and element forces in a state; the equilibrium residual is verified."""
        return self.factorised(case).recover(self.built.cases[case], state.movement_m, state.force_n)
