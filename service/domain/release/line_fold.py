"""Fold of a line: what was seen of it, its authorisation, concessions and changes of its register."""

from __future__ import annotations

from typing import Any, Final

from service.domain.events import Event
from service.domain.facts import Changes, Facts
from service.domain.release.draft import Draft

LINE_FIELDS: Final = (
    "insulation",
    "jacketing",
    "welds",
    "rigid_supports",
    "temporary_supports",
    "pressure_test",
    "chemical_clean",
    "contents",
    "line_temperature",
    "connected_lines",
)


def fold_line_event(facts: Facts, event: Event, place: int) -> Changes:
    """Facts of a line that an event changes in a given place of the order.

    Args:
        facts: what was known before
        event: the event, in its newest version
        place: its place

    Returns:
        changed facts by name
    """
    draft = Draft(facts, event, place)
    data = event.data
    if event.type == "line-inspected":
        _line_inspection(draft)
    elif event.type == "line-authorised":
        draft.put("authorisation", _authorisation(draft))
    elif event.type == "authorisation-ended":
        _authorisation_end(draft)
    elif event.type == "concession-granted":
        draft.put(
            f"concession/{place}",
            {
                "sequence": place,
                "purpose": data["purpose"],
                "code": data["code"],
                "subject": data["subject"],
                "evidence_sequence": data["evidence_sequence"],
                "expires_at": data["expires_at"],
                "granted_by": event.actor,
                "granted_at": event.occurred_at,
            },
        )
    elif event.type == "register-changed":
        draft.put(f"register_change/{place}", {"change": data["change"], "mark": data["mark"]})
    return draft.changes


def _line_inspection(draft: Draft) -> None:
    data = draft.event.data
    for field in LINE_FIELDS:
        if field not in data:
            continue
        # Contents found other than known mean a change of weight at some moment, whenever it was seen.
        if field == "contents" and draft.value("contents", None) != data["contents"]:
            draft.disturb("contents")
        draft.put_if_newest(field, data[field])
    for kind, entries in (("segment", "segments_present"), ("mass", "masses_present")):
        for entry in data.get(entries, ()):
            # One fact a part and share: an inspection of one says nothing of the others.
            for name in ("insulation", "jacketing", "share"):
                if name in entry:
                    draft.put_if_newest(f"present/{kind}/{entry[kind].casefold()}/{name}", entry[name])


def _authorisation(draft: Draft) -> dict[str, Any]:
    """The new authorisation, with the earlier ones that still stand (one for each stage)."""
    data = draft.event.data
    old = draft.value("authorisation", None)
    earlier: list[dict[str, Any]] = []
    if old is not None and old["valid"]:
        earlier = [*old["earlier"], {"sequence": old["sequence"], "stage": old["stage"]}]
    return {
        "sequence": draft.place,
        "authorised_by": draft.event.actor,
        "stage": data.get("stage"),
        "valid": True,
        "ended_by": None,
        "cause": None,
        "earlier": earlier,
    }


def _authorisation_end(draft: Draft) -> None:
    data = draft.event.data
    old = draft.value("authorisation", None)
    if old is None:
        return
    if data["authorisation"] == old["sequence"]:
        # Readiness is the line's: with the newest authorisation the earlier stages' end too.
        ended: dict[str, Any] = {
            "valid": False,
            "ended_by": draft.place,
            "cause": data.get("cause"),
            "earlier": [],
        }
        draft.put("authorisation", {**old, **ended})
    else:
        earlier = [entry for entry in old["earlier"] if entry["sequence"] != data["authorisation"]]
        draft.put("authorisation", {**old, "earlier": earlier})
