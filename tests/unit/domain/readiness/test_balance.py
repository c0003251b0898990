"""Readiness of a line that has a model: what its balance blocks, what it leaves open, and what it allows."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from service.domain.balance.weighing import HangerWeighing, MissingWeight, Weighing
from service.domain.readiness import NotWeighed, Weighed, assess_plant, blockers, concession_problem
from service.domain.views import LineView
from service.errors import NotConcedable
from tests.unit.domain.readiness.support import (
    AT,
    CRITERIA,
    LATER,
    OTHER,
    answer,
    engineer,
    good_line,
    locked_line,
    q,
    released_line,
    with_fact,
    with_line_fact,
    with_line_record,
    with_record,
)
from tests.unit.domain.readiness.test_answer import PLANT, READINESS
from tests.unit.domain.weighings import (
    INSIDE,
    INSULATION,
    JACKETING,
    MAY,
    UNSAID,
    WILL,
    hanger,
    rigid,
    weighing,
)

AFTER = "2026-05-05T09:00:00+02:00"
LINE, V, C = "line/MS-1", "hanger/V-1", "hanger/C-2"
EVERY = ("pressure_test", "chemical_clean", "release", "heat_up", "acceptance")
LOCKED = ("pressure_test", "chemical_clean")
NARROW = replace(INSIDE, margin_m=0.019)  # of the 20 mm that V-1 and the 10 mm that C-2 want
EXPECTED = {"V-1": 0.080, "C-2": 0.070}


def good(**changes: Any) -> Weighing:
    """The balance of the tests' line: three supports, everything good."""
    v, c = (hanger(mark, expected_released_cold_m=reading) for mark, reading in EXPECTED.items())
    return weighing(v, c, rigid("R-3"), **changes)


def off(mark: str = "V-1", line: dict[str, Any] | None = None, **changes: Any) -> Weighing:
    """The same with fields of one hanger changed; line: fields of the whole."""
    weighed = good(**(line or {}))
    hangers: dict[str, HangerWeighing] = dict(weighed.hangers)
    hangers[mark] = replace(hangers[mark], **changes)
    return replace(weighed, hangers=hangers)


FAULT = NotWeighed("The frame is a mechanism.", {"V-1": ("/design/friction",)}, 3, 17)


# --- ready ------------------------------------------------------------------------------------------
@pytest.mark.parametrize("purpose", EVERY)
def test_a_line_in_balance_is_ready_and_names_its_model(purpose: str) -> None:
    found = answer(good_line(purpose), purpose, weighing=good(), explain=True)
    assert found["blockers"] == []
    assert found["ready"] is True
    assert found["evaluated"]["line_model"] == {"revision": 3, "sequence": 17}
    READINESS.validate(found)


@pytest.mark.parametrize("purpose", EVERY)
def test_a_line_without_a_model_is_answered_as_ever_and_says_so(purpose: str) -> None:
    found = answer(good_line(purpose), purpose)
    assert "line_model" not in found["evaluated"]
    assert {entry["matter"] for entry in found["not_weighed"]} == {
        "load-balance",
        "end-of-travel",
        "load-path",
    }


