"""Sheet: the figures and words that the drawing of a line shows, and that its description reads out.

Loads are at the pipe, upward positive; positions are from the locked one, up positive. What cannot be said
stays so: `not known` or `cannot say`, never a figure.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from service.domain.balance.analysis import Analysis
from service.domain.balance.drawing_layout import cut, plain
from service.domain.balance.standing import settle
from service.domain.balance.weighing import HangerWeighing, Standing, Weighing
from service.domain.line_models.built import BuiltLine
from service.engineering.frames.frame import ROTATION, TRANSLATION
from service.engineering.frames.solution import FrameResidual, FrameUnstable, Response

Cell = Callable[["HangerRow"], str]
Interval = tuple[float, float]
HolderKind = Literal["anchor", "nozzle", "guide"]
HOLDERS: Final = ("anchor", "nozzle", "guide")

NOT_KNOWN: Final = "not known"
VERDICTS: Final[Mapping[str, str]] = {
    "will": "will",
    "may": "may",
    "will_not": "will not",
    "cannot_say": "cannot say",
}
KINDS: Final[Mapping[str, str]] = {
    "variable": "variable spring",
    "constant": "constant support",
    "rigid": "rigid hanger",
}
_LONGEST_NAME: Final = 14
_NOTHING: Final = "–"  # there is nothing to say, other than `?`: it is not known
_NOBODY: Final = Standing("cannot_say")


@dataclass(frozen=True)
class HangerRow:
    """One hanger as drawn. Loads [N]; None where not known.

    locked_n, out_n: interval of the locked load as the line stands now and of the out-of-balance. settled_n:
    load with all stops out, cold, as the line stands now, without friction.
    """

    mark: str
    kind: str
    node: int
    released: bool
    locked_n: Interval | None
    settled_n: float | None
    out_n: Interval | None
    cold: Standing
    hot: Standing


@dataclass(frozen=True)
class Holder:
    """What holds the line at a node."""

    name: str
    kind: HolderKind
    node: int


@dataclass(frozen=True)
class Mass:
    """A concentrated mass. node: the one nearest to it; weight_n: as it stands now [N]."""

    name: str
    node: int
    weight_n: float


@dataclass(frozen=True)
class Bare:
    """A segment on which insulation or jacketing is not wholly on.

    shares: share that is on, by part, 0 to 1. light_n: what is not on weighs [N].
    """

    segment: str
    shares: Mapping[str, float]
    light_n: float


@dataclass(frozen=True)
class Sheet:
    """Everything that is drawn.

    settled: the line with all stops out, cold, as it stands now; why_not: why that cannot be said
    """

    hangers: tuple[HangerRow, ...]
    holders: tuple[Holder, ...]
    masses: tuple[Mass, ...]
    bare: Mapping[str, Bare]
    settled: Response | None
    why_not: str | None
    weighing: Weighing


def sheet(analysis: Analysis, weighing: Weighing) -> Sheet:
    """The figures of a line. weighing: the answer whose figures are drawn."""
    built = analysis.built
    settled, forces, why_not = _settled(analysis)
    rows = []
    for place, hanger in enumerate(built.hangers):
        said = weighing.hangers.get(hanger.mark) or _unsaid(hanger.mark)
        rows.append(
            HangerRow(
                plain(hanger.mark),
                hanger.kind,
                built.frames["present"].interfaces[place].node,
                hanger.released,
                said.locked_load_n,
                float(forces[place]) if forces is not None else None,
                None if hanger.kind == "rigid" else said.out_of_balance_n,
                said.cold,
                said.hot,
            )
        )
    return Sheet(tuple(rows), _holders(built), _masses(built), _bare(built), settled, why_not, weighing)


def _unsaid(mark: str) -> HangerWeighing:
    return HangerWeighing(mark, None, None, None, None, None, _NOBODY, _NOBODY)


def _settled(analysis: Analysis) -> tuple[Response | None, np.ndarray | None, str | None]:
    try:
        found = settle(analysis, "present")
        if found.state is None:
            return None, None, plain(found.reason)
        return analysis.response("present", found.state), found.state.force_n, None
    except (FrameUnstable, FrameResidual) as fault:
        return None, None, fault.detail


def _holders(built: BuiltLine) -> tuple[Holder, ...]:
    frame, names = built.frames["present"], {index: name for name, index in built.nodes.items()}
    found: dict[int, list[int]] = {}
    for place, restraint in enumerate(frame.restraints):
        found.setdefault(restraint.node, []).append(place)
    holders = []
    for node, places in sorted(found.items()):
        kinds = [frame.restraints[place].kind for place in places]
        whole = kinds.count(TRANSLATION) == 3 and kinds.count(ROTATION) == 3
        moves = any(built.thermal.imposed[place] != 0.0 for place in places)
        named = any(frame.restraints[place].name.lower().startswith("nozzle") for place in places)
        kind: HolderKind = "nozzle" if named or (whole and moves) else "anchor" if whole else "guide"
        own = frame.restraints[places[0]].name.removeprefix(f"{kind} ")
        name = names.get(node, "") if own == kind else own or names.get(node, "")
        holders.append(Holder(plain(name), kind, node))
    return tuple(holders)


def _masses(built: BuiltLine) -> tuple[Mass, ...]:
    coordinates = built.frames["present"].coordinates
    found = []
    for item in built.items:
        if item.kind == "mass":
            node = int(np.square(coordinates - np.array(item.centre_m)).sum(axis=1).argmin())
            found.append(Mass(plain(item.owner), node, item.weight_n["present"] * item.share_present))
    return tuple(found)


def _bare(built: BuiltLine) -> dict[str, Bare]:
    found: dict[str, Bare] = {}
    for item in built.items:
        if item.kind == "segment" and item.part in ("insulation", "jacketing") and item.share_present < 1.0:
            before = found.get(item.owner, Bare(plain(item.owner), {}, 0.0))
            off = item.weight_n["cold"] - item.weight_n["present"] * item.share_present
            shares = {**before.shares, item.part: item.share_present}
            found[item.owner] = Bare(before.segment, shares, before.light_n + off)
    return found


# --- words ------------------------------------------------------------------------------------------------
def signed(value: float, digits: int = 2) -> str:
    """A number with its sign, `0.00` without one."""
    text = f"{abs(value):.{digits}f}"
    return text if not float(text) else f"{'+' if value > 0.0 else '−'}{text}"


def load_text(interval: Interval | float | None, *, sign: bool = False) -> str:
    """A load or its interval in kN with two decimals; one number where the ends are printed alike."""
    if interval is None:
        return NOT_KNOWN
    low, high = interval if isinstance(interval, tuple) else (interval, interval)
    ends = [signed(end / 1000.0) if sign else f"{end / 1000.0:.2f}".replace("-", "−") for end in (low, high)]
    return ends[0] if ends[0] == ends[1] else f"{ends[0]} to {ends[1]}"


def shortened(name: str) -> str:
    """A name as on a label."""
    return cut(name, _LONGEST_NAME)


def standing_text(kind: str, standing: Standing) -> str:
    """The verdict in a word or two, as on a label."""
    return _NOTHING if kind == "rigid" else VERDICTS[standing.verdict]


def standing_sentence(standing: Standing) -> str:
    """The verdict in a sentence, with position, friction band and margin."""
    words = f"{VERDICTS[standing.verdict]} reach {_end(standing)} of travel"
    if standing.verdict == "cannot_say":
        return "cannot say whether it reaches an end of travel"
    if standing.position_m is not None:
        words += f"; stands at {signed(standing.position_m * 1000.0, 1)} mm from the locked position"
    if standing.least_m is not None and standing.greatest_m is not None:
        low, high = (signed(each * 1000.0, 1) for each in (standing.least_m, standing.greatest_m))
        words += f", {low} to {high} mm with friction"
    if standing.margin_m is not None:
        words += f"; margin {signed(standing.margin_m * 1000.0, 1)} mm"
    return words


def _end(standing: Standing) -> str:
    return "an end" if standing.end is None else f"the {standing.end} end"


def bare_text(bare: Bare) -> str:
    """What is not on a segment, and what it weighs."""
    shares = ", ".join(f"{part} {share * 100.0:.0f} % on" for part, share in bare.shares.items())
    return f"segment {bare.segment}: {shares}; {bare.light_n / 1000.0:.2f} kN light"


def hanger_sentence(row: HangerRow) -> str:
    """Everything that the drawing says of one hanger, for reading out."""
    words = [f"{row.mark}, {KINDS[row.kind]}"]
    if row.kind != "rigid":
        words.append(f"stops {'out' if row.released else 'in'}")
    if not row.released:
        words.append(f"locked now {_kn(load_text(row.locked_n))}")
    words.append(f"released cold {_kn(load_text(row.settled_n))}")
    if row.kind != "rigid":
        if not row.released:
            words.append(f"out of balance {_kn(load_text(row.out_n, sign=True))}")
        words += [
            f"cold, all stops out: {standing_sentence(row.cold)}",
            f"hot: {standing_sentence(row.hot)}",
        ]
    return "; ".join(words) + "."


def cells(hangers: Sequence[HangerRow]) -> list[tuple[str, Cell, str]]:
    """The rows of a label: heading, text of a hanger, and the verdict beside it: `cold`, `hot` or none."""
    return [
        ("hanger", lambda row: shortened(row.mark), ""),
        *_loads("locked now", hangers, lambda row: row.locked_n),
        ("released cold, kN", lambda row: _figure(row.settled_n), ""),
        *_loads("out of balance", hangers, lambda row: row.out_n, sign=True),
        ("end of travel, cold", lambda row: standing_text(row.kind, row.cold), "cold"),
        ("end of travel, hot", lambda row: standing_text(row.kind, row.hot), "hot"),
    ]


def _loads(
    name: str, hangers: Sequence[HangerRow], of: Callable[[HangerRow], Interval | None], *, sign: bool = False
) -> list[tuple[str, Cell, str]]:
    """One row where every interval's ends are printed alike, else two."""

    def end(place: int) -> Cell:
        def text(row: HangerRow) -> str:
            interval = of(row)
            if interval is None and (row.released or (sign and row.kind == "rigid")):
                return _NOTHING
            return _figure(None if interval is None else interval[place], sign=sign)

        return text

    low, high = end(0), end(1)
    if all(low(row) == high(row) for row in hangers):
        return [(f"{name}, kN", low, "")]
    return [(f"{name}, least, kN", low, ""), (f"{name}, most, kN", high, "")]


def _figure(load_n: float | None, *, sign: bool = False) -> str:
    return "?" if load_n is None else load_text(load_n, sign=sign)


def _kn(text: str) -> str:
    return text if text == NOT_KNOWN else f"{text} kN"
