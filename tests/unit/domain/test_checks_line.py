"""Sums over the variable springs of a line."""

from __future__ import annotations

import pytest

from service.domain.checks import SUM_RULES, line_sums, run_checks
from service.domain.checks.look import Answer, Look, Subject
from service.domain.criteria import Criteria
from service.domain.views import HangerView
from service.engineering.springs import load_at_position_n
from tests.unit.domain.checks_samples import (
    CONSTANT,
    RIGID,
    VARIABLE,
    Document,
    changed,
    constant_facts,
    line_of,
    q,
    read,
    variable_facts,
    view,
)

SECOND = changed(VARIABLE, "/mark", "V-2")


def sums(*views: object, criteria: Criteria | None = None) -> tuple[Document, Document]:
    cold, hot = line_sums(line_of(*views), criteria or Criteria())  # type: ignore[arg-type]
    return cold, hot


def test_the_sums_are_cold_against_cold_and_hot_against_hot() -> None:
    facts = variable_facts() | read(1, "hot", 21, position=q(138, "mm"))
    cold, hot = sums(view(VARIABLE, facts), view(SECOND, facts))
    assert (cold["rule"], hot["rule"]) == ("variable-sum-cold", "variable-sum-hot")
    # Cold at 101 mm instead of 100 mm: 50 N less than 11 kN. Hot at 138 instead of 120 mm: 900 N of 10 kN.
    assert cold["found"]["value"] == pytest.approx(100 * 50 / 11_000)
    assert hot["found"]["value"] == pytest.approx(9.0)
    assert (cold["status"], hot["status"]) == ("pass", "attention")


def test_two_errors_that_cancel_leave_the_sum_right() -> None:
    low = variable_facts() | read(1, "cold", 20, position=q(90, "mm"))
    high = variable_facts() | read(1, "cold", 20, position=q(110, "mm"))
    cold, _ = sums(view(VARIABLE, low), view(SECOND, high))
    assert cold["status"] == "pass"
    assert cold["found"] == q(0.0, "%")


@pytest.mark.parametrize(("millimetres", "status"), [(89, "pass"), (78, "attention"), (77.9, "fail")])
def test_a_sum_at_its_limit_passes(millimetres: float, status: str) -> None:
    cold, _ = sums(
        view(VARIABLE, variable_facts() | read(1, "cold", 20, position=q(millimetres / 25.4, "in")))
    )
    assert cold["status"] == status


def test_constant_and_rigid_supports_are_not_in_the_sum() -> None:
    cold, hot = sums(view(CONSTANT, constant_facts()), view(RIGID))
    assert (cold["status"], hot["status"]) == ("not_applicable", "not_applicable")
    alone, _ = sums(view(VARIABLE, variable_facts()))
    mixed, _ = sums(view(VARIABLE, variable_facts()), view(CONSTANT, constant_facts()))
    assert mixed["found"] == alone["found"]


def test_a_horizontal_spring_carries_no_weight() -> None:
    level = changed(SECOND, "/line_of_action", "horizontal")
    cold, _ = sums(view(VARIABLE, variable_facts()), view(level))
    assert cold["status"] == "pass"


def test_one_spring_without_a_reading_leaves_the_sum_open_and_is_named() -> None:
    cold, hot = sums(view(VARIABLE, variable_facts()), view(SECOND))
    assert cold["status"] == "cannot_say"
    assert "V-2" in cold["message"]
    assert cold["missing"] == ["hanger/V-2/assembly/1/reading/cold"]
    assert "hanger/V-1#/design/spring_rate" in cold["inputs"]
    assert 20 in cold["inputs"]
    assert hot["status"] == "cannot_say"


def test_one_locked_spring_leaves_the_sum_open() -> None:
    locked = variable_facts() | read(1, "cold", 20, state="locked", position=q(80, "mm"))
    cold, _ = sums(view(VARIABLE, variable_facts()), view(SECOND, locked))
    assert cold["status"] == "cannot_say"


