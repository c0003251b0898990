"""`balance`: one line and one request, one answer (schemas/balance.schema.json)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from service.domain.balance.analysis import Analysis
from service.domain.balance.changes import PARTS, with_friction, with_shares, with_stops_out
from service.domain.balance.figures import Figures
from service.domain.balance.hangers import hangers_document
from service.domain.balance.influence import influence_document
from service.domain.balance.missing import Missing
from service.domain.balance.verified import verified_document
from service.domain.balance.weigh import Parts, parts_of, weighing_of
from service.domain.balance.weighing import Weighing
from service.domain.balance.weights import shares_document, weights_document
from service.domain.balance.words import ALWAYS, BASIS, CAUTIONS
from service.domain.line_models.built import BuiltLine
from service.errors import Finding, InvalidDocument
from service.units import Dimension, System, quantity_to_si


def balance(
    analysis: Analysis,
    request: Mapping[str, Any],
    *,
    model_revision: int | None = None,
    model_sequence: int | None = None,
    units: System = "si",
) -> dict[str, Any]:
    """What a line weighs and what each hanger carries, in every state that matters.

    Loads are at the pipe, upward positive; movements from cold to hot, up positive; turns positive when they
    raise the load on the pipe. What cannot be said is null, with the reason and the pointers of what is
    missing under `cannot_say`; nothing is guessed.

    Args:
        analysis: the line as it stands
        request: document valid by balance-request.schema.json; `model` and `hangers` are not read here
        model_revision: revision of the stored line model; None for a posted one
        model_sequence: sequence of the event that stored it
        units: system of units of the answer

    Returns:
        document valid by balance.schema.json

    Raises:
        InvalidDocument: a mark or an owner that the line does not have, a ratio outside 0 to 1
        NotAtRest, FrameResidual: a state does not balance
        OutOfRange: values whose results are not finite numbers
    """
    asked = _asked(analysis, request)
    figures = Figures(units)
    parts = parts_of(asked)
    weighing = weighing_of(asked, parts, model_revision, model_sequence)
    missing = Missing(asked, parts).document(figures)
    return {
        "model": {"revision": model_revision, "sequence": model_sequence},
        "what_if": _what_if(request),
        "indicative": weighing.indicative,
        "assumptions": list(weighing.assumed),
        "weights": weights_document(asked.built, figures),
        "shares": None if parts.now is None else shares_document(asked, parts.now, figures),
        "hangers": hangers_document(asked, parts, weighing.hangers, figures),
        "influence": influence_document(asked, parts.now, request.get("per", "turn"), figures),
        "design_sum": _design_sum(weighing, figures),
        **missing,
        "drifting": list(weighing.drifting),
        "unheld": weighing.unheld,
        "cannot_say": _cannot_say(weighing),
        "verified": verified_document(asked, parts, figures),
        "limits": list(weighing.limits),
        "cautions": _cautions(parts, weighing),
        "basis": [
            {"part": part, "text": text, "source": source, "status": status}
            for part, (text, source, status) in BASIS.items()
        ],
    }


# --- the request --------------------------------------------------------------------------------------
def _asked(analysis: Analysis, request: Mapping[str, Any]) -> Analysis:
    """The line that is asked about: as it stands, or as the request says that it might."""
    built = analysis.built
    if "friction" in request:
        built = with_friction(built, _share(request["friction"], "/friction"))
    if "released" in request:
        built = with_stops_out(built, _marks(built, request["released"]))
    if "assume" in request:
        built = _assumed(built, request["assume"])
    return analysis if built is analysis.built else analysis.changed(built)


def _assumed(built: BuiltLine, assume: Mapping[str, Any]) -> BuiltLine:
    shares = {part: _share(assume[name], f"/assume/{name}") for name, part in PARTS.items() if name in assume}
    known = {item.owner.casefold(): item.owner for item in built.items}
    owners = None
    if "owners" in assume:
        owners = _named(
            known, assume["owners"], "/assume/owners", "The line model has no such segment or mass."
        )
    return with_shares(built, shares, assume.get("contents"), owners)


def _marks(built: BuiltLine, released: Sequence[str]) -> list[str]:
    kinds = {hanger.mark: hanger.kind for hanger in built.hangers}
    known = {mark.casefold(): mark for mark in kinds}
    marks = _named(known, released, "/released", "The line has no such hanger.")
    for place, mark in enumerate(marks):
        if kinds[mark] == "rigid":
            springs = sorted(each for each, kind in kinds.items() if kind != "rigid")
            raise _refused(f"/released/{place}", "A rigid hanger has no stop to take out.", springs)
    return marks


def _named(known: Mapping[str, str], wanted: Sequence[str], pointer: str, detail: str) -> list[str]:
    """Keys as the line writes them; letter case does not matter."""
    for place, key in enumerate(wanted):
        if key.casefold() not in known:
            raise _refused(f"{pointer}/{place}", detail, sorted(known.values()))
    return [known[key.casefold()] for key in wanted]


def _share(quantity: Mapping[str, Any], pointer: str) -> float:
    share = quantity_to_si(quantity, Dimension.RATIO)
    if not 0.0 <= share <= 1.0:
        raise _refused(pointer, "A share lies between 0 and 100 %.", "0 to 100 %")
    return share


def _refused(pointer: str, detail: str, accepted: Any) -> InvalidDocument:
    finding = Finding("body", "balance", detail, pointer=pointer, accepted=accepted)
    return InvalidDocument("The request asks for what the line does not have.", errors=[finding])


def _what_if(request: Mapping[str, Any]) -> dict[str, Any] | None:
    """What the request changes of the line as it stands, as given; None where nothing."""
    found = {name: request[name] for name in ("friction", "released", "assume") if name in request}
    return found or None


# --- the answer ----------------------------------------------------------------------------------------
def _design_sum(weighing: Weighing, figures: Figures) -> dict[str, Any] | None:
    if weighing.design_sum_n is None:
        return None
    operating, demanded = weighing.design_sum_n
    return {
        "operating_loads": figures.force(operating),
        "hot_line": figures.force(demanded),
        "difference": figures.force(operating - demanded),
        "ratio": figures.ratio(operating / demanded) if demanded > 0.0 else None,
    }


def _cannot_say(weighing: Weighing) -> list[dict[str, Any]]:
    """What cannot be said, why, and what is missing where that is the reason."""
    wanting = [{"mark": mark, "pointers": list(found)} for mark, found in weighing.wanting.items()]
    standings = ("expected_cold", "cold", "hot")
    found = [
        {"part": part, "reason": reason, "missing": wanting if part in standings else []}
        for part, reason in weighing.unsaid.items()
    ]
    if weighing.design_sum_n is None and "design_sum" not in weighing.unsaid:
        lacking = [
            {"mark": mark, "pointers": [each for each in hanger.missing if "operating_load" in each]}
            for mark, hanger in weighing.hangers.items()
            if any("operating_load" in each for each in hanger.missing)
        ]
        found.append(
            {
                "part": "design_sum",
                "reason": "The operating load of every spring is wanted.",
                "missing": lacking,
            }
        )
    return found


def _cautions(parts: Parts, weighing: Weighing) -> list[dict[str, Any]]:
    codes = list(ALWAYS)
    slack = () if parts.now is None else parts.now.may_go_slack()
    ends = [
        mark
        for mark, hanger in weighing.hangers.items()
        if {hanger.cold.verdict, hanger.hot.verdict} & {"will", "may"}
    ]
    if weighing.indicative:
        codes.append("indicative")
    if slack:
        codes.append("slack")
    if weighing.drifting:
        codes.append("drifting")
    if ends:
        codes.append("end-of-travel")
    codes.append("expected-not-mark")
    marks = {"slack": slack, "end-of-travel": ends}
    return [
        {"code": code, "text": CAUTIONS[code].format(marks=", ".join(marks.get(code, ())))} for code in codes
    ]
