"""Stops counted in and out, a line locked again, and a release that is going on."""

from __future__ import annotations

import pytest

from service.domain.views import LineView
from tests.unit.domain.readiness.cases import COUNT, EVERY, SHUT, V1, V, set_record
from tests.unit.domain.readiness.support import (
    LATER,
    answer,
    good_line,
    locked_line,
    q,
    released_line,
    status,
    stop,
    turned,
    with_fact,
    with_record,
)


# --- stops counted in and out -------------------------------------------------------------------------
@pytest.mark.parametrize("purpose", SHUT)
def test_a_count_of_none_after_stowing_closes_the_count(purpose: str) -> None:
    line = with_fact(
        good_line(purpose), "V-1", "assembly/1/stops_counted", 0, 90, "2026-05-05T09:00:00+02:00"
    )
    assert answer(line, purpose)["ready"] is True


def test_a_count_of_none_while_stops_are_drawn_says_nothing() -> None:
    line = with_fact(
        released_line(), "V-1", "assembly/1/stop/2", stop("stowed"), 92, "2026-05-05T10:00:00+02:00"
    )
    line = with_fact(line, "V-1", "assembly/1/stops_counted", 0, 91, "2026-05-05T09:00:00+02:00")
    (blocker,) = answer(line, "heat_up")["blockers"]
    assert (blocker["code"], blocker["kind"], blocker["shown_by"]) == (COUNT, "unknown", 91)


def test_a_stop_counted_after_withdrawal_blocks_though_every_stop_is_stowed_later() -> None:
    line = with_fact(
        released_line(), "V-1", "withdrawal", {"stops_withdrawn": []}, 65, "2026-05-05T07:00:00+02:00"
    )
    line = with_fact(line, "V-1", "assembly/1/stops_counted", 2, 66, "2026-05-05T07:30:00+02:00")
    (blocker,) = answer(line, "heat_up")["blockers"]
    assert (blocker["code"], blocker["kind"], blocker["known"]) == (COUNT, "known", 2)


def test_a_count_of_none_after_withdrawal_and_before_stowing_closes_the_count() -> None:
    line = with_fact(
        released_line(), "V-1", "withdrawal", {"stops_withdrawn": []}, 65, "2026-05-05T07:00:00+02:00"
    )
    line = with_fact(line, "V-1", "assembly/1/stops_counted", 0, 66, "2026-05-05T07:30:00+02:00")
    assert answer(line, "heat_up")["ready"] is True


def test_a_stop_that_was_never_registered_does_not_close_the_count() -> None:
    """Three are drawn, two were counted, withdrawn and stowed: the third may still be in."""
    line = with_record(released_line(), "V-1", "assemblies", [{"stops": 3}])
    codes = {blocker["code"] for blocker in answer(line, "heat_up")["blockers"]}
    assert codes == {COUNT, "stop-still-in", "stop-not-stowed"}


# --- a line that was locked again ---------------------------------------------------------------------
def _locked_again(line: LineView, started: str) -> LineView:
    again = status("locked", cycle=2, cycle_started_at=started, cycle_started_sequence=70)
    return with_fact(line, "V-1", "status", again, 70, started)


def test_what_was_seen_of_the_line_before_a_hanger_was_locked_again_counts_no_more() -> None:
    found = answer(_locked_again(locked_line(), "2026-05-04T12:00:00+02:00"), "release")
    assert found["verdict"] == "cannot_say"
    assert {blocker["code"] for blocker in found["blockers"]} == {
        "welds-incomplete",
        "rigid-supports-incomplete",
        "temporary-supports-on",
        "insulation-incomplete",
        "jacketing-incomplete",
        "pressure-test-not-done",
        "chemical-clean-not-done",
        "contents-not-weight-basis",
        "line-not-cold",
        "connected-lines-unknown",
    }
    assert {blocker["shown_by"] for blocker in found["blockers"]} == {20}
    assert all("V-1" in blocker["detail"] for blocker in found["blockers"])


def test_what_was_seen_of_the_line_after_the_locking_counts() -> None:
    assert answer(_locked_again(locked_line(), "2026-05-04T08:00:00+02:00"), "release")["ready"] is True


def test_the_latest_locking_of_the_line_decides() -> None:
    line = _locked_again(locked_line(), "2026-05-04T08:00:00+02:00")
    late = status("locked", cycle=2, cycle_started_at="2026-05-04T12:00:00+02:00", cycle_started_sequence=71)
    assert answer(with_fact(line, "C-2", "status", late, 71), "release")["ready"] is False