# --- every blocker, by hand -------------------------------------------------------------------------
# What the balance says, the blocker, its kind and subject, the purposes that ask for it, the event shown.
CASES: list[tuple[Weighed, str, str, str, tuple[str, ...]]] = [
    (off(cold=WILL), "end-of-travel", "known", f"{V}/check/end-of-travel-cold", ("release",)),
    (off(cold=MAY), "end-of-travel", "unknown", f"{V}/check/end-of-travel-cold", ("release",)),
    (off(cold=UNSAID), "end-of-travel", "unknown", f"{V}/check/end-of-travel-cold", ("release",)),
    (off("C-2", hot=WILL), "end-of-travel", "known", f"{C}/check/end-of-travel-hot", ("release", "heat_up")),
    (off("C-2", hot=MAY), "end-of-travel", "unknown", f"{C}/check/end-of-travel-hot", ("release", "heat_up")),
    (
        off(locked_load_n=(40_000.0, 41_000.0)),
        "capacity-exceeded",
        "known",
        f"{V}/assembly/1/check/locked-load-balance",
        ("release", *LOCKED),
    ),
    (
        off(locked_load_n=(10_000.0, 41_000.0)),
        "capacity-exceeded",
        "unknown",
        f"{V}/assembly/1/check/locked-load-balance",
        ("release", *LOCKED),
    ),
    (
        off(locked_test_load_n=(40_000.0, 41_000.0)),
        "capacity-exceeded",
        "known",
        f"{V}/assembly/1/check/locked-load-test-balance",
        LOCKED,
    ),
    (
        off(locked_test_load_n=(10_000.0, 41_000.0)),
        "capacity-exceeded",
        "unknown",
        f"{V}/assembly/1/check/locked-load-test-balance",
        LOCKED,
    ),
    (
        off(locked_test_load_n=None),
        "capacity-exceeded",
        "unknown",
        f"{V}/assembly/1/check/locked-load-test-balance",
        LOCKED,
    ),
    (
        off("R-3", locked_load_n=(200_000.0, 200_000.0)),
        "capacity-exceeded",
        "known",
        "hanger/R-3/assembly/1/check/rod-load-balance",
        ("release", *LOCKED),
    ),
    (
        off("R-3", locked_test_load_n=(400_000.0, 400_000.0)),
        "capacity-exceeded",
        "known",
        "hanger/R-3/assembly/1/check/rod-load-test-balance",
        LOCKED,
    ),
    (
        off(out_of_balance_n=(-22_000.0, -21_000.0)),
        "capacity-exceeded",
        "known",
        f"{V}/assembly/1/check/stop-force-up-balance",
        ("release", *LOCKED),
    ),
    (
        off(out_of_balance_n=(21_000.0, 22_000.0)),
        "capacity-exceeded",
        "known",
        f"{V}/assembly/1/check/stop-force-down-balance",
        ("release", *LOCKED),
    ),
    (
        good(design_sum_n=(80_000.0, 100_000.0)),
        "check-failed",
        "known",
        f"{LINE}/check/design-sum",
        ("release",),
    ),
    (good(design_sum_n=None), "check-unanswered", "unknown", f"{LINE}/check/design-sum", ("release",)),
    (good(drifting=("C-2",)), "no-load-path", "known", LINE, ("release",)),
    (good(unheld="N4, vertical"), "no-load-path", "known", LINE, ("release",)),
    (FAULT, "line-not-weighed", "unknown", LINE, ("release", "heat_up", *LOCKED)),
    (
        weighing(hanger("V-1", expected_released_cold_m=0.080), rigid("R-3")),
        "line-not-weighed",
        "unknown",
        LINE,
        ("release", "heat_up", *LOCKED),
    ),
]


@pytest.mark.parametrize("purpose", EVERY)
@pytest.mark.parametrize("case", CASES, ids=[f"{place}-{case[1]}" for place, case in enumerate(CASES)])
def test_what_the_balance_finds_blocks_its_purposes_and_no_other(
    case: tuple[Weighed, str, str, str, tuple[str, ...]], purpose: str
) -> None:
    weighed, code, kind, subject, purposes = case
    found = answer(good_line(purpose), purpose, weighing=weighed, explain=True)
    READINESS.validate(found)
    named = [
        (blocker["kind"], blocker["shown_by"], blocker["concedable"])
        for blocker in found["blockers"]
        if (blocker["code"], blocker["subject"]) == (code, subject)
    ]
    # Shown by the model's event; of these only a sum that is off can be conceded.
    wanted = [(kind, 17, code == "check-failed")] if purpose in purposes else []
    assert named == wanted
    assert found["ready"] is not bool(wanted)
    known = any(blocker["kind"] == "known" for blocker in found["blockers"])
    assert found["verdict"] == ("ready" if not wanted else "not_ready" if known else "cannot_say")


def test_a_blocker_tells_what_is_missing_and_what_friction_does() -> None:
    line = with_record(locked_line(), "V-1", "design.friction", q(5, "%"))
    found = answer(line, "release", weighing=off(cold=MAY, line={"missing_weights": (INSULATION,)}))
    ends = [blocker for blocker in found["blockers"] if blocker["code"] == "end-of-travel"]
    # Locked at 80 mm of 200 mm.
    assert [blocker["detail"] for blocker in ends] == [
        "S3 lacks insulation: 3.1 kN light; released now, V-1 may go to its upper end of travel "
        "(it does without friction, stops 27 mm short at 5 %)."
    ]


