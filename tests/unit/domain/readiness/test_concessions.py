"""Concessions: what may be granted, what it takes off, and everything that ends it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from service.domain.criteria import Criteria
from service.domain.readiness import BLOCKER_CODES, assess, blockers, concession_problem
from service.domain.views import LineView
from service.errors import NotConcedable
from tests.unit.domain.readiness.support import (
    AT,
    CRITERIA,
    LATER,
    OTHER,
    PERSON,
    answer,
    engineer,
    good_line,
    locked_line,
    q,
    status,
    with_fact,
    with_hanger,
    with_line_fact,
    with_line_record,
    with_record,
    without_fact,
    without_line_fact,
)

V1 = "hanger/V-1/assembly/1"
ENDS = "2026-06-30T00:00:00+02:00"


def off_dimension(sequence: int = 41, millimetres: float = 1862) -> LineView:
    """A line whose only blocker for release is a dimension 2 mm beyond its tolerance."""
    return with_fact(
        locked_line(), "V-1", "assembly/1/pipe_to_support_dimension", q(millimetres, "mm"), sequence
    )


def document(**changes: Any) -> dict[str, Any]:
    """A concession of that dimension, as the engineer posts it."""
    return {
        "occurred_at": "2026-05-05T07:00:00+02:00",
        "purpose": "release",
        "code": "dimension-not-as-drawn",
        "subject": V1,
        "evidence_sequence": 41,
        "reason": "rod angle and engagement looked at",
        "expires_at": ENDS,
        **changes,
    }


def granted(line: LineView, sequence: int = 47, **changes: Any) -> LineView:
    """The line with the concession on record."""
    given = document(**changes)
    value = {
        "sequence": sequence,
        **{key: given[key] for key in ("purpose", "code", "subject", "evidence_sequence", "expires_at")},
        "granted_by": OTHER,
        "granted_at": "2026-05-05T07:00:00+02:00",
    }
    return with_line_fact(line, f"concession/{sequence}", value, sequence)


def state_of(found: dict[str, Any]) -> list[tuple[int, bool, str | None]]:
    """Sequence, in force, and why not, of each concession listed."""
    return [(entry["sequence"], entry["in_force"], entry["ended_by"]) for entry in found["concessions"]]


def refused(line: LineView, given: dict[str, Any], **how: Any) -> NotConcedable:
    """The refusal of a concession."""
    with pytest.raises(NotConcedable) as caught:
        concession_problem(
            line, how.get("criteria", CRITERIA), given, how.get("granter", engineer()), how.get("at", AT)
        )
    return caught.value


# --- in force -----------------------------------------------------------------------------------------
def test_a_concession_in_force_takes_its_blocker_off_and_is_listed_apart() -> None:
    found = answer(granted(off_dimension()), "release")
    assert (found["verdict"], found["ready"]) == ("ready_with_concessions", True)
    assert found["blockers"] == []
    (conceded,) = found["conceded"]
    assert (conceded["code"], conceded["subject"], conceded["concession"]) == (
        "dimension-not-as-drawn",
        V1,
        47,
    )
    assert state_of(found) == [(47, True, None)]


def test_it_takes_off_nothing_else() -> None:
    line = with_line_fact(granted(off_dimension()), "welds", "incomplete")
    found = answer(line, "release")
    assert found["verdict"] == "not_ready"
    assert [blocker["code"] for blocker in found["blockers"]] == ["welds-incomplete"]


def test_with_an_unknown_beside_it_the_verdict_is_that_nothing_can_be_said() -> None:
    assert answer(without_line_fact(granted(off_dimension()), "welds"), "release")["verdict"] == "cannot_say"


def test_the_guards_see_neither_the_blocker_nor_any_other() -> None:
    assert blockers(granted(off_dimension()), "release", CRITERIA, at=AT) == []
    (lack,) = blockers(off_dimension(), "release", CRITERIA, at=AT)
    assert (lack.code, lack.subject, lack.shown_by) == ("dimension-not-as-drawn", V1, 41)
    assert lack.facts == {"kind": "known", "concedable": True}


# --- its endings --------------------------------------------------------------------------------------
def test_it_ends_when_its_time_is_over() -> None:
    line = granted(off_dimension(), expires_at="2026-05-05T14:00:00+02:00")  # noon, UTC
    for at, in_force in ((AT - timedelta(microseconds=1), True), (AT, False)):
        found = assess(
            line, "release", CRITERIA, at=at, explain=False, criteria_revision=0, service_version="0.1.0"
        )
        assert found["ready"] is in_force
        assert state_of(found) == [(47, in_force, None if in_force else "expired")]


def test_new_evidence_ends_it_even_when_it_shows_the_same() -> None:
    found = answer(granted(off_dimension(sequence=52)), "release")
    assert found["ready"] is False
    assert state_of(found) == [(47, False, "new-evidence")]


def test_it_is_over_and_still_listed_when_its_blocker_is_gone() -> None:
    found = answer(granted(off_dimension(52, 1850)), "release")
    assert found["verdict"] == "ready"
    assert state_of(found) == [(47, False, "blocker-gone")]


def test_evidence_that_is_withdrawn_ends_it() -> None:
    line = without_fact(granted(off_dimension()), "V-1", "assembly/1/pipe_to_support_dimension")
    found = answer(line, "release")
    assert found["verdict"] == "cannot_say"
    assert state_of(found) == [(47, False, "new-evidence")]


def test_a_revision_of_the_hangers_record_ends_it() -> None:
    line = with_hanger(granted(off_dimension()), "V-1", revision=2, record_sequence=48)
    found = answer(line, "release")
    assert found["ready"] is False
    assert state_of(found) == [(47, False, "record-revised")]


def test_a_revision_of_another_hangers_record_does_not() -> None:
    line = with_hanger(granted(off_dimension()), "C-2", revision=2, record_sequence=48)
    assert answer(line, "release")["ready"] is True


def test_a_revision_of_the_lines_record_ends_it() -> None:
    line = replace(granted(off_dimension()), record_sequence=48)
    assert state_of(answer(line, "release")) == [(47, False, "record-revised")]


def test_a_line_that_lost_its_record_still_judges_what_was_conceded() -> None:
    line = replace(granted(off_dimension()), record=None, record_sequence=None)
    found = answer(line, "release")
    assert found["ready"] is False
    assert state_of(found) == [(47, True, None)]


def test_a_concession_of_the_line_is_ended_by_the_lines_record_alone() -> None:
    line = granted(
        with_line_fact(locked_line(), "welds", "incomplete", 45),
        code="welds-incomplete",
        subject="line/MS-1",
        evidence_sequence=45,
    )
    assert answer(with_hanger(line, "V-1", record_sequence=48), "release")["ready"] is True


def test_a_blocker_that_may_no_longer_be_conceded_is_not_taken_off() -> None:
    """The stored grant names a code that is never conceded, as one from older rules might."""
    line = with_fact(locked_line(), "V-1", "assembly/1/stops_counted", 1, 41)
    found = answer(granted(line, code="stop-count-not-as-drawn"), "release")
    assert found["ready"] is False
    assert state_of(found) == [(47, False, "not-concedable")]


def test_an_unknown_is_never_taken_off() -> None:
    line = with_line_fact(locked_line(), "connected_lines", "unknown", 41)
    line = granted(line, code="connected-lines-unknown", subject="line/MS-1")
    found = answer(line, "release")
    assert found["verdict"] == "cannot_say"
    assert state_of(found) == [(47, False, "not-concedable")]


def test_it_holds_for_its_purpose_only() -> None:
    line = with_fact(good_line("heat_up"), "V-1", "assembly/1/interference", True, 41)
    line = granted(line, code="interference")
    found = answer(line, "heat_up")
    assert found["ready"] is False
    assert found["concessions"] == []


def test_every_concession_of_the_purpose_is_listed_in_order() -> None:
    line = granted(granted(off_dimension(52), 60, evidence_sequence=52), 47)
    found = answer(line, "release")
    assert found["ready"] is True
    assert state_of(found) == [(47, False, "new-evidence"), (60, True, None)]
    assert [entry["concession"] for entry in found["conceded"]] == [60]


def test_a_concession_of_a_hanger_that_left_is_still_listed() -> None:
    line = granted(locked_line(), subject="hanger/V-9/assembly/1")
    assert state_of(answer(line, "release")) == [(47, False, "blocker-gone")]


# --- granting -----------------------------------------------------------------------------------------
def test_a_known_blocker_is_conceded_by_the_evidence_that_shows_it() -> None:
    concession_problem(off_dimension(), CRITERIA, document(), engineer(), AT)


def test_other_evidence_than_that_which_shows_it_is_refused() -> None:
    error = refused(off_dimension(), document(evidence_sequence=40))
    assert error.facts["shown_by"] == 41


@pytest.mark.parametrize(
    "changes",
    [
        {"purpose": "heat_up"},
        {"subject": "hanger/V-1"},
        {"subject": "hanger/C-2/assembly/1"},
        {"code": "rod-slack"},
    ],
)
def test_a_blocker_that_does_not_exist_now_is_refused(changes: dict[str, Any]) -> None:
    error = refused(off_dimension(), document(**changes))
    assert "no such blocker" in error.detail


def test_a_code_that_is_not_published_is_refused_with_those_that_are() -> None:
    error = refused(off_dimension(), document(code="bearing-not-free"))
    assert error.facts["accepted"] == sorted(BLOCKER_CODES)


def test_an_unknown_is_refused() -> None:
    line = without_fact(locked_line(), "V-1", "assembly/1/pipe_to_support_dimension")
    assert "not known" in refused(line, document()).detail


NEVER = {
    "no-hangers",
    "register-incomplete",
    "line-not-weighed",
    "no-load-path",
    "on-hold",
    "not-locked",
    "not-released",
    "not-proved",
    "assemblies-not-stated",
    "stop-count-not-as-drawn",
    "stop-not-in",
    "stop-damaged",
    "stop-still-in",
    "stop-not-stowed",
    "engagement-not-shown",
    "engagement-too-short",
    "retaining-hardware-missing",
    "adjuster-not-locked",
    "cold-reading-missing",
    "hot-reading-missing",
    "capacity-exceeded",
    "end-of-travel",
    "check-unanswered",
}


def test_the_codes_that_are_never_conceded_are_these() -> None:
    assert {code for code, entry in BLOCKER_CODES.items() if not entry.concedable} == NEVER


@pytest.mark.parametrize("code", sorted(NEVER))
def test_a_code_that_is_never_conceded_is_refused_with_its_reason(code: str) -> None:
    reason = BLOCKER_CODES[code].never
    assert reason is not None
    assert reason in refused(off_dimension(), document(code=code)).detail


def test_insulation_is_not_conceded_while_no_balance_can_be_weighed() -> None:
    line = with_line_fact(locked_line(), "insulation", "incomplete", 45)
    error = refused(line, document(code="insulation-incomplete", subject="line/MS-1", evidence_sequence=45))
    assert "no model of the line" in error.detail
    assert answer(line, "release")["blockers"][0]["concedable"] is False


def test_a_major_defect_may_be_conceded_and_a_critical_one_not() -> None:
    given = document(code="defect-open")
    major = with_fact(
        locked_line(), "V-1", "assembly/1/defects", [{"defect": "bent_rod", "severity": "major"}], 41
    )
    concession_problem(major, CRITERIA, given, engineer(), AT)
    critical = [
        {"defect": "bent_rod", "severity": "major"},
        {"defect": "broken_coil", "severity": "critical"},
    ]
    line = with_fact(locked_line(), "V-1", "assembly/1/defects", critical, 41)
    assert "critical" in refused(line, given).detail
    assert answer(granted(line, code="defect-open"), "release")["ready"] is False


@pytest.mark.parametrize(
    "ends", ["2026-05-05T11:59:59Z", "2026-05-05T12:00:00Z", "2026-05-05T14:00:00+02:00"]
)
def test_an_end_that_is_not_ahead_is_refused(ends: str) -> None:
    assert "not ahead" in refused(off_dimension(), document(expires_at=ends)).detail


def test_an_end_too_far_ahead_is_refused_and_the_latest_is_granted() -> None:
    concession_problem(off_dimension(), CRITERIA, document(expires_at="2026-08-05T12:00:00Z"), engineer(), AT)
    error = refused(off_dimension(), document(expires_at="2026-08-05T12:00:01Z"))
    assert error.facts["at_latest"] == "2026-08-05T12:00:00.000000Z"


class _Shorter(Criteria):
    """Criteria that state how long a concession may last."""

    def names(self) -> tuple[str, ...]:
        """The names, with this one."""
        return (*super().names(), "concession_days_max")

    def si(self, name: str) -> float:
        """Ten days."""
        return 10.0 if name == "concession_days_max" else super().si(name)


def test_the_criteria_may_state_how_long_a_concession_lasts() -> None:
    error = refused(off_dimension(), document(expires_at="2026-05-15T12:00:01Z"), criteria=_Shorter(None))
    assert error.facts["at_latest"] == "2026-05-15T12:00:00.000000Z"


# --- persons ------------------------------------------------------------------------------------------
def _performed(line: LineView, marks: Iterable[str]) -> LineView:
    for mark in marks:
        line = with_fact(line, mark, "performers", {OTHER: ["ease", "turn"]}, 62, LATER)
    return line


def _together() -> Criteria:
    return Criteria(
        {
            "limits": {
                "separate_persons": {"value": False, "source": "plant procedure", "source_status": "plant"}
            }
        }
    )


def test_a_system_does_not_concede() -> None:
    assert "person" in refused(off_dimension(), document(), granter=engineer(kind="system")).detail
    assert (
        "person"
        in refused(off_dimension(), document(), granter=engineer(kind="system"), criteria=_together()).detail
    )


def test_who_performs_at_the_hanger_does_not_concede_for_it() -> None:
    line = _performed(off_dimension(), ["V-1"])
    assert refused(line, document()).facts["hanger"] == "V-1"
    concession_problem(line, CRITERIA, document(), engineer(PERSON), AT)


def test_who_performs_at_another_hanger_may() -> None:
    concession_problem(_performed(off_dimension(), ["C-2"]), CRITERIA, document(), engineer(), AT)


def test_who_performs_anywhere_on_the_line_does_not_concede_for_the_line() -> None:
    line = _performed(with_line_fact(locked_line(), "welds", "incomplete", 45), ["C-2"])
    given = document(code="welds-incomplete", subject="line/MS-1", evidence_sequence=45)
    assert refused(line, given).facts["hanger"] == "C-2"


def test_criteria_that_do_not_separate_persons_let_one_person_do_both_and_every_answer_says_so() -> None:
    line = _performed(off_dimension(), ["V-1"])
    concession_problem(line, _together(), document(), engineer(), AT)
    found = answer(line, "release", _together())
    assert found["separate_persons_off"] is True
    assert "persons-not-separated" in {caution["code"] for caution in found["cautions"]}


def test_concessions_of_checks_are_told_apart_by_their_rule() -> None:
    """One concession takes off one failing check, not every one of the assembly."""
    line = with_record(locked_line(), "V-1", "design.spring_rate", q(100, "N/mm"))
    subjects = [
        entry["subject"] for entry in answer(line, "release")["blockers"] if entry["code"] == "check-failed"
    ]
    first, *rest = subjects
    found = answer(granted(line, code="check-failed", subject=first, evidence_sequence=2), "release")
    assert [entry["subject"] for entry in found["conceded"]] == [first]
    left = [entry["subject"] for entry in found["blockers"] if entry["code"] == "check-failed"]
    assert left == rest
    assert left != []


def test_a_hanger_on_hold_cannot_be_conceded_out_of_it() -> None:
    line = with_fact(locked_line(), "V-1", "status", status("on_hold", held_from="locked"), 41)
    assert answer(line, "release")["blockers"][0]["concedable"] is False


def test_the_contents_of_a_line_may_be_conceded_and_the_next_inspection_ends_it() -> None:
    line = with_line_fact(locked_line(), "contents", "operating", 45)
    given = document(code="contents-not-weight-basis", subject="line/MS-1", evidence_sequence=45)
    concession_problem(line, CRITERIA, given, engineer(), AT)
    line = granted(line, **{key: given[key] for key in ("code", "subject", "evidence_sequence")})
    assert answer(line, "release")["ready"] is True
    assert answer(with_line_fact(line, "contents", "operating", 49), "release")["ready"] is False


def test_a_basis_that_changes_under_a_concession_ends_it() -> None:
    line = granted(
        with_line_fact(locked_line(), "contents", "operating", 45),
        code="contents-not-weight-basis",
        subject="line/MS-1",
        evidence_sequence=45,
    )
    revised = with_line_record(line, weight_basis={"contents": "water", "insulation": "complete"})
    assert answer(replace(revised, record_sequence=48, revision=2), "release")["ready"] is False
