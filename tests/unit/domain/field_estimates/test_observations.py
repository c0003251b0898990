"""Observations that the store's facts still show."""

from __future__ import annotations

from typing import Any

from service.domain.facts import Fact
from service.domain.field_estimates.observations import observations_of
from service.domain.release.fold import UNKNOWN_STOP
from service.domain.views import HangerView, LineView
from tests.unit.domain.field_estimates.test_request import REQUEST


def _fact(value: Any, sequence: int) -> Fact:
    at = f"2026-05-05T06:{sequence:02d}:00Z"
    return Fact(value, sequence, sequence, at, "pr_crew")


def _seen(face: str | None, sequence: int, position: str = "in") -> Fact:
    at = f"2026-05-05T06:{sequence:02d}:00Z"
    looked = {"observed_sequence": sequence, "observed_at": at} if face is not None else {}
    return _fact({**UNKNOWN_STOP, "position": position, "bearing_face": face, **looked}, sequence)


def _hanger(mark: str, facts: dict[str, Fact], stops: int = 1) -> HangerView:
    record = {"assemblies": [{"stops": stops}], "stop": {"pin_moves_down_when": "rod_tension_rises"}}
    return HangerView(mark, "L-1", "constant", record, 1, 0, facts)


def _line(*hangers: HangerView, disturbed: int = 1) -> LineView:
    at = f"2026-05-05T06:{disturbed:02d}:00Z"
    facts = {"disturbance": _fact({"what": "turn", "latest_occurred_at": at}, disturbed)}
    return LineView("P", "L-1", None, 0, None, facts, hangers, 99)


def test_a_look_that_still_holds_is_told_with_the_stops_out_and_the_net_turns() -> None:
    ledger = _fact({"net_turns": 0.5, "load_adjuster_turns": 0.0}, 4)
    line = _line(
        _hanger("H1", {"assembly/1/stop/1": _seen(None, 3, "stowed")}),
        _hanger("H2", {"assembly/1/stop/1": _seen("none", 8), "assembly/1/ledger": ledger}),
        _hanger("H3", {"assembly/1/stop/1": _seen("lower", 9)}),
        disturbed=5,
    )
    found = observations_of(line)
    assert [(each["mark"], each["bearing_face"], each["events"]) for each in found] == [
        ("H2", "none", [8]),
        ("H3", "lower", [9]),
    ]
    for each in found:
        assert each["stops_out"] == ["H1"]
        assert each["net_turns"] == [{"mark": "H2", "turns": 0.5}]
        assert each["occasion"] == "now"
        assert each["pin_moves_down_when"] == "rod_tension_rises"
    REQUEST.validate({"observations": found})


def test_a_look_before_the_last_disturbance_is_not_told() -> None:
    line = _line(_hanger("H2", {"assembly/1/stop/1": _seen("upper", 8)}), disturbed=9)
    assert observations_of(line) == []


def test_faces_that_differ_between_stops_and_unknown_faces_are_not_told() -> None:
    two = {"assembly/1/stop/1": _seen("upper", 8), "assembly/1/stop/2": _seen("lower", 9)}
    assert observations_of(_line(_hanger("H2", two, stops=2))) == []
    assert observations_of(_line(_hanger("H2", {"assembly/1/stop/1": _seen("unknown", 8)}))) == []


def test_nothing_is_told_where_the_line_s_state_is_not_known() -> None:
    good = _hanger("H3", {"assembly/1/stop/1": _seen("lower", 9)})
    half_out = {"assembly/1/stop/1": _seen(None, 3, "out"), "assembly/1/stop/2": _seen("lower", 9)}
    adjusted = {
        "assembly/1/stop/1": _seen("lower", 9),
        "assembly/1/ledger": _fact({"net_turns": 0.0, "load_adjuster_turns": 1.0}, 4),
    }
    assert len(observations_of(_line(good))) == 1
    assert observations_of(_line(good, _hanger("H2", half_out, stops=2))) == []
    assert observations_of(_line(good, _hanger("H2", {}))) == []
    assert observations_of(_line(good, _hanger("H2", adjusted))) == []