# --- a release that is going on -----------------------------------------------------------------------
STATES = ("locked", "cleared", "easing", "stops_out", "positioning", "released", "proved")


def _under_way(state: str, line: LineView | None = None) -> LineView:
    line = line or locked_line()
    line = with_fact(line, "V-1", "status", status(state), 60, LATER)
    if state in ("stops_out", "positioning", "released", "proved"):
        for number in (1, 2):
            line = with_fact(line, "V-1", f"assembly/1/stop/{number}", stop("out"), 65, LATER)
    return line


@pytest.mark.parametrize("state", STATES)
def test_the_line_stays_ready_for_release_while_one_hanger_is_released(state: str) -> None:
    assert answer(_under_way(state), "release")["blockers"] == []


@pytest.mark.parametrize("state", ["stops_out", "positioning", "released"])
def test_stops_that_are_out_or_a_count_of_none_do_not_block_the_next_hanger(state: str) -> None:
    line = with_fact(_under_way(state), "V-1", "assembly/1/stops_counted", 0, 66, LATER)
    assert answer(line, "release")["ready"] is True


@pytest.mark.parametrize("state", ["easing", "stops_out", "positioning", "released"])
def test_hardware_and_geometry_of_a_hanger_at_work_do_not_block_the_next_hanger(state: str) -> None:
    line = _under_way(state)
    line = with_fact(line, "V-1", "assembly/1/retaining_hardware", {"one_end": False, "other_end": False})
    line = with_fact(line, "V-1", "assembly/1/adjuster_locked", False)
    line = with_fact(line, "V-1", "assembly/1/pipe_to_support_dimension", q(1870, "mm"))
    line = with_fact(line, "V-1", "assembly/1/elevation", q(12.43, "m"))
    assert answer(line, "release")["ready"] is True


@pytest.mark.parametrize("state", ["locked", "cleared", "easing"])
def test_a_damaged_stop_blocks_as_long_as_it_is_in(state: str) -> None:
    line = with_fact(_under_way(state), "V-1", "assembly/1/stops_damaged", 1)
    assert [blocker["code"] for blocker in answer(line, "release")["blockers"]] == ["stop-damaged"]


@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize(
    ("name", "value", "code"),
    [
        ("rod_slack", True, "rod-slack"),
        ("interference", True, "interference"),
        ("in_place", False, "not-in-place"),
    ],
)
def test_danger_blocks_in_every_state(state: str, name: str, value: bool, code: str) -> None:
    line = with_fact(_under_way(state), "V-1", f"assembly/1/{name}", value)
    assert [blocker["code"] for blocker in answer(line, "release")["blockers"]] == [code]


@pytest.mark.parametrize("held_from", STATES)
def test_a_hanger_on_hold_blocks_every_purpose(held_from: str) -> None:
    line = with_fact(
        _under_way(held_from), "V-1", "status", status("on_hold", held_from=held_from), 66, LATER
    )
    for purpose in EVERY:
        codes = [entry["code"] for entry in answer(line, purpose)["blockers"] if entry["subject"] == V]
        assert "on-hold" in codes
    assert [blocker["code"] for blocker in answer(line, "release")["blockers"]] == ["on-hold"]


def test_a_locked_hanger_whose_rod_is_too_weak_for_its_locked_load_blocks_only_until_its_stops_are_out() -> (
    None
):
    weak = set_record("design.locked_position", {"reading": q(80, "mm"), "load": q(90, "kN")})
    rule = f"{V1}/check/rod-load-locked"
    assert rule in {entry["subject"] for entry in answer(weak(_under_way("locked")), "release")["blockers"]}
    assert rule not in {
        entry["subject"] for entry in answer(weak(_under_way("stops_out")), "release")["blockers"]
    }


def test_hardware_that_was_seen_again_after_the_last_turn_counts() -> None:
    line = turned(locked_line(), "C-2", 1)
    for number in (1, 2):
        for name, value in (
            ("retaining_hardware", {"one_end": True, "other_end": True}),
            ("adjuster_locked", True),
            ("engagement/upper", {"measured": q(60, "mm"), "full": True, "net_turns": 0.0}),
            ("engagement/lower", {"measured": q(60, "mm"), "full": True, "net_turns": 0.0}),
        ):
            line = with_fact(line, "C-2", f"assembly/{number}/{name}", value, 80, LATER)
    assert answer(line, "release")["ready"] is True


def test_a_turn_of_another_hanger_says_nothing_of_this_ones_hardware() -> None:
    found = answer(turned(locked_line(), "C-2", 1), "release")
    assert {entry["subject"].split("/")[1] for entry in found["blockers"]} == {"C-2"}