def test_a_line_that_is_not_weighed_is_one_blocker_with_what_is_missing_by_mark() -> None:
    (blocker,) = answer(locked_line(), "release", weighing=FAULT)["blockers"]
    assert blocker["detail"] == "The line has a model, but is not weighed: The frame is a mechanism."
    assert blocker["known"] == {"missing": {"V-1": ["/design/friction"]}}


def test_hangers_that_the_model_does_not_have_are_one_blocker_with_their_marks() -> None:
    (blocker,) = answer(locked_line(), "release", weighing=weighing(hanger("V-1")))["blockers"]
    assert blocker["known"] == ["C-2", "R-3"]


def test_the_guards_see_the_same_blockers() -> None:
    (lack,) = blockers(locked_line(), "release", CRITERIA, at=AT, weighing=off(cold=WILL))
    assert (lack.code, lack.subject) == ("end-of-travel", f"{V}/check/end-of-travel-cold")
    assert lack.facts == {"kind": "known", "concedable": False}
    assert blockers(locked_line(), "release", CRITERIA, at=AT, weighing=good()) == []


def test_what_the_stops_carry_says_nothing_of_a_spring_whose_stops_are_out() -> None:
    heavy = off(locked_load_n=(40_000.0, 41_000.0), out_of_balance_n=(21_000.0, 22_000.0))
    assert answer(released_line(), "release", weighing=heavy)["blockers"] == []


def test_where_a_released_spring_will_stand_still_counts_while_others_are_locked() -> None:
    found = answer(released_line(), "release", weighing=off(cold=WILL))
    assert [blocker["code"] for blocker in found["blockers"]] == ["end-of-travel"]


def test_an_expectation_that_differs_and_a_short_reserve_are_cautions() -> None:
    found = answer(locked_line(), "release", weighing=off(expected_released_cold_m=0.099, hot=NARROW))
    assert found["ready"] is True
    assert {
        caution["subject"] for caution in found["cautions"] if caution["code"] == "check-needs-attention"
    } == {f"{V}/check/end-of-travel-hot", f"{V}/check/expected-reading-balance"}


def test_before_heat_up_the_balance_stands_for_the_reading_that_the_record_does_not_expect() -> None:
    line = with_record(released_line(), "V-1", "indicator.expected_released_cold", None)
    assert answer(line, "heat_up")["verdict"] == "cannot_say"
    assert answer(line, "heat_up", weighing=good())["verdict"] == "ready"
    assert answer(line, "heat_up", weighing=off(expected_released_cold_m=0.100))["verdict"] == "not_ready"


# --- what is not weighed ----------------------------------------------------------------------------
def test_a_line_that_is_weighed_leaves_the_steps_between_to_the_order_of_release() -> None:
    found = answer(locked_line(), "release", weighing=good())["not_weighed"]
    assert [entry["matter"] for entry in found] == ["load-path"]


def test_heights_that_are_not_surveyed_and_what_the_model_leaves_out_are_said() -> None:
    weighed = good(
        indicative=True,
        limits=("Friction at guides is left out.", "Wind is left out."),
        assumed=("Taken as rigid at V-1: rod.",),
    )
    found = answer(locked_line(), "release", weighing=weighed)
    READINESS.validate(found)
    assert [entry["matter"] for entry in found["not_weighed"]] == [
        "load-path",
        "pick-up-heights",
        "assumed",
        "line-model",
        "line-model",
    ]
    assert "indicative" in found["not_weighed"][1]["detail"]
    assert found["not_weighed"][2]["detail"] == "Taken as rigid at V-1: rod."
    assert found["not_weighed"][4]["detail"] == "Wind is left out."


def test_a_model_that_weighs_nothing_says_so_of_each_matter() -> None:
    found = answer(locked_line(), "release", weighing=FAULT)["not_weighed"]
    assert [entry["matter"] for entry in found] == ["load-balance", "end-of-travel", "load-path"]
    assert all("The frame is a mechanism." in entry["detail"] for entry in found)


# --- weight that is put on after release ------------------------------------------------------------
BARE = with_line_fact(locked_line(), "insulation", "incomplete", 45)
LIGHT = {"missing_weights": (INSULATION,)}


