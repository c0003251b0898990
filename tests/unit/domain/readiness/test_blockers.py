"""Each blocker: there when its condition is known not to be met or not known, and gone when it is met."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.domain.readiness import BLOCKER_CODES
from tests.unit.domain.readiness.cases import C2, CASES, COUNT, EVERY, Case
from tests.unit.domain.readiness.support import (
    answer,
    good_line,
    locked_line,
    q,
    stop,
    with_fact,
    with_hanger,
    with_line_fact,
    with_line_record,
    with_record,
    without_fact,
    without_line_fact,
)

# Codes of a line that has a model; test_balance.py has their cases.
OF_A_MODEL = {"line-not-weighed", "no-load-path"}


@pytest.mark.parametrize("purpose", EVERY)
def test_a_line_of_which_everything_is_known_and_good_is_ready(purpose: str) -> None:
    found = answer(good_line(purpose), purpose)
    assert found["blockers"] == []
    assert (found["verdict"], found["ready"]) == ("ready", True)


@pytest.mark.parametrize("case", CASES, ids=str)
def test_one_change_of_a_ready_line_gives_its_blocker(case: Case) -> None:
    found = answer(case.change(good_line(case.purpose)), case.purpose)
    named = [
        blocker
        for blocker in found["blockers"]
        if blocker["code"] == case.code and blocker["subject"] == case.subject
    ]
    assert [(blocker["kind"], blocker["shown_by"]) for blocker in named] == [(case.kind, case.shown_by)]
    assert found["ready"] is False
    known = any(blocker["kind"] == "known" for blocker in found["blockers"])
    assert found["verdict"] == ("not_ready" if known else "cannot_say")


@pytest.mark.parametrize("purpose", EVERY)
def test_without_the_change_no_blocker_of_the_list_stands(purpose: str) -> None:
    met = {
        (entry["code"], entry["subject"])
        for entry in answer(good_line(purpose), purpose, explain=True)["satisfied"]
    }
    asked = {
        (case.code, case.subject)
        for case in CASES
        if case.purpose == purpose and case.code not in ("check-unanswered", "engagement-not-shown")
    }
    # A check that passes stands under the code that it would fail with.
    assert asked <= met


def test_every_published_code_has_a_case() -> None:
    assert {case.code for case in CASES} | OF_A_MODEL == set(BLOCKER_CODES)


def test_every_code_that_can_be_known_has_a_known_case() -> None:
    never_known = {
        "assemblies-not-stated",
        "cold-reading-missing",
        "hot-reading-missing",
        "engagement-not-shown",
        "check-unanswered",
        "line-not-weighed",
    }
    known = {case.code for case in CASES if case.kind == "known"} | {"no-load-path"}
    assert set(BLOCKER_CODES) - known == never_known


@pytest.mark.parametrize("purpose", EVERY)
def test_a_published_code_names_the_purposes_that_ask_for_it(purpose: str) -> None:
    asked = {case.code for case in CASES if case.purpose == purpose}
    assert asked <= {code for code, entry in BLOCKER_CODES.items() if purpose in entry.purposes}
    met = {entry["code"] for entry in answer(good_line(purpose), purpose, explain=True)["satisfied"]}
    published = {
        code for code, entry in BLOCKER_CODES.items() if purpose in entry.purposes and entry.about != "check"
    }
    # The record is asked for nothing else where assemblies are stated, so this code is met in each case.
    assert published - OF_A_MODEL <= met


# --- the four that must never become ready -----------------------------------------------------------
@pytest.mark.parametrize("purpose", EVERY)
def test_an_empty_line_is_not_ready(purpose: str) -> None:
    empty = replace(good_line(purpose), hangers=())
    found = answer(empty, purpose)
    assert found["ready"] is False
    assert {"no-hangers", "register-incomplete"} <= {blocker["code"] for blocker in found["blockers"]}


@pytest.mark.parametrize("purpose", EVERY)
def test_a_line_with_neither_hangers_nor_supports_expected_is_not_ready(purpose: str) -> None:
    empty = with_line_record(replace(good_line(purpose), hangers=()), supports_expected=None)
    assert answer(empty, purpose)["verdict"] == "not_ready"


@pytest.mark.parametrize("purpose", EVERY)
@pytest.mark.parametrize(
    ("marks", "missing", "surplus"),
    [
        (["V-1", "C-2", "R-3", "V-4"], ["V-4"], []),
        (["V-1", "C-2"], [], ["R-3"]),
        (["V-1", "C-2", "R-4"], ["R-4"], ["R-3"]),
    ],
)
def test_a_register_that_differs_is_named_mark_by_mark(
    purpose: str, marks: list[str], missing: list[str], surplus: list[str]
) -> None:
    line = with_line_record(good_line(purpose), supports_expected={"marks": marks, "drawing": "P-1001"})
    found = answer(line, purpose)
    assert found["verdict"] == "not_ready"
    (blocker,) = found["blockers"]
    assert blocker["code"] == "register-incomplete"
    assert blocker["known"] == {"registered": 3, "missing": missing, "surplus": surplus}
    assert all(mark in blocker["detail"] for mark in [*missing, *surplus])


def test_marks_compare_ignoring_letter_case() -> None:
    line = with_line_record(
        locked_line(), supports_expected={"marks": ["v-1", "c-2", "r-3"], "drawing": "P-1001"}
    )
    assert answer(line, "release")["verdict"] == "ready"


@pytest.mark.parametrize("purpose", EVERY)
def test_a_hanger_moved_to_another_line_makes_neither_line_ready(purpose: str) -> None:
    line = good_line(purpose)
    moved, *rest = line.hangers
    left = replace(line, hangers=tuple(rest))
    left = with_line_fact(left, "register_change/61", {"change": "transferred_out", "mark": "V-1"}, 61)
    reached = replace(
        with_line_fact(line, "register_change/62", {"change": "transferred_in", "mark": "V-1"}, 62),
        line="MS-2",
        hangers=(replace(moved, line="MS-2"),),
    )
    reached = with_line_record(reached, supports_expected={"marks": ["V-9"], "drawing": "P-1002"})
    for found, change, known in (
        (answer(left, purpose), "transferred_out", {"registered": 2, "missing": ["V-1"], "surplus": []}),
        (
            answer(reached, purpose),
            "transferred_in",
            {"registered": 1, "missing": ["V-9"], "surplus": ["V-1"]},
        ),
    ):
        assert found["ready"] is False
        (blocker,) = [entry for entry in found["blockers"] if entry["code"] == "register-incomplete"]
        assert blocker["known"] == known
        assert [entry["change"] for entry in found["register_changes"]] == [change]


@pytest.mark.parametrize("purpose", EVERY)
def test_an_assembly_never_counted_keeps_the_line_from_ready(purpose: str) -> None:
    line = without_fact(good_line(purpose), "C-2", "assembly/2/stops_counted")
    found = answer(line, purpose)
    assert found["verdict"] == "cannot_say"
    (blocker,) = found["blockers"]
    assert (blocker["code"], blocker["subject"], blocker["kind"]) == (COUNT, C2, "unknown")
    assert blocker["shown_by"] is None
    assert blocker["concedable"] is False


def test_a_retired_hanger_is_no_support_of_the_line() -> None:
    line = with_hanger(locked_line(), "V-1", retired=True)
    found = answer(line, "release")
    assert [entry["mark"] for entry in found["hangers"]] == ["C-2", "R-3"]
    assert [blocker["code"] for blocker in found["blockers"]] == ["register-incomplete"]


# --- what is asked of whom ----------------------------------------------------------------------------
def test_a_rigid_hanger_is_asked_nothing_of_stops() -> None:
    found = answer(locked_line(), "pressure_test", explain=True)
    codes = {entry["code"] for entry in found["satisfied"] if entry["subject"].startswith("hanger/R-3")}
    assert codes.isdisjoint(
        {
            COUNT,
            "stop-not-in",
            "stop-damaged",
            "not-locked",
            "retaining-hardware-missing",
            "adjuster-not-locked",
        }
    )
    assert {"not-in-place", "rod-slack", "defect-open"} <= codes


def test_a_minor_defect_does_not_block() -> None:
    line = with_fact(
        locked_line(), "V-1", "assembly/1/defects", [{"defect": "loose_locknut", "severity": "moderate"}]
    )
    assert answer(line, "release")["verdict"] == "ready"


def test_temporary_supports_do_not_hinder_a_pressure_test() -> None:
    assert answer(with_line_fact(locked_line(), "temporary_supports", 4), "pressure_test")["ready"] is True


def test_a_record_that_requires_no_test_needs_no_test() -> None:
    line = without_line_fact(with_line_record(locked_line(), pressure_test_required=False), "pressure_test")
    found = answer(line, "release", explain=True)
    assert found["verdict"] == "ready"
    (met,) = [entry for entry in found["satisfied"] if entry["code"] == "pressure-test-not-done"]
    assert met["shown_by"] == 1


def test_a_test_that_was_done_counts_where_the_record_does_not_say_whether_it_is_required() -> None:
    assert answer(with_line_record(locked_line(), pressure_test_required=None), "release")["ready"] is True


def test_connected_lines_that_are_known_need_no_anchor() -> None:
    line = with_line_record(locked_line(), connected_lines=["MS-2"])
    assert answer(with_line_fact(line, "connected_lines", "known"), "release")["ready"] is True


@pytest.mark.parametrize("degrees", [-10, 40])
def test_both_ends_of_the_cold_range_are_cold(degrees: float) -> None:
    line = with_line_fact(locked_line(), "line_temperature", q(degrees, "degC"))
    assert answer(line, "release")["ready"] is True


@pytest.mark.parametrize("fahrenheit", [14, 104])
def test_both_ends_of_the_cold_range_are_cold_in_fahrenheit(fahrenheit: float) -> None:
    line = with_line_fact(locked_line(), "line_temperature", q(fahrenheit, "degF"))
    assert answer(line, "release")["ready"] is True


def test_a_line_set_for_no_insulation_is_ready_bare() -> None:
    line = with_line_record(locked_line(), weight_basis={"contents": "empty", "insulation": "none"})
    line = with_line_fact(with_line_fact(line, "insulation", "none"), "jacketing", "none")
    found = answer(line, "release")
    assert {blocker["code"] for blocker in found["blockers"]} == {"weight-basis-differs"}


def test_a_line_that_states_no_insulation_basis_is_ready_when_it_is_complete() -> None:
    line = with_line_record(locked_line(), weight_basis={"contents": "empty"})
    assert answer(line, "release")["ready"] is True


def test_a_hanger_that_states_no_weight_basis_is_asked_nothing_of_it() -> None:
    line = with_record(
        with_record(locked_line(), "V-1", "design.weight_basis", None), "C-2", "design.weight_basis", None
    )
    found = answer(line, "release", explain=True)
    assert found["ready"] is True
    assert "weight-basis-differs" not in {entry["code"] for entry in found["satisfied"]}


def test_an_illegible_nameplate_is_one_blocker_and_not_two() -> None:
    line = with_fact(locked_line(), "V-1", "assembly/1/nameplate", {"legible": False})
    assert [blocker["code"] for blocker in answer(line, "release")["blockers"]] == ["nameplate-not-read"]


def test_a_reserve_that_is_short_is_a_caution_and_no_blocker() -> None:
    line = with_record(locked_line(), "V-1", "indicator.hot_mark", q(181, "mm"))
    found = answer(line, "release")
    rule = "hanger/V-1/check/reserve-upper-end"
    assert rule not in {blocker["subject"] for blocker in found["blockers"]}
    assert ("check-needs-attention", rule) in {
        (entry["code"], entry["subject"]) for entry in found["cautions"]
    }


def test_two_checks_that_fail_on_one_assembly_have_two_subjects() -> None:
    line = with_record(locked_line(), "V-1", "design.spring_rate", q(100, "N/mm"))
    failed = [
        entry["subject"] for entry in answer(line, "release")["blockers"] if entry["code"] == "check-failed"
    ]
    assert len(failed) > 1
    assert len(failed) == len(set(failed))


@pytest.mark.parametrize("purpose", EVERY)
@pytest.mark.parametrize(
    ("mark", "name", "position", "subject"),
    [
        ("V-1", "assembly/2/stop/1", "in", "hanger/V-1/assembly/2"),
        ("V-1", "assembly/2/stop/1", "out", "hanger/V-1/assembly/2"),
        ("R-3", "assembly/1/stop/1", "in", "hanger/R-3/assembly/1"),
    ],
)
def test_a_stop_of_an_assembly_taken_off_the_record_is_not_forgotten(
    purpose: str, mark: str, name: str, position: str, subject: str
) -> None:
    line = with_fact(good_line(purpose), mark, name, stop(position), 50)
    found = answer(line, purpose)
    assert ("stop-count-not-as-drawn", subject, 50) in {
        (entry["code"], entry["subject"], entry["shown_by"]) for entry in found["blockers"]
    }
    assert answer(with_fact(good_line(purpose), mark, name, stop("stowed"), 50), purpose)["ready"]
