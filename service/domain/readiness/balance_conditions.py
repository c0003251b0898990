"""Conditions that rest on the balance of the line, and what it allows to be put on after release.

Without a line model they say nothing: the answer lists what is not weighed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from service.domain.balance.weighing import Weighing
from service.domain.checks import NotWeighed, lacking, run_checks
from service.domain.facts import Fact
from service.domain.readiness.looks import CONCESSION_PREFIX, HangerLook, LineLook, place
from service.domain.readiness.outcomes import Outcome
from service.engineering import springs
from service.engineering.comparison import at_least
from service.units import Dimension, quantity_to_si

# Blockers of weight that may be put on after release, and what the line's inspections call it.
WEIGHTS: Final[Mapping[str, str]] = {
    "insulation-incomplete": "insulation",
    "jacketing-incomplete": "jacketing",
}
STANDINGS: Final = frozenset({"end-of-travel-cold", "end-of-travel-hot"})

_LATER = (
    "weight that is put on after release is allowed only when the balance of the line shows every hanger "
    "inside its margins, or equal ballast is on; "
)
_COMPLETE = "a line is heated and accepted with the weight on that its springs were set for"


def unknown_to_model(look: LineLook) -> list[str]:
    """Marks of the line's hangers that its model does not have; none where the line was not weighed."""
    weighing = look.weighing
    return [] if weighing is None else [one.mark for one in look.hangers if one.mark not in weighing.hangers]


def line_weighed(look: LineLook) -> Iterator[Outcome]:
    """The line's model weighs it, every hanger included."""
    code, weighed = "line-not-weighed", look.weighed
    if weighed is None:
        return
    expected, shown = "a balance of the line", weighed.model_sequence
    if isinstance(weighed, NotWeighed):
        known = {"missing": {mark: list(pointers) for mark, pointers in sorted(weighed.missing.items())}}
        detail = f"The line has a model, but is not weighed: {weighed.reason}"
        yield Outcome(code, look.subject, "unknown", detail, expected, known, shown)
        return
    strange = unknown_to_model(look)
    if strange:
        detail = f"The line's model does not have these hangers: {', '.join(strange)}."
        yield Outcome(code, look.subject, "unknown", detail, expected, strange, shown)
        return
    detail = "The line is weighed by its model."
    yield Outcome(code, look.subject, "met", detail, expected, weighed.model_revision, shown)


def load_path(look: LineLook) -> Iterator[Outcome]:
    """With every stop out something still fixes the line's height, and the model is no mechanism."""
    code, weighing = "no-load-path", look.weighing
    if weighing is None:
        return
    expected, shown = "the line is held with every stop out", weighing.model_sequence
    if weighing.unheld is not None:
        detail = f"Nothing holds the line at {weighing.unheld}."
        yield Outcome(code, look.subject, "known", detail, expected, weighing.unheld, shown)
    elif weighing.drifting:
        marks = ", ".join(weighing.drifting)
        detail = f"Released, {marks} would leave the line with nothing that fixes its height."
        yield Outcome(code, look.subject, "known", detail, expected, list(weighing.drifting), shown)
    elif _nothing_said(weighing):
        detail = f"What fixes the line's height with every stop out cannot be said. {weighing.unsaid['cold']}"
        yield Outcome(code, look.subject, "unknown", detail, expected, None, shown)
    else:
        detail = "With every stop out something still fixes the line's height."
        yield Outcome(code, look.subject, "met", detail, expected, None, shown)


def _nothing_said(weighing: Weighing) -> bool:
    """Whether no state of the line with every stop out was found, so that nothing is known of it."""
    standings = [hanger.cold for hanger in weighing.hangers.values()]
    return "cold" in weighing.unsaid and not any(each.position_m is not None for each in standings)


def weight_missing(look: LineLook, part: str) -> str:
    """What of a part (`insulation`, `jacketing`) the model knows to be missing, in words; empty for none."""
    weighing = look.weighing
    if weighing is None:
        return ""
    return lacking(tuple(entry for entry in weighing.missing_weights if entry.part == part))


def never_later(look: LineLook, part: str) -> str | None:
    """Why a part may not be put on after release; None where the balance of the line allows it.

    Args:
        look: the line
        part: `insulation` or `jacketing`, as the model's segments name it
    """
    if look.purpose != "release":
        return _COMPLETE
    if look.weighed is None:
        return f"{_LATER}there is no model of the line, so that cannot be weighed"
    if isinstance(look.weighed, NotWeighed) or unknown_to_model(look):
        return f"{_LATER}the line is not weighed"
    weighing = look.weighed
    if weighing.drifting or weighing.unheld is not None:
        return f"{_LATER}with every stop out nothing would fix the line's height"
    if not weight_missing(look, part):
        return f"{_LATER}its model does not know which {part} is missing"
    if weighing.present_not_stated:
        return f"{_LATER}nothing states what is now at {_first(weighing.present_not_stated)} of its model"
    outside = [view.mark for view in look.hangers if not _inside(HangerLook(look, view))]
    return f"{_LATER}the balance does not show it of {', '.join(outside)}" if outside else None


def _inside(look: HangerLook) -> bool:
    """Whether a spring stands inside its margins over the friction band, cold as it stands now and hot."""
    if not look.sprung:
        return True
    rows = run_checks(
        look.view,
        look.on.criteria,
        line=look.on.line,
        groups=("balance",),
        weighing=look.on.weighed,
    )
    found = [row["status"] for row in rows if row["rule"] in STANDINGS]
    if len(found) < len(STANDINGS) or not set(found) <= {"pass", "not_applicable"}:
        return False
    return _inside_complete(look)


def _inside_complete(look: HangerLook) -> bool:
    """Whether a spring still stands inside its margins, cold, when all weight of the design is on."""
    weighing = look.on.weighing
    standing = None if weighing is None else weighing.hangers[look.view.mark].complete
    if standing is None:
        return True
    span = look.view.record.get("indicator", {}).get("span", {})
    if standing.verdict != "will_not" or standing.margin_m is None or not {"low", "high"} <= span.keys():
        return False
    low, high = (quantity_to_si(span[end], Dimension.LENGTH) for end in ("low", "high"))
    limits = look.on.criteria
    reserve_m = springs.required_reserve_m(high - low, limits.si("reserve_share"), limits.si("reserve_least"))
    return at_least(standing.margin_m, reserve_m, scale=max(abs(low), abs(high)))


def _first(pointers: Sequence[str]) -> str:
    """The first three of some pointers, in words."""
    more = len(pointers) - 3
    return ", ".join(pointers[:3]) + (f" and {more} more" if more > 0 else "")


def put_on_since(look: HangerLook, reading: Fact) -> str | None:
    """What was seen to be on after a reading, of the weight whose absence was conceded for this release.

    Such a reading shows the line without that weight, so that every indicator is read again.

    Args:
        look: the hanger
        reading: fact of a cold reading

    Returns:
        `insulation` or `jacketing`; None where the reading shows the line with everything on
    """
    line, start = look.on.line, look.view.status["cycle_started_sequence"]
    for name, conceded in line.facts.items():
        if not name.startswith(CONCESSION_PREFIX) or conceded.value["purpose"] != "release":
            continue
        part = WEIGHTS.get(conceded.value["code"])
        seen = None if part is None else line.facts.get(part)
        of_this_cycle = start is None or conceded.value["sequence"] > start
        if seen is not None and of_this_cycle and place(seen) > place(reading):
            return part
    return None