def conceded(line: LineView, code: str = "insulation-incomplete", evidence: int = 45) -> LineView:
    """The line with the concession on record."""
    value = {
        "sequence": 47,
        "purpose": "release",
        "code": code,
        "subject": LINE,
        "evidence_sequence": evidence,
        "expires_at": "2026-06-30T00:00:00+02:00",
        "granted_by": OTHER,
        "granted_at": "2026-05-05T07:00:00+02:00",
    }
    return with_line_fact(line, "concession/47", value, 47)


def grant(line: LineView, weighed: Weighed | None, **changes: Any) -> None:
    """Concedes the missing insulation of a line."""
    document = {
        "occurred_at": "2026-05-05T07:00:00+02:00",
        "purpose": "release",
        "code": "insulation-incomplete",
        "subject": LINE,
        "evidence_sequence": 45,
        "reason": "the valve goes on afterwards",
        "expires_at": "2026-06-30T00:00:00+02:00",
        **changes,
    }
    concession_problem(line, CRITERIA, document, engineer(), AT, weighing=weighed)


@pytest.mark.parametrize("part", ["insulation", "jacketing"])
def test_missing_weight_may_be_conceded_when_the_balance_shows_every_spring_inside_its_margins(
    part: str,
) -> None:
    code = f"{part}-incomplete"
    line = with_line_fact(locked_line(), part, "incomplete", 45)
    weighed = good(missing_weights=(MissingWeight("S3", part, 3100.0),))
    (blocker,) = answer(line, "release", weighing=weighed)["blockers"]
    assert (blocker["code"], blocker["concedable"]) == (code, True)
    assert f"By the line's model, S3 lacks {part}: 3.1 kN light." in blocker["detail"]
    grant(line, weighed, code=code)
    found = answer(conceded(line, code), "release", weighing=weighed)
    READINESS.validate(found)
    assert found["verdict"] == "ready_with_concessions"
    (caution,) = [entry for entry in found["cautions"] if entry["code"] == "weight-comes-after-release"]
    assert "3.1 kN" in caution["detail"]
    assert "again when it is on" in caution["detail"]


REFUSED: dict[str, tuple[Weighed | None, str]] = {
    "no model": (None, "no model of the line"),
    "not weighed": (FAULT, "not weighed"),
    "a hanger unknown to the model": (weighing(hanger("V-1"), hanger("C-2"), **LIGHT), "not weighed"),
    "one may reach an end cold": (off(cold=MAY, line=LIGHT), "does not show it of V-1"),
    "one will reach an end cold": (off(cold=WILL, line=LIGHT), "does not show it of V-1"),
    "one may reach an end hot": (off("C-2", hot=MAY, line=LIGHT), "does not show it of C-2"),
    "one cannot be said": (off("C-2", cold=UNSAID, line=LIGHT), "does not show it of C-2"),
    "one has less than its reserve": (off(cold=NARROW, line=LIGHT), "does not show it of V-1"),
    "the line would drift": (good(drifting=("C-2",), **LIGHT), "nothing would fix the line's height"),
    "the line is a mechanism": (good(unheld="N4, vertical", **LIGHT), "nothing would fix the line's height"),
    "the model knows of nothing missing": (good(), "does not know which insulation is missing"),
    "the model knows of other things missing": (
        good(missing_weights=(JACKETING,)),
        "does not know which insulation is missing",
    ),
}


@pytest.mark.parametrize("why", REFUSED)
def test_else_missing_weight_is_never_conceded(why: str) -> None:
    weighed, words = REFUSED[why]
    with pytest.raises(NotConcedable) as caught:
        grant(BARE, weighed)
    assert words in caught.value.detail
    found = answer(conceded(BARE), "release", weighing=weighed)
    assert found["ready"] is False
    assert [entry["ended_by"] for entry in found["concessions"]] == ["not-concedable"]
    assert not [entry for entry in found["cautions"] if entry["code"] == "weight-comes-after-release"]


@pytest.mark.parametrize("part", ["insulation", "jacketing"])
def test_what_was_put_on_after_release_wants_every_indicator_read_again_before_heat_up(part: str) -> None:
    # Cold readings were taken at 08:30 on 5 May.
    line = conceded(released_line(), f"{part}-incomplete")
    assert answer(with_line_fact(line, part, "complete", 84, "2026-05-05T08:00:00+02:00"), "heat_up")["ready"]
    line = with_line_fact(line, part, "complete", 84, AFTER)
    found = answer(line, "heat_up")
    assert [(blocker["code"], blocker["subject"]) for blocker in found["blockers"]] == [
        ("cold-reading-missing", f"{V}/assembly/1"),
        ("cold-reading-missing", f"{C}/assembly/1"),
        ("cold-reading-missing", f"{C}/assembly/2"),
    ]
    assert found["blockers"][0]["detail"] == f"The {part} was put on after release; read the indicator again."


