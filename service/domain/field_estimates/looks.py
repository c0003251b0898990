"""What each observation says: alone, and as looks and equations for all of them together."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Literal

from service.domain.field_estimates.reading import (
    Case,
    refused,
    state_of_line,
    weighed_share,
    with_friction,
)
from service.engineering.estimates.fitting import Equation, state_of, stiffness_held
from service.engineering.estimates.one_hanger import (
    rod_load_from_face,
    rod_load_from_turns,
    stiffness_with_error,
)
from service.engineering.estimates.problem import Look, Moment
from service.engineering.nut_plans.faces import sign_from_face
from service.engineering.nut_plans.findings import break_away
from service.engineering.nut_plans.intervals import Interval
from service.engineering.states.tracing import NoVerticalStiffness, PathLost
from service.units import Dimension, quantity_to_si

WALLS: Final[Mapping[int, Literal["upper", "lower"]]] = {1: "upper", -1: "lower"}
Span = tuple[float | None, float | None]


@dataclass
class Statement:
    """What one observation says.

    number: its index. entry: as given. missing: pointers of what it lacks; it is not used then. text: in
    words. stiffness_n_per_m: k of its moment, as of the pins held. friction_n: measured by it. rod_load_n:
    before its own adjuster was turned, as an interval; expected_n: what the model expects there. equation:
    index of its equation in the fit.
    """

    number: int
    entry: Mapping[str, Any]
    missing: list[str] = field(default_factory=list)
    text: str = ""
    stiffness_n_per_m: float | None = None
    friction_n: Span | None = None
    rod_load_n: Span | None = None
    expected_n: float | None = None
    equation: int | None = None

    @property
    def pointer(self) -> str:
        """Pointer of the observation in the request."""
        return f"/observations/{self.number}"

    @property
    def identifier(self) -> str:
        """Its own `id`, or its place in the list from 1."""
        return str(self.entry.get("id", self.number + 1))


@dataclass
class Gathered:
    """All observations. fit_moments: moments of the equations, which are not those of the looks."""

    case: Case
    statements: list[Statement] = field(default_factory=list)
    looks: list[Look] = field(default_factory=list)
    equations: list[Equation] = field(default_factory=list)
    fit_moments: list[Moment] = field(default_factory=list)

    def equation(
        self, statement: Statement, moment: Moment, place: int, kind: str, half_n: float, **rest: Any
    ) -> None:
        """Adds an equation of a statement."""
        self.fit_moments.append(moment)
        statement.equation = len(self.equations)
        self.equations.append(
            Equation(statement.number, len(self.fit_moments) - 1, place, kind, half_n, **rest)
        )


@dataclass(frozen=True)
class _Seen:
    """The line at an observation: its hanger, the stops out, the turns of all, and the occasion."""

    place: int
    mark: str
    out: frozenset[str]
    turns: Mapping[str, float]
    occasion: str

    def with_own(self, net: float) -> dict[str, float]:
        """Net turns of all hangers with the own ones as given."""
        return {**self.turns, self.mark: net}


def gather(case: Case, observations: list[Mapping[str, Any]]) -> Gathered:
    """Reads every observation; break-away first, since a friction that it measures counts for all.

    Errors: InvalidDocument for what cannot be
    """
    gathered = Gathered(case, [Statement(number, entry) for number, entry in enumerate(observations)])
    names: set[str] = set()
    for statement in gathered.statements:
        if statement.identifier in names:
            raise refused(f"{statement.pointer}/id", "once", f"{statement.identifier} is given twice.")
        names.add(statement.identifier)
    for statement in gathered.statements:
        if statement.entry["kind"] == "break_away":
            _measure_friction(gathered, statement)
    kinds = ("break_away", "turns_to_free", "bearing_face", "weighed_load", "level", "weighed_part")
    for kind in kinds:
        for statement in gathered.statements:
            if statement.entry["kind"] == kind:
                _READERS[kind](gathered, statement)
    return gathered


def _seen(gathered: Gathered, statement: Statement) -> _Seen:
    case, entry = gathered.case, statement.entry
    place = case.place(entry["mark"], f"{statement.pointer}/mark")
    out, turns, occasion = state_of_line(entry, case, statement.pointer)
    return _Seen(place, entry["mark"], out, turns, occasion)


def _stop_in(gathered: Gathered, statement: Statement) -> _Seen:
    seen = _seen(gathered, statement)
    if seen.mark in seen.out:
        raise refused(
            f"{statement.pointer}/stops_out", "stop-in", f"The stops of {seen.mark} were in for this."
        )
    if gathered.case.hangers[seen.place].kind == "rigid":
        raise refused(f"{statement.pointer}/mark", "has-a-stop", f"{seen.mark} is rigid and has no stop.")
    return seen


def _expected(gathered: Gathered, statement: Statement, seen: _Seen, own: float) -> Moment | None:
    """The moment with the own turns as given; notes what the model expects of the rod there, and k."""
    case = gathered.case
    moment = case.at(seen.out, seen.with_own(own))
    if isinstance(moment, list):
        statement.missing += moment
        return None
    problem = case.problem()
    held = [hanger.kind == "rigid" or hanger.mark not in seen.out for hanger in case.hangers]
    statement.stiffness_n_per_m = stiffness_held(problem, moment, seen.place, held)
    try:
        state = state_of(problem, moment, case.unknowns.height_m, case.unknowns.weight_share)
        statement.expected_n = float(state.force_n[seen.place])
    except (NoVerticalStiffness, PathLost):
        statement.expected_n = None
    return moment


def _moment(gathered: Gathered, statement: Statement, seen: _Seen, own: float | None = None) -> int | None:
    turns = seen.turns if own is None else seen.with_own(own)
    found = gathered.case.moment(seen.out, turns, seen.occasion)
    if isinstance(found, int):
        return found
    statement.missing += found
    return None


def _turns_to_free(gathered: Gathered, statement: Statement) -> None:
    case, entry = gathered.case, statement.entry
    seen = _stop_in(gathered, statement)
    hanger = case.hangers[seen.place]
    free, bearing = float(entry["turns_free"]), entry.get("turns_bearing")
    sign = sign_from_face(entry.get("bearing_face", "unknown"), entry.get("pin_moves_down_when"))
    if sign in (None, 0) and bearing is not None and free != bearing:
        sign = 1 if free > bearing else -1
    if hanger.lead_m is None:
        statement.missing.append(f"/hangers/{seen.mark}/adjuster/lead_per_turn")
        return
    start = _expected(gathered, statement, seen, 0.0)
    at_free = _moment(gathered, statement, seen, free)
    if start is None or at_free is None or statement.stiffness_n_per_m is None:
        return
    law = start.hangers[seen.place]
    number = statement.number
    gathered.looks.append(Look(number, at_free, seen.place, "free"))
    if bearing is None or sign in (None, 0):
        middle = case.at(seen.out, seen.with_own(free))
        assert isinstance(middle, Moment)
        gathered.equation(statement, middle, seen.place, "free", law.friction_n)
        statement.text = (
            f"The pin of {seen.mark} was free at {free:g} net turns. When it came free is not known, so that "
            "only the band of friction about the spring's force holds there."
        )
        return
    at_bearing = at_free if bearing == free else _moment(gathered, statement, seen, float(bearing))
    if at_bearing is None:
        return
    gathered.looks.append(Look(number, at_bearing, seen.place, WALLS[sign]))
    half = (free - bearing) / 2.0
    middle = case.at(seen.out, seen.with_own(bearing + half))
    assert isinstance(middle, Moment)
    stiffness = statement.stiffness_n_per_m
    open_n = law.friction_n + stiffness * hanger.lead_m * abs(half) + float(middle.allowance_n[seen.place])
    gathered.equation(statement, middle, seen.place, "free_from", open_n, sign=sign)
    wall = law.high_m if sign > 0 else law.low_m
    found = rod_load_from_turns(
        Interval.hull((free, float(bearing))),
        law.spring_n(wall),
        stiffness_with_error(stiffness, case.stiffness_error),
        hanger.lead_m,
        law.friction_n,
    )
    statement.rod_load_n = (max(0.0, found.low), max(0.0, found.high))
    when = f"at {free:g}" if bearing == free else f"between {bearing:g} and {free:g}"
    statement.text = (
        f"The pin of {seen.mark} came free {when} net turns: that measures its rod's load at no net turns, "
        "within friction and the error of the stiffness."
    )


def _bearing_face(gathered: Gathered, statement: Statement) -> None:
    entry = statement.entry
    seen = _stop_in(gathered, statement)
    face = entry["bearing_face"]
    sign = sign_from_face(face, entry.get("pin_moves_down_when"))
    if sign is None:
        name = "bearing_face" if face == "unknown" else "pin_moves_down_when"
        statement.missing.append(f"{statement.pointer}/{name}")
        return
    start = _expected(gathered, statement, seen, seen.turns.get(seen.mark, 0.0))
    moment = _moment(gathered, statement, seen)
    if start is None or moment is None:
        return
    law = start.hangers[seen.place]
    kind: Literal["upper", "lower", "free"] = WALLS.get(sign, "free")
    gathered.looks.append(Look(statement.number, moment, seen.place, kind))
    gathered.equation(statement, start, seen.place, kind, law.friction_n)
    force = law.spring_n({1: law.high_m, -1: law.low_m, 0: 0.0}[sign])
    give = law.rate_n_per_m * law.high_m if sign == 0 else 0.0
    statement.rod_load_n = rod_load_from_face(sign, force, law.friction_n + give)
    statement.text = {
        1: f"{seen.mark} carries less than its spring pushes with, within friction.",
        -1: f"{seen.mark} carries more than its spring pushes with, within friction.",
        0: f"{seen.mark} carries what its spring pushes with, within friction.",
    }[sign] + " A face tells no size and no cause."


def _measure_friction(gathered: Gathered, statement: Statement) -> None:
    """Puts the friction that a break-away measured in its hanger, before anything is made of it."""
    case, entry = gathered.case, statement.entry
    seen = _stop_in(gathered, statement)
    hanger = case.hangers[seen.place]
    up, down = float(entry["turns_raising"]), float(entry["turns_lowering"])
    if up < down:
        raise refused(
            f"{statement.pointer}/turns_raising",
            "not-below-lowering",
            "It cannot lie below the turns when lowering.",
        )
    if hanger.lead_m is None or hanger.spring_load_n is None:
        missing = "/adjuster/lead_per_turn" if hanger.lead_m is None else "/design"
        statement.missing.append(f"/hangers/{seen.mark}{missing}")
        return
    unknown = hanger.friction_n is None
    if unknown:
        with_friction(case, seen.place, 0.0)
    start = _expected(gathered, statement, seen, 0.0)
    if start is None or statement.stiffness_n_per_m is None:
        return
    stiffness = stiffness_with_error(statement.stiffness_n_per_m, case.stiffness_error)
    spring = Interval.exact(start.hangers[seen.place].spring_n(0.0))
    found = break_away(up, down, spring, stiffness, hanger.lead_m)
    with_friction(case, seen.place, found.friction_n.high)
    if not unknown and found.friction_n.low > (hanger.friction_n or 0.0):
        case.cautions.setdefault("friction-above-record")
    statement.friction_n = (found.friction_n.low, found.friction_n.high)
    statement.rod_load_n = (max(0.0, found.rod_load_n.low), max(0.0, found.rod_load_n.high))
    statement.text = (
        f"{seen.mark} broke away at {up:g} net turns when raising and {down:g} when lowering: half the way "
        "between measures friction, the middle its rod's load at no net turns."
    )


def _break_away(gathered: Gathered, statement: Statement) -> None:
    case, entry = gathered.case, statement.entry
    if statement.friction_n is None:
        return
    seen = _stop_in(gathered, statement)
    up, down = float(entry["turns_raising"]), float(entry["turns_lowering"])
    at_up, at_down = _moment(gathered, statement, seen, up), _moment(gathered, statement, seen, down)
    middle = case.at(seen.out, seen.with_own((up + down) / 2.0))
    if at_up is None or at_down is None or isinstance(middle, list):
        return
    most = case.hangers[seen.place].friction_n or 0.0
    gathered.looks.append(Look(statement.number, at_up, seen.place, "excess", 0.0, most))
    gathered.looks.append(Look(statement.number, at_down, seen.place, "excess", -most, 0.0))
    allowance = float(middle.allowance_n[seen.place])
    gathered.equation(statement, middle, seen.place, "free_from", allowance, sign=1)


def _weighed_load(gathered: Gathered, statement: Statement) -> None:
    entry = statement.entry
    seen = _seen(gathered, statement)
    start = _expected(gathered, statement, seen, seen.turns.get(seen.mark, 0.0))
    moment = _moment(gathered, statement, seen)
    if start is None or moment is None:
        return
    load = quantity_to_si(entry["load"], Dimension.FORCE)
    half = quantity_to_si(entry["uncertainty"], Dimension.FORCE)
    gathered.looks.append(Look(statement.number, moment, seen.place, "load", load - half, load + half))
    gathered.equation(statement, start, seen.place, "load", half, value=load)
    statement.rod_load_n = (load - half, load + half)
    statement.text = f"The load of {seen.mark} was weighed at the pipe."


def _level(gathered: Gathered, statement: Statement) -> None:
    entry = statement.entry
    place = gathered.case.place(entry["mark"], f"{statement.pointer}/mark")
    height = quantity_to_si(entry["height"], Dimension.LENGTH)
    half = quantity_to_si(entry["uncertainty"], Dimension.LENGTH)
    gathered.looks.append(Look(statement.number, 0, place, "height", height - half, height + half))
    statement.text = f"The pick-up height of {entry['mark']} was levelled."


def _weighed_part(gathered: Gathered, statement: Statement) -> None:
    group, low, high = weighed_share(gathered.case, statement.entry, statement.pointer)
    gathered.looks.append(Look(statement.number, 0, group, "share", low, high))
    statement.text = f"The weight of {statement.entry['part']} as it is now was weighed."


_READERS: Final[Mapping[str, Callable[[Gathered, Statement], None]]] = {
    "turns_to_free": _turns_to_free,
    "bearing_face": _bearing_face,
    "break_away": _break_away,
    "weighed_load": _weighed_load,
    "level": _level,
    "weighed_part": _weighed_part,
}
