"""Cases of blockers, written by hand: one change of a ready line, and the blocker that it has to give."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from service.domain.views import LineView
from tests.unit.domain.readiness.support import (
    LATER,
    q,
    reading,
    status,
    stop,
    turned,
    with_fact,
    with_line_fact,
    with_line_record,
    with_record,
    without_fact,
    without_line_fact,
)

Change = Callable[[LineView], LineView]


@dataclass(frozen=True)
class Case:
    """One change of a good line. shown_by: the event that has to show the blocker, None for none."""

    code: str
    kind: str
    purpose: str
    subject: str
    change: Change
    shown_by: int | None
    words: str = ""

    def __str__(self) -> str:
        return f"{self.code}:{self.kind}:{self.purpose}:{self.words}".replace(" ", "-")


def _line(name: str, value: Any) -> Change:
    return lambda line: with_line_fact(line, name, value)


def _no_line(name: str) -> Change:
    return lambda line: without_line_fact(line, name)


def _fact(name: str, value: Any, mark: str = "V-1") -> Change:
    return lambda line: with_fact(line, mark, name, value)


def _no_fact(name: str, mark: str = "V-1") -> Change:
    return lambda line: without_fact(line, mark, name)


def set_record(path: str, value: Any, mark: str = "V-1") -> Change:
    return lambda line: with_record(line, mark, path, value)


def _line_record(**changes: Any) -> Change:
    return lambda line: with_line_record(line, **changes)


def _status(state: str, **changes: Any) -> Change:
    return lambda line: with_fact(line, "V-1", "status", status(state, **changes), 60, LATER)


LINE, V, V1, C2 = "line/MS-1", "hanger/V-1", "hanger/V-1/assembly/1", "hanger/C-2/assembly/2"
COUNT = "stop-count-not-as-drawn"
EVERY = ("pressure_test", "chemical_clean", "release", "heat_up", "acceptance")
LOCKED = ("pressure_test", "chemical_clean")
SHUT = ("heat_up", "acceptance")


def _each(
    code: str,
    kind: str,
    purposes: tuple[str, ...],
    subject: str,
    change: Change,
    shown_by: int | None,
    words: str = "",
) -> list[Case]:
    return [Case(code, kind, purpose, subject, change, shown_by, words) for purpose in purposes]


CASES: list[Case] = [
    # the line
    *_each("no-hangers", "known", EVERY, LINE, lambda line: replace(line, hangers=()), 1),
    *_each(
        "register-incomplete", "unknown", EVERY, LINE, _line_record(supports_expected=None), 1, "not stated"
    ),
    Case(
        "register-incomplete",
        "unknown",
        "release",
        LINE,
        lambda line: replace(line, record=None, record_sequence=None),
        None,
        "no record",
    ),
    *_each(
        "register-incomplete",
        "known",
        EVERY,
        LINE,
        lambda line: replace(line, hangers=line.hangers[:2]),
        3,
        "one missing",
    ),
    *_each(
        "register-incomplete",
        "known",
        EVERY,
        LINE,
        _line_record(supports_expected={"marks": ["V-1", "C-2"], "drawing": "P-1001"}),
        4,
        "one too many",
    ),
    *_each("welds-incomplete", "known", EVERY, LINE, _line("welds", "incomplete"), 50),
    *_each("welds-incomplete", "unknown", EVERY, LINE, _no_line("welds"), None),
    *_each("rigid-supports-incomplete", "known", EVERY, LINE, _line("rigid_supports", "incomplete"), 50),
    *_each("rigid-supports-incomplete", "unknown", EVERY, LINE, _no_line("rigid_supports"), None),
    *_each("temporary-supports-on", "known", ("release", *SHUT), LINE, _line("temporary_supports", 1), 50),
    *_each(
        "temporary-supports-on", "unknown", ("release", *SHUT), LINE, _no_line("temporary_supports"), None
    ),
    *_each("insulation-incomplete", "known", ("release", *SHUT), LINE, _line("insulation", "incomplete"), 50),
    *_each("insulation-incomplete", "unknown", ("release", *SHUT), LINE, _no_line("insulation"), None),
    Case(
        "insulation-incomplete",
        "known",
        "release",
        LINE,
        _line_record(weight_basis={"contents": "empty", "insulation": "none"}),
        20,
        "set for none",
    ),
    *_each("jacketing-incomplete", "known", ("release", *SHUT), LINE, _line("jacketing", "incomplete"), 50),
    *_each("jacketing-incomplete", "unknown", ("release", *SHUT), LINE, _no_line("jacketing"), None),
    *_each(
        "pressure-test-not-done", "known", ("release", *SHUT), LINE, _line("pressure_test", "not_done"), 50
    ),
    *_each("pressure-test-not-done", "unknown", ("release", *SHUT), LINE, _no_line("pressure_test"), None),
    Case(
        "pressure-test-not-done",
        "known",
        "release",
        LINE,
        _line("pressure_test", "not_required"),
        50,
        "the record requires it",
    ),
    Case(
        "pressure-test-not-done",
        "unknown",
        "release",
        LINE,
        lambda line: with_line_fact(
            with_line_record(line, pressure_test_required=None), "pressure_test", "not_required"
        ),
        50,
        "the record does not say",
    ),
    *_each(
        "chemical-clean-not-done", "known", ("release", *SHUT), LINE, _line("chemical_clean", "not_done"), 50
    ),
    *_each("chemical-clean-not-done", "unknown", ("release", *SHUT), LINE, _no_line("chemical_clean"), None),
    *_each(
        "contents-not-weight-basis", "known", ("release", "heat_up"), LINE, _line("contents", "water"), 50
    ),
    *_each("contents-not-weight-basis", "unknown", ("release", "heat_up"), LINE, _no_line("contents"), None),
    Case(
        "contents-not-weight-basis",
        "unknown",
        "release",
        LINE,
        _line_record(weight_basis=None),
        1,
        "basis not stated",
    ),
    *_each(
        "line-not-cold",
        "known",
        (*LOCKED, "release"),
        LINE,
        _line("line_temperature", q(40.1, "degC")),
        50,
        "hot",
    ),
    *_each(
        "line-not-cold", "known", ("release",), LINE, _line("line_temperature", q(-10.1, "degC")), 50, "frost"
    ),
    *_each("line-not-cold", "unknown", (*LOCKED, "release"), LINE, _no_line("line_temperature"), None),
    Case(
        "line-not-cold",
        "known",
        "release",
        LINE,
        _line_record(cold_range={"low": q(50, "degF"), "high": q(68, "degF")}),
        20,
        "the line's own range",
    ),
    *_each(
        "connected-lines-unknown",
        "unknown",
        ("release", "heat_up"),
        LINE,
        _line("connected_lines", "unknown"),
        50,
    ),
    *_each(
        "connected-lines-unknown",
        "unknown",
        ("release", "heat_up"),
        LINE,
        _no_line("connected_lines"),
        None,
        "no fact",
    ),
    Case(
        "connected-lines-unknown",
        "known",
        "release",
        LINE,
        _line_record(connected_lines=["MS-2"]),
        20,
        "no anchor between",
    ),
    # a hanger
    *_each(
        "weight-basis-differs",
        "known",
        ("release", "heat_up"),
        V,
        set_record("design.weight_basis", {"contents": "water"}),
        2,
    ),
    *_each("on-hold", "known", EVERY, V, _status("on_hold", held_from="released"), 60),
    *_each("not-locked", "known", LOCKED, V, _status("cleared"), 60, "cleared"),
    *_each("not-locked", "known", LOCKED, V, _status("released"), 60, "released"),
    Case("not-released", "known", "heat_up", V, _no_fact("status"), None, "never touched"),
    Case("not-released", "known", "heat_up", V, _status("positioning"), 60, "positioning"),
    Case("not-proved", "known", "acceptance", V, _status("released"), 60),
    *_each("assemblies-not-stated", "unknown", EVERY, V, set_record("assemblies", None), 2),
    # an assembly
    *_each("not-in-place", "known", EVERY, V1, _fact("assembly/1/in_place", False), 50),
    *_each("not-in-place", "unknown", EVERY, V1, _no_fact("assembly/1/in_place"), None),
    *_each(
        "not-in-place",
        "known",
        EVERY,
        "hanger/R-3/assembly/1",
        _fact("assembly/1/in_place", False, "R-3"),
        50,
        "rigid",
    ),
    *_each("rod-slack", "known", EVERY, V1, _fact("assembly/1/rod_slack", True), 50),
    *_each("rod-slack", "unknown", EVERY, V1, _no_fact("assembly/1/rod_slack"), None),
    *_each(
        "rod-slack",
        "known",
        EVERY,
        "hanger/R-3/assembly/1",
        _fact("assembly/1/rod_slack", True, "R-3"),
        50,
        "rigid",
    ),
    *_each(
        "defect-open",
        "known",
        EVERY,
        V1,
        _fact("assembly/1/defects", [{"defect": "bent_rod", "severity": "major"}]),
        50,
        "major",
    ),
    *_each(
        "defect-open",
        "known",
        EVERY,
        V1,
        _fact("assembly/1/defects", [{"defect": "broken_coil", "severity": "critical"}]),
        50,
        "critical",
    ),
    *_each("defect-open", "unknown", EVERY, V1, _no_fact("assembly/1/defects"), None),
    *_each("interference", "known", ("release", *SHUT), V1, _fact("assembly/1/interference", True), 50),
    *_each("interference", "unknown", ("release", *SHUT), V1, _no_fact("assembly/1/interference"), None),
    Case("nameplate-not-read", "known", "release", V1, _fact("assembly/1/nameplate", {"legible": False}), 50),
    Case("nameplate-not-read", "unknown", "release", V1, _no_fact("assembly/1/nameplate"), None),
    Case(
        "nameplate-differs",
        "known",
        "release",
        V1,
        _fact("assembly/1/nameplate", {"operating_load": q(18, "kN"), "spring_rate": q(60, "N/mm")}),
        50,
    ),
    Case(
        "nameplate-differs",
        "unknown",
        "release",
        V1,
        _fact("assembly/1/nameplate", {"operating_load": q(14.8, "kN")}),
        50,
        "rate not read",
    ),
    Case(
        "dimension-not-as-drawn",
        "known",
        "release",
        V1,
        _fact("assembly/1/pipe_to_support_dimension", q(1861, "mm")),
        50,
    ),
    Case(
        "dimension-not-as-drawn",
        "unknown",
        "release",
        V1,
        _no_fact("assembly/1/pipe_to_support_dimension"),
        None,
    ),
    # stops in
    *_each(
        COUNT,
        "unknown",
        (*LOCKED, "release"),
        V1,
        _no_fact("assembly/1/stops_counted"),
        None,
        "never counted",
    ),
    *_each(COUNT, "known", (*LOCKED, "release"), V1, _fact("assembly/1/stops_counted", 1), 50, "one short"),
    *_each(COUNT, "known", (*LOCKED, "release"), V1, _fact("assembly/1/stops_counted", 3), 50, "one more"),
    *_each(COUNT, "unknown", (*LOCKED, "release"), V1, set_record("assemblies", [{}]), 2, "number not drawn"),
    *_each(
        COUNT, "known", EVERY, V1, _fact("assembly/1/stop/3", stop("stowed")), 50, "a stop beyond the drawn"
    ),
    *_each("stop-not-in", "known", (*LOCKED, "release"), V1, _fact("assembly/1/stop/2", stop("stowed")), 50),
    *_each("stop-not-in", "unknown", (*LOCKED, "release"), V1, _no_fact("assembly/1/stop/2"), None),
    *_each(
        "stop-not-in",
        "known",
        LOCKED,
        V1,
        lambda line: with_record(
            with_fact(line, "V-1", "assembly/1/stops_counted", 0), "V-1", "assemblies", [{"stops": 0}]
        ),
        2,
        "no stop is drawn",
    ),
    *_each("stop-damaged", "known", (*LOCKED, "release"), V1, _fact("assembly/1/stops_damaged", 1), 50),
    *_each("stop-damaged", "unknown", (*LOCKED, "release"), V1, _no_fact("assembly/1/stops_damaged"), None),
    # stops out
    *_each(COUNT, "unknown", SHUT, V1, _no_fact("assembly/1/stops_counted"), None, "never counted in"),
    *_each(COUNT, "known", SHUT, V1, _fact("assembly/1/stops_counted", 1), 50, "one in less than drawn"),
    *_each(COUNT, "unknown", SHUT, V1, set_record("assemblies", [{}]), 2, "number not drawn"),
    *_each(
        COUNT,
        "known",
        SHUT,
        V1,
        lambda line: with_fact(line, "V-1", "assembly/1/stops_counted", 2, 90, "2026-05-05T09:00:00+02:00"),
        90,
        "found in after withdrawal",
    ),
    *_each("stop-still-in", "known", SHUT, V1, _fact("assembly/1/stop/2", stop("in")), 50),
    *_each("stop-still-in", "unknown", SHUT, V1, _no_fact("assembly/1/stop/2"), None),
    *_each("stop-not-stowed", "known", SHUT, V1, _fact("assembly/1/stop/2", stop("out"), "V-1"), 50),
    *_each("stop-not-stowed", "unknown", SHUT, V1, _no_fact("assembly/1/stop/2"), None),
    # hardware, thread, readings
    *_each(
        "retaining-hardware-missing",
        "known",
        EVERY,
        V1,
        _fact("assembly/1/retaining_hardware", {"one_end": True, "other_end": False}),
        50,
    ),
    *_each(
        "retaining-hardware-missing", "unknown", EVERY, V1, _no_fact("assembly/1/retaining_hardware"), None
    ),
    *_each("adjuster-not-locked", "known", EVERY, V1, _fact("assembly/1/adjuster_locked", False), 50),
    *_each("adjuster-not-locked", "unknown", EVERY, V1, _no_fact("assembly/1/adjuster_locked"), None),
    *_each(
        "engagement-too-short",
        "known",
        EVERY,
        f"{V1}/check/engagement-found-lower",
        _fact("assembly/1/engagement/lower", {"measured": q(35, "mm"), "full": None, "net_turns": 0.0}),
        50,
    ),
    *_each(
        "engagement-not-shown",
        "unknown",
        EVERY,
        f"{V1}/check/engagement-found-lower",
        _no_fact("assembly/1/engagement/lower"),
        None,
    ),
    *_each("cold-reading-missing", "unknown", SHUT, V1, _no_fact("assembly/1/reading/cold"), None, "none"),
    *_each(
        "cold-reading-missing",
        "unknown",
        SHUT,
        V1,
        _fact("assembly/1/reading/cold", reading(80, "locked")),
        50,
        "stop in",
    ),
    *_each(
        "cold-reading-missing",
        "unknown",
        SHUT,
        V1,
        _fact("assembly/1/reading/cold", reading(80, legible=False)),
        50,
        "not legible",
    ),
    *_each(
        "cold-reading-missing",
        "unknown",
        SHUT,
        V1,
        _fact("assembly/1/reading/cold", reading(80, cycle=2)),
        50,
        "cycle",
    ),
    *_each(
        "cold-reading-missing",
        "unknown",
        SHUT,
        V1,
        lambda line: turned(line, "V-1", 1),
        75,
        "turned since",
    ),
    Case("hot-reading-missing", "unknown", "acceptance", V1, _no_fact("assembly/1/reading/hot"), None),
    Case(
        "hot-reading-missing",
        "unknown",
        "acceptance",
        V1,
        _fact("assembly/1/reading/hot", reading(120, "stops_out")),
        50,
        "before it was confirmed",
    ),
    # checks
    *_each(
        "capacity-exceeded",
        "known",
        LOCKED,
        f"{V1}/check/locked-capacity",
        set_record("design.locked_assembly_capacity", q(24, "kN")),
        2,
    ),
    Case(
        "capacity-exceeded",
        "known",
        "release",
        f"{V1}/check/rod-load-operation",
        set_record("rod.thread", "M16"),
        2,
    ),
    Case(
        "end-of-travel",
        "known",
        "release",
        f"{V}/check/reserve-upper-end",
        set_record("indicator.hot_mark", q(200, "mm")),
        2,
    ),
    Case(
        "check-failed",
        "known",
        "release",
        f"{V1}/check/variability",
        set_record("design.spring_rate", q(100, "N/mm")),
        2,
    ),
    Case(
        "check-unanswered",
        "unknown",
        "release",
        f"{V1}/check/elevation",
        _no_fact("assembly/1/elevation"),
        None,
    ),
    Case(
        "check-unanswered",
        "unknown",
        "release",
        f"{V1}/check/variability",
        set_record("design.spring_rate", None),
        2,
        "record does not state",
    ),
    Case(
        "check-unanswered",
        "unknown",
        "heat_up",
        f"{LINE}/check/variable-sum-cold",
        _no_fact("assembly/1/reading/cold"),
        1,
    ),
    Case(
        "check-failed",
        "known",
        "heat_up",
        f"{LINE}/check/variable-sum-cold",
        _fact("assembly/1/reading/cold", reading(120)),
        50,
    ),
    Case(
        "check-failed",
        "known",
        "acceptance",
        f"{V1}/check/travel-direction",
        lambda line: with_fact(line, "V-1", "assembly/1/reading/hot", reading(60), 79, LATER),
        79,
        "the newest of two events",
    ),
    *_each(
        "stop-not-in",
        "known",
        LOCKED,
        V1,
        lambda line: with_fact(
            with_fact(line, "V-1", "status", status("released"), 60, LATER),
            "V-1",
            "assembly/1/stop/1",
            stop("stowed"),
        ),
        50,
        "released",
    ),
    *_each(
        "adjuster-not-locked",
        "known",
        ("release",),
        V1,
        lambda line: with_fact(
            with_fact(line, "V-1", "status", status("cleared"), 60, LATER),
            "V-1",
            "assembly/1/adjuster_locked",
            False,
        ),
        50,
        "cleared",
    ),
    *_each(
        "adjuster-not-locked", "unknown", EVERY, C2, lambda line: turned(line, "C-2", 1), 31, "turned since"
    ),
    *_each(
        "retaining-hardware-missing",
        "unknown",
        EVERY,
        C2,
        lambda line: turned(line, "C-2", 1),
        31,
        "turned since",
    ),
    Case(
        "insulation-incomplete",
        "known",
        "release",
        LINE,
        lambda line: with_line_fact(
            with_line_record(line, weight_basis={"contents": "empty"}), "insulation", "incomplete"
        ),
        50,
        "basis not stated",
    ),
]
