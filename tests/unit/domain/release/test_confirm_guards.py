"""Guards of `confirm`, `prove` and `relock`: readings, heights, hardware, and what they were taken after."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from tests.unit.domain.release.support import (
    CHECKER,
    CREW,
    ENGINEER,
    Site,
    celsius,
    constant,
    kn,
    metres,
    mm,
    spring,
    trapeze,
)


def positioned(record: dict[str, Any] | None = None, criteria: dict[str, Any] | None = None) -> Site:
    """A hanger in positioning with stops stowed, read cold and verified."""
    site = Site(criteria, A=record or spring())
    site.bring("A", "positioning")
    site.stow("A")
    site.read_cold("A")
    site.verify("A")
    return site


def read(site: Site, position: float | None = 80, **more: Any) -> None:
    base = {"elevation": metres(12.4), "line_temperature": celsius(20)}
    site.read("A", "cold", position, **{**base, **more})


def test_a_hanger_that_stands_as_it_should_is_confirmed() -> None:
    assert positioned().lacks("A", "confirm") == []
    assert positioned(constant()).lacks("A", "confirm") == []
    assert positioned(trapeze()).lacks("A", "confirm") == []


# --- stops ----------------------------------------------------------------------------------------
def test_every_stop_is_stowed() -> None:
    site = positioned()
    fact = site.facts["hanger/A"]["assembly/1/stop/2"]
    fact.value["position"] = "out"
    assert site.lacks("A", "confirm") == ["stop-not-stowed"]
    del site.facts["hanger/A"]["assembly/1/stop/2"]
    assert site.lacks("A", "confirm") == ["stop-not-stowed"]


def test_as_many_stops_came_out_as_are_drawn() -> None:
    site = positioned()
    site.facts["hanger/A"]["withdrawal"].value["stops_withdrawn"][0]["count"] = 1
    lack = site.lacking("A", "confirm")[0]
    assert site.lacks("A", "confirm") == ["withdrawn-count-not-as-drawn"]
    assert (lack.expected, lack.known) == ({"1": 2}, {"1": 1})


def test_a_hanger_that_was_never_drawn_is_not_confirmed() -> None:
    site = positioned()
    del site.facts["hanger/A"]["withdrawal"]
    assert site.lacks("A", "confirm") == ["withdrawn-count-not-as-drawn"]


def test_a_record_without_assemblies_is_not_confirmed_nor_proved_nor_locked_again() -> None:
    site = Site(A=spring(assemblies=None))
    site.made("A", "x", "positioning")
    assert "assemblies-not-stated" in site.lacks("A", "confirm")
    assert "assemblies-not-stated" in site.lacks("A", "prove")
    assert "assemblies-not-stated" in site.lacks("A", "relock")


# --- the adjuster -----------------------------------------------------------------------------------------
def test_the_net_turns_lie_within_the_limits() -> None:
    site = positioned(spring(adjuster__turn_limit_raise=1, adjuster__turn_limit_lower=None))
    assert site.lacks("A", "confirm") == []
    site.turn("A", 1)
    site.read_cold("A")
    site.verify("A")
    assert site.lacks("A", "confirm") == []
    site.turn("A", 0.5)
    site.read_cold("A")
    site.verify("A")
    assert site.lacks("A", "confirm") == ["turn-limit"]
    site.turn("A", -2)
    site.read_cold("A")
    site.verify("A")
    assert site.lacks("A", "confirm") == ["turn-limit-not-stated"]


def test_thread_that_is_short_is_not_confirmed() -> None:
    site = positioned()
    site.inspect("A", engagement=[{"end": "upper", "full": False}])
    assert site.lacks("A", "confirm") == ["engagement-too-short"]


def test_the_assemblies_were_turned_alike() -> None:
    site = positioned(trapeze())
    site.turn("A", 0.6, 1)
    site.read_cold("A")
    site.verify("A")
    lack = site.lacking("A", "confirm")[0]
    assert site.lacks("A", "confirm") == ["pair-turns-apart"]
    assert (lack.subject, lack.expected, lack.known) == ("hanger/A", 0.5, 0.6)


def test_a_load_adjuster_used_for_easing_goes_back() -> None:
    site = Site(A=constant())
    site.bring("A", "easing")
    site.turn("A", 2, device="load_adjuster")
    site.bring("A", "positioning")
    site.turn("A", -1.5, device="load_adjuster")
    site.stow("A")
    site.read_cold("A")
    site.verify("A")
    lack = site.lacking("A", "confirm")[0]
    assert site.lacks("A", "confirm") == ["load-adjuster-not-back"]
    assert (lack.expected, lack.known) == (0.0, 0.5)
    site.turn("A", -0.5, device="load_adjuster")
    site.read_cold("A")
    site.verify("A")
    assert site.lacks("A", "confirm") == []


def test_a_load_adjuster_used_in_positioning_only_may_stay() -> None:
    site = positioned(constant())
    site.turn("A", 1, device="load_adjuster")
    site.read_cold("A")
    site.verify("A")
    assert site.lacks("A", "confirm") == []


# --- cold readings ------------------------------------------------------------------------------------------
@pytest.mark.parametrize("more", [{"position": None}, {"legible": False}])
def test_a_cold_reading_is_legible(more: dict[str, Any]) -> None:
    site = positioned()
    read(site, **more)
    assert "cold-reading-missing" in site.lacks("A", "confirm")


def test_a_turn_makes_the_cold_reading_and_the_verification_old() -> None:
    site = positioned()
    site.turn("A", 0.5)
    assert site.lacks("A", "confirm") == [
        "cold-reading-missing",
        "elevation-not-known",
        "retaining-hardware-missing",
        "adjuster-not-locked",
    ]


def test_a_turn_at_one_assembly_makes_the_readings_of_both_old() -> None:
    site = positioned(trapeze())
    site.turn("A", 0.5, 1)
    site.read("A", "cold", 80, 1, elevation=metres(12.4))
    site.verify("A")
    lacking = site.lacking("A", "confirm")
    assert [(lack.code, lack.subject) for lack in lacking] == [
        ("cold-reading-missing", "hanger/A/assembly/2"),
        ("elevation-not-known", "hanger/A/assembly/2"),
    ]


def test_a_reading_from_before_the_stops_came_out_does_not_count() -> None:
    site = Site(A=spring())
    site.bring("A", "easing")
    read(site)
    site.verify("A")
    site.bring("A", "positioning")
    site.stow("A")
    assert site.lacks("A", "confirm") == [
        "cold-reading-missing",
        "elevation-not-known",
        "line-not-cold",
        "retaining-hardware-missing",
        "adjuster-not-locked",
    ]


def test_a_reading_taken_with_the_stop_in_or_of_another_cycle_does_not_count() -> None:
    site = positioned()
    read(site, release_state="easing")
    assert "cold-reading-missing" in site.lacks("A", "confirm")
    read(site)
    assert site.lacks("A", "confirm") == []
    site.facts["hanger/A"]["assembly/1/reading/cold"].value["cycle"] = 2
    assert "cold-reading-missing" in site.lacks("A", "confirm")


def test_the_cold_reading_stands_where_it_is_expected() -> None:
    site = positioned()
    for position, found in (
        (86, []),
        (74, []),
        (86.1, ["reading-off-expected"]),
        (73.9, ["reading-off-expected"]),
    ):
        read(site, position)
        assert site.lacks("A", "confirm") == found, position


def test_a_tenth_of_the_movement_is_the_tolerance_where_that_is_more() -> None:
    site = positioned(spring(design__vertical_movement=mm(70)))
    read(site, 87)
    assert site.lacks("A", "confirm") == []
    read(site, 87.1)
    assert site.lacks("A", "confirm") == ["reading-off-expected"]


def test_without_the_expected_reading_nothing_is_confirmed() -> None:
    site = positioned(spring(indicator__expected_released_cold=None))
    assert site.lacks("A", "confirm") == ["expected-reading-not-stated"]


# --- elevation ------------------------------------------------------------------------------------
def test_the_pipe_stands_at_its_elevation() -> None:
    site = positioned()
    for elevation, found in (
        (12.406, []),
        (12.394, []),
        (12.4062, ["elevation-off"]),
        (12.39, ["elevation-off"]),
    ):
        read(site, elevation=metres(elevation))
        assert site.lacks("A", "confirm") == found, elevation
    assert "10.0 mm too low" in site.lacking("A", "confirm")[0].detail


def test_the_elevation_may_come_from_an_inspection_after_the_last_turn() -> None:
    site = positioned()
    site.inspect("A", elevation=metres(12.5))
    assert site.lacks("A", "confirm") == ["elevation-off"]
    site.inspect("A", elevation=metres(12.401))
    assert site.lacks("A", "confirm") == []
    site.turn("A", 0.1)
    site.read("A", "cold", 80, line_temperature=celsius(20))
    site.verify("A")
    assert site.lacks("A", "confirm") == ["elevation-not-known"]


def test_an_elevation_that_is_not_designed_is_not_met() -> None:
    assert positioned(spring(location=None)).lacks("A", "confirm") == ["elevation-not-known"]


def test_a_horizontal_support_has_no_elevation_to_keep() -> None:
    record = spring(location=None, line_of_action="horizontal")
    assert positioned(record).lacks("A", "confirm") == []


# --- temperature ----------------------------------------------------------------------------------
def test_the_line_is_cold() -> None:
    site = positioned()
    for found, lacks in ((40, []), (-10, []), (41, ["line-not-cold"]), (-11, ["line-not-cold"])):
        read(site, line_temperature=celsius(found))
        assert site.lacks("A", "confirm") == lacks, found


def test_the_lines_own_cold_range_holds_where_it_states_one() -> None:
    site = positioned()
    site.line_record = {"cold_range": {"low": celsius(5), "high": celsius(15)}}
    assert site.lacks("A", "confirm") == ["line-not-cold"]
    read(site, line_temperature=celsius(15))
    assert site.lacks("A", "confirm") == []
    site.line_record = None
    assert site.lacks("A", "confirm") == []


def test_the_newest_temperature_counts_wherever_it_was_taken() -> None:
    site = Site(A=spring(), B=spring())
    site.bring("B", "stops_out")
    site.bring("A", "positioning")
    site.stow("A")
    site.read_cold("A")
    site.verify("A")
    assert site.lacks("A", "confirm") == []
    site.read("B", "heating", 90, line_temperature=celsius(150))
    assert site.lacks("A", "confirm") == ["line-not-cold"]
    site.inspect_line(line_temperature=celsius(20))
    assert site.lacks("A", "confirm") == []
    site.inspect("B", line_temperature=celsius(60))
    lack = site.lacking("A", "confirm")[0]
    assert (lack.subject, lack.known) == ("line/L-1", celsius(60))


def test_a_temperature_from_before_the_withdrawal_says_nothing_now() -> None:
    site = Site(A=spring())
    site.bring("A", "easing")
    site.inspect_line(line_temperature=celsius(20))
    site.bring("A", "positioning")
    site.stow("A")
    read(site, line_temperature=None)
    site.verify("A")
    assert site.lacks("A", "confirm") == ["line-not-cold"]


def test_without_any_temperature_the_line_is_not_cold() -> None:
    site = positioned()
    read(site, line_temperature=None)
    assert site.lacks("A", "confirm") == ["line-not-cold"]


# --- margins --------------------------------------------------------------------------------------
# The scale runs from 0 to 200 mm, so that 20 mm are kept to each end.
@pytest.mark.parametrize(
    ("expected", "movement", "sense", "found"),
    [
        (20, 40, "rises", []),
        (19.9, 40, "rises", ["cold"]),
        (140, 40, "rises", []),
        (140.1, 40, "rises", ["hot"]),
        (60, 40, "falls", []),
        (59.9, 40, "falls", ["hot"]),
        (180, 0, "rises", []),
        (180.1, 0, "rises", ["cold", "hot"]),
        (60, -40, "rises", []),
        (59.9, -40, "rises", ["hot"]),
    ],
)
def test_the_margins_to_both_ends_are_kept_cold_and_hot(
    expected: float, movement: float, sense: str, found: list[str]
) -> None:
    record = spring(
        indicator__expected_released_cold=mm(expected),
        indicator__rises_when_pipe=sense,
        design__vertical_movement=mm(movement),
    )
    site = positioned(record)
    read(site, expected)
    lacking = site.lacking("A", "confirm")
    assert [lack.code for lack in lacking] == ["margin-not-kept"] * len(found)
    assert [lack.known["when"] for lack in lacking] == found


@pytest.mark.parametrize(
    "missing", ["indicator__span", "indicator__rises_when_pipe", "design__vertical_movement"]
)
def test_margins_that_cannot_be_reckoned_are_not_kept(missing: str) -> None:
    assert positioned(spring(**{missing: None})).lacks("A", "confirm") == ["margin-not-known"]


def test_a_horizontal_support_takes_its_hot_position_from_the_marks() -> None:
    flat = {"line_of_action": "horizontal"}
    site = positioned(spring(**flat, indicator__cold_mark=mm(80), indicator__hot_mark=mm(185)))
    assert site.lacks("A", "confirm") == ["margin-not-kept"]
    assert positioned(spring(**flat, indicator__hot_mark=None)).lacks("A", "confirm") == ["margin-not-known"]
    assert positioned(spring(**flat, indicator__cold_mark=None)).lacks("A", "confirm") == ["margin-not-known"]


def test_the_positions_of_a_trapeze_stand_alike() -> None:
    site = positioned(trapeze())
    site.read("A", "cold", 77, 1, elevation=metres(12.4), line_temperature=celsius(20))
    site.read("A", "cold", 83, 2, elevation=metres(12.4), line_temperature=celsius(20))
    assert site.lacks("A", "confirm") == []
    site.read("A", "cold", 83.5, 2, elevation=metres(12.4), line_temperature=celsius(20))
    lack = site.lacking("A", "confirm")[0]
    assert site.lacks("A", "confirm") == ["pair-readings-apart"]
    assert lack.known == pytest.approx(0.0065)


# --- hardware -------------------------------------------------------------------------------------
@pytest.mark.parametrize(("one", "other"), [(True, False), (False, True), (False, False)])
def test_retaining_hardware_is_on_both_ends(one: bool, other: bool) -> None:
    site = positioned()
    site.inspect("A", retaining_hardware={"one_end": one, "other_end": other}, by=CHECKER)
    assert site.lacks("A", "confirm") == ["retaining-hardware-missing"]


def test_the_locking_device_is_on() -> None:
    site = positioned()
    site.inspect("A", adjuster_locked=False, by=CHECKER)
    assert site.lacks("A", "confirm") == ["adjuster-not-locked"]


def test_what_nobody_verified_is_not_on() -> None:
    site = Site(A=spring())
    site.bring("A", "positioning")
    site.stow("A")
    site.read_cold("A")
    assert site.lacks("A", "confirm") == ["retaining-hardware-missing", "adjuster-not-locked"]


# --- prove ----------------------------------------------------------------------------------------
def released(record: dict[str, Any] | None = None) -> Site:
    site = Site(A=record or spring())
    site.bring("A", "released")
    return site


def test_a_hanger_that_moved_as_designed_is_proved() -> None:
    for record in (spring(), constant(), trapeze()):
        site = released(record)
        site.read_hot("A")
        assert site.lacks("A", "prove", by=ENGINEER) == []


def test_a_hot_reading_is_wanted_from_every_assembly() -> None:
    site = released(trapeze())
    site.read("A", "hot", 120, 1)
    lacking = site.lacking("A", "prove", by=ENGINEER)
    assert ("hot-reading-missing", "hanger/A/assembly/2") in [(lack.code, lack.subject) for lack in lacking]


@pytest.mark.parametrize(
    "more", [{"legible": False}, {"release_state": "positioning"}, {"release_state": "proved"}]
)
def test_a_hot_reading_is_legible_and_of_the_released_hanger(more: dict[str, Any]) -> None:
    site = released()
    site.read("A", "hot", 120, **more)
    assert "hot-reading-missing" in site.lacks("A", "prove", by=ENGINEER)


def test_a_hot_reading_from_before_the_confirmation_does_not_count() -> None:
    site = released()
    site.read_hot("A")
    site.step("A", "reposition", reason="stands low")
    site.read_cold("A")
    site.verify("A")
    site.step("A", "confirm")
    assert site.lacks("A", "prove", by=ENGINEER) == ["hot-reading-missing"]
    site.read_hot("A")
    assert site.lacks("A", "prove", by=ENGINEER) == []


def test_a_turn_written_down_on_hold_makes_the_hot_reading_old() -> None:
    site = released()
    site.read_hot("A")
    site.step("A", "hold", reason="doubt")
    site.turn("A", 0.1)
    site.step("A", "dispose", by=ENGINEER, to="resume", reason="seen")
    assert "hot-reading-missing" in site.lacks("A", "prove", by=ENGINEER)


def test_a_hanger_never_confirmed_is_not_proved() -> None:
    site = released()
    site.read_hot("A")
    del site.facts["hanger/A"]["confirmation"]
    assert site.lacks("A", "prove", by=ENGINEER) == ["hot-reading-missing"]


@pytest.mark.parametrize("position", [60, 80, 150])
def test_hot_checks_that_fail_bar_the_proof(position: float) -> None:
    site = released()
    site.read_hot("A", position)
    found = site.lacks("A", "prove", by=ENGINEER)
    assert set(found) == {"hot-check-not-passed"}


def test_hot_checks_that_cannot_be_said_bar_the_proof() -> None:
    record = spring(indicator__hot_mark=None)
    site = released(record)
    site.read_hot("A")
    lacking = site.lacking("A", "prove", by=ENGINEER)
    assert {lack.code for lack in lacking} == {"hot-check-not-passed"}
    assert "cannot_say" in {lack.known["status"] for lack in lacking}


def test_a_constant_whose_load_indicator_was_not_read_is_not_proved() -> None:
    site = released(constant())
    site.read("A", "hot", 120, line_temperature=celsius(500))
    assert site.lacks("A", "prove", by=ENGINEER) == ["hot-check-not-passed"]
    site.read("A", "hot", 120, line_temperature=celsius(500), load_indicator=kn(14.8))
    assert site.lacks("A", "prove", by=ENGINEER) == []


# --- relock ---------------------------------------------------------------------------------------
def cooled() -> Site:
    site = Site(A=spring())
    site.bring("A", "proved")
    site.read_cold("A")
    site.put_back("A")
    return site


def relock(site: Site, **more: Any) -> list[str]:
    return site.lacks("A", "relock", **{"by": ENGINEER, "purpose": "repair", **more})


def test_a_cold_hanger_with_its_stops_back_in_is_locked_again() -> None:
    site = cooled()
    assert relock(site) == []
    site.step("A", "relock", by=ENGINEER, purpose="chemical_clean")
    assert (site.view("A").state, site.view("A").status["cycle"]) == ("locked", 2)


def test_locking_again_wants_a_purpose() -> None:
    assert relock(cooled(), purpose=None) == ["purpose-missing"]


def test_locking_again_wants_the_line_cold_since() -> None:
    site = cooled()
    site.inspect_line(line_temperature=celsius(200))
    assert relock(site) == ["line-not-cold"]


def test_a_cold_reading_from_before_the_proof_says_nothing_now() -> None:
    site = Site(A=spring())
    site.bring("A", "proved")
    site.put_back("A")
    assert relock(site) == ["line-not-cold", "cold-reading-missing"]


def test_stops_go_back_at_the_position_read_cold() -> None:
    site = cooled()
    site.read("A", "cooling", 100, line_temperature=celsius(30))
    assert relock(site) == ["cold-reading-missing"]
    site.read("A", "cold", 80, line_temperature=celsius(20))
    assert relock(site) == []
    site.read("A", "cold", None, line_temperature=celsius(20))
    assert relock(site) == ["cold-reading-missing"]


def test_a_turn_after_the_cold_reading_moves_the_position() -> None:
    site = cooled()
    site.step("A", "hold", reason="doubt")
    site.turn("A", 0.1)
    site.step("A", "dispose", by=ENGINEER, to="locked", reason="seen")
    site.made("A", "x", "proved")
    site.put_back("A")
    site.inspect_line(line_temperature=celsius(20))
    assert relock(site) == ["cold-reading-missing"]


def test_every_stop_is_back_in_and_counted() -> None:
    site = cooled()
    site.facts["hanger/A"]["assembly/1/stop/1"].value["position"] = "stowed"
    assert relock(site) == ["stop-not-in"]
    site = cooled()
    site.inspect("A", stops_counted=1)
    assert relock(site) == ["stop-count-not-as-drawn"]


def test_a_reading_without_a_temperature_is_no_proof_of_cold() -> None:
    site = Site(A=spring())
    site.made("A", "x", "released", by=CREW)
    assert "line-not-cold" in relock(site)
    fresh = Site(A=spring())
    assert "line-not-cold" in fresh.lacks("A", "relock")
    fresh.inspect_line(line_temperature=celsius(20), at=fresh.now + timedelta(minutes=2))
    assert "line-not-cold" not in fresh.lacks("A", "relock")
