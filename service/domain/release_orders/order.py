"""`release_order`: one line, one request, one order, or why there is none."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from service.domain.balance.analysis import Analysis, NotWeighable
from service.domain.balance.figures import Figures, plain
from service.domain.balance.standing import Settled, settle
from service.domain.balance.weigh import assumptions
from service.domain.line_models.built import BuiltLine
from service.domain.release_orders.asked import Asked, base_offsets_m, read_request, supports_of
from service.domain.release_orders.following import TURN_TOLERANCE
from service.domain.release_orders.neighbours import neighbours_of
from service.domain.release_orders.told import Teller
from service.domain.release_orders.words import CAUTIONS, STATUS
from service.engineering.frames.elements import Array
from service.engineering.release_order.field import Field
from service.engineering.release_order.search import EXACT_UNITS, Plan, Search
from service.engineering.release_order.steps import BEYOND, LEAVE, Peak, Yard
from service.engineering.states.laws import Hanger
from service.engineering.states.state import NotAtRest
from service.engineering.states.tracing import NoVerticalStiffness, PathLost, State
from service.units import System

LIMITS = (
    "The turns are those of the model; bearing faces and turns observed override them.",
    "Threads, engagement and hardware are not weighed here: the nut plan of each hanger does that.",
    "Loads sideways, rods out of plumb, impact and the stiffness of hands and tools are left out.",
)
MANY_HISTORIES = 20
"""Up to how many units more than one history with friction is followed."""

_SAFE = 1.0 + 1e-9


def release_order(
    analysis: Analysis,
    request: Mapping[str, Any],
    *,
    records: Mapping[str, Mapping[str, Any]] | None = None,
    progress: Mapping[str, Any] | None = None,
    model_revision: int | None = None,
    model_sequence: int | None = None,
    units: System = "si",
) -> dict[str, Any]:
    """The order in which the stops of a line should come out, and what each step does.

    Turns are positive when they raise the load on the pipe. An order is offered only where, as far as can
    be weighed, no limit is passed and no hanger ends at an end of its travel, now and hot, within the
    friction bands. What is not known is named.

    Args:
        analysis: the line as it stands
        request: document valid by release-order-request.schema.json; its `model` and `hangers` are not read
        records: hanger records by mark, for which hand raises, flats and the stop's drawing
        progress: what `progress_of` told when the order is made, so that `next_step` counts from there
        model_revision, model_sequence: of the line model; None for a posted one
        units: system of units of the answer

    Returns:
        document valid by release-order.schema.json

    Raises:
        InvalidDocument: the request names what is not there, or asks for what cannot be
        OutOfRange: more than 100 hangers whose stops are in
        TooManyWays: nuts are to stay where they are, at too many hangers
        FrameUnstable: the line's frame is a mechanism
    """
    known = {mark.casefold(): record for mark, record in (records or {}).items()}
    maker = _Maker(analysis, known, Figures(units))
    document = maker.document(request)
    return {
        "model_revision": model_revision,
        "model_sequence": model_sequence,
        **document,
        "started_from": started_from(progress),
    }


def started_from(progress: Mapping[str, Any] | None) -> list[dict[str, Any]]:
    """Turns and stops on record when the order was made; empty without a record."""
    if progress is None:
        return []
    return [
        {
            "mark": each["mark"],
            "stops": each["stops"],
            "turned_up": each["turned_up"],
            "turned_down": each["turned_down"],
        }
        for each in progress["hangers"]
    ]


class _Maker:
    """Makes the document of one request."""

    def __init__(
        self, analysis: Analysis, records: Mapping[str, Mapping[str, Any]], figures: Figures
    ) -> None:
        self._analysis, self._records, self._figures = analysis, records, figures
        self._cautions: list[str] = [
            "authority",
            "never-force-a-stop",
            "only-freedom-counts",
            "one-at-a-time",
        ]

    def document(self, request: Mapping[str, Any]) -> dict[str, Any]:
        empty = self._frame(self._analysis.built, (), ())
        try:
            asked = read_request(self._analysis, request)
            built = asked.analysis.built
            supports, unknown = supports_of(built)
            start = asked.analysis.state("present")
        except NotWeighable as error:
            return {
                **empty,
                **self._status("cannot_say", error.detail),
                "missing": _missing(error.facts["missing"]),
            }
        except NoVerticalStiffness as error:
            marks = [
                self._analysis.marks[place]
                for place in error.facts["hangers"]
                if place < len(self._analysis.marks)
            ]
            return {**empty, **self._status("no_load_path", _drifts(marks)), "drifting": marks}
        frame = self._frame(built, unknown, asked.limits_given)
        if not asked.units:
            return {**frame, **self._status("nothing_to_release")}
        return {
            **frame,
            **self._weighed(
                asked, Yard(asked.analysis.line("present"), supports, base_offsets_m(built)), start
            ),
        }

    # --- the work --------------------------------------------------------------------------------------
    def _weighed(self, asked: Asked, yard: Yard, start: State) -> dict[str, Any]:
        built = asked.analysis.built
        out = frozenset(place for place, each in enumerate(built.hangers) if each.released)
        friction = np.array([each.friction_n or 0.0 for each in built.hangers])
        if not asked.friction_known:
            self._cautions.append("friction-not-known")
        if asked.rule == LEAVE:
            self._cautions.append("nuts-stay")
        elif any(abs(each.net_turns) > TURN_TOLERANCE for each in built.hangers):
            self._cautions.append("nuts-off-zero")
        if asked.temporary:
            self._cautions.append("temporary-supports")
        search = Search(
            yard,
            start,
            asked.units,
            asked.before,
            asked.stages,
            out=out,
            friction_n=friction if asked.friction_known else None,
            rule=asked.rule,
        )
        plan = self._plan(search, asked, yard)
        for order in (asked.given, asked.record):
            # A beam may lose every way to the end where there is one.
            if not plan.complete and order is not None and search.permits(order):
                plan = search.follow(order)
        if not plan.complete:
            marks = [built.hangers[place].mark for place in plan.stopped or sorted(search.drifting)]
            return {**self._status("no_load_path", _drifts(marks)), "drifting": marks}
        plan = self._not_worse(search, plan, asked)
        compared, figures = self._compared(search, plan, asked)
        final, drifting = self._final(asked, plan)
        likely, bound, simulated = figures
        proved = bound is not None and bound <= _SAFE
        removed = self._without_temporary(asked, plan)
        teller = self._teller(asked, yard, start, friction)
        found = {
            "order": self._marks(asked, plan.order),
            "nut_rule": asked.rule,
            "peak": teller.peak(plan.peak),
            "turns": plain(plan.turns),
            "start_utilisation": _figure(yard.peak(start, out).utilisation),
            "guarantee": {
                "search": "beam" if not plan.exact else "every_way" if asked.rule == LEAVE else "exact",
                "least_possible": _figure(plan.bound),
                "friction": "not_known"
                if not asked.friction_known
                else _friction_word(friction, proved=proved),
                "with_contacts_unchanged": _figure(likely) if asked.friction_known else None,
                "never_above": None if bound is None or not asked.friction_known else _figure(bound),
                "simulated": None if simulated is None else _figure(simulated),
                "histories": 0 if simulated is None else _histories(asked),
            },
            "comparison": compared,
            "final_states": final,
            "after_temporary_supports": None if removed is None else teller.peak(removed),
        }
        if friction.any() and asked.friction_known and not proved:
            self._cautions.append("friction-not-bounded")
        worst_of_all = max(likely, simulated or 0.0, 0.0 if removed is None else removed.utilisation)
        status, reason = _judged(final, worst_of_all)
        if drifting:
            found["drifting"] = drifting
            status, reason = "no_load_path", _drifts(drifting)
        found |= self._status(status, reason)
        if status != "offered":
            return {
                **found,
                "order": None,
                "least_bad": {"order": found["order"], "peak": found["peak"], "turns": found["turns"]},
            }
        before, gone, steps = start, out, []
        for number, step in enumerate(plan.steps, start=1):
            steps.append(teller.step(number, before, gone, step))
            before, gone = step.after, gone | set(step.hangers)
        return {**found, "steps": steps, "least_bad": None}

    def _plan(self, search: Search, asked: Asked, yard: Yard) -> Plan:
        """The best order; on a long line that will not be offered any, the given or recorded one alone.

        Where springs come to rest on an end of travel each step has to be followed exactly, which for every
        set of a long line takes minutes.
        """
        known = [
            order for order in (asked.given, asked.record) if order is not None and search.permits(order)
        ]
        if len(asked.units) <= EXACT_UNITS or asked.rule == LEAVE or not known:
            return search.best()
        laid = {
            mark: float(yard.base_m[place])
            for place, (mark, each) in enumerate(zip(asked.bare.marks, asked.bare.built.hangers, strict=True))
            if not each.released
        }
        ends = [settle(asked.bare, case, offsets_m=laid) for case in ("present", "hot")]
        marks = [each.mark for each in asked.bare.built.hangers if each.kind != "rigid"]
        if all(found.hangers[mark].verdict == "will_not" for found in ends for mark in marks):
            return search.best()
        self._cautions.append("least-bad-not-searched")
        return search.follow(known[0])

    def _teller(self, asked: Asked, yard: Yard, start: State, friction: Array) -> Teller:
        return Teller(
            asked,
            yard,
            Field(yard, start),
            friction,
            neighbours_of(asked.analysis.built),
            self._records,
            self._figures,
        )

    def _not_worse(self, search: Search, plan: Plan, asked: Asked) -> Plan:
        """The best order found, or one given or recorded that is better, which a beam may have missed."""
        best, weight = plan, (search.charged(plan), plan.turns)
        if plan.exact:
            return plan
        for order in (asked.given, asked.record):
            if order is None or not search.permits(order):
                continue
            other = search.follow(order)
            if other.complete and (search.charged(other), other.turns) < weight:
                best, weight = other, (search.charged(other), other.turns)
        if best is plan:
            return plan
        return Plan(best.order, best.steps, best.peak, best.turns, True, plan.bound, False)

    def _compared(
        self, search: Search, plan: Plan, asked: Asked
    ) -> tuple[list[dict[str, Any]], tuple[float, float | None, float | None]]:
        """Each order that is in question, side by side; and the figures of the best.

        The figures: worst within the friction bands while no contact changes, bound, simulated.
        """
        rows: list[dict[str, Any]] = []
        figures: tuple[float, float | None, float | None] = (0.0, None, None)
        named = [("best", plan.order), ("given", asked.given), ("record", asked.record)]
        for name, order in named:
            if order is None:
                continue
            followed = plan if name == "best" else search.follow(order)
            likely, bound = BEYOND, None
            if followed.complete:
                likely, bound = search.worst_case(followed, strict=name == "best")
                likely = max(likely, search.charged(followed))
            simulated = self._simulated(search, asked, order) if followed.complete else None
            if name == "best":
                figures = likely, bound, simulated
            hangers = asked.analysis.built.hangers
            rows.append(
                {
                    "name": name,
                    "order": self._marks(asked, order),
                    "permitted": search.permits(order),
                    "complete": followed.complete,
                    "utilisation": _figure(followed.peak.utilisation),
                    "mark": hangers[followed.peak.place].mark if followed.peak.place >= 0 else None,
                    "cause": followed.peak.cause or None,
                    "turns": plain(followed.turns),
                    "with_contacts_unchanged": _figure(likely) if asked.friction_known else None,
                    "simulated": None if simulated is None else _figure(simulated),
                }
            )
        return rows, figures

    def _simulated(self, search: Search, asked: Asked, order: Sequence[int]) -> float | None:
        """The greatest peak of histories with friction; None where it is not known or cannot be followed.

        The histories differ in where friction held the pins while the line's weight came on: in the middle
        of their slots, all on one face, all on the other, one on each by turns.
        """
        if not asked.friction_known:
            return None
        laws = asked.analysis.laws(friction=1.0)
        peaks: list[float] = []
        for start in _beginnings(laws, _histories(asked)):
            try:
                state = asked.analysis.line("present").start(start, asked.analysis.load_n("present"))
                plan = search.follow(order, start=state)
            except (NoVerticalStiffness, PathLost, NotAtRest):
                return None
            if not plan.complete:
                return None
            peaks.append(plan.peak.utilisation)
        return max(peaks)

    # --- final states -----------------------------------------------------------------------------------
    def _final(self, asked: Asked, plan: Plan) -> tuple[list[dict[str, Any]], list[str]]:
        """Where every hanger will stand now and hot, temporary supports out; and what drifts."""
        after = plan.steps[-1].after
        offsets = {mark: after.hangers[place].offset_m for place, mark in enumerate(asked.bare.marks)}
        now, hot = (settle(asked.bare, case, offsets_m=offsets) for case in ("present", "hot"))
        rows = [
            {"mark": mark, "cold": self._standing(now, mark), "hot": self._standing(hot, mark)}
            for mark, each in zip(asked.bare.marks, asked.bare.built.hangers, strict=True)
            if each.kind != "rigid"
        ]
        return rows, list(dict.fromkeys([*now.drifting, *hot.drifting]))

    def _standing(self, settled: Settled, mark: str) -> dict[str, Any]:
        standing, figures = settled.hangers[mark], self._figures
        return {
            "verdict": standing.verdict,
            "end": standing.end,
            "position": figures.length(standing.position_m),
            "least": figures.length(standing.least_m),
            "greatest": figures.length(standing.greatest_m),
            "margin": figures.length(standing.margin_m),
            "reason": settled.reason or None,
        }

    def _without_temporary(self, asked: Asked, plan: Plan) -> Peak | None:
        """The utilisation once the temporary supports are out too; None where there are none."""
        if not asked.temporary:
            return None
        after = plan.steps[-1].after
        bare = asked.bare
        supports, _ = supports_of(bare.built)
        yard = Yard(bare.line("present"), supports, base_offsets_m(bare.built))
        offsets = {mark: after.hangers[place].offset_m for place, mark in enumerate(bare.marks)}
        try:
            state = bare.state("present", released=bare.marks, offsets_m=offsets)
        except NoVerticalStiffness:
            return Peak(BEYOND, -1, "end_of_travel")
        springs = frozenset(place for place, each in enumerate(bare.built.hangers) if each.kind != "rigid")
        return yard.peak(state, springs)

    # --- words --------------------------------------------------------------------------------------------
    def _frame(
        self, built: BuiltLine, unknown: Sequence[tuple[str, str, str]], given: Sequence[str]
    ) -> dict[str, Any]:
        if unknown:
            self._cautions.append("not-weighed")
        if not built.surveyed:
            self._cautions.append("indicative")
        slots = [
            each.mark for each in built.hangers if each.kind != "rigid" and each.slot_clearance_m is None
        ]
        said = [each for each in assumptions(built) if not each.startswith("Slot clearances")]
        if slots:
            said.append(f"Slot clearances of {', '.join(slots)} are not stated: taken as none.")
        return {
            "status": "cannot_say",
            "reason": "",
            "indicative": not built.surveyed,
            "order": None,
            "nut_rule": None,
            "peak": None,
            "turns": None,
            "start_utilisation": None,
            "guarantee": None,
            "comparison": [],
            "final_states": [],
            "after_temporary_supports": None,
            "steps": [],
            "least_bad": None,
            "drifting": [],
            "not_weighed": [
                {"mark": mark, "limit": limit, "pointer": pointer} for mark, limit, pointer in unknown
            ],
            "missing": [],
            "limits": list(dict.fromkeys([*LIMITS, *built.limits, *said, *given])),
        }

    def _status(self, status: str, reason: str = "") -> dict[str, Any]:
        text = STATUS[status] if not reason else f"{STATUS[status]} {reason}"
        cautions = [{"code": code, "text": CAUTIONS[code]} for code in dict.fromkeys(self._cautions)]
        return {"status": status, "reason": text, "cautions": cautions}

    @staticmethod
    def _marks(asked: Asked, order: Sequence[int]) -> list[list[str]]:
        hangers = asked.analysis.built.hangers
        return [[hangers[place].mark for place in asked.units[unit]] for unit in order]


def _histories(asked: Asked) -> int:
    """How many histories with friction are followed."""
    rubs = any(each.friction_n for each in asked.analysis.built.hangers)
    return 4 if rubs and len(asked.units) <= MANY_HISTORIES else 1


def _beginnings(laws: tuple[Hanger, ...], count: int) -> Iterator[tuple[Hanger, ...]]:
    """The hangers with their pins held in the middle, below, above, and by turns."""
    for place in range(count):
        yield tuple(
            each.stuck_at((0.0, each.low_m, each.high_m, each.high_m if number % 2 else each.low_m)[place])
            if each.low_m < each.high_m
            else each
            for number, each in enumerate(laws)
        )


def _judged(final: Sequence[Mapping[str, Any]], worst: float) -> tuple[str, str]:
    """The status, and a reason where there is no order."""
    ends = [
        f"{each['mark']} {each[case]['verdict']} reach its {each[case]['end']} end {case}"
        for each in final
        for case in ("cold", "hot")
        if each[case]["verdict"] in ("will", "may")
    ]
    if ends:
        return "final_state_unsafe", "; ".join(ends) + "."
    unsaid = [
        each["mark"] for each in final if "cannot_say" in (each["cold"]["verdict"], each["hot"]["verdict"])
    ]
    if unsaid:
        return "cannot_say", f"Where these will stand cannot be said: {', '.join(unsaid)}."
    if worst >= BEYOND:
        return "none_safe", "On the way a hanger reaches an end of its travel, or may."
    if worst > _SAFE:
        return "none_safe", f"The least bad order reaches {worst:.3g} of a limit."
    return "offered", ""


def _friction_word(friction: Array, *, proved: bool) -> str:
    if not friction.any():
        return "none"
    return "bound" if proved else "estimate"


def _figure(value: float) -> float | None:
    """A utilisation for the document; None beyond every load."""
    return None if value >= BEYOND or not np.isfinite(value) else plain(value)


def _missing(found: Mapping[str, Sequence[str]]) -> list[dict[str, Any]]:
    return [{"mark": mark, "pointer": pointer} for mark, pointers in found.items() for pointer in pointers]


def _drifts(marks: Sequence[str]) -> str:
    return f"Free to drift: {', '.join(marks)}." if marks else ""