@pytest.mark.parametrize(
    "pointer",
    ["/indicator/expected_released_cold", "/indicator/hot_mark", "/design/operating_load", "/assemblies"],
)
def test_what_a_record_does_not_state_is_named_with_its_hanger(pointer: str) -> None:
    cold, _ = sums(view(changed(VARIABLE, pointer, None), variable_facts()))
    assert cold["status"] == "cannot_say"
    assert f"hanger/V-1#{pointer}" in cold["missing"]


def test_a_hot_sum_needs_the_hot_mark_too() -> None:
    _, hot = sums(view(changed(VARIABLE, "/indicator/hot_mark", None), variable_facts()))
    assert hot["missing"] == ["hanger/V-1#/indicator/hot_mark"]


def test_an_expected_sum_that_is_no_load_says_nothing() -> None:
    record = changed(VARIABLE, "/indicator/expected_released_cold", q(400, "mm"))
    cold, _ = sums(view(record, variable_facts()))
    assert cold["status"] == "cannot_say"


def test_a_rule_of_sums_has_no_row_for_one_hanger() -> None:
    for rule, _ in SUM_RULES:
        with pytest.raises(Answer) as caught:
            rule.run(Look(Subject(VARIABLE, {}, None, None, Criteria()), rule))
        assert caught.value.row["status"] == "not_applicable"


# A perfect line of five variable springs whose hot load is the weight share, solved as a beam apart from
# this code: released cold with nothing turned, each stands above its cold mark by the offset, and carries
# less than its cold design load by the per cent.
MOVEMENTS_MM = (10.0, 25.0, 40.0, 25.0, 10.0)
OFFSETS_MM = (7.49, 20.34, 26.53, 20.34, 7.49)
LOAD_OFF_PRESET_PERCENT = (-2.92, -7.49, -9.26, -7.49, -2.92)
HOT_LOAD_N, RATE_N_PER_MM = 14787.938, 60.0


def _perfect_line(offsets_mm: tuple[float, ...]) -> list[HangerView]:
    views = []
    for number, (movement, expected, offset) in enumerate(
        zip(MOVEMENTS_MM, OFFSETS_MM, offsets_mm, strict=True)
    ):
        record = changed(VARIABLE, "/mark", f"H{number + 1}")
        record["design"] |= {
            "operating_load": q(HOT_LOAD_N, "N"),
            "hardware_weight": q(0, "N"),
            "vertical_movement": q(movement, "mm"),
            "installed_load": q(HOT_LOAD_N + RATE_N_PER_MM * movement, "N"),
            "spring_rate": q(RATE_N_PER_MM, "N/mm"),
        }
        record["indicator"] |= {
            "cold_mark": q(80, "mm"),
            "hot_mark": q(80 + movement, "mm"),
            "expected_released_cold": q(80 + expected, "mm"),
        }
        facts = read(1, "cold", 20, position=q(80 + offset, "mm"))
        facts |= read(1, "hot", 21, position=q(80 + movement, "mm"))
        views.append(view(record, facts))
    return views


def test_a_perfect_line_released_with_nothing_turned_is_right_cold_and_hot() -> None:
    views = _perfect_line(OFFSETS_MM)
    for hanger in views:
        found = run_checks(hanger, Criteria(), groups=("read",))
        assert {row["status"] for row in found} <= {"pass", "not_applicable"}
    assert [found["status"] for found in line_sums(line_of(*views), Criteria())] == ["pass", "pass"]


def test_the_loads_inferred_from_a_perfect_lines_positions_are_the_beams() -> None:
    for movement, offset, percent in zip(MOVEMENTS_MM, OFFSETS_MM, LOAD_OFF_PRESET_PERCENT, strict=True):
        cold_n = HOT_LOAD_N + RATE_N_PER_MM * movement
        inferred_n = load_at_position_n(HOT_LOAD_N, RATE_N_PER_MM * 1000, (offset - movement) / 1000)
        assert 100 * (inferred_n - cold_n) / cold_n == pytest.approx(percent, abs=0.006)


def test_a_perfect_line_set_to_its_cold_marks_is_off_what_is_expected() -> None:
    found = []
    for hanger in _perfect_line((0.0,) * 5):
        rows = run_checks(hanger, Criteria(), groups=("read",))
        found += [row["status"] for row in rows if row["rule"] == "cold-reading"]
    assert found == ["attention", "fail", "fail", "fail", "attention"]
