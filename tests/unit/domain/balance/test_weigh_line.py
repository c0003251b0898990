"""`weigh`: intervals, verdicts and readings of the worked cases, and what is not known."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from service.domain.balance.analysis import Analysis
from service.domain.balance.weigh import weigh
from service.domain.balance.weighing import Weighing
from tests.lines.base import CALIBRATED_N, MARKS, base_line
from tests.unit.domain.balance.two_spans import (
    LEVEL_N,
    RATE_N_PER_M,
    RISE_M,
    STIFFNESS_N_PER_M,
    two_spans,
)

A1_LOCKED_N = (15073.1, 13006.4, 13012.4, 15055.1, 14711.6)
A1_INDICATOR_MM = (13.3, 35.0, 40.0, 26.7, 8.9)
V1_MOVEMENT_MM = (10.0, 25.0, 40.0, 25.0, 10.0)
V1_READING_MM = (7.49, 20.34, 26.53, 20.34, 7.49)
V1_OUT_OF_BALANCE_N = (600.0, 1500.0, 2400.0, 1500.0, 600.0)


def weighed(**fields: object) -> Weighing:
    return weigh(Analysis(base_line(**fields)))  # type: ignore[arg-type]


def variable_line() -> dict[str, dict[str, object]]:
    """Springs that carry their weight share when they stand hot."""
    return {
        mark: {
            "kind": "variable",
            "rate_n_per_m": 60e3,
            "spring_load_n": CALIBRATED_N + 60.0 * movement,
            "operating_load_n": CALIBRATED_N,
        }
        for mark, movement in zip(MARKS, V1_MOVEMENT_MM, strict=True)
    }


# --- worked cases ---------------------------------------------------------------------------------------
def test_locked_loads_with_a_span_bare_are_those_of_the_worked_case() -> None:
    found = weighed(bare_spans=(3,), slot_clearance_m=0.0)
    for mark, load in zip(MARKS, A1_LOCKED_N, strict=True):
        assert found.hangers[mark].locked_load_n == pytest.approx((load, load), rel=1e-4)
        low, high = found.hangers[mark].out_of_balance_n or (math.nan, math.nan)
        assert low == pytest.approx(load - CALIBRATED_N, abs=0.1)
        assert high == low


def test_without_friction_the_hanger_beside_the_bare_span_will_reach_its_upper_end() -> None:
    found = weighed(bare_spans=(3,))
    for mark, position in zip(MARKS, A1_INDICATOR_MM, strict=True):
        standing = found.hangers[mark].cold
        assert standing.position_m == pytest.approx(position / 1e3, rel=1e-2)
        assert (standing.verdict, standing.end) == (("will", "upper") if mark == "H3" else ("will_not", None))
    assert found.hangers["H3"].cold.margin_m < 0.0  # type: ignore[operator]
    assert {each.hot.verdict for each in found.hangers.values()} == {"will_not"}


def test_friction_can_hide_it_so_that_it_may() -> None:
    found = weighed(bare_spans=(3,), friction_n=0.05 * CALIBRATED_N)
    standing = found.hangers["H3"].cold
    assert (standing.verdict, standing.end) == ("may", "upper")
    # Somewhere in the band it stops 27 mm short: there the load history of the worked case ended.
    assert standing.least_m is not None
    assert standing.least_m <= 0.0133
    assert "will" not in {each.cold.verdict for each in found.hangers.values()}


def test_expected_readings_of_variable_springs_stand_off_the_cold_mark() -> None:
    found = weighed(hangers=variable_line(), slot_clearance_m=0.0)
    for place, mark in enumerate(MARKS):
        hanger = found.hangers[mark]
        assert hanger.expected_released_cold_m == pytest.approx(V1_READING_MM[place] / 1e3, rel=1e-3)
        # The rod carries less than the spring.
        assert hanger.out_of_balance_n == pytest.approx((-V1_OUT_OF_BALANCE_N[place],) * 2, rel=1e-3)


def test_expected_readings_leave_out_heights_and_turns_and_what_is_not_yet_on() -> None:
    as_drawn = weighed(hangers=variable_line())
    as_found = weighed(hangers=variable_line(), bare_spans=(2,), height_error_m=0.004, net_turns=1.5)
    for mark in MARKS:
        assert as_found.hangers[mark].expected_released_cold_m == pytest.approx(
            as_drawn.hangers[mark].expected_released_cold_m
        )
        assert as_found.hangers[mark].cold.position_m != pytest.approx(as_drawn.hangers[mark].cold.position_m)


def test_a_reading_falls_as_the_pipe_rises_where_the_indicator_says_so() -> None:
    found = weigh(Analysis(two_spans())).hangers["H1"]
    # 600 N too much on a spring of 60 N/mm beside the line's own stiffness.
    rise_m = RATE_N_PER_M * RISE_M / (RATE_N_PER_M + STIFFNESS_N_PER_M)
    assert found.expected_released_cold_m == pytest.approx(0.070 - rise_m)
    assert found.cold.position_m == pytest.approx(rise_m)


# --- intervals ------------------------------------------------------------------------------------------
def test_an_unsurveyed_height_is_three_millimetres_either_way_and_named() -> None:
    found = weigh(Analysis(two_spans(height_error_m=None, height_uncertainty_m=None)))
    spread = STIFFNESS_N_PER_M * 0.003
    assert found.hangers["H1"].locked_load_n == pytest.approx((LEVEL_N - spread, LEVEL_N + spread))
    assert found.indicative
    assert any("3 mm" in each and "H1" in each and "common practice" in each for each in found.assumed)


def test_a_surveyed_height_moves_the_load_and_its_interval() -> None:
    found = weigh(Analysis(two_spans(height_error_m=0.002, height_uncertainty_m=0.001)))
    middle, spread = LEVEL_N + STIFFNESS_N_PER_M * 0.002, STIFFNESS_N_PER_M * 0.001
    assert found.hangers["H1"].locked_load_n == pytest.approx((middle - spread, middle + spread))
    assert not found.indicative


def test_a_pin_that_bears_for_certain_adds_no_slot_to_the_interval() -> None:
    # The rod is 5 mm long: it carries far less than the spring, and the pin lies on its upper face, 2 mm up.
    found = weigh(
        Analysis(two_spans(height_error_m=-0.005, height_uncertainty_m=0.001, slot_clearance_m=0.004))
    )
    middle, spread = LEVEL_N - STIFFNESS_N_PER_M * 0.003, STIFFNESS_N_PER_M * 0.001
    assert found.hangers["H1"].locked_load_n == pytest.approx((middle - spread, middle + spread))


def test_every_load_that_heights_within_their_intervals_can_give_lies_in_the_interval() -> None:
    fields = {"slot_clearance_m": 0.004, "friction_n": 300.0}
    found = weighed(bare_spans=(3,), height_error_m=None, height_uncertainty_m=0.002, **fields)
    rng = np.random.default_rng(5)
    corners = list(product((-1.0, 1.0), repeat=5))
    for signs in [*corners, *rng.uniform(-1.0, 1.0, (20, 5))]:
        heights = dict(zip(MARKS, 0.002 * np.array(signs), strict=True))
        built = base_line(
            bare_spans=(3,), hangers={mark: {"height_error_m": e} for mark, e in heights.items()}, **fields
        )
        for friction in (0.0, 1.0):
            analysis = Analysis(built)
            state = analysis.state("present", friction=friction)
            for place, mark in enumerate(MARKS):
                low, high = found.hangers[mark].locked_load_n or (math.nan, math.nan)
                assert low - 1e-6 <= state.force_n[place] <= high + 1e-6


@pytest.mark.parametrize("width_m", [0.006, 0.015])
def test_rods_that_may_hang_loose_are_named_and_loads_stay_in_their_intervals(width_m: float) -> None:
    found = weighed(slot_clearance_m=0.0, height_error_m=None, height_uncertainty_m=width_m)
    assert any("hang loose" in each and "H3" in each for each in found.assumed)
    for signs in product((-1.0, 0.0, 1.0), repeat=5):
        heights = {mark: {"height_error_m": width_m * sign} for mark, sign in zip(MARKS, signs, strict=True)}
        force_n = Analysis(base_line(slot_clearance_m=0.0, hangers=heights)).state("present").force_n
        for place, mark in enumerate(MARKS):
            low, high = found.hangers[mark].locked_load_n or (math.nan, math.nan)
            assert low - 1e-6 <= force_n[place] <= high + 1e-6


def test_the_friction_of_a_released_neighbour_is_in_the_interval() -> None:
    released = {"H2": {"released": True}}
    without = weighed(slot_clearance_m=0.0, hangers=released)
    within = weighed(slot_clearance_m=0.0, friction_n=500.0, hangers=released)
    low, high = without.hangers["H3"].locked_load_n or (math.nan, math.nan)
    assert high == pytest.approx(low)
    # Superposition: 500 N more at H2, every other hanger held at its height.
    stiffness = Analysis(base_line()).line("present").stiffness
    passed = 500.0 * abs(stiffness[2, 1]) / stiffness[1, 1]
    assert within.hangers["H3"].locked_load_n == pytest.approx((low - passed, low + passed))


def test_the_interval_closes_when_the_heights_are_known() -> None:
    loose = weighed(hangers=variable_line(), height_error_m=0.0, height_uncertainty_m=0.0)
    for mark in MARKS:
        low, high = loose.hangers[mark].locked_load_n or (math.nan, math.nan)
        assert high - low < 1e-6


def test_the_test_load_is_that_of_the_filled_line_with_every_stop_in() -> None:
    found = weigh(Analysis(two_spans(test_factor=1.5, released=True))).hangers["H1"]
    assert found.locked_test_load_n == pytest.approx((1.5 * LEVEL_N,) * 2)
    # Its stop is out now: nothing is locked.
    assert found.locked_load_n is None
    assert found.out_of_balance_n is None


# --- what is not known ----------------------------------------------------------------------------------
def test_a_missing_rate_silences_every_standing_but_no_other_load() -> None:
    found = weighed(hangers={"H2": {"rate_n_per_m": None, "missing": ("/design/spring_rate",)}})
    for mark in MARKS:
        assert found.hangers[mark].cold.verdict == "cannot_say"
        assert found.hangers[mark].hot.verdict == "cannot_say"
        assert found.hangers[mark].expected_released_cold_m is None
        assert found.hangers[mark].locked_load_n is not None
    assert found.hangers["H2"].out_of_balance_n is None
    assert found.hangers["H3"].out_of_balance_n is not None
    assert found.wanting == {"H2": ("/design/spring_rate",)}
    assert "H2" in found.unsaid["cold"]


def test_a_missing_friction_leaves_the_way_without_friction() -> None:
    found = weighed(bare_spans=(3,), hangers={"H5": {"friction_n": None, "missing": ("/design/friction",)}})
    standing = found.hangers["H3"].cold
    assert standing.verdict == "cannot_say"
    assert standing.position_m == pytest.approx(0.040)
    assert found.wanting == {"H5": ("/design/friction",)}
    assert found.hangers["H3"].expected_released_cold_m == pytest.approx(0.0, abs=1e-6)
    assert found.hangers["H3"].expected_band_m is None


def test_a_released_hanger_of_unknown_load_silences_the_loads_now() -> None:
    found = weighed(
        hangers={"H2": {"released": True, "spring_load_n": None, "missing": ("/design/calibrated_load",)}}
    )
    assert all(each.locked_load_n is None for each in found.hangers.values())
    assert "H2" in found.unsaid["locked"]
    # With every stop in it holds the pipe at its height, whatever its spring.
    assert all(each.locked_test_load_n is not None for each in found.hangers.values())


def test_an_unstated_slot_widens_the_interval_and_is_named() -> None:
    found = weigh(Analysis(two_spans(slot_clearance_m=None)))
    low, high = found.hangers["H1"].locked_load_n or (math.nan, math.nan)
    assert low <= LEVEL_N - 0.002 * STIFFNESS_N_PER_M + 1e-3
    assert high >= LEVEL_N + 0.002 * STIFFNESS_N_PER_M - 1e-3
    assert any("Slot" in each and "H1" in each for each in found.assumed)


def test_a_line_on_a_constant_alone_drifts_and_names_it() -> None:
    found = weigh(Analysis(two_spans(loose=("rise",), kind="constant", rate_n_per_m=0.0)))
    assert found.drifting == ("H1",)
    assert found.hangers["H1"].cold.verdict == "cannot_say"
    assert "drift" in found.unsaid["cold"]
    # The stop holds it: it carries both spans.
    assert found.hangers["H1"].locked_load_n == pytest.approx((2.0 * LEVEL_N,) * 2)


def test_a_line_on_a_variable_spring_alone_does_not_drift() -> None:
    found = weigh(Analysis(two_spans(loose=("rise",), spring_load_n=2.0 * LEVEL_N - 600.0, imposed_m=0.0)))
    assert found.drifting == ()
    # Nothing but the spring takes the 600 N that it carries too little.
    assert found.hangers["H1"].cold.position_m == pytest.approx(-600.0 / RATE_N_PER_M)
    assert found.hangers["H1"].thermal_movement_m == pytest.approx(0.0, abs=1e-9)


def test_a_spring_without_travel_stands_at_its_end() -> None:
    found = weigh(Analysis(two_spans(travel_low_m=0.0, travel_high_m=0.0)))
    assert found.hangers["H1"].cold.verdict == "will"


def test_a_line_that_nothing_holds_names_node_and_direction() -> None:
    found = weigh(Analysis(two_spans(loose=("rise", "tilt"))))
    assert found.unheld is not None
    assert "z" in found.unheld
    assert found.hangers["H1"].locked_load_n is None
    assert found.hangers["H1"].cold.verdict == "cannot_say"


def test_a_missing_operating_load_leaves_out_the_design_sum() -> None:
    assert weighed(hangers={"H4": {"operating_load_n": None}}).design_sum_n is None


# --- sums, movements, missing weight ------------------------------------------------------------------------
def test_the_design_sum_stands_beside_what_the_hot_line_weighs() -> None:
    # The right anchor rises: that loads the hanger where it is held, but not where growth alone takes it.
    found = weigh(Analysis(two_spans(imposed_m=0.020, operating_load_n=15000.0)))
    assert found.design_sum_n == pytest.approx((15000.0, LEVEL_N))


def test_thermal_movement_follows_the_anchor_that_rises() -> None:
    found = weigh(Analysis(two_spans(imposed_m=0.020)))
    assert found.hangers["H1"].thermal_movement_m == pytest.approx(0.010)


def test_a_hot_line_that_grows_as_drawn_stands_at_its_operating_load_and_hot_mark() -> None:
    found = weigh(Analysis(two_spans(imposed_m=2.0 * RISE_M)))
    assert found.hangers["H1"].hot.position_m == pytest.approx(RISE_M)


def test_what_neither_inspection_nor_model_states_is_named() -> None:
    built = replace(two_spans(), present_not_stated=("/segments/1/insulation",))
    found = weigh(Analysis(built))
    assert found.present_not_stated == ("/segments/1/insulation",)
    assert any("/segments/1/insulation" in each for each in found.assumed)


def test_what_is_not_on_is_listed_greatest_first() -> None:
    found = weigh(Analysis(two_spans(bare=("S2",))))
    assert [(each.owner, each.part) for each in found.missing_weights] == [("S2", "insulation")]
    assert found.missing_weights[0].weight_n == pytest.approx(35.5 * 9.0 * 9.80665)


def test_revision_and_sequence_are_those_of_the_model() -> None:
    found = weigh(Analysis(two_spans()), model_revision=3, model_sequence=41)
    assert (found.model_revision, found.model_sequence) == (3, 41)
    assert found.limits == ("A straight line that is reckoned by hand.",)