@pytest.mark.parametrize(
    "changes",
    [
        {"purpose": "heat_up"},
        {"code": "welds-incomplete"},
        # of an earlier cycle of the hangers
        {"sequence": 20},
    ],
)
def test_without_such_a_concession_for_this_release_a_later_inspection_asks_for_no_reading(
    changes: dict[str, Any],
) -> None:
    line = conceded(released_line())
    granted = {**line.facts["concession/47"].value, **changes}
    line = with_line_fact(line, "concession/47", granted, 47)
    for mark in ("V-1", "C-2"):
        view = line.hanger(mark)
        assert view is not None
        began = {"cycle_started_sequence": 25, "cycle_started_at": "2026-05-04T08:00:00+02:00"}
        line = with_fact(line, mark, "status", {**view.status, **began}, 80, LATER)
    assert answer(with_line_fact(line, "insulation", "complete", 84, AFTER), "heat_up")["ready"] is True


@pytest.mark.parametrize("purpose", ["heat_up", "acceptance"])
def test_a_line_is_never_heated_before_its_weight_is_on(purpose: str) -> None:
    line = with_line_fact(good_line(purpose), "insulation", "incomplete", 45)
    blocker = answer(line, purpose, weighing=good(**LIGHT))["blockers"][0]
    assert (blocker["code"], blocker["concedable"]) == ("insulation-incomplete", False)
    with pytest.raises(NotConcedable, match="with the weight on that its springs were set for"):
        grant(line, good(**LIGHT), purpose=purpose)


def test_a_revision_of_the_model_ends_the_concession_that_rests_on_it() -> None:
    revised = good(model_revision=4, model_sequence=48, **LIGHT)
    found = answer(conceded(BARE), "release", weighing=revised)
    assert [entry["ended_by"] for entry in found["concessions"]] == ["record-revised"]
    assert found["ready"] is False


def test_a_revision_of_the_model_ends_no_other_concession() -> None:
    line = with_line_fact(locked_line(), "welds", "incomplete", 45)
    revised = good(model_revision=4, model_sequence=48)
    assert answer(conceded(line, "welds-incomplete"), "release", weighing=revised)["ready"] is True


def test_insulation_that_is_called_complete_and_is_not_by_the_model_is_not_known_to_be_on() -> None:
    found = answer(locked_line(), "release", weighing=good(**LIGHT))
    assert [(blocker["code"], blocker["kind"]) for blocker in found["blockers"]] == [
        ("insulation-incomplete", "unknown")
    ]
    assert "S3 lacks insulation: 3.1 kN light" in found["blockers"][0]["detail"]


def test_a_line_that_was_set_for_no_insulation_may_lack_it() -> None:
    line = with_line_record(locked_line(), weight_basis={"contents": "empty", "insulation": "none"})
    line = with_line_fact(with_line_fact(line, "insulation", "none"), "jacketing", "none")
    for mark in ("V-1", "C-2"):
        line = with_record(line, mark, "design.weight_basis", {"contents": "empty", "insulation": "none"})
    assert answer(line, "release", weighing=good(**LIGHT))["ready"] is True


# --- the plant --------------------------------------------------------------------------------------
def test_a_plant_weighs_each_line_by_its_own_model_once() -> None:
    lines = [replace(locked_line(), line=key) for key in ("A", "B", "C")]
    asked: list[str] = []

    def weighing_of(line: LineView) -> Weighed | None:
        asked.append(line.line)
        return {"A": good(), "B": off(cold=WILL)}.get(line.line)

    found = assess_plant(
        "P1",
        lines,
        "release",
        CRITERIA,
        sequence=90,
        at=AT,
        criteria_revision=0,
        service_version="0.1.0",
        weighing_of=weighing_of,
    )
    PLANT.validate(found)
    assert [(row["line"], row["verdict"]) for row in found["lines"]] == [
        ("A", "ready"),
        ("B", "not_ready"),
        ("C", "ready"),
    ]
    assert asked == ["A", "B", "C"]
